"""Which angles show a plane as a line, two planes at once, a plane full face or a path in its length, how sure the
angles are, and what it costs to be off by some degrees. Closed forms wherever there is one.

A view is edge-on where d . n = 0: all such directions d are a great circle, so a curve over the plane of angles; two
planes are edge-on at once along the cross product of their normals. Directions as in `carm`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.fluoroscopy.carm import angles_from_vector, edge_on_nearest_ap, en_face_view, vectors_from_angles
from septal_planner.geometry.frames import unit_vector
from septal_planner.geometry.planes import plane_axes
from septal_planner.geometry.propagation import block_diagonal, propagated_sd

Array = NDArray[np.float64]
Angles = tuple[float, float]
ViewOf = Callable[[Sequence[Array]], Angles | None]

AP_LPS = np.array([0.0, -1.0, 0.0])
PARALLEL = 0.02  # sine between two normals below which they are one plane for an X-ray


def edge_on_directions(normal_lps: ArrayLike, *, samples: int = 361) -> Array:
    """Unit directions (samples, 3) from which the plane with normal (3,) is a line, those with the detector in front
    of the patient: half a great circle, its middle the nearest to straight anterior-posterior.
    """
    n = unit_vector(normal_lps)
    flat = AP_LPS - (AP_LPS @ n) * n
    middle = unit_vector(flat) if np.linalg.norm(flat) > 1e-9 else plane_axes(n)[0]
    turn = np.linspace(-np.pi / 2, np.pi / 2, samples)[:, None]
    return np.asarray(np.cos(turn) * middle + np.sin(turn) * np.cross(n, middle))


def angles_from_vectors(directions_lps: ArrayLike) -> Array:
    """Primary and secondary angles (..., 2) of directions (..., 3) of any length."""
    d = np.asarray(directions_lps, dtype=np.float64)
    across = np.hypot(d[..., 0], d[..., 1])
    primary = np.where(across > 1e-12, np.degrees(np.arctan2(d[..., 0], -d[..., 1])), 0.0)
    return np.asarray(np.stack([primary, np.degrees(np.arctan2(d[..., 2], across))], axis=-1))


def edge_on_curve(normal_lps: ArrayLike, *, samples: int = 361) -> Array:
    """The edge-on curve (samples, 2) of a plane as primary and secondary angle, primary rising; for a plane that holds
    the patient's long axis two upright lines at most, as one goes over the head.
    """
    curve = angles_from_vectors(edge_on_directions(normal_lps, samples=samples))
    return curve[np.argsort(curve[:, 0], kind="stable")]


def off_edge_deg(normal_lps: ArrayLike, primary_deg: ArrayLike, secondary_deg: ArrayLike) -> Array:
    """How far (...) views are from seeing the plane with normal (3,) as a line, degrees, 0 to 90."""
    sine = vectors_from_angles(primary_deg, secondary_deg) @ unit_vector(normal_lps)
    return np.asarray(np.degrees(np.arcsin(np.clip(np.abs(sine), 0, 1))))


def both_edge_on(one_lps: ArrayLike, other_lps: ArrayLike) -> Angles | None:
    """The view, detector in front of the patient, that sees two planes with normals (3,) as lines at once; None where
    they are nearly parallel (then every edge-on view of one is one of the other).
    """
    d = np.cross(unit_vector(one_lps), unit_vector(other_lps))
    if np.linalg.norm(d) < PARALLEL:
        return None
    return angles_from_vector(d if d @ AP_LPS >= 0 else -d)


def en_face(normal_lps: ArrayLike) -> Angles:
    """The view along a plane's normal (3,), detector in front of the patient."""
    found = en_face_view(normal_lps)
    return found.primary_deg, found.secondary_deg


def nearest_edge_on(normal_lps: ArrayLike) -> Angles:
    """The edge-on view of a plane at the least angle from straight anterior-posterior, limits left aside."""
    found = edge_on_nearest_ap(normal_lps, limits_deg=(180.0, 90.0))
    return found.primary_deg, found.secondary_deg


def opening_mm(diameter_mm: float, off_deg: float) -> float:
    """How wide a flat ring of that diameter gapes when seen `off_deg` from edge-on: D sin(off)."""
    return float(diameter_mm * abs(np.sin(np.deg2rad(off_deg))))


# --------------------------------------------------------------------------------------------------------- a path


def seen_share(path_lps: ArrayLike, directions_lps: ArrayLike) -> Array:
    """Share (...,) of the length of an open path (n, 3) that is seen along unit directions (..., 3), parallel rays; 1:
    none of it is foreshortened. Raises ValueError for a path without length.
    """
    steps = np.diff(np.asarray(path_lps, dtype=np.float64), axis=0)
    lengths = np.linalg.norm(steps, axis=1)
    if not lengths.sum() > 1e-9:
        raise ValueError("a path needs a length to be foreshortened")
    along = np.asarray(directions_lps, dtype=np.float64) @ steps.T
    seen = np.sqrt(np.maximum(lengths**2 - along**2, 0.0))
    return np.asarray(seen.sum(axis=-1) / lengths.sum())


def least_foreshortening(path_lps: ArrayLike, reachable: Callable[[float, float], bool]) -> Angles | None:
    """The reachable view that shows most of the length of a path (n, 3); for a path in one plane, where it can be
    reached, the view square to that plane. Of equals the one nearest to straight anterior-posterior. None where
    nothing is reachable. To 0.05 degrees, by a search over every degree and a finer one about the best.
    """
    best: tuple[float, Angles] | None = None
    middle, half, step = (0.0, 0.0), (120.0, 60.0), 1.0
    for _ in range(3):
        primary = np.arange(middle[0] - half[0], middle[0] + half[0] + step / 2, step)
        secondary = np.arange(middle[1] - half[1], middle[1] + half[1] + step / 2, step)
        a, b = (g.ravel() for g in np.meshgrid(primary, np.clip(secondary, -90, 90), indexing="ij"))
        d = vectors_from_angles(a, b)
        worth = seen_share(path_lps, d) - 1e-6 * (1 - d @ AP_LPS)
        for n in np.argsort(-worth, kind="stable"):
            if best is not None and worth[n] <= best[0]:
                break
            if reachable(float(a[n]), float(b[n])):
                best = (float(worth[n]), (float(a[n]), float(b[n])))
                break
        if best is None:
            return None
        middle, half, step = best[1], (2 * step, 2 * step), step / 5
    assert best is not None
    return best[1]


def worst_share(path_lps: ArrayLike, view_deg: Angles, off_deg: float) -> float:
    """Least share of a path (n, 3) that is seen from anywhere `off_deg` away from a view."""
    d = vectors_from_angles(*view_deg)
    u, v = plane_axes(d)
    t = np.linspace(0, 2 * np.pi, 72, endpoint=False)[:, None]
    off = np.deg2rad(off_deg)
    around = np.cos(off) * d + np.sin(off) * (np.cos(t) * u + np.sin(t) * v)
    return float(seen_share(path_lps, around).min())


# ---------------------------------------------------------------------------------------------------------- doubt


def angles_sd_deg(
    view_of: ViewOf, normals_lps: Sequence[ArrayLike], covariances:
    Sequence[ArrayLike] ) -> Angles | None:
    """Standard uncertainties of the primary and secondary angle of a view made from normals (3,), each with its
    covariance (3, 3): first order, `propagated_sd`. None where the view vanishes within the doubt, as two nearly
    parallel planes' crossing does.
    """
    middle = view_of([unit_vector(n) for n in normals_lps])
    if middle is None:
        return None
    middle_lps = vectors_from_angles(*middle)

    def angles(stacked: Array) -> Array:
        found = view_of([unit_vector(n) for n in stacked.reshape(-1, 3)])
        if found is None:
            return np.full(2, np.nan)
        d = vectors_from_angles(*found)
        if d @ middle_lps < 0:  # the other end of the same line of sight
            found = angles_from_vector(-d)
        primary = middle[0] + (found[0] - middle[0] + 180) % 360 - 180
        return np.array([primary, found[1]])

    value = np.concatenate([unit_vector(n) for n in normals_lps])
    sd = propagated_sd(angles, value, block_diagonal(covariances))
    return (float(sd[0]), float(sd[1])) if np.isfinite(sd).all() else None


def tilt_covariance(normal_lps: ArrayLike, sd_deg: float) -> Array:
    """Covariance (3, 3) of a unit normal that may tip by `sd_deg` about each axis of its plane."""
    n = unit_vector(normal_lps)
    return np.asarray(np.deg2rad(sd_deg) ** 2 * (np.eye(3) - np.outer(n, n)))
