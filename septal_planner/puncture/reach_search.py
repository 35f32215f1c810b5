"""The search behind the reach solver: what is best, and the narrowing of trials about the best.

A fixed sequence of ever finer trials about the best so far, over the few unknowns that closed forms leave (see
reach_shapes), for many crossing points at once. Nothing in it is left to chance: the same question has the same answer.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from septal_planner.puncture import arc_chain
from septal_planner.puncture.body_clearance import BodyRoom
from septal_planner.puncture.catheters import SteerableCatheter
from septal_planner.puncture.reach_shapes import Shapes, Task
from septal_planner.puncture.reach_trials import Trials, around, first_grid

Array = NDArray[np.float64]

# a degree of tilt beyond the allowed counts as the way a straight end of 15 mm swings by it
MM_PER_DEGREE = 0.25
STEP_MM = 0.5        # between the places where the clearance is told
SEARCH_SAMPLES = 40  # along a chain while searching
FIRST_SAMPLES = 10   # of a first look, that shows what is not worth a second
SEARCH_MARGIN_MM = 0.01  # kept there, so that what the finer look finds is within the limit still
NO_TILT_DEG = 0.01
TOLERANCE = 1e-6     # of a limit, for what floating point leaves
SHORT = 1000.0       # a key from here on falls short of a limit
OTHERS = 0.02        # by which what is not the worst counts beside the worst


@dataclass(frozen=True)
class ReachLimits:
    """What counts as reached: tilt against the axis, offset from the device point, clearance of the body's surface;
    and the longest straight part pushed out. `flag` "practice value, confirm locally": none has a published source.

    `tolerances` of tilt (deg), offset and clearance (mm), or None: with them a shape is wanted that keeps every limit
    with a tolerance to spare, and only among such ones the least tilt; where there is none, the one whose smallest
    spare, in tolerances, is largest (the sum of what is lacking of a tolerance counts by a fiftieth, so that no
    quantity is left open). Without them the least tilt is wanted however narrowly the others are kept."""

    tilt_deg: float = 20.0
    offset_mm: float = 3.0
    clearance_mm: float = 1.0
    advance_mm: float = 80.0
    flag: str = "practice value, confirm locally"
    tolerances: tuple[float, float, float] | None = None

    def __post_init__(self) -> None:
        if min(self.tilt_deg, self.offset_mm, self.clearance_mm) < 0 or not self.advance_mm > 0:
            raise ValueError("the limits of reach must not be negative, and the longest advance above zero")
        if self.tolerances is not None and not min(self.tolerances) > 0:
            raise ValueError("the tolerances of reach must be above zero")

    @property
    def wanted_clearance_mm(self) -> float:
        return self.clearance_mm + (self.tolerances[2] if self.tolerances else 0.0)

    @property
    def searched_within(self) -> float:
        """How far short (see `_key`) without walls a shape may fall and still be looked at with them."""
        return GIVE_UP_MM if self.tolerances else TOLERANCE


def _key(found: Shapes, limits: ReachLimits, clearance: Array | None = None, margin_mm: float = 0.0) -> Array:
    """What is to be least: below SHORT tilt, then offset, then the ease of the bends; from there on how far it falls
    short (mm; with tolerances, of one tolerance to spare, in tolerances)."""
    if limits.tolerances is not None:
        tilt, offset, room = limits.tolerances
        # no more than the whole limit can be to spare
        lacks = [(found.tilt_deg - max(limits.tilt_deg - tilt, 0.0)) / tilt,
                 (found.offset_mm - max(limits.offset_mm - offset, 0.0)) / offset]
        if clearance is not None:
            lacks.append((limits.clearance_mm + room + margin_mm - clearance) / room)
        lacking = np.maximum(np.stack(lacks), 0.0)
        short = lacking.max(axis=0) + OTHERS * lacking.sum(axis=0)
    else:
        short = np.maximum(found.offset_mm - limits.offset_mm, 0.0)
        short = short + MM_PER_DEGREE * np.maximum(found.tilt_deg - limits.tilt_deg, 0.0)
        if clearance is not None:
            short = short + np.maximum(limits.clearance_mm + margin_mm - clearance, 0.0)
    ease = 1e-5 * np.abs(found.deflection_rad).sum(axis=-1)
    good = found.tilt_deg + 1e-3 * found.offset_mm + ease
    return np.asarray(np.where(short > TOLERANCE, SHORT + short + 1e-4 * good, good))


@dataclass(frozen=True)
class _Effort:
    """Where a search begins and how it narrows: a grid of tilts (deg), directions and first deflections; then rounds of
    (levels, trials each, best starts kept) about the best, within a width of end (deg), shift (share of the offset
    allowed) and first deflection (deg) that narrows where a level brings nothing better."""

    tilts_deg: tuple[float, ...]
    around: int
    firsts: int
    width: tuple[float, float, float]
    rounds: tuple[tuple[int, int, int], ...]
    by_bends: bool = False


# by the number of bends
_ON_AXIS = _Effort((0.0,), 1, 73, (0.0, 0.0, 4.0), ((4, 9, 6), (9, 9, 1)))
_NO_WALLS = (
    _Effort((1, 2, 3.5, 5, 7, 9, 12, 15, 18, 22, 27, 33, 40, 50), 18, 1, (6.0, 0.0, 0.0),
            ((5, 20, 4), (16, 24, 2))),
    _Effort((3, 7, 12, 18, 26, 36, 48), 8, 9, (9.0, 0.0, 9.0), ((8, 20, 6), (16, 24, 3), (40, 24, 2)),
            by_bends=True),
)
_ON_AXIS_CLEAR = _Effort((0.0,), 1, 19, (0.0, 1.0, 6.0), ((5, 16, 6), (9, 20, 1)))
_WITH_WALLS = (
    _Effort((0, 3, 6, 10, 15, 21, 28, 38), 8, 1, (8.0, 1.0, 0.0), ((6, 24, 4), (12, 24, 2), (20, 24, 1))),
    _Effort((0, 5, 11, 19, 30), 6, 7, (10.0, 1.0, 12.0), ((8, 24, 6), (12, 24, 3), (30, 28, 2)), by_bends=True),
)
WIDER, NARROWER = 1.2, 0.65
GIVE_UP_MM = 2.0  # (or tolerances) short of the limits after a round: no further round makes that good


# of many crossings on one membrane a few, spread evenly, are searched in full; the rest begin where the nearest ended
FEW = 48
SPREAD_MM = 2.5
FOLLOWED = 3
_FOLLOW = ((4, 12, 3), (10, 16, 1))
_FOLLOW_WIDTH = 0.6
_BESIDE = ((6, 12, 2), (8, 12, 1))
_BESIDE_ONE = ((10, 12, 1),)
_BESIDE_WIDTH = 0.4


def _search(task: Task, limits: ReachLimits, room: BodyRoom | None, effort: _Effort) -> Shapes:
    """The best shapes (n, 1) found with so much effort."""
    n = len(task.start)
    if n <= FEW:
        return _in_full(task, limits, room, effort).shapes(task)
    low = task.start.min(axis=0)
    _, chosen = np.unique(np.floor((task.start - low) / SPREAD_MM).astype(np.int64), axis=0, return_index=True)
    seeds = np.sort(chosen)
    ends = _in_full(task.at(seeds), limits, room, effort)
    near = cKDTree(task.start[seeds]).query(task.start, min(FOLLOWED, len(seeds)))[1].reshape(n, -1)
    starts = Trials(ends.unknowns[near, 0], ends.branch[near, 0], ends.by_bends)
    held = _keys(task, limits, room, starts, None)
    return _narrowed(task, limits, room, effort, starts, held, _FOLLOW, _FOLLOW_WIDTH).shapes(task)


def best_beside(task: Task, limits: ReachLimits, room: BodyRoom | None, starts: Trials) -> Shapes:
    """The best shapes (n, 1) near `starts` (n, s), which were the best of crossings much alike."""
    effort = (_WITH_WALLS if room is not None else _NO_WALLS)[len(task.catheter.bends) - 1]
    held = _keys(task, limits, room, starts, None)
    rounds = _BESIDE if starts.branch.shape[1] > 1 else _BESIDE_ONE
    return _narrowed(task, limits, room, effort, starts, held, rounds, _BESIDE_WIDTH).shapes(task)


def _in_full(task: Task, limits: ReachLimits, room: BodyRoom | None, effort: _Effort) -> Trials:
    trials, group = first_grid(task, effort.tilts_deg, effort.around, effort.firsts)
    keys = _keys(task, limits, room, trials, None)
    columns = np.stack(
        [np.flatnonzero(group == g)[np.argmin(keys[:, group == g], axis=1)] for g in np.unique(group)], axis=1
    )
    starts = trials.take(columns)
    if effort.by_bends:
        starts = starts.told_by_bends(task)
    return _narrowed(task, limits, room, effort, starts, np.take_along_axis(keys, columns, axis=1), effort.rounds, 1.0)


def _narrowed(
    task: Task, limits: ReachLimits, room: BodyRoom | None, effort: _Effort, best: Trials, held: Array,
    rounds: tuple[tuple[int, int, int], ...], share: float,
) -> Trials:
    """The best (n, 1) from the starts `best` (n, s), whose keys are `held`; `share` of the effort's width to begin."""
    n, starts = held.shape
    end, first = np.deg2rad(effort.width[0]), np.deg2rad(effort.width[2])
    begin = share * np.array([end, end, *(3 * [effort.width[1] * limits.offset_mm]), first])
    width: Array = np.broadcast_to(begin, (n, starts, 6))
    last: Array = np.zeros(width.shape)
    rows = np.arange(n)
    ends, branch = np.empty((n, 1, 6)), np.empty((n, 1))
    level = -1
    for number, (levels, count, keep) in enumerate(rounds):
        columns = np.argsort(held, axis=1, kind="stable")[:, :keep]
        kept = columns.shape[1]
        part = task.at(np.repeat(rows, kept))
        held, best = np.take_along_axis(held, columns, axis=1).reshape(-1, 1), best.take(columns).regrouped(1)
        width, last = (np.take_along_axis(v, columns[..., None], axis=1).reshape(-1, 1, 6) for v in (width, last))
        for _ in range(levels):
            level += 1
            tried = around(best, width, last, count, level)
            keys = _keys(part, limits, room, tried, held)
            column = np.argmin(keys, axis=1)[:, None]
            held, moved = np.take_along_axis(keys, column, axis=1), tried.take(column)
            better = (column > 0)[..., None]
            last = np.where(better, moved.unknowns - best.unknowns, last * NARROWER)
            width, best = width * np.where(better, WIDER, NARROWER), moved
        held, best = held.reshape(-1, kept), best.regrouped(kept)
        width, last = width.reshape(-1, kept, 6), last.reshape(-1, kept, 6)
        done = np.full(len(rows), number == len(rounds) - 1) | (held.min(axis=1) > SHORT + GIVE_UP_MM)
        found = best.take(np.argmin(held, axis=1)[:, None])
        ends[rows[done]], branch[rows[done]] = found.unknowns[done], found.branch[done]
        rows, held, width, last = rows[~done], held[~done], width[~done], last[~done]
        best = Trials(best.unknowns[~done], best.branch[~done], best.by_bends)
        if not len(rows):
            break
    return Trials(ends, branch, best.by_bends)


def best_without_walls(task: Task, limits: ReachLimits) -> tuple[Shapes, NDArray[np.bool_]]:
    """The best shapes (n, 1) when the walls do not count, and which of them keep the limits (n,)."""
    found = _search(task, replace(limits, tilt_deg=0.0), None, _ON_AXIS)
    keys = _key(found, limits)[:, 0]
    todo = np.flatnonzero((keys >= SHORT) | (found.tilt_deg[:, 0] > NO_TILT_DEG))
    if len(todo):
        part = task.at(todo)
        better = _search(part, limits, None, _NO_WALLS[len(task.catheter.bends) - 1])
        new = _key(better, limits)[:, 0]
        gain = new < keys[todo]
        found = put(found, todo[gain], _rows(better, np.flatnonzero(gain)))
        keys[todo[gain]] = new[gain]
    return found, np.asarray(keys < SHORT + limits.searched_within)


def best_clear_of_walls(task: Task, limits: ReachLimits, room: BodyRoom) -> Shapes:
    """The best shapes (n, 1) that keep clear, or fall short by least."""
    found = _search(task, replace(limits, tilt_deg=0.0), room, _ON_AXIS_CLEAR)
    clear = clearance_along(room, found.chains(task), task.catheter, SEARCH_SAMPLES)[:, None]
    keys = _key(found, limits, clear)[:, 0]
    todo = np.flatnonzero((keys >= SHORT) | (found.tilt_deg[:, 0] > NO_TILT_DEG))
    if len(todo):
        part = task.at(todo)
        tilted = _search(part, limits, room, _WITH_WALLS[len(task.catheter.bends) - 1])
        clear = clearance_along(room, tilted.chains(part), task.catheter, SEARCH_SAMPLES)[:, None]
        gain = _key(tilted, limits, clear)[:, 0] < keys[todo]
        found = put(found, todo[gain], _rows(tilted, np.flatnonzero(gain)))
    return found


def _keys(task: Task, limits: ReachLimits, room: BodyRoom | None, trials: Trials, held: Array | None) -> Array:
    """Keys (n, q) of trials. With a room the clearance is looked at only where the rest could still be better than
    `held` (n, 1), the key of the first column (None: not known); infinite where it was not."""
    found = trials.shapes(task)
    least = _key(found, limits)
    if room is None:
        return least
    keys = np.full(least.shape, np.inf)
    if held is None:
        wanted = least <= np.median(least, axis=1, keepdims=True)  # the better half tells what is worth looking at
        _fill(task, limits, room, found, wanted, keys, np.full((len(keys), 1), np.inf))
        held = keys.min(axis=1, keepdims=True)
        wanted = (least < held) & ~wanted
    else:
        keys[:, :1] = held
        wanted = least < held
        wanted[:, 0] = False
    _fill(task, limits, room, found, wanted, keys, held)
    return keys


def _fill(
    task: Task, limits: ReachLimits, room: BodyRoom, found: Shapes, wanted: NDArray[np.bool_], keys: Array, held: Array
) -> None:
    """Put the keys of the trials `wanted` where, at a few places first, they may still be better than `held`."""
    for samples in (FIRST_SAMPLES, SEARCH_SAMPLES):
        if not wanted.any():
            return
        clear = np.full(keys.shape, np.inf)
        coarse = samples == FIRST_SAMPLES
        clear[wanted] = clearance_along(room, found.chains(task, wanted), task.catheter, samples, edges=not coarse)
        new = _key(found, limits, clear, SEARCH_MARGIN_MM)
        if coarse:
            wanted = wanted & (new < held)
        else:
            keys[wanted] = new[wanted]


def clearance_along(
    room: BodyRoom, chains: arc_chain.Chains, catheter: SteerableCatheter, samples: int | None, *, edges: bool = True
) -> Array:
    """Clearance (n,) at so many places along each chain, or half a millimetre apart."""
    if samples is None:  # by each chain's own length, so that it is told the same in any company
        own = 2 ** np.ceil(np.log2(np.maximum(chains.total_mm / STEP_MM, 1.0))).astype(np.intp) + 1
        out = np.empty(len(own))
        for count in np.unique(own):
            those = np.flatnonzero(own == count)
            out[those] = clearance_along(room, arc_chain.some(chains, those), catheter, int(count), edges=edges)
        return out
    out = np.empty(len(chains.start))
    size = max(1, 400_000 // samples)
    for lo in range(0, len(out), size):
        part = arc_chain.some(chains, slice(lo, lo + size))
        points, _ = arc_chain.evenly(part, samples)
        out[lo : lo + size] = room.clearance_mm(points, part.start, catheter.outer_diameter_mm.value, edges=edges)
    return out


def _rows(found: Shapes, index: NDArray[np.intp]) -> Shapes:
    return Shapes(*(np.asarray(getattr(found, name))[index] for name in found.__dataclass_fields__))


def put(found: Shapes, index: NDArray[np.intp], new: Shapes) -> Shapes:
    fields = []
    for name in found.__dataclass_fields__:
        values = np.array(getattr(found, name))
        values[index] = getattr(new, name)
        fields.append(values)
    return Shapes(*fields)
