"""Steering a catheter to a valve: advance, plane and deflections that end on the axis at the device point.

For every crossing point the shape is sought that keeps within the catheter's bends and clear of the walls, and has the
least tilt against the axis, then the least offset from the device point, among those whose offset is allowed. Where
there is none, the shape that falls short by least. The search is a fixed sequence of ever finer trials around the best
so far, over the few unknowns that closed forms leave (see reach_shapes); the same question has the same answer.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.geometry.frames import unit_vector
from septal_planner.puncture import arc_chain
from septal_planner.puncture.body_clearance import BodyRoom
from septal_planner.puncture.catheters import SteerableCatheter
from septal_planner.puncture.reach_shapes import Shapes, Task, shapes

Array = NDArray[np.float64]
Search = Callable[[Shapes], Array]

# a degree of tilt beyond the allowed counts as the way a straight end of 15 mm swings by it
MM_PER_DEGREE = 0.25
STEP_MM = 0.5        # between the places where the clearance is told
LARGEST_TILT_RAD = np.deg2rad(60.0)


@dataclass(frozen=True)
class ReachLimits:
    """What counts as reached: tilt against the axis, offset from the device point, clearance of the body's surface;
    and the longest straight part pushed out. `flag` "practice value, confirm locally": none has a published source."""

    tilt_deg: float = 20.0
    offset_mm: float = 3.0
    clearance_mm: float = 1.0
    advance_mm: float = 80.0
    flag: str = "practice value, confirm locally"

    def __post_init__(self) -> None:
        if min(self.tilt_deg, self.offset_mm, self.clearance_mm) < 0 or not self.advance_mm > 0:
            raise ValueError("the limits of reach must not be negative, and the longest advance above zero")


@dataclass(frozen=True)
class ReachMap:
    """For each of n crossing points the shape found, its inputs and its spare in each limit (negative: beyond it).

    `plane_deg` turns the first bend about the crossing direction, 0 toward the axis into the valve, right-handed.
    `deflection_deg`, `radius_mm` (n, m) for m bends; the second deflection is negative to the other side.
    `clearance_mm`: nan where not assessed. `reachable`: within every limit; without a room, as far as the clearance is
    left out. `chains`: the shapes in LPS.
    """

    catheter: SteerableCatheter
    limits: ReachLimits
    reachable: NDArray[np.bool_]
    tilt_deg: NDArray[np.float64]
    offset_mm: NDArray[np.float64]
    clearance_mm: NDArray[np.float64]
    advance_mm: NDArray[np.float64]
    plane_deg: NDArray[np.float64]
    deflection_deg: NDArray[np.float64]
    radius_mm: NDArray[np.float64]
    length_mm: NDArray[np.float64]
    chains: arc_chain.Chains

    @property
    def spare_tilt_deg(self) -> Array:
        return np.asarray(self.limits.tilt_deg - self.tilt_deg)

    @property
    def spare_offset_mm(self) -> Array:
        return np.asarray(self.limits.offset_mm - self.offset_mm)

    @property
    def spare_clearance_mm(self) -> Array:
        return np.asarray(self.clearance_mm - self.limits.clearance_mm)

    @property
    def spare_advance_mm(self) -> Array:
        return np.asarray(self.limits.advance_mm - self.advance_mm)

    @property
    def spare_radius_mm(self) -> Array:
        """(n, m) above the tightest bend."""
        return np.asarray(self.radius_mm - np.array([b.radius_mm.low for b in self.catheter.bends]))

    @property
    def spare_deflection_deg(self) -> Array:
        """(n, m) to the largest deflection."""
        return np.asarray(
            np.array([b.deflection_deg.high for b in self.catheter.bends]) - np.abs(self.deflection_deg)
        )


@dataclass(frozen=True)
class CatheterReach:
    """One crossing point of a ReachMap, in full. `nearest`: what the body comes closest to, `nearest_lps` (3,) where
    on its centre line; None without a room. `usable_spare_mm`: None where the length up to the septum is not known.
    `path_lps` (k, 3): the centre line, half a millimetre apart or less. `why_not`: one sentence per limit not kept."""

    catheter: SteerableCatheter
    reachable: bool
    tilt_deg: float
    offset_mm: float
    clearance_mm: float | None
    nearest: str | None
    nearest_lps: NDArray[np.float64] | None
    advance_mm: float
    plane_deg: float
    deflections_deg: tuple[float, ...]
    radii_mm: tuple[float, ...]
    smallest_radius_mm: float | None
    length_mm: float
    usable_spare_mm: float | None
    spare: dict[str, float]
    path_lps: NDArray[np.float64]
    why_not: tuple[str, ...]


def solve_reach(
    start_lps: ArrayLike, direction: ArrayLike, goal_lps: ArrayLike, axis: ArrayLike, catheter: SteerableCatheter,
    *, limits: ReachLimits | None = None, room: BodyRoom | None = None,
) -> ReachMap:
    """The best shape from each crossing point (n, 3) along its direction (n, 3) or (3,) to the device point (3,) with
    the tip along `axis` (3,), into the valve. Without `room` the clearance is not looked at."""
    asked = limits or ReachLimits()
    start = np.atleast_2d(np.asarray(start_lps, dtype=np.float64))
    forward = np.broadcast_to(unit_vector(direction), start.shape).copy()
    goal = np.asarray(goal_lps, dtype=np.float64)
    task = Task.of(start, forward, goal, unit_vector(axis), catheter, asked.advance_mm)

    best, keys = _without_walls(task, asked)
    clearance = np.full(len(start), np.nan)
    if room is not None:
        clearance = _clearance(room, best.chains(task), catheter, None)
        hit = np.flatnonzero(clearance < asked.clearance_mm)
        if len(hit):
            part = task.at(hit)
            freed = _clear_of_walls(part, asked, room, _rows(best, hit), keys[hit])
            clearance[hit] = _clearance(room, freed.chains(part), catheter, None)
            best = _put(best, hit, freed)
        clearance = np.where(np.isfinite(clearance), clearance, np.nan)
    return _map(task, asked, best, clearance, assessed=room is not None)


# ----------------------------------------------------------------------------------------------------------------------
# what is best


def _key(found: Shapes, limits: ReachLimits, clearance: Array | None = None, margin_mm: float = 0.0) -> Array:
    """What is to be least: below 1000 tilt, then offset, then the ease of the bends; from there on how far it falls
    short (mm)."""
    short = np.maximum(found.offset_mm - limits.offset_mm, 0.0)
    short = short + MM_PER_DEGREE * np.maximum(found.tilt_deg - limits.tilt_deg, 0.0)
    if clearance is not None:
        short = short + np.maximum(limits.clearance_mm + margin_mm - clearance, 0.0)
    ease = 1e-5 * np.abs(found.deflection_rad).sum(axis=-1)
    good = found.tilt_deg + 1e-3 * found.offset_mm + ease
    return np.asarray(np.where(short > 1e-9, 1000.0 + short + 1e-4 * good, good))


@dataclass(frozen=True)
class _Trials:
    """Unknowns of q shapes for each of n crossings: see reach_shapes.shapes."""

    tilt: NDArray[np.float64]    # (n, q, 2)
    shift: NDArray[np.float64]   # (n, q, 3)
    first: NDArray[np.float64]   # (n, q)
    branch: NDArray[np.float64]  # (n, q)

    def shapes(self, task: Task) -> Shapes:
        return shapes(task, self.tilt, self.shift, self.first, self.branch)

    def take(self, column: NDArray[np.intp]) -> _Trials:
        row = np.arange(len(column))
        return _Trials(*(np.asarray(v)[row, column][:, None] for v in (self.tilt, self.shift, self.first, self.branch)))

    def rows(self, index: NDArray[np.intp] | NDArray[np.bool_]) -> _Trials:
        return _Trials(self.tilt[index], self.shift[index], self.first[index], self.branch[index])


def _grid(task: Task, tilts_deg: ArrayLike, around: int, firsts: int) -> _Trials:
    """Every tilt in so many directions, with so many first deflections on both branches where there are two bends."""
    tau = np.deg2rad(np.asarray(tilts_deg, dtype=np.float64))
    psi = np.arange(around) * 2 * np.pi / around
    flat = [np.zeros((1, 2))] if (tau == 0).any() else []
    flat += [np.stack([t * np.cos(psi + 0.3 * i), t * np.sin(psi + 0.3 * i)], axis=-1)
             for i, t in enumerate(tau) if t > 0]
    tilt = np.concatenate(flat)
    if len(task.catheter.bends) == 1:
        first, branch = np.zeros(len(tilt)), np.ones(len(tilt))
    else:
        angles = np.linspace(0.0, np.deg2rad(task.catheter.bends[0].deflection_deg.high), firsts)
        both = np.stack(np.meshgrid(angles, [1.0, -1.0], indexing="ij"), axis=-1).reshape(-1, 2)
        first, branch = np.tile(both, (len(tilt), 1)).T
        tilt = np.repeat(tilt, len(both), axis=0)
    n, q = len(task.start), len(tilt)
    return _Trials(
        np.broadcast_to(tilt, (n, q, 2)), np.zeros((n, q, 3)), np.broadcast_to(first, (n, q)),
        np.broadcast_to(branch, (n, q)),
    )


def _spread(count: int, size: int, level: int) -> Array:
    """(count, size) evenly spread numbers from -1 to 1, others on each level; the first row is zero. An additive
    recurrence by powers of the generalised golden ratio."""
    ratio = 2.0
    for _ in range(50):
        ratio = (1 + ratio) ** (1 / (size + 1))
    step = ratio ** -np.arange(1.0, size + 1)
    at = np.arange(1, count)[:, None] + 97 * level
    return np.asarray(np.concatenate([np.zeros((1, size)), 2 * ((0.5 + at * step) % 1.0) - 1]))


def _around(task: Task, best: _Trials, width: tuple[float, float, float], count: int, level: int) -> _Trials:
    """Trials about the best so far, within `width` of tilt (rad), shift (mm) and first deflection (rad)."""
    two = len(task.catheter.bends) == 2
    offsets = _spread(count, 6 if two else 5, level)
    tilt = best.tilt + width[0] * offsets[:, :2]
    if width[0] > 0:  # some with the tilt only shrunk, and none at all
        tilt[:, 1::6] = best.tilt * (1 - 0.5 * np.abs(offsets[1::6, :1]) * width[0] / LARGEST_TILT_RAD)
        tilt[:, -1] = 0.0
    first = best.first + (width[2] * offsets[:, 5] if two else 0.0) + np.zeros(count)
    return _Trials(
        tilt, best.shift + width[1] * offsets[:, 2:5], first, np.broadcast_to(best.branch, first.shape),
    )


# ----------------------------------------------------------------------------------------------------------------------
# searches


def _refine(
    task: Task, limits: ReachLimits, best: _Trials, width: tuple[float, float, float], *, levels: int, count: int,
    shrink: float,
) -> _Trials:
    for level in range(levels):
        trials = _around(task, best, width, count, level)
        best = trials.take(np.argmin(_key(trials.shapes(task), limits), axis=1))
        width = (width[0] * shrink, width[1] * shrink, width[2] * shrink)
    return best


def _without_walls(task: Task, limits: ReachLimits) -> tuple[Shapes, Array]:
    """The best shapes (n, 1) when the walls do not count, and their trials' keys."""
    two = len(task.catheter.bends) == 2
    on_axis = _grid(task, [0.0], 1, 37)
    best = on_axis.take(np.argmin(_key(on_axis.shapes(task), limits), axis=1))
    if two:
        best = _refine(task, limits, best, (0.0, 0.0, np.deg2rad(4.0)), levels=10, count=9, shrink=0.5)
    found = best.shapes(task)
    keys = _key(found, limits)[:, 0]
    todo = np.flatnonzero(keys >= 1000.0)
    if len(todo):
        part = task.at(todo)
        if two:
            coarse = _grid(part, [3, 7, 12, 18, 26, 36, 48], 8, 9)
        else:
            coarse = _grid(part, [1, 2, 3.5, 5, 7, 9, 12, 15, 18, 22, 27, 33, 40, 50], 18, 1)
        first = coarse.take(np.argmin(_key(coarse.shapes(part), limits), axis=1))
        refined = _refine(
            part, limits, first, (np.deg2rad(6.0), 0.0, np.deg2rad(8.0)), levels=16 if two else 14,
            count=32 if two else 24, shrink=0.65,
        )
        better = refined.shapes(part)
        new = _key(better, limits)[:, 0]
        gain = new < keys[todo]
        found = _put(found, todo[gain], _rows(better, np.flatnonzero(gain)))
        keys[todo[gain]] = new[gain]
    return found, keys


def _clear_of_walls(task: Task, limits: ReachLimits, room: BodyRoom, seen: Shapes, keys: Array) -> Shapes:
    """The best shapes (n, 1) that keep clear, or those that fall short by least."""
    two = len(task.catheter.bends) == 2
    trials = _grid(task, [0, 4, 8, 13, 20, 32], 8, 9) if not two else _grid(task, [0, 6, 14, 25], 6, 7)
    best = trials.take(_choose(task, limits, room, trials, None, 32, 0.02)[0])
    width = (np.deg2rad(8.0), limits.offset_mm, np.deg2rad(12.0))
    held: Array | None = None
    for level in range(15):
        samples, margin = (32, 0.02) if level < 8 else (96, 0.005)
        if level == 8:
            held = None
        around = _around(task, best, width, 28 if two else 24, level)
        column, held = _choose(task, limits, room, around, held, samples, margin)
        best = around.take(column)
        width = (width[0] * 0.65, width[1] * 0.65, width[2] * 0.65)
    return best.shapes(task)


def _choose(
    task: Task, limits: ReachLimits, room: BodyRoom, trials: _Trials, held: Array | None, samples: int, margin_mm: float
) -> tuple[NDArray[np.intp], Array]:
    """Column (n,) of the best trial and its key (n,). The clearance is looked at only where the rest could still
    be better than `held`, the key of the first column (None: not known)."""
    found = trials.shapes(task)
    least = _key(found, limits)
    keys = np.full(least.shape, np.inf)
    if held is None:
        # nothing known yet: in two rounds, the better halves first
        half = np.median(least, axis=1, keepdims=True)
        _fill(task, limits, room, found, least <= half, keys, samples, margin_mm)
        held = keys.min(axis=1)
    else:
        keys[:, 0] = held
    _fill(task, limits, room, found, (least < held[:, None]) & ~np.isfinite(keys), keys, samples, margin_mm)
    column = np.argmin(keys, axis=1)
    return column, np.asarray(keys[np.arange(len(column)), column])


def _fill(
    task: Task, limits: ReachLimits, room: BodyRoom, found: Shapes, wanted: NDArray[np.bool_], keys: Array, samples: int,
    margin_mm: float,
) -> None:
    if not wanted.any():
        return
    clear = np.full(keys.shape, np.inf)
    clear[wanted] = _clearance(room, found.chains(task, wanted), task.catheter, samples)
    keys[wanted] = _key(found, limits, clear, margin_mm)[wanted]


def _clearance(room: BodyRoom, chains: arc_chain.Chains, catheter: SteerableCatheter, samples: int | None) -> Array:
    """Clearance (n,) at so many places along each chain, or half a millimetre apart."""
    if samples is None:
        samples = max(2, int(np.ceil(float(chains.total_mm.max()) / STEP_MM)) + 1)
    out = np.empty(len(chains.start))
    size = max(1, 400_000 // samples)
    for lo in range(0, len(out), size):
        part = arc_chain.some(chains, slice(lo, lo + size))
        points, _ = arc_chain.evenly(part, samples)
        out[lo : lo + size] = room.clearance_mm(points, part.start, catheter.outer_diameter_mm.value)
    return out


def _rows(found: Shapes, index: NDArray[np.intp]) -> Shapes:
    return Shapes(*(np.asarray(getattr(found, name))[index] for name in found.__dataclass_fields__))


def _put(found: Shapes, index: NDArray[np.intp], new: Shapes) -> Shapes:
    fields = []
    for name in found.__dataclass_fields__:
        values = np.array(getattr(found, name))
        values[index] = getattr(new, name)
        fields.append(values)
    return Shapes(*fields)


# ----------------------------------------------------------------------------------------------------------------------
# what is told


def _map(task: Task, limits: ReachLimits, found: Shapes, clearance: Array, *, assessed: bool) -> ReachMap:
    tilt, offset = found.tilt_deg[:, 0], found.offset_mm[:, 0]
    reachable = (tilt <= limits.tilt_deg) & (offset <= limits.offset_mm)
    if assessed:
        reachable &= ~(clearance < limits.clearance_mm)
    chains = found.chains(task)
    plane = (np.degrees(found.plane_rad[:, 0]) + 180) % 360 - 180
    return ReachMap(
        catheter=task.catheter, limits=limits, reachable=reachable, tilt_deg=tilt, offset_mm=offset,
        clearance_mm=clearance, advance_mm=found.advance_mm[:, 0], plane_deg=plane,
        deflection_deg=np.degrees(found.deflection_rad[:, 0]), radius_mm=found.radius_mm[:, 0],
        length_mm=chains.total_mm, chains=chains,
    )
