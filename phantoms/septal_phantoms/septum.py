"""The atrial septum: a curved mid-surface with a thin membrane inside a thick limbus.

Mid-surface: a sphere (center on the right atrial side, so the septum is gently concave toward the right
atrium), displaced along its radius by a smooth bulge inside the fossa where one is asked for. Chart (u, v):
azimuthal equidistant on the sphere about the fossa center, u superior, v anterior, mm. The membrane's edge
is the ellipse (u/bu)^2 + (v/bv)^2 = 1: the contour on which the wall is half way between membrane floor and
limbus crest. The wall is where the distance to the mid-surface is less than half the thickness at its foot
point."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial import cKDTree

from septal_phantoms.bodies import Array, Vector, smooth_step

TRANSITION_MM = 1.8  # from floor to crest
BULGE_REACH = 1.25  # the bulge fades out at this multiple of the membrane's ellipse, unless told
FAT_EDGE_MM = 1.0  # fat keeps this far outside the membrane's edge
FAT_REACH_MM = 20.0  # and ends this far outside it, where the limbus gives way to groove and valves
NEAR_MM = 12.0  # within this of a bulging surface its nearest point is searched for
CREST_MM = 7.0  # breadth of the limbus plateau before the wall opens into the interatrial groove
GROOVE_SLOPE = 0.5
ANTERIOR_WALL_MM = 4.0


@dataclass(frozen=True)
class Septum:
    """Closed form of the septum (LPS, mm)."""

    center: Vector  # fossa center on the undisplaced sphere
    normal: Vector  # right atrium -> left atrium
    superior: Vector
    anterior: Vector
    radius: float
    bu: float  # semi-axis superior-inferior
    bv: float  # semi-axis anterior-posterior
    floor: float
    crest: float  # mean thickness of the limbus
    crest_swing: float  # thicker above, thinner below, by this much
    bulge: float  # positive toward the left atrium
    bulge_reach: float = BULGE_REACH
    fat_shell: float | None = None  # muscle left on either side of a fat core; None: no fat inside the wall

    @property
    def sphere_center(self) -> Vector:
        return self.center - self.radius * self.normal

    def chart(self, x: Array, y: Array, z: Array) -> tuple[Array, Array, Array]:
        """(u, v, height above the undisplaced sphere), mm."""
        q = self.sphere_center
        dx, dy, dz = x - float(q[0]), y - float(q[1]), z - float(q[2])

        def dot(axis: Vector) -> Array:
            return np.asarray(dx * float(axis[0]) + (dy * float(axis[1]) + dz * float(axis[2])))

        n, s, a = dot(self.normal), dot(self.superior), dot(self.anterior)
        t = np.sqrt(s * s + a * a) + 1e-9
        arc = self.radius * np.arctan2(t, n) / t
        return s * arc, a * arc, np.sqrt(n * n + t * t) - self.radius

    def point(self, u: Array, v: Array) -> Array:
        """(..., 3) mid-surface points at chart coordinates."""
        r = np.hypot(u, v) + 1e-12
        phi = r / self.radius
        direction = np.cos(phi)[..., None] * self.normal + (np.sin(phi) / r)[..., None] * (
            u[..., None] * self.superior + v[..., None] * self.anterior
        )
        height = self.radius + self.rise(u, v)
        return np.asarray(self.sphere_center + height[..., None] * direction)

    def rise(self, u: Array, v: Array) -> Array:
        """Displacement of the mid-surface from the sphere along its radius."""
        square = ((u / self.bu) ** 2 + (v / self.bv) ** 2) / self.bulge_reach**2
        return self.bulge * np.maximum(1.0 - square, 0.0) ** 2

    def thickness_uv(self, u: Array, v: Array) -> Array:
        """Wall thickness at chart coordinates; floor + half the rise exactly on the membrane's ellipse."""
        rho = np.sqrt((u / self.bu) ** 2 + (v / self.bv) ** 2) + 1e-9
        r = np.sqrt(u * u + v * v) + 1e-9
        beyond = (rho - 1.0) * (r / rho)
        crest = self.crest + self.crest_swing * u / r
        wall = self.floor + (crest - self.floor) * smooth_step(beyond / TRANSITION_MM + 0.5)
        # Outside the plateau: behind, the interatrial groove opens; in front, the wall thins toward the
        # valves.
        front = v / r
        wall = wall + (GROOVE_SLOPE / 2) * (1.0 - front) * np.maximum(beyond - CREST_MM, 0.0)
        thinning = smooth_step((beyond - CREST_MM) / 10.0) * np.maximum(front, 0.0)
        return np.asarray(wall - (crest - ANTERIOR_WALL_MM) * thinning)

    def wall(self, x: Array, y: Array, z: Array) -> tuple[Array, Array]:
        """(signed distance to the mid-surface, thickness at the foot point); left atrial side positive."""
        u, v, height = self.chart(x, y, z)
        if self.bulge == 0.0:
            return height, self.thickness_uv(u, v)
        distance = np.array(height - self.rise(u, v))
        near = np.broadcast_to(
            (np.abs(distance) < NEAR_MM) & (((u / self.bu) ** 2 + (v / self.bv) ** 2) < 4.0), distance.shape
        )
        thickness = np.array(self.thickness_uv(u, v))
        if np.any(near):
            p = np.stack([np.broadcast_to(c, distance.shape)[near] for c in (x, y, z)], -1).astype(float)
            foot_u, foot_v, signed = self.foot(p)
            distance[near] = signed
            thickness[near] = self.thickness_uv(foot_u, foot_v)
        return distance, thickness

    def tangents(self, u: Array, v: Array) -> tuple[Array, Array]:
        """Partial derivatives of `point` by central differences (step 1e-4 mm, error far below 1e-6)."""
        e = 1e-4
        return (
            (self.point(u + e, v) - self.point(u - e, v)) / (2 * e),
            (self.point(u, v + e) - self.point(u, v - e)) / (2 * e),
        )

    def surface_normal(self, u: Array, v: Array) -> Array:
        """(..., 3) unit normals of the mid-surface, right atrium -> left atrium."""
        du, dv = self.tangents(u, v)
        n = np.cross(du, dv)
        n *= np.sign(np.sum(n * self.normal, -1, keepdims=True))
        return np.asarray(n / np.linalg.norm(n, axis=-1, keepdims=True))

    @cached_property
    def _sample(self) -> tuple[cKDTree, Array, Array]:
        """Mid-surface points every 0.4 mm where it bulges and around, as a search tree, with their charts."""
        u, v = (np.arange(-2.1 * b, 2.1 * b, 0.4) for b in (self.bu, self.bv))
        uu, vv = (w.ravel() for w in np.meshgrid(u, v))
        return cKDTree(self.point(uu, vv)), uu, vv

    def foot(self, points: Array, rounds: int = 8) -> tuple[Array, Array, Array]:
        """Nearest mid-surface point of each of `points` (n, 3): chart (u, v) and signed distance.

        On the sphere in closed form. Where it bulges: the nearest of a dense sample, then Newton's method on
        the squared distance, held within the sample's step, so that no other sheet of the bulge is taken."""
        u, v, _ = self.chart(points[:, 0], points[:, 1], points[:, 2])
        u, v = np.array(u, float), np.array(v, float)
        if self.bulge != 0.0 and len(points):
            tree, uu, vv = self._sample
            off, which = tree.query(points)
            # outside the sample the surface is the sphere, and the chart is right already
            inside = (np.abs(u) < 2.0 * self.bu) & (np.abs(v) < 2.0 * self.bv) & (off < 3.0 * NEAR_MM)
            u[inside], v[inside] = self._descend(points[inside], uu[which[inside]], vv[which[inside]], rounds)
        gap = points - self.point(u, v)
        signed = np.linalg.norm(gap, axis=-1) * np.sign(np.sum(gap * self.surface_normal(u, v), -1))
        return u, v, signed

    def _descend(self, points: Array, u: Array, v: Array, rounds: int) -> tuple[Array, Array]:
        e = 1e-3
        for _ in range(rounds):
            here = self.point(u, v)
            up, down, fore, back = (
                self.point(u + a, v + b) for a, b in ((e, 0.0), (-e, 0.0), (0.0, e), (0.0, -e))
            )
            du, dv = (up - down) / (2 * e), (fore - back) / (2 * e)
            gap = points - here
            mixed = self.point(u + e, v + e) - up - fore + here
            a = np.sum(du * du, -1) - np.sum(gap * (up + down - 2 * here), -1) / e**2
            b = np.sum(du * dv, -1) - np.sum(gap * mixed, -1) / e**2
            c = np.sum(dv * dv, -1) - np.sum(gap * (fore + back - 2 * here), -1) / e**2
            f, g = np.sum(gap * du, -1), np.sum(gap * dv, -1)
            det = a * c - b * b
            sound = (det > 1e-3) & (a > 0)  # a bowl: Newton; else down the slope
            det = np.where(sound, det, 1.0)
            u = u + np.clip(np.where(sound, (c * f - b * g) / det, 0.2 * f), -0.3, 0.3)
            v = v + np.clip(np.where(sound, (a * g - b * f) / det, 0.2 * g), -0.3, 0.3)
        return u, v

    def fat(self, x: Array, y: Array, z: Array, distance: Array, thickness: Array) -> Array:
        """Signed distance (first order) of the fat inside the wall, given what `wall` says of the points; far
        outside everywhere where there is none."""
        if self.fat_shell is None:
            return np.full_like(distance, NEAR_MM)
        u, v, _ = self.chart(x, y, z)
        rho = np.sqrt((u / self.bu) ** 2 + (v / self.bv) ** 2) + 1e-9
        beyond = (rho - 1.0) * (np.sqrt(u * u + v * v) / rho)
        core = np.abs(distance) - (thickness * 0.5 - self.fat_shell)
        return np.asarray(np.maximum(core, np.maximum(FAT_EDGE_MM - beyond, beyond - FAT_REACH_MM)))

    def in_membrane_uv(self, u: Array, v: Array) -> Array:
        return np.asarray((u / self.bu) ** 2 + (v / self.bv) ** 2 <= 1.0)
