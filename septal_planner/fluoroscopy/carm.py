"""C-arm angles, view directions, edge-on curves and projection: no voxels, no files.

Angles follow DICOM PS3.3 C.8.7.5 (XA Positioner): primary (0018,1510) positive toward LAO, secondary
(0018,1511) positive toward cranial, the primary running as a longitude and the secondary as a latitude of the
detector about the patient. A view direction `d_lps` is the unit vector from isocentre to detector. All of it
holds for a patient lying supine in the scanner and at the table alike. """

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.geometry.frames import unit_vector

Array = NDArray[np.float64]

# |primary|, |secondary| a C-arm reaches with a patient on the table; from memory, common practice, no source
PRACTICAL_LIMITS_DEG = (60.0, 40.0)
_AP_LPS = np.array([0.0, -1.0, 0.0])


@dataclass(frozen=True)
class CArmView:
    """One C-arm position; `label` is rounded to whole degrees, `reachable` is within the limits it was made
    with.
    """

    primary_deg: float    # LAO positive
    secondary_deg: float  # cranial positive
    label: str
    reachable: bool

    def __post_init__(self) -> None:
        if not (-180 <= self.primary_deg <= 180 and -90 <= self.secondary_deg <= 90):
            raise ValueError(
                f"C-arm angles lie within 180 and 90 degrees either way, found {self.primary_deg:.1f} and "
                f"{self.secondary_deg:.1f}"
            )


def vectors_from_angles(primary_deg: ArrayLike, secondary_deg: ArrayLike) -> Array:
    """Unit view directions (..., 3), isocentre to detector, LPS, of primary and secondary angles (...) in
    degrees.
    """
    a, b = np.broadcast_arrays(np.deg2rad(primary_deg), np.deg2rad(secondary_deg))
    return np.asarray(np.stack([np.sin(a) * np.cos(b), -np.cos(a) * np.cos(b), np.sin(b)], axis=-1))


def angles_from_vector(direction_lps: ArrayLike) -> tuple[float, float]:
    """Primary and secondary angle (degrees) of a direction (3,) of any length; primary 0 straight from head
    or feet. Raises ValueError for a vector of length zero.
    """
    d = unit_vector(direction_lps)
    across = float(np.hypot(d[0], d[1]))
    primary = float(np.degrees(np.arctan2(d[0], -d[1]))) if across > 1e-12 else 0.0
    return primary, float(np.degrees(np.arctan2(d[2], across)))


def image_axes(primary_deg: float, secondary_deg: float) -> tuple[Array, Array]:
    """Unit vectors of the picture in LPS: u to the viewer's right (patient's left in AP), v up (head); u x v
    = d.
    """
    a, b = np.deg2rad(primary_deg), np.deg2rad(secondary_deg)
    u = np.array([np.cos(a), np.sin(a), 0.0])
    v = np.array([-np.sin(a) * np.sin(b), np.cos(a) * np.sin(b), np.cos(b)])
    return u, v


def label(primary_deg: float, secondary_deg: float) -> str:
    """The trade's label, whole degrees: `RAO 33 CAU 12`, `LAO 30`, `AP CRA 20`, `AP`."""
    primary, secondary = round(primary_deg), round(secondary_deg)
    parts = ["AP" if primary == 0 else f"{'LAO' if primary > 0 else 'RAO'} {abs(primary)}"]
    if secondary != 0:
        parts.append(f"{'CRA' if secondary > 0 else 'CAU'} {abs(secondary)}")
    return " ".join(parts)


def view(
    primary_deg: float, secondary_deg: float, *, limits_deg: tuple[float, float] = PRACTICAL_LIMITS_DEG
) -> CArmView:
    """The view at these angles, checked against the C-arm's limits (|primary|, |secondary|)."""
    reachable = abs(primary_deg) <= limits_deg[0] + 1e-9 and abs(secondary_deg) <= limits_deg[1] + 1e-9
    return CArmView(float(primary_deg), float(secondary_deg), label(primary_deg, secondary_deg), reachable)


def en_face_view(
    normal_lps: ArrayLike, *, limits_deg: tuple[float, float] = PRACTICAL_LIMITS_DEG
) -> CArmView:
    """The view along a plane's normal (3,): of its two ends the one in front of the patient (detector nearer
    to AP).
    """
    d = unit_vector(normal_lps)
    if d @ _AP_LPS < 0:
        d = -d
    return view(*angles_from_vector(d), limits_deg=limits_deg)


def edge_on_secondary_deg(normal_lps: ArrayLike, primary_deg: ArrayLike) -> Array:
    """Edge-on curve of the plane with normal (3,): the secondary angle (...) that, with each primary angle
    (...), sees the plane as a line: tan b = (n_y cos a - n_x sin a) / n_z, from d . n = 0.

    Where n_z = 0 the curve is two vertical lines and the answer is +-90 (nan where every secondary angle will
    do). """
    n = unit_vector(normal_lps)
    a = np.deg2rad(np.asarray(primary_deg, dtype=np.float64))
    top = n[1] * np.cos(a) - n[0] * np.sin(a)
    sign = 1.0 if n[2] >= 0 else -1.0
    b = np.degrees(np.arctan2(sign * top, abs(n[2])))
    return np.asarray(np.where(np.hypot(top, n[2]) < 1e-15, np.nan, b))


def edge_on_nearest_ap(
    normal_lps: ArrayLike, *, limits_deg: tuple[float, float] = PRACTICAL_LIMITS_DEG
) -> CArmView:
    """The view that sees the plane with normal (3,) as a line and lies at the smallest angle from straight
    anterior-posterior within the limits; where the edge-on curve misses the limits, the nearest without them,
    marked as not reachable.

    Closed form: the AP direction laid into the plane is the nearest of all. Along the curve the angle from AP
    only grows to either side of it, so within limits the answer is that or a crossing of the curve with a
    limit. """
    n = unit_vector(normal_lps)
    flat = _AP_LPS - (_AP_LPS @ n) * n
    if np.linalg.norm(flat) < 1e-9:  # the plane faces AP: every edge-on view is a right angle away
        best = view(90.0, 0.0, limits_deg=limits_deg)
    else:
        best = view(*angles_from_vector(flat), limits_deg=limits_deg)
    if best.reachable:
        return best
    candidates: list[tuple[float, float]] = []
    for primary in (-limits_deg[0], limits_deg[0]):
        secondary = float(edge_on_secondary_deg(n, primary))
        if np.isfinite(secondary):
            candidates.append((primary, secondary))
    for secondary in (-limits_deg[1], limits_deg[1]):
        # n_y cos a - n_x sin a = n_z tan b, as R cos(a + phase)
        size, phase = float(np.hypot(n[0], n[1])), float(np.arctan2(n[0], n[1]))
        wanted = n[2] * np.tan(np.deg2rad(secondary))
        if size > 1e-12 and abs(wanted) <= size:
            for sign in (1, -1):
                a = np.degrees(sign * np.arccos(wanted / size) - phase)
                candidates.append((float((a + 180) % 360 - 180), secondary))
    within = [c for c in candidates if view(*c, limits_deg=limits_deg).reachable]
    if not within:
        return best
    return view(*max(within, key=lambda c: float(vectors_from_angles(*c) @ _AP_LPS)), limits_deg=limits_deg)


def profile_view(
    normal_lps: ArrayLike, *, limits_deg: tuple[float, float] = PRACTICAL_LIMITS_DEG
) -> CArmView:
    """The septum in profile: seen edge-on, as near to straight anterior-posterior as the limits allow."""
    return edge_on_nearest_ap(normal_lps, limits_deg=limits_deg)


def project(
    points_lps: ArrayLike,
    *,
    isocenter_lps: ArrayLike,
    primary_deg: float,
    secondary_deg: float,
    source_detector_mm: float,
    source_isocenter_mm: float,
) -> tuple[Array, Array]:
    """Cone-beam projection of points (..., 3): detector positions (..., 2) in mm from the central ray (right,
    up as `image_axes` says) and the depth (...) along the beam from the source. Raises ValueError for points
    not in front of the source. Distances as DICOM (0018,1110) and (0018,1111).
    """
    x = np.asarray(points_lps, dtype=np.float64) - np.asarray(isocenter_lps, dtype=np.float64)
    u, v = image_axes(primary_deg, secondary_deg)
    depth = source_isocenter_mm + x @ vectors_from_angles(primary_deg, secondary_deg)
    if np.any(depth <= 0):
        raise ValueError("a point lies behind the X-ray source")
    uv = source_detector_mm * np.stack([x @ u, x @ v], axis=-1) / depth[..., None]
    return np.asarray(uv), np.asarray(depth)
