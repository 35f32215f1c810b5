"""Planes: least-squares fit, an in-plane frame, coordinates in it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.geometry.frames import unit_vector

Array = NDArray[np.float64]


def fit_plane(points: ArrayLike, *, weights: ArrayLike | None = None) -> tuple[Array, Array, Array]:
    """Plane of least squared distance to points (n, 3): a point on it (the weighted mean), its unit normal,
    and the root-mean-square spreads (3,) along the principal axes, largest first; the last one is the
    residual.

    The normal is the right singular vector of the smallest singular value; its sign is arbitrary. Raises
    ValueError for fewer than three points or points on one line (second spread below 1e-6 of the first). """
    p = np.asarray(points, dtype=np.float64)
    w = np.ones(len(p)) if weights is None else np.asarray(weights, dtype=np.float64)
    if len(p) < 3:
        raise ValueError(f"a plane needs three or more points, found {len(p)}")
    w = w / w.sum()
    center = w @ p
    _, spread, axes = np.linalg.svd(np.sqrt(w)[:, None] * (p - center), full_matrices=False)
    if not spread[1] > 1e-6 * spread[0]:
        raise ValueError("points on one line fix no plane")
    return np.asarray(center), np.asarray(axes[2]), np.asarray(spread)


def normal_covariance(points: ArrayLike, *, point_sd: float) -> Array:
    """Covariance (3, 3) of the unit normal of `fit_plane` through points (n, 3), n >= 3, evenly weighted, each
    coordinate off by an independent error of `point_sd`: first order, as for a line fitted by least squares. Toward
    each principal axis of the points the normal tips by sd / sqrt(sum of squares along it). Raises ValueError as
    `fit_plane`.
    """
    p = np.asarray(points, dtype=np.float64)
    fit_plane(p)
    _, spread, axes = np.linalg.svd(p - p.mean(axis=0), full_matrices=False)
    tips = (point_sd / spread[:2])[:, None] * axes[:2]
    return np.asarray(tips.T @ tips)


def circle_through(points: ArrayLike) -> tuple[Array, Array, float]:
    """Circle in the plane of least squares of points (n, 3), n >= 3: its centre, unit normal and radius. Algebraic
    least squares (Kasa, IEEE Trans Instrum Meas 1976;25:8, from memory), the circumscribed circle of three points.
    Raises ValueError as `fit_plane`.
    """
    p = np.asarray(points, dtype=np.float64)
    center, normal, _ = fit_plane(p)
    u, v = plane_axes(normal)
    flat = np.stack([(p - center) @ u, (p - center) @ v], axis=1)
    a, b, c = np.linalg.lstsq(np.column_stack([2 * flat, np.ones(len(flat))]), (flat**2).sum(axis=1), rcond=None)[0]
    return np.asarray(center + a * u + b * v), normal, float(np.sqrt(c + a * a + b * b))


def plane_axes(normal: ArrayLike) -> tuple[Array, Array]:
    """Two unit vectors u, v in the plane of a unit normal, u x v = normal."""
    n = unit_vector(normal)
    helper = np.eye(3)[int(np.argmin(np.abs(n)))]
    u = unit_vector(np.cross(helper, n))
    return np.asarray(u), np.asarray(np.cross(n, u))


def signed_distance(points: ArrayLike, point_on_plane: ArrayLike, normal: ArrayLike) -> Array:
    """Distance (...,) of points (..., 3) from a plane, positive on the side of the unit normal."""
    d = np.asarray(points, dtype=np.float64) - np.asarray(point_on_plane, dtype=np.float64)
    return np.asarray(d @ np.asarray(normal, dtype=np.float64))
