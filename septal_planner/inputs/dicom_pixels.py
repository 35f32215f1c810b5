"""Voxels of DICOM slices in Hounsfield units, decoded by SimpleITK (every compression GDCM knows, rescale
applied).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import SimpleITK as sitk
from numpy.typing import NDArray

from septal_planner.errors import InputRefused
from septal_planner.inputs.dicom_headers import SliceHeader
from septal_planner.inputs.volume import Progress
from septal_planner.inputs.voxels import quiet_sitk, smallest_exact

BLOCK = (
    50  # slices read at once: between two blocks progress is told, and one block is all that is held twice
)


def decode(slices: Sequence[SliceHeader], *, progress: Progress | None = None) -> NDArray[np.generic]:
    """Voxels [k, j, i] of slices of one size in the order given, int16 where exact, otherwise float32. Raises
    InputRefused naming the file that cannot be decoded.
    """
    out: NDArray[np.generic] | None = None
    for start in range(0, len(slices), BLOCK):
        if progress:
            progress(f"Reading the CT: slice {start + 1} of {len(slices)}")
        block = smallest_exact(_decode_block(slices[start : start + BLOCK]))
        if out is None:
            out = np.empty((len(slices), *block.shape[1:]), dtype=block.dtype)
        elif out.dtype != block.dtype:
            out = out.astype(np.float32)
        out[start : start + BLOCK] = block
    if out is None:
        raise ValueError("no slices to decode")
    return out


def _decode_block(slices: Sequence[SliceHeader]) -> NDArray[np.generic]:
    try:
        return _read([s.path.as_posix() for s in slices])
    except RuntimeError as error:
        for s in slices:
            try:
                _read([s.path.as_posix()])
            except RuntimeError as reason:
                raise InputRefused(
                    f"The voxels of {s.path} cannot be decoded; the file is damaged, copy the series again."
                ) from reason
        raise InputRefused(
            f"The voxels of {slices[0].path} and the slices after it cannot be decoded together; export the "
            "series again."
        ) from error


def _read(files: list[str]) -> NDArray[np.generic]:
    reader = sitk.ImageSeriesReader()
    reader.SetFileNames(files)
    with quiet_sitk():
        image = reader.Execute()
    array = sitk.GetArrayFromImage(image)
    if array.ndim != 3:
        raise RuntimeError(f"expected one value per voxel, found an array of shape {array.shape}")
    return np.asarray(array)
