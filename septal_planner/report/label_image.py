"""The labels as a NIfTI file that any reader lays over the CT."""

from __future__ import annotations

import gzip
from pathlib import Path

import nibabel
import numpy as np
from numpy.typing import NDArray

from septal_planner.output_folder import write_whole

RAS_FROM_LPS = np.diag([-1.0, -1.0, 1.0, 1.0])


def write_labels(labels: NDArray[np.uint8], lps_from_index: NDArray[np.float64], path: Path) -> None:
    """Write labels [k, j, i] as gzipped NIfTI-1, uint8, the affine converted to RAS as the format has it.

    The affine stands in the sform, which can hold a sheared grid (gantry tilt); in the qform too where the axes are
    square to each other, since it can hold no others. Raises InputRefused where the file cannot be written.
    """
    ras_from_index = RAS_FROM_LPS @ lps_from_index
    image = nibabel.Nifti1Image(np.ascontiguousarray(labels.transpose(2, 1, 0)), ras_from_index)
    image.header.set_xyzt_units("mm")
    image.set_sform(ras_from_index, code="scanner")
    axes = lps_from_index[:3, :3] / np.linalg.norm(lps_from_index[:3, :3], axis=0)
    square = bool(np.allclose(axes.T @ axes, np.eye(3), atol=1e-5))
    image.set_qform(ras_from_index if square else None, code="scanner" if square else 0)
    # no time of day in the file: the same plan gives the same bytes
    write_whole(path, gzip.compress(image.to_bytes(), 6, mtime=0))
