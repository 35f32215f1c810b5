"""Left and right atrium as smooth radial surfaces between valve gate, veins' mouths and septum."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, map_coordinates

from septal_planner.anatomy.radial import (
    RadialSurface,
    first_wall_mm,
    fit_radius,
    ray_points,
    sharpened,
    sphere_directions,
)
from septal_planner.errors import AnatomyNotFound
from septal_planner.geometry.frames import apply_affine, unit_vector

Array = NDArray[np.float64]
Gate = Callable[[Array], NDArray[np.bool_]]

# Contrast-enhanced myocardium: 79 to 104 HU (21 normal hearts, 320-row CT); an atrial wall is no brighter.
WALL_HU = 100.0
# Between fat (-95 HU) or lung and unopacified blood (45 to 100 HU): what is darker lies outside the heart's wall.
OUTSIDE_HU = 10.0
ATRIAL_WALL_MM = 2.0  # free wall of an atrium, as far as fat or lung: common practice, no source
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
        return self._around(surface, lambda points: surface.outside_mm(points, margin_mm=margin_mm), 50.0)

    def share_field(self, surface: RadialSurface, flag: NDArray[np.bool_]) -> NDArray[np.float32]:
        """For each voxel the share (0 to 1) of the three directions nearest to it that are flagged; 0 far from it."""
        values = flag.astype(np.float64)
        return self._around(surface, lambda points: surface.spread(points, values), 0.0)

    def _around(
        self, surface: RadialSurface, value: Callable[[Array], Array], far: float
    ) -> NDArray[np.float32]:
        field = np.full(self.hu.shape, far, dtype=np.float32)
        inverse = np.linalg.inv(self.lps_from_index)
        reach = float(surface.radius_mm.max()) + 8.0
        corners = np.array([apply_affine(inverse, surface.center_lps + s * reach) for s in (-1, 1)])
        lo = np.clip(np.floor(corners.min(axis=0)).astype(int), 0, None)
        hi = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 1, np.array(self.hu.shape[::-1]))
        i, j, k = (np.arange(a, b) for a, b in zip(lo, hi, strict=True))
        index = np.stack(np.meshgrid(k, j, i, indexing="ij")[::-1], axis=-1)
        points = apply_affine(self.lps_from_index, index)
        near = np.linalg.norm(points - surface.center_lps, axis=-1) < reach
        block = np.full(near.shape, far, dtype=np.float32)
        block[near] = value(points[near])
        field[lo[2] : hi[2], lo[1] : hi[1], lo[0] : hi[0]] = block
        return field

    def ball(self, center_lps: Array, radius_mm: float) -> Array:
        """HU at points filling a ball, 1 mm apart."""
        r = np.arange(-radius_mm, radius_mm + 0.5, 1.0)
        offsets = np.stack(np.meshgrid(r, r, r), axis=-1).reshape(-1, 3)
        return self.at(center_lps + offsets[np.linalg.norm(offsets, axis=1) <= radius_mm])


@dataclass(frozen=True)
class Atrium:
    """Radial surface, the HU below which blood ends, the blood's typical HU. `dark` (n,): directions in which the
    blood is not told from the wall by its brightness, so that the surface stands on what lies outside."""

    surface: RadialSurface
    blood_hu: float
    edge_hu: float
    dark: NDArray[np.bool_]

    def margin_mm(self) -> Array:
        """How far (per direction) voxels beyond the smooth surface may still belong: where the wall itself is seen."""
        seen = 3.0 * np.clip(self.surface.support * 1.5 - 0.2, 0.0, 1.0)
        return np.where(self.dark, 0.0, seen)


@dataclass(frozen=True)
class Walls:
    """Along each ray (n,), mm: where the wall is, where else it may be, how far that is trusted, and which rays a gate
    ended (inf where none)."""

    wall_mm: Array
    other_mm: Array
    trust: Array
    gate_mm: Array


def _grow(seed_lps: Array, walls: Callable[[Array], Walls]) -> tuple[RadialSurface, Walls]:
    """Fit the radial surface from a seed, moving the centre to the centroid as it takes shape.

    `walls(points)` finds the walls along the rays (n, m, 3).
    """
    center = np.asarray(seed_lps, dtype=np.float64)
    for turn, count in enumerate((1000, 1000, 1000, 2400)):
        directions, _ = sphere_directions(count)
        found = walls(ray_points(center, directions, REACH_MM, STEP_MM))
        fixed = found.gate_mm <= found.wall_mm + 3.0
        wall = np.where(fixed, np.maximum(found.gate_mm, 1.0), found.wall_mm)
        radius, support = fit_radius(
            wall, other_mm=np.where(fixed, wall, found.other_mm), fixed=fixed, trust=found.trust,
            iterations=14 if turn < 3 else 26,
        )
        support = np.where(fixed, 0.0, support)
        if turn < 3:
            volume = 4 * np.pi / 3 * np.mean(radius**3)
            centroid = center + (directions * (radius**4)[:, None]).mean(axis=0) * np.pi / volume
            center = center + 0.9 * (centroid - center)
    return RadialSurface(center, directions, radius, support), found


def _first_mm(hit: NDArray[np.bool_]) -> Array:
    """Radius half a step before the first hit on each ray (n, m); inf where there is none."""
    return np.where(hit.any(axis=1), np.argmax(hit, axis=1) * STEP_MM - STEP_MM / 2, np.inf)


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
    edge = (blood + WALL_HU) / 2

    def walls(points: Array) -> Walls:
        gated = mitral_gate(points)
        profiles = np.where(gated, -1000.0, grid.at(points))
        wall = first_wall_mm(profiles, STEP_MM, dark_hu=edge, valley_hu=valley)
        return Walls(wall, wall, np.ones_like(wall), _first_mm(gated))

    surface, found = _grow(seed_lps, walls)
    surface = sharpened(surface, found.wall_mm)
    return Atrium(surface, blood, edge, np.zeros(found.wall_mm.shape, dtype=np.bool_))


def mixed_blood_edge_hu(hu: Array) -> float:
    """HU below which badly mixed right-heart blood ends: half-way from muscle to its darker part, 120 to 165 HU; 165
    where these samples (n,) are hardly brighter than muscle, so that only blood that surely is opacified counts."""
    if np.median(hu) < WALL_HU + 60:
        return WALL_HU + 65.0
    return WALL_HU + 0.5 * float(np.clip(np.percentile(hu, 5) - WALL_HU, 40.0, 130.0))


def find_right_atrium(
    grid: HeartGrid, seed_lps: Array, neighbours: NDArray[np.float32], tricuspid_gate: Gate, cava_lps: Array
) -> Atrium:
    """Right atrium from a point in its blood; ends at the tricuspid gate, the left atrium and the cava's mouth.

    Contrast mixes badly here. The edge of opacified blood is set by its darker part; beyond it may lie the wall or
    plain blood, which muscle's brightness does not tell apart. So each ray has a second place for its wall: a wall's
    breadth short of fat, lung or another chamber. Which one holds, the rays around it tell.
    `cava_lps` (2, 3): near, lower; the atrium ends there. `neighbours` [k, j, i], on this grid: how far beyond the left
    atrium and the other chambers already found (mm, negative inside).
    """
    near = grid.ball(seed_lps, 8.0)
    blood = float(np.median(near))
    edge = mixed_blood_edge_hu(near)
    axis = unit_vector(cava_lps[0] - cava_lps[1])

    def walls(points: Array) -> Walls:
        hu = grid.at(points)
        d = points - cava_lps[0]
        along = d @ axis
        across = np.linalg.norm(d - along[..., None] * axis, axis=-1)
        below = (along < 0) & (across < 20.0)
        beside = grid.sample(neighbours, points, beyond=50.0)
        gated = tricuspid_gate(points)
        ended = below | (beside < 0) | gated
        blood_first = _from_first_bright(np.where(ended, -1000.0, hu), edge)
        bright = first_wall_mm(blood_first, STEP_MM, dark_hu=edge, valley_hu=None)
        outside = first_wall_mm(np.where(ended, 300.0, hu), STEP_MM, dark_hu=OUTSIDE_HU, valley_hu=None)
        stop = np.minimum.reduce([outside - ATRIAL_WALL_MM, _first_mm(below | (beside < 1.0) | gated)])
        stop = np.maximum(stop, 1.0)
        doubtful = stop > bright + ATRIAL_WALL_MM + 1.5
        unseen = bright < 1.0                         # no opacified blood on this ray at all
        wall = np.where(unseen, stop, bright)
        return Walls(wall, np.where(doubtful, stop, wall), np.where(unseen | doubtful, 0.4, 1.0), _first_mm(gated))

    surface, found = _grow(seed_lps, walls)
    on_other = np.abs(found.other_mm - surface.radius_mm) <= 3.0 * np.abs(found.wall_mm - surface.radius_mm)
    return Atrium(surface, blood, edge, on_other & (found.trust < 1.0))


def _from_first_bright(profiles_hu: Array, edge_hu: float) -> Array:
    """Profiles (n, m) whose dark beginning, where it is blood and no longer than 25 mm, is taken as bright: a ray may
    start in blood that the contrast has not reached. A ray without bright blood is dark all along."""
    bright = gaussian_filter1d(profiles_hu, 0.6 / STEP_MM, axis=1) > edge_hu
    first = np.where(bright.any(axis=1), np.argmax(bright, axis=1), profiles_hu.shape[1])
    lowest = np.minimum.accumulate(profiles_hu, axis=1)
    before = lowest[np.arange(first.size), np.clip(first - 1, 0, profiles_hu.shape[1] - 1)]
    starts = (first * STEP_MM < 25.0) & (before > OUTSIDE_HU)
    ahead = np.arange(profiles_hu.shape[1]) < first[:, None]
    return np.where(ahead & starts[:, None], edge_hu + 100.0, np.where(starts[:, None], profiles_hu, -1000.0))
