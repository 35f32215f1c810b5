"""Voxels of DICOM slices in Hounsfield units, decoded by SimpleITK (every compression GDCM knows, rescale
applied).
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import nullcontext

import numpy as np
import SimpleITK as sitk
from numpy.typing import NDArray

from septal_planner.errors import InputRefused
from septal_planner.inputs.dicom_headers import UNCOMPRESSED, SliceHeader
from septal_planner.inputs.enhanced_pixels import decode_frames
from septal_planner.inputs.volume import Progress
from septal_planner.inputs.voxels import quiet_sitk, smallest_exact, stderr_kept_off

BLOCK = 16  # slices read at once: progress is told between blocks, and one block is all that is held twice


def decode(slices: Sequence[SliceHeader], *, progress: Progress | None = None) -> NDArray[np.generic]:
    """Voxels [k, j, i] of slices of one size in the order given, int16 where exact, otherwise float32. Raises
    InputRefused naming the file that cannot be decoded.
    """
    if slices and slices[0].frame is not None:
        return decode_frames(slices, progress=progress)
    # The series reader takes its voxel type from the first file, which need not suit a file rescaled
    # otherwise.
    mixed = len({(s.slope, s.intercept) for s in slices}) > 1
    out: NDArray[np.generic] | None = None
    for start in range(0, len(slices), BLOCK):
        if progress:
            progress(f"Reading the CT: slice {start + 1} of {len(slices)}")
        image = _decode_block(slices[start : start + BLOCK], mixed)
        block = smallest_exact(
            np.asarray(sitk.GetArrayViewFromImage(image))
        )  # a view: the image must stay alive
        if out is None:
            out = np.empty((len(slices), *block.shape[1:]), dtype=block.dtype)
        elif block.dtype == np.float32 and out.dtype == np.int16:
            out = out.astype(np.float32)
        out[start : start + BLOCK] = block
    if out is None:
        raise ValueError("no slices to decode")
    return out


def _decode_block(slices: Sequence[SliceHeader], mixed: bool) -> sitk.Image:
    try:
        return _read(slices, mixed)
    except RuntimeError as error:
        for s in slices:
            try:
                _read([s], mixed)
            except RuntimeError as reason:
                raise InputRefused(
                    f"The voxels of {s.path} cannot be decoded; the file is damaged, copy the series again."
                ) from reason
        raise InputRefused(
            f"The voxels of {slices[0].path} and the slices after it cannot be decoded together; export the "
            "series again."
        ) from error


def _read(slices: Sequence[SliceHeader], mixed: bool) -> sitk.Image:
    reader = sitk.ImageSeriesReader()
    reader.SetFileNames([s.path.as_posix() for s in slices])
    if mixed:
        reader.SetOutputPixelType(sitk.sitkFloat32)
    compressed = any(s.transfer_syntax not in UNCOMPRESSED for s in slices)
    with quiet_sitk(), stderr_kept_off() if compressed else nullcontext():
        image: sitk.Image = reader.Execute()
    wanted = (slices[0].columns, slices[0].rows, len(slices))
    if image.GetSize() != wanted or image.GetNumberOfComponentsPerPixel() != 1:
        raise RuntimeError(f"expected voxels of size {wanted}, one value each, found {image.GetSize()}")
    return image
