"""Where one blood pool ends and the next begins although no wall stands between them: valve rings and cavae."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import label

from septal_planner.geometry.frames import unit_vector

Array = NDArray[np.float64]


@dataclass(frozen=True)
class RingGate:
    """The surface spanned by a valve's hinge line, as a height over its plane.

    height(theta, rho) = height of the ring at theta * (rho / ring radius)^2: exact for a ring whose saddle goes with
    the cosine of twice the angle, since rho^2 cos 2theta is harmonic (a soap film of small slope).
    """

    center_lps: Array
    normal_lps: Array                             # toward the atrium
    axis_1_lps: Array
    axis_2_lps: Array
    angle: Array                                  # (m,) rising, of the ring points in the plane
    ring_radius_mm: Array
    ring_height_mm: Array

    @classmethod
    def from_curve(cls, curve_lps: ArrayLike, center_lps: Array, normal_lps: Array) -> RingGate:
        """Gate of a closed curve (m, 3) around `center_lps` in the plane of `normal_lps`."""
        normal = unit_vector(normal_lps)
        first = unit_vector(np.cross(normal, np.eye(3)[int(np.argmin(np.abs(normal)))]))
        second = np.cross(normal, first)
        d = np.asarray(curve_lps, dtype=np.float64) - center_lps
        x, y = d @ first, d @ second
        angle = np.arctan2(y, x)
        order = np.argsort(angle)
        return cls(center_lps, normal, first, second, angle[order], np.hypot(x, y)[order], (d @ normal)[order])

    def position(self, points_lps: ArrayLike) -> tuple[Array, Array]:
        """Height above the gate (mm, atrial side positive) and fraction of the ring's radius, of points (..., 3)."""
        d = np.asarray(points_lps, dtype=np.float64) - self.center_lps
        x, y = d @ self.axis_1_lps, d @ self.axis_2_lps
        angle = np.arctan2(y, x)
        ring = np.interp(angle, self.angle, self.ring_radius_mm, period=2 * np.pi)
        rise = np.interp(angle, self.angle, self.ring_height_mm, period=2 * np.pi)
        fraction = np.hypot(x, y) / ring
        return d @ self.normal_lps - rise * np.minimum(fraction, 1.2) ** 2, fraction

    def beyond(self, points_lps: ArrayLike, *, grow: float = 1.08) -> NDArray[np.bool_]:
        """True for points (..., 3) on the ventricular side within the (slightly grown) ring."""
        height, fraction = self.position(points_lps)
        return (height < 0) & (fraction < grow)


@dataclass(frozen=True)
class PlaneGate:
    """A flat gate: points on the far side of the plane and within `reach_mm` of its centre lie beyond it."""

    center_lps: Array
    normal_lps: Array                             # toward the chamber that ends here
    reach_mm: float

    def beyond(self, points_lps: ArrayLike) -> NDArray[np.bool_]:
        """True for points (..., 3) beyond the gate."""
        d = np.asarray(points_lps, dtype=np.float64) - self.center_lps
        along = d @ self.normal_lps
        across = np.linalg.norm(d - along[..., None] * self.normal_lps, axis=-1)
        return np.asarray((along < 0) & (across < self.reach_mm))


def narrowest_plane(
    is_blood: NDArray[np.bool_], lps_from_index: Array, hinge_lps: Array, prior_normal_lps: Array, inward_lps: Array,
    atrial_points_lps: Array,
) -> PlaneGate:
    """Gate between right atrium and ventricle where no tricuspid points were marked: the narrowest blood cross-section.

    Planes through points 2, 5 and 8 mm apical of the septal mitral hinge (the tricuspid septal leaflet hinges a few
    millimetres toward the apex of the mitral one: common practice, no source), tilted up to 40 degrees about the mitral
    normal; among them the one whose connected blood area within 40 mm is smallest, larger tilts paying.
    `inward_lps` points from the hinge into the right heart; every one of `atrial_points_lps` (n, 3) stays at least
    12 mm on the atrial side (a valve does not pass through the middle of its atrium).
    """
    prior = unit_vector(prior_normal_lps)
    inward = unit_vector(inward_lps - (inward_lps @ prior) * prior)
    side = np.cross(prior, inward)
    inverse = np.linalg.inv(lps_from_index)
    u = np.arange(-6.0, 58.0, 1.5)
    v = np.arange(-40.0, 40.5, 1.5)
    uu, vv = np.meshgrid(u, v)
    anchor = (np.argmin(np.abs(v)), np.argmin(np.abs(u - 12.0)))
    best: tuple[float, PlaneGate] | None = None
    for offset in (2.0, 5.0, 8.0):
        origin = hinge_lps - offset * prior
        for tilt_in in np.radians(np.arange(-40, 41, 8)):
            for tilt_side in np.radians(np.arange(-40, 41, 8)):
                normal = unit_vector(prior + np.tan(tilt_in) * inward + np.tan(tilt_side) * side)
                if ((atrial_points_lps - origin) @ normal).min() < 12.0:
                    continue
                e_u = unit_vector(inward - (inward @ normal) * normal)
                e_v = np.cross(normal, e_u)
                points = origin + uu[..., None] * e_u + vv[..., None] * e_v
                index = np.rint(points @ inverse[:3, :3].T + inverse[:3, 3]).astype(int)
                top = np.array(is_blood.shape[::-1]) - 1
                inside = np.all((index >= 0) & (index <= top), axis=-1)
                index = np.clip(index, 0, top)
                section = is_blood[index[..., 2], index[..., 1], index[..., 0]] & inside
                regions, _ = label(section)
                near = regions[max(anchor[0] - 4, 0) : anchor[0] + 5, max(anchor[1] - 4, 0) : anchor[1] + 5]
                ids = np.unique(near[near > 0])
                if not ids.size:
                    continue
                found = np.isin(regions, ids)
                area = float(found.sum()) * 1.5 * 1.5
                if area < 300:  # smaller than any adult tricuspid orifice: a streak, not the valve
                    continue
                tilt = np.arccos(np.clip(normal @ prior, -1, 1))
                cost = area * (1 + (tilt / np.radians(50)) ** 2)
                if best is None or cost < best[0]:
                    center = points[found].mean(axis=0)
                    best = (cost, PlaneGate(center, normal, 45.0))
    if best is None:
        return PlaneGate(hinge_lps - 5.0 * prior + 18.0 * inward, prior, 45.0)
    return best[1]
