"""Broken enhanced multi-frame files: one sentence with what is wrong and where, and never a volume."""

from __future__ import annotations

import numpy as np
import pydicom
import pytest
from pydicom.uid import JPEG2000Lossless, RLELossless

from septal_planner import cli
from septal_planner.errors import InputRefused
from septal_planner.inputs.series_summary import list_series
from septal_planner.inputs.volume import read_volume

ROWS, COLUMNS = 6, 8


def frames(count=12, **told):
    return [
        {
            "position": (0.0, 0.0, 0.75 * k),
            "pixels": (np.arange(ROWS * COLUMNS).reshape(ROWS, COLUMNS) + 48 * k - 1000).astype(np.int16),
            **told,
        }
        for k in range(count)
    ]


def refusal(path, *words):
    with pytest.raises(InputRefused) as caught:
        read_volume(path)
    sentence = str(caught.value)
    assert "\n" not in sentence
    assert sentence.endswith(".")
    assert ";" in sentence or ", so " in sentence
    for word in words:
        assert word in sentence, sentence
    assert not any(s.usable for s in list_series(path))
    return sentence


def drop(keyword, which=slice(None)):
    def spoil(ds):
        for groups in list(ds.PerFrameFunctionalGroupsSequence)[which]:
            if keyword in groups:
                delattr(groups, keyword)
        for groups in ds.SharedFunctionalGroupsSequence:
            if keyword in groups:
                delattr(groups, keyword)

    return spoil


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (drop("PlanePositionSequence"), ("image position", "12 of 12 frames", "frame 1")),
        (drop("PlanePositionSequence", slice(4, 5)), ("image position", "1 of 12 frames", "frame 5")),
        (drop("PlaneOrientationSequence"), ("image orientation", "12 of 12 frames")),
        (drop("PixelMeasuresSequence"), ("pixel spacing", "12 of 12 frames")),
        (drop("PixelValueTransformationSequence"), ("rescale", "Hounsfield", "12 of 12 frames")),
        (drop("PixelValueTransformationSequence", slice(2, 4)), ("rescale", "2 of 12 frames", "frame 3")),
    ],
)
def test_missing_functional_groups(write_enhanced, spoil, words):
    path = write_enhanced(frames(), spoil=spoil)
    refusal(path, str(path.parent), *words)


def test_no_functional_groups_at_all(write_enhanced):
    def spoil(ds):
        del ds.PerFrameFunctionalGroupsSequence, ds.SharedFunctionalGroupsSequence

    path = write_enhanced(frames(), spoil=spoil)
    refusal(path, str(path), "describes 0 frames", "says it has 12")


@pytest.mark.parametrize("stated", [11, 13, 1, 100000, 2**31 - 1])
def test_number_of_frames_that_is_not_so(write_enhanced, stated):
    path = write_enhanced(frames(), spoil=lambda ds: setattr(ds, "NumberOfFrames", stated))
    refusal(path, str(path), "describes 12 frames", f"says it has {stated}")


def test_number_of_frames_missing(write_enhanced):
    path = write_enhanced(frames(), spoil=lambda ds: delattr(ds, "NumberOfFrames"))
    refusal(path, "describes 12 frames", "says it has 1")


@pytest.mark.parametrize("more", [-1, 1, 3])
def test_voxels_of_more_or_fewer_frames_than_described(write_enhanced, more):
    def spoil(ds):
        size = 2 * ROWS * COLUMNS
        ds.PixelData = ds.PixelData[: more * size] if more < 0 else ds.PixelData + b"\0" * (more * size)

    path = write_enhanced(frames(), spoil=spoil)
    refusal(path, str(path), "cut short" if more < 0 else f"{96 * more} bytes of voxels more")


@pytest.mark.parametrize("keep", [0.02, 0.3, 0.6, 0.95, 0.999])
def test_cut_anywhere(write_enhanced, keep):
    path = write_enhanced(frames())
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * keep)])
    with pytest.raises(InputRefused) as caught:
        read_volume(path.parent)
    assert str(path) in str(caught.value) or "not DICOM" in str(caught.value)


@pytest.mark.parametrize(
    ("told", "words"),
    [
        (lambda k: {"orientation": [1, 0, 0, 0, 0.8, 0.6]} if k == 5 else {}, ("different orientations", "×11", "×1")),
        (lambda k: {"orientation": [1, 0, 0, 0.5, 1, 0]}, ("perpendicular",)),
        (lambda k: {"orientation": [0, 0, 0, 0, 0, 0]}, ("perpendicular",)),
        (lambda k: {"position": (0, 0, k + (k > 5) * 0.4)}, ("uneven steps",)),
        (lambda k: {"position": (0, 0, k + (k > 5))}, ("lacks 1 slice",)),
        (lambda k: {"position": (2.0 * (k > 5), 0, k)}, ("sideways",)),
        (lambda k: {"position": (0, 0, 0)}, ("duplicate",)),
        (lambda k: {"position": (0, 0, 1.0 * min(k, 10))}, ("duplicate", "frame 11", "frame 12")),
        (lambda k: {"position": (float("nan"), 0, k)}, ("image position",)),
        (lambda k: {"slope": 0}, ("rescale",)),
        (lambda k: {"slope": "nan"}, ("rescale",)),
    ],
)
def test_frames_that_form_no_volume(write_enhanced, told, words):
    path = write_enhanced([f | told(k) for k, f in enumerate(frames())])
    refusal(path, *words)


@pytest.mark.parametrize("spacing", [(0, 0), (0.5, 0), (-0.5, 0.4), ("nan", 0.4)])
def test_spacing_that_is_none(write_enhanced, spacing):
    path = write_enhanced(
        frames(),
        spoil=lambda ds: setattr(
            ds.SharedFunctionalGroupsSequence[0].PixelMeasuresSequence[0], "PixelSpacing", [str(x) for x in spacing]
        ),
    )
    refusal(path, "pixel spacing")


def test_one_frame_is_no_volume(write_enhanced):
    refusal(write_enhanced(frames(1)), "single slice")


def test_a_concatenation_is_refused(write_enhanced):
    """PS3.3 C.7.6.16.2.2.4: one image split over several files."""

    def spoil(ds):
        ds.ConcatenationUID, ds.InConcatenationNumber, ds.InConcatenationTotalNumber = "1.2.9", 2, 3

    refusal(write_enhanced(frames(), spoil=spoil), "part 2 of 3", "concatenation", "single-frame")


def test_values_that_are_not_hounsfield_units(write_enhanced):
    def spoil(ds):
        for groups in ds.PerFrameFunctionalGroupsSequence:
            groups.PixelValueTransformationSequence[0].RescaleType = "Z_EFF"

    refusal(write_enhanced(frames(), spoil=spoil), "Z_EFF", "Hounsfield")


@pytest.mark.parametrize("bits", [0, 1, 8, 12, 64])
def test_bits_that_no_ct_has(write_enhanced, bits):
    with pytest.raises(InputRefused):
        read_volume(write_enhanced(frames(), spoil=lambda ds: setattr(ds, "BitsAllocated", bits)))


def test_functional_groups_that_are_no_sequence(write_enhanced):
    path = write_enhanced(frames())
    data = path.read_bytes()
    path.write_bytes(data.replace(b"\x00\x52\x30\x92SQ", b"\x00\x52\x30\x92UN", 1))
    try:
        assert read_volume(path).hu.shape[0] == 12  # an unknown representation may still be a sequence (PS3.5 6.2.2)
    except InputRefused as refused:
        assert "frames" in str(refused)


def test_compressed_voxels_that_are_none(write_enhanced):
    def spoil(ds):
        ds.PixelData = pydicom.encaps.encapsulate([b"\xff\x4f\xff\x51" + b"not a picture " * 9] * 12)
        ds["PixelData"].VR = "OB"

    path = write_enhanced(frames(), syntax=JPEG2000Lossless, spoil=spoil)
    with pytest.raises(InputRefused, match=r"cannot be decoded.*damaged"):
        read_volume(path)


def test_compressed_voxels_cut_short_or_too_few(write_enhanced, tmp_path, capfd):
    ds = pydicom.dcmread(write_enhanced(frames()))
    ds.compress(RLELossless)
    for folder in ("cut", "few"):
        (tmp_path / folder).mkdir()
    ds.save_as(tmp_path / "cut" / "rle")
    data = (tmp_path / "cut" / "rle").read_bytes()
    (tmp_path / "cut" / "rle").write_bytes(data[:-30])
    refusal(tmp_path / "cut" / "rle", "cut short", "compressed")
    fragments = list(pydicom.encaps.generate_frames(ds.PixelData, number_of_frames=12))
    ds.PixelData = pydicom.encaps.encapsulate(fragments[:7])
    ds.save_as(tmp_path / "few" / "rle")
    with pytest.raises(InputRefused, match=r"rle cannot be decoded.*damaged"):
        read_volume(tmp_path / "few")
    assert capfd.readouterr().err == ""


def test_a_broken_object_ends_with_status_3(write_enhanced, tmp_path, capsys):
    path = write_enhanced(frames(), spoil=drop("PlanePositionSequence"))
    (tmp_path / "l.json").write_text('{"coordinate_system": "LPS", "unit": "mm", "landmarks": {"fossa": [[0, 0, 0]]}}')
    assert cli.main(["plan", str(path), str(tmp_path / "l.json"), "--out", str(tmp_path / "out")]) == 3
    said = capsys.readouterr().err.splitlines()
    assert "image position" in said[-1]
    assert not (tmp_path / "out").exists()
    assert cli.main(["inspect", str(path)]) == 0
    shown = capsys.readouterr().out
    assert "enhanced multi-frame" in shown
    assert "image position" in shown


def test_a_spoilt_word_elsewhere_in_the_header_ends_nothing(write_enhanced):
    """Patient Position with a value representation that does not exist, as one flipped bit makes it."""
    path = write_enhanced(frames())
    data = path.read_bytes()
    assert data.count(b"\x18\x00\x00\x51CS") == 1
    path.write_bytes(data.replace(b"\x18\x00\x00\x51CS", b"\x18\x00\x00\x51CZ"))
    try:
        assert read_volume(path).patient_position is None
    except InputRefused as refused:
        assert str(path) in str(refused)
    list_series(path.parent)
