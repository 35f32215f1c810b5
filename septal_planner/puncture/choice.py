"""Where to cross, from the map: the point with the largest worst margin, other good regions, and what has to give."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import distance_transform_edt
from scipy.optimize import linprog

from septal_planner.puncture.approach import Approach
from septal_planner.puncture.choice_words import range_words, sentence_of, tilt_for_height_deg, what_gives
from septal_planner.puncture.membrane_map import MembraneMap, map_points
from septal_planner.puncture.place import zone
from septal_planner.puncture.ranking import (
    KEEP_CLEAR,
    Ranking,
    from_zone,
    heights_mm,
    in_order,
    keeping_clear,
    ranking_of,
    rounded,
    scores,
)
from septal_planner.puncture.requirements import OF_A_CATHETER, ReachOver
from septal_planner.puncture.surface_grid import Grid

__all__ = [
    "Candidate", "Choice", "Ranking", "as_candidates", "choose_from_map", "in_order", "keeping_clear", "range_words",
    "ranking_of", "scores", "tilt_for_height_deg",
]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Order = Callable[[MembraneMap], NDArray[np.intp]]

APART_MM = 4.0        # candidates nearer than this are one region
NOT_FAR_BEHIND = 1.0  # tolerances: other candidates where nothing meets all limits
LOOKED_AT = 3  # places of the map from which the largest margin is climbed for
BESIDE_MM = 0.05  # over which a margin's slope is taken at most
FINEST_STEP_MM = 0.0005  # of a climb
PULLED_BACK = 3
FINER_MM = (0.125, 0.03, 0.008)
LAID_ANEW = 8  # times at most that a grid follows its best place
SETTLE_MM = 0.1
NO_BEND_MM = 1e6  # stands for the infinite radius of what is straight


@dataclass(frozen=True, eq=False)
class Candidate:
    """A place to cross. `overall`: its smallest margin over all limits in tolerances; `binding`: the name of that
    limit; `sentence`: what binds it, in words.
    """

    rank: int
    point_lps: NDArray[np.float64]  # (3,)
    overall: float
    binding: str
    meets_all: bool
    keeps_clear: bool               # of rim, aorta, walls and coronary sinus
    height_mm: float
    zone: str | None
    values: dict[str, float]        # of every quantity; nan where not assessed
    sentence: str


@dataclass(frozen=True, eq=False)
class Choice:
    """Candidates, best first. Where none meets all limits the first is the least bad one and `what_gives` says what
    would have to give; `heights_mm` are those to be had where the puncture keeps clear. `largest_margin` has the
    largest worst margin of the whole membrane, whatever it is near: the first candidate where that meets all limits,
    else to compare with, not to cross at.
    """

    candidates: tuple[Candidate, ...]
    meets_all: bool
    heights_mm: tuple[float, float] | None
    what_gives: tuple[str, ...]
    largest_margin: Candidate


def choose_from_map(
    approach: Approach, found: MembraneMap, *, most: int = 4, reach: ReachOver | None = None
) -> Choice:
    """Ranked distinct places to cross on a mapped membrane, each refined to some hundredths of a millimetre.

    A place that meets all limits comes before one that does not, and among these the largest worst margin wins. Where
    nothing meets all limits, first come the places that keep clear of harm: no gain in height is worth a puncture at
    the rim. Of these the largest worst margin wins again, a limit that none of them meets being held against the best
    there is, so that what no place can give does not choose between places. Ties go to the middle of the preferred
    zone. Other candidates are the best of their surroundings, `APART_MM` or more apart. `reach` as for the map.
    """
    ranking = ranking_of(found)
    order = in_order(approach, found, ranking)
    rank = np.empty(len(order), dtype=np.intp)
    rank[order] = np.arange(len(order))
    peaks: list[int] = []
    for i in order.tolist():
        away = np.linalg.norm(found.points_lps - found.points_lps[i], axis=1)
        if rank[away < APART_MM].min() == rank[i]:
            peaks.append(i)
    meets, clear, worst = scores(found, ranking)
    best = peaks[0]
    good = [i for i in peaks if meets[i]] if meets[best] else [
        i for i in peaks if clear[i] >= clear[best] and worst[i] >= worst[best] - NOT_FAR_BEHIND
    ]

    def ranked(near: MembraneMap) -> NDArray[np.intp]:
        return in_order(approach, near, ranking)

    def by_margin(near: MembraneMap) -> NDArray[np.intp]:
        on_it = ~(near.layer("distance_to_rim").values < 0)
        margin = np.where(on_it, np.nan_to_num(near.overall, nan=-np.inf), -np.inf)
        return np.lexsort((from_zone(approach, near), -rounded(margin)))

    between = reach
    if reach is not None and min(np.ptp(found.u_mm), np.ptp(found.v_mm)) > 0.5 * found.step_mm:
        between = _between(approach, found)
    places = []
    for i in good[:most]:
        near = _refine(approach, found, i, ranked, between)
        places.append([near, _climb(approach, found, near, ranking, between, least=bool(meets[i]))])
    together = _there(approach, found, _settled(approach, found, places, good[:most], ranked, reach), reach)
    keeps = keeping_clear(together, ranking.slip_mm) >= 0
    candidates = tuple(
        _candidate(together, int(i), rank=place + 1, keeps_clear=bool(keeps[i]))
        for place, i in enumerate(in_order(approach, together, ranking))
    )
    meets_all = candidates[0].meets_all
    heights = heights_mm(found, ranking.slip_mm)
    gives = () if meets_all else what_gives(approach, found, candidates[0].values, heights)
    largest = candidates[0]
    if not meets_all:
        starts = by_margin(found)[:LOOKED_AT]
        mapped = np.stack([found.u_mm, found.v_mm], axis=1)
        places = [[_climb(approach, found, mapped[i], ranking, between, least=True)] for i in starts]
        ends = _there(approach, found, _settled(approach, found, places, starts.tolist(), by_margin, reach), reach)
        top = int(by_margin(ends)[0])
        keeps = keeping_clear(ends, ranking.slip_mm) >= 0
        largest = _candidate(ends, top, rank=0, keeps_clear=bool(keeps[top]))
    return Choice(candidates, meets_all, heights, gives, largest)


def as_candidates(
    approach: Approach, found: MembraneMap, points_lps: ArrayLike, *, reach: ReachOver | None = None
) -> tuple[Candidate, ...]:
    """Points (n, 3) of a mapped membrane, whatever chose them, measured and worded as candidates are; `rank` counts
    them as given, from 1. A place at which a limit that counts on the membrane is not assessed does not meet all."""
    ranking = ranking_of(found)
    there = _there(approach, found, points_lps, reach)
    keeps = keeping_clear(there, ranking.slip_mm) >= 0
    return tuple(_candidate(there, i, rank=i + 1, keeps_clear=bool(keeps[i])) for i in range(len(there.points_lps)))


# -------------------------------------------------------------------------------------------------------------- helpers


def _there(approach: Approach, found: MembraneMap, points_lps: ArrayLike, reach: ReachOver | None) -> MembraneMap:
    """Points (n, 3) of a mapped membrane, held against the limits that count on it: what is not assessed at any of them
    is not met."""
    return map_points(approach, points_lps, reach=reach, counting=found.counting)


def _between(approach: Approach, found: MembraneMap) -> ReachOver:
    """A catheter's reach between mapped points, looked up: a search anew at every trial would take long, and its last
    digits have no slope to climb. Beyond the membrane as at its nearest point."""
    layers = []
    for name in OF_A_CATHETER:
        u, v, grid = found.on_grid(np.minimum(found.layer(name).values, NO_BEND_MM))
        nearest = distance_transform_edt(np.isnan(grid), return_distances=False, return_indices=True)
        layers.append(grid if np.isnan(grid).all() else grid[tuple(nearest)])
    table, patch = Grid(u, v, np.stack(layers)), approach.fossa.patch

    def reach(points: Array) -> Mapping[str, Array]:
        uvw = patch.uvw(points)
        return dict(zip(OF_A_CATHETER, table.at(uvw[:, 0], uvw[:, 1]), strict=True))

    return reach


def _settled(
    approach: Approach, found: MembraneMap, places: list[list[Array]], starts: list[int], order: Order,
    reach: ReachOver | None,
) -> Array:
    """Of each group of places (u, v), of what lies closely about them, and the mapped point they came from: that (n, 3)
    which by the reach itself is the best."""
    uv = np.array(places)
    du, dv = (d.ravel() for d in np.meshgrid(*(2 * [np.array([-1.0, 0.0, 1.0]) * SETTLE_MM])))
    about = (uv[:, :, None] + np.stack([du, dv], axis=1)).reshape(len(uv), -1, 2)
    mapped = np.stack([found.u_mm[starts], found.v_mm[starts]], axis=1)
    tries = np.concatenate([about, mapped[:, None]], axis=1)
    at = approach.fossa.patch.points_lps(tries[..., 0], tries[..., 1])
    near = _there(approach, found, at.reshape(-1, 3), reach)
    rank = np.argsort(order(near)).reshape(len(uv), -1)
    return np.asarray(at[np.arange(len(uv)), np.argmin(rank, axis=1)])


def _refine(approach: Approach, found: MembraneMap, index: int, order: Order, reach: ReachOver | None) -> Array:
    """Best place (u, v) near a mapped one, by ever finer grids, each laid anew about its best place until that is its
    middle."""
    at = np.array([found.u_mm[index], found.v_mm[index]])
    patch = approach.fossa.patch
    for step in FINER_MM:
        du, dv = (d.ravel() for d in np.meshgrid(*(2 * [np.arange(-4, 5) * step])))
        for _ in range(LAID_ANEW):
            near = _there(approach, found, patch.points_lps(at[0] + du, at[1] + dv), reach)
            best = int(order(near)[0])
            at = at + [du[best], dv[best]]
            if du[best] == dv[best] == 0.0:
                break
    return at


def _margins(found: MembraneMap, ranking: Ranking, *, least: bool) -> tuple[Array, Array]:
    """Margins (k, n) of mapped points whose least is to be raised, and those (m, n) that must not fall below 0, beside
    the rim's. `least`: all limits as they are; else as points are ranked where nothing meets all limits: each held
    against the best there is, and clear of harm."""
    raised = {layer.name: layer.fraction for layer in found.layers if layer.counts}
    rim = found.layer("distance_to_rim").values
    held = [rim]
    if not least:
        raised = {name: values - ranking.best_there_is.get(name, 0.0) for name, values in raised.items()}
        held += [layer.fraction - KEEP_CLEAR for layer in found.layers if layer.quantity.keeps_clear and layer.counts]
        held += [rim / ranking.slip_mm - 1.0] if ranking.slip_mm > 0 else []
    return (np.nan_to_num(np.stack(list(raised.values())), nan=-100.0, posinf=100.0),
            np.nan_to_num(np.stack(held), nan=-100.0, posinf=100.0))


def _climb(
    approach: Approach, found: MembraneMap, start: Array, ranking: Ranking, reach: ReachOver | None, *, least: bool
) -> Array:
    """Place (u, v) of the largest worst margin near another, by steps of linear programming: the margins are taken as
    planes over the step, the least of them is raised as far as it goes without one that must not falling below 0, and a
    step that gains nothing is halved, with the stretch over which slopes are taken. It follows the ridges on which two
    limits, or a limit and the rim, meet. `least` as of `_margins`."""
    patch = approach.fossa.patch
    at, step = np.asarray(start, dtype=np.float64), 0.5
    around = np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]])

    def table(uv: Array) -> tuple[Array, Array]:
        points = _there(approach, found, patch.points_lps(uv[:, 0], uv[:, 1]), reach)
        return _margins(points, ranking, least=least)

    while step > FINEST_STEP_MM:
        beside = min(BESIDE_MM, step / 4)
        raised, held = table(at + around * beside)
        both = np.concatenate([raised, held])
        value = both[:, 0]
        slope = np.stack([both[:, 1] - both[:, 2], both[:, 3] - both[:, 4]], axis=1) / (2 * beside)
        # maximise t with value + slope . d >= t for what is raised, and >= 0 for what is held
        solved = linprog(
            [0.0, 0.0, -1.0], A_ub=np.column_stack([-slope, np.arange(len(both)) < len(raised)]), b_ub=value,
            bounds=[(-step, step), (-step, step), (None, None)],
        )
        if solved.success:
            there = at + solved.x[:2]
            new, kept = table(there[None])
            for _ in range(PULLED_BACK):  # what must not fall below 0 is no plane: its edge bends away beneath the step
                worst = int(np.argmin(kept[:, 0]))
                if kept[worst, 0] >= 0 or not (way := slope[len(raised) + worst]).any():
                    break
                there = there - 1.01 * kept[worst, 0] / (way @ way) * way
                new, kept = table(there[None])
            if new.min() > raised[:, 0].min() + 1e-6 and kept.min() >= min(0.0, held[:, 0].min()):
                at = there
                continue
        step /= 2
    return at


def _candidate(found: MembraneMap, index: int, *, rank: int, keeps_clear: bool) -> Candidate:
    values = {layer.name: float(layer.values[index]) for layer in found.layers}
    superior, anterior = values["superior_fraction"], values["anterior_fraction"]
    overall = float(found.overall[index])
    return Candidate(
        rank=rank, point_lps=found.points_lps[index], overall=overall, binding=found.binding_name(index),
        meets_all=overall >= 0, keeps_clear=keeps_clear, height_mm=values["height_above_mitral_annulus"],
        zone=zone(superior, anterior) if np.isfinite(superior) else None, values=values,
        sentence=sentence_of(found, index),
    )


