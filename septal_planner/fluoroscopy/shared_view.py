"""One C-arm position for two valves: the view that sees two planes as lines, or comes nearest to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.fluoroscopy.carm import (
    PRACTICAL_LIMITS_DEG,
    CArmView,
    angles_from_vector,
    vectors_from_angles,
    view,
)
from septal_planner.geometry.frames import unit_vector

Array = NDArray[np.float64]

SAME_PLANE = np.sin(np.deg2rad(0.5))  # planes nearer to parallel than this share all their edge-on views
STEP_DEG = 1.0


@dataclass(frozen=True)
class SharedView:
    """The position that serves both planes best: `off_deg`, how far each is from edge-on (0 seen as a line), first and
    second. `exact`: both are seen edge-on within the C-arm's limits."""

    view: CArmView
    off_deg: tuple[float, float]
    exact: bool


def shared_edge_on_view(
    first_normal_lps: ArrayLike, second_normal_lps: ArrayLike, *,
    limits_deg: tuple[float, float] = PRACTICAL_LIMITS_DEG,
) -> SharedView:
    """The C-arm position whose worse angle off edge-on of two planes (unit normals (3,)) is least, within the limits.

    Both are lines along the cross product of their normals, from either side; where that lies beyond the limits, the
    least of a grid over the reachable angles, refined. Equally good positions: the one nearest to straight AP."""
    a, b = unit_vector(first_normal_lps), unit_vector(second_normal_lps)
    across = np.cross(a, b)
    if np.linalg.norm(across) > SAME_PLANE:
        both = [view(*angles_from_vector(sign * across), limits_deg=limits_deg) for sign in (1.0, -1.0)]
        reached = [v for v in both if v.reachable]
        if reached:
            best = min(reached, key=lambda v: abs(v.primary_deg) + abs(v.secondary_deg))
            return SharedView(best, _off(a, b, best.primary_deg, best.secondary_deg), True)
    low, high = -np.array(limits_deg), np.array(limits_deg)
    center, width, step = np.zeros(2), np.array(limits_deg), STEP_DEG
    for _ in range(4):  # to a hundredth of a degree and finer
        axes = [
            np.clip(np.arange(c - w, c + w + step / 2, step), lo, hi)
            for c, w, lo, hi in zip(center, width, low, high, strict=True)
        ]
        primary, secondary = np.meshgrid(*axes, indexing="ij")
        d = vectors_from_angles(primary, secondary)
        worst = np.degrees(np.arcsin(np.clip(np.maximum(np.abs(d @ a), np.abs(d @ b)), 0.0, 1.0)))
        ease = 1e-4 * (np.abs(primary) + np.abs(secondary))
        at = np.unravel_index(int(np.argmin(worst + ease)), worst.shape)
        center = np.array([primary[at], secondary[at]])
        width, step = np.full(2, 1.5 * step), step / 8
    found = view(float(center[0]), float(center[1]), limits_deg=limits_deg)
    return SharedView(found, _off(a, b, found.primary_deg, found.secondary_deg), False)


def _off(a: Array, b: Array, primary_deg: float, secondary_deg: float) -> tuple[float, float]:
    d = vectors_from_angles(primary_deg, secondary_deg)
    first, second = (float(np.degrees(np.arcsin(min(abs(float(d @ n)), 1.0)))) for n in (a, b))
    return first, second
