"""The ways to the target and on from it against the phantom's closed forms: room of the catheter's body, the needle."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import septal_phantoms
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from septal_phantoms.phantom import landmarks_of
from septal_phantoms.sheath import angle_between_deg, hour_of, turned_toward
from skimage.measure import marching_cubes

from septal_planner.pipeline import PlannedCase
from septal_planner.puncture.body_clearance import NEAR_ENTRY_MM
from septal_planner.validation.membrane import true_normals
from septal_planner.validation.results import Row

Array = NDArray[np.float64]

STEP_MM = 0.7
AROUND_MM = 16.0  # of the way in which wall is looked for
MOUTH_MM = 1.0    # wall so near what lies beyond a mouth is the mouth
ON_VALVE_MM = 0.3
BESIDE_MM = 2.0   # a mouth nearer than the wall and this much more may be what is nearest
DEG_PER_HOUR = 30.0
MOUTH = "A vein's mouth is what is nearest: where it is cut is a choice, not a truth."


def compare_ways(case: PlannedCase, truth: septal_phantoms.Truth, bars: Mapping[str, float]) -> list[Row]:
    """Room of the catheter's body along the plan's own way; angle of entry and the needle's hour at the plan's target,
    by the true cava and the true normal of the septum about it."""
    return [_clearance(case, truth, bars), *_needle(case, truth, bars)]


def _clearance(case: PlannedCase, truth: septal_phantoms.Truth, bars: Mapping[str, float]) -> Row:
    name, reached = "room of the catheter's body", case.passage.catheter
    if reached is None or reached.clearance_mm is None:
        return Row(name, None, None, None, bars.get(name), "mm", optional=True)
    found = reached.clearance_mm
    true, mouth = true_clearance_mm(truth, reached.path_lps, reached.catheter.outer_diameter_mm.value)
    impossible = next((truth.impossible[k] for k in ("whole", "left_atrium_volume") if k in truth.impossible), None)
    if mouth < true + BESIDE_MM or mouth < found + BESIDE_MM:
        return Row(name, found, true, None, bars.get(name), "mm", impossible=impossible or MOUTH)
    return Row(name, found, true, abs(found - true), bars.get(name), "mm", impossible=impossible)


def true_clearance_mm(truth: septal_phantoms.Truth, path_lps: Array, outer_diameter_mm: float) -> tuple[float, float]:
    """Room (mm) of a body along a centre line (n, 3) to the wall of the left atrium, and to the mouths of its veins and
    appendage. The wall is the zero level of the closed form as a dense cloud (marching cubes of scikit-image), the
    valve's opening taken out; the distance to the aorta is exact. Counted as a plan does: above the annular plane, and
    to the wall beyond 10 mm from the entry."""
    t = np.arange(len(path_lps), dtype=np.float64)
    fine = np.arange(0.0, len(path_lps) - 1 + 1e-9, 0.2)
    path = np.stack([np.interp(fine, t, path_lps[:, k]) for k in range(3)], axis=1)
    above = path[truth.height_mm(path) >= 0]
    counted = above[np.linalg.norm(above - path[0], axis=1) >= NEAR_ENTRY_MM]
    if not len(counted):
        return float("inf"), float("inf")
    low = counted.min(axis=0) - AROUND_MM
    axes = [np.arange(a, b, STEP_MM) for a, b in zip(low, counted.max(axis=0) + AROUND_MM, strict=True)]
    x, y = (a.ravel() for a in np.meshgrid(axes[0], axes[1]))
    field = np.stack([
        truth.fields_at(np.stack([x, y, np.full(x.shape, z)], axis=1))["left_atrium"].reshape(len(axes[1]), -1)
        for z in axes[2]
    ])  # fmt: skip
    surface = low + STEP_MM * marching_cubes(field, 0.0)[0][:, ::-1]
    height, outside = truth.heart.mitral.local(*surface.T)
    valve = (np.abs(height) < ON_VALVE_MM) & (outside < ON_VALVE_MM)
    mouths = (truth.fields_at(surface)["left_vessels"] < MOUTH_MM) & ~valve
    hinge = truth.heart.mitral.curve_lps(np.linspace(0, 2 * np.pi, 2000))
    to_wall = cKDTree(np.concatenate([surface[~valve & ~mouths], hinge])).query(counted)[0].min()
    to_mouth = cKDTree(surface[mouths]).query(counted)[0].min() if mouths.any() else np.inf
    half = outer_diameter_mm / 2
    return float(min(to_wall, truth.aorta_distance_mm(above).min()) - half), float(to_mouth - half)


def _needle(case: PlannedCase, truth: septal_phantoms.Truth, bars: Mapping[str, float]) -> list[Row]:
    names, needle = ("entry angle", "needle's clock direction"), case.passage.needle
    impossible = next((truth.impossible[k] for k in ("fossa", "whole") if k in truth.impossible), None)
    if needle is None:
        return [Row(n, None, None, None, bars.get(n), "deg", impossible=impossible) for n in names]
    cava = landmarks_of(truth.heart, truth, 0, 0.0)["inferior_vena_cava"]
    normal = true_normals(truth, case.site.target_lps[None])[0]
    up = cava[0] - cava[1]
    crossing = turned_toward(up, normal, case.survey.approach.sheath_angle_deg)
    entry, hours = angle_between_deg(crossing, normal), hour_of(crossing, up)
    apart = abs(needle.clock_hours - hours)
    held = [None if impossible else bars.get(n) for n in names]  # without a membrane there is no normal to be held to
    return [
        Row(names[0], needle.entry_angle_deg, entry, abs(needle.entry_angle_deg - entry), held[0], "deg",
            impossible=impossible),
        Row(names[1], DEG_PER_HOUR * needle.clock_hours, DEG_PER_HOUR * hours, DEG_PER_HOUR * min(apart, 12 - apart),
            held[1], "deg", impossible=impossible),
    ]  # fmt: skip
