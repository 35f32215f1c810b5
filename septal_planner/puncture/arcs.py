"""Many single arcs at once, in closed form: the arc that leaves a point along a direction and ends at another point.

Form of an arc as in Webster & Jones, Int J Robot Res 2010;29:1661-83, doi 10.1177/0278364910368147.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.geometry.frames import unit_vector

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Arcs:
    """n arcs in LPS, mm: `radius_mm` infinite where straight, `turn_deg` up to 360; all nan where no arc leads to the
    end, which is the start or lies straight behind it.
    """

    start_lps: NDArray[np.float64]          # (n, 3)
    forward_lps: NDArray[np.float64]        # (n, 3) unit, at the start
    side_lps: NDArray[np.float64]           # (n, 3) unit, toward which the arc bends; zero where straight
    curvature_per_mm: NDArray[np.float64]   # (n,)
    length_mm: NDArray[np.float64]          # (n,)
    end_direction_lps: NDArray[np.float64]  # (n, 3) unit

    @property
    def radius_mm(self) -> Array:
        bent = ~(self.curvature_per_mm <= 1e-9)  # nan stays nan
        return np.asarray(np.where(bent, 1 / np.where(bent, self.curvature_per_mm, 1.0), np.inf))

    @property
    def turn_deg(self) -> Array:
        return np.asarray(np.degrees(self.curvature_per_mm * self.length_mm))

    def sampled(self, *, step_mm: float = 0.5) -> tuple[Array, NDArray[np.intp]]:
        """Points (m, 3) of all arcs, one after another, each from start to end at most `step_mm` apart, and where each
        begins (n + 1,). An arc that is nan has two points, both nan.
        """
        count = np.maximum(2, np.ceil(np.nan_to_num(self.length_mm) / step_mm) + 1).astype(np.intp)
        begin = np.concatenate([[0], np.cumsum(count)])
        of = np.repeat(np.arange(len(count)), count)
        share = (np.arange(begin[-1]) - begin[of]) / (count[of] - 1)
        s = share * self.length_mm[of]
        theta = self.curvature_per_mm[of] * s
        # r (1 - cos) and r sin, written so that the straight arc is not a case of its own
        out = s * np.sinc(theta / (2 * np.pi)) * np.sin(theta / 2)
        along = s * np.sinc(theta / np.pi)
        points = self.start_lps[of] + out[:, None] * self.side_lps[of] + along[:, None] * self.forward_lps[of]
        return np.asarray(points), begin


def arcs_between(start_lps: ArrayLike, direction_lps: ArrayLike, end_lps: ArrayLike) -> Arcs:
    """The arcs from points (n, 3) or (3,) along directions (n, 3) or (3,) to points (n, 3) or (3,)."""
    start, direction, end = np.broadcast_arrays(
        *(np.atleast_2d(np.asarray(a, dtype=np.float64)) for a in (start_lps, direction_lps, end_lps))
    )
    forward = unit_vector(direction)
    chord = end - start
    z = np.einsum("ij,ij->i", chord, forward)
    across = chord - z[:, None] * forward
    x = np.linalg.norm(across, axis=1)
    bent = x > 1e-12
    side = across / np.where(bent, x, 1.0)[:, None] * bent[:, None]
    square = x**2 + z**2
    curvature = np.where(bent, 2 * x / np.where(bent, square, 1.0), 0.0)
    theta = 2 * np.arctan2(x, z)  # the turn is twice the angle of the chord
    length = np.where(bent, theta / np.where(bent, curvature, 1.0), z)
    none = ~bent & (z <= 0)
    curvature, length = np.where(none, np.nan, curvature), np.where(none, np.nan, length)
    theta = np.where(bent, theta, 0.0)
    tangent = unit_vector(np.sin(theta)[:, None] * side + np.cos(theta)[:, None] * forward)
    return Arcs(start, forward, side, curvature, length, np.where(none[:, None], np.nan, tangent))


def angles_deg(a: ArrayLike, b: ArrayLike) -> Array:
    """Angles (...,) in degrees between vectors (..., 3), exact for small ones too."""
    u, v = np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64)
    u, v = u / np.linalg.norm(u, axis=-1, keepdims=True), v / np.linalg.norm(v, axis=-1, keepdims=True)
    return np.asarray(np.degrees(np.arctan2(np.linalg.norm(np.cross(u, v), axis=-1), np.sum(u * v, axis=-1))))
