"""Voxels on a flat grid that lies anyhow in space, fast enough to follow the mouse."""

from __future__ import annotations

import threading
import weakref
from collections import OrderedDict

import numpy as np
import SimpleITK as sitk
from numpy.typing import ArrayLike, NDArray

# SimpleITK has its own copy of the voxels: kept for a few full CTs (the phases of a cine), dropped with them
KEPT_VOXELS = 300_000_000
FEW_SAMPLES = 60_000  # sooner done by one thread than shared among several, the more so on a busy machine
_images: OrderedDict[int, sitk.Image] = OrderedDict()
_lock = threading.RLock()


def sample_grid(
    values: NDArray[np.generic], lps_from_index: ArrayLike, first_lps: ArrayLike, down_step_lps: ArrayLike,
    right_step_lps: ArrayLike, shape: tuple[int, int], outside: float,
) -> NDArray[np.float32]:
    """Voxels [k, j, i], placed by a 4x4, trilinear at first + row * down_step + column * right_step, as float32 of
    `shape` (rows, columns).

    Within half a voxel beyond the outermost voxel centres the border value holds, farther out `outside`. In index
    space, so that oblique, left-handed and sheared volumes come out right.
    """
    index_from_lps = np.linalg.inv(np.asarray(lps_from_index, dtype=np.float64))
    turn = index_from_lps[:3, :3]
    steps = [turn @ np.asarray(step, dtype=np.float64) for step in (right_step_lps, down_step_lps)]
    # a third axis, so that the matrix can be inverted
    matrix = np.stack([*steps, np.cross(steps[0], steps[1])], axis=1)
    transform = sitk.AffineTransform(3)
    transform.SetMatrix(matrix.ravel().tolist())
    transform.SetTranslation((turn @ np.asarray(first_lps, dtype=np.float64) + index_from_lps[:3, 3]).tolist())
    resampler = sitk.ResampleImageFilter()
    if shape[0] * shape[1] < FEW_SAMPLES:
        resampler.SetNumberOfThreads(1)
    resampler.SetSize([shape[1], shape[0], 1])
    resampler.SetTransform(transform)
    resampler.SetInterpolator(sitk.sitkLinear)
    resampler.SetDefaultPixelValue(outside)
    resampler.SetOutputPixelType(sitk.sitkFloat32)
    resampled = resampler.Execute(_image_of(values))
    return np.asarray(sitk.GetArrayFromImage(resampled)[0], dtype=np.float32)


def take_in(values: NDArray[np.generic]) -> None:
    """Copy voxels to where cuts are made from, ahead of the first cut: half a second for a full CT, for a thread beside
    the window."""
    with _lock:
        if id(values) in _images:
            return
    values.max()  # pages that came as shared memory are fetched here, where numpy lets other threads go on
    image = _made(values)
    with _lock:
        _keep(values, image)


def forget(*arrays: NDArray[np.generic]) -> None:
    """Drop what is kept of voxels no longer shown, as `Volume.hu`."""
    with _lock:
        for array in arrays:
            _images.pop(id(array), None)


def _image_of(values: NDArray[np.generic]) -> sitk.Image:
    """Voxels as SimpleITK has them, placed by index alone."""
    with _lock:
        if id(values) not in _images:
            _keep(values, _made(values))
        _images.move_to_end(id(values))
        return _images[id(values)]


def _made(values: NDArray[np.generic]) -> sitk.Image:
    return sitk.GetImageFromArray(np.ascontiguousarray(values))


def _keep(values: NDArray[np.generic], image: sitk.Image) -> None:
    _images[id(values)] = image
    weakref.finalize(values, _images.pop, id(values), None)  # the same id may come again for other voxels
    while len(_images) > 1 and sum(one.GetNumberOfPixels() for one in _images.values()) > KEPT_VOXELS:
        _images.popitem(last=False)
