"""What the map says all over the membrane against the phantom's closed forms, not only at the target."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import septal_phantoms
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from septal_planner.pipeline import PlannedCase
from septal_planner.puncture.arcs import angles_deg
from septal_planner.puncture.paths import GRAZED_MM
from septal_planner.validation.results import Row

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# quantity of the map: how its row is called, its unit, which of the phantom's impossibilities touch it
MAPPED: Mapping[str, tuple[str, str, tuple[str, ...]]] = {
    "height_above_mitral_annulus": ("height", "mm", ("fossa",)),
    "distance_to_aorta": ("aorta", "mm", ("aorta", "fossa")),
    "distance_to_posterior_wall": ("free path", "mm", ("posterior_path", "fossa")),
    "distance_to_rim": ("rim", "mm", ("area", "fossa")),
    "wall_thickness": ("thickness", "mm", ("thickness", "fossa")),
    "entry_angle": ("entry angle", "deg", ("fossa",)),
}
AT_VALVE = "aorta nearest at its valve"
OPTIONAL = ("wall_thickness", "distance_to_rim")  # not every scan lets one see them
ALONG_WALL_MM = 1.0  # a ray no deeper in blood than this before it leaves it again runs along the wall
RIM_POINTS = 3600
# over which a plan averages the wall and the surface's direction: what a tip of some width rests on
WALL_SPOT_MM, NORMAL_SPOT_MM = 1.0, 2.0
AT_VALVE_MM = 3.0  # where the aorta begins is a cut, not a wall: nearest places so near its plane are told apart


def compare_membrane(case: PlannedCase, truth: septal_phantoms.Truth, bars: Mapping[str, float]) -> list[Row]:
    """Worst and root mean square error of each mapped quantity over all mapped points; not assessed without a map."""
    found = case.survey.map
    rows = []
    true = {} if found is None else true_over(case, truth)
    for name, (spoken, unit, touched) in MAPPED.items():
        impossible = next((truth.impossible[k] for k in (*touched, "whole") if k in truth.impossible), None)
        errors = np.empty(0) if found is None else np.abs(found.layer(name).values - true[name])
        told = {spoken: errors}
        if name == "distance_to_aorta" and found is not None:
            at_valve = nearest_at_valve(truth, found.points_lps)
            told = {spoken: errors[~at_valve], AT_VALVE: errors[at_valve]}
        for which, some in told.items():
            known = some[np.isfinite(some)]
            for what, error in (("worst", np.max), ("RMS", _rms)):
                title = f"{which} over the membrane, {what}"
                rows.append(Row(
                    title, None, None, float(error(known)) if len(known) else None, bars.get(title), unit,
                    impossible=impossible, optional=name in OPTIONAL or which == AT_VALVE or not len(some),
                ))  # fmt: skip
    return rows


def nearest_at_valve(truth: septal_phantoms.Truth, points_lps: Array) -> Mask:
    """Whether the part of the aorta nearest to each of points (n, 3) lies within 3 mm of the plane of its valve."""
    slope = np.stack([
        (truth.aorta_distance_mm(points_lps + e) - truth.aorta_distance_mm(points_lps - e)) / 2e-3
        for e in 1e-3 * np.eye(3)
    ], axis=1)  # fmt: skip
    foot = points_lps - truth.aorta_distance_mm(points_lps)[:, None] * slope
    return np.asarray(np.abs((foot - truth.heart.root_base) @ truth.heart.root_axis) < AT_VALVE_MM)


def true_over(case: PlannedCase, truth: septal_phantoms.Truth) -> dict[str, Array]:
    """Truth (n,) of each quantity of MAPPED at the mapped points; nan where there is none. The directions in which
    is crossed are the plan's."""
    assert case.survey.map is not None
    points = case.survey.map.points_lps
    crossing = case.survey.approach.crossing_lps
    return {
        "height_above_mitral_annulus": truth.height_mm(points),
        "distance_to_aorta": truth.aorta_distance_mm(points),
        "distance_to_posterior_wall": true_paths_mm(truth, points, crossing),
        "distance_to_rim": true_room_mm(truth, points),
        "wall_thickness": true_wall_mm(truth, points),
        "entry_angle": np.asarray(angles_deg(crossing, true_normals(truth, points))),
    }


def true_paths_mm(truth: septal_phantoms.Truth, points_lps: Array, direction_lps: Array) -> Array:
    """Free path (n,) from points (n, 3) along one direction; nan where the ray runs along the wall it begins in, so
    that a hair's breadth decides whether it has entered the atrium already."""
    proper = truth.free_paths_mm(points_lps, direction_lps, grazed_mm=GRAZED_MM)
    deep = truth.free_paths_mm(points_lps, direction_lps, grazed_mm=ALONG_WALL_MM)
    return np.where(np.isclose(proper, deep, atol=1e-3), proper, np.nan)


def true_room_mm(truth: septal_phantoms.Truth, points_lps: Array) -> Array:
    """Distance (n,) of points (n, 3) to the true rim, negative outside it."""
    septum, at = truth.heart.septum, np.arange(RIM_POINTS) * 2 * np.pi / RIM_POINTS
    rim = septum.point(septum.bu * np.cos(at), septum.bv * np.sin(at))
    near = cKDTree(rim).query(points_lps)[0]
    return np.asarray(np.where(truth.on_membrane(points_lps), near, -near))


def true_wall_mm(truth: septal_phantoms.Truth, points_lps: Array) -> Array:
    """Thickness (n,) of the wall, a mean over 1 mm around points (n, 3)."""
    return np.asarray(truth.heart.septum.thickness_uv(*_around(truth, points_lps, WALL_SPOT_MM)).mean(axis=1))


def true_normals(truth: septal_phantoms.Truth, points_lps: Array) -> Array:
    """Unit normals (n, 3) of the mid-surface, right atrium toward left, a mean over 2 mm around points (n, 3)."""
    normals = truth.heart.septum.surface_normal(*_around(truth, points_lps, NORMAL_SPOT_MM)).mean(axis=1)
    return np.asarray(normals / np.linalg.norm(normals, axis=1, keepdims=True))


def _around(truth: septal_phantoms.Truth, points_lps: Array, spot_mm: float) -> tuple[Array, Array]:
    """Chart (u, v), each (n, m), of the septum within a disc around points (n, 3)."""
    u, v, _ = truth.heart.septum.foot(points_lps)
    du, dv = (d.ravel() for d in np.meshgrid(*(2 * [np.linspace(-spot_mm, spot_mm, 9)])))
    spot = np.hypot(du, dv) <= spot_mm + 1e-9
    return u[:, None] + du[spot], v[:, None] + dv[spot]


def _rms(errors: Array) -> float:
    return float(np.sqrt(np.mean(np.square(errors))))
