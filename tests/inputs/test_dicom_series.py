"""DICOM series: each voxel where its slice says, whatever the order, orientation or tilt."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pydicom
import pytest
import SimpleITK as sitk
from scipy.spatial.transform import Rotation

from septal_planner.errors import InputRefused
from septal_planner.geometry.frames import apply_affine
from septal_planner.inputs.dicom_headers import read_headers
from septal_planner.inputs.series_summary import list_series
from septal_planner.inputs.volume import content_sha256, read_volume


def place_by_standard(ds, column, row):
    """DICOM PS3.3 C.7.6.2.1.1, equation C.7.6.2.1-1, written out: X is along a row, Y down a column."""
    x, y = np.array(ds.ImageOrientationPatient[:3], float), np.array(ds.ImageOrientationPatient[3:], float)
    between_rows, between_columns = map(float, ds.PixelSpacing)
    return np.array(ds.ImagePositionPatient, float) + x * between_columns * column + y * between_rows * row


def assert_each_voxel_where_its_slice_says(volume, paths, tolerance_mm=0.01):
    """By the stored values: every voxel has a value of its own, so its slice and place are known from the
    files.
    """
    for path in paths:
        ds = pydicom.dcmread(path)
        stored = ds.pixel_array.astype(float) * float(ds.RescaleSlope) + float(ds.RescaleIntercept)
        k = int(np.argmin([np.abs(s.astype(float) - stored).max() for s in volume.hu]))
        assert np.array_equal(volume.hu[k], stored)
        for column, row in [(0, 0), (ds.Columns - 1, 0), (0, ds.Rows - 1), (3, 2)]:
            ours = apply_affine(volume.lps_from_index, [column, row, k])
            assert np.linalg.norm(ours - place_by_standard(ds, column, row)) < tolerance_mm


def test_plain_series_any_nesting_any_names(write_series, tmp_path):
    paths = write_series()
    deeper = tmp_path / "ct" / "a" / "b"
    deeper.mkdir(parents=True)
    for i, path in enumerate(paths[::2]):
        paths[2 * i] = Path(shutil.move(path, deeper / f"IM{i}"))
    (tmp_path / "ct" / "DICOMDIR").write_bytes(b"junk")
    (tmp_path / "ct" / "readme.txt").write_text("no CT")
    (tmp_path / "ct" / ".hidden").write_bytes(b"")
    volume = read_volume(tmp_path / "ct")
    assert volume.hu.dtype == np.int16
    assert volume.hu.shape == (12, 6, 8)
    assert volume.series_instance_uid == "1.2.5"
    assert volume.frame_of_reference_uid == "1.2.6"
    assert volume.patient_position == "HFS"
    assert volume.identity == {"name": "Invented^Case", "id": "X1"}
    assert "Invented" not in volume.source
    assert_each_voxel_where_its_slice_says(volume, paths)
    assert np.allclose(volume.lps_from_index[:3, 2], [0, 0, 0.75])  # not the 3.0 of Slice Thickness


@pytest.mark.parametrize("seed", range(6))
def test_oblique_and_flipped_series(write_series, tmp_path, seed):
    turn = Rotation.random(random_state=seed).as_matrix()
    positions = [np.array([12.0, -200.0, 650.0]) + turn[:, 2] * 0.625 * k for k in range(9)]
    iop = [float(f"{x:.10f}") for x in turn[:, :2].T.ravel()]
    paths = write_series(positions=positions, ImageOrientationPatient=iop)
    assert_each_voxel_where_its_slice_says(read_volume(tmp_path / "ct"), paths)


def test_descending_positions_are_put_in_order(write_series, tmp_path):
    paths = write_series(positions=[(0.0, 0.0, -0.5 * k) for k in range(10)])
    volume = read_volume(tmp_path / "ct")
    assert_each_voxel_where_its_slice_says(volume, paths)
    assert np.linalg.det(volume.lps_from_index[:3, :3]) > 0


@pytest.mark.parametrize("tag_deg", [18.5, -18.5])  # makers disagree on the sign: it must not matter
def test_gantry_tilt_is_a_shear(write_series, tmp_path, tag_deg):
    tilt = np.radians(18.5)
    paths = write_series(
        positions=[(-100.0, -80.0, 40.0 + 1.25 * k) for k in range(30)],
        ImageOrientationPatient=[1, 0, 0, 0, float(f"{np.cos(tilt):.10f}"), float(f"{-np.sin(tilt):.10f}")],
        GantryDetectorTilt=tag_deg,
    )
    volume = read_volume(tmp_path / "ct")
    assert_each_voxel_where_its_slice_says(volume, paths)
    assert any("18.5°" in note for note in volume.notes)
    # SimpleITK's own series geometry is orthogonal and cannot hold this: it is off at the far end.
    reader = sitk.ImageSeriesReader()
    reader.SetFileNames([str(p) for p in paths])
    theirs = np.array(reader.Execute().TransformIndexToPhysicalPoint((0, 0, 29)))
    assert np.linalg.norm(theirs - apply_affine(volume.lps_from_index, [0, 0, 29])) > 5


def test_untilted_series_agrees_with_simpleitk(write_series, tmp_path):
    turn = Rotation.from_euler("xyz", [10, -25, 40], degrees=True).as_matrix()
    paths = write_series(
        positions=[turn[:, 2] * 0.5 * k for k in range(8)],
        ImageOrientationPatient=[float(f"{x:.12f}") for x in turn[:, :2].T.ravel()],
    )
    reader = sitk.ImageSeriesReader()
    reader.SetFileNames([str(p) for p in paths])
    image = reader.Execute()
    volume = read_volume(tmp_path / "ct")
    assert np.array_equal(sitk.GetArrayFromImage(image), volume.hu)
    for index in [(0, 0, 0), (7, 0, 0), (0, 5, 0), (0, 0, 7), (3, 4, 5)]:
        assert np.allclose(
            image.TransformIndexToPhysicalPoint(index), apply_affine(volume.lps_from_index, index), atol=1e-5
        )


def test_rescale_is_applied_slice_by_slice(write_series, tmp_path):
    paths = write_series(each=lambda k: {"RescaleIntercept": -1024 + 3 * k, "RescaleSlope": 1 + (k % 2)})
    volume = read_volume(tmp_path / "ct")
    assert volume.hu.dtype == np.int16
    assert_each_voxel_where_its_slice_says(volume, paths)


def test_fractional_rescale_stays_fractional(write_series, tmp_path):
    paths = write_series(RescaleSlope="0.5", RescaleIntercept="-24.25")
    volume = read_volume(tmp_path / "ct")
    assert volume.hu.dtype == np.float32
    assert_each_voxel_where_its_slice_says(volume, paths)


def test_unsigned_with_intercept_becomes_int16(write_series, tmp_path):
    paths = write_series(
        PixelRepresentation=0,
        RescaleIntercept=-1024,
        each=lambda k: {"pixels": (np.arange(48).reshape(6, 8) + 48 * k).astype(np.uint16)},
    )
    volume = read_volume(tmp_path / "ct")
    assert volume.hu.dtype == np.int16
    assert volume.hu.min() == -1024
    assert_each_voxel_where_its_slice_says(volume, paths)


def test_list_of_files_and_one_file_of_a_series(write_series, tmp_path):
    paths = write_series()
    whole = read_volume(tmp_path / "ct")
    assert content_sha256(read_volume(paths)) == content_sha256(whole)
    assert content_sha256(read_volume(paths[4])) == content_sha256(whole)
    part = read_volume(paths[3:8])
    assert np.array_equal(part.hu, whole.hu[3:8])


def test_content_hash_follows_content(write_series, tmp_path):
    write_series()
    volume = read_volume(tmp_path / "ct")
    digest = content_sha256(volume)
    hu = volume.hu.copy()
    assert content_sha256(type(volume)(np.asfortranarray(hu), volume.lps_from_index)) == digest
    assert content_sha256(type(volume)(hu.astype(">i2"), volume.lps_from_index)) == digest
    hu[3, 2, 1] += 1
    assert content_sha256(type(volume)(hu, volume.lps_from_index)) != digest
    moved = volume.lps_from_index.copy()
    moved[0, 3] += 1e-9
    assert content_sha256(type(volume)(volume.hu, moved)) != digest


def test_slice_kept_twice_is_used_once(write_series, tmp_path):
    paths = write_series()
    shutil.copy(paths[5], tmp_path / "ct" / "again")
    volume = read_volume(tmp_path / "ct")
    assert volume.hu.shape[0] == 12
    assert any("twice" in note for note in volume.notes)


def test_positions_rounded_in_the_file_are_said(write_series, tmp_path):
    write_series(positions=[(0, 0, round(0.625 * k, 1)) for k in range(20)])
    volume = read_volume(tmp_path / "ct")
    assert volume.lps_from_index[2, 2] == pytest.approx(0.625, abs=0.003)
    assert any("rounded" in note for note in volume.notes)


def test_two_phases_under_one_uid_are_parted(write_series, tmp_path):
    write_series(each=lambda k: {"NominalPercentageOfCardiacPhase": 75.0})
    write_series(each=lambda k: {"NominalPercentageOfCardiacPhase": 35.0})
    with pytest.raises(
        InputRefused, match=r"2 CT series.*1\.2\.5@phase75 .*--series|2 CT series.*--series.*@phase35"
    ):
        read_volume(tmp_path / "ct")
    assert read_volume(tmp_path / "ct", series_uid="1.2.5@phase35").phase_percent == 35
    with pytest.raises(InputRefused, match="2 phases"):
        read_volume(tmp_path / "ct", series_uid="1.2.5")


def test_a_phase_that_varies_from_slice_to_slice_is_one_series(write_series, tmp_path):
    write_series(each=lambda k: {"NominalPercentageOfCardiacPhase": 74.0 + 0.1 * k})
    volume = read_volume(tmp_path / "ct")
    assert volume.hu.shape[0] == 12
    assert volume.phase_percent == 75
    assert any("74 to 75.1 %" in note for note in volume.notes)


def test_a_phase_that_varies_much_is_unknown(write_series, tmp_path):
    write_series(each=lambda k: {"NominalPercentageOfCardiacPhase": 60.0 + k})
    volume = read_volume(tmp_path / "ct")
    assert volume.hu.shape[0] == 12
    assert volume.phase_percent is None
    assert any("changes from slice to slice" in note for note in volume.notes)


def test_two_acquisitions_under_one_uid_are_parted(write_series, tmp_path):
    write_series(AcquisitionNumber=1)
    write_series(AcquisitionNumber=2, RescaleIntercept=5)
    assert read_volume(tmp_path / "ct", series_uid="1.2.5@acquisition2").hu[0, 0, 0] == -995


def heart(k, blood_hu):
    """80×80 mm, a 60 mm disc of muscle with a 44 mm disc of blood, and a dense 12 mm "vertebra"."""
    y, x = np.mgrid[-39.5:40, -39.5:40]
    out = np.where(np.hypot(x, y) < 30, 50, -80)
    out = np.where(np.hypot(x, y) < 22, blood_hu, out)
    return {"pixels": np.where(np.hypot(x - 20, y - 34) < 6, 500, out).astype(np.int16)}


def test_the_only_contrast_series_is_chosen_and_said(write_series, tmp_path):
    size = {"Rows": 80, "Columns": 80, "PixelSpacing": [1.0, 1.0]}
    write_series(folder="s/plain", each=lambda k: heart(k, 40), SeriesInstanceUID="1.2.71", **size)
    write_series(folder="s/cta", each=lambda k: heart(k, 400), SeriesInstanceUID="1.2.72", **size)
    # bolus tracking: one place again and again, bright at the end
    write_series(
        folder="s/bolus",
        positions=[(0, 0, 0)] * 8,
        each=lambda k: heart(k, 100 + 40 * k) | {"AcquisitionNumber": k},
        SeriesInstanceUID="1.2.73",
        **size,
    )
    volume = read_volume(tmp_path / "s")
    assert volume.series_instance_uid == "1.2.72"
    assert any("contrast" in note for note in volume.notes)
    seen = {s.series_instance_uid: s for s in list_series(tmp_path / "s")}
    assert seen["1.2.72"].contrast_seen
    assert seen["1.2.72"].opacification_hu == pytest.approx(400, abs=5)
    assert not seen["1.2.71"].contrast_seen


def test_two_contrast_series_are_asked_about(write_series, tmp_path):
    size = {"Rows": 80, "Columns": 80, "PixelSpacing": [1.0, 1.0]}
    write_series(
        folder="s/a",
        each=lambda k: heart(k, 400),
        SeriesInstanceUID="1.2.71",
        SeriesDescription="75 % soft",
        **size,
    )
    write_series(
        folder="s/b",
        each=lambda k: heart(k, 350),
        SeriesInstanceUID="1.2.72",
        SeriesDescription="35 % soft",
        **size,
    )
    with pytest.raises(InputRefused) as refused:
        read_volume(tmp_path / "s")
    for word in ("2 CT series", "--series", "1.2.71", "1.2.72", "phase 75 %", "phase 35 %"):
        assert word in str(refused.value)
    assert read_volume(tmp_path / "s", series_uid="1.2.72").phase_percent == 35


def test_a_faulty_series_is_not_passed_over(write_series, tmp_path):
    """The one that lacks a slice may be the one that was meant: then it is asked, not guessed."""
    size = {"Rows": 80, "Columns": 80, "PixelSpacing": [1.0, 1.0]}
    write_series(folder="s/a", each=lambda k: heart(k, 400), SeriesInstanceUID="1.2.71", **size)
    whole = write_series(folder="s/b", each=lambda k: heart(k, 400), SeriesInstanceUID="1.2.72", **size)
    whole[5].unlink()
    with pytest.raises(InputRefused, match="2 CT series"):
        read_volume(tmp_path / "s")


def test_summary_is_plain_for_json(write_series, tmp_path):
    import json

    write_series(
        SeriesDescription="70 % 0.75", KVP="100", ContrastBolusAgent="agent", ConvolutionKernel="B26f"
    )
    (summary,) = list_series(tmp_path / "ct")
    told = json.loads(json.dumps(summary.as_json()))
    assert told["usable"]
    assert told["size_ijk"] == [8, 6, 12]
    assert told["spacing_mm"] == [0.4, 0.5, 0.75]
    assert told["phase_percent"] == 70
    assert told["kvp"] == 100
    assert told["contrast_agent"] == "agent"
    assert told["orientation"] == "axial"
    assert told["patient_position"] == "HFS"
    assert "Invented" not in json.dumps(told)


def test_progress_is_told(write_series, tmp_path):
    write_series(positions=[(0.0, 0.0, float(k)) for k in range(40)])
    said = []
    read_volume(tmp_path / "ct", progress=said.append)
    assert any("40" in text for text in said)


def test_headers_of_other_syntaxes(tmp_path, write_series):
    """Implicit and big-endian files give the same headers as their explicit little-endian twin."""
    from pydicom.uid import ExplicitVRBigEndian, ImplicitVRLittleEndian

    (path,) = write_series(positions=[(1.5, 2.5, 3.5)])
    first = read_headers([path]).headers[0]
    for syntax in (ImplicitVRLittleEndian, ExplicitVRBigEndian):
        ds = pydicom.dcmread(path)
        values = ds.pixel_array
        ds.file_meta.TransferSyntaxUID = syntax
        ds.PixelData = values.astype(">i2" if syntax == ExplicitVRBigEndian else "<i2").tobytes()
        other = tmp_path / "other"
        pydicom.dcmwrite(
            other,
            ds,
            implicit_vr=syntax == ImplicitVRLittleEndian,
            little_endian=syntax != ExplicitVRBigEndian,
            enforce_file_format=True,
        )
        header = read_headers([other]).headers[0]
        for name in (
            "series_uid",
            "rows",
            "columns",
            "bits",
            "samples",
            "position_lps",
            "orientation",
            "spacing_mm",
            "slope",
            "intercept",
            "image_type",
            "pixels_short_by",
        ):
            assert getattr(header, name) == getattr(first, name), name
