"""A simulated frame as a DICOM X-ray angiography object (PS3.3 A.14), its drawing as an overlay plane (C.9.2).

The pixels stay clean of the drawing, so that whoever reads the frame can take it away. No patient is named.
"""

from __future__ import annotations

import hashlib
import uuid
from io import BytesIO

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import UID, ExplicitVRLittleEndian, XRayAngiographicImageStorage

from septal_planner import __version__
from septal_planner.fluoroscopy.carm import image_axes
from septal_planner.fluoroscopy.projection import Projection
from septal_planner.plan import Plan
from septal_planner.report.picture_planes import orientation_letters

BITS = 12
_OURS = uuid.UUID("6f8f2f60-3d6e-4e55-9a0e-6b3a0b7a9d11")  # any, but always the same


def xa_frame(grey: NDArray[np.uint16], overlay: NDArray[np.bool_] | None, frame: Projection, plan: Plan) -> bytes:
    """The file, Explicit VR Little Endian, of grey values (rows, columns) of 12 bits and a drawing (rows, columns).
    Positioner angles, distances and imager pixel spacing as C.8.7.5 and C.8.7.3 define them. The same content gives
    the same bytes.
    """
    content = hashlib.sha256(np.ascontiguousarray(grey).tobytes())
    content.update(b"" if overlay is None else np.packbits(overlay).tobytes())
    content.update(repr(frame).encode())
    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID = XRayAngiographicImageStorage
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID = UID(_uid(f"frame {content.hexdigest()}"))
    ds.SpecificCharacterSet = "ISO_IR 192"
    for empty in (
        "PatientName", "PatientID", "PatientBirthDate", "PatientSex", "StudyDate", "StudyTime", "StudyID",
        "AccessionNumber", "ReferringPhysicianName", "ContentDate", "ContentTime", "Manufacturer", "KVP",
        "XRayTubeCurrent", "ExposureTime", "Exposure",
    ):  # fmt: skip
        setattr(ds, empty, None)  # nobody was exposed, and nobody is named
    ds.StudyInstanceUID = _uid(f"study {plan.ct.content_sha256}")
    ds.SeriesInstanceUID = _uid(f"series {plan.ct.content_sha256}")
    ds.SeriesDescription = "Simulated fluoroscopy"
    ds.SeriesNumber, ds.InstanceNumber = 1, 1
    ds.Modality = "XA"
    ds.BodyPartExamined = "HEART"
    ds.ManufacturerModelName, ds.SoftwareVersions = "septal-planner", __version__
    ds.ImageType = ["DERIVED", "SECONDARY", "SINGLE PLANE"]
    ds.DerivationDescription = "Simulated from a CT; not an exposure. Planning aid, not a medical device."
    x, y, z = frame.isocenter_lps
    ds.ImageComments = f"Isocentre at LPS {x:.3f} {y:.3f} {z:.3f} mm of the CT"
    u, v = image_axes(frame.primary_deg, frame.secondary_deg)
    ds.PatientOrientation = [orientation_letters(way).replace("/", "") for way in (u, -v)]
    ds.BurnedInAnnotation = "NO"
    ds.LossyImageCompression = "00"

    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.Rows, ds.Columns = grey.shape
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 16, BITS, BITS - 1, 0
    ds.PixelIntensityRelationship = "DISP"  # made for looking at, no longer the intensities
    ds.WindowCenter, ds.WindowWidth = 2 ** (BITS - 1), 2**BITS
    ds.RadiationSetting = "SC"
    ds.PositionerMotion = "STATIC"
    ds.PositionerPrimaryAngle = _decimal(frame.primary_deg)
    ds.PositionerSecondaryAngle = _decimal(frame.secondary_deg)
    ds.DistanceSourceToDetector = _decimal(frame.source_detector_mm)
    ds.DistanceSourceToPatient = _decimal(frame.source_isocenter_mm)
    ds.EstimatedRadiographicMagnificationFactor = _decimal(frame.magnification)
    ds.ImagerPixelSpacing = [_decimal(p) for p in frame.pixel_mm]
    ds.PixelData = np.ascontiguousarray(grey, dtype="<u2").tobytes()
    if overlay is not None:
        _add_overlay(ds, overlay)
    stream = BytesIO()
    ds.save_as(stream, enforce_file_format=True)
    return stream.getvalue()


def _add_overlay(ds: Dataset, overlay: NDArray[np.bool_]) -> None:
    bits = np.packbits(overlay.ravel(), bitorder="little").tobytes()
    for element, vr, value in (
        (0x0010, "US", overlay.shape[0]), (0x0011, "US", overlay.shape[1]), (0x0022, "LO", "The plan"),
        (0x0040, "CS", "G"), (0x0050, "SS", [1, 1]), (0x0100, "US", 1), (0x0102, "US", 0),
        (0x1500, "LO", "The plan"), (0x3000, "OW", bits + b"\0" * (len(bits) % 2)),
    ):  # fmt: skip
        ds.add_new((0x6000, element), vr, value)


def _uid(name: str) -> str:
    """A UID made from a UUID (PS3.5 B.2), the same for the same name."""
    return f"2.25.{uuid.uuid5(_OURS, name).int}"


def _decimal(value: float) -> str:
    """A decimal string of at most 16 characters (PS3.5 6.2)."""
    return f"{value:.10g}"[:16]
