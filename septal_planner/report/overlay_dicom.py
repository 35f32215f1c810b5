"""Frames with the plan burnt in, as a secondary XA series beside the original (PS3.3 A.14, C.7.6.1.1.2)."""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pydicom
from numpy.typing import NDArray
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.sequence import Sequence
from pydicom.uid import UID, ExplicitVRLittleEndian, XRayAngiographicImageStorage

from septal_planner import __version__

# What a frame keeps of its source: who, which study, and the geometry that makes it usable again
_KEPT = (
    "SpecificCharacterSet", "StudyDate", "StudyTime", "AccessionNumber", "ReferringPhysicianName", "StudyDescription",
    "PatientName", "PatientID", "PatientBirthDate", "PatientSex", "PatientComments", "StudyInstanceUID", "StudyID",
    "BodyPartExamined", "Laterality", "PatientOrientation", "RadiationSetting", "KVP", "Exposure", "XRayTubeCurrent",
    "ExposureTime", "FrameTime", "FrameTimeVector", "FrameIncrementPointer", "RecommendedDisplayFrameRate",
    "CineRate", "PositionerMotion",
)
MARK = "Plan drawn on the frame: planning aid, not for diagnosis"


def write_burnt_in(
    source: Path,
    frames: Iterable[NDArray[np.uint8]],
    path: Path,
    *,
    count: int,
    numbers: tuple[int, ...],
    geometry: tuple[float, float, float, float, tuple[float, float]],
    told: str,
) -> None:
    """Write `count` grey frames (rows, columns) one by one; `numbers` are the frames of `source` they come from (none:
    all), `geometry` primary, secondary, source to detector, source to isocentre and pixel spacing. `path` must be new;
    write into a staged folder. Raises OSError where it cannot be written.
    """
    origin = pydicom.dcmread(source, stop_before_pixels=True)
    each = iter(frames)
    first = next(each)
    d = _header(origin, first.shape, count, numbers, geometry, told)
    length = count * first.size
    with open(path, "wb") as stream:
        pydicom.dcmwrite(stream, d, enforce_file_format=True)
        stream.write(struct.pack("<HH2sHI", 0x7FE0, 0x0010, b"OB", 0, length + length % 2))
        stream.write(np.ascontiguousarray(first).tobytes())
        written = 1
        for frame in each:
            stream.write(np.ascontiguousarray(frame).tobytes())
            written += 1
        if written != count:
            raise ValueError(f"{count} frames were promised, {written} came")
        stream.write(b"\0" * (length % 2))


def _header(
    origin: Dataset,
    shape: tuple[int, ...],
    count: int,
    numbers: tuple[int, ...],
    geometry: tuple[float, float, float, float, tuple[float, float]],
    told: str,
) -> Dataset:
    primary, secondary, sid, sod, spacing = geometry
    d = Dataset()
    for keyword in _KEPT:
        if keyword in origin and (count > 1 or "Frame" not in keyword):
            d[keyword] = origin[keyword]
    for keyword in ("StudyDate", "StudyTime", "AccessionNumber", "ReferringPhysicianName", "StudyID", "PatientName"):
        if keyword not in d:
            setattr(d, keyword, "")
    for keyword in ("PatientID", "PatientBirthDate", "PatientSex"):
        if keyword not in d:
            setattr(d, keyword, "")
    if not str(d.get("BodyPartExamined", "")) and not str(d.get("Laterality", "")):
        d.BodyPartExamined = "HEART"
    d.SOPClassUID = XRayAngiographicImageStorage
    d.SOPInstanceUID = _uid("overlay", str(origin.get("SOPInstanceUID", "")), str(numbers), told)
    d.SeriesInstanceUID = _uid("overlay series", str(origin.get("SeriesInstanceUID", "")), told)
    d.Modality = "XA"
    d.Manufacturer = str(origin.get("Manufacturer", ""))
    d.ManufacturerModelName = str(origin.get("ManufacturerModelName", ""))
    d.SoftwareVersions = f"septal-planner {__version__}"
    d.SeriesDescription = "Plan drawn on the frame"
    d.SeriesNumber = "9001"
    d.InstanceNumber = "1"
    d.ImageType = ["DERIVED", "SECONDARY", "SINGLE PLANE"]
    d.DerivationDescription = f"{MARK}. {told}"[:1024]
    d.BurnedInAnnotation = "YES"
    d.PixelIntensityRelationship = "DISP"
    d.LossyImageCompression = "00"
    reference = Dataset()
    reference.ReferencedSOPClassUID = origin.SOPClassUID
    reference.ReferencedSOPInstanceUID = origin.SOPInstanceUID
    if numbers and int(origin.get("NumberOfFrames") or 1) > 1:
        reference.ReferencedFrameNumber = list(numbers)
    d.SourceImageSequence = Sequence([reference])
    for keyword, value in (("RadiationSetting", "SC"), ("KVP", None), ("Exposure", None)):
        if keyword not in d:
            setattr(d, keyword, value)
    if not any(k in d and d[k].value not in (None, "") for k in ("Exposure", "XRayTubeCurrent")):
        d.Exposure = None
    if "PatientOrientation" not in d:
        d.PatientOrientation = []
    d.PositionerMotion = str(d.get("PositionerMotion", "") or "STATIC")
    d.PositionerPrimaryAngle, d.PositionerSecondaryAngle = f"{primary:g}", f"{secondary:g}"
    d.DistanceSourceToDetector, d.DistanceSourceToPatient = f"{sid:g}", f"{sod:g}"
    d.ImagerPixelSpacing = [f"{v:g}" for v in spacing]
    d.Rows, d.Columns = shape
    d.SamplesPerPixel, d.PhotometricInterpretation = 1, "MONOCHROME2"
    d.BitsAllocated = d.BitsStored = 8
    d.HighBit, d.PixelRepresentation = 7, 0
    if count > 1:
        d.NumberOfFrames = count
        if "FrameIncrementPointer" not in d:
            d.FrameTime, d.FrameIncrementPointer = "66.7", 0x00181063
    d.file_meta = FileMetaDataset()
    d.file_meta.MediaStorageSOPClassUID = d.SOPClassUID
    d.file_meta.MediaStorageSOPInstanceUID = UID(d.SOPInstanceUID)
    d.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    return d


def _uid(*parts: str) -> str:
    """2.25 and 128 bits of the SHA-256 of `parts` (PS3.5 B.2)."""
    return f"2.25.{int.from_bytes(hashlib.sha256(chr(31).join(parts).encode()).digest()[:16], 'big')}"
