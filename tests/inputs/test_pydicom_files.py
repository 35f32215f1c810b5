"""pydicom's own test files (those that come with it), compressed ones against their uncompressed twins."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pydicom
import pytest
from pydicom.uid import UID

from septal_planner.errors import InputRefused
from septal_planner.inputs.dicom_headers import read_headers
from septal_planner.inputs.dicom_pixels import decode
from septal_planner.inputs.series_summary import list_series
from septal_planner.inputs.volume import read_volume

BUNDLED = Path(pydicom.__file__).parent / "data" / "test_files"

TWINS = {
    "RLE Lossless": "MR_small_RLE.dcm",
    "JPEG 2000 lossless": "MR_small_jp2klossless.dcm",
    "JPEG-LS lossless": "MR_small_jpeg_ls_lossless.dcm",
    "explicit big endian": "MR_small_bigendian.dcm",
    "implicit little endian": "MR_small_implicit.dcm",
    "padded pixel data": "MR_small_padded.dcm",
}


def header_of(name):
    return read_headers([BUNDLED / name]).headers[0]


@pytest.mark.parametrize("name", TWINS.values(), ids=TWINS.keys())
def test_voxels_equal_the_uncompressed_twin(name):
    plain = pydicom.dcmread(BUNDLED / "MR_small.dcm").pixel_array
    assert np.array_equal(decode([header_of(name)])[0], plain)


@pytest.mark.parametrize("name", [n for n in TWINS.values() if "padded" not in n])
def test_a_series_of_the_twin_dressed_as_ct(tmp_path, name):
    """The compressed bytes untouched, the header made that of a CT: read as a whole volume."""
    plain = pydicom.dcmread(BUNDLED / "MR_small.dcm").pixel_array
    for k in range(3):
        ds = pydicom.dcmread(BUNDLED / name)
        ds.Modality, ds.SOPClassUID = "CT", UID("1.2.840.10008.5.1.4.1.1.2")
        ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID
        ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = UID(f"1.2.3.{k + 1}")
        ds.RescaleSlope, ds.RescaleIntercept = 1, -1024
        ds.ImagePositionPatient = [1, 2, 3 * k]
        ds.save_as(tmp_path / f"{k}")
    volume = read_volume(tmp_path)
    assert volume.hu.dtype == np.int16
    assert np.array_equal(volume.hu, np.stack([plain.astype(int) - 1024] * 3))


def test_ct_values_are_pydicoms_rescaled():
    ds = pydicom.dcmread(BUNDLED / "CT_small.dcm")
    theirs = ds.pixel_array * float(ds.RescaleSlope) + float(ds.RescaleIntercept)  # PS3.3 C.11.1.1.2
    assert np.array_equal(decode([header_of("CT_small.dcm")])[0], theirs)


def test_gated_series_from_the_bundled_set():
    folder = BUNDLED / "dicomdirtests" / "98892001" / "CT5N"
    volume = read_volume(folder)
    assert volume.hu.shape == (5, 16, 16)
    assert np.allclose(volume.lps_from_index[:3, 3], [-72.199997, -143.0, -1.2375])
    assert np.allclose(volume.lps_from_index[:3, 2], [0, 0, 2.5])


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("MR_small.dcm", ("no CT volume", "modality MR")),
        ("dicomdirtests/98892001/CT2N", ("localiser",)),
        ("dicomdirtests/77654033/CT2", ("lacks 161 slices", "202.50 mm", "1.25 mm")),
        ("dicomdirtests/TINY_ALPHA", ("ends before the image",)),
        ("dicomdirtests/98892003", ("no CT volume", "modality MR")),
        ("dicomdirtests/77654033/CR1", ("modality CR",)),
        ("rtplan.dcm", ("neither a DICOM image",)),
        ("no_meta.dcm", ("neither a DICOM image",)),
    ],
)
def test_what_is_no_volume_is_refused(name, words):
    with pytest.raises(InputRefused) as refused:
        read_volume(BUNDLED / name)
    for word in words:
        assert word in str(refused.value), refused.value


def test_one_ct_slice_is_no_volume():
    with pytest.raises(InputRefused, match="single slice"):
        read_volume([BUNDLED / "CT_small.dcm"])


def test_truncated_file_is_seen():
    """pydicom's note on MR_truncated.dcm: pixel data shorter than its header says."""
    assert header_of("MR_truncated.dcm").pixels_short_by > 0
    assert header_of("MR_small.dcm").pixels_short_by == 0


def test_everything_bundled_can_be_listed():
    """Whatever lies there, listing it ends in a list."""
    listed = list_series(BUNDLED)
    assert len(listed) > 10
    assert [s.series_instance_uid for s in listed if s.usable] == [
        "1.3.6.1.4.1.5962.1.1.0.0.0.1194734704.16302.0.6"
    ]
