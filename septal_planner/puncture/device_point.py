"""Where the device is to be, and along which direction the catheter's tip should end there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.anatomy.annulus import Annulus, septal_lateral_axis_sd_rad
from septal_planner.geometry import planes
from septal_planner.geometry.frames import unit_vector
from septal_planner.puncture.procedures import Procedure

Array = NDArray[np.float64]

LEAST_APART_MM = 2.0   # between two marks that are to give a direction
OSTIUM_WIDTH_MM = 2.0  # root-mean-square spread across a ring of marks; less is a line
HALF_WAY_ROUND_DEG = 190.0  # between neighbours around an ostium: a circle through marks of one half is a guess
HOLE_MM = 10.0         # the wall so near a leak, or a mouth of unknown width, is no obstacle: as at the puncture
MOUTH_EDGE_MM = 2.0    # beyond the marks around a mouth: an atrium's outline is cut there by half a voxel or more
OFF_PLANE_MM = 1.0     # nearer to the ostium's plane the left atrium's point does not tell its side


@dataclass(frozen=True, eq=False)
class DevicePoint:
    """LPS, mm. `axis_lps` (3,) unit: along it the tip should end; None where not assessed, `no_axis` says why.
    `spoken`: what the axis is that of. `notes`: what stood in for points that were not marked, a sentence each. Within
    `opening_mm` of the point the way leads into an opening, so that the wall about it is no obstacle: nought where the
    valve's own is all there is.

    Doubt of point and axis, one after another: `by_plane` (6, 6) times the error of the annulus' center and normal, and
    independent of it an error of covariance `own_covariance` (6, 6).
    """

    point_lps: NDArray[np.float64]
    axis_lps: NDArray[np.float64] | None
    by_plane: NDArray[np.float64]
    own_covariance: NDArray[np.float64]
    spoken: str = "the valve"
    no_axis: str = ""
    notes: tuple[str, ...] = field(default=())
    opening_mm: float = 0.0


def device_point_of(
    procedure: Procedure, annulus: Annulus, landmarks_lps: Mapping[str, ArrayLike], *, landmark_sd_mm: float = 1.0
) -> DevicePoint | None:
    """The device point of a procedure, None where it has none or its landmark is missing.

    - mitral_annulus: the middle of the annulus, along the annular normal into the ventricle.
    - coaptation: on the line along which the leaflets meet, `coaptation_share` of the way from the medial to the
      lateral commissure (see `commissures`); straight between them in projection, and bent to pass through the mean of
      `leaflet_coaptation` where that was marked; along the annular normal.
    - leak: of two points the first, its mouth in the atrium, along the way to the second. Of one, or more than two, the
      mean, the annular normal standing in for the axis.
    - left_atrial_appendage: of three points or more around the ostium its middle (of the circle of least squares in the
      plane of least squares), along the plane's normal away from the left atrium's point. Of fewer the mean, without an
      axis.
    """
    marks = {name: np.asarray(p, dtype=np.float64).reshape(-1, 3) for name, p in landmarks_lps.items()}
    wanted = procedure.target_structure
    if wanted == "mitral_annulus":
        return valve_middle(annulus)
    if wanted == "coaptation" and procedure.coaptation_share is not None:
        return _on_coaptation(annulus, marks, procedure.coaptation_share, landmark_sd_mm)
    if wanted not in marks:
        return None
    if wanted == "leak":
        return _leak(annulus, marks["leak"], landmark_sd_mm)
    return _ostium(marks[wanted], marks.get("left_atrium"), landmark_sd_mm)


def why_no_device_point(procedure: Procedure) -> str:
    """Why `device_point_of` has none for a procedure, a sentence."""
    if procedure.target_structure == "none":
        return f"{procedure.title} has no single target."
    return f"The landmark {procedure.target_structure} is missing."


def valve_middle(annulus: Annulus) -> DevicePoint:
    """The middle of an annulus, along its normal reversed."""
    return DevicePoint(
        annulus.center_lps, -annulus.normal_lps, np.diag([1.0, 1, 1, -1, -1, -1]), np.zeros((6, 6)),
    )


def commissures(
    annulus: Annulus, landmarks_lps: Mapping[str, ArrayLike]
) -> tuple[Array, Array, tuple[str, ...]]:
    """Medial and lateral commissure (3,) of a mitral annulus, and what was assumed.

    As marked (`commissure_medial`, `commissure_lateral`). One that was not is put where the line from the other through
    the middle of the annulus meets the hinge line again; where neither was, both where the intercommissural axis
    through the middle (square to the septal-lateral axis) meets it. Seen from the atrium, aorta up, medial is at the
    right (the surgeon's view; common practice, no source).
    """
    marks = {n: np.asarray(p, dtype=np.float64).reshape(-1, 3).mean(axis=0) for n, p in landmarks_lps.items()}
    medial, lateral = marks.get("commissure_medial"), marks.get("commissure_lateral")
    if medial is not None and lateral is not None:
        return medial, lateral, ()
    across = np.cross(annulus.septal_lateral_axis_lps, annulus.normal_lps)  # toward medial
    if medial is None and lateral is None:
        return _hinge_along(annulus, across), _hinge_along(annulus, -across), (
            "The commissures were not marked: they are taken to lie where the annulus is widest, square to its "
            "septal-lateral diameter.",
        )
    which = "medial" if medial is None else "lateral"
    said = (
        f"The {which} commissure was not marked: it is taken to lie across the middle of the annulus from the other.",
    )
    if lateral is not None:
        return _hinge_along(annulus, annulus.center_lps - lateral), lateral, said
    assert medial is not None
    return medial, _hinge_along(annulus, annulus.center_lps - medial), said


def _hinge_along(annulus: Annulus, direction: Array) -> Array:
    """Where the hinge line (3,) is met from the middle along a direction (3,), seen along the annular normal."""
    n = annulus.normal_lps
    ahead = unit_vector(direction - (direction @ n) * n)
    aside = np.cross(n, ahead)
    curve = annulus.curve_lps - annulus.center_lps
    after = np.roll(curve, -1, axis=0)
    d, e = curve @ aside, after @ aside
    share = np.divide(d, d - e, out=np.zeros_like(d), where=np.abs(d - e) > 1e-12)
    at = curve + share[:, None] * (after - curve)
    meets = (d * e <= 0) & (np.abs(d - e) > 1e-12) & (at @ ahead > 0)
    if not meets.any():  # the middle lies outside the ring: no ring at all, but no reason to fall here
        return np.asarray(annulus.center_lps + curve[int(np.argmax(curve @ ahead))])
    found = at[meets]
    return np.asarray(annulus.center_lps + found[int(np.argmax(found @ ahead))])


def _on_coaptation(annulus: Annulus, marks: Mapping[str, Array], share: float, landmark_sd_mm: float) -> DevicePoint:
    medial, lateral, notes = commissures(annulus, marks)
    chord = lateral - medial
    weights = np.array([1 - share, share, 0.0])  # of medial, lateral and the marked coaptation
    middle = np.zeros(3)
    if "leaflet_coaptation" in marks:
        middle = marks["leaflet_coaptation"].mean(axis=0)
        along = float(np.clip((middle - medial) @ chord / (chord @ chord), 0.2, 0.8))
        bend = share * (1 - share) / (along * (1 - along))  # a parabola through the three
        weights += bend * np.array([along - 1, -along, 1.0])
    point = weights @ np.stack([medial, lateral, middle])
    counts = [1.0, 1.0, float(len(marks.get("leaflet_coaptation", [0])))]
    own = np.zeros((6, 6))
    own[:3, :3] = landmark_sd_mm**2 * float((weights**2 / counts).sum()) * np.eye(3)
    marked = [name in marks for name in ("commissure_medial", "commissure_lateral")]
    if not any(marked):  # both turn together with the axis they were taken from
        n, center = annulus.normal_lps, annulus.center_lps
        turn = np.cross(n, weights[0] * (medial - center) + weights[1] * (lateral - center))
        own[:3, :3] += septal_lateral_axis_sd_rad(annulus, point_sd_mm=landmark_sd_mm) ** 2 * np.outer(turn, turn)
    elif not all(marked):  # what one is off by, the other across is off by as well
        own[:3, :3] += landmark_sd_mm**2 * float(weights[marked.index(False)] ** 2) * np.eye(3)
    by_plane = np.zeros((6, 6))
    by_plane[3:, 3:] = -np.eye(3)
    return DevicePoint(point, -annulus.normal_lps, by_plane, own, notes=notes)


def _leak(annulus: Annulus, marked: Array, landmark_sd_mm: float) -> DevicePoint:
    own, by_plane = np.zeros((6, 6)), np.zeros((6, 6))
    length = float(np.linalg.norm(marked[1] - marked[0])) if len(marked) == 2 else 0.0
    if length >= LEAST_APART_MM:
        axis = (marked[1] - marked[0]) / length
        square = (np.eye(3) - np.outer(axis, axis)) / length
        own[:3, :3] = np.eye(3)
        own[:3, 3:] = own[3:, :3] = -square
        own[3:, 3:] = 2 * square @ square
        return DevicePoint(marked[0], axis, by_plane, landmark_sd_mm**2 * own, "the leak", opening_mm=HOLE_MM)
    by_plane[3:, 3:] = -np.eye(3)
    own[:3, :3] = landmark_sd_mm**2 / len(marked) * np.eye(3)
    why = {1: "was marked by one point only", 2: "was marked by two points at one place"}.get(
        len(marked), "was marked by more than two points"
    )
    return DevicePoint(
        marked.mean(axis=0), -annulus.normal_lps, by_plane, own, "the leak",
        notes=(f"The leak {why}, so that the axis of the valve stands in for its own; two points, its mouth in the "
               "atrium and then one through it, give its direction.",), opening_mm=HOLE_MM,
    )


def _ostium(marked: Array, left_atrium: Array | None, landmark_sd_mm: float) -> DevicePoint:
    own, nothing = np.zeros((6, 6)), np.zeros((6, 6))
    own[:3, :3] = landmark_sd_mm**2 / len(marked) * np.eye(3)
    alone = DevicePoint(marked.mean(axis=0), None, nothing, own, "the appendage", opening_mm=HOLE_MM)

    def without_axis(why: str) -> DevicePoint:
        return replace(alone, no_axis=f"The tilt against the axis of the appendage is not assessed: {why}")

    if len(marked) < 3:
        return without_axis("its ostium was marked by fewer than three points; mark three or more around it.")
    try:
        width = float(planes.fit_plane(marked)[2][1])
    except ValueError:
        width = 0.0
    if width < OSTIUM_WIDTH_MM:
        return without_axis("the points of its ostium lie on one line; mark them around it.")
    if left_atrium is None:
        return without_axis("without the left_atrium point it is not known which side of the ostium is inside.")
    inside = left_atrium.mean(axis=0)
    round_about = _around(marked)
    point, axis = _ring(marked, inside, round_about)
    if abs(float((inside - point) @ axis)) < OFF_PLANE_MM:
        return without_axis("the left_atrium point lies in the plane of its ostium; mark it well inside the atrium.")
    step = 1e-3
    slopes = np.empty((6, marked.size))
    for i in range(marked.size):
        moved = np.repeat(marked[None], 2, axis=0)
        moved[0].flat[i] += step
        moved[1].flat[i] -= step
        up, down = (np.concatenate(_ring(m, inside, round_about)) for m in moved)
        slopes[:, i] = (up - down) / (2 * step)
    notes = () if round_about else (
        "The points of the appendage's ostium do not go all around it: their mean is taken for its middle.",
    )
    radius = float(np.linalg.norm(marked - point, axis=1).mean())
    return DevicePoint(
        point, axis, nothing, landmark_sd_mm**2 * slopes @ slopes.T, alone.spoken, notes=notes,
        opening_mm=max(radius + MOUTH_EDGE_MM, HOLE_MM),
    )


def _ring(marked: Array, inside: Array, round_about: bool) -> tuple[Array, Array]:
    """Middle and axis (3,), away from the point inside, of marks (n, 3) around an opening."""
    center, normal, _ = planes.fit_plane(marked)
    axis = normal if (center - inside) @ normal >= 0 else -normal
    if not round_about:
        return center, axis
    frame = np.stack(planes.plane_axes(normal), axis=1)
    uv = (marked - center) @ frame
    # the circle of least squares, linear in its middle
    system = np.column_stack([2 * uv, np.ones(len(uv))])
    return center + frame @ np.linalg.lstsq(system, (uv**2).sum(axis=1), rcond=None)[0][:2], axis


def _around(marked: Array) -> bool:
    """Whether marks (n, 3) go all around the middle of the circle through them."""
    middle, normal = _ring(marked, marked.mean(axis=0), True)
    uv = (marked - middle) @ np.stack(planes.plane_axes(normal), axis=1)
    turn = np.sort(np.degrees(np.arctan2(uv[:, 1], uv[:, 0])))
    return bool(np.diff(turn, append=turn[:1] + 360.0).max() <= HALF_WAY_ROUND_DEG)
