"""Voxels of the frames of an enhanced file in Hounsfield units.

The frames are taken out one by one, in any order, and each rescaled by its own functional group: readers that take such
a file whole apply one rescale to all, or none. Compressed frames go to SimpleITK as single pictures.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pydicom
import SimpleITK as sitk
from numpy.typing import NDArray
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.uid import UID

from septal_planner.errors import InputRefused
from septal_planner.inputs.dicom_headers import DEFLATED, SECONDARY_CAPTURE, UNCOMPRESSED, SliceHeader, integer
from septal_planner.inputs.stored_pixels import BIG_ENDIAN, frame_bytes, stored_bytes
from septal_planner.inputs.volume import Progress
from septal_planner.inputs.voxels import quiet_sitk, smallest_exact, stderr_kept_off

BLOCK = 16


def decode_frames(slices: Sequence[SliceHeader], *, progress: Progress | None = None) -> NDArray[np.generic]:
    """Voxels [k, j, i] of frames of one size in the order given, int16 where exact, otherwise float32. Raises
    InputRefused naming the file that cannot be decoded.
    """
    out: NDArray[np.generic] | None = None
    inflated: dict[Path, bytes] = {}
    for start in range(0, len(slices), BLOCK):
        if progress:
            progress(f"Reading the CT: slice {start + 1} of {len(slices)}")
        block = slices[start : start + BLOCK]
        try:
            stored = _stored(block, inflated)
        except Exception as error:  # codecs and pydicom raise many kinds for damaged data
            raise InputRefused(
                f"The voxels of {block[0].path} cannot be decoded (frame {(block[0].frame or 0) + 1} or one of the"
                f" {len(block) - 1} after it); the file is damaged, copy it again."
            ) from error
        slope = np.array([s.slope for s in block], dtype=np.float64)[:, None, None]
        intercept = np.array([s.intercept for s in block], dtype=np.float64)[:, None, None]
        hu = smallest_exact(stored * slope + intercept)
        if out is None:
            out = np.empty((len(slices), *hu.shape[1:]), dtype=hu.dtype)
        elif hu.dtype == np.float32 and out.dtype == np.int16:
            out = out.astype(np.float32)
        out[start : start + BLOCK] = hu
    if out is None:
        raise ValueError("no frames to decode")
    return out


def _stored(block: Sequence[SliceHeader], inflated: dict[Path, bytes]) -> NDArray[np.int64]:
    """Stored values of a block of frames, in the order given."""
    plain = [s.transfer_syntax in (*UNCOMPRESSED, DEFLATED) for s in block]
    if any(plain) and not all(plain):
        return np.concatenate([_stored([s], inflated) for s in block])
    if all(plain):
        return np.stack([_uncompressed(s, inflated) for s in block])
    with TemporaryDirectory() as folder:
        names = []
        for n, s in enumerate(block):
            names.append(Path(folder, f"{n}.dcm").as_posix())
            _single_picture(s).save_as(names[-1], enforce_file_format=True)
        reader = sitk.ImageSeriesReader()
        reader.SetFileNames(names)
        with quiet_sitk(), stderr_kept_off():
            image = reader.Execute()
    wanted = (block[0].columns, block[0].rows, len(block))
    if image.GetSize() != wanted or image.GetNumberOfComponentsPerPixel() != 1:
        raise RuntimeError(f"expected voxels of size {wanted}, one value each, found {image.GetSize()}")
    return np.asarray(sitk.GetArrayFromImage(image), dtype=np.int64)


def _uncompressed(s: SliceHeader, inflated: dict[Path, bytes]) -> NDArray[np.int64]:
    """One frame, the bits above Bits Stored cleared or filled with the sign (PS3.5 8.1.1)."""
    size = frame_bytes(s)
    if s.transfer_syntax == DEFLATED:
        if s.path not in inflated:
            inflated.clear()  # one file at a time is enough
            inflated[s.path] = bytes(pydicom.dcmread(s.path, specific_tags=["PixelData"]).PixelData)
        at = (s.frame or 0) * size
        data = inflated[s.path][at : at + size]
    else:
        data = stored_bytes(s)
    bits = s.bits or 16
    order = ">" if s.transfer_syntax == BIG_ENDIAN else "<"
    values = np.frombuffer(data, dtype=f"{order}u{bits // 8}").reshape(s.rows or 0, s.columns or 0)
    used = integer(s.dataset, "BitsStored") or bits
    wide = values.astype(np.int64) & ((1 << used) - 1)
    if integer(s.dataset, "PixelRepresentation"):
        wide = np.where(wide >> (used - 1), wide - (1 << used), wide)
    return wide


def _single_picture(s: SliceHeader) -> Dataset:
    """A frame as a file of its own, without place or rescale."""
    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = UID(SECONDARY_CAPTURE)
    ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = UID(f"2.25.{(s.frame or 0) + 1}")
    ds.file_meta.TransferSyntaxUID = UID(s.transfer_syntax)
    ds.Modality = "OT"
    ds.Rows, ds.Columns, ds.SamplesPerPixel = s.rows, s.columns, 1
    ds.PhotometricInterpretation = "MONOCHROME2"
    ds.BitsAllocated = s.bits
    ds.BitsStored = integer(s.dataset, "BitsStored") or s.bits
    ds.HighBit = ds.BitsStored - 1
    ds.PixelRepresentation = integer(s.dataset, "PixelRepresentation") or 0
    ds.PixelData = encapsulate([stored_bytes(s)])
    ds["PixelData"].VR = "OB"
    return ds
