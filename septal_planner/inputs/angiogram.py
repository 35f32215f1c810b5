"""X-ray angiographic frames: XA and XRF, single, cine or enhanced, with the geometry their headers tell.

Pixels are read one frame at a time, so that a cine of thousands takes the memory of one. Geometry is what the C-arm
wrote: angles (0018,1510), (0018,1511), distances (0018,1110), (0018,1111) and pixel spacing at the detector
(0018,1164); in enhanced objects the same from their functional groups (PS3.3 C.8.19.6). The magnification tag
(0018,1114) is only held against the distances: it has been seen to be wrong.
"""

from __future__ import annotations

import hashlib
import math
import os
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
from numpy.typing import NDArray
from pydicom.errors import InvalidDicomError

from septal_planner.errors import InputRefused
from septal_planner.inputs.dicom_headers import SliceHeader, fragments_end, read_headers
from septal_planner.inputs.enhanced_pixels import decode_frames

# PS3.4 B.5
XA, ENHANCED_XA = "1.2.840.10008.5.1.4.1.1.12.1", "1.2.840.10008.5.1.4.1.1.12.1.1"
XRF, ENHANCED_XRF = "1.2.840.10008.5.1.4.1.1.12.2", "1.2.840.10008.5.1.4.1.1.12.2.1"
ANGIOGRAMS = (XA, ENHANCED_XA, XRF, ENHANCED_XRF)

MAGNIFICATION_TOLERANCE = 0.005
SOURCE_DETECTOR_MM = (500.0, 2500.0)  # beyond any C-arm, or in centimetres
_LETTERS = {"L": (0, 1.0), "R": (0, -1.0), "P": (1, 1.0), "A": (1, -1.0), "H": (2, 1.0), "F": (2, -1.0)}


@dataclass(frozen=True)
class FrameGeometry:
    """Of one frame, as its header has it; the angles in degrees, distances and spacing in mm."""

    primary_deg: float  # LAO positive
    secondary_deg: float  # cranial positive
    source_detector_mm: float
    source_isocenter_mm: float
    spacing_mm: tuple[float, float]  # at the detector: between rows, between columns


@dataclass(frozen=True)
class Angiogram:
    """One file of frames. `notes` are contradictions that do not hinder reading, as whole sentences; `who` is a
    fingerprint by which two files of one patient agree, empty where the file names nobody.
    """

    path: Path
    sop_class: str
    sop_instance_uid: str
    study_uid: str
    frame_count: int
    size_px: tuple[int, int]  # columns, rows
    bits: int
    dark_is_high: bool  # MONOCHROME1
    geometries: tuple[FrameGeometry, ...]  # one for all, or one per frame
    dynamic: bool
    laterality: str
    who: str
    linear: bool = True  # values in proportion to the X-rays that came through: LIN of (0028,1040), or not told
    notes: tuple[str, ...] = ()
    header: SliceHeader | None = field(default=None, repr=False)

    def geometry(self, number: int) -> FrameGeometry:
        """Of frame `number`, counted from 1 as DICOM does. Raises InputRefused where there is no such frame, or the
        C-arm was turning and its angles then are not told.
        """
        self._check(number)
        if self.dynamic and number > 1:
            raise InputRefused(
                f"The C-arm was turning during {self.path} (Positioner Motion DYNAMIC), so the angles of frame "
                f"{number} "
                "are not known for certain; take frame 1 or a run with the C-arm at rest."
            )
        return self.geometries[number - 1] if len(self.geometries) > 1 else self.geometries[0]

    def pixels(self, number: int) -> NDArray[np.generic]:
        """Stored values (rows, columns) of frame `number`, counted from 1, without any lookup table. Raises
        InputRefused where there is no such frame or it cannot be decoded.
        """
        self._check(number)
        if self.header is None:
            raise ValueError("made without a file")
        one = replace(self.header, frame=number - 1, slope=1.0, intercept=0.0)
        try:
            found = decode_frames([one])[0]
        except InputRefused as problem:
            raise InputRefused(
                f"Frame {number} of {self.path} cannot be decoded; the file is damaged, copy it again."
            ) from problem
        return np.asarray(found)

    def frames(self) -> Iterator[NDArray[np.generic]]:
        """Every frame in order, one at a time."""
        for number in range(1, self.frame_count + 1):
            yield self.pixels(number)

    def _check(self, number: int) -> None:
        if not 1 <= number <= self.frame_count:
            raise InputRefused(
                f"Frame {number} was asked of {self.path}, which has {self.frame_count}; frames are counted from 1."
            )


def read_angiogram(path: str | os.PathLike[str]) -> Angiogram:
    """Read the header of an XA or XRF file; its frames are read when asked for. Raises InputRefused where the file is
    none, is a secondary capture, or does not tell its geometry.
    """
    file = Path(path)
    ds, header = _read(file)
    sop_class = str(ds.get("SOPClassUID", ""))
    if sop_class not in ANGIOGRAMS:
        kind = pydicom.uid.UID(sop_class).name if sop_class else "an object of no stated class"
        captured = "Secondary Capture" in kind
        raise InputRefused(
            f"The file {file} is {'a secondary capture' if captured else kind}, expected an X-ray angiographic or "
            "fluoroscopic image that tells the angles of the C-arm; export the original run."
        )
    samples, bits = header.samples, header.bits or 0
    if samples != 1 or bits not in (8, 16):
        raise InputRefused(
            f"The frames of {file} have {samples} values of {bits} bits a pixel, expected one grey value of 8 or 16; "
            "export the original run, not a picture of the screen."
        )
    if header.pixels_short_by or not fragments_end(header):
        raise InputRefused(f"The file {file} ends before its last frame; it is cut short, copy it again.")
    frames, columns, rows = header.frames, header.columns or 0, header.rows or 0
    if min(frames, columns, rows) < 1:
        raise InputRefused(f"The file {file} holds {frames} frames of {columns} x {rows} pixels; export it again.")
    notes: list[str] = []
    enhanced = sop_class in (ENHANCED_XA, ENHANCED_XRF)
    geometries = tuple(_geometry(ds, file, n, notes) for n in range(frames if enhanced else 1))
    if len(set(geometries)) == 1:
        geometries = geometries[:1]
    _check_orientation(ds, file, geometries[0])
    who = "\\".join(str(ds.get(k, "")).strip() for k in ("PatientID", "PatientName", "PatientBirthDate"))
    return Angiogram(
        path=file,
        sop_class=sop_class,
        sop_instance_uid=str(ds.get("SOPInstanceUID", "")),
        study_uid=str(ds.get("StudyInstanceUID", "")),
        frame_count=frames,
        size_px=(columns, rows),
        bits=bits,
        dark_is_high=str(ds.get("PhotometricInterpretation", "")) == "MONOCHROME1",
        geometries=geometries,
        dynamic=not enhanced and str(ds.get("PositionerMotion", "")).strip() == "DYNAMIC",
        laterality=str(ds.get("Laterality", "") or ds.get("ImageLaterality", "") or "").strip(),
        who=hashlib.sha256(who.encode()).hexdigest() if who.strip("\\") else "",
        linear=_listed(_value(ds, "PixelIntensityRelationship"))[:1] in ([], ["LIN"]),
        notes=tuple(dict.fromkeys(notes)),
        header=header,
    )


def _read(file: Path) -> tuple[Any, SliceHeader]:
    """The whole header, and the record by which frames are found."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with open(file, "rb") as stream:
                ds = pydicom.dcmread(stream, stop_before_pixels=True)
                float(ds.get("Rows") or 0)  # elements are converted when first read
    except OSError as error:
        raise InputRefused(f"The frame {file} cannot be read ({error.strerror}); check the path.") from error
    except InvalidDicomError as error:
        raise InputRefused(f"The frame {file} is not a DICOM file; export it as XA from the C-arm.") from error
    except Exception as error:  # pydicom raises many kinds for a damaged header
        raise InputRefused(f"The header of the frame {file} is damaged; copy the file again.") from error
    found = read_headers([file])
    if not found.headers:
        why = found.damaged[0][1] if found.damaged else "it holds no image"
        raise InputRefused(f"The frame {file} cannot be used ({why}); export the run again.")
    return ds, replace(found.headers[0], frame=None)


def _geometry(ds: Any, file: Path, n: int, notes: list[str]) -> FrameGeometry:
    """Of frame n, from 0. Contradictions go to `notes`."""
    where = f"The frame {file}" if n == 0 else f"Frame {n + 1} of {file}"
    primary, secondary = _number(ds, n, "PositionerPrimaryAngle"), _number(ds, n, "PositionerSecondaryAngle")
    if primary is None or secondary is None:
        derived = "SECONDARY" in [str(v) for v in _listed(ds.get("ImageType"))]
        raise InputRefused(
            f"{where} does not tell the angles of the C-arm (0018,1510 and 0018,1511)"
            f"{', being a picture derived from another' if derived else ''}; export the original run."
        )
    if not (-180 <= primary <= 180 and -90 <= secondary <= 90):
        raise InputRefused(
            f"{where} tells the angles {primary:g} and {secondary:g}, expected at most 180 and 90 degrees either way; "
            "export the original run."
        )
    sid = _number(ds, n, "DistanceSourceToDetector")
    sod = _number(ds, n, "DistanceSourceToIsocenter", "DistanceSourceToPatient")
    if sid is None or sod is None:
        lacking = "from source to detector (0018,1110)" if sid is None else "from source to patient (0018,1111)"
        raise InputRefused(f"{where} does not tell the distance {lacking}; export the original run.")
    low, high = SOURCE_DETECTOR_MM
    if not (low <= sid <= high and 0.4 * sid <= sod < sid):
        raise InputRefused(
            f"{where} tells {sid:g} mm from source to detector and {sod:g} to the patient, expected {low:g} to "
            f"{high:g} "
            "and the patient between the two; export the original run."
        )
    told = _number(ds, n, "EstimatedRadiographicMagnificationFactor")
    if told is not None and abs(told * sod / sid - 1) > MAGNIFICATION_TOLERANCE:
        notes.append(
            f"The frame {file} tells a magnification of {told:g}, but its distances give {sid / sod:.4g}; the "
            "distances "
            "were used."
        )
    return FrameGeometry(primary, secondary, sid, sod, _spacing(ds, file, n, where, sid / sod, notes))


def _spacing(
    ds: Any, file: Path, n: int, where: str, magnification: float, notes: list[str]
) -> tuple[float, float]:
    found = _numbers(ds, n, "ImagerPixelSpacing")
    if found is None or len(found) != 2:
        raise InputRefused(
            f"{where} does not tell the pixel spacing at the detector (0018,1164); export the original run, not a "
            "resized one."
        )
    if not all(0.01 <= v <= 5 for v in found):
        raise InputRefused(
            f"{where} tells a pixel spacing of {found[0]:g} by {found[1]:g} mm at the detector, expected 0.01 to 5; "
            "export the original run."
        )
    calibrated = _numbers(ds, n, "PixelSpacing")
    if calibrated is not None and len(calibrated) == 2 and calibrated[0] > 0:
        implied = found[0] / calibrated[0]
        if min(abs(implied / magnification - 1), abs(implied - 1)) > 0.05:
            notes.append(
                f"The frame {file} is calibrated to {calibrated[0]:.4g} mm a pixel, but its distances give "
                f"{found[0] / magnification:.4g} at the isocentre; the distances were used."
            )
    return float(found[0]), float(found[1])


def _check_orientation(ds: Any, file: Path, geometry: FrameGeometry) -> None:
    """Refuse what was flipped or turned after it was taken: its pixels are no longer where the angles have them."""
    if str(ds.get("FieldOfViewHorizontalFlip", "")).strip() == "YES":
        raise InputRefused(
            f"The frame {file} was flipped left to right (Field of View Horizontal Flip); export it as it was taken."
        )
    turned = _number(ds, 0, "FieldOfViewRotation")
    if turned is not None and turned % 360 > 0.5:
        raise InputRefused(
            f"The frame {file} was turned by {turned:g} degrees (Field of View Rotation); export it as it was taken."
        )
    words = _listed(ds.get("PatientOrientation"))
    if len(words) != 2:
        return
    a = math.radians(geometry.primary_deg)
    across = np.array([math.cos(a), math.sin(a), 0.0])
    for letter in str(words[0])[:1]:  # the leading letter says what the rows mostly run toward
        if letter in _LETTERS:
            axis, sign = _LETTERS[letter]
            if across[axis] * sign < -0.5:
                raise InputRefused(
                    f"The frame {file} says that its rows run toward {words[0]} (Patient Orientation), the opposite of "
                    "what its angles mean: it is mirrored or of another position; export it as it was taken."
                )


def _number(ds: Any, n: int, *keywords: str) -> float | None:
    found = _numbers(ds, n, *keywords)
    return None if found is None or len(found) != 1 else found[0]


def _numbers(ds: Any, n: int, *keywords: str) -> tuple[float, ...] | None:
    """Finite values of the first of these attributes that is there: of frame n, else shared, else of the whole."""
    groups = [ds]
    for name, at in (("SharedFunctionalGroupsSequence", 0), ("PerFrameFunctionalGroupsSequence", n)):
        sequence = ds.get(name)
        if sequence is not None and len(sequence) > at:
            groups.insert(0, sequence[at])
    for keyword in keywords:
        for group in groups:
            value = _within(group, keyword)
            if value is None:
                continue
            try:
                numbers = tuple(float(v) for v in _listed(value))
            except (TypeError, ValueError):
                continue
            if numbers and all(map(math.isfinite, numbers)):
                return numbers
    return None


def _value(ds: Any, keyword: str) -> Any:
    """An attribute of the whole, else of what its frames share."""
    shared = ds.get("SharedFunctionalGroupsSequence")
    return ds.get(keyword) or (_within(shared[0], keyword) if shared else None)


def _within(group: Any, keyword: str) -> Any:
    """An attribute of a group, or of the one item of a macro in it; None where absent or empty."""
    value = group.get(keyword)
    if value not in (None, ""):
        return value
    for element in group:
        if element.VR == "SQ" and "FunctionalGroups" not in element.keyword and len(element.value) == 1:
            value = element.value[0].get(keyword)
            if value not in (None, ""):
                return value
    return None


def _listed(value: Any) -> list[Any]:
    if value is None or value == "":
        return []
    return [value] if isinstance(value, (str, int, float)) else list(value)
