"""The wall between the atria on profiles square to it: its mid-surface, its thickness, and what of it can be seen.

A side is seen where its blood stands out from the wall by more than noise and the doubt of the wall's own brightness
explain. Where only one side is, the surface is that side's edge moved by half a membrane's published thickness.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import LinearNDInterpolator, NearestNDInterpolator
from scipy.ndimage import gaussian_filter, median_filter

from septal_planner.anatomy.wall import blur_mm, fit_edges, fit_walls
from septal_planner.errors import AnatomyNotFound
from septal_planner.geometry.frames import unit_vector
from septal_planner.geometry.shapes import HeightPatch
from septal_planner.inputs.resample import sample_lps
from septal_planner.inputs.volume import Volume

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Side = Literal["left", "right"]
# half width and step of the square of profiles: a first look for the wall's direction, then the measurement
FIRST_LOOK_MM = (17.0, 1.0)
MEASUREMENT_MM = (17.0, 0.5)
W_MM = np.arange(-13.0, 13.01, 0.25)
FARTHEST_MM = 20.0  # from the first plane: an aneurysm's rim lies that far from the plane of its dome
LEAST_WALL_MM = 0.25  # a fit thinner than this found blood on both sides and no wall between
STEEP_COSINE = 0.9  # a wall steeper than this somewhere near the fossa is measured once more along its new normals
SHOULDER = 0.2  # doubt of the wall's middle (mm) for each mm that its thickness rises per mm
POINT_SPREAD_MM = 0.38  # one SD: 0.9 mm full width at half maximum, a usual cardiac kernel; common practice, no source
BRIGHT_WALL_HU = 150.0  # and more: no muscle; common practice, no source
BRIGHTER_HU = 100.0  # than both bloods: metal, calcium
BRIGHT_FITS_BETTER = 0.6  # its residual, of that of a wall like muscle
DIP_SPOT_MM = 3.0   # around the marked point: here any membrane darkens the blood
LEAST_DIP = 0.08    # of the contrast: less than a third of what 0.5 mm of wall does under a blur of 0.8 mm
DIP_REACH_MM = 8.0  # from half-way: the depth of a pit in the thickest septum
WALL_SD_HU = 12.0   # of how bright the wall is, muscle or fat between; common practice, no source
NOISE_SHARE = 0.35  # of the noise of one voxel, left in the level of blood beside one smoothed profile
SEEN_BY_SD = 2.5    # a side is seen where its contrast is that many standard uncertainties
# Membrane thickness 1.04 mm, SD 0.44, on CT in 371 adults (doi 10.1186/s43044-020-00109-6); 1.8 mm, SD 0.7, on echo in
# 119 (doi 10.1016/s0002-8703(05)80191-7). The half of the first, its spread, and half-way to the second, together.
TYPICAL_MM = 1.04
HALF_TYPICAL_SD_MM = 0.34


@dataclass(frozen=True)
class SeptalWall:
    """Everything [v, u] on the patch grid. `left_hu`, `right_hu`: blood beside the wall, as fitted."""

    patch: HeightPatch                            # mid-surface
    thickness_mm: Array                           # along the local normal
    left_hu: Array
    right_hu: Array
    residual_hu: Array
    center_sd_mm: Array                           # from noise alone
    thickness_sd_mm: Array                        # from noise alone
    wall_hu: float
    noise_hu: float                               # of one voxel
    sigma_mm: float                               # blur of the CT
    along_mm: float                               # smoothing along the wall

    @property
    def least_contrast_hu(self) -> float:
        """Above which blood stands out from the wall."""
        return SEEN_BY_SD * float(np.hypot(WALL_SD_HU, NOISE_SHARE * self.noise_hu))

    def stands_out(self, side: Side) -> Mask:
        """Where the blood of one side is told from the wall."""
        level = self.left_hu if side == "left" else self.right_hu
        return np.asarray(level - self.wall_hu > self.least_contrast_hu)


def septal_axes(normal_lps: Array) -> tuple[Array, Array, Array]:
    """Axes of the septal plane as unit vectors: toward anterior, toward superior, right atrium toward left.

    Superior is the head direction as far as it lies in the plane; anterior is across it, on the patient's front side.
    """
    normal = unit_vector(normal_lps)
    head = np.array([0.0, 0.0, 1.0])
    superior = unit_vector(head - (head @ normal) * normal)
    anterior = np.cross(superior, normal)
    if anterior[1] > 0:
        anterior = -anterior
    return anterior, superior, normal


def measure_septal_wall(
    volume: Volume, origin_lps: Array, normal_lps: Array, between: Callable[[Array], Array], *, noise_hu: float,
    wall_hu: float,
) -> SeptalWall:
    """Wall around `origin_lps` (3,), first looked at along `normal_lps` (3,), then along its own local normals.

    `between` gives for points (..., 3) the distance from the left atrium's blood less that from the right's, so that
    it is nought half-way. Raises AnatomyNotFound where no wall can be followed.
    """
    patch = _half_way(origin_lps, normal_lps, between, *FIRST_LOOK_MM)
    wall = _fit(volume, patch, noise_hu, wall_hu)
    # a deep pit in a thick septum may have been given to the wrong atrium: half-way then lies within one blood
    astray = not dips(volume, wall)
    for _ in range(3 if astray else 1):
        patch = _to_the_dip(volume, wall) if astray else wall.patch
        wall = _fit(volume, patch, noise_hu, wall_hu)
    patch = wall.patch
    near = np.hypot(*np.meshgrid(patch.u_mm, patch.v_mm)) < 8.0
    uu, vv = np.meshgrid(patch.u_mm, patch.v_mm)
    normal = unit_vector(patch.normals_lps(uu[near], vv[near]).mean(axis=0))
    patch = _on_plane(patch, patch.points_lps(0.0, 0.0), normal, *MEASUREMENT_MM)
    wall = _fit(volume, patch, noise_hu, wall_hu)
    for _ in range(2 if astray else 0):
        wall = _fit(volume, _to_the_dip(volume, wall), noise_hu, wall_hu)
    uu, vv = np.meshgrid(patch.u_mm, patch.v_mm)
    near = np.hypot(uu, vv) < 12.0
    for _ in range(2):
        steepest = float((wall.patch.normals_lps(uu[near], vv[near]) @ wall.patch.axis_w_lps).min())
        if steepest > STEEP_COSINE:
            break
        wall = _fit(volume, wall.patch, noise_hu, wall_hu)
    return wall


def dips(volume: Volume, wall: SeptalWall) -> bool:
    """Whether the blood darkens at all where the wall was put, over the spot around the origin of the patch; true also
    where a side is not seen, since nothing can be told then."""
    uu, vv = np.meshgrid(wall.patch.u_mm, wall.patch.v_mm)
    spot = np.hypot(uu, vv) < DIP_SPOT_MM
    if min(wall.stands_out("left")[spot].mean(), wall.stands_out("right")[spot].mean()) < 0.6:
        return True
    profile = np.median(_profiles(volume, wall.patch, 0.5)[0][spot], axis=0)
    beside = min(float(np.median(profile[(s * W_MM > 2.5) & (s * W_MM < 6.0)])) for s in (-1, 1))
    return bool(beside - profile[np.abs(W_MM) < 1.5].min() > LEAST_DIP * (beside - wall.wall_hu))


def _to_the_dip(volume: Volume, wall: SeptalWall) -> HeightPatch:
    """The surface moved, where no wall was found, to where the blood on both sides is brightest above what lies
    between."""
    patch = wall.patch
    step = float(patch.u_mm[1] - patch.u_mm[0])
    hu, cosine = _profiles(volume, patch, 1.0)
    near, far = round(1.5 / (W_MM[1] - W_MM[0])), round(4.5 / (W_MM[1] - W_MM[0]))
    depth = np.full(hu.shape, -np.inf)
    for n in np.flatnonzero(np.abs(W_MM) <= DIP_REACH_MM):
        before, after = hu[..., n - far : n - near].max(axis=-1), hu[..., n + near + 1 : n + far + 1].max(axis=-1)
        depth[..., n] = np.minimum(before, after) - hu[..., n]
    lost = wall.thickness_mm < LEAST_WALL_MM
    clear = depth.max(axis=-1) > wall.least_contrast_hu
    moved = patch.height_mm + np.where(lost & clear, W_MM[np.argmax(depth, axis=-1)], 0.0) / cosine
    height = _bridge(np.where(lost & ~clear, np.nan, median_filter(moved, 3)), step)
    return replace(patch, height_mm=gaussian_filter(height, 0.8 / step))


def _half_way(
    origin: Array, normal: Array, between: Callable[[Array], Array], half_width_mm: float, step_mm: float
) -> HeightPatch:
    """Surface half-way between the atria as segmented, over a square plane."""
    anterior, superior, normal = septal_axes(normal)
    u = np.arange(-half_width_mm, half_width_mm + 0.01, step_mm)
    uu, vv = np.meshgrid(u, u)
    plane = origin + uu[..., None] * anterior + vv[..., None] * superior
    coarse = np.arange(-FARTHEST_MM, FARTHEST_MM + 0.1, 1.0)
    values = between(plane[..., None, :] + coarse[:, None] * normal)
    change = (values[..., :-1] >= 0) & (values[..., 1:] < 0)
    share = values[..., :-1] / np.maximum(values[..., :-1] - values[..., 1:], 1e-6)
    at = coarse[:-1] + share * (coarse[1] - coarse[0])
    best = np.argmin(np.where(change, np.abs(at), 99.0), axis=-1)
    start = np.where(change.any(axis=-1), np.take_along_axis(at, best[..., None], axis=-1)[..., 0], np.nan)
    height = gaussian_filter(_bridge(start, step_mm), 1.0 / step_mm)
    return HeightPatch(origin, anterior, superior, normal, u, u, height)


def _bridge(values: Array, step_mm: float) -> Array:
    """Fill nan by the smoothed surroundings."""
    known = np.isfinite(values)
    if known.sum() < 0.2 * known.size:
        raise AnatomyNotFound(
            "The wall between the atria could not be followed around the fossa point: check that point."
        )
    weight = gaussian_filter(known.astype(np.float64), 2.2 / step_mm)
    smooth = gaussian_filter(np.where(known, values, 0.0), 2.2 / step_mm) / np.maximum(weight, 1e-3)
    return np.asarray(np.where(known & (np.abs(values - smooth) < 4), values, smooth))


def _on_plane(patch: HeightPatch, origin: Array, normal: Array, half_width_mm: float, step_mm: float) -> HeightPatch:
    """The same surface as a height over another plane; beyond its border the nearest height."""
    anterior, superior, normal = septal_axes(normal)
    u = np.arange(-half_width_mm, half_width_mm + 0.01, step_mm)
    uu, vv = np.meshgrid(u, u)
    flat = HeightPatch(origin, anterior, superior, normal, u, u, np.zeros_like(uu))
    old = flat.uvw(patch.points_lps(*np.meshgrid(patch.u_mm, patch.v_mm))).reshape(-1, 3)
    height = LinearNDInterpolator(old[:, :2], old[:, 2])(uu, vv)
    nearest = NearestNDInterpolator(old[:, :2], old[:, 2])(uu, vv)
    return replace(flat, height_mm=np.where(np.isfinite(height), height, nearest))


def _profiles(volume: Volume, patch: HeightPatch, smooth_mm: float) -> tuple[Array, Array]:
    """HU (nv, nu, m) along the local normals, smoothed along the wall only (across it, blur would thicken), and the
    cosine [v, u] of those normals to the plane's."""
    step = float(patch.u_mm[1] - patch.u_mm[0])
    uu, vv = np.meshgrid(patch.u_mm, patch.v_mm)
    calm = replace(patch, height_mm=gaussian_filter(patch.height_mm, 1.2 / step))
    normals = calm.normals_lps(uu, vv)
    points = patch.points_lps(uu, vv)[..., None, :] + W_MM[:, None] * normals[..., None, :]
    hu = gaussian_filter(sample_lps(volume, points), (smooth_mm / step, smooth_mm / step, 0))
    return hu, np.clip(normals @ patch.axis_w_lps, 0.4, 1.0)


def _fit(volume: Volume, patch: HeightPatch, noise_hu: float, wall_hu: float) -> SeptalWall:
    """Both edges along the local normals, and the surface moved to the middle between them."""
    step = float(patch.u_mm[1] - patch.u_mm[0])
    smooth_mm = 0.2
    hu, cosine = _profiles(volume, patch, smooth_mm)
    levels = np.percentile(hu[..., np.abs(W_MM) > 3.0], 80, axis=-1)
    contrast = max(float(np.median(levels)) - wall_hu, 30.0)
    wanted = float(np.clip(2.2 * noise_hu / contrast, 0.2, 1.2))
    if wanted > 0.3:
        more = np.sqrt(wanted**2 - smooth_mm**2) / step
        hu = gaussian_filter(hu, (more, more, 0))
        smooth_mm = wanted
    flat = hu.reshape(-1, W_MM.size)
    zero = np.zeros(flat.shape[0])
    usual = _usual_blur_mm(volume, patch.axis_w_lps)
    sigma = blur_mm(flat, W_MM, zero, wall_hu=wall_hu, usual_mm=usual)
    fit = fit_walls(flat, W_MM, zero, wall_hu=wall_hu, sigma_mm=sigma)
    shape = cosine.shape
    center = np.where(np.abs(fit.center_mm) > 6, 0.0, fit.center_mm).reshape(shape)
    lost = (fit.thickness_mm < LEAST_WALL_MM).reshape(shape)
    moved = patch.height_mm + np.where(lost, 0.0, center / cosine)
    thickness = fit.thickness_mm.reshape(shape)
    if lost.any() and not lost.all():
        around = gaussian_filter((~lost).astype(np.float64), 1.0 / step)
        filled = gaussian_filter(np.where(lost, 0.0, thickness), 1.0 / step) / np.maximum(around, 1e-3)
        thickness = np.where(lost & (around > 0.5), filled, thickness)  # a few profiles lost amid a wall
    height = _smooth_height(moved, thickness, lost, step)
    # noise left in one smoothed profile, and how many of its samples share it
    voxel = float(np.cbrt(abs(np.linalg.det(volume.lps_from_index[:3, :3]))))
    left = noise_hu / np.sqrt(1 + 4 * np.pi * (smooth_mm / voxel) ** 2) * np.sqrt(voxel / (W_MM[1] - W_MM[0]))
    return SeptalWall(
        replace(patch, height_mm=height), thickness, fit.far_hu.reshape(shape),
        fit.near_hu.reshape(shape), fit.residual_hu.reshape(shape), left * fit.center_mm_per_hu.reshape(shape),
        left * fit.thickness_mm_per_hu.reshape(shape), wall_hu, noise_hu, sigma,
        smooth_mm,
    )


def _smooth_height(height: Array, thickness: Array, lost: Mask, step_mm: float) -> Array:
    """Smooth mid-surface. On the shoulder of the limbus, where blur mixes thin and thick, a profile says little of its
    middle: there the surroundings speak."""
    dv, du = np.gradient(gaussian_filter(thickness, 0.5 / step_mm), step_mm)
    weight = np.where(lost, 0.02, 1.0) / (0.15**2 + (SHOULDER * np.hypot(du, dv)) ** 2)
    calm = median_filter(height, 3)
    for _ in range(2):  # about its own trend, so that a slope or a curve is kept
        trend = gaussian_filter(calm, 0.9 / step_mm)
        rest = gaussian_filter(weight * (calm - trend), 0.9 / step_mm) / gaussian_filter(weight, 0.9 / step_mm)
        calm = trend + rest
    return np.asarray(calm)


def _usual_blur_mm(volume: Volume, normal_lps: Array) -> float:
    """Blur (mm, one SD) across a wall that voxels of this size bring: a point spread of 0.9 mm full width, the voxel's
    own breadth (a twelfth of its square), and linear interpolation between voxels (a sixth, at random places)."""
    along = np.abs(normal_lps @ volume.lps_from_index[:3, :3])
    spacing = np.linalg.norm(volume.lps_from_index[:3, :3], axis=0)
    return float(np.sqrt(POINT_SPREAD_MM**2 + ((along / spacing) ** 2 * spacing**2).sum() / 4))


def bright_wall_hu(volume: Volume, wall: SeptalWall) -> float | None:
    """HU of a wall that is plainly brighter than muscle around the origin of the patch (a patch, an occluder), or None.

    Spots of 1.5 mm are averaged and fitted with walls of many brightnesses. A thin membrane fits best about as dark
    as muscle or does not tell; a broad bright wall leaves the dark one's fit far behind.
    """
    patch = wall.patch
    step = float(patch.u_mm[1] - patch.u_mm[0])
    hu, _ = _profiles(volume, patch, 1.0)
    uu, vv = np.meshgrid(patch.u_mm, patch.v_mm)
    every = max(1, round(1.5 / step))
    spots = (np.hypot(uu, vv) < 5.0)[::every, ::every]
    profiles = hu[::every, ::every][spots]
    zero = np.zeros(len(profiles))
    middle = profiles[:, np.abs(W_MM) < 0.6].mean(axis=1)
    blood = [np.median(profiles[:, (s * W_MM > 4.0) & (s * W_MM < 9.0)], axis=1) for s in (-1, 1)]
    if float(np.mean(middle > np.maximum(*blood) + BRIGHTER_HU)) > 0.5:
        return float(np.median(middle))
    both = (wall.stands_out("left") & wall.stands_out("right"))[::every, ::every][spots]
    if both.mean() < 0.6:  # a side that is not seen says nothing of the wall
        return None
    beside = np.minimum(wall.left_hu, wall.right_hu)[::every, ::every][spots]
    # no dip at all; below the brighter blood a thin dark wall may stay above the darker, for the blur
    if float(np.mean(middle > (wall.left_hu + wall.right_hu)[::every, ::every][spots] / 2)) > 0.5:
        return float(np.median(middle))
    levels = np.arange(0.0, max(0.9 * (float(np.median(beside)) - wall.wall_hu), 1.0), 25.0) + wall.wall_hu
    fits = [
        fit_walls(profiles, W_MM, zero, wall_hu=float(level), sigma_mm=wall.sigma_mm, fat_is_wall=False)
        for level in levels
    ]
    residual = np.stack([fit.residual_hu for fit in fits])
    best = np.argmin(residual, axis=0)
    spot = np.arange(len(profiles))
    broad = np.stack([fit.thickness_mm for fit in fits])[best, spot] > 2.5 * wall.sigma_mm
    plain = (residual[best, spot] < BRIGHT_FITS_BETTER * residual[0]) & broad & (levels[best] > BRIGHT_WALL_HU)
    return float(np.median(levels[best][plain])) if plain.mean() > 0.5 else None


def one_sided_surface(
    volume: Volume, wall: SeptalWall, side: Side, outside: Callable[[Array], Array]
) -> tuple[HeightPatch, float]:
    """Mid-surface from one side's edge alone, and its standard uncertainty (mm) along the normal.

    `outside` gives the signed distance of points (..., 3) from that side's blood as segmented: where the half-way
    crossing of a profile strays from it, the segmented surface stands in.
    """
    patch = wall.patch
    step = float(patch.u_mm[1] - patch.u_mm[0])
    uu, vv = np.meshgrid(patch.u_mm, patch.v_mm)
    sign = 1.0 if side == "left" else -1.0
    for _ in range(2):
        hu, cosine = _profiles(volume, patch, float(np.clip(1.2 * wall.noise_hu / 100.0, 0.3, 1.0)))
        flat = hu.reshape(-1, W_MM.size)[:, :: int(sign)]
        calm = replace(patch, height_mm=gaussian_filter(patch.height_mm, 1.2 / step))
        normals = calm.normals_lps(uu, vv)
        along = W_MM * sign  # from the dark side into this side's blood, as `flat` runs
        prior = outside(patch.points_lps(uu, vv)[..., None, :] + along[:, None] * normals[..., None, :])
        prior = prior.reshape(-1, W_MM.size)
        inside = prior < 0
        first = np.argmax(inside, axis=1)
        known = inside.any(axis=1) & (first > 0)
        before = np.maximum(first - 1, 0)
        row = np.arange(len(prior))
        share = prior[row, before] / np.maximum(prior[row, before] - prior[row, first], 1e-6)
        start = np.where(known, W_MM[before] + 0.25 * np.clip(share, 0, 1), np.nan)
        start = _bridge(start.reshape(uu.shape), step).ravel()
        fit = fit_edges(
            flat, W_MM, start, beyond_hu=wall.wall_hu, beyond_sd_hu=40.0, sigma_mm=wall.sigma_mm
        )
        good = (np.abs(fit.edge_mm - start) < 3.0) & (fit.blood_hu - fit.beyond_hu > wall.least_contrast_hu)
        edge = np.where(good, fit.edge_mm, np.nan).reshape(uu.shape)
        edge = np.where(np.isfinite(edge), edge, start.reshape(uu.shape))
        edge = gaussian_filter(median_filter(edge, round(2.5 / step) | 1), 1.0 / step)
        middle = sign * (edge - TYPICAL_MM / 2)
        patch = replace(patch, height_mm=gaussian_filter(patch.height_mm + middle / cosine, 0.8 / step))
    core = (np.hypot(uu, vv) < 6.0).ravel()
    noise_sd = wall.noise_hu * float(np.median(fit.edge_mm_per_hu[core]))
    return patch, float(np.sqrt(HALF_TYPICAL_SD_MM**2 + 0.15**2 + noise_sd**2))
