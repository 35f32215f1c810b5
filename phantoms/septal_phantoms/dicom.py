"""A phantom as a DICOM CT series: CT Image Storage (PS3.3 A.3), Explicit VR Little Endian, marked as
invented."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import UID, CTImageStorage, ExplicitVRLittleEndian

from septal_phantoms.phantom import Phantom

MARK = "INVENTED PHANTOM - NOT A PATIENT"
RESCALE_INTERCEPT = -1024


def uid(*parts: object) -> str:
    """A UID made from `parts`, the same for the same parts: 2.25 and 128 bits of their SHA-256 (PS3.5
    B.2)."""
    digest = hashlib.sha256("\x1f".join(map(str, parts)).encode()).digest()
    return f"2.25.{int.from_bytes(digest[:16], 'big')}"


def frame_of_reference_uid(phantom: Phantom) -> str:
    """One frame of reference per phantom, shared by its phases."""
    return uid("septal_phantoms frame", phantom.name, phantom.seed)


def series_instance_uid(phantom: Phantom) -> str:
    """One series per phantom, phase, seed and grid."""
    return uid(
        "septal_phantoms series",
        phantom.name,
        phantom.seed,
        f"{phantom.phase_percent:g}",
        phantom.hu.shape,
        phantom.lps_from_index.round(6).tolist(),
    )


def _decimal(value: float) -> str:
    """A DS of at most 16 characters."""
    return f"{value:.10g}"[:16]


def _header(phantom: Phantom) -> Dataset:
    """Everything the slices share."""
    step = [float(np.linalg.norm(phantom.lps_from_index[:3, n])) for n in range(3)]
    axes = phantom.lps_from_index[:3, :3] / step
    phase = f"{phantom.phase_percent:g}"
    d = Dataset()
    d.SpecificCharacterSet = "ISO_IR 192"
    d.ImageType = ["ORIGINAL", "PRIMARY", "AXIAL"]
    d.SOPClassUID = CTImageStorage
    d.StudyDate = d.SeriesDate = d.AcquisitionDate = d.ContentDate = "20000101"
    d.StudyTime = d.SeriesTime = d.AcquisitionTime = d.ContentTime = "120000"
    d.AccessionNumber = ""
    d.Modality = "CT"
    d.Manufacturer = "PHANTOM"
    d.ManufacturerModelName = "septal_phantoms"
    d.ReferringPhysicianName = ""
    d.StudyDescription = f"{MARK}: {phantom.name}"
    d.SeriesDescription = f"PHANTOM {phase} % {phantom.name} (invented)"
    d.PatientName = "PHANTOM^INVENTED"
    d.PatientID = f"PHANTOM-{phantom.name}"[:64]
    d.PatientBirthDate = ""
    d.PatientSex = "O"
    d.PatientComments = MARK
    if phantom.name != "no-contrast":
        d.ContrastBolusAgent = "PHANTOM CONTRAST (invented)"
    d.BodyPartExamined = "HEART"
    d.SliceThickness = _decimal(step[2])
    d.KVP = "120"
    d.ProtocolName = "PHANTOM CARDIAC"
    d.NominalPercentageOfCardiacPhase = phantom.phase_percent
    d.PatientPosition = "HFS"
    d.RescaleIntercept, d.RescaleSlope, d.RescaleType = str(RESCALE_INTERCEPT), "1", "HU"
    d.StudyInstanceUID = uid("septal_phantoms study", phantom.name, phantom.seed)
    d.SeriesInstanceUID = series_instance_uid(phantom)
    d.StudyID = "1"
    d.SeriesNumber = str(round(phantom.phase_percent) + 1)
    d.AcquisitionNumber = "1"
    d.FrameOfReferenceUID = frame_of_reference_uid(phantom)
    d.PositionReferenceIndicator = ""
    d.ImageOrientationPatient = [_decimal(v) for v in (*axes[:, 0], *axes[:, 1])]
    d.ImageComments = f"{MARK}. Synthetic CT of an invented heart, for trying and testing software only."
    d.SamplesPerPixel = 1
    d.PhotometricInterpretation = "MONOCHROME2"
    d.Rows, d.Columns = phantom.hu.shape[1:]
    d.PixelSpacing = [_decimal(step[1]), _decimal(step[0])]
    d.BitsAllocated = d.BitsStored = 16
    d.HighBit = 15
    d.PixelRepresentation = 1
    d.WindowCenter, d.WindowWidth = "250", "800"
    return d


def write_dicom(
    phantom: Phantom | Sequence[Phantom],
    folder: str | os.PathLike[str],
    progress: Callable[[float], None] | None = None,
) -> list[Path]:
    """Write one CT series into `folder` (made if absent), one file per slice, or the series of several phases of a
    heart side by side; returns the paths.

    UIDs depend only on name, seed, phase and grid, and dates are fixed, so the same phantom gives the same
    bytes. Each file is written beside its place and moved there whole."""
    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    series = [phantom] if isinstance(phantom, Phantom) else list(phantom)
    total = sum(one.hu.shape[0] for one in series)
    written: list[Path] = []
    for one in series:
        stem = "phantom" if len(series) == 1 else f"phantom_{one.phase_percent:g}"
        for k in range(one.hu.shape[0]):
            path = target / f"{stem}_{k + 1:04d}.dcm"
            _write_slice(one, k, path)
            written.append(path)
            if progress is not None:
                progress(len(written) / total)
    return written


def _write_slice(phantom: Phantom, k: int, path: Path) -> None:
    """Slice `k` as one file."""
    d = _header(phantom)
    d.SOPInstanceUID = uid(series_instance_uid(phantom), k)
    d.InstanceNumber = str(k + 1)
    position = (phantom.lps_from_index @ np.array([0.0, 0.0, k, 1.0]))[:3]
    d.ImagePositionPatient = [_decimal(v) for v in position]
    along = phantom.lps_from_index[:3, 2] / np.linalg.norm(phantom.lps_from_index[:3, 2])
    d.SliceLocation = _decimal(float(position @ along))
    stored = phantom.hu[k].astype(np.int32) - RESCALE_INTERCEPT
    d.PixelData = stored.astype("<i2").tobytes()
    d["PixelData"].VR = "OW"
    d.file_meta = FileMetaDataset()
    d.file_meta.MediaStorageSOPClassUID = CTImageStorage
    d.file_meta.MediaStorageSOPInstanceUID = d.SOPInstanceUID
    d.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    d.file_meta.ImplementationClassUID = UID(uid("septal_phantoms implementation"))
    d.file_meta.ImplementationVersionName = "SEPTAL_PHANTOMS"
    scratch = path.with_suffix(".part")
    try:
        d.save_as(scratch, enforce_file_format=True)
        os.replace(scratch, path)
    finally:
        scratch.unlink(missing_ok=True)
