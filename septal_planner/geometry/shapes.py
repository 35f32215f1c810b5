"""Plane, closed curve, surface patch, distance field: fit, length, area, signed distance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import map_coordinates

from septal_planner.geometry.frames import apply_affine, unit_vector


@dataclass(frozen=True)
class DistanceField:
    """Signed distance to a surface (mm, negative inside) sampled on a grid: `values_mm` [k, j, i], placed by
    `lps_from_index`.
    """

    values_mm: NDArray[np.float32]
    lps_from_index: NDArray[np.float64]

    def at(self, points_lps: ArrayLike) -> NDArray[np.float64]:
        """Signed distance at points (..., 3), trilinear; beyond the grid the nearest border value plus the
        way there.
        """
        p = np.asarray(points_lps, dtype=np.float64)
        index = apply_affine(np.linalg.inv(self.lps_from_index), p)
        top = np.array(self.values_mm.shape[::-1], dtype=np.float64) - 1
        clamped = np.clip(index, 0, top)
        inside = map_coordinates(
            self.values_mm, clamped.reshape(-1, 3)[:, ::-1].T, order=1, mode="nearest", output=np.float64
        ).reshape(p.shape[:-1])
        way = np.linalg.norm((index - clamped) @ self.lps_from_index[:3, :3].T, axis=-1)
        return np.asarray(inside + way, dtype=np.float64)


@dataclass(frozen=True)
class HeightPatch:
    """A surface as a height over a plane: point(u, v) = origin + u*axis_u + v*axis_v + height(u, v)*axis_w.

    For the septum: axis_u toward anterior, axis_v toward superior, axis_w from the right atrium to the left
    (not necessarily a right-handed triad). `u_mm` (nu,), `v_mm` (nv,) are evenly spaced; `height_mm` is [v,
    u]. """

    origin_lps: NDArray[np.float64]
    axis_u_lps: NDArray[np.float64]
    axis_v_lps: NDArray[np.float64]
    axis_w_lps: NDArray[np.float64]
    u_mm: NDArray[np.float64]
    v_mm: NDArray[np.float64]
    height_mm: NDArray[np.float64]

    def _grid_index(self, u: NDArray[np.float64], v: NDArray[np.float64]) -> NDArray[np.float64]:
        du, dv = self.u_mm[1] - self.u_mm[0], self.v_mm[1] - self.v_mm[0]
        return np.stack([(v - self.v_mm[0]) / dv, (u - self.u_mm[0]) / du])

    def sample(self, values: NDArray[np.float64], u: ArrayLike, v: ArrayLike) -> NDArray[np.float64]:
        """Grid values [v, u] at (u, v), bilinear, nearest beyond the border."""
        uu, vv = np.broadcast_arrays(np.asarray(u, dtype=np.float64), np.asarray(v, dtype=np.float64))
        index = self._grid_index(uu.ravel(), vv.ravel())
        out = map_coordinates(values, index, order=1, mode="nearest", output=np.float64)
        return np.asarray(out, dtype=np.float64).reshape(uu.shape)

    def points_lps(self, u: ArrayLike, v: ArrayLike) -> NDArray[np.float64]:
        """Points (..., 3) on the surface at (u, v)."""
        uu, vv = np.broadcast_arrays(np.asarray(u, dtype=np.float64), np.asarray(v, dtype=np.float64))
        w = self.sample(self.height_mm, uu, vv)
        return np.asarray(
            self.origin_lps + uu[..., None] * self.axis_u_lps + vv[..., None] * self.axis_v_lps
            + w[..., None] * self.axis_w_lps
        )

    def uvw(self, points_lps: ArrayLike) -> NDArray[np.float64]:
        """Plane coordinates and height above the plane (..., 3) of any points; axes are orthonormal."""
        d = np.asarray(points_lps, dtype=np.float64) - self.origin_lps
        return np.asarray(d @ np.stack([self.axis_u_lps, self.axis_v_lps, self.axis_w_lps], axis=1))

    def normals_lps(self, u: ArrayLike, v: ArrayLike) -> NDArray[np.float64]:
        """Unit surface normals (..., 3), on the side of axis_w."""
        dv, du = np.gradient(self.height_mm, self.v_mm, self.u_mm)
        gu = self.sample(np.asarray(du, dtype=np.float64), u, v)
        gv = self.sample(np.asarray(dv, dtype=np.float64), u, v)
        n = self.axis_w_lps - gu[..., None] * self.axis_u_lps - gv[..., None] * self.axis_v_lps
        return unit_vector(n)

    def nearest(self, point_lps: ArrayLike) -> tuple[NDArray[np.float64], float]:
        """Nearest surface point (3,) within the patch and its distance (mm); grid search, then two finer
        ones.
        """
        p = np.asarray(point_lps, dtype=np.float64)
        us, vs = self.u_mm, self.v_mm
        for _ in range(3):
            uu, vv = np.meshgrid(us, vs)
            q = self.points_lps(uu, vv)
            d = np.linalg.norm(q - p, axis=-1)
            b = np.unravel_index(int(np.argmin(d)), d.shape)
            u0, v0 = uu[b], vv[b]
            su, sv = us[1] - us[0], vs[1] - vs[0]
            us = np.clip(np.linspace(u0 - su, u0 + su, 21), self.u_mm[0], self.u_mm[-1])
            vs = np.clip(np.linspace(v0 - sv, v0 + sv, 21), self.v_mm[0], self.v_mm[-1])
        return np.asarray(q[b]), float(d[b])
