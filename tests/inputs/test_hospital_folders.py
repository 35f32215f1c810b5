"""What a hospital's folder holds: several phases, patients lying otherwise, strays, private tags, discs."""

from __future__ import annotations

import gc
import shutil
import warnings
from pathlib import Path

import numpy as np
import pydicom
import pytest
import SimpleITK as sitk
from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.fileset import FileSet
from pydicom.uid import ExplicitVRLittleEndian, ImplicitVRLittleEndian

from septal_planner import cli
from septal_planner.errors import InputRefused
from septal_planner.geometry.frames import apply_affine
from septal_planner.inputs.series_summary import list_series
from septal_planner.inputs.volume import content_sha256, read_volume

SIZE = {"Rows": 80, "Columns": 80, "PixelSpacing": [1.0, 1.0]}


def heart(blood_hu, shift=0):
    """80×80 mm, a 60 mm disc of muscle with a 44 mm disc of blood in fat."""
    y, x = np.mgrid[-39.5:40, -39.5:40]
    out = np.where(np.hypot(x, y) < 30, 50, -80)
    return {"pixels": np.where(np.hypot(x - shift, y) < 22, blood_hu, out).astype(np.int16)}


def refusal(*args, **kwargs):
    with pytest.raises(InputRefused) as caught:
        read_volume(*args, **kwargs)
    sentence = str(caught.value)
    assert "\n" not in sentence
    assert sentence.endswith(".")
    return sentence


# ------------------------------------------------------------------------------------------ phases


@pytest.fixture
def four_phases(write_series, tmp_path):
    """Series at 30, 40, 70 and 75 %, each told in another way."""
    told = {
        30: {"NominalPercentageOfCardiacPhase": 30.0},
        40: {"ScanOptions": "TP40PC1165"},
        70: {"SeriesDescription": "70 % 1.0 B30f"},
        75: {"ImageComments": "72 bpm, 75 %"},
    }
    for percent, words in told.items():
        write_series(
            folder=f"s/{percent}", each=lambda k, p=percent: heart(400, p / 10), SeriesInstanceUID=f"1.2.7.{percent}",
            **SIZE, **words,
        )
    return tmp_path / "s"


@pytest.mark.parametrize(
    ("asked", "taken"), [(30, 30), (25, 30), (34, 30), (36, 40), (45, 40), (65, 70), (72, 70), (73, 75), (80, 75)]
)
def test_the_nearest_phase_is_taken(four_phases, asked, taken):
    volume = read_volume(four_phases, phase_percent=asked)
    assert volume.phase_percent == taken
    assert volume.series_instance_uid == f"1.2.7.{taken}"
    assert any(f"{asked} %" in note for note in volume.notes) == (asked != taken)


@pytest.mark.parametrize("asked", [0, 24.9, 50, 55, 81, 100])
def test_a_phase_that_is_not_there(four_phases, asked):
    sentence = refusal(four_phases, phase_percent=asked)
    for word in (f"{asked:g} %", "within 5 %", "phase 30 %", "phase 40 %", "phase 70 %", "phase 75 %", "1.2.7.30"):
        assert word in sentence


def test_several_phases_and_none_asked_for(four_phases):
    sentence = refusal(four_phases)
    for word in ("4 CT series", "--phase PERCENT", "--series", "phase 30 %", "phase 75 %"):
        assert word in sentence


def test_halfway_between_two_phases_is_not_guessed(four_phases):
    assert "2 CT series" in refusal(four_phases, phase_percent=35)
    assert "1.2.7.70" in refusal(four_phases, phase_percent=72.5)


def test_phase_and_series_together(four_phases):
    assert read_volume(four_phases, series_uid="1.2.7.70", phase_percent=72).phase_percent == 70
    assert "within 5 %" in refusal(four_phases, series_uid="1.2.7.70", phase_percent=30)


def test_one_phase_in_two_kernels(write_series, tmp_path):
    for n, kernel in enumerate(("B26f", "B46f")):
        write_series(
            folder=f"s/{n}",
            each=lambda k: heart(400),
            SeriesDescription="70 %",
            ConvolutionKernel=kernel,
            SeriesInstanceUID=f"1.2.7.{n}",
            **SIZE,
        )
    sentence = refusal(tmp_path / "s", phase_percent=70)
    assert "2 CT series" in sentence
    assert "--series" in sentence


def test_one_phase_with_and_without_contrast(write_series, tmp_path):
    for n, blood in enumerate((45, 400)):
        write_series(
            folder=f"s/{n}",
            each=lambda k, b=blood: heart(b),
            SeriesDescription="70 %",
            SeriesInstanceUID=f"1.2.7.{n}",
            **SIZE,
        )
    volume = read_volume(tmp_path / "s", phase_percent=70)
    assert volume.series_instance_uid == "1.2.7.1"
    assert any("contrast" in note for note in volume.notes)


def test_phases_by_trigger_time_that_jitters(write_series, tmp_path):
    """Two phases under one UID, told by trigger times that vary with the heartbeat, and no other tag."""
    for percent in (35, 75):
        write_series(
            each=lambda k, p=percent: {"TriggerTime": f"{9 * p + 3 * (k % 4)}", **heart(400, p / 10)},
            NominalInterval="900",
            **SIZE,
        )
    assert sorted(s.selector for s in list_series(tmp_path / "ct")) == ["1.2.5@phase36", "1.2.5@phase76"]
    volume = read_volume(tmp_path / "ct", phase_percent=75)
    assert volume.hu.shape[0] == 12
    assert volume.phase_percent == pytest.approx(76, abs=1)


def test_slabs_of_different_phases_stay_one_series(write_series, tmp_path):
    """Step and shoot: each slab has its own phase, but they lie one above the other."""
    write_series(each=lambda k: {"NominalPercentageOfCardiacPhase": 72.0 + 2 * (k // 4), **heart(400)}, **SIZE)
    volume = read_volume(tmp_path / "ct")
    assert volume.hu.shape[0] == 12
    assert volume.phase_percent == 74


def test_two_phases_of_which_one_lacks_a_slice(write_series, tmp_path):
    write_series(each=lambda k: {"NominalPercentageOfCardiacPhase": 75.0})
    write_series(each=lambda k: {"NominalPercentageOfCardiacPhase": 35.0})[5].unlink()
    assert read_volume(tmp_path / "ct", phase_percent=75).hu.shape[0] == 12
    assert "lacks 1 slice" in refusal(tmp_path / "ct", phase_percent=35)


def test_phase_of_a_file_that_records_none(tmp_path):
    sitk.WriteImage(sitk.GetImageFromArray(np.zeros((4, 5, 6), np.int16)), str(tmp_path / "a.nrrd"))
    assert "leave --phase out" in refusal(tmp_path / "a.nrrd", phase_percent=70)


@pytest.mark.parametrize("words", [["--phase", "72"], ["--phase", "55"], ["--phase", "120"], ["--phase", "x"]])
def test_the_option(four_phases, tmp_path, capsys, words):
    (tmp_path / "l.json").write_text('{"coordinate_system": "LPS", "unit": "mm", "landmarks": {"fossa": [[0, 0, 0]]}}')
    call = ["plan", str(four_phases), str(tmp_path / "l.json"), "--out", str(tmp_path / "out"), *words]
    if words[1] in ("120", "x"):
        with pytest.raises(SystemExit) as ended:
            cli.main(call)
        assert ended.value.code == 2
        return
    assert cli.main(call) == 3
    said = capsys.readouterr().err.splitlines()[-1]
    # the phase is found and then the landmarks are lacking, or the phase is not there
    assert ("missing" in said) if words[1] == "72" else ("within 5 %" in said)


# ------------------------------------------------------------------------------------- the patient


POSITIONS = {
    # rows and columns of the image along the patient's axes (LPS) when the scanner's own x and y are kept
    "HFS": ([1, 0, 0, 0, 1, 0]),
    "HFP": ([-1, 0, 0, 0, -1, 0]),
    "FFS": ([-1, 0, 0, 0, 1, 0]),
    "FFP": ([1, 0, 0, 0, -1, 0]),
    "HFDR": ([0, -1, 0, 1, 0, 0]),
    "HFDL": ([0, 1, 0, -1, 0, 0]),
    "FFDR": ([0, 1, 0, 1, 0, 0]),
    "FFDL": ([0, -1, 0, -1, 0, 0]),
}


@pytest.mark.parametrize("position", POSITIONS)
@pytest.mark.parametrize("way", [1, -1], ids=["ascending", "descending"])
def test_every_way_to_lie(write_series, tmp_path, position, way):
    """PS3.3 C.7.3.1.1.2 names the eight; where voxels lie is in orientation and position alone. Against SimpleITK."""
    orientation = POSITIONS[position]
    normal = np.cross(orientation[:3], orientation[3:])
    paths = write_series(
        positions=[np.array([12.0, -34.0, 56.0]) + way * 0.5 * k * normal for k in range(9)],
        ImageOrientationPatient=orientation,
        PatientPosition=position,
    )
    volume = read_volume(tmp_path / "ct")
    assert volume.patient_position == position
    reader = sitk.ImageSeriesReader()
    reader.SetFileNames([str(p) for p in paths[::way]])
    image = reader.Execute()
    for index in [(0, 0, 0), (7, 0, 0), (0, 5, 0), (0, 0, 8), (3, 4, 5)]:
        there = apply_affine(np.linalg.inv(volume.lps_from_index), image.TransformIndexToPhysicalPoint(index))
        i, j, k = np.rint(there).astype(int)
        assert np.allclose(there, (i, j, k), atol=1e-5)
        assert volume.hu[k, j, i] == image[index]


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("tag_deg", [18.5, -18.5])
def test_gantry_tilt_of_both_signs(write_series, tmp_path, way, tag_deg):
    """The tag's sign means nothing: what counts is where the slices say they are (equation C.7.6.2.1-1)."""
    tilt = np.radians(18.5)
    paths = write_series(
        positions=[(-100.0, -80.0, 40.0 + 1.25 * k) for k in range(20)],
        ImageOrientationPatient=[1, 0, 0, 0, float(f"{np.cos(tilt):.10f}"), float(f"{way * -np.sin(tilt):.10f}")],
        GantryDetectorTilt=tag_deg,
    )
    volume = read_volume(tmp_path / "ct")
    for k in (0, 19):
        ds = pydicom.dcmread(paths[k])
        column = np.array(ds.ImageOrientationPatient[3:], float)
        stated = np.array(ds.ImagePositionPatient, float) + column * float(ds.PixelSpacing[0]) * 5
        assert np.allclose(apply_affine(volume.lps_from_index, [0, 5, k]), stated, atol=0.01)
        assert np.array_equal(volume.hu[k], ds.pixel_array)
    (seen,) = list_series(tmp_path / "ct")
    assert seen.tilt_deg == pytest.approx(18.5, abs=0.01)


# ------------------------------------------------------------------------------------------ strays


def report_object(path, sop_class, modality, **more):
    """An object without an image, as dose reports and the like are."""
    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = sop_class
    ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = "1.2.99.1"
    ds.Modality, ds.SeriesInstanceUID, ds.StudyInstanceUID = modality, "1.2.99", "1.2.4"
    for keyword, value in more.items():
        setattr(ds, keyword, value)
    ds.save_as(path, enforce_file_format=True)


def test_strays_in_the_folder_change_nothing(write_series, tmp_path):
    write_series(folder="alone")
    write_series()
    folder = tmp_path / "ct"
    write_series(positions=[(0, 0, 300)], ImageType=["ORIGINAL", "PRIMARY", "LOCALIZER"], Rows=20)
    write_series(
        positions=[(0, 0, 0)], SOPClassUID="1.2.840.10008.5.1.4.1.1.7", SeriesInstanceUID="1.2.98", Modality="CT"
    )
    write_series(positions=[(0, 0, 0)], ImageType=["DERIVED", "SECONDARY", "MIP"], Rows=30)
    report_object(folder / "dose", "1.2.840.10008.5.1.4.1.1.88.67", "SR", ValueType="CONTAINER")
    report_object(folder / "pdf", "1.2.840.10008.5.1.4.1.1.104.1", "DOC", EncapsulatedDocument=b"%PDF-1.7 \n")
    report_object(folder / "ps", "1.2.840.10008.5.1.4.1.1.11.1", "PR", PresentationCreationDate="20000101")
    (folder / "Thumbs.db").write_bytes(b"\xd0\xcf\x11\xe0" * 100)
    (folder / "index.html").write_text("<html>")
    volume = read_volume(folder)
    assert content_sha256(volume) == content_sha256(read_volume(tmp_path / "alone"))
    seen = list_series(folder)
    assert [s.selector for s in seen if s.usable] == ["1.2.5"]
    faults = " ".join(f for s in seen for f in s.faults)
    for word in ("localiser", "secondary capture", "projection"):
        assert word in faults


def test_the_same_slice_exported_twice(write_series, tmp_path):
    """Identical: one is used and it is said; another picture at the same place: refused."""
    paths = write_series()
    for path in paths:
        shutil.copy(path, path.with_name(path.name + "_copy"))
    volume = read_volume(tmp_path / "ct")
    assert volume.hu.shape[0] == 12
    assert any("12 slices were in the folder twice" in note for note in volume.notes)
    ds = pydicom.dcmread(paths[3])
    ds.PixelData = ds.PixelData[:-2] + b"\x01\x00"
    ds.save_as(paths[3])
    sentence = refusal(tmp_path / "ct")
    assert "1 duplicate slice " in sentence
    assert paths[3].name in sentence


# ------------------------------------------------------------------------------------ private tags


def private_oddities(ds):
    ds.add(DataElement(0x00191008, "LO", "no creator"))  # its block was never reserved (PS3.5 7.8.1)
    block = ds.private_block(0x0029, "INVENTED MAKER", create=True)
    block.add_new(0x10, "UN", bytes(3_000_000))
    block.add_new(0x11, "SQ", [Dataset()])
    # looks like the end of a sequence, and like voxels
    block.add_new(0x12, "OB", b"\xfe\xff\xdd\xe0\x00\x00\x00\x00\xe0\x7f\x10\x00OW")
    block.add_new(0x13, "FD", 1.5)
    block.add_new(0x14, "UN", b"odd")
    late = ds.private_block(0x7FE1, "INVENTED MAKER", create=True)
    late.add_new(0x01, "OB", bytes(1000))  # after the voxels


@pytest.mark.parametrize("syntax", [ExplicitVRLittleEndian, ImplicitVRLittleEndian])
def test_private_tags_are_passed_by(write_series, tmp_path, syntax):
    write_series(folder="plain")
    for path in write_series():
        ds = pydicom.dcmread(path)
        private_oddities(ds)
        ds.file_meta.TransferSyntaxUID = syntax
        pydicom.dcmwrite(path, ds, enforce_file_format=True, implicit_vr=syntax == ImplicitVRLittleEndian)
    assert content_sha256(read_volume(tmp_path / "ct")) == content_sha256(read_volume(tmp_path / "plain"))


def test_a_value_representation_that_does_not_exist(write_series, tmp_path):
    """Written by hand into the file: "ZZ" for a private element of four bytes."""
    write_series(folder="plain")
    for path in write_series():
        ds = pydicom.dcmread(path)
        ds.private_block(0x0019, "INVENTED MAKER", create=True).add_new(0x10, "SH", "abcd")
        ds.save_as(path)
        data = path.read_bytes()
        assert data.count(b"\x19\x00\x10\x10SH") == 1
        path.write_bytes(data.replace(b"\x19\x00\x10\x10SH", b"\x19\x00\x10\x10ZZ"))
    try:
        same = content_sha256(read_volume(tmp_path / "ct")) == content_sha256(read_volume(tmp_path / "plain"))
    except InputRefused as refused:
        same = "cannot be" in str(refused)
    assert same


# ------------------------------------------------------------------------------------------- discs


def test_a_disc_with_its_index(write_series, tmp_path):
    """A File-set as pydicom writes it (PS3.10 8, PS3.12): files without extension in nested folders, and a DICOMDIR."""
    paths = write_series(AccessionNumber="", StudyDate="20000101", StudyTime="120000", StudyID="1", SeriesNumber=1)
    disc = FileSet()
    for path in paths:
        disc.add(path)
    disc.write(tmp_path / "disc")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pydicom leaves its temporary folder to the garbage collector
        del disc
        gc.collect()
    assert (tmp_path / "disc" / "DICOMDIR").is_file()
    whole = content_sha256(read_volume(tmp_path / "ct"))
    assert content_sha256(read_volume(tmp_path / "disc")) == whole
    assert content_sha256(read_volume(tmp_path / "disc" / "DICOMDIR")) == whole
    assert [s.usable for s in list_series(tmp_path / "disc" / "DICOMDIR")] == [True]
    inside = next(p for p in (tmp_path / "disc").rglob("*") if p.is_file() and p.name != "DICOMDIR")
    assert inside.suffix == ""
    assert content_sha256(read_volume(inside)) == whole


# ------------------------------------------------------------------------- contrast, and no heart


def test_inspect_warns_of_a_ct_without_contrast(write_series, tmp_path, capsys):
    write_series(each=lambda k: heart(45), **SIZE)
    (seen,) = list_series(tmp_path / "ct")
    assert seen.contrast_seen is False
    assert any("contrast" in note for note in seen.notes)
    assert cli.main(["inspect", str(tmp_path / "ct")]) == 0
    assert "both atria need contrast" in capsys.readouterr().out
    write_series(folder="cta", each=lambda k: heart(400), **SIZE)
    (seen,) = list_series(tmp_path / "cta")
    assert seen.contrast_seen
    assert not any("contrast" in note for note in seen.notes)


@pytest.mark.parametrize("what", ["no contrast", "no heart", "elsewhere"])
def test_a_ct_that_cannot_be_planned_on(written_phantom, tmp_path, capsys, what):
    """Its blood set to 45 HU; an even belly of 55 HU in the place of the heart; the heart a metre away."""
    folder = tmp_path / "ct"
    shutil.copytree(written_phantom.ct, folder)
    for path in Path(folder).iterdir():
        ds = pydicom.dcmread(path)
        hu = ds.pixel_array.astype(int) + int(ds.RescaleIntercept)
        if what == "no contrast":
            hu = np.where(hu > 100, 45 + (hu - 45) // 40, hu)
        elif what == "no heart":
            hu = np.where(hu > -500, 55 + (np.indices(hu.shape).sum(axis=0) % 7), hu)
        else:
            x, y, z = ds.ImagePositionPatient
            ds.ImagePositionPatient = [x, y, float(z) - 1000]
        ds.PixelData = (hu - int(ds.RescaleIntercept)).astype(np.int16).tobytes()
        ds.save_as(path)
    status = cli.main(["plan", str(folder), str(written_phantom.landmarks), "--out", str(tmp_path / "out")])
    said = capsys.readouterr().err.splitlines()[-1]
    assert status == (3 if what == "elsewhere" else 4), said
    assert said.endswith(".")
    assert ("outside the CT" if what == "elsewhere" else "HU") in said
    assert not (tmp_path / "out").exists()
