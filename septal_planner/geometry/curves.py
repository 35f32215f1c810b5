"""Closed curves: periodic spline through points, length, enclosed area, widths, a piece cut off by a line.

A closed curve is (n, d), in order, first point not repeated. `_uv` names plane coordinates (mm).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline

from septal_planner.geometry.planes import circle_through, plane_axes

Array = NDArray[np.float64]

SPLINE_POINTS = 6


def closed_spline(points: ArrayLike, *, samples: int = 720) -> Array:
    """Points (samples, d) along the periodic cubic spline through closed points (n, d), n >= 3, parametrised
    by chord length, evenly in that parameter. Raises ValueError where neighbours coincide.
    """
    p = np.asarray(points, dtype=np.float64)
    ring = np.vstack([p, p[:1]])
    steps = np.linalg.norm(np.diff(ring, axis=0), axis=1)
    if len(p) < 3 or not np.all(steps > 1e-9):
        raise ValueError("a closed curve needs three or more points, no two neighbours alike")
    s = np.concatenate([[0.0], np.cumsum(steps)])
    spline = CubicSpline(s, ring, bc_type="periodic")
    return np.asarray(spline(np.linspace(0.0, s[-1], samples, endpoint=False)), dtype=np.float64)


def ring_curve(points: ArrayLike, *, samples: int = 180) -> Array:
    """Points (samples, 3) around a ring marked by points (n, 3), n >= 3, in order: the spline through six or more, the
    circle through fewer, which are too few for a spline. Raises ValueError for points on one line.
    """
    p = np.asarray(points, dtype=np.float64)
    if len(p) >= SPLINE_POINTS:
        return closed_spline(p, samples=samples)
    center, normal, radius = circle_through(p)
    u, v = plane_axes(normal)
    turn = np.linspace(0, 2 * np.pi, samples, endpoint=False)[:, None]
    return np.asarray(center + radius * (np.cos(turn) * u + np.sin(turn) * v))


def closed_length(curve: ArrayLike) -> float:
    """Length of a closed polyline (n, d)."""
    c = np.asarray(curve, dtype=np.float64)
    return float(np.linalg.norm(c - np.roll(c, -1, axis=0), axis=1).sum())


def signed_area(curve_uv: ArrayLike) -> float:
    """Area within a closed polyline (n, 2), positive where it runs counter-clockwise (shoelace formula)."""
    c = np.asarray(curve_uv, dtype=np.float64)
    d = np.roll(c, -1, axis=0)
    return float(np.sum(c[:, 0] * d[:, 1] - d[:, 0] * c[:, 1]) / 2)


def area_centroid(curve_uv: ArrayLike) -> Array:
    """Centre of mass (2,) of the area within a closed polyline (n, 2). Raises ValueError for no area."""
    c = np.asarray(curve_uv, dtype=np.float64)
    start = c.mean(axis=0)
    c = c - start
    d = np.roll(c, -1, axis=0)
    cross = c[:, 0] * d[:, 1] - d[:, 0] * c[:, 1]
    if abs(cross.sum()) < 1e-12:
        raise ValueError("a curve that encloses no area has no centre of area")
    return np.asarray(start + ((c + d) * cross[:, None]).sum(axis=0) / (3 * cross.sum()), dtype=np.float64)


def widths(curve_uv: ArrayLike, angles_rad: ArrayLike) -> Array:
    """Caliper widths (m,) of a curve (n, 2) along the directions (cos, sin) of the angles (m,)."""
    c = np.asarray(curve_uv, dtype=np.float64)
    a = np.asarray(angles_rad, dtype=np.float64)
    along = c @ np.stack([np.cos(a), np.sin(a)])
    return np.asarray(along.max(axis=0) - along.min(axis=0), dtype=np.float64)


def cut_by_line(curve_uv: ArrayLike, axis_uv: ArrayLike, offset_mm: float) -> Array:
    """The part of a closed polyline (n, 2) with position along the unit axis at most `offset_mm`, closed
    along the cut (Sutherland & Hodgman, doi 10.1145/360767.360802). Empty (0, 2) where nothing is left.
    """
    c = np.asarray(curve_uv, dtype=np.float64)
    beyond = c @ np.asarray(axis_uv, dtype=np.float64) - offset_mm
    kept: list[Array] = []
    for i in range(len(c)):
        j = (i + 1) % len(c)
        if beyond[i] <= 0:
            kept.append(c[i])
        if (beyond[i] <= 0) != (beyond[j] <= 0):
            kept.append(c[i] + (c[j] - c[i]) * beyond[i] / (beyond[i] - beyond[j]))
    return np.array(kept, dtype=np.float64).reshape(-1, 2)


def chord_across(curve_uv: ArrayLike, axis_uv: ArrayLike, offset_mm: float) -> float:
    """Length of the chord of a closed polyline (n, 2) along the line at `offset_mm` on the unit axis, 0 where
    it misses.
    """
    c = np.asarray(curve_uv, dtype=np.float64)
    a = np.asarray(axis_uv, dtype=np.float64)
    beyond = c @ a - offset_mm
    across = c @ np.array([-a[1], a[0]])
    nxt_b, nxt_a = np.roll(beyond, -1), np.roll(across, -1)
    hit = (beyond <= 0) != (nxt_b <= 0)
    if not hit.any():
        return 0.0
    at = across[hit] + (nxt_a - across)[hit] * beyond[hit] / (beyond - nxt_b)[hit]
    return float(at.max() - at.min())


def distance_to_closed(points: ArrayLike, curve: ArrayLike) -> Array:
    """Distance (...,) of points (..., d) to the nearest place on a closed polyline (n, d), between its
    vertices too.
    """
    p = np.asarray(points, dtype=np.float64)
    c = np.asarray(curve, dtype=np.float64)
    step = np.roll(c, -1, axis=0) - c
    square = np.maximum((step**2).sum(axis=1), 1e-30)
    flat = p.reshape(-1, p.shape[-1])
    out = np.empty(len(flat))
    for lo in range(0, len(flat), 1024):  # in pieces, so that the table of all pairs stays small
        way = flat[lo : lo + 1024, None, :] - c
        t = np.clip((way * step).sum(axis=-1) / square, 0, 1)
        out[lo : lo + 1024] = np.linalg.norm(way - t[..., None] * step, axis=-1).min(axis=1)
    return out.reshape(p.shape[:-1])


def inside_closed(points_uv: ArrayLike, curve_uv: ArrayLike) -> NDArray[np.bool_]:
    """Whether points (..., 2) lie within a closed polyline (n, 2), by the even-odd rule."""
    p = np.asarray(points_uv, dtype=np.float64)
    c = np.asarray(curve_uv, dtype=np.float64)
    nxt = np.roll(c, -1, axis=0)
    flat = p.reshape(-1, 2)
    inside = np.zeros(len(flat), dtype=np.bool_)
    for (ax, ay), (bx, by) in zip(c, nxt, strict=True):
        if ay == by:
            continue
        spans = (ay > flat[:, 1]) != (by > flat[:, 1])
        inside ^= spans & (flat[:, 0] < ax + (bx - ax) * (flat[:, 1] - ay) / (by - ay))
    return inside.reshape(p.shape[:-1])
