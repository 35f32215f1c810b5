"""Enhanced multi-frame CT: each frame where its functional groups say, whatever the order; phases and stacks parted."""

from __future__ import annotations

import itertools
import shutil
import subprocess

import numpy as np
import pydicom
import pytest
import SimpleITK as sitk
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom.uid import DeflatedExplicitVRLittleEndian, ExplicitVRBigEndian, ImplicitVRLittleEndian, RLELossless
from scipy.spatial.transform import Rotation

from septal_planner.errors import InputRefused
from septal_planner.geometry.frames import apply_affine
from septal_planner.inputs.series_summary import list_series
from septal_planner.inputs.volume import content_sha256, read_volume

ROWS, COLUMNS = 6, 8


def picture(n):
    """Stored values no other picture has."""
    return (np.arange(ROWS * COLUMNS).reshape(ROWS, COLUMNS) + ROWS * COLUMNS * n - 1000).astype(np.int16)


def stack_of(places, start=0, **told):
    return [{"position": p, "pixels": picture(start + k), **told} for k, p in enumerate(places)]


AXIAL = [(-10.0, -20.0, 30.0 + 0.75 * k) for k in range(12)]


def assert_frames_lie_where_they_say(volume, path):
    """DICOM PS3.3 C.7.6.2.1.1, equation C.7.6.2.1-1, with each frame's own functional groups; values as pydicom reads
    them, rescaled by each frame's own (C.11.1.1.2).
    """
    ds = pydicom.dcmread(path)
    between_rows, between_columns = ds.SharedFunctionalGroupsSequence[0].PixelMeasuresSequence[0].PixelSpacing
    for groups, stored in zip(ds.PerFrameFunctionalGroupsSequence, ds.pixel_array, strict=True):
        rescale = groups.PixelValueTransformationSequence[0]
        values = stored.astype(float) * float(rescale.RescaleSlope) + float(rescale.RescaleIntercept)
        iop = np.array(groups.PlaneOrientationSequence[0].ImageOrientationPatient, float)
        origin = np.array(groups.PlanePositionSequence[0].ImagePositionPatient, float)
        k = int(np.argmin([np.abs(s.astype(float) - values).max() for s in volume.hu]))
        assert np.array_equal(volume.hu[k], values)
        for column, row in itertools.product((0, COLUMNS - 1), (0, ROWS - 1)):
            stated = origin + iop[:3] * float(between_columns) * column + iop[3:] * float(between_rows) * row
            assert np.linalg.norm(apply_affine(volume.lps_from_index, [column, row, k]) - stated) < 0.01


def test_one_stack(write_enhanced, tmp_path):
    path = write_enhanced(stack_of(AXIAL, phase=75, stack=1))
    volume = read_volume(tmp_path / "ct")
    assert volume.hu.dtype == np.int16
    assert volume.hu.shape == (12, ROWS, COLUMNS)
    assert volume.phase_percent == 75
    assert volume.patient_position == "HFS"
    assert volume.series_instance_uid == "1.2.5"
    assert volume.frame_of_reference_uid == "1.2.6"
    assert "enhanced" in volume.source
    assert_frames_lie_where_they_say(volume, path)
    assert content_sha256(read_volume(path)) == content_sha256(volume)
    (seen,) = list_series(tmp_path / "ct")
    assert (seen.kind, seen.slices, seen.phase_percent) == ("enhanced", 12, 75)
    assert "0020,9241" in seen.phase_source
    assert (seen.kvp, seen.kernel) == (100, "B26f")
    assert seen.usable


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 2**31))
def test_frames_in_any_order_oblique_or_tilted(write_enhanced, seed):
    """The normal, the order of the frames and the shear are drawn at random."""
    rng = np.random.default_rng(seed)
    turn = Rotation.random(random_state=rng).as_matrix()
    step = 0.625 * turn[:, 2] + rng.uniform(-0.3, 0.3) * turn[:, 1]
    places = [np.array([12.0, -200.0, 650.0]) + step * k for k in range(9)]
    frames = stack_of(places, orientation=turn[:, :2].T.ravel())
    path = write_enhanced([frames[n] for n in rng.permutation(9)])
    assert_frames_lie_where_they_say(read_volume(path), path)


def test_the_same_series_as_single_frames(write_enhanced, write_series, tmp_path):
    """Against SimpleITK's reader of the classic series, which is right where the gantry is not tilted."""
    turn = Rotation.from_euler("xyz", [10, -25, 40], degrees=True).as_matrix()
    places = [turn[:, 2] * 0.5 * k for k in range(8)]
    paths = write_series(
        folder="classic", positions=places, ImageOrientationPatient=[float(f"{x:.10f}") for x in turn[:, :2].T.ravel()]
    )
    reader = sitk.ImageSeriesReader()
    reader.SetFileNames([str(p) for p in paths])
    image = reader.Execute()
    volume = read_volume(write_enhanced(stack_of(places, orientation=turn[:, :2].T.ravel())[::-1]))
    assert np.array_equal(volume.hu, sitk.GetArrayFromImage(image))
    for index in [(0, 0, 0), (7, 0, 0), (0, 5, 0), (0, 0, 7), (3, 4, 5)]:
        assert np.allclose(
            image.TransformIndexToPhysicalPoint(index), apply_affine(volume.lps_from_index, index), atol=1e-4
        )


@pytest.mark.parametrize("tag_deg", [18.5, -18.5])
@pytest.mark.parametrize("way", [1, -1])
def test_gantry_tilt_of_both_signs(write_enhanced, tag_deg, way):
    tilt = np.radians(18.5)
    path = write_enhanced(
        stack_of(
            [(-100.0, -80.0, 40.0 + 1.25 * k) for k in range(30)],
            orientation=[1, 0, 0, 0, np.cos(tilt), way * -np.sin(tilt)],
        ),
        spoil=lambda ds: setattr(ds, "GantryDetectorTilt", tag_deg),
    )
    volume = read_volume(path)
    assert_frames_lie_where_they_say(volume, path)
    assert any("18.5°" in note for note in volume.notes)


def test_rescale_of_each_frame(write_enhanced):
    frames = [f | {"intercept": -24 + k, "slope": 1 + k % 2} for k, f in enumerate(stack_of(AXIAL))]
    path = write_enhanced(frames)
    volume = read_volume(path)
    assert volume.hu.dtype == np.int16
    assert_frames_lie_where_they_say(volume, path)


def test_shared_groups_hold_for_all_frames(write_enhanced):
    """Any functional group may stand in the shared sequence instead (PS3.3 C.7.6.16.1.1)."""

    def share(ds):
        shared = ds.SharedFunctionalGroupsSequence[0]
        for groups in ds.PerFrameFunctionalGroupsSequence:
            for macro in ("PlaneOrientation", "PixelValueTransformation", "CTImageFrameType", "CardiacSynchronization"):
                setattr(shared, f"{macro}Sequence", groups[f"{macro}Sequence"].value)
                del groups[f"{macro}Sequence"]

    alone = write_enhanced(stack_of(AXIAL, phase=70, intercept=-24), name="a")
    shared = write_enhanced(stack_of(AXIAL, phase=70, intercept=-24), name="b", spoil=share)
    assert content_sha256(read_volume([alone])) == content_sha256(read_volume([shared]))
    assert read_volume([shared]).phase_percent == 70


def test_unsigned_twelve_bits(write_enhanced):
    """What stands above Bits Stored is no part of the value (PS3.5 8.1.1)."""

    def narrow(ds):
        ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 12, 11, 0
        values = np.frombuffer(ds.PixelData, "<u2") & 0x0FFF
        ds.PixelData = (values | 0xF000).astype("<u2").tobytes()

    path = write_enhanced(stack_of(AXIAL, intercept=-3200), spoil=narrow)
    expected = np.stack([picture(k) for k in range(12)]).astype(int) & 0x0FFF
    assert np.array_equal(read_volume(path).hu, expected - 3200)


@pytest.mark.parametrize("syntax", [ImplicitVRLittleEndian, ExplicitVRBigEndian, DeflatedExplicitVRLittleEndian])
def test_other_syntaxes_equal_their_twin(write_enhanced, syntax):
    plain = write_enhanced(stack_of(AXIAL[::-1]), name="a")
    other = write_enhanced(stack_of(AXIAL[::-1]), name="b", syntax=syntax)
    assert content_sha256(read_volume([other])) == content_sha256(read_volume([plain]))


def compressed_by_sitk(pixels, compressor, folder):
    """One picture as SimpleITK's (GDCM's) writer compresses it: the fragment alone, and its transfer syntax."""
    writer = sitk.ImageFileWriter()
    writer.SetFileName(str(folder / "one.dcm"))
    writer.UseCompressionOn()
    writer.SetCompressor(compressor)
    writer.Execute(sitk.GetImageFromArray(pixels[None]))
    ds = pydicom.dcmread(folder / "one.dcm")
    return next(pydicom.encaps.generate_frames(ds.PixelData, number_of_frames=1)), ds.file_meta.TransferSyntaxUID


@pytest.mark.parametrize("compressor", ["JPEG", "JPEG2000"])
@pytest.mark.parametrize("table", [True, False], ids=["offset table", "no offset table"])
def test_compressed_frames_equal_their_twin(write_enhanced, tmp_path, compressor, table):
    """JPEG lossless SV1 and JPEG 2000 lossless, with and without a Basic Offset Table (PS3.5 A.4)."""
    frames = stack_of(AXIAL[::-1])
    packed = [compressed_by_sitk(f["pixels"], compressor, tmp_path) for f in frames]

    def compress(ds):
        ds.PixelData = pydicom.encaps.encapsulate([data for data, _ in packed], has_bot=table)
        ds["PixelData"].VR = "OB"

    plain = write_enhanced(frames, name="a")
    other = write_enhanced(frames, name="b", syntax=packed[0][1], spoil=compress)
    assert content_sha256(read_volume([other])) == content_sha256(read_volume([plain]))


def test_rle_frames_equal_their_twin(write_enhanced, tmp_path):
    plain = write_enhanced(stack_of(AXIAL[::-1]))
    ds = pydicom.dcmread(plain)
    ds.compress(RLELossless)
    ds.save_as(tmp_path / "rle")
    assert content_sha256(read_volume([tmp_path / "rle"])) == content_sha256(read_volume([plain]))


def phases(*percents, **told):
    out = []
    for n, percent in enumerate(percents):
        out += stack_of(AXIAL, start=12 * n, phase=percent, **told)
    return out


def test_phases_of_one_object_are_chosen_by_percent(write_enhanced):
    frames = phases(35, 75)
    mixed = [f for pair in zip(frames[:12], frames[12:], strict=True) for f in pair]
    path = write_enhanced(mixed)
    with pytest.raises(InputRefused, match=r"2 CT series.*--phase PERCENT.*@phase35 .*@phase75"):
        read_volume(path)
    volume = read_volume(path, phase_percent=72)
    assert volume.phase_percent == 75
    assert np.array_equal(volume.hu, np.stack([picture(12 + k) for k in range(12)]))
    assert any("72 %" in note and "75 %" in note for note in volume.notes)
    assert np.array_equal(read_volume(path, series_uid="1.2.5@phase35").hu, np.stack([picture(k) for k in range(12)]))
    with pytest.raises(InputRefused, match=r"within 5 % of it.*phase 35 %.*phase 75 %"):
        read_volume(path, phase_percent=55)
    assert {(s.selector, s.phase_percent) for s in list_series(path)} == {("1.2.5@phase35", 35), ("1.2.5@phase75", 75)}


@pytest.mark.parametrize(
    ("tell", "selectors"),
    [
        (lambda n: {"delay_ms": (280, 600)[n], "rr_ms": 800}, ["1.2.5@phase35", "1.2.5@phase75"]),
        (lambda n: {"comments": f"60 bpm, {(35, 75)[n]} %"}, ["1.2.5@phase35", "1.2.5@phase75"]),
        (lambda n: {"time": n + 1}, ["1.2.5@time1", "1.2.5@time2"]),
        (lambda n: {"stack": f"S {n}"}, ["1.2.5@stackS_0", "1.2.5@stackS_1"]),
        (lambda n: {"acquisition": n + 1}, ["1.2.5@acquisition1", "1.2.5@acquisition2"]),
    ],
)
def test_what_else_parts_the_volumes_of_one_object(write_enhanced, tell, selectors):
    frames = [f | tell(n) for n in (0, 1) for f in stack_of(AXIAL, start=12 * n)]
    path = write_enhanced(frames[::-1])
    assert sorted(s.selector for s in list_series(path)) == selectors
    for n, selector in enumerate(selectors):
        expected = np.stack([picture(12 * n + k) for k in range(12)])
        assert np.array_equal(read_volume(path, series_uid=selector).hu, expected)


def test_phase_and_stack_together(write_enhanced):
    frames = phases(35, 75, stack=1) + [
        f | {"stack": 2, "orientation": [0, 1, 0, 0, 0, -1], "phase": 75}
        for f in stack_of([(float(k), 0.0, 0.0) for k in range(7)], start=40)
    ]
    path = write_enhanced(frames)
    assert sorted((s.selector, s.orientation) for s in list_series(path)) == [
        ("1.2.5@phase35-stack1", "axial"),
        ("1.2.5@phase75-stack1", "axial"),
        ("1.2.5@phase75-stack2", "sagittal"),
    ]
    assert read_volume(path, phase_percent=35).hu.shape[0] == 12


def test_a_file_for_each_phase_under_one_uid(write_enhanced, tmp_path):
    for n, percent in enumerate((40, 70)):
        write_enhanced(stack_of(AXIAL, start=12 * n, phase=percent), name=f"ct/{percent}", InstanceNumber=n + 1)
    assert read_volume(tmp_path / "ct", phase_percent=70).hu[0, 0, 0] == picture(12)[0, 0]


def test_a_file_for_each_volume_of_no_known_phase(write_enhanced, tmp_path):
    for n in range(2):
        write_enhanced(stack_of(AXIAL, start=12 * n), name=f"ct/{n}", InstanceNumber=n + 1)
    assert sorted(s.selector for s in list_series(tmp_path / "ct")) == ["1.2.5@instance1", "1.2.5@instance2"]
    assert read_volume(tmp_path / "ct", series_uid="1.2.5@instance2").hu[0, 0, 0] == picture(12)[0, 0]
    with pytest.raises(InputRefused, match="says clearly which phase"):
        read_volume(tmp_path / "ct", phase_percent=70)


@pytest.mark.parametrize(
    ("odd", "reason"),
    [
        ({"frame_type": ["ORIGINAL", "PRIMARY", "LOCALIZER", "NONE"]}, "localiser"),
        ({"frame_type": ["DERIVED", "PRIMARY", "VOLUME", "MAXIMUM"]}, "MIP"),
        ({"volumetric": "SAMPLED"}, "MIP"),
        ({"volumetric": "DISTORTED"}, "MIP"),
    ],
)
def test_frames_that_are_no_slices_are_left_out(write_enhanced, odd, reason):
    frames = stack_of(AXIAL) + [f | odd for f in stack_of([(0.0, 0.0, 5.0), (0.0, 9.0, 5.0)], start=20)]
    path = write_enhanced(frames[::-1])
    assert read_volume(path).hu.shape[0] == 12
    with pytest.raises(InputRefused, match=f"no CT volume.*{reason}"):
        read_volume(write_enhanced([f | odd for f in stack_of(AXIAL)], name="other/x"))


def test_identical_frames_are_used_once(write_enhanced):
    frames = stack_of(AXIAL)
    volume = read_volume(write_enhanced([*frames, frames[3]]))
    assert volume.hu.shape[0] == 12
    assert any("twice" in note for note in volume.notes)


def test_derived_frames_of_a_reformat_are_read(write_enhanced):
    frames = stack_of(AXIAL, frame_type=["DERIVED", "PRIMARY", "VOLUME", "RESAMPLED"])
    assert read_volume(write_enhanced(frames)).hu.shape[0] == 12


def test_classic_and_converted_under_one_uid(write_enhanced, write_series, tmp_path):
    write_series()
    write_enhanced(stack_of(AXIAL))
    assert sorted(s.selector for s in list_series(tmp_path / "ct")) == ["1.2.5", "1.2.5@enhanced"]
    assert read_volume(tmp_path / "ct", series_uid="1.2.5@enhanced").hu.shape[0] == 12


def test_the_objects_of_these_tests_are_enhanced_ct(write_enhanced):
    """dciodvfy (dicom3tools) knows them as Enhanced CT and finds the functional groups read here in order."""
    if not shutil.which("dciodvfy"):
        pytest.skip("dciodvfy is not installed")
    path = write_enhanced(stack_of(AXIAL, phase=75, stack=1))
    said = subprocess.run(["dciodvfy", str(path)], capture_output=True, text=True, check=False).stderr
    assert "EnhancedCTImage" in said
    for macro in ("PlanePosition", "PlaneOrientation", "PixelMeasures", "PixelValueTransformation", "FrameContent"):
        faults = [line for line in said.splitlines() if line.startswith("Error") and f"{macro}" in line]
        assert not faults, faults
