"""Where to cross, from the map: the point with the largest worst margin, other good regions, and what has to give."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from septal_planner.puncture.approach import Approach
from septal_planner.puncture.catheter import height_needed_mm
from septal_planner.puncture.membrane_map import Layer, MembraneMap, map_points
from septal_planner.puncture.place import zone
from septal_planner.puncture.procedures import Asked
from septal_planner.puncture.requirements import ReachOver

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Order = Callable[[MembraneMap], NDArray[np.intp]]

# Twice 3 mm, the spread of where a needle lands against where it was aimed (common practice, no source), or this share
# of the largest distance from the rim that the membrane offers: kept from the rim where not all limits can be met.
NEEDLE_SLIP_MM = 6.0
NEEDLE_SLIP_SHARE = 0.6
KEEP_CLEAR = 0.5      # of the tolerance beyond each limit that keeps clear of harm, where not all limits can be met
APART_MM = 4.0        # candidates nearer than this are one region
ALIKE = 0.001         # margins nearer than this are ties
NOT_FAR_BEHIND = 1.0  # tolerances: other candidates where nothing meets all limits
STRAIGHT_END_MM = 15.0  # of a catheter beyond its bend; practice value, edit locally, no source
LOOKED_AT = 3  # places of the map from which the largest margin is climbed for
FINER_MM = (0.125, 0.03, 0.008)


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


@dataclass(frozen=True)
class Ranking:
    """How the points of one membrane are ranked. `slip_mm`: kept from the rim where not all limits can be met;
    `best_there_is`: by layer, the largest margin (in tolerances) of the points that keep clear, 0 where that is inside.
    """

    slip_mm: float
    best_there_is: Mapping[str, float]


def ranking_of(found: MembraneMap) -> Ranking:
    """The ranking that `choose_from_map` uses on this membrane."""
    rim = found.layer("distance_to_rim").values
    slip = min(NEEDLE_SLIP_MM, NEEDLE_SLIP_SHARE * float(np.nanmax(rim))) if np.isfinite(rim).any() else 0.0
    clear = keeping_clear(found, slip)
    pool = clear >= min(0.0, float(clear.max()))
    best = {}
    for layer in found.layers:
        if layer.counts:
            there = layer.fraction[pool]
            best[layer.name] = min(0.0, float(np.nanmax(there))) if np.isfinite(there).any() else 0.0
    return Ranking(slip, best)


def keeping_clear(found: MembraneMap, slip_mm: float) -> Array:
    """How far (n,) each point keeps clear of harm (half a tolerance beyond each such limit, `slip_mm` from the rim), in
    tolerances; 0 or more: it does."""
    score = np.full(len(found.points_lps), np.inf)
    for layer in found.layers:
        if layer.quantity.keeps_clear and layer.counts:
            score = np.minimum(score, np.nan_to_num(layer.fraction, nan=-np.inf) - KEEP_CLEAR)
    rim = found.layer("distance_to_rim").values
    if slip_mm > 0 and np.isfinite(rim).any():
        score = np.minimum(score, rim / slip_mm - 1.0)
    return score


def scores(found: MembraneMap, ranking: Ranking) -> tuple[Mask, Array, Array]:
    """Whether each point meets all limits (n,), how far it keeps clear, 0 at most (n,), and its worst margin, limits
    that nothing meets held against the best there is (n,): the larger the better, in that order."""
    overall = np.nan_to_num(found.overall, nan=-np.inf)
    meets = overall >= 0
    clear = np.where(meets, 0.0, np.minimum(keeping_clear(found, ranking.slip_mm), 0.0))
    worst = np.full(len(overall), np.inf)
    for layer in found.layers:
        if layer.name in ranking.best_there_is and layer.asked is not None:
            lacking = np.nan_to_num(layer.fraction, nan=-np.inf) - ranking.best_there_is[layer.name]
            worst = np.minimum(worst, lacking)
    return meets, clear, np.where(meets, overall, worst)


def in_order(approach: Approach, found: MembraneMap, ranking: Ranking) -> NDArray[np.intp]:
    """Indices (n,) of the mapped points, best first; ties go to the middle of the preferred zone."""
    meets, clear, worst = scores(found, ranking)
    return np.lexsort((_from_zone(approach, found), -_rounded(worst), -_rounded(clear), ~meets))


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
        return np.lexsort((_from_zone(approach, near), -_rounded(margin)))

    points = np.stack([_refine(approach, found, i, ranked, reach) for i in good[:most]])
    together = map_points(approach, points, reach=reach)
    keeps = keeping_clear(together, ranking.slip_mm) >= 0
    candidates = tuple(
        _candidate(together, int(i), rank=place + 1, keeps_clear=bool(keeps[i]))
        for place, i in enumerate(in_order(approach, together, ranking))
    )
    meets_all = candidates[0].meets_all
    heights = _heights(found, ranking.slip_mm)
    gives = () if meets_all else what_gives(approach, found, candidates[0], heights)
    largest = candidates[0]
    if not meets_all:
        # the hill may be narrow: its highest point need not lie beside the highest one of the map
        starts = by_margin(found)[:LOOKED_AT]
        ends = map_points(
            approach, np.stack([_refine(approach, found, int(i), by_margin, reach) for i in starts]), reach=reach
        )
        top = int(by_margin(ends)[0])
        keeps = keeping_clear(ends, ranking.slip_mm) >= 0
        largest = _candidate(ends, top, rank=0, keeps_clear=bool(keeps[top]))
    return Choice(candidates, meets_all, heights, gives, largest)


def tilt_for_height_deg(
    height_mm: float, radius_mm: float, elevation_deg: float, *, straight_mm: float = STRAIGHT_END_MM
) -> float | None:
    """Least tilt (degrees) against the valve's axis of a tip that starts at so much height above the annular plane,
    pointing `elevation_deg` away from the valve, bends with that radius in one plane and has a straight end: 0 where
    the height suffices, None where even a tip along the plane needs more. From plane trigonometry, as
    `height_needed_mm`."""
    e = np.deg2rad(elevation_deg)

    def needed(tilt: float) -> float:
        return float(radius_mm * (np.cos(e) - np.sin(tilt)) + straight_mm * np.cos(tilt))

    if height_mm >= needed(0.0):
        return 0.0
    if height_mm < needed(np.pi / 2):
        return None
    return float(np.degrees(brentq(lambda tilt: needed(tilt) - height_mm, 0.0, np.pi / 2, xtol=1e-12)))


def what_gives(
    approach: Approach, found: MembraneMap, least_bad: Candidate, heights_mm: tuple[float, float] | None
) -> tuple[str, ...]:
    """Why no point meets all limits, one sentence each: what the membrane offers of each limit that no point meets,
    what a height that is not there costs, and which limits stand against each other."""
    said = []
    ranking = ranking_of(found)
    clear = keeping_clear(found, ranking.slip_mm)
    pool = clear >= min(0.0, float(clear.max()))
    unmet = [layer for layer in found.layers if ranking.best_there_is.get(layer.name, 0.0) < 0]
    for layer in unmet:
        assert layer.asked is not None
        unit, asked = layer.quantity.unit, range_words(layer.asked, layer.quantity.unit)
        low, high = np.nanmin(layer.values), np.nanmax(layer.values)
        clear_low, clear_high = np.nanmin(layer.values[pool]), np.nanmax(layer.values[pool])
        name = _capital(layer.quantity.spoken)
        there = "only nearer to the rim or to the structures around" if np.any(layer.fraction >= 0) else "nowhere"
        if layer.quantity.asked == "height":
            which = "not available on this septum" if there == "nowhere" else f"available on this septum {there}"
            said.append(
                f"{name} asked for ({asked}) is {which}: the membrane offers {low:.0f} to {high:.0f} mm, and "
                f"{clear_low:.0f} to {clear_high:.0f} mm where the puncture keeps clear."
            )
            if heights_mm is not None:
                said += _cost_of_height(approach, layer, heights_mm)
        else:
            said.append(
                f"{name} asked for ({asked}) is met {there} on this membrane: where the puncture keeps clear it lies "
                f"between {_number(clear_low, unit)} and {_number(clear_high, unit)}."
            )
    if not unmet:
        against = [
            layer for layer in found.layers if layer.counts and _inside(layer, least_bad) < 0
        ]
        names = " and ".join(layer.quantity.spoken for layer in against) or "the limits"
        said.append(
            f"Each limit alone is met somewhere on this membrane, but not all at one place: at the least bad point "
            f"{names} would have to give."
        )
    return tuple(said)


def range_words(asked: Asked, unit: str) -> str:
    """The range in words, e.g. `40 to 50 mm`, `10 mm or more`."""
    of = {"deg": " degrees", "1": ""}.get(unit, f" {unit}")
    if asked.low is not None and asked.high is not None:
        return f"{asked.low:.3g} to {asked.high:.3g}{of}"
    return f"{asked.low:.3g}{of} or more" if asked.low is not None else f"{asked.high:.3g}{of} or less"


# -------------------------------------------------------------------------------------------------------------- helpers


def _rounded(score: Array) -> Array:
    return np.asarray(np.round(score / ALIKE))


def _from_zone(approach: Approach, found: MembraneMap) -> Array:
    middle = [_middle(approach.procedure.superior_fraction), _middle(approach.procedure.anterior_fraction)]
    away = np.hypot(
        found.layer("superior_fraction").values - middle[0], found.layer("anterior_fraction").values - middle[1]
    )
    return np.nan_to_num(away, nan=0.0)


def _middle(asked: Asked) -> float:
    return ((0.0 if asked.low is None else asked.low) + (1.0 if asked.high is None else asked.high)) / 2


def _refine(approach: Approach, found: MembraneMap, index: int, order: Order, reach: ReachOver | None) -> Array:
    """Best point (3,) near a mapped one, by ever finer grids."""
    at = np.array([found.u_mm[index], found.v_mm[index]])
    patch = approach.fossa.patch
    for step in FINER_MM:
        du, dv = (d.ravel() for d in np.meshgrid(*(2 * [np.arange(-4, 5) * step])))
        points = patch.points_lps(at[0] + du, at[1] + dv)
        near = map_points(approach, points, reach=reach)
        best = int(order(near)[0])
        at = at + [du[best], dv[best]]
    return patch.points_lps(at[0], at[1])


def _candidate(found: MembraneMap, index: int, *, rank: int, keeps_clear: bool) -> Candidate:
    values = {layer.name: float(layer.values[index]) for layer in found.layers}
    superior, anterior = values["superior_fraction"], values["anterior_fraction"]
    overall = float(found.overall[index])
    return Candidate(
        rank=rank, point_lps=found.points_lps[index], overall=overall, binding=found.binding_name(index),
        meets_all=overall >= 0, keeps_clear=keeps_clear, height_mm=values["height_above_mitral_annulus"],
        zone=zone(superior, anterior) if np.isfinite(superior) else None, values=values,
        sentence=_sentence(found, index),
    )


def _sentence(found: MembraneMap, index: int) -> str:
    """What binds a point, in words."""
    binding = found.layers[int(found.binding[index])]
    assert binding.asked is not None
    value, unit = float(binding.values[index]), binding.quantity.unit
    if not np.isfinite(value) and not np.isfinite(found.overall[index]):
        name = _capital(binding.quantity.spoken)
        return f"{name} is not assessed here, so it cannot be said whether all limits are met."
    asked = range_words(binding.asked, unit)
    if found.overall[index] >= 0:
        return (
            f"All limits are met; the nearest is {binding.quantity.spoken}, {_number(value, unit)} where {asked} is "
            f"asked, {found.overall[index]:.1f} of its tolerance inside."
        )
    outside = [
        layer for layer in found.layers
        if layer is not binding and layer.counts and layer.fraction[index] < 0
    ]
    also = [f"{layer.quantity.spoken} ({_number(layer.values[index], layer.quantity.unit)})" for layer in outside]
    return (
        f"Not all limits are met: {binding.quantity.spoken} is {_number(value, unit)} where {asked} is asked, "
        f"{-found.overall[index]:.1f} of its tolerance outside"
        + (f"; outside too: {', '.join(also)}." if also else ".")
    )


def _inside(layer: Layer, point: Candidate) -> float:
    assert layer.asked is not None
    value = point.values[layer.name]
    low = np.inf if layer.asked.low is None else value - layer.asked.low
    high = np.inf if layer.asked.high is None else layer.asked.high - value
    return float(min(low, high))


def _heights(found: MembraneMap, slip_mm: float) -> tuple[float, float] | None:
    height = found.layer("height_above_mitral_annulus").values
    clear = keeping_clear(found, slip_mm)
    pool = clear >= min(0.0, float(clear.max()))
    return (float(height[pool].min()), float(height[pool].max())) if pool.any() else None


def _cost_of_height(approach: Approach, layer: Layer, heights_mm: tuple[float, float]) -> list[str]:
    """What too little height costs a catheter of the procedure's own bend."""
    asked, radius = layer.asked, approach.procedure.bend_radius.low
    if asked is None or asked.low is None or heights_mm[1] >= asked.low or radius is None:
        return []
    if approach.procedure.axis_tilt is None or layer.name != "height_above_mitral_annulus":
        return []
    along = float(np.clip(approach.crossing_lps @ approach.annulus.normal_lps, -1.0, 1.0))
    elevation = float(np.degrees(np.arcsin(along)))
    needed, _ = height_needed_mm(radius, STRAIGHT_END_MM, elevation)
    with_bend = (
        f"A bend of {radius:g} mm with a straight end of {STRAIGHT_END_MM:g} mm that crosses {abs(elevation):.0f} "
        f"degrees {'away from' if elevation >= 0 else 'toward'} the annular plane"
    )
    tilt = tilt_for_height_deg(heights_mm[1], radius, elevation)
    if tilt == 0.0:
        return [f"{with_bend} needs {needed:.0f} mm to end along the valve's axis, which is there."]
    if tilt is None:
        return [f"{with_bend} cannot end within the valve at all from {heights_mm[1]:.0f} mm or less."]
    return [
        f"{with_bend} needs {needed:.0f} mm to end along the valve's axis; from {heights_mm[1]:.0f} mm it ends tilted "
        f"by {tilt:.0f} degrees or more."
    ]


def _number(value: ArrayLike, unit: str) -> str:
    v = float(np.asarray(value))
    if unit == "1":
        return f"{v:.2f}"
    return f"{v:.0f} degrees" if unit == "deg" else f"{v:.1f} {unit}"


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]
