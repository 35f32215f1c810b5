"""CT series written file by file with pydicom, the way scanners lay them out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any
from zipfile import ZipFile

import numpy as np
import pytest
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian

CT_IMAGE = "1.2.840.10008.5.1.4.1.1.2"
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
