"""The intervals of the trial at the target against the phantom's closed forms.

What hangs on the plan's choice is its target; all else is true: where the cava runs, how the septum and the valve
stand, where blood ends. The shapes a catheter takes are worked out anew among true things by the planner's own formula:
whether that formula is right is tested elsewhere; here the question is how far the doubt of what goes into it carries.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import septal_phantoms
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from septal_phantoms.phantom import landmarks_of
from skimage.measure import marching_cubes

from septal_planner.anatomy.annulus import measure_annulus
from septal_planner.errors import AnatomyNotFound
from septal_planner.geometry.shapes import DistanceField
from septal_planner.pipeline import PlannedCase
from septal_planner.puncture.approach import Approach, prepare_approach
from septal_planner.puncture.arcs import angles_deg
from septal_planner.puncture.catheter_way import catheter_way
from septal_planner.puncture.requirements import QUANTITIES, ROOF_FROM_MM, measure_points
from septal_planner.puncture.survey import over
from septal_planner.validation.membrane import true_normals, true_room_mm, true_wall_mm
from septal_planner.validation.results import Told
from septal_planner.validation.truths import fractions
from septal_planner.validation.ways import MOUTH_MM

Array = NDArray[np.float64]

BLOOD_STEP_MM = 1.25
EXACT_MM = 16.0
BLOOD_AROUND_MM = 65.0
OF_A_SHAPE = ("arc_turn", "bend_radius", "axis_tilt", "clearance", "tip_offset")


def drawn_with_interval(case: PlannedCase, truth: septal_phantoms.Truth) -> list[Told]:
    """Every quantity of the trial at the target whose `measured` interval has a width and a truth; none without a
    trial. What could not be had in every draw is left out."""
    if case.passage.doubt is None:
        return []
    true = true_quantities(case, truth)
    units = {q.name: q.unit for q in QUANTITIES}
    return [
        Told(f"drawn: {name.replace('_', ' ')}", units[name], one.value, one.sd, true[name], one.low, one.high)
        for name, one in case.passage.doubt.measured.items()
        if one.known == 1.0 and one.high > one.low and np.isfinite(true.get(name, np.nan))
    ]


def true_quantities(case: PlannedCase, truth: septal_phantoms.Truth) -> dict[str, float]:
    """Truth at the plan's target by the name of the quantity; nan where the phantom has none."""
    p = case.site.target_lps
    exact = landmarks_of(truth.heart, truth, 0, 0.0)
    try:
        approach = true_approach(case, truth, exact)
    except AnatomyNotFound:
        return {}
    crossing = approach.crossing_lps
    superior, anterior = fractions(p, truth)
    out = {
        "height_above_mitral_annulus": float(truth.height_mm(p)[0]),
        "height_above_coaptation": float((p - exact["leaflet_coaptation"][0]) @ truth.mitral.normal),
        "distance_to_rim": float(true_room_mm(truth, p[None])[0]),
        "distance_to_aorta": float(truth.aorta_distance_mm(p)[0]),
        "distance_to_posterior_wall": truth.free_path_mm(p, crossing),
        "distance_to_roof": _roof(truth, p + ROOF_FROM_MM * crossing),
        "distance_to_coronary_sinus": float(np.linalg.norm(exact["coronary_sinus"] - p, axis=1).min()),
        "wall_thickness": float(true_wall_mm(truth, p[None])[0]),
        "superior_fraction": superior,
        "anterior_fraction": anterior,
        "entry_angle": float(angles_deg(crossing, true_normals(truth, p[None])[0])),
        "turn_angle": float(angles_deg(crossing, -truth.mitral.normal)),
    }
    return out | _shape(case, approach, p)


def _roof(truth: septal_phantoms.Truth, start: Array) -> float:
    """Free way up the valve's normal; nan where it leads out by the mouth of a vein, which is cut by choice."""
    up = truth.mitral.normal
    free = truth.free_path_mm(start, up)
    beyond = truth.fields_at(start + (free + MOUTH_MM) * up)["left_vessels"][0] if np.isfinite(free) else 0.0
    return free if beyond > 0 else float("nan")


def true_approach(case: PlannedCase, truth: septal_phantoms.Truth, exact: dict[str, Array]) -> Approach:
    """The plan's approach with true annulus, blood, landmarks and mean normal of the septum. Raises AnatomyNotFound
    where the crossing direction cannot be had."""
    ring = measure_annulus(
        truth.mitral.points(64), atrium_point_lps=exact["left_atrium"][0], aorta_point_lps=exact["aorta"][0]
    )
    low = case.site.target_lps - 10.0 * truth.mitral.normal - BLOOD_AROUND_MM
    x, y, z = (np.arange(a, a + 2 * BLOOD_AROUND_MM, BLOOD_STEP_MM) for a in low)
    fields = truth.heart.fields(x[None, None, :], y[None, :, None], z[:, None, None])
    affine = np.diag([BLOOD_STEP_MM, BLOOD_STEP_MM, BLOOD_STEP_MM, 1.0])
    affine[:3, 3] = low
    blood = {
        name: DistanceField(true_distance_mm(fields[name]), affine)
        for name in ("left_atrium", "aorta")
        if name in case.chambers.distance
    }
    marks = {name: exact[name] for name in case.landmarks.points_lps if name in exact}
    return prepare_approach(
        replace(case.fossa, normal_lps=truth.fossa.normal), ring, replace(case.chambers, distance=blood), marks,
        case.procedure, sheath_angle_deg=case.survey.approach.sheath_angle_deg,
    )


def true_distance_mm(field: Array) -> NDArray[np.float32]:
    """Distance (nk, nj, ni) to the zero level of a closed form sampled every BLOOD_STEP_MM, signed as it is, EXACT_MM
    at most. Closed forms put together by least and largest tell inside from outside, but overstate how far."""
    surface = marching_cubes(field, 0.0)[0]
    places = np.indices(field.shape).reshape(3, -1).T
    away, _ = cKDTree(surface).query(places, distance_upper_bound=EXACT_MM / BLOOD_STEP_MM)
    away = np.minimum(BLOOD_STEP_MM * away, EXACT_MM).reshape(field.shape)
    return np.asarray(np.sign(field) * away, dtype=np.float32)


def _shape(case: PlannedCase, approach: Approach, p: Array) -> dict[str, float]:
    """Turn, radius, tilt, room and offset of the shape that the trial drew: a catheter's, or one arc."""
    way, doubt = case.survey.way, case.passage.doubt
    assert doubt is not None
    reach = None
    if way is not None:
        own = way.over(p[None])
        drew = [n for n in OF_A_SHAPE if n in doubt.measured and np.isfinite(own[n][0])]
        if drew and all(np.isclose(doubt.measured[n].value, own[n][0]) for n in drew):
            reach = over(catheter_way(approach, way.catheter))
    values, _ = measure_points(approach, p[None], reach=reach)
    return {name: float(values[name][0]) for name in OF_A_SHAPE}
