"""Metal: found before anything else, and taken out of the picture so that its glare is not read as blood.

Rings, leads and clips outshine everything and bloom beyond their own size. What is taken out is filled from its
surroundings, so that chambers run on through a lead as through blood and a ring's glare does not widen the atrium.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import binary_dilation, distance_transform_edt, find_objects, gaussian_filter, label

from septal_planner.geometry.frames import apply_affine, spacing_mm
from septal_planner.inputs.volume import Volume

Mask = NDArray[np.bool_]
# Steel and cobalt alloys clip a 12-bit scale at 3071 HU, the mesh of an occluder shows 2000 and more; calcium in the
# heart and cortical bone stay below (common practice, no source). The metal's body reaches to half-way between blood
# and that; beside contrast that is itself so bright, to 1500.
CORE_HU = 2000.0
BODY_HU = (1200.0, 1500.0)
BLOOMING_MM = 2.0
THICKEST_MM = 8.0  # what is thicker than this all round is undiluted contrast in a vein, not an implant
SURROUNDINGS_MM = 2.5
AROUND_MM = 60.0


@dataclass(frozen=True)
class Metal:
    """Metal's voxels `mask` [k, j, i] on the CT's grid, and with its blooming around them `glare` (None: no metal)."""

    mask: Mask | None
    glare: Mask | None

    def points_lps(self, lps_from_index: ArrayLike) -> NDArray[np.float64]:
        """Centres (n, 3) of the metal's voxels."""
        if self.mask is None:
            return np.empty((0, 3))
        k, j, i = np.nonzero(self.mask)
        return apply_affine(lps_from_index, np.stack([i, j, k], axis=-1))


def take_out_metal(volume: Volume, around_lps: ArrayLike) -> tuple[Volume, Metal]:
    """The CT with metal and its blooming filled from what surrounds it, and where it was, within 60 mm of the points
    (n, 3). Without metal: the volume itself."""
    spacing_kji = spacing_mm(volume.lps_from_index)[::-1]
    near = _box_around(volume, np.asarray(around_lps, dtype=np.float64))
    inside = volume.hu[near]
    found = np.logical_or.reduce([_thin_parts(inside, body_hu, spacing_kji) for body_hu in BODY_HU])
    if not found.any():
        return volume, Metal(None, None)
    mask = np.zeros(volume.hu.shape, dtype=np.bool_)
    mask[near] = found
    spans = [np.flatnonzero(mask.any(axis=axes)) for axes in ((1, 2), (0, 2), (0, 1))]
    margins = np.ceil((BLOOMING_MM + 4 * SURROUNDINGS_MM) / spacing_kji).astype(int)
    box = tuple(slice(max(int(s[0]) - m, 0), int(s[-1]) + 1 + int(m)) for s, m in zip(spans, margins, strict=True))
    glare = np.zeros_like(mask)
    glare[box] = binary_dilation(mask[box], _ball(BLOOMING_MM, spacing_kji))
    hu = volume.hu.copy()
    hu[box] = _filled(hu[box], glare[box], spacing_kji)
    return replace(volume, hu=hu), Metal(mask, glare)


def _box_around(volume: Volume, points_lps: NDArray[np.float64]) -> tuple[slice, ...]:
    lo, hi = points_lps.min(axis=0) - AROUND_MM, points_lps.max(axis=0) + AROUND_MM
    corners = np.array([[x, y, z] for x in (lo[0], hi[0]) for y in (lo[1], hi[1]) for z in (lo[2], hi[2])])
    index = apply_affine(np.linalg.inv(volume.lps_from_index), corners)
    low = np.maximum(np.floor(index.min(axis=0)).astype(int), 0)
    high = np.ceil(index.max(axis=0)).astype(int) + 1
    return tuple(slice(int(a), int(b)) for a, b in zip(low[::-1], high[::-1], strict=True))


def _thin_parts(hu: NDArray[np.generic], body_hu: float, spacing_kji: NDArray[np.float64]) -> Mask:
    """Connected parts brighter than `body_hu` that hold a core of metal and are nowhere thicker than an implant."""
    bright = np.greater(hu, body_hu)
    mask = np.zeros(hu.shape, dtype=np.bool_)
    if not bright.any():
        return mask
    regions, _ = label(bright, structure=np.ones((3, 3, 3)))
    for number, box in enumerate(find_objects(regions), 1):
        part = regions[box] == number
        if np.max(hu[box][part]) < CORE_HU:
            continue
        depth = distance_transform_edt(np.pad(part, 1), sampling=spacing_kji)
        if 2 * float(depth.max()) <= THICKEST_MM:
            mask[box] |= part
    return mask


def _ball(radius_mm: float, spacing_kji: NDArray[np.float64]) -> Mask:
    n = np.floor(radius_mm / spacing_kji).astype(int)
    k, j, i = np.meshgrid(*(np.arange(-a, a + 1) * s for a, s in zip(n, spacing_kji, strict=True)), indexing="ij")
    return np.asarray(k * k + j * j + i * i <= radius_mm**2)


def _filled(hu: NDArray[np.generic], gone: Mask, spacing_kji: NDArray[np.float64]) -> NDArray[np.generic]:
    """`hu` with the voxels `gone` replaced by the Gaussian mean of those that stay."""
    sigma = SURROUNDINGS_MM / spacing_kji
    stays = gaussian_filter((~gone).astype(np.float32), sigma)
    mean = gaussian_filter(np.where(gone, 0.0, hu).astype(np.float32), sigma) / np.maximum(stays, 1e-3)
    return np.where(gone, mean, hu).astype(hu.dtype)
