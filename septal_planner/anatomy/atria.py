"""Left and right atrium as smooth radial surfaces between valve gate, veins' mouths and septum."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from septal_planner.anatomy.radial import (
    RadialSurface,
    first_wall_mm,
    fit_radius,
    ray_points,
    sphere_directions,
)
from septal_planner.errors import AnatomyNotFound
from septal_planner.geometry.frames import apply_affine, unit_vector

Array = NDArray[np.float64]
Gate = Callable[[Array], NDArray[np.bool_]]

# Contrast-enhanced myocardium: 79 to 104 HU (21 normal hearts, 320-row CT); an atrial wall is no brighter.
WALL_HU = 100.0
STEP_MM = 0.5
REACH_MM = 85.0


@dataclass(frozen=True)
class HeartGrid:
    """The heart on an even axis-aligned grid: `hu` [k, j, i] float32, lightly smoothed, placed by `lps_from_index`."""

    hu: NDArray[np.float32]
    lps_from_index: Array

    def at(self, points_lps: Array) -> Array:
        """HU at points (..., 3), trilinear; beyond the grid -1000 (air: a chamber ends where the picture ends)."""
        return self.sample(self.hu, points_lps, beyond=-1000.0)

    def sample(self, field: NDArray[np.float32], points_lps: Array, *, beyond: float) -> Array:
        """A field on this grid [k, j, i] at points (..., 3), trilinear; `beyond` outside the grid."""
        index = apply_affine(np.linalg.inv(self.lps_from_index), points_lps)
        values = map_coordinates(
            field, np.moveaxis(index[..., ::-1], -1, 0), order=1, mode="constant", cval=beyond, output=np.float64
        )
        return np.asarray(values)

    def settled(self, point_lps: Array) -> Array:
        """The point itself where a 3 mm ball around it is blood throughout, else the best such place within 6 mm."""
        r = np.arange(-6.0, 6.1, 2.0)
        offsets = np.stack(np.meshgrid(r, r, r), axis=-1).reshape(-1, 3)
        offsets = offsets[np.linalg.norm(offsets, axis=1) <= 6.0]
        offsets = offsets[np.argsort(np.linalg.norm(offsets, axis=1), kind="stable")]
        darkest = [float(np.percentile(self.ball(point_lps + o, 3.0), 10)) for o in offsets]
        return point_lps if darkest[0] > WALL_HU + 50 else point_lps + offsets[int(np.argmax(darkest))]

    def outside_field(self, surface: RadialSurface, margin_mm: Array | float) -> NDArray[np.float32]:
        """How far each voxel lies beyond a radial surface and its margin (mm, negative inside); 50 far from it."""
        field = np.full(self.hu.shape, 50.0, dtype=np.float32)
        inverse = np.linalg.inv(self.lps_from_index)
        reach = float(surface.radius_mm.max()) + 8.0
        corners = np.array([apply_affine(inverse, surface.center_lps + s * reach) for s in (-1, 1)])
        lo = np.clip(np.floor(corners.min(axis=0)).astype(int), 0, None)
        hi = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 1, np.array(self.hu.shape[::-1]))
        i, j, k = (np.arange(a, b) for a, b in zip(lo, hi, strict=True))
        index = np.stack(np.meshgrid(k, j, i, indexing="ij")[::-1], axis=-1)
        points = apply_affine(self.lps_from_index, index)
        near = np.linalg.norm(points - surface.center_lps, axis=-1) < reach
        block = np.full(near.shape, 50.0, dtype=np.float32)
        block[near] = surface.outside_mm(points[near], margin_mm=margin_mm)
        field[lo[2] : hi[2], lo[1] : hi[1], lo[0] : hi[0]] = block
        return field

    def ball(self, center_lps: Array, radius_mm: float) -> Array:
        """HU at points filling a ball, 1 mm apart."""
        r = np.arange(-radius_mm, radius_mm + 0.5, 1.0)
        offsets = np.stack(np.meshgrid(r, r, r), axis=-1).reshape(-1, 3)
        return self.at(center_lps + offsets[np.linalg.norm(offsets, axis=1) <= radius_mm])


@dataclass(frozen=True)
class Atrium:
    """Radial surface, the HU below which blood ends, the blood's typical HU and the first-wall radius of each ray."""

    surface: RadialSurface
    blood_hu: float
    edge_hu: float
    wall_mm: Array

    def margin_mm(self) -> Array:
        """How far (per direction) voxels beyond the smooth surface may still belong: where the wall itself is seen."""
        return 3.0 * np.clip(self.surface.support * 1.5 - 0.2, 0.0, 1.0)


def _grow(
    grid: HeartGrid, seed_lps: Array, ends: Callable[[Array, Array], Array], *, dark_hu: float, valley_hu: float | None
) -> tuple[RadialSurface, Array]:
    """Fit the radial surface from a seed, moving the centre to the centroid as it takes shape.

    `ends(points, profiles)` returns the profiles with gates and neighbours cut out as air.
    """
    center = np.asarray(seed_lps, dtype=np.float64)
    for turn, count in enumerate((1000, 1000, 1000, 2400)):
        directions, _ = sphere_directions(count)
        points = ray_points(center, directions, REACH_MM, STEP_MM)
        profiles = ends(points, grid.at(points))
        gated = profiles <= -2000
        wall = first_wall_mm(np.maximum(profiles, -1000), STEP_MM, dark_hu=dark_hu, valley_hu=valley_hu)
        gate = np.where(gated.any(axis=1), np.argmax(gated, axis=1) * STEP_MM - STEP_MM / 2, np.inf)
        fixed = gate <= wall + 3.0
        wall = np.where(fixed, np.maximum(gate, 1.0), wall)
        radius, support = fit_radius(wall, fixed=fixed, iterations=14 if turn < 3 else 26)
        support = np.where(fixed, 0.0, support)
        if turn < 3:
            volume = 4 * np.pi / 3 * np.mean(radius**3)
            centroid = center + (directions * (radius**4)[:, None]).mean(axis=0) * np.pi / volume
            center = center + 0.9 * (centroid - center)
    return RadialSurface(center, directions, radius, support), wall


def find_left_atrium(grid: HeartGrid, seed_lps: Array, mitral_gate: Gate) -> Atrium:
    """Left atrium from a point in its blood; ends at the mitral gate, veins and appendage at their mouths.

    Raises AnatomyNotFound when its blood is not brighter than muscle.
    """
    blood = float(np.median(grid.ball(seed_lps, 4.0)))
    if blood < WALL_HU + 60:
        raise AnatomyNotFound(
            f"The blood around the left_atrium point measures {blood:.0f} HU, which cannot be told from muscle "
            f"(about {WALL_HU:.0f} HU): use a contrast-enhanced phase or move the point into bright blood."
        )
    sd = float(np.std(grid.ball(seed_lps, 4.0)))
    valley = max(0.2 * (blood - WALL_HU), 4.0 * sd, 50.0)

    def ends(points: Array, profiles: Array) -> Array:
        return np.where(mitral_gate(points), -3000.0, profiles)

    edge = (blood + WALL_HU) / 2
    surface, wall = _grow(grid, seed_lps, ends, dark_hu=edge, valley_hu=valley)
    return Atrium(surface, blood, edge, wall)


def mixed_blood_edge_hu(hu: Array) -> float:
    """HU below which badly mixed right-heart blood ends: half-way from muscle to its darker part, 120 to 165 HU."""
    return WALL_HU + 0.5 * float(np.clip(np.percentile(hu, 5) - WALL_HU, 40.0, 130.0))


def find_right_atrium(
    grid: HeartGrid, seed_lps: Array, neighbours: NDArray[np.float32], tricuspid_gate: Gate, cava_lps: Array
) -> Atrium:
    """Right atrium from a point in its blood; ends at the tricuspid gate, the left atrium and the cava's mouth.

    Contrast mixes badly here: the edge is set by the darker blood, and plain blood near the inferior cava's mouth
    (30 to 180 HU within 15 mm of the line from there to the point) counts as blood. `cava_lps` (2, 3): near, lower.
    `neighbours` [k, j, i], on this grid: negative inside the left atrium and other chambers already found.
    """
    near = grid.ball(seed_lps, 8.0)
    blood = float(np.median(near))
    edge = mixed_blood_edge_hu(near)
    axis = unit_vector(cava_lps[0] - cava_lps[1])

    def ends(points: Array, profiles: Array) -> Array:
        way = points[0, 0] - cava_lps[0]
        part = np.clip((points - cava_lps[0]) @ way / (way @ way), 0.0, 0.7)
        aside = np.linalg.norm(points - (cava_lps[0] + part[..., None] * way), axis=-1)
        d = points - cava_lps[0]
        along = d @ axis
        across = np.linalg.norm(d - along[..., None] * axis, axis=-1)
        below = (along < 0) & (across < 20.0)
        plain = (aside < 15.0) & (profiles > 30) & (profiles < 180)
        out = np.where(plain, edge + 100.0, profiles)
        out = np.where(tricuspid_gate(points), -3000.0, out)
        taken = grid.sample(neighbours, points, beyond=50.0) < 0
        return np.where(below | taken, -1000.0, out)

    surface, wall = _grow(grid, seed_lps, ends, dark_hu=edge, valley_hu=None)
    return Atrium(surface, blood, edge, wall)
