"""Signed distances (mm, negative inside) of simple bodies, and how bodies join.

Every function takes the coordinates apart as `x, y, z`, arrays that broadcast against each other, so that a
whole axis-aligned grid needs only three short vectors, and float32 stays float32 (all constants are Python
floats). Zero sets are exact; `sphere` and `round_cone` are exact distances everywhere, `ellipsoid` to first
order near the surface."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
Vector = NDArray[np.float64]


def unit(vector: Sequence[float] | Array) -> Vector:
    """`vector` at length one."""
    v = np.asarray(vector, float)
    return np.asarray(v / np.linalg.norm(v))


def along(x: Array, y: Array, z: Array, origin: Vector, axis: Vector) -> Array:
    """Coordinate of the points along the unit vector `axis`, from `origin`."""
    a, b, c = (float(v) for v in axis)
    shift = float(np.dot(origin, axis))
    return np.asarray(x * a + (y * b + z * c) - shift)


def sphere(x: Array, y: Array, z: Array, center: Vector, radius: float) -> Array:
    """Signed distance to a sphere."""
    a, b, c = (float(v) for v in center)
    return np.asarray(np.sqrt((x - a) ** 2 + ((y - b) ** 2 + (z - c) ** 2)) - float(radius))


def ellipsoid(x: Array, y: Array, z: Array, center: Vector, axes: Array, semi: Sequence[float]) -> Array:
    """Distance to an ellipsoid with unit `axes` (rows) and semi-axes `semi`: exact zero set, first order
    beside it."""
    parts = [along(x, y, z, center, axis) / float(s) for axis, s in zip(axes, semi, strict=True)]
    k0 = parts[0] ** 2 + parts[1] ** 2 + parts[2] ** 2
    k1 = (
        (parts[0] / float(semi[0])) ** 2 + (parts[1] / float(semi[1])) ** 2 + (parts[2] / float(semi[2])) ** 2
    )
    least = float(min(semi))
    root = np.sqrt(k0 + 1e-6)
    return np.asarray(root * (np.sqrt(k0) - 1.0) / np.sqrt(k1 + 1e-6 / least**2))


def round_cone(x: Array, y: Array, z: Array, a: Vector, b: Vector, ra: float, rb: float) -> Array:
    """Exact signed distance to the convex hull of two spheres (center `a` radius `ra`, center `b` radius
    `rb`)."""
    length = float(np.linalg.norm(b - a))
    axis = (b - a) / length
    w = along(x, y, z, a, axis)
    ax, ay, az = (float(v) for v in a)
    square = (x - ax) ** 2 + ((y - ay) ** 2 + (z - az) ** 2)
    r = np.sqrt(np.maximum(square - w * w, 0.0))
    s = (float(ra) - float(rb)) / length
    c = float(np.sqrt(1.0 - s * s))
    k = w * c - r * s
    side = r * c + w * s - float(ra)
    out = np.where(k < 0.0, np.sqrt(square) - float(ra), side)
    return np.asarray(np.where(k > c * length, np.sqrt(r * r + (w - length) ** 2) - float(rb), out))


def tube(x: Array, y: Array, z: Array, path: Array, radii: Sequence[float]) -> Array:
    """Exact outer distance to a chain of round cones through `path` (n, 3) with radius `radii` (n,) at each
    point."""
    out = round_cone(x, y, z, path[0], path[1], radii[0], radii[1])
    for i in range(1, len(path) - 1):
        out = np.minimum(out, round_cone(x, y, z, path[i], path[i + 1], radii[i], radii[i + 1]))
    return out


def smooth_min(a: Array, b: Array, width: float) -> Array:
    """Union with a fillet: the polynomial smooth minimum, equal to the minimum where |a - b| >= `width`."""
    h = np.maximum(float(width) - np.abs(a - b), 0.0)
    return np.asarray(np.minimum(a, b) - h * h * (0.25 / float(width)))


def smooth_max(a: Array, b: Array, width: float) -> Array:
    """Intersection with a rounded edge."""
    return -smooth_min(-a, -b, width)


def smooth_step(t: Array) -> Array:
    """0 below 0, 1 above 1, cubic between, one half at one half."""
    u = np.clip(t, 0.0, 1.0)
    return np.asarray(u * u * (3.0 - 2.0 * u))


def in_box(
    body: Callable[[Array, Array, Array], Array],
    x: Array,
    y: Array,
    z: Array,
    low: Array,
    high: Array,
    far: float,
) -> Array:
    """`body(x, y, z)` where it matters: on an axis-aligned grid it is evaluated only in the box low..high
    grown by `far`, and is `far` elsewhere (a lower bound of the true distance there). Scattered points are
    evaluated in full."""
    shape = np.broadcast_shapes(x.shape, y.shape, z.shape)
    if not (x.ndim == 3 and x.shape[:2] == (1, 1) and y.shape[::2] == (1, 1) and z.shape[1:] == (1, 1)):
        if len(shape) == 3 and any(
            float(c.min()) > hi + far or float(c.max()) < lo - far
            for c, lo, hi in zip((x, y, z), low, high, strict=True)
        ):
            return np.full(shape, far, x.dtype)  # a block of a turned volume that does not reach the box
        return np.asarray(np.minimum(body(x, y, z), far))
    cut = [
        slice(int(np.searchsorted(c.ravel(), lo - far)), int(np.searchsorted(c.ravel(), hi + far)))
        for c, lo, hi in zip((x, y, z), low, high, strict=True)
    ]
    out = np.full(shape, far, x.dtype)
    if all(c.stop > c.start for c in cut):
        part = body(x[:, :, cut[0]], y[:, cut[1], :], z[cut[2], :, :])
        out[cut[2], cut[1], cut[0]] = np.minimum(part, far)
    return out
