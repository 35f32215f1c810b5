"""CT values where the voxels are not: on another grid, at any point, or a box of the voxels alone.

All of it works in index space: the affine between the two index frames is exact for oblique, left-handed and
sheared volumes, which SimpleITK's own image geometry (orthonormal directions) cannot hold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import product

import numpy as np
import SimpleITK as sitk
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import map_coordinates

from septal_planner.geometry.frames import apply_affine
from septal_planner.inputs.volume import Volume

AIR_HU = -1024.0


def crop_index_box(volume: Volume, lo_ijk: ArrayLike, hi_ijk: ArrayLike) -> Volume:
    """The voxels from index `lo_ijk` up to but without `hi_ijk` (i, j, k order), clipped to the volume, in
    the same place in the patient. The voxels are a view, not a copy. Raises ValueError where the box misses
    the volume.
    """
    lo = np.maximum(np.asarray(lo_ijk, dtype=np.int64), 0)
    hi = np.minimum(np.asarray(hi_ijk, dtype=np.int64), volume.size_ijk)
    if np.any(hi <= lo):
        raise ValueError(
            f"the box {lo.tolist()} to {hi.tolist()} holds no voxel of a volume of size {volume.size_ijk}"
        )
    (i0, j0, k0), (i1, j1, k1) = lo.tolist(), hi.tolist()
    affine = volume.lps_from_index.copy()
    affine[:3, 3] = apply_affine(volume.lps_from_index, lo)
    return replace(volume, hu=volume.hu[k0:k1, j0:j1, i0:i1], lps_from_index=affine)


def resample_to_grid(
    volume: Volume, lps_from_index_out: ArrayLike, size_ijk: Sequence[int], *, fill_hu: float = AIR_HU
) -> NDArray[np.float32]:
    """CT values float32 [k, j, i] on the grid of `size_ijk` placed by the 4x4 `lps_from_index_out`,
    trilinear.

    Within half a voxel beyond the outermost voxel centres the border value holds, farther out `fill_hu`. Only
    the box of the volume that the grid needs is copied.
    """
    out_lps = np.asarray(lps_from_index_out, dtype=np.float64)
    size = [int(n) for n in size_ijk]
    in_from_out = np.linalg.inv(volume.lps_from_index) @ out_lps
    corners = apply_affine(
        in_from_out, np.array(list(product(*[(0, n - 1) for n in size])), dtype=np.float64)
    )
    lo = np.maximum(np.floor(corners.min(axis=0)).astype(np.int64) - 1, 0)
    hi = np.minimum(np.ceil(corners.max(axis=0)).astype(np.int64) + 2, volume.size_ijk)
    if np.any(hi <= lo):
        return np.full(size[::-1], fill_hu, dtype=np.float32)
    box = crop_index_box(volume, lo, hi)

    image = sitk.GetImageFromArray(
        np.ascontiguousarray(box.hu)
    )  # identity geometry: its "space" is the index
    transform = sitk.AffineTransform(3)
    transform.SetMatrix(in_from_out[:3, :3].ravel().tolist())
    transform.SetTranslation((in_from_out[:3, 3] - lo).tolist())
    resampler = sitk.ResampleImageFilter()
    resampler.SetSize(size)
    resampler.SetTransform(transform)
    resampler.SetInterpolator(sitk.sitkLinear)
    resampler.SetDefaultPixelValue(float(fill_hu))
    resampler.SetOutputPixelType(sitk.sitkFloat32)
    resampled = resampler.Execute(image)
    return np.asarray(sitk.GetArrayFromImage(resampled), dtype=np.float32)


def sample_lps(
    volume: Volume, points_lps: ArrayLike, order: int = 1, *, fill_hu: float = AIR_HU
) -> NDArray[np.float64]:
    """CT values (...,) at points (..., 3) in LPS mm, trilinear (`order` 1), nearest (0) or cubic spline (3).

    Within half a voxel beyond the outermost voxel centres the border value holds, farther out `fill_hu`.
    """
    points = np.asarray(points_lps, dtype=np.float64)
    index = apply_affine(np.linalg.inv(volume.lps_from_index), points)
    top = np.array(volume.size_ijk, dtype=np.float64) - 1
    inside = np.all((index >= -0.5) & (index <= top + 0.5), axis=-1)
    out = np.full(points.shape[:-1], float(fill_hu))
    if not inside.any():
        return out
    at = np.clip(index[inside], 0, top)
    # The cubic spline's filter reaches beyond its four neighbours; 16 voxels bring what is lost below 1e-8.
    margin = 1 if order <= 1 else 16
    lo = np.maximum(np.floor(at.min(axis=0)).astype(np.int64) - margin, 0)
    box = crop_index_box(volume, lo, np.ceil(at.max(axis=0)).astype(np.int64) + margin + 1)
    out[inside] = map_coordinates(box.hu, (at - lo).T[::-1], order=order, mode="nearest", output=np.float64)
    return out
