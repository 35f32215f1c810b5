"""Every quantity a procedure may put a limit on, at many membrane points at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.anatomy.annulus import height_mm
from septal_planner.geometry import curves
from septal_planner.puncture.approach import Approach
from septal_planner.puncture.arcs import angles_deg, arcs_between
from septal_planner.puncture.clearance import CT_EDGE_MM
from septal_planner.puncture.device_point import why_no_device_point
from septal_planner.puncture.paths import posterior_path_mm
from septal_planner.puncture.place import fossa_fractions, local_normals_lps, room_to_rim_mm, to_bridged_mm
from septal_planner.puncture.procedures import Asked, Procedure

Array = NDArray[np.float64]

BESIDE_MM = 0.25     # a bridged place of the rim no farther than its nearest one and this much is the nearest
ROOF_FROM_MM = 10.0  # along the crossing: from there the way up is that of a tip that has just come through
SPOT_MM = 1.0        # radius over which the wall is averaged: one profile alone is noise
REACH_NAMES = ("arc_turn", "bend_radius", "axis_tilt", "clearance")
OF_A_CATHETER = (*REACH_NAMES, "tip_offset")
OF_THE_CATHETER = ("arc_turn", "bend_radius")  # kept by every shape of a certain catheter: the ranges are of one arc
BLOCK = 64           # neighbouring points whose arcs are looked at together


# a catheter's own way: from points (n, 3) values (n,) of arc_turn, bend_radius, axis_tilt, clearance or tip_offset, nan
# where not assessed
ReachOver = Callable[[Array], Mapping[str, Array]]


@dataclass(frozen=True)
class Quantity:
    """`asked` names the procedure's range for it, None where no procedure has one; `spoken` as in a sentence."""

    name: str
    unit: str
    spoken: str
    asked: str | None
    keeps_clear: bool = False  # of harm at the crossing itself


QUANTITIES = (
    Quantity("height_above_mitral_annulus", "mm", "the height above the mitral annular plane", "height"),
    Quantity("height_above_coaptation", "mm", "the height above the leaflet coaptation", "height"),
    Quantity("distance_to_rim", "mm", "the distance to the rim of the fossa", "distance_to_rim", True),
    Quantity("distance_to_aorta", "mm", "the distance to the aorta", "distance_to_aorta", True),
    Quantity("distance_to_posterior_wall", "mm", "the free path to the posterior wall", "posterior_path", True),
    Quantity("distance_to_roof", "mm", "the free path to the roof", "distance_to_roof"),
    Quantity("distance_to_coronary_sinus", "mm", "the distance to the coronary sinus", "distance_to_coronary_sinus",
             True),
    Quantity("wall_thickness", "mm", "the thickness of the wall", "wall_thickness"),
    Quantity("superior_fraction", "1", "the place toward the head", "superior_fraction"),
    Quantity("anterior_fraction", "1", "the place toward the front", "anterior_fraction"),
    Quantity("entry_angle", "deg", "the angle of entry", "entry_angle"),
    Quantity("turn_angle", "deg", "the turn from the crossing into the valve", None),
    Quantity("arc_turn", "deg", "the turn of the bends", "arc_turn"),
    Quantity("bend_radius", "mm", "the radius of the bend", "bend_radius"),
    Quantity("axis_tilt", "deg", "the tilt against the axis of the target", "axis_tilt"),
    Quantity("clearance", "mm", "the room of the way on to the wall", "clearance"),
    Quantity("tip_offset", "mm", "the distance at which the tip ends from the device point", "tip_offset"),
)  # fmt: skip


def asked_of(procedure: Procedure, quantity: Quantity) -> Asked | None:
    """The range this procedure asks of it. The height's datum is the procedure's own; the other is only shown."""
    if quantity.asked is None:
        return None
    if quantity.asked == "height":
        from_coaptation = "coaptation" in procedure.height_datum
        if from_coaptation != (quantity.name == "height_above_coaptation"):
            return None
    found: Asked | None = getattr(procedure, quantity.asked)
    return found


def inside_mm(asked: Asked, values: ArrayLike) -> Array:
    """Signed margin (...,) in the value's own unit, positive inside the range; nan stays nan."""
    v = np.asarray(values, dtype=np.float64)
    low = v - asked.low if asked.low is not None else np.full_like(v, np.inf)
    high = asked.high - v if asked.high is not None else np.full_like(v, np.inf)
    return np.asarray(np.minimum(low, high))


def measure_points(
    approach: Approach, points_lps: ArrayLike, *, reach: ReachOver | None = None
) -> tuple[dict[str, Array], dict[str, str]]:
    """Values (n,) of every quantity at mid-surface points (n, 3), as `evaluate_on` has them for one, and why a quantity
    is not assessed at all. nan where it is not assessed at a point: the way ahead leaves the CT or never enters the
    left atrium, no arc leads to the target, or the CT ends nearer than the wall.

    Two differ from `evaluate_on`: the entry angle is against the local normal, and the distance to the rim is negative
    outside it and is less where the rim was bridged. Roof: free way from ROOF_FROM_MM along the crossing, up the
    annular normal, until the blood ends. An infinite radius is a straight way. What `reach` gives stands in place of
    the one arc's values.
    """
    p = np.asarray(points_lps, dtype=np.float64).reshape(-1, 3)
    fossa, annulus, chambers, procedure = approach.fossa, approach.annulus, approach.chambers, approach.procedure
    crossing = approach.crossing_lps
    nothing = np.full(len(p), np.nan)
    values: dict[str, Array] = {q.name: nothing for q in QUANTITIES}
    why: dict[str, str] = {}
    values["height_above_mitral_annulus"] = height_mm(annulus, p)
    if "leaflet_coaptation" in approach.landmarks_lps:
        mark = np.asarray(approach.landmarks_lps["leaflet_coaptation"], dtype=np.float64).reshape(-1, 3).mean(axis=0)
        values["height_above_coaptation"] = (p - mark) @ annulus.normal_lps
    else:
        why["height_above_coaptation"] = "No leaflet_coaptation point was marked."

    if len(fossa.rim_lps):
        values["distance_to_rim"] = signed_room_mm(approach, p)
        values["superior_fraction"], values["anterior_fraction"] = fossa_fractions(fossa, p)
    else:
        reason = fossa.not_assessed.get("rim", "The rim of the membrane was not seen.")
        why.update(dict.fromkeys(("distance_to_rim", "superior_fraction", "anterior_fraction"), reason))
    if fossa.thickness_mean_mm is not None:
        values["wall_thickness"] = thickness_mm(approach, p)
    else:
        why["wall_thickness"] = fossa.not_assessed.get("thickness", "The thickness of the membrane was not measured.")

    if "aorta" in chambers.distance:
        field = chambers.distance["aorta"]
        distance = field.at(p)
        away = np.stack([(field.at(p + e) - field.at(p - e)) / 2 for e in np.eye(3)], axis=-1)
        cut = chambers.beyond_ct(p - distance[:, None] * away, CT_EDGE_MM)
        values["distance_to_aorta"] = np.where(cut, np.nan, distance)
    else:
        why["distance_to_aorta"] = _not_found(approach, "aorta")
    if "left_atrium" in chambers.distance:
        left = chambers.distance["left_atrium"]
        path, _ = posterior_path_mm(p, crossing, left)
        cut = chambers.beyond_ct(p + np.nan_to_num(path)[:, None] * crossing, CT_EDGE_MM)
        values["distance_to_posterior_wall"] = np.where(cut, np.nan, path)
        start = p + ROOF_FROM_MM * crossing
        path, _ = posterior_path_mm(start, annulus.normal_lps, left, enter_within_mm=1.0, longest_mm=100.0)
        cut = chambers.beyond_ct(start + np.nan_to_num(path)[:, None] * annulus.normal_lps, CT_EDGE_MM)
        values["distance_to_roof"] = np.where(cut, np.nan, path)
    else:
        reason = _not_found(approach, "left_atrium")
        why.update(dict.fromkeys(("distance_to_posterior_wall", "distance_to_roof"), reason))
    if "coronary_sinus" in approach.landmarks_lps:
        marks = np.asarray(approach.landmarks_lps["coronary_sinus"], dtype=np.float64).reshape(-1, 3)
        values["distance_to_coronary_sinus"] = np.linalg.norm(p[:, None] - marks, axis=-1).min(axis=1)
    else:
        why["distance_to_coronary_sinus"] = "No coronary_sinus point was marked."

    values["entry_angle"] = angles_deg(crossing, local_normals_lps(fossa, p))
    values["turn_angle"] = np.full(len(p), float(angles_deg(crossing, -annulus.normal_lps)))
    given = {} if reach is None else dict(reach(p))
    if "tip_offset" not in given:
        why["tip_offset"] = "No certain catheter was reckoned with."
    goal = approach.goal
    if goal is None:
        reason = why_no_device_point(procedure)
        why.update(dict.fromkeys((n for n in REACH_NAMES if n not in given), reason))
    else:
        arcs = arcs_between(p, crossing, goal.point_lps)
        values["arc_turn"], values["bend_radius"] = arcs.turn_deg, arcs.radius_mm
        if goal.axis_lps is not None:
            values["axis_tilt"] = angles_deg(arcs.end_direction_lps, goal.axis_lps)
        else:
            why["axis_tilt"] = goal.no_axis
        if "clearance" not in given and approach.wall is not None:
            values["clearance"] = arc_clearance_mm(approach, p, crossing, goal.point_lps)
        elif "clearance" not in given:
            why["clearance"] = _not_found(approach, "left_atrium")
    values.update(given)
    return values, why


def arc_clearance_mm(approach: Approach, start_lps: Array, direction_lps: ArrayLike, end_lps: ArrayLike) -> Array:
    """Room (n,) to the wall of the arcs from points (n, 3) along directions (n, 3) or (3,) to points (n, 3) or (3,);
    nan where no arc leads there or the CT ends nearer than the wall. Neighbours should stand side by side."""
    found = np.full(len(start_lps), np.nan)
    if approach.wall is None:
        return found
    direction, end = (np.broadcast_to(np.asarray(a, dtype=np.float64), start_lps.shape)
                      for a in (direction_lps, end_lps))
    for lo in range(0, len(start_lps), BLOCK):
        block = slice(lo, lo + BLOCK)
        points, begin = arcs_between(start_lps[block], direction[block], end[block]).sampled()
        room = approach.wall.clearances_mm(points, begin, start_lps[block])
        found[block] = np.where(approach.wall.to_edge_mm(points, begin) < room, np.nan, room)
    return found


def signed_room_mm(approach: Approach, points_lps: Array) -> Array:
    """Distance (n,) to the rim of points (n, 3), less the doubt of where it was bridged; negative outside it."""
    fossa = approach.fossa
    uv, rim_uv = fossa.patch.uvw(points_lps)[:, :2], fossa.patch.uvw(fossa.rim_lps)[:, :2]
    inside = curves.inside_closed(uv, rim_uv)
    return np.asarray(np.where(
        inside, room_to_rim_mm(fossa, points_lps), -curves.distance_to_closed(points_lps, fossa.rim_lps)
    ))


def doubtful_room_mm(approach: Approach, points_lps: Array) -> tuple[Array, Array]:
    """Distance (n,) to the rim of points (n, 3) as it was drawn, negative outside it, and whether its nearest place was
    bridged (1) or seen (0)."""
    fossa = approach.fossa
    uv, rim_uv = fossa.patch.uvw(points_lps)[:, :2], fossa.patch.uvw(fossa.rim_lps)[:, :2]
    away = curves.distance_to_closed(points_lps, fossa.rim_lps)
    bridged = to_bridged_mm(fossa, points_lps) <= away + BESIDE_MM
    return np.where(curves.inside_closed(uv, rim_uv), away, -away), bridged.astype(np.float64)


def thickness_mm(approach: Approach, points: Array) -> Array:
    """Thickness (n,) of the wall around points (n, 3)."""
    patch = approach.fossa.patch
    u, v, _ = np.moveaxis(patch.uvw(points), -1, 0)
    du, dv = (d.ravel() for d in np.meshgrid(*(2 * [np.arange(-SPOT_MM, SPOT_MM + 0.01, 0.25)])))
    spot = np.hypot(du, dv) <= SPOT_MM
    around = patch.sample(approach.fossa.thickness_mm, u[:, None] + du[spot], v[:, None] + dv[spot])
    return np.asarray(around.mean(axis=1))


def _not_found(approach: Approach, name: str) -> str:
    return approach.chambers.not_assessed.get(name, f"The {name.replace('_', ' ')} was not found.")
