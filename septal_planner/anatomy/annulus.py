"""Hinge line of an atrioventricular valve: plane, curve, diameters."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from septal_planner.errors import AnatomyNotFound
from septal_planner.geometry import curves, planes
from septal_planner.geometry.frames import unit_vector

Array = NDArray[np.float64]

LEAST_POINTS = 6
CURVE_SAMPLES = 720
EVEN_GAP_RATIO = 1.5
# Lateromedial diameter over intertrigonal distance, 18 healthy adults, 3-D echo: Noack et al. 2019,
# doi 10.1093/ejcts/ezz096.
COMMISSURAL_PER_TRIGONAL = 1.44


@dataclass(frozen=True)
class Annulus:
    """Everything in LPS, mm. `normal_lps` points to the atrium of its side.

    `d_shape_*` are an estimate: nobody marked the trigones, their distance is taken from the intercommissural
    width. """

    points_lps: NDArray[np.float64]               # (n, 3) as marked, in order
    curve_lps: NDArray[np.float64]                # (m, 3) periodic curve, dense, closed (first != last)
    center_lps: NDArray[np.float64]
    normal_lps: NDArray[np.float64]
    area_mm2: float                               # projected on the plane
    perimeter_mm: float                           # in space
    septal_lateral_mm: float
    intercommissural_mm: float
    saddle_height_mm: float
    septal_lateral_axis_lps: NDArray[np.float64]  # unit, in the plane, toward the aorta/septum side
    d_shape_area_mm2: float
    d_shape_perimeter_mm: float


def measure_annulus(
    points_lps: ArrayLike,
    *,
    atrium_point_lps: ArrayLike,
    aorta_point_lps: ArrayLike | None = None,
    septum_point_lps: ArrayLike | None = None,
) -> Annulus:
    """Plane, curve and diameters of a hinge line marked by points (n, 3) in order, n >= 6.

    `atrium_point_lps` (3,) decides the side of the normal; `aorta_point_lps` (or else `septum_point_lps`) the
    sign of the septal-lateral axis, and where two directions are nearly as narrow, which of them is meant.

    Plane and centre: least squared distance and mean of the points where they are spaced evenly (longest gap
    no more than 1.5 times the shortest); otherwise of the curve through them, weighted by length, since
    points crowded on one side of a saddle would tilt the plane. Septal-lateral: smallest caliper width of the
    projected curve; intercommissural: the width perpendicular to it. Saddle height: range of the signed
    distance from the plane. D-shape: the projected curve cut on the aortic side by a chord as long as the
    intertrigonal distance, itself estimated as intercommissural width / 1.44 (Noack et al. 2019, doi
    10.1093/ejcts/ezz096).

    Raises AnatomyNotFound for too few points, points on a line, a curve with next to no area, or an atrium
    point in the plane. """
    points = np.array(points_lps, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 3 or not np.all(np.isfinite(points)):
        raise AnatomyNotFound(
            f"The valve annulus needs points of three finite coordinates each, found an array of shape "
            f"{points.shape}; mark the hinge line again."
        )
    if len(points) < LEAST_POINTS:
        raise AnatomyNotFound(
            f"The valve annulus needs {LEAST_POINTS} or more points in order around the hinge line, found "
            f"{len(points)}; mark more points."
        )
    try:
        spread = planes.fit_plane(points)[2]
        curve = curves.closed_spline(points, samples=CURVE_SAMPLES)
        center, normal = _plane_through(points, even=_evenly_spaced(points))
    except ValueError as problem:
        raise AnatomyNotFound(
            f"The {len(points)} valve annulus points do not go around an opening ({problem}); "
            "mark the hinge line again."
        ) from problem
    if spread[1] < 2.0:
        raise AnatomyNotFound(
            f"The valve annulus points lie within {spread[1]:.1f} mm (root mean square) of one line, not on "
            "a ring; mark the hinge line again."
        )
    side = float((np.asarray(atrium_point_lps, dtype=np.float64) - center) @ normal)
    if abs(side) < 1.0:
        raise AnatomyNotFound(
            f"The point in the atrium lies {abs(side):.1f} mm from the plane of the valve annulus, so the "
            "atrial side cannot be told; mark a point well inside the atrium."
        )
    if side < 0:
        normal = -normal

    u, v = planes.plane_axes(normal)
    frame = np.stack([u, v], axis=1)
    curve_uv = (curve - center) @ frame
    area = abs(curves.signed_area(curve_uv))
    if area < 0.25 * curves.closed_length(curve_uv) ** 2 / (4 * np.pi):
        raise AnatomyNotFound(
            f"The curve through the valve annulus points encloses {area:.0f} mm2, less than a quarter of a "
            "circle of its length, so they are not in order around an opening; mark the hinge line again."
        )
    toward = aorta_point_lps if aorta_point_lps is not None else septum_point_lps
    hint = None if toward is None else (np.asarray(toward, dtype=np.float64) - center) @ frame
    angle = _narrowest(curve_uv, hint)
    axis_uv = np.array([np.cos(angle), np.sin(angle)])
    septal_lateral, intercommissural = (float(w) for w in curves.widths(curve_uv, [angle, angle + np.pi / 2]))
    trigonal = intercommissural / COMMISSURAL_PER_TRIGONAL
    if hint is None:  # the aortic side is the flatter one: a chord of that length cuts off less there
        kept = [abs(curves.signed_area(_d_shape(curve_uv, sign * axis_uv, trigonal))) for sign in (1, -1)]
        axis_uv = axis_uv if kept[0] >= kept[1] else -axis_uv
    elif hint @ axis_uv < 0:
        axis_uv = -axis_uv
    d_shape = _d_shape(curve_uv, axis_uv, trigonal)
    heights = planes.signed_distance(curve, center, normal)
    return Annulus(
        points_lps=points,
        curve_lps=curve,
        center_lps=center,
        normal_lps=normal,
        area_mm2=area,
        perimeter_mm=curves.closed_length(curve),
        septal_lateral_mm=septal_lateral,
        intercommissural_mm=intercommissural,
        saddle_height_mm=float(np.ptp(heights)),
        septal_lateral_axis_lps=unit_vector(axis_uv[0] * u + axis_uv[1] * v),
        d_shape_area_mm2=abs(curves.signed_area(d_shape)),
        d_shape_perimeter_mm=curves.closed_length(d_shape),
    )


def _evenly_spaced(points: Array) -> bool:
    gaps = np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1)
    return bool(gaps.max() <= EVEN_GAP_RATIO * gaps.min())


def _plane_through(points: Array, *, even: bool) -> tuple[Array, Array]:
    """Centre (3,) and unit normal (3,) of the least-squares plane of the points, or by length of the curve
    through them (see measure_annulus). Raises ValueError for points on a line.
    """
    if even:
        center, normal, _ = planes.fit_plane(points)
        return center, normal
    curve = curves.closed_spline(points, samples=180)
    ahead = np.roll(curve, -1, axis=0)
    center, normal, _ = planes.fit_plane((curve + ahead) / 2, weights=np.linalg.norm(ahead - curve, axis=1))
    return center, normal


def _narrowest(curve_uv: Array, hint_uv: Array | None) -> float:
    """Angle of the smallest width; with a hint, the smallest within 60 degrees of it unless that is the
    window's edge.
    """
    whole = np.deg2rad(np.arange(0.0, 180.0, 1.0))
    coarse = float(whole[int(np.argmin(curves.widths(curve_uv, whole)))])
    if hint_uv is not None and np.linalg.norm(hint_uv) > 1.0:
        window = np.arctan2(hint_uv[1], hint_uv[0]) + np.deg2rad(np.arange(-60.0, 61.0, 1.0))
        best = int(np.argmin(curves.widths(curve_uv, window)))
        if 0 < best < len(window) - 1:
            coarse = float(window[best])
    fine = coarse + np.deg2rad(np.linspace(-1.0, 1.0, 41))
    return float(fine[int(np.argmin(curves.widths(curve_uv, fine)))])


def _d_shape(curve_uv: Array, axis_uv: Array, chord_mm: float) -> Array:
    """The curve cut by the outermost chord of that length perpendicular to the axis, on the side the axis
    points to.
    """
    along = curve_uv @ axis_uv
    steps = np.linspace(along.max(), along.min(), 50)[1:-1]
    lengths = np.array([curves.chord_across(curve_uv, axis_uv, float(s)) for s in steps])
    reached = np.flatnonzero(lengths >= chord_mm)
    if len(reached) == 0:
        return curve_uv
    inner = float(steps[reached[0]])
    outer = float(steps[reached[0] - 1]) if reached[0] > 0 else float(along.max()) - 1e-9
    if curves.chord_across(curve_uv, axis_uv, outer) >= chord_mm:
        return curves.cut_by_line(curve_uv, axis_uv, outer)
    offset = brentq(lambda s: curves.chord_across(curve_uv, axis_uv, s) - chord_mm, inner, outer, xtol=1e-9)
    return curves.cut_by_line(curve_uv, axis_uv, float(offset))


def height_mm(annulus: Annulus, points_lps: ArrayLike) -> NDArray[np.float64]:
    """Signed distance (...,) of points (..., 3) from the best-fit annular plane, atrial side positive."""
    return planes.signed_distance(points_lps, annulus.center_lps, annulus.normal_lps)


def height_sd_mm(annulus: Annulus, points_lps: ArrayLike, *, point_sd_mm: float) -> NDArray[np.float64]:
    """One standard deviation (...,) of the height of fixed points (..., 3), when each annulus point is off by
    an independent error of `point_sd_mm` along each axis.

    First-order propagation of `plane_covariance`: the height (p - center) . normal is differentiated by both. The doubt
    therefore grows with the distance from the centre as for any fitted plane (lever arm over spread of the points).
    """
    p = np.asarray(points_lps, dtype=np.float64) - annulus.center_lps
    against_center = np.broadcast_to(-annulus.normal_lps, p.shape)
    g = np.concatenate([against_center, p], axis=-1)
    covariance = plane_covariance(annulus, point_sd_mm=point_sd_mm)
    return np.asarray(np.sqrt(np.einsum("...i,ij,...j->...", g, covariance, g)))


def plane_covariance(annulus: Annulus, *, point_sd_mm: float) -> NDArray[np.float64]:
    """Covariance (6, 6) of center (3, LPS, mm) and unit normal (3), as in `ring_covariance` but without the area, which
    takes nearly all the time."""
    return _ring_covariance(annulus, point_sd_mm=point_sd_mm, with_area=False)


def ring_covariance(annulus: Annulus, *, point_sd_mm: float) -> NDArray[np.float64]:
    """Covariance (7, 7) of center (3, LPS, mm), unit normal (3) and projected area (mm2), when each annulus point is
    off by an independent error of `point_sd_mm` along each axis: every number is differentiated by every coordinate of
    every point through the same fit that made it (first order)."""
    return _ring_covariance(annulus, point_sd_mm=point_sd_mm, with_area=True)


def _ring_covariance(annulus: Annulus, *, point_sd_mm: float, with_area: bool) -> Array:
    marked = annulus.points_lps
    even = _evenly_spaced(marked)
    step = 0.01
    jacobian = np.empty((7 if with_area else 6, marked.size))
    for i in range(marked.size):
        sides = []
        for sign in (1, -1):
            moved = marked.copy()
            moved.flat[i] += sign * step
            center, normal = _plane_through(moved, even=even)
            normal = normal * np.sign(normal @ annulus.normal_lps)
            numbers = [center, normal]
            if with_area:
                curve = curves.closed_spline(moved, samples=180)
                flat = (curve - center) @ np.stack(planes.plane_axes(normal), axis=1)
                numbers.append(np.array([abs(curves.signed_area(flat))]))
            sides.append(np.concatenate(numbers))
        jacobian[:, i] = (sides[0] - sides[1]) / (2 * step)
    return np.asarray(point_sd_mm**2 * jacobian @ jacobian.T)


def septal_lateral_axis_sd_rad(annulus: Annulus, *, point_sd_mm: float) -> float:
    """Standard uncertainty (radians, about the normal) of the septal-lateral axis, when each annulus point is off by an
    independent error of `point_sd_mm` along each axis: by seeded trial (JCGM 101:2008, 7), since the direction of least
    width does not follow such errors evenly. The rounder the ring, the larger."""
    if point_sd_mm <= 0:
        return 0.0
    frame = np.stack(planes.plane_axes(annulus.normal_lps), axis=1)
    marked = (annulus.points_lps - annulus.center_lps) @ frame
    toward = annulus.septal_lateral_axis_lps @ frame
    rng = np.random.default_rng(20081)
    angles = []
    for _ in range(TRIALS):
        curve = curves.closed_spline(marked + rng.normal(0.0, point_sd_mm, marked.shape), samples=180)
        angles.append(_narrowest(curve, 20.0 * toward))
    off = np.array(angles) - np.arctan2(toward[1], toward[0])
    off = (off + np.pi / 2) % np.pi - np.pi / 2  # an axis has no sign
    return float(np.sqrt((off**2).mean()))


MEASURED = (
    "area_mm2", "perimeter_mm", "septal_lateral_mm", "intercommissural_mm", "saddle_height_mm", "d_shape_area_mm2",
    "d_shape_perimeter_mm",
)
TRIALS = 60
PERIMETER_SHIFT_SHARE = 0.95  # a perimeter is shifted far more than it is spread; set on seeded trials


def annulus_sd(annulus: Annulus, *, point_sd_mm: float) -> dict[str, float]:
    """Standard uncertainty of each number of MEASURED, when each annulus point is off by an independent error of
    `point_sd_mm` along each axis.

    By trial (JCGM 101:2008, 7): the points are moved by seeded random errors and measured again. Least widths and
    ranges are not only spread by such errors but shifted (a range grows); the shift is joined to the spread, as far as
    the points are so rough themselves: it grows with the square of the error.
    """
    if point_sd_mm <= 0:
        return dict.fromkeys(MEASURED, 0.0)
    rng = np.random.default_rng(20080)
    atrium = annulus.center_lps + 20.0 * annulus.normal_lps
    toward = annulus.center_lps + 20.0 * annulus.septal_lateral_axis_lps
    # about a ring without the errors that these points bear already, or they would count twice
    calm = _smooth_ring(annulus.points_lps)
    start = measure_annulus(calm, atrium_point_lps=atrium, aorta_point_lps=toward)
    found = []
    for _ in range(TRIALS):
        moved = calm + rng.normal(0.0, point_sd_mm, calm.shape)
        try:
            again = measure_annulus(moved, atrium_point_lps=atrium, aorta_point_lps=toward)
        except AnatomyNotFound:
            continue
        found.append([float(getattr(again, name)) for name in MEASURED])
    if len(found) < TRIALS // 2:
        raise AnatomyNotFound(
            f"The valve annulus points make no ring when they are moved by their own doubt of {point_sd_mm:g} mm; mark "
            "the hinge line again, or state a smaller doubt."
        )
    trials = np.array(found)
    shift = trials.mean(axis=0) - np.array([float(getattr(start, name)) for name in MEASURED])
    shift = shift * min(1.0, (_roughness_mm(annulus.points_lps) / point_sd_mm) ** 2)
    shift[MEASURED.index("perimeter_mm")] *= PERIMETER_SHIFT_SHARE
    return dict(zip(MEASURED, np.hypot(trials.std(axis=0), shift).tolist(), strict=True))


def _smooth_ring(points: Array, waves: int = 2) -> Array:
    """Points (n, 3) around a ring as a few waves have them, two for an ellipse and a saddle."""
    n = len(points)
    turn = 2 * np.pi * np.arange(n)[:, None] / n * np.arange(1, min(waves, (n - 1) // 2) + 1)
    basis = np.concatenate([np.ones((n, 1)), np.cos(turn), np.sin(turn)], axis=1)
    return np.asarray(basis @ np.linalg.lstsq(basis, points, rcond=None)[0])


def _roughness_mm(points: Array) -> float:
    """Error along one axis that points (n, 3) around a ring show themselves: what is left of them beside four waves."""
    waves = min(4, (len(points) - 3) // 2)
    rest = points - _smooth_ring(points, waves)
    return float(np.sqrt((rest**2).sum() / (3 * (len(points) - 1 - 2 * waves))))
