"""Voxel values on their way to Hounsfield units: the smallest exact type, and what cannot be HU refused."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import SimpleITK as sitk
from numpy.typing import NDArray

from septal_planner.errors import InputRefused

INT16 = np.iinfo(np.int16)

OPACIFIED_HU = 200.0
OPACIFIED_CM2 = 8.0


@contextmanager
def quiet_sitk() -> Iterator[None]:
    """SimpleITK's C++ warnings kept off the console; what matters in them is checked by us and said in a
    sentence.
    """
    before = sitk.ProcessObject.GetGlobalWarningDisplay()
    sitk.ProcessObject.SetGlobalWarningDisplay(False)
    try:
        yield
    finally:
        sitk.ProcessObject.SetGlobalWarningDisplay(before)


@contextmanager
def stderr_kept_off() -> Iterator[None]:
    """The image readers and codecs write their complaints straight to the process's stderr, even about files
    that decode well (12-bit JPEG); an error comes back as an exception all the same.
    """
    try:
        kept = os.dup(2)
    except OSError:  # no stderr at all, as under a window system
        yield
        return
    try:
        with open(os.devnull, "wb") as nowhere:
            os.dup2(nowhere.fileno(), 2)
            yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)


def smallest_exact(values: NDArray[np.generic]) -> NDArray[np.generic]:
    """Voxels [k, j, i] as contiguous int16 where every value is whole and fits, otherwise float32."""
    if values.dtype == np.int16:
        return np.ascontiguousarray(values)
    fits = np.issubdtype(values.dtype, np.integer) or all(bool(np.all(np.rint(s) == s)) for s in values)
    if fits and values.min() >= INT16.min and values.max() <= INT16.max:
        return np.ascontiguousarray(values, dtype=np.int16)
    return np.ascontiguousarray(values, dtype=np.float32)


def as_hounsfield(values: NDArray[np.generic], path: Path) -> NDArray[np.generic]:
    """Voxels [k, j, i] of a file without a unit, as int16 or float32. Raises InputRefused for what is not a
    CT in HU: no numbers, values that are not finite, one value throughout, nothing below 0, or a span of 2 at most.
    """
    if not (np.issubdtype(values.dtype, np.integer) or np.issubdtype(values.dtype, np.floating)):
        raise InputRefused(
            f"The voxels of {path} are of type {values.dtype}, expected one number each; export the CT"
            " itself."
        )
    if np.issubdtype(values.dtype, np.floating):
        bad = sum(int(np.count_nonzero(~np.isfinite(s))) for s in values)
        if bad:
            raise InputRefused(
                f"The CT {path} holds {bad} voxels that are not finite numbers (NaN or infinity); export it "
                "again with a number such as -1024 where there is no data."
            )
    low, high = float(values.min()), float(values.max())
    if low == high:
        raise InputRefused(
            f"Every voxel of {path} has the value {low:g}, so there is no patient in it; choose another file."
        )
    if low >= 0 and high <= 255:
        raise InputRefused(
            f"The values of {path} run from {low:g} to {high:g}: an 8-bit picture, not "
            "Hounsfield units (air is -1000); export the CT with its original values."
        )
    if low >= 0 or high - low <= 2:
        raise InputRefused(
            f"The values of {path} run from {low:g} to {high:g}, not Hounsfield units (lung and fat lie below 0); the"
            " rescale was left out or the values were scaled, so export the CT with its original values."
        )
    return smallest_exact(values)


def blood_opacification(
    hu: NDArray[np.generic], row_step_mm: float, column_step_mm: float
) -> tuple[float | None, bool]:
    """An estimate whether the heart is filled with contrast, from slices hu [k, j, i] near the middle: the
    median HU of evenly bright cells of 6 mm (a chamber is wide and even, bone is neither), None where there
    are none, and whether in the median slice they cover more than a vertebra could. Area and level are
    practice values, no source.
    """
    nj, ni = max(1, round(6 / row_step_mm)), max(1, round(6 / column_step_mm))
    k, j, i = hu.shape
    cells = hu[:, : j // nj * nj, : i // ni * ni].astype(np.float32).reshape(k, j // nj, nj, i // ni, ni)
    mean, spread = cells.mean(axis=(2, 4)), cells.std(axis=(2, 4))
    bright = (mean > OPACIFIED_HU) & (mean < 1000) & (spread < 0.25 * mean)
    if not bright.any():
        return None, False
    area_cm2 = bright.sum(axis=(1, 2)) * nj * ni * row_step_mm * column_step_mm / 100
    return float(np.median(mean[bright])), bool(np.median(area_cm2) >= OPACIFIED_CM2)
