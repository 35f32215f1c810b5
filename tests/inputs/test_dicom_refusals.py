"""Bad DICOM input gets one sentence that says what is wrong, where, and what to do."""

from __future__ import annotations

import numpy as np
import pydicom
import pytest

from septal_planner.errors import InputRefused
from septal_planner.inputs.series_summary import list_series
from septal_planner.inputs.volume import read_volume


def refusal(*args, **kwargs):
    with pytest.raises(InputRefused) as caught:
        read_volume(*args, **kwargs)
    sentence = str(caught.value)
    assert "\n" not in sentence
    assert sentence.endswith(".")
    assert ";" in sentence or ", so " in sentence  # what to do next follows
    return sentence


def says(sentence, *words):
    for word in words:
        assert str(word) in sentence, sentence


def test_missing_path(tmp_path):
    says(refusal(tmp_path / "nowhere"), tmp_path / "nowhere", "does not exist")
    says(refusal([tmp_path / "nowhere"]), "does not exist")
    says(refusal([]), "empty")


def test_empty_folder(tmp_path):
    says(refusal(tmp_path), tmp_path, "empty")


def test_folder_without_dicom(tmp_path):
    (tmp_path / "notes.txt").write_text("nothing")
    says(refusal(tmp_path), tmp_path, "no CT volume", "not DICOM (1 file)")


def test_unknown_file(tmp_path):
    (tmp_path / "ct.jpg").write_bytes(b"\xff\xd8\xff")
    says(refusal(tmp_path / "ct.jpg"), "ct.jpg", "DICOM", ".nrrd")


@pytest.mark.parametrize(
    ("attributes", "reason"),
    [
        ({"ImageType": ["ORIGINAL", "PRIMARY", "LOCALIZER"]}, "localiser"),
        ({"SOPClassUID": "1.2.840.10008.5.1.4.1.1.7"}, "secondary capture"),
        ({"Modality": "MR", "SOPClassUID": "1.2.840.10008.5.1.4.1.1.4"}, "modality MR"),
        ({"ImageType": ["DERIVED", "SECONDARY", "OTHER", "MIP"]}, "projection"),
        (
            {
                "SamplesPerPixel": 3,
                "PhotometricInterpretation": "RGB",
                "PlanarConfiguration": 0,
                "pixels": np.zeros((6, 8, 3), np.int16),
            },
            "colour",
        ),
    ],
)
def test_no_ct_in_it(write_series, tmp_path, attributes, reason):
    write_series(each=lambda k: dict(attributes))
    says(refusal(tmp_path / "ct"), tmp_path / "ct", "no CT volume", reason)
    (summary,) = list_series(tmp_path / "ct")
    assert not summary.usable
    says(summary.faults[0], reason)
    says(refusal(tmp_path / "ct", series_uid="1.2.5"), "1.2.5", reason)


def test_scout_in_the_same_series_is_left_out(write_series, tmp_path):
    write_series()
    write_series(positions=[(0, 0, 300)], ImageType=["ORIGINAL", "PRIMARY", "LOCALIZER"], Rows=20)
    assert read_volume(tmp_path / "ct").hu.shape == (12, 6, 8)


def test_series_that_is_not_there(write_series, tmp_path):
    write_series()
    says(refusal(tmp_path / "ct", series_uid="9.9"), "9.9", "is not in", "1.2.5")


def test_missing_slice(write_series, tmp_path):
    paths = write_series()
    paths[4].unlink()
    says(
        refusal(tmp_path / "ct"),
        tmp_path / "ct",
        "lacks 1 slice:",
        "32.25",
        "33.75",
        "1.50 mm",
        "step is 0.75 mm",
    )
    paths[5].unlink()
    paths[9].unlink()
    says(refusal(tmp_path / "ct"), "lacks 3 slices", "2.25 mm", "1 more such gap")


def test_uneven_steps(write_series, tmp_path):
    z = np.cumsum([0, 1, 1, 1, 1, 1.4, 1.4, 1.4, 1])
    write_series(positions=[(0, 0, float(v)) for v in z])
    says(refusal(tmp_path / "ct"), "uneven steps", "1.00 mm ×5", "1.40 mm ×3")


def test_sideways_jump(write_series, tmp_path):
    write_series(positions=[(2.0 * (k > 5), 0.0, float(k)) for k in range(12)])
    says(refusal(tmp_path / "ct"), "sideways")


def test_duplicate_slices(write_series, tmp_path):
    write_series(positions=[(0, 0, float(k)) for k in (0, 1, 2, 3, 3, 4, 5, 5)])
    says(refusal(tmp_path / "ct"), "2 duplicate slices", "3.00")


def test_single_slice(write_series, tmp_path):
    write_series(positions=[(0, 0, 0)])
    says(refusal(tmp_path / "ct"), "single slice")


@pytest.mark.parametrize(
    ("odd", "words"),
    [
        ({"Rows": 7}, ("different sizes", "8×6 ×11", "8×7 ×1")),
        ({"PixelSpacing": [0.6, 0.4]}, ("pixel spacings", "0.6×0.4 mm ×1")),
        ({"ImageOrientationPatient": [1, 0, 0, 0, 0.8, 0.6]}, ("different orientations", "0.800")),
        ({"FrameOfReferenceUID": "1.2.99"}, ("frames of reference", "1.2.99")),
    ],
)
def test_mixed_slices(write_series, tmp_path, odd, words):
    write_series(each=lambda k: odd if k == 5 else {})
    says(refusal(tmp_path / "ct"), *words)


@pytest.mark.parametrize(
    ("attribute", "words"),
    [
        ("RescaleSlope", ("rescale", "Hounsfield", "1 of 12")),
        ("RescaleIntercept", ("rescale", "Hounsfield", "1 of 12")),
        ("ImagePositionPatient", ("image position", "1 of 12")),
        ("ImageOrientationPatient", ("image orientation", "1 of 12")),
        ("PixelSpacing", ("pixel spacing", "1 of 12")),
    ],
)
def test_missing_attribute(write_series, tmp_path, attribute, words):
    """Each is type 1 in DICOM PS3.3 C.7.6.2 (Image Plane) or C.8.2.1 (CT Image)."""
    paths = write_series()
    ds = pydicom.dcmread(paths[3])
    delattr(ds, attribute)
    ds.save_as(paths[3])
    says(refusal(tmp_path / "ct"), tmp_path / "ct", paths[3].name, *words)


def test_values_that_are_not_hounsfield_units(write_series, tmp_path):
    write_series(RescaleType="Z_EFF")  # DICOM PS3.3 C.11.1.1.2
    says(refusal(tmp_path / "ct"), "Z_EFF", "Hounsfield")


def test_unspecified_rescale_type_is_said(write_series, tmp_path):
    write_series(RescaleType="US")
    assert any("unspecified unit" in note for note in read_volume(tmp_path / "ct").notes)


def test_eight_bit_pictures(write_series, tmp_path):
    eight = {"BitsAllocated": 8, "BitsStored": 8, "HighBit": 7, "PixelRepresentation": 0}
    write_series(**eight, each=lambda k: {"pixels": np.full((6, 8), k, np.uint8)})
    says(refusal(tmp_path / "ct"), "8-bit")


def test_pictures_scaled_to_255_in_16_bits(write_series, tmp_path):
    write_series(each=lambda k: {"pixels": (np.arange(48).reshape(6, 8) * 5 + k).astype(np.int16)})
    says(refusal(tmp_path / "ct"), "8-bit picture", "Hounsfield")


def test_constant_voxels(write_series, tmp_path):
    write_series(each=lambda k: {"pixels": np.full((6, 8), -1000, np.int16)})
    says(refusal(tmp_path / "ct"), "-1000", "no patient")


def test_truncated_voxels(write_series, tmp_path):
    path = write_series()[6]
    path.write_bytes(path.read_bytes()[:-10])
    says(refusal(tmp_path / "ct"), path, "cut short", "10 bytes")


@pytest.mark.parametrize("keep", [0.3, 0.55, 0.8])
def test_truncated_header(write_series, tmp_path, keep):
    """Cut anywhere before its voxels, a file must not just go missing from the end of the stack."""
    path = write_series()[11]
    data = path.read_bytes()
    voxels = data.index(b"\xe0\x7f\x10\x00")
    path.write_bytes(data[: 140 + int((voxels - 140) * keep)])
    says(refusal(tmp_path / "ct"), path.name)


def test_empty_dcm_file_beside_the_series(write_series, tmp_path):
    write_series()
    (tmp_path / "ct" / "0099.dcm").write_bytes(b"")
    says(refusal(tmp_path / "ct"), "0099.dcm", "empty", "may be missing")
    (summary,) = list_series(tmp_path / "ct")
    assert not summary.usable


def test_truncated_compressed_voxels(write_series, tmp_path):
    from pydicom.uid import RLELossless

    paths = write_series()
    for path in paths:
        ds = pydicom.dcmread(path)
        ds.compress(RLELossless)
        ds.save_as(path)
    assert read_volume(tmp_path / "ct").hu[0, 0, 0] == -1000
    paths[2].write_bytes(paths[2].read_bytes()[:-20])
    says(refusal(tmp_path / "ct"), paths[2], "cut short", "compressed")


def test_corrupt_compressed_voxels(write_series, tmp_path, capfd):
    from pydicom.encaps import encapsulate
    from pydicom.uid import JPEG2000Lossless

    paths = write_series()
    for path in paths:
        ds = pydicom.dcmread(path)
        ds.PixelData = encapsulate([b"\xff\x4f\xff\x51" + b"not a picture " * 9])
        ds["PixelData"].VR = "OB"
        ds.file_meta.TransferSyntaxUID = JPEG2000Lossless
        ds.save_as(path)
    says(refusal(tmp_path / "ct"), "cannot be decoded", "damaged")
    assert capfd.readouterr().err == ""


def test_several_frames_in_one_file(write_series, tmp_path):
    write_series(each=lambda k: {"NumberOfFrames": 2, "pixels": np.zeros((2, 6, 8), np.int16)})
    says(refusal(tmp_path / "ct"), "2 frames")


def test_cosines_that_are_no_directions(write_series, tmp_path):
    write_series(ImageOrientationPatient=[1, 0, 0, 0.5, 1, 0])
    says(refusal(tmp_path / "ct"), "perpendicular")
