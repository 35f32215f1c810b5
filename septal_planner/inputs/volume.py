"""A CT in Hounsfield units with its place in the patient, and the door through which every CT comes in."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from septal_planner.errors import InputRefused

Progress = Callable[[str], None]  # told what is being done, in words for the person who waits

IMAGE_SUFFIXES = (".nii", ".nii.gz", ".nrrd", ".nhdr", ".mha", ".mhd")


@dataclass(frozen=True)
class Volume:
    """CT voxels `hu` [k, j, i] (int16, or float32 where the file is fractional) placed by the 4x4
    `lps_from_index` (i, j, k order; may be oblique, left-handed or sheared, never singular).

    Raises ValueError where the voxels are not 3-D or the affine is not a finite, invertible 4x4.
    """

    hu: NDArray[np.generic]
    lps_from_index: NDArray[np.float64]
    source: str = ""  # what was read, for messages; never a patient name
    series_instance_uid: str | None = None
    frame_of_reference_uid: str | None = None
    phase_percent: float | None = None  # of the RR interval; None: not recorded
    patient_position: str | None = None  # DICOM (0018,5100), e.g. "HFS"; None: not recorded
    identity: dict[str, str] | None = None  # name, id, birth date; printed only with --with-identity
    notes: tuple[str, ...] = ()  # what was found odd and how it was handled, for the plan's cautions

    def __post_init__(self) -> None:
        if self.hu.ndim != 3 or min(self.hu.shape) < 1:
            raise ValueError(f"CT voxels must be a 3-D array [k, j, i], found shape {self.hu.shape}")
        fault = affine_fault(self.lps_from_index)
        if fault:
            raise ValueError(f"the affine of a CT {fault}")

    @property
    def size_ijk(self) -> tuple[int, int, int]:
        """Columns, rows, slices."""
        k, j, i = self.hu.shape
        return i, j, k


def affine_fault(lps_from_index: NDArray[np.float64]) -> str | None:
    """What keeps a matrix from placing a volume, as the end of a sentence, or None where it is sound: 4x4,
    finite, last row (0, 0, 0, 1), and axes that span space (volume of the unit cell above 1e-6 of the box of
    its edges).
    """
    m = np.asarray(lps_from_index, dtype=np.float64)
    if m.shape != (4, 4):
        return f"must be 4x4, found {m.shape}"
    if not np.isfinite(m).all():
        return "holds a number that is not finite"
    if not np.allclose(m[3], [0, 0, 0, 1]):
        return "does not end in the row 0 0 0 1"
    edges = np.linalg.norm(m[:3, :3], axis=0)
    if not edges.min() > 1e-6 or abs(np.linalg.det(m[:3, :3])) < 1e-6 * edges.prod():
        return "is singular: two axes coincide or a spacing is zero"
    return None


def is_image_file(path: Path) -> bool:
    """Whether a path is a file named as NIfTI, NRRD or MetaImage are; anything else is asked whether it is
    DICOM.
    """
    return path.name.lower().endswith(IMAGE_SUFFIXES) and path.is_file()


def read_volume(
    path: str | os.PathLike[str] | Sequence[str | os.PathLike[str]],
    *,
    series_uid: str | None = None,
    phase_percent: float | None = None,
    progress: Progress | None = None,
) -> Volume:
    """Read a CT from a DICOM folder (any nesting), a list of DICOM files, one DICOM file (its whole series in
    that folder is read), or a NIfTI, NRRD or MetaImage file.

    `series_uid` names one of several DICOM series (a selector as `list_series` gives it); `phase_percent` chooses the
    phase nearest to it, at most 5 % of the RR interval away. Raises InputRefused.
    """
    # Imported here because the readers build Volumes: they stand on this file, not beside it.
    if isinstance(path, (list, tuple)):
        from septal_planner.inputs.dicom_series import read_dicom

        return read_dicom(
            [Path(p) for p in path], series_uid=series_uid, phase_percent=phase_percent, progress=progress
        )
    one = Path(path)  # type: ignore[arg-type]
    if not one.exists():
        raise InputRefused(f"The CT {one} does not exist; check the path.")
    if is_image_file(one):
        from septal_planner.inputs.image_file import read_image_file

        if series_uid is not None:
            raise InputRefused(
                f"A series was named ({series_uid}) but {one} is not DICOM and holds no series; "
                "leave --series out."
            )
        if phase_percent is not None:
            raise InputRefused(
                f"A phase was asked for ({phase_percent:g} %) but {one} is not DICOM and does not say which it shows; "
                "leave --phase out."
            )
        return read_image_file(one, progress=progress)
    from septal_planner.inputs.dicom_series import read_dicom

    return read_dicom(one, series_uid=series_uid, phase_percent=phase_percent, progress=progress)


def content_sha256(volume: Volume) -> str:
    """SHA-256 (hex) of what was planned on: size i j k, voxel type, affine (16 little-endian doubles by rows)
    and voxels (little-endian, i fastest, then j, then k). The same for the same content whatever file it came
    from.
    """
    little = volume.hu.dtype.newbyteorder("<")
    # + 0.0 turns a minus zero into zero, which places voxels just the same
    affine = np.ascontiguousarray(volume.lps_from_index + 0.0, dtype="<f8")
    digest = hashlib.sha256(f"{volume.size_ijk} {little.str}".encode())
    digest.update(affine.tobytes())
    for one_slice in volume.hu:  # slice by slice, so that a strided view costs one slice of memory
        digest.update(np.ascontiguousarray(one_slice, dtype=little).data)
    return digest.hexdigest()
