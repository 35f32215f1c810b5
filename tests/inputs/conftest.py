"""CT series written file by file with pydicom, the way scanners lay them out."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any
from zipfile import ZipFile

import numpy as np
import pydicom
import pytest
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.uid import ExplicitVRBigEndian, ExplicitVRLittleEndian, ImplicitVRLittleEndian

CT_IMAGE = "1.2.840.10008.5.1.4.1.1.2"
ENHANCED_CT = "1.2.840.10008.5.1.4.1.1.2.1"
SHARED = Path(__file__).parents[2].parent / "shared" / "data"

Writer = Callable[..., list[Path]]


def picture(k: int, rows: int, columns: int) -> np.ndarray[Any, np.dtype[np.int16]]:
    """Stored values in which every voxel of a small volume is another: -1000 + its running number."""
    return (np.arange(rows * columns) + k * rows * columns - 1000).reshape(rows, columns).astype(np.int16)


def dicom_slice(k: int, position: Sequence[float], **other: Any) -> FileDataset:
    """One CT slice; keywords overwrite attributes, None takes them away."""
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = other.get("SOPClassUID", CT_IMAGE)
    series = other.get("SeriesInstanceUID", "1.2.5")
    meta.MediaStorageSOPInstanceUID = f"{series}.{k + 1}.{abs(hash(tuple(position))) % 10**9}"
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
    pixels = other.pop("pixels", None)
    rows, columns = other.get("Rows", 6), other.get("Columns", 8)
    told = {
        "SOPClassUID": CT_IMAGE,
        "SOPInstanceUID": meta.MediaStorageSOPInstanceUID,
        "Modality": "CT",
        "ImageType": ["ORIGINAL", "PRIMARY", "AXIAL"],
        "PatientName": "Invented^Case",
        "PatientID": "X1",
        "StudyInstanceUID": "1.2.4",
        "SeriesInstanceUID": series,
        "FrameOfReferenceUID": "1.2.6",
        "PatientPosition": "HFS",
        "Rows": rows,
        "Columns": columns,
        "PixelSpacing": [0.5, 0.4],
        "SliceThickness": 3.0,
        "GantryDetectorTilt": 0.0,
        "ImageOrientationPatient": [1, 0, 0, 0, 1, 0],
        "ImagePositionPatient": [float(f"{x:.8f}") for x in position],
        "SamplesPerPixel": 1,
        "PhotometricInterpretation": "MONOCHROME2",
        "BitsAllocated": 16,
        "BitsStored": 16,
        "HighBit": 15,
        "PixelRepresentation": 1,
        "RescaleSlope": 1,
        "RescaleIntercept": 0,
        "RescaleType": "HU",
        "InstanceNumber": k + 1,
    } | other
    for keyword, value in told.items():
        if value is not None:
            setattr(ds, keyword, value)
    ds.PixelData = (picture(k, rows, columns) if pixels is None else pixels).tobytes()
    return ds


@pytest.fixture
def write_series(tmp_path: Path) -> Writer:
    """write_series(folder="ct", positions=12 axial ones, names=shuffled numbers, **attributes) -> paths in
    order.
    """

    def write(folder: str = "ct", positions: Any = None, each: Any = None, **other: Any) -> list[Path]:
        places = [(-10.0, -20.0, 30.0 + 0.75 * k) for k in range(12)] if positions is None else positions
        target = tmp_path / folder
        target.mkdir(parents=True, exist_ok=True)
        paths = []
        for k, position in enumerate(places):
            path = target / f"{(k * 7 + 3) % len(places):03d}"  # names say nothing of the order
            while path.exists():
                path = path.with_name(path.name + "x")
            more = each(k) if each else {}
            dicom_slice(k, position, **{**other, **more}).save_as(path, enforce_file_format=True)
            paths.append(path)
        return paths

    return write


@pytest.fixture(scope="session")
def shared_zip(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """The unpacked folder of a zip of real CT; the test is skipped where it is absent."""
    unpacked: dict[str, Path] = {}

    def unpack(name: str) -> Path:
        if not (SHARED / name).exists():
            pytest.skip(f"{name} is not here")
        if name not in unpacked:
            unpacked[name] = tmp_path_factory.mktemp("zip")
            with ZipFile(SHARED / name) as archive:
                archive.extractall(unpacked[name])
        return unpacked[name]

    return unpack


@pytest.fixture
def shared_file() -> Callable[[str], Path]:
    """A file of real CT; the test is skipped where it is absent."""

    def find(name: str) -> Path:
        if not (SHARED / name).exists():
            pytest.skip(f"{name} is not here")
        return SHARED / name

    return find


def item(**attributes: Any) -> Dataset:
    """An item of a sequence."""
    ds = Dataset()
    for keyword, value in attributes.items():
        setattr(ds, keyword, value)
    return ds


def enhanced_frame(**told: Any) -> Dataset:
    """The functional groups of one frame (DICOM PS3.3 C.7.6.16.2 and C.8.15.3); what is None is left out."""
    position = told.get("position", (0.0, 0.0, 0.0))
    orientation = told.get("orientation", [1, 0, 0, 0, 1, 0])
    out = Dataset()
    content = item(FrameAcquisitionNumber=told.get("acquisition", 1), FrameAcquisitionDuration=100.0)
    content.FrameReferenceDateTime = content.FrameAcquisitionDateTime = "20000101120000"
    if told.get("stack") is not None:
        content.StackID, content.InStackPositionNumber = str(told["stack"]), told.get("in_stack", 1)
    if told.get("time") is not None:
        content.TemporalPositionIndex = told["time"]
    if told.get("comments"):
        content.FrameComments = told["comments"]
    out.FrameContentSequence = [content]
    if position is not None:
        out.PlanePositionSequence = [item(ImagePositionPatient=[f"{x:.10g}"[:16] for x in position])]
    if orientation is not None:
        out.PlaneOrientationSequence = [item(ImageOrientationPatient=[f"{x:.10g}"[:16] for x in orientation])]
    if told.get("phase") is not None or told.get("delay_ms") is not None:
        beat = item(
            NominalCardiacTriggerDelayTime=float(told.get("delay_ms", 0.0)),
            ActualCardiacTriggerDelayTime=float(told.get("delay_ms", 0.0)),
            RRIntervalTimeNominal=float(told.get("rr_ms", 0.0)),
            IntervalsAcquired=1,
            IntervalsRejected=0,
        )
        if told.get("phase") is not None:
            beat.NominalPercentageOfCardiacPhase = float(told["phase"])
        out.CardiacSynchronizationSequence = [beat]
    frame_type = told.get("frame_type", ["ORIGINAL", "PRIMARY", "VOLUME", "NONE"])
    out.CTImageFrameTypeSequence = [
        item(
            FrameType=frame_type,
            PixelPresentation="MONOCHROME",
            VolumetricProperties=told.get("volumetric", "VOLUME"),
            VolumeBasedCalculationTechnique="NONE",
        )
    ]
    out.PixelValueTransformationSequence = [
        item(
            RescaleIntercept=str(told.get("intercept", 0)), RescaleSlope=str(told.get("slope", 1)), RescaleType="HU"
        )
    ]
    return out


@pytest.fixture
def write_enhanced(tmp_path: Path) -> Callable[..., Path]:
    """write_enhanced(frames, name="ct/enhanced", spacing=[0.5, 0.4], syntax=..., spoil=function of the data set,
    **attributes): one Enhanced CT file (PS3.3 A.38); each frame a dictionary for enhanced_frame, with its `pixels`.
    """

    def write(
        frames: list[dict[str, Any]],
        name: str = "ct/enhanced",
        spacing: Any = (0.5, 0.4),
        syntax: str = ExplicitVRLittleEndian,
        spoil: Callable[[Dataset], None] | None = None,
        **other: Any,
    ) -> Path:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # pydicom's, about values that are wrong on purpose
            return write_one(frames, tmp_path / name, spacing, syntax, spoil, other)

    def write_one(frames: Any, path: Path, spacing: Any, syntax: str, spoil: Any, other: dict[str, Any]) -> Path:
        path.parent.mkdir(parents=True, exist_ok=True)
        first = frames[0]["pixels"]
        ds = dicom_slice(0, (0, 0, 0), SOPClassUID=ENHANCED_CT, SeriesInstanceUID="1.2.5", pixels=first)
        ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = f"1.2.5.9.{abs(hash(str(path))) % 10**9}"
        placed = ("ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing", "SliceThickness")
        for keyword in (*placed, "GantryDetectorTilt", "RescaleSlope", "RescaleIntercept", "RescaleType"):
            delattr(ds, keyword)
        ds.ImageType = ["ORIGINAL", "PRIMARY", "VOLUME", "NONE"]
        ds.PixelPresentation, ds.VolumetricProperties = "MONOCHROME", "VOLUME"
        ds.VolumeBasedCalculationTechnique = "NONE"
        ds.AcquisitionDateTime = ds.ContentDate = "20000101"
        ds.ContentTime = "120000"
        ds.Rows, ds.Columns = first.shape
        ds.NumberOfFrames = len(frames)
        shared = item(
            PixelMeasuresSequence=[item(PixelSpacing=[f"{x:g}" for x in spacing], SliceThickness="1.5")],
            CTXRayDetailsSequence=[item(KVP="100")],
            CTReconstructionSequence=[item(ConvolutionKernel="B26f")],
        )
        ds.SharedFunctionalGroupsSequence = [shared]
        ds.PerFrameFunctionalGroupsSequence = [enhanced_frame(**f) for f in frames]
        for keyword, value in other.items():
            setattr(ds, keyword, value)
        stored = np.stack([f["pixels"] for f in frames])
        order = ">" if syntax == ExplicitVRBigEndian else "<"
        ds.PixelData = stored.astype(stored.dtype.newbyteorder(order)).tobytes()
        ds["PixelData"].VR = "OW"
        if spoil:
            spoil(ds)
        ds.file_meta.TransferSyntaxUID = syntax
        pydicom.dcmwrite(
            path,
            ds,
            enforce_file_format=True,
            implicit_vr=syntax == ImplicitVRLittleEndian,
            little_endian=syntax != ExplicitVRBigEndian,
        )
        return path

    return write
