"""What the headers of DICOM files say, one record per slice (file, or frame of an enhanced file), without touching the
voxels.

Only the tags listed here are read (pydicom, stopping before the pixels): some 0.4 ms a file.
"""

from __future__ import annotations

import math
import os
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pydicom
from pydicom.datadict import tag_for_keyword
from pydicom.dataelem import RawDataElement
from pydicom.errors import InvalidDicomError
from pydicom.tag import Tag

from septal_planner.inputs.cardiac_phase import Phase, read_phase

CT_IMAGE = "1.2.840.10008.5.1.4.1.1.2"  # PS3.4 B.5: CT Image Storage
ENHANCED_CT = (
    "1.2.840.10008.5.1.4.1.1.2.1",
    "1.2.840.10008.5.1.4.1.1.2.2",
)  # Enhanced, Legacy Converted Enhanced CT
SECONDARY_CAPTURE = "1.2.840.10008.5.1.4.1.1.7"
DEFLATED = "1.2.840.10008.1.2.1.99"
IMPLICIT = "1.2.840.10008.1.2"
UNCOMPRESSED = (IMPLICIT, "1.2.840.10008.1.2.1", "1.2.840.10008.1.2.2")

_KEYWORDS = (
    "ImageType",
    "SOPClassUID",
    "SOPInstanceUID",
    "Modality",
    "SeriesDescription",
    "ContrastBolusAgent",
    "ScanOptions",
    "KVP",
    "PatientPosition",
    "PatientName",
    "PatientID",
    "PatientBirthDate",
    "SeriesInstanceUID",
    "AcquisitionNumber",
    "ImagePositionPatient",
    "ImageOrientationPatient",
    "FrameOfReferenceUID",
    "TemporalPositionIdentifier",
    "ImageComments",
    "NominalPercentageOfCardiacPhase",
    "TriggerTime",
    "NominalInterval",
    "ProtocolName",
    "InstanceNumber",
    "BitsStored",
    "PixelRepresentation",
    "PhotometricInterpretation",
    "ConcatenationUID",
    "InConcatenationNumber",
    "InConcatenationTotalNumber",
    "SamplesPerPixel",
    "NumberOfFrames",
    "Rows",
    "Columns",
    "PixelSpacing",
    "BitsAllocated",
    "RescaleIntercept",
    "RescaleSlope",
    "RescaleType",
    "SpecificCharacterSet",
    "ConvolutionKernel",
)
BEYOND_ANY_CT = 1e6  # mm, HU: a decimal string that says more is damaged
_TAG = {keyword: Tag(tag_for_keyword(keyword) or 0) for keyword in _KEYWORDS}


@dataclass(frozen=True)
class SliceHeader:
    """One DICOM file, or one frame of an enhanced multi-frame file. None where it does not say (or says something that
    is not what the standard asks).
    """

    path: Path
    dataset: Any  # pydicom Dataset of the tags read, for what is asked once a series
    series_uid: str
    sop_class: str
    modality: str
    image_type: tuple[str, ...]
    position_lps: tuple[float, ...] | None  # (0020,0032), centre of the first voxel, mm
    orientation: tuple[float, ...] | None  # (0020,0037), row direction then column direction
    spacing_mm: tuple[float, ...] | None  # (0028,0030), between rows, then between columns
    rows: int | None
    columns: int | None
    samples: int
    frames: int
    bits: int | None
    slope: float | None
    intercept: float | None
    frame_of_reference_uid: str | None
    phase: Phase
    transfer_syntax: str
    pixel_at: int | None  # byte where the pixel data element starts; None: deflated file
    file_bytes: int
    rescale_type: str = ""  # (0028,1054)
    acquisition: str = ""  # (0020,0012), or of the frame (0020,9156)
    time: str = ""  # (0020,0100), or of the frame (0020,9128)
    stack: str = ""  # of the frame (0020,9056)
    instance: str = ""  # (0020,0013)
    sop_instance_uid: str = ""
    frame: int | None = None  # from 0, None: the file is one slice
    fault: str = ""  # why an enhanced file cannot be read, as the end of a sentence about it

    @property
    def phase_percent(self) -> float | None:
        return self.phase.percent

    @property
    def name(self) -> str:
        """For sentences: the file's name, with the frame counted from 1 as DICOM does."""
        return self.path.name if self.frame is None else f"{self.path.name} frame {self.frame + 1}"

    @property
    def pixels_short_by(self) -> int:
        """Bytes missing at the end of an uncompressed file, 0 where none are (PS3.5 section 8.1.1 and 7.1).
        """
        if (
            self.transfer_syntax not in UNCOMPRESSED
            or self.pixel_at is None
            or not (self.rows and self.columns and self.bits)
        ):
            return 0
        element_header = 8 if self.transfer_syntax == IMPLICIT else 12
        pixels = self.rows * self.columns * self.samples * self.frames * self.bits // 8
        return max(0, pixels + element_header - (self.file_bytes - self.pixel_at))


@dataclass(frozen=True)
class Found:
    """What lies in a folder: DICOM headers, DICOM files that are damaged (with the reason), and how many
    others.
    """

    headers: tuple[SliceHeader, ...]
    damaged: tuple[tuple[Path, str], ...]
    others: int


def files_under(folder: Path) -> list[Path]:
    """Every file under a folder, any nesting, hidden ones left out, in the order of their names."""
    out = []
    for root, folders, names in os.walk(folder):
        folders[:] = sorted(d for d in folders if not d.startswith("."))
        out += [Path(root, name) for name in sorted(names) if not name.startswith(".")]
    # a pipe or device would be waited for without end; a link that leads nowhere is told of as damaged
    return [p for p in out if p.is_file() or not p.exists()]


def read_headers(paths: Sequence[Path]) -> Found:
    """Headers of those of the files that are DICOM images or say they are DICOM."""
    headers, damaged, others = [], [], 0
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # values outside the standard are checked here where they matter
        for path in paths:
            try:
                found = _read_file(path)
            except InvalidDicomError:
                # A preamble makes a file DICOM, its name does not; but an empty .dcm is a copy that failed.
                if path.suffix.lower() == ".dcm" and path.stat().st_size == 0:
                    damaged.append((path, "it is empty"))
                else:
                    others += 1
            except OSError as error:
                damaged.append((path, error.strerror or "it cannot be read"))
            except Exception as error:  # pydicom raises many kinds for a damaged header
                damaged.append(
                    (
                        path,
                        f"its header cannot be read: {error}" if str(error) else "its header cannot be read",
                    )
                )
            else:
                if found:
                    headers += found
                else:
                    others += 1
    return Found(tuple(headers), tuple(damaged), others)


def _read_file(path: Path) -> list[SliceHeader]:
    """Its one slice, or those of its frames; none for DICOM that is no image (DICOMDIR, reports). Raises pydicom's and
    the system's errors.
    """
    header = _read_header(path)
    if header is None or header.sop_class not in ENHANCED_CT:
        return [] if header is None else [header]
    # Imported here because it builds on the record above.
    from septal_planner.inputs.enhanced_headers import frame_headers

    return frame_headers(header)


def _read_header(path: Path) -> SliceHeader | None:
    with open(path, "rb") as stream:
        ds = pydicom.dcmread(stream, stop_before_pixels=True, specific_tags=list(_TAG.values()))
        syntax = str(ds.file_meta.get("TransferSyntaxUID", ""))
        # pydicom goes back to the start of the pixel data element when it stops there
        pixel_at = None if syntax == DEFLATED else stream.tell()
        size = os.fstat(stream.fileno()).st_size
    sop_class = text(ds, "SOPClassUID") or str(ds.file_meta.get("MediaStorageSOPClassUID") or "")
    rows = integer(ds, "Rows")
    if rows is None:
        if sop_class in ("", CT_IMAGE, *ENHANCED_CT):
            raise ValueError("it ends before the image")
        return None
    return SliceHeader(
        path=path,
        dataset=ds,
        series_uid=text(ds, "SeriesInstanceUID"),
        sop_class=sop_class,
        modality=text(ds, "Modality"),
        image_type=tuple(v.strip() for v in text(ds, "ImageType").split("\\")),
        position_lps=numbers(ds, "ImagePositionPatient", 3),
        orientation=numbers(ds, "ImageOrientationPatient", 6),
        spacing_mm=numbers(ds, "PixelSpacing", 2),
        rows=rows,
        columns=integer(ds, "Columns"),
        samples=integer(ds, "SamplesPerPixel") or 1,
        frames=integer(ds, "NumberOfFrames") or 1,
        bits=integer(ds, "BitsAllocated"),
        slope=number(ds, "RescaleSlope"),
        intercept=number(ds, "RescaleIntercept"),
        frame_of_reference_uid=text(ds, "FrameOfReferenceUID") or None,
        phase=read_phase(
            number(ds, "NominalPercentageOfCardiacPhase"),
            number(ds, "TriggerTime"),
            number(ds, "NominalInterval"),
            text(ds, "ScanOptions"),
            text(ds, "SeriesDescription"),
            text(ds, "ImageComments"),
            text(ds, "ProtocolName"),
        ),
        transfer_syntax=syntax,
        pixel_at=pixel_at,
        file_bytes=size,
        rescale_type=text(ds, "RescaleType"),
        acquisition=text(ds, "AcquisitionNumber"),
        time=text(ds, "TemporalPositionIdentifier"),
        instance=text(ds, "InstanceNumber"),
        sop_instance_uid=text(ds, "SOPInstanceUID"),
    )


def fragments_end(header: SliceHeader) -> bool:
    """Whether the compressed pixel data come to their end: items up to a sequence delimiter (PS3.5 section
    A.4).
    """
    if header.transfer_syntax in (*UNCOMPRESSED, DEFLATED) or header.pixel_at is None:
        return True
    with open(header.path, "rb") as stream:
        stream.seek(header.pixel_at + 12)
        while True:
            item = stream.read(8)
            if len(item) < 8:
                return False
            if item[:4] == b"\xfe\xff\xdd\xe0":
                return True
            if item[:4] != b"\xfe\xff\x00\xe0":
                return False
            stream.seek(int.from_bytes(item[4:], "little"), os.SEEK_CUR)


# pydicom's conversion of an element costs more than reading it, so the plain kinds are converted here: texts
# (UI, CS, LO, LT, DS, IS: PS3.5 section 6.2) and unsigned 16-bit numbers.


def text(ds: Any, keyword: str) -> str:
    """An element's text without its padding, several values parted by backslashes, empty where it is absent.
    """
    element = ds.get_item(_TAG[keyword])
    if element is None or element.value is None:
        return ""
    if isinstance(element, RawDataElement):
        return str(element.value, "latin-1").strip(" \0")
    return "\\".join(map(str, element.value)) if element.VM > 1 else str(element.value).strip()


def numbers(ds: Any, keyword: str, count: int) -> tuple[float, ...] | None:
    try:
        value = tuple(map(float, text(ds, keyword).split("\\")))
    except ValueError:
        return None
    return value if len(value) == count and all(abs(v) < BEYOND_ANY_CT for v in value) else None


def number(ds: Any, keyword: str) -> float | None:
    element = ds.get_item(_TAG[keyword])
    if element is None:
        return None
    if element.VR in ("FL", "FD") or keyword == "NominalPercentageOfCardiacPhase":  # binary, and rare
        value = ds.get(keyword)
        return float(value) if isinstance(value, float) and math.isfinite(value) else None
    one = numbers(ds, keyword, 1)
    return None if one is None else one[0]


def integer(ds: Any, keyword: str) -> int | None:
    element = ds.get_item(_TAG[keyword])
    if (
        isinstance(element, RawDataElement)
        and keyword != "NumberOfFrames"
        and element.value
        and len(element.value) == 2
    ):
        return int.from_bytes(element.value, "little" if element.is_little_endian else "big")
    try:
        return int(ds.get(keyword))
    except (TypeError, ValueError):
        return None
