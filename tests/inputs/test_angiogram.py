"""Reading X-ray frames: geometry as the header tells it, contradictions caught, frames one at a time."""

import tracemalloc

import numpy as np
import pydicom
import pytest
from pydicom.dataset import Dataset
from septal_phantoms.angiogram import Setup, draw, write_xa, xa_dataset

from septal_planner.errors import InputRefused
from septal_planner.fluoroscopy.pose import CameraPose
from septal_planner.inputs.angiogram import read_angiogram

SETUP = Setup(-33.0, 12.0, 1009.0, 720.0, 0.2, (96, 64))
POINTS = np.array([[10.0, -20, 5], [-8.0, 4, -3]])


@pytest.fixture
def made(tmp_path):
    """Write a frame after `change` has spoilt its header; give the path."""

    def make(change=None, *, bits=8, frames=1, enhanced=False, setup=SETUP):
        drawn = [draw(setup, POINTS, bits=bits, seed=n) for n in range(frames)]
        ds = xa_dataset(setup, drawn, enhanced=enhanced)
        if change:
            change(ds)
        return write_xa(tmp_path / "frame.dcm", ds)

    return make


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("enhanced", [False, True])
@pytest.mark.parametrize("frames", [1, 4])
def test_geometry_and_every_frame(made, bits, enhanced, frames):
    path = made(bits=bits, frames=frames, enhanced=enhanced)
    a = read_angiogram(path)
    g = a.geometry(frames)
    assert (g.primary_deg, g.secondary_deg) == (-33.0, 12.0)
    assert (g.source_detector_mm, g.source_isocenter_mm, g.spacing_mm) == (1009.0, 720.0, (0.2, 0.2))
    assert (a.frame_count, a.size_px, a.bits, a.notes) == (frames, (96, 64), bits, ())
    theirs = pydicom.dcmread(path).pixel_array.reshape(frames, 64, 96)  # the reference library
    for mine, other in zip(a.frames(), theirs, strict=True):
        np.testing.assert_array_equal(mine, other)


@pytest.mark.parametrize("a", [-60, 0, 33, 90])
@pytest.mark.parametrize("b", [-30, 0, 25])
def test_discs_are_where_the_camera_of_the_header_has_them(made, a, b):
    """The frame is drawn by a projection that knows nothing of ours."""
    path = made(setup=Setup(a, b, 1100, 760, 0.4, (256, 200)))
    read = read_angiogram(path)
    g = read.geometry(1)
    camera = CameraPose(
        g.primary_deg, g.secondary_deg, g.source_detector_mm, g.source_isocenter_mm, g.spacing_mm, read.size_px
    )
    values = read.pixels(1).astype(float)
    for column, row in camera.pixel(POINTS):
        c, r = round(column), round(row)
        assert values[r, c] < np.median(values) - 60


def test_enhanced_frames_each_have_their_own_angles(made):
    def turn(ds):
        del ds.SharedFunctionalGroupsSequence[0].PositionerPositionSequence
        for n, group in enumerate(ds.PerFrameFunctionalGroupsSequence):
            item = Dataset()
            item.PositionerPrimaryAngle, item.PositionerSecondaryAngle = 10.0 * n, -5.0
            group.PositionerPositionSequence = [item]

    a = read_angiogram(made(turn, frames=3, enhanced=True))
    assert [a.geometry(n).primary_deg for n in (1, 2, 3)] == [0.0, 10.0, 20.0]


def test_a_cine_of_two_thousand_frames_is_never_in_memory_whole(tmp_path):
    setup = Setup(size_px=(128, 128))
    frame = draw(setup, POINTS)
    path = write_xa(tmp_path / "cine.dcm", xa_dataset(setup, [frame] * 2000))
    tracemalloc.start()
    a = read_angiogram(path)
    sums = [int(f.sum()) for f in (a.pixels(n) for n in (1, 1000, 2000))]
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert sums == [int(frame.sum())] * 3
    assert path.stat().st_size > 30e6
    assert peak < 3e6


# published in the headers of four makers' frames: the first three agree with their distances, the last does not
@pytest.mark.parametrize(
    ("sid", "sod", "told", "agrees"),
    [(1009, 720, 1.4014, True), (1148, 809.89, 1.4175, True), (1108, 788.27, 1.4056, True), (1175, 720, 1.6139, False)],
)
def test_magnification_is_held_against_the_distances(made, sid, sod, told, agrees):
    def change(ds):
        ds.DistanceSourceToDetector, ds.DistanceSourceToPatient = str(sid), str(sod)
        ds.EstimatedRadiographicMagnificationFactor = str(told)

    a = read_angiogram(made(change))
    assert bool(a.notes) is not agrees
    if not agrees:
        assert "1.6139" in a.notes[0]
        assert "1.632" in a.notes[0]
    assert a.geometry(1).source_detector_mm == sid


def test_calibration_is_held_against_the_distances(made):
    fine = read_angiogram(made(lambda ds: setattr(ds, "PixelSpacing", ["0.1427", "0.1427"])))
    off = read_angiogram(made(lambda ds: setattr(ds, "PixelSpacing", ["0.25", "0.25"])))
    assert not fine.notes
    assert "calibrated" in off.notes[0]


def captured(ds):
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = pydicom.uid.SecondaryCaptureImageStorage
    del ds.PositionerPrimaryAngle, ds.PositionerSecondaryAngle


def derived(ds):
    ds.ImageType = ["DERIVED", "SECONDARY", "SINGLE PLANE"]
    del ds.PositionerPrimaryAngle


def without(keyword):
    return lambda ds: delattr(ds, keyword)


def with_(keyword, value):
    return lambda ds: setattr(ds, keyword, value)


def colour(ds):
    ds.SamplesPerPixel, ds.PhotometricInterpretation, ds.PlanarConfiguration = 3, "RGB", 0
    ds.PixelData = ds.PixelData * 3


def cut(ds):
    ds.PixelData = ds.PixelData[:-1000]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (captured, "secondary capture"),
        (derived, "derived from another"),
        (without("PositionerPrimaryAngle"), "angles of the C-arm"),
        (without("PositionerSecondaryAngle"), "angles of the C-arm"),
        (with_("PositionerPrimaryAngle", ""), "angles of the C-arm"),
        (with_("PositionerSecondaryAngle", "120"), "120"),
        (without("DistanceSourceToDetector"), "0018,1110"),
        (without("DistanceSourceToPatient"), "0018,1111"),
        (with_("DistanceSourceToPatient", "1100"), "between the two"),
        (with_("DistanceSourceToDetector", "100.9"), "100.9"),
        (without("ImagerPixelSpacing"), "0018,1164"),
        (with_("ImagerPixelSpacing", ["0", "0"]), "0.01 to 5"),
        (with_("FieldOfViewHorizontalFlip", "YES"), "flipped"),
        (with_("FieldOfViewRotation", "90"), "turned by 90"),
        (with_("PatientOrientation", ["R", "F"]), "mirrored"),
        (with_("SOPClassUID", "1.2.840.10008.5.1.4.1.1.2"), "CT Image Storage"),
        (with_("BitsAllocated", 32), "32 bits"),
        (colour, "3 values"),
        (cut, "cut short"),
    ],
)
def test_what_is_refused_in_one_sentence(made, change, said):
    path = made(change)
    with pytest.raises(InputRefused) as problem:
        read_angiogram(path)
    sentence = str(problem.value)
    assert said in sentence
    assert "frame.dcm" in sentence
    assert sentence.endswith(".")
    assert sentence.count(". ") == 0


def test_patient_orientation_that_agrees_is_taken(made):
    assert read_angiogram(made(with_("PatientOrientation", ["LP", "F"]))).notes == ()


def test_no_file_and_no_dicom(tmp_path):
    with pytest.raises(InputRefused, match="cannot be read"):
        read_angiogram(tmp_path / "none.dcm")
    (tmp_path / "text.dcm").write_text("hello")
    with pytest.raises(InputRefused, match="not a DICOM file"):
        read_angiogram(tmp_path / "text.dcm")


def test_a_frame_that_is_not_there(made):
    a = read_angiogram(made(frames=3))
    for number in (0, 4):
        with pytest.raises(InputRefused, match="has 3"):
            a.pixels(number)


def test_a_turning_c_arm_has_angles_in_its_first_frame_only(made):
    a = read_angiogram(made(with_("PositionerMotion", "DYNAMIC"), frames=3))
    assert a.geometry(1).primary_deg == -33.0
    with pytest.raises(InputRefused, match="turning"):
        a.geometry(2)


def test_who_is_told_apart_without_a_name(made):
    one = read_angiogram(made())
    other = read_angiogram(made(with_("PatientID", "SOMEBODY-ELSE")))
    assert one.who != other.who
    assert "PHANTOM" not in repr(one)


def test_compressed_cine(made):
    def compress(ds):
        ds.compress(pydicom.uid.RLELossless)

    path = made(compress, frames=3)
    a = read_angiogram(path)
    np.testing.assert_array_equal(a.pixels(2), draw(SETUP, POINTS, seed=1))
