"""Constant-curvature reach: from the cava through the septum, then one arc to the target structure.

Forward and inverse form of an arc as in Webster & Jones, Int J Robot Res 2010;29:1661-83, doi
10.1177/0278364910368147. The model has no weight, no friction and no tissue: it says what shape would be
needed, not that a catheter takes it. """

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.anatomy.annulus import Annulus
from septal_planner.errors import AnatomyNotFound
from septal_planner.geometry.frames import spacing_mm, unit_vector
from septal_planner.geometry.propagation import propagated_sd_at_once
from septal_planner.geometry.shapes import DistanceField
from septal_planner.puncture.arcs import angles_deg, arcs_between
from septal_planner.puncture.clearance import Room
from septal_planner.puncture.device_point import DevicePoint
from septal_planner.puncture.procedures import Procedure

Array = NDArray[np.float64]

# turn of a fixed-curve sheath from the caval axis toward the septum, flag "practice value, edit locally": typical fixed
# curves are 50 to 55 degrees, from memory
SHEATH_ANGLE_DEG = 50.0
STRAIGHT_AT_SEPTUM = 0.05  # sine of the angle between cava and septal normal, about 3 degrees


def arc_tip(curvature_per_mm: float, plane_angle_rad: float, length_mm: float) -> tuple[Array, Array]:
    """Tip position (3,) and unit tangent (3,) of an arc that starts at the origin along +z and bends in the
    plane at that angle about z (Webster & Jones 2010).
    """
    theta = curvature_per_mm * length_mm
    c, s = np.cos(plane_angle_rad), np.sin(plane_angle_rad)
    # r (1 - cos) and r sin, written so that the straight catheter is not a case of its own
    out = length_mm * np.sinc(theta / (2 * np.pi)) * np.sin(theta / 2)
    along = length_mm * np.sinc(theta / np.pi)
    return (
        np.array([c * out, s * out, along]),
        np.array([c * np.sin(theta), s * np.sin(theta), np.cos(theta)]),
    )


def arc_from_tip(tip: ArrayLike) -> tuple[float, float, float]:
    """Curvature (1/mm), plane angle (rad) and length (mm) of the arc from the origin along +z to the tip
    (3,).

    Turns up to a full circle; straight ahead gives curvature 0. Raises ValueError for a tip at the origin or
    straight behind it, which no arc reaches. """
    x, y, z = (float(v) for v in np.asarray(tip, dtype=np.float64))
    across = float(np.hypot(x, y))
    if across < 1e-12:
        if z <= 0:
            raise ValueError("no arc reaches a point at the start or straight behind it")
        return 0.0, 0.0, z
    theta = 2 * float(np.arctan2(across, z))  # turn is twice the angle of the chord
    curvature = 2 * across / (across**2 + z**2)
    return curvature, float(np.arctan2(y, x)), theta / curvature


@dataclass(frozen=True)
class Arc:
    """One arc in LPS: `radius_mm` infinite where straight, `turn_deg` up to 360, `path_lps` (n, 3) from start
    to end.
    """

    radius_mm: float
    turn_deg: float
    length_mm: float
    end_direction_lps: NDArray[np.float64]
    path_lps: NDArray[np.float64]


def single_arc(
    start_lps: ArrayLike, start_direction: ArrayLike, end_lps: ArrayLike, *, step_mm: float = 0.5
) -> Arc:
    """The one arc that leaves `start_lps` (3,) along `start_direction` (3,) and ends at `end_lps` (3,),
    sampled at most `step_mm` apart. Raises ValueError where the end is the start or lies straight behind it.
    """
    start = np.asarray(start_lps, dtype=np.float64)
    forward = unit_vector(start_direction)
    chord = np.asarray(end_lps, dtype=np.float64) - start
    z = float(chord @ forward)
    sideways = chord - z * forward
    x = float(np.linalg.norm(sideways))
    side = sideways / x if x > 1e-12 else np.zeros(3)
    curvature, _, length = arc_from_tip([x, 0.0, z])
    n = max(2, int(np.ceil(length / step_mm)) + 1)
    s = np.linspace(0.0, length, n)
    theta = curvature * s
    out, along = s * np.sinc(theta / (2 * np.pi)) * np.sin(theta / 2), s * np.sinc(theta / np.pi)  # as in arc_tip
    path = start + out[:, None] * side + along[:, None] * forward
    tangent = arc_tip(curvature, 0.0, length)[1]
    return Arc(
        radius_mm=1 / curvature if curvature > 1e-9 else float("inf"),
        turn_deg=float(np.degrees(curvature * length)),
        length_mm=length,
        end_direction_lps=unit_vector(tangent[0] * side + tangent[2] * forward),
        path_lps=path,
    )


def height_needed_mm(
    radius_mm: float, straight_mm: float, elevation_deg: float, *, straight_before_mm: float = 0.0
) -> tuple[float, float]:
    """Least height above the annular plane, and horizontal run, for a tip that starts `elevation_deg` above
    the plane (pointing away from the valve), is pushed out straight, bends by 90 + elevation degrees in one
    plane and ends pointing straight at the valve with a straight end of `straight_mm`. From plane
    trigonometry.
    """
    e = np.deg2rad(elevation_deg)
    height = radius_mm * np.cos(e) + straight_mm - straight_before_mm * np.sin(e)
    return float(height), float(radius_mm * (1 + np.sin(e)) + straight_before_mm * np.cos(e))


def crossing_direction(
    cava_axis_lps: ArrayLike, septal_normal_lps: ArrayLike, *, sheath_angle_deg: float = SHEATH_ANGLE_DEG
) -> Array:
    """Unit vector (3,) of a sheath that comes up along the caval axis (3,) and turns by its own angle
    straight toward the septum, whose normal (3,) points from the right atrium to the left.

    Raises AnatomyNotFound where the cava runs straight at the septum, so that no direction of turn is given.
    """
    return np.asarray(crossing_directions(
        np.asarray(cava_axis_lps, dtype=np.float64)[None], np.asarray(septal_normal_lps, dtype=np.float64)[None],
        sheath_angle_deg=sheath_angle_deg,
    )[0])


def crossing_directions(
    cava_axes_lps: ArrayLike, septal_normals_lps: ArrayLike, *, sheath_angle_deg: ArrayLike = SHEATH_ANGLE_DEG
) -> Array:
    """As `crossing_direction`, for axes (n, 3), normals (n, 3) and an angle or angles (n,): unit vectors (n, 3).

    Raises AnatomyNotFound where any cava runs straight at the septum.
    """
    up, n = unit_vector(cava_axes_lps), unit_vector(septal_normals_lps)
    toward = n - np.sum(n * up, axis=-1, keepdims=True) * up
    if np.any(np.linalg.norm(toward, axis=-1) < STRAIGHT_AT_SEPTUM):
        raise AnatomyNotFound(
            "The axis of the inferior vena cava runs within 3 degrees of the septal normal, expected nearly "
            "along the septum; check the two inferior_vena_cava landmarks and the fossa landmark."
        )
    a = np.deg2rad(np.asarray(sheath_angle_deg, dtype=np.float64))[..., None]
    return np.asarray(np.cos(a) * up + np.sin(a) * unit_vector(toward), dtype=np.float64)


def angle_deg(a: ArrayLike, b: ArrayLike) -> float:
    """Angle (degrees) between two vectors (3,), exact for small ones too."""
    u, v = unit_vector(a), unit_vector(b)
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(u, v)), u @ v)))


@dataclass(frozen=True)
class Reach:
    """Whether one arc from the septum gets to the target structure, and how. None where not assessed, the
    reason in `not_assessed`; `bend_radius_mm` is None also where the way is straight. `turn_angle_deg`:
    crossing direction to the axis into the mitral valve. `axis_tilt_deg`: last segment to the axis of the target
    (`DevicePoint.axis_lps`), into the valve where that is meant.
    """

    crossing_direction: NDArray[np.float64]
    sheath_angle_deg: float
    entry_angle_deg: float
    turn_angle_deg: float
    arc_turn_deg: float | None
    bend_radius_mm: float | None
    axis_tilt_deg: float | None
    clearance_mm: float | None
    clearance_sd_mm: float | None
    path_lps: NDArray[np.float64] | None
    reachable: bool | None
    limits: tuple[str, ...]
    not_assessed: tuple[str, ...] = ()
    entry_angle_sd_deg: float | None = None
    turn_angle_sd_deg: float | None = None
    arc_turn_sd_deg: float | None = None
    bend_radius_sd_mm: float | None = None
    axis_tilt_sd_deg: float | None = None


def reach(
    target_lps: ArrayLike,
    crossing: ArrayLike,
    septal_normal_lps: ArrayLike,
    annulus: Annulus,
    procedure: Procedure,
    *,
    goal: DevicePoint | None,
    left_atrium: DistanceField | None,
    sheath_angle_deg: float = SHEATH_ANGLE_DEG,
    room: Room | None = None,
    outline_sd_mm: float | None = None,
) -> Reach:
    """One arc from the puncture (3,) along the crossing direction (3,) to the device point, or why there is none.
    What stood in for points not marked is among `not_assessed`.

    Clearance: least distance of the arc, from 3 mm after the septum to the annular plane, to the left atrial
    wall, leaving out the wall within 10 mm of the puncture and the valve's opening; null without a left
    atrium, or where the CT ends nearer than the wall. Its doubt here is the outline's alone: `outline_sd_mm`, or else
    a voxel's uniform error. """
    target = np.asarray(target_lps, dtype=np.float64)
    into_valve = -annulus.normal_lps
    entry = angle_deg(crossing, septal_normal_lps)
    turn = angle_deg(crossing, into_valve)
    limits: list[str] = []
    if procedure.entry_angle.high is not None and entry > procedure.entry_angle.high:
        limits.append(
            f"The sheath meets the septum at {entry:.0f} degrees from its normal, more than the "
            f"{procedure.entry_angle.high:.0f} asked for."
        )
    arc, why = None, ""
    if goal is None:
        why = _no_structure(procedure)
    else:
        try:
            arc = single_arc(target, crossing, goal.point_lps)
        except ValueError:
            why = "No single arc leads from the puncture to the target, which lies straight behind it."
            limits.append(why)
    found = Reach(
        crossing_direction=unit_vector(crossing), sheath_angle_deg=sheath_angle_deg, entry_angle_deg=entry,
        turn_angle_deg=turn, arc_turn_deg=None, bend_radius_mm=None, axis_tilt_deg=None, clearance_mm=None,
        clearance_sd_mm=None, path_lps=None, reachable=None, limits=tuple(limits),
        not_assessed=(why,) if why else (),
    )
    if arc is None or goal is None:
        return found if goal is None else replace(found, reachable=False)

    radius = arc.radius_mm if np.isfinite(arc.radius_mm) else None
    if radius is not None and procedure.bend_radius.low is not None and radius < procedure.bend_radius.low:
        limits.append(
            f"The bend needs a radius of {radius:.0f} mm, tighter than the {procedure.bend_radius.low:g} mm "
            "asked for."
        )
    if arc.turn_deg > 180:
        limits.append(f"The arc would have to turn by {arc.turn_deg:.0f} degrees, more than half a circle.")
    tilt = None
    stood_in = goal.notes
    if procedure.axis_tilt is not None and goal.axis_lps is None:
        stood_in = (*stood_in, goal.no_axis)
    elif procedure.axis_tilt is not None and goal.axis_lps is not None:
        tilt = angle_deg(arc.end_direction_lps, goal.axis_lps)
        if procedure.axis_tilt.high is not None and tilt > procedure.axis_tilt.high:
            limits.append(
                f"One arc ends {tilt:.0f} degrees off the axis of {goal.spoken}, more than the "
                f"{procedure.axis_tilt.high:g} asked for, so that a second bend is needed."
            )
    clearance: float | None = None
    sd: float | None = None
    not_assessed: tuple[str, ...] = ()
    if left_atrium is None:
        not_assessed = ("The clearance to the wall is not assessed, because the left atrium was not found.",)
    else:
        space = room or Room.around(target, annulus, left_atrium)
        clearance = space.clearance_mm(arc.path_lps)
        if clearance is None:
            not_assessed = (
                "The clearance to the wall is not assessed, because no part of the arc lies above the valve.",
            )
        elif space.to_edge_mm(arc.path_lps) < clearance:
            clearance = None
            not_assessed = (
                "The clearance to the wall is not assessed, because the CT ends before the left atrial wall is "
                "reached; a CT with a larger field of view would show it.",
            )
        else:
            voxel_sd = float(spacing_mm(left_atrium.lps_from_index).max() / np.sqrt(12))
            sd = voxel_sd if outline_sd_mm is None else outline_sd_mm
            if clearance <= 0:
                limits.append("The arc leaves the left atrial blood pool.")
    return replace(
        found, arc_turn_deg=arc.turn_deg, bend_radius_mm=radius, axis_tilt_deg=tilt, clearance_mm=clearance,
        clearance_sd_mm=sd, path_lps=arc.path_lps, reachable=not limits, limits=tuple(limits),
        not_assessed=(*not_assessed, *stood_in),
    )


def _no_structure(procedure: Procedure) -> str:
    if procedure.target_structure == "none":
        return f"The way to a target is not assessed, because {procedure.title.lower()} has no single one."
    return f"The way to the target is not assessed, because the landmark {procedure.target_structure} is missing."


def with_doubt(
    found: Reach, target_lps: ArrayLike, cava_axis_lps: ArrayLike, septal_normal_lps: ArrayLike, annulus: Annulus,
    goal: DevicePoint | None, covariance: Array, *, room: Room | None,
) -> Reach:
    """`found` with the standard uncertainty of each angle, the radius and the clearance.

    `covariance` (18, 18) is of caval axis, septal normal, annular normal, target, device point and its axis, in that
    order (millimetres; normals and axis without unit). Without a goal its six rows count for nothing.
    """
    point = np.asarray(target_lps if goal is None else goal.point_lps, dtype=np.float64)
    axis = -annulus.normal_lps if goal is None or goal.axis_lps is None else goal.axis_lps
    start = np.concatenate([
        np.asarray(v, dtype=np.float64)
        for v in (cava_axis_lps, septal_normal_lps, annulus.normal_lps, target_lps, point, axis)
    ])

    def values(x: Array) -> Array:
        cava, normal, valve, target, end, along = np.moveaxis(x.reshape(len(x), 6, 3), 1, 0)
        crossing = crossing_directions(cava, normal, sheath_angle_deg=found.sheath_angle_deg)
        out = np.full((len(x), 6), np.nan)
        out[:, 0], out[:, 1] = angles_deg(crossing, normal), angles_deg(crossing, -valve)
        if found.arc_turn_deg is not None:
            ways = arcs_between(target, crossing, end)
            out[:, 2], out[:, 3] = ways.turn_deg, np.minimum(ways.radius_mm, 1e6)
            out[:, 4] = angles_deg(ways.end_direction_lps, along)
            if room is not None and found.clearance_mm is not None:
                out[:, 5] = room.clearances_mm(*ways.sampled())
        return out

    try:
        entry, turn, arc_turn, radius, tilt, clearance = (
            float(v) if np.isfinite(v) else None for v in propagated_sd_at_once(values, start, covariance)
        )
    except AnatomyNotFound:  # within its doubt the cava runs straight at the septum
        return found
    outline = found.clearance_sd_mm
    return replace(
        found, entry_angle_sd_deg=entry, turn_angle_sd_deg=turn, arc_turn_sd_deg=arc_turn,
        bend_radius_sd_mm=radius if found.bend_radius_mm is not None else None,
        axis_tilt_sd_deg=tilt if found.axis_tilt_deg is not None else None,
        clearance_sd_mm=None if outline is None else float(np.hypot(outline, clearance or 0.0)),
    )
