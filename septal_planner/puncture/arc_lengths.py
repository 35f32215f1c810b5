"""How far to advance and how wide to bend once the directions are chosen: least squares in closed form.

Once the tangents of a chain are fixed, its tip depends linearly on the length pushed out straight and on the bend
radii. What is left is a least-squares problem in a box of two or three unknowns. Its squared distance is convex with a
continuous slope, so that the least of the pieces' own minima, each clipped into the box, is the answer.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Box = tuple[float, float]


def dot(a: Array, b: Array) -> Array:
    """Scalar products (...,) of vectors (..., 3)."""
    return np.asarray(a[..., 0] * b[..., 0] + a[..., 1] * b[..., 1] + a[..., 2] * b[..., 2])


def _ratio(top: Array, bottom: Array) -> Array:
    return np.asarray(top / np.where(np.abs(bottom) < 1e-12, np.inf, bottom))


def one_bend(
    along: Array, across: Array, aside_sq: Array, sine: Array, rise: Array, advance: Box, radius: Box
) -> tuple[Array, Array, Array]:
    """Advance, radius and squared miss (...,) of one bend.

    The goal lies `along` the first direction, `across` toward the bend and the root of `aside_sq` out of its plane
    (mm, seen from the start, the straight end taken off); per mm of radius the bend gets `sine` along, `rise` across.
    """
    norm = sine * sine + rise * rise
    tries = [
        _ratio(across, rise),
        _ratio((along - advance[0]) * sine + across * rise, norm),
        _ratio((along - advance[1]) * sine + across * rise, norm),
    ]
    best: tuple[Array, Array, Array] | None = None
    for wanted in tries:
        r = np.clip(wanted, *radius)
        out = np.clip(along - r * sine, *advance)
        miss = (along - out - r * sine) ** 2 + (across - r * rise) ** 2 + aside_sq
        if best is None:
            best = out, r, miss
        else:
            better = miss < best[2]
            best = (np.where(better, out, best[0]), np.where(better, r, best[1]), np.where(better, miss, best[2]))
    assert best is not None
    return best


def two_bends(
    way: Array, forward: Array, first: Array, second: Array, advance: Box, radii: tuple[Box, Box]
) -> tuple[Array, Array, Array, Array]:
    """Advance, both radii and squared miss (...,) of two bends.

    `way` (..., 3): start to goal, the straight end taken off; `forward`: unit vector of the straight part; `first`,
    `second`: displacement of each bend per mm of its radius.
    """
    fw, ff, fs = dot(forward, way), dot(forward, first), dot(forward, second)
    a, b, c = dot(first, first), dot(second, second), dot(first, second)
    g, h = dot(first, way), dot(second, way)
    best: list[Array] | None = None

    def consider(r1: Array, r2: Array) -> None:
        nonlocal best
        r1, r2 = np.clip(r1, *radii[0]), np.clip(r2, *radii[1])
        out = np.clip(fw - r1 * ff - r2 * fs, *advance)
        # the squared gap, but for that of the way itself
        miss = out * (out - 2 * fw) + r1 * (r1 * a - 2 * g) + r2 * (r2 * b - 2 * h)
        miss += 2 * (out * (r1 * ff + r2 * fs) + r1 * r2 * c)
        if best is None:
            best = [out, r1, r2, miss]
        else:
            better = miss < best[3]
            best = [np.where(better, new, old) for new, old in zip((out, r1, r2, miss), best, strict=True)]

    # the advance inside its range: project it out; at either end: take it off
    for fixed in (None, *advance):
        if fixed is None:
            aa, bb, cc, gg, hh = a - ff * ff, b - fs * fs, c - ff * fs, g - ff * fw, h - fs * fw
        else:
            aa, bb, cc, gg, hh = a, b, c, g - fixed * ff, h - fixed * fs
        det = aa * bb - cc * cc
        consider(_ratio(gg * bb - hh * cc, det), _ratio(hh * aa - gg * cc, det))
        for r in radii[0]:
            consider(np.full_like(fw, r), _ratio(hh - cc * r, bb))
        for r in radii[1]:
            consider(_ratio(gg - cc * r, aa), np.full_like(fw, r))
    assert best is not None
    out, r1, r2, _ = best
    gap = way - out[..., None] * forward - r1[..., None] * first - r2[..., None] * second
    return out, r1, r2, dot(gap, gap)
