"""Marking an annulus in long-axis planes turned about the axis of its valve, two points in each.

Both hinge points of a cut lie on one plane through the axis, so that planes turned by even steps over half a turn
give points spread evenly around the ring (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.anatomy.annulus import Annulus, measure_annulus
from septal_planner.errors import AnatomyNotFound
from septal_planner.geometry import curves, planes
from septal_planner.geometry.frames import unit_vector
from septal_viewer.planes import Plane, long_axis_plane

Array = NDArray[np.float64]

STEPS = 6
LEAST_FOR_PLANE = 4  # three points always fit a plane, and then say nothing of its doubt
VALVES = {
    "mitral_annulus": ("left_atrium", "left_ventricle"),
    "tricuspid_annulus": ("right_atrium", "right_ventricle"),
}


@dataclass(frozen=True)
class ValveAxis:
    """A point (3,) in the valve's opening and the unit axis (3,) toward the atrium."""

    center_lps: Array
    axis_lps: Array


def starting_axis(name: str, points_lps: Mapping[str, ArrayLike]) -> ValveAxis | None:
    """The axis about which to turn for an annulus: of the points marked around it so far where four or more lie on a
    ring, otherwise from ventricle to atrium, or None where neither is marked."""
    atrium, ventricle = (_first(points_lps, n) for n in VALVES[name])
    ring = np.asarray(points_lps.get(name, ()), dtype=np.float64).reshape(-1, 3)
    if len(ring) >= LEAST_FOR_PLANE:
        try:
            center, normal, spread = planes.fit_plane(ring)
        except ValueError:
            spread = np.zeros(3)
        if spread[1] >= 2.0:
            toward = atrium if atrium is not None else ventricle
            side = 0.0 if toward is None else float((toward - center) @ normal)
            side = side if atrium is not None else -side
            if side:
                return ValveAxis(center, normal if side > 0 else -normal)
    if atrium is None or ventricle is None or np.linalg.norm(atrium - ventricle) < 1.0:
        return None
    return ValveAxis((atrium + ventricle) / 2, unit_vector(atrium - ventricle))


def annulus_plane(center_lps: ArrayLike, axis_lps: ArrayLike, step: int, *, steps: int = STEPS) -> Plane:
    """The long-axis plane after `step` of `steps` even turns of half a circle, counted from the plane nearest to the
    patient's left and right; atrium above. Any whole number of steps is a plane. Raises ValueError for no steps."""
    if steps < 1:
        raise ValueError(f"half a turn needs one step or more, found {steps}")
    axis = unit_vector(axis_lps)
    left = np.array([1.0, 0.0, 0.0])
    across = left - (left @ axis) * axis
    if np.linalg.norm(across) < 0.1:  # the axis lies along left and right
        across = np.array([0.0, 1.0, 0.0]) - axis[1] * axis
    across = unit_vector(across)
    angle = np.pi * (step % steps) / steps
    turned = np.cos(angle) * across + np.sin(angle) * np.cross(axis, across)
    return long_axis_plane(center_lps, axis, turned)


def turn_deg(step: int, steps: int = STEPS) -> float:
    """Turn of a step from the first plane, 0 to below 180."""
    return 180.0 * (step % steps) / steps


def on_plane(points_lps: ArrayLike, plane: Plane, within_mm: float = 0.5) -> NDArray[np.intp]:
    """Which points (n, 3) lie on a plane, as their indices: they were marked there, or might have been."""
    p = np.asarray(points_lps, dtype=np.float64).reshape(-1, 3)
    return np.flatnonzero(np.abs(plane.depth_mm(p)) <= within_mm)


def ordered(points_lps: ArrayLike, center_lps: ArrayLike, axis_lps: ArrayLike) -> Array:
    """Points (n, 3) in order around the axis (right-handed), the first one first. Points in one direction from the axis
    keep their order."""
    p = np.asarray(points_lps, dtype=np.float64).reshape(-1, 3)
    if len(p) < 2:
        return p.copy()
    u, v = planes.plane_axes(unit_vector(axis_lps))
    d = p - np.asarray(center_lps, dtype=np.float64)
    angle = np.arctan2(d @ v, d @ u)
    # a hair below the first is the first itself
    turn = np.mod(angle - angle[0] + 1e-9, 2 * np.pi)
    return np.asarray(p[np.argsort(turn, kind="stable")])


def next_step(points_lps: ArrayLike, center_lps: ArrayLike, axis_lps: ArrayLike, *, steps: int = STEPS) -> int | None:
    """The first step whose plane has fewer than two points, or None where all have."""
    for step in range(steps):
        if len(on_plane(points_lps, annulus_plane(center_lps, axis_lps, step, steps=steps))) < 2:
            return step
    return None


def live_curve(points_lps: ArrayLike, *, samples: int = 180) -> Array | None:
    """The closed curve (samples, 3) through points (n, 3) in order, as the planner draws it; None for fewer than three,
    or two neighbours alike."""
    p = np.asarray(points_lps, dtype=np.float64).reshape(-1, 3)
    try:
        return curves.closed_spline(p, samples=samples)
    except ValueError:
        return None


def live_annulus(name: str, points_lps: Mapping[str, ArrayLike]) -> tuple[Annulus | None, str]:
    """The annulus measured from the points so far, or None and the reason in one sentence."""
    atrium = _first(points_lps, VALVES[name][0])
    ring = np.asarray(points_lps.get(name, ()), dtype=np.float64).reshape(-1, 3)
    if atrium is None:
        return None, "The annulus is measured once its atrium is marked, which tells its sides apart."
    try:
        found = measure_annulus(
            ring,
            atrium_point_lps=atrium,
            aorta_point_lps=_first(points_lps, "aorta") if name == "mitral_annulus" else None,
            septum_point_lps=_first(points_lps, "fossa"),
        )
    except AnatomyNotFound as problem:
        return None, str(problem)
    return found, ""


def _first(points_lps: Mapping[str, ArrayLike], name: str) -> Array | None:
    p = np.asarray(points_lps.get(name, ()), dtype=np.float64).reshape(-1, 3)
    return np.asarray(p[0]) if len(p) else None
