"""Invented X-ray frames with marks at known places, as XA DICOM, for trying and testing registration.

No anatomy: a soft grey field with dark discs where points are. The geometry is built here from rotations as PS3.17
Z.2 tells them, so that whoever reads the file can hold its own projection against this one.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.sequence import Sequence as Items
from pydicom.uid import UID, EnhancedXAImageStorage, ExplicitVRLittleEndian, XRayAngiographicImageStorage

from septal_phantoms.dicom import MARK, uid

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Setup:
    """A C-arm and its picture: degrees (LAO and cranial positive), mm, pixels."""

    primary_deg: float = 0.0
    secondary_deg: float = 0.0
    source_detector_mm: float = 1100.0
    source_isocenter_mm: float = 760.0
    pixel_mm: float = 0.3
    size_px: tuple[int, int] = (512, 512)  # columns, rows

    def pixels(self, points_iso: ArrayLike) -> Array:
        """Column and row (n, 2), 0 at the middle of the first pixel, of points (n, 3), LPS about the isocentre."""
        a, b = np.deg2rad([self.primary_deg, self.secondary_deg])
        about_z = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
        about_x = np.array([[1, 0, 0], [0, np.cos(b), np.sin(b)], [0, -np.sin(b), np.cos(b)]])
        # in the C-arm's own axes: x right in the picture, -y toward the detector, z up in it
        p = np.asarray(points_iso, dtype=np.float64).reshape(-1, 3) @ (about_z @ about_x)
        seen = self.source_detector_mm / (self.source_isocenter_mm - p[:, 1]) / self.pixel_mm
        middle = (np.array(self.size_px) - 1) / 2
        return np.asarray(middle + np.stack([p[:, 0] * seen, -p[:, 2] * seen], axis=1))


def draw(
    setup: Setup, points_iso: ArrayLike, *, bits: int = 8, seed: int = 0, disc_mm: float = 1.5
) -> NDArray[np.generic]:
    """A frame (rows, columns) with a dark disc at each point, MONOCHROME2."""
    columns, rows = setup.size_px
    x, y = np.meshgrid(np.arange(columns), np.arange(rows))
    grey = 0.65 + 0.15 * np.cos(2 * np.pi * x / columns) * np.sin(np.pi * y / rows)
    grey += np.random.default_rng(seed).normal(0, 0.02, grey.shape)
    radius = disc_mm * setup.source_detector_mm / setup.source_isocenter_mm / setup.pixel_mm
    for c, r in setup.pixels(points_iso):
        grey -= 0.5 / (1 + np.exp(np.clip(2 * (np.hypot(x - c, y - r) - radius), -50, 50)))
    top = 255 if bits == 8 else 4095
    return np.asarray(np.clip(np.rint(grey * top), 0, top), dtype=np.uint8 if bits == 8 else np.uint16)


def xa_dataset(
    setup: Setup, frames: Sequence[NDArray[np.generic]] | NDArray[np.generic], *, enhanced: bool = False
) -> Dataset:
    """An XA, or Enhanced XA, object of one or more frames; an enhanced one may have no compression and one angle."""
    columns, rows = setup.size_px
    bits = 8 * frames[0].dtype.itemsize
    d = Dataset()
    d.SpecificCharacterSet = "ISO_IR 192"
    d.SOPClassUID = EnhancedXAImageStorage if enhanced else XRayAngiographicImageStorage
    d.SOPInstanceUID = uid("septal_phantoms xa", setup, len(frames), bits, enhanced)
    d.StudyInstanceUID, d.SeriesInstanceUID = uid("septal_phantoms xa study"), uid("septal_phantoms xa series", setup)
    d.StudyDate = d.SeriesDate = d.AcquisitionDate = d.ContentDate = "20000101"
    d.StudyTime = d.SeriesTime = d.AcquisitionTime = d.ContentTime = "120000"
    d.AccessionNumber, d.ReferringPhysicianName, d.StudyID = "", "", "1"
    d.SeriesNumber = d.InstanceNumber = "1"
    d.Modality, d.Manufacturer = "XA", "PHANTOM"
    d.PatientName, d.PatientID = "PHANTOM^INVENTED", "PHANTOM-XA"
    d.PatientBirthDate, d.PatientSex, d.PatientComments = "", "O", MARK
    d.StudyDescription = MARK
    d.SeriesDescription = "PHANTOM frame (invented)"
    d.BodyPartExamined = "HEART"
    d.ImageType = ["ORIGINAL", "PRIMARY", "SINGLE PLANE"]
    d.PixelIntensityRelationship = "LIN"
    d.RadiationSetting, d.KVP, d.Exposure = "SC", "80", "1"
    d.PatientOrientation = []
    d.LossyImageCompression = "00"
    d.PositionerType = "CARM"
    d.ImageComments = f"{MARK}. Marks at known places, for trying and testing software only."
    d.Rows, d.Columns, d.SamplesPerPixel = rows, columns, 1
    d.PhotometricInterpretation = "MONOCHROME2"
    d.BitsAllocated, d.BitsStored, d.PixelRepresentation = bits, 8 if bits == 8 else 12, 0
    d.HighBit = d.BitsStored - 1
    if enhanced:
        position, geometry, data = Dataset(), Dataset(), Dataset()
        position.PositionerPrimaryAngle, position.PositionerSecondaryAngle = setup.primary_deg, setup.secondary_deg
        geometry.DistanceSourceToDetector = str(setup.source_detector_mm)
        geometry.DistanceSourceToIsocenter = setup.source_isocenter_mm
        data.ImagerPixelSpacing = [str(setup.pixel_mm)] * 2
        shared = Dataset()
        shared.PositionerPositionSequence = Items([position])
        shared.XRayGeometrySequence = Items([geometry])
        shared.FramePixelDataPropertiesSequence = Items([data])
        d.SharedFunctionalGroupsSequence = Items([shared])
        d.PerFrameFunctionalGroupsSequence = Items([Dataset() for _ in frames])
        d.NumberOfFrames = len(frames)
    else:
        d.PositionerMotion = "STATIC"
        d.PositionerPrimaryAngle, d.PositionerSecondaryAngle = f"{setup.primary_deg:g}", f"{setup.secondary_deg:g}"
        d.DistanceSourceToDetector = f"{setup.source_detector_mm:g}"
        d.DistanceSourceToPatient = f"{setup.source_isocenter_mm:g}"
        d.EstimatedRadiographicMagnificationFactor = f"{setup.source_detector_mm / setup.source_isocenter_mm:.5g}"
        d.ImagerPixelSpacing = [f"{setup.pixel_mm:g}"] * 2
        if len(frames) > 1:
            d.NumberOfFrames = len(frames)
            d.FrameTime = "66.7"
            d.FrameIncrementPointer = 0x00181063
    values = b"".join(np.ascontiguousarray(f).tobytes() for f in frames)
    d.PixelData = values + b"\0" * (len(values) % 2)
    d["PixelData"].VR = "OW" if bits == 16 else "OB"
    d.file_meta = FileMetaDataset()
    d.file_meta.MediaStorageSOPClassUID = d.SOPClassUID
    d.file_meta.MediaStorageSOPInstanceUID = UID(d.SOPInstanceUID)
    d.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    return d


def write_xa(path: str | os.PathLike[str], dataset: Dataset) -> Path:
    """Write an object beside its place and move it there whole."""
    target = Path(path)
    scratch = target.with_name(f".{target.name}.part")
    try:
        dataset.save_as(scratch, enforce_file_format=True)
        os.replace(scratch, target)
    finally:
        scratch.unlink(missing_ok=True)
    return target


def points_document(
    points_lps: Mapping[str, Sequence[float]], pixels: Mapping[str, Sequence[float]], *, frame: int = 1
) -> dict[str, object]:
    """Pairs of a frame as a points file has them, to be written as JSON."""
    return {
        "coordinate_system": "LPS",
        "unit": "mm",
        "comment": MARK,
        "points": [
            {
                "name": name,
                "ct_lps": [float(v) for v in points_lps[name]],
                "column": float(c),
                "row": float(r),
                "frame": frame,
            }
            for name, (c, r) in pixels.items()
        ],
    }
