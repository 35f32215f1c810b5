"""The chosen place against random points of the membrane: none may be better."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import septal_phantoms
from numpy.typing import NDArray

from septal_planner.anatomy.fossa import Fossa
from septal_planner.geometry import curves
from septal_planner.pipeline import PlannedCase
from septal_planner.puncture.membrane_map import MembraneMap, map_points
from septal_planner.puncture.ranking import ranking_of, scores
from septal_planner.puncture.survey import Survey, over
from septal_planner.validation.results import Row

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

RIVALS = 10_000
SEED = 10
MORE = 1e-3  # tolerances by which a point has to be better
SHORT = 1e-6
NAMES = ("random points better than the choice", "random points of a larger worst margin")
# better than any way of a catheter: what the rest of the limits allow at most
AT_BEST: Mapping[str, float] = {
    "arc_turn": np.nan, "bend_radius": np.nan, "axis_tilt": 0.0, "clearance": 1e3, "tip_offset": 0.0,
}  # fmt: skip


def compare_rivals(case: PlannedCase, truth: septal_phantoms.Truth, bars: Mapping[str, float]) -> list[Row]:
    """How many of 10,000 random points of the membrane beat the first candidate as candidates are ranked, and how many
    have a larger worst margin than the largest that the choice names."""
    impossible = next((truth.impossible[k] for k in ("fossa", "area", "whole") if k in truth.impossible), None)
    beaten: tuple[float | None, float | None] = (None, None)
    if case.survey.choice is not None:
        beaten = better_rivals(case.survey)
    return [
        Row(name, None, None, count, bars.get(name), "times", impossible=impossible)
        for name, count in zip(NAMES, beaten, strict=True)
    ]


def better_rivals(survey: Survey, *, rivals: int = RIVALS, seed: int = SEED) -> tuple[float, float]:
    """How many of so many random points rank before the first candidate, and how many have a larger worst margin than
    the choice's largest, by more than 1e-3 tolerances. The reach of the catheter is solved only where a point could be
    better if the catheter came there without any fault."""
    found, choice, approach = survey.map, survey.choice, survey.approach
    assert found is not None
    assert choice is not None
    own = np.stack([choice.candidates[0].point_lps, choice.largest_margin.point_lps])
    ranking, reach = ranking_of(found), over(survey.way)

    def ahead(there: MembraneMap, chosen: MembraneMap) -> tuple[Mask, Mask]:
        """Of the points mapped, which are better than the first and than the second of `chosen`."""
        (meets, clear, worst), (meets_0, clear_0, worst_0) = scores(there, ranking), scores(chosen, ranking)
        alike = meets == meets_0[0]
        no_less = alike & (clear >= clear_0[0] - SHORT)  # what falls short, by however little, does not keep clear
        first = (meets & ~meets_0[0]) | (alike & (clear > clear_0[0] + MORE)) | (no_less & (worst > worst_0[0] + MORE))
        margin = np.nan_to_num(there.overall, nan=-np.inf)
        return first, margin > np.nan_to_num(chosen.overall, nan=-np.inf)[1] + MORE

    chosen = map_points(approach, own, reach=reach, counting=found.counting)
    points = random_points(approach.fossa, rivals, seed)
    if reach is not None:
        could = map_points(approach, points, reach=at_best(survey), counting=found.counting)
        first, second = ahead(could, chosen)
        points = points[first | second]
    if not len(points):
        return 0.0, 0.0
    first, second = ahead(map_points(approach, points, reach=reach, counting=found.counting), chosen)
    return float(first.sum()), float(second.sum())


def at_best(survey: Survey) -> Callable[[Array], Mapping[str, Array]]:
    """The reach of a catheter without fault, not assessed where the survey's own is not."""
    assert survey.map is not None
    known = {name for name in AT_BEST if np.isfinite(survey.map.layer(name).values).any()}

    def reach(points: Array) -> Mapping[str, Array]:
        return {name: np.full(len(points), value if name in known else np.nan) for name, value in AT_BEST.items()}

    return reach


def random_points(fossa: Fossa, number: int, seed: int) -> Array:
    """Points (number, 3) of the mid-surface within the rim, even by area."""
    rng, patch = np.random.default_rng(seed), fossa.patch
    rim = patch.uvw(fossa.rim_lps)[:, :2]
    low, high = rim.min(axis=0), rim.max(axis=0)
    kept: list[Array] = []
    while sum(map(len, kept)) < number:
        uv = rng.uniform(low, high, (number, 2))
        inside = curves.inside_closed(uv, rim) & (patch.sample(fossa.membrane.astype(np.float64), *uv.T) > 0.5)
        slope = np.maximum(np.abs(patch.normals_lps(uv[:, 0], uv[:, 1]) @ patch.axis_w_lps), 0.1)
        kept.append(uv[inside & (rng.uniform(size=number) * slope.max() / slope.min() < slope.max() / slope)])
    uv = np.concatenate(kept)[:number]
    return np.asarray(patch.points_lps(uv[:, 0], uv[:, 1]))
