"""How the points of one membrane are ranked: inside all limits, then clear of harm, then the largest worst margin."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from septal_planner.puncture.approach import Approach
from septal_planner.puncture.membrane_map import MembraneMap
from septal_planner.puncture.procedures import Asked

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Twice 3 mm, the spread of where a needle lands against where it was aimed (common practice, no source), or this share
# of the largest distance from the rim that the membrane offers: kept from the rim where not all limits can be met.
NEEDLE_SLIP_MM = 6.0
NEEDLE_SLIP_SHARE = 0.6
KEEP_CLEAR = 0.5      # of the tolerance beyond each limit that keeps clear of harm, where not all limits can be met
ALIKE = 0.001         # margins nearer than this are ties


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
    slip = 0.0
    if np.isfinite(rim).any():
        widest = found.widest_mm if np.isfinite(found.widest_mm) else float(np.nanmax(rim))
        slip = min(NEEDLE_SLIP_MM, NEEDLE_SLIP_SHARE * widest)
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
    return np.lexsort((from_zone(approach, found), -rounded(worst), -_rounded_down(clear), ~meets))


def heights_mm(found: MembraneMap, slip_mm: float) -> tuple[float, float] | None:
    """Heights (mm) above the annular plane to be had where the puncture keeps clear."""
    height = found.layer("height_above_mitral_annulus").values
    clear = keeping_clear(found, slip_mm)
    pool = clear >= min(0.0, float(clear.max()))
    return (float(height[pool].min()), float(height[pool].max())) if pool.any() else None


def rounded(score: Array) -> Array:
    """Scores in steps of ALIKE, so that ties are ties."""
    return np.asarray(np.round(score / ALIKE))


def _rounded_down(clear: Array) -> Array:
    """The same of what keeps clear, but no place that falls short, by however little, is one that does."""
    return np.asarray(np.floor(clear / ALIKE + 1e-6))


def from_zone(approach: Approach, found: MembraneMap) -> Array:
    """Distance (n,) from the middle of the preferred zone, in fractions of the fossa."""
    middle = [_middle(approach.procedure.superior_fraction), _middle(approach.procedure.anterior_fraction)]
    away = np.hypot(
        found.layer("superior_fraction").values - middle[0], found.layer("anterior_fraction").values - middle[1]
    )
    return np.nan_to_num(away, nan=0.0)


def _middle(asked: Asked) -> float:
    return ((0.0 if asked.low is None else asked.low) + (1.0 if asked.high is None else asked.high)) / 2
