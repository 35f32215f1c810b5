"""A CT from one NIfTI file (nibabel), or one NRRD or MetaImage file (SimpleITK).

These files say nothing of Hounsfield units, so what clearly is not HU (0 to 255 pictures) is refused here.
"""

from __future__ import annotations

import logging
import re
import warnings
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import product
from pathlib import Path
from typing import Any

import nibabel as nib
import numpy as np
import SimpleITK as sitk
from numpy.typing import NDArray

from septal_planner.errors import InputRefused
from septal_planner.geometry.frames import apply_affine
from septal_planner.inputs.volume import Progress, Volume, affine_fault
from septal_planner.inputs.voxels import as_hounsfield, quiet_sitk, stderr_kept_off

LPS_FROM_RAS = np.diag([-1.0, -1.0, 1.0, 1.0])


def read_image_file(path: Path, *, progress: Progress | None = None) -> Volume:
    """Read a NIfTI, NRRD or MetaImage file as a CT. Raises InputRefused."""
    if progress:
        progress(f"Reading the CT {path.name}")
    if path.name.lower().endswith((".nii", ".nii.gz")):
        return _read_nifti(path)
    return _read_with_sitk(path)


def _read_nifti(path: Path) -> Volume:
    """NIfTI-1 or -2: the sform where its code is above 0, otherwise the qform where that one's is; neither
    means the file does not say where the patient is (nifti1.h, "3D IMAGE (VOLUME) ORIENTATION AND LOCATION IN
    SPACE", method 1).
    """
    try:
        with _quiet_nibabel():
            image: Any = nib.load(path)
            header = image.header
            shape = tuple(int(n) for n in image.shape)
            sform, sform_code = header.get_sform(coded=True)
            qform, qform_code = header.get_qform(coded=True)
            unit = header.get_xyzt_units()[0]
    except Exception as error:  # nibabel raises many kinds for a damaged header
        raise InputRefused(
            f"The CT {path} cannot be read as NIfTI ({_first_line(error)}); it may be damaged or cut "
            "short, export it again."
        ) from error
    ras_from_index = sform if sform_code else qform
    if not sform_code and not qform_code:
        raise InputRefused(
            f"The NIfTI file {path} holds no valid orientation (its sform and qform codes are both 0), so "
            "left and right cannot be told apart; export it again with its orientation, or plan from DICOM."
        )
    _, ndim = _three_d(shape, path)
    lps_from_index = LPS_FROM_RAS @ np.asarray(ras_from_index, dtype=np.float64)
    _check_affine(lps_from_index, path)
    try:
        # dataobj applies scl_slope and scl_inter, and stays integer where there are none
        data = np.asanyarray(image.dataobj)
        if path.name.lower().endswith(".gz"):
            _check_checksum(path, 0)
    except Exception as error:
        raise InputRefused(
            f"The voxels of {path} cannot be read ({_first_line(error)}); the file may be damaged or cut "
            "short, export it again."
        ) from error
    if ndim > 3:
        data = data.reshape(shape[:3])
    hu = as_hounsfield(data.transpose(2, 1, 0), path)
    notes = []
    if unit not in ("mm", "unknown"):
        raise InputRefused(
            f"The NIfTI file {path} gives its positions in {unit}, not in millimetres; export it again in mm."
        )
    if np.linalg.det(lps_from_index[:3, :3]) < 0:
        notes.append("The CT's voxel axes are left-handed; its affine was used as it stands.")
    if sform_code and qform_code and not np.allclose(sform, qform, atol=0.01):
        ends = np.array(list(product(*[(0, n - 1) for n in shape[:3]])), dtype=np.float64)
        apart = np.linalg.norm(apply_affine(sform, ends) - apply_affine(qform, ends), axis=1).max()
        if apart > 0.05:
            notes.append(
                f"The NIfTI file holds two different placements (sform and qform, up to {apart:.1f} mm apart); the"
                " sform was used, so check that left and right and the landmarks are where they belong."
            )
    return Volume(hu, lps_from_index, source=f"NIfTI file {path.name}", notes=tuple(notes))


def _read_with_sitk(path: Path) -> Volume:
    reader = sitk.ImageFileReader()
    reader.SetFileName(str(path))
    try:
        with quiet_sitk(), stderr_kept_off():
            reader.ReadImageInformation()
            if reader.GetNumberOfComponents() != 1:
                raise InputRefused(
                    f"The CT {path} holds {reader.GetNumberOfComponents()} values per voxel (a colour or"
                    " vector image), expected one; export the CT itself."
                )
            if reader.GetDimension() > 4:
                raise InputRefused(
                    f"The CT {path} is {reader.GetDimension()}-D, expected a 3-D image; export one volume."
                )
            image = reader.Execute()
    except RuntimeError as error:
        raise InputRefused(
            f"The CT {path} cannot be read ({_sitk_reason(error)}); it may be damaged or cut short, export "
            "it again."
        ) from error
    size = image.GetSize()
    _, ndim = _three_d(size, path)
    if ndim == 4:
        image = image[:, :, :, 0]
    _check_placed(path)
    _check_local_checksum(path)
    lps_from_index = np.eye(4)
    lps_from_index[:3, :3] = np.reshape(image.GetDirection(), (3, 3)) * np.array(image.GetSpacing())
    lps_from_index[:3, 3] = image.GetOrigin()
    _check_affine(lps_from_index, path)
    hu = as_hounsfield(sitk.GetArrayFromImage(image), path)
    notes = []
    if np.linalg.det(lps_from_index[:3, :3]) < 0:
        notes.append("The CT's voxel axes are left-handed; its affine was used as it stands.")
    return Volume(hu, lps_from_index, source=f"image file {path.name}", notes=tuple(notes))


# NRRD format, "space": those in which the axes of the patient are known and which SimpleITK turns into LPS.
_NRRD_SPACES = (
    r"(left-posterior-superior|right-anterior-superior|left-anterior-superior|LPS|RAS|LAS)(-time|T)?\s*$"
)


def _check_placed(path: Path) -> None:
    """SimpleITK fills in an identity where a header leaves the orientation out: so ask the header's own text.
    """
    with open(path, "rb") as stream:
        header = stream.read(65536).decode("latin-1")
    if header.startswith("NRRD"):
        header = header.partition("\n\n")[0].replace("\r", "")
        placed = re.search(r"^space:\s*" + _NRRD_SPACES, header, re.MULTILINE | re.IGNORECASE) and re.search(
            r"^space directions:", header, re.MULTILINE | re.IGNORECASE
        )
    else:  # MetaImage: TransformMatrix, or one of its two older names
        placed = re.search(r"^(TransformMatrix|Rotation|Orientation)\s*=", header, re.MULTILINE)
    if not placed:
        raise InputRefused(
            f"The CT {path} holds no valid orientation (its header does not place the voxel axes in the"
            " patient), so left and right cannot be told apart; export it again with its orientation, or"
            " plan from DICOM."
        )


def _check_local_checksum(path: Path) -> None:
    """The checksum of voxels compressed behind their header (NRRD "encoding: gzip"; MetaImage CompressedData
    with ElementDataFile = LOCAL), which SimpleITK does not ask for.
    """
    with open(path, "rb") as stream:
        header = stream.read(65536)
    packed = re.search(rb"^(encoding:\s*gz(ip)?|CompressedData\s*=\s*True)\s*$", header, re.MULTILINE | re.IGNORECASE)
    end = re.search(rb"\r?\n\r?\n" if header.startswith(b"NRRD") else rb"ElementDataFile\s*=\s*LOCAL\r?\n", header)
    if not packed or not end or packed.start() > end.end() or end.end() >= path.stat().st_size:
        return
    if re.search(rb"^(data ?file|byte ?skip|line ?skip):", header[: end.end()], re.MULTILINE | re.IGNORECASE):
        return  # NRRD with its voxels elsewhere
    try:
        _check_checksum(path, end.end())
    except (OSError, zlib.error) as error:
        raise InputRefused(
            f"The voxels of {path} cannot be read ({_first_line(error)}); the file is damaged, export it again."
        ) from error


def _check_checksum(path: Path, start: int) -> None:
    """Unpack a gzip or zlib stream to its very end, where its checksum stands (RFC 1952, RFC 1950): readers stop
    once they have their voxels. Raises zlib.error or OSError where it is spoilt.
    """
    with open(path, "rb") as stream:
        stream.seek(start)
        unpack, rest = zlib.decompressobj(wbits=47), b""  # 47: gzip or zlib, by its header
        while chunk := rest or stream.read(1 << 20):
            unpack.decompress(chunk)
            rest = b""
            if unpack.eof:
                rest = unpack.unused_data or stream.read(2)
                if rest[:2] != b"\x1f\x8b":  # no further gzip member
                    return
                unpack = zlib.decompressobj(wbits=47)
        raise OSError("it ends before its checksum")


@contextmanager
def _quiet_nibabel() -> Iterator[None]:
    """nibabel's warnings and log lines about odd headers kept off the console."""
    logger = logging.getLogger("nibabel.global")
    before = logger.disabled
    logger.disabled = True
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        logger.disabled = before


def _three_d(shape: tuple[int, ...], path: Path) -> tuple[tuple[int, ...], int]:
    if len(shape) < 3 or any(n > 1 for n in shape[3:]):
        words = "×".join(str(n) for n in shape)
        raise InputRefused(
            f"The CT {path} is {len(shape)}-D ({words}), expected a 3-D image; export one single volume."
        )
    if min(shape[:3]) < 2:
        words = "×".join(str(n) for n in shape[:3])
        raise InputRefused(
            f"The CT {path} is a single slice ({words} voxels), expected a volume; export the whole CT."
        )
    return shape[:3], len(shape)


def _check_affine(lps_from_index: NDArray[np.float64], path: Path) -> None:
    fault = affine_fault(lps_from_index)
    if fault:
        raise InputRefused(f"The affine of the CT {path} {fault}; export it again with its orientation.")


def _first_line(error: BaseException) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0].rstrip(".")


def _sitk_reason(error: BaseException) -> str:
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    return lines[-1].rstrip(".") if lines else type(error).__name__
