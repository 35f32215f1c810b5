"""Turned and cut volumes, files of all hard scans, and the same bits for the same seed."""

import nibabel
import numpy as np
import pydicom
import pytest
import SimpleITK as sitk
from septal_phantoms import NAMES, SCANS, Truth, make, truth_as_dict, write_dicom, write_nifti
from septal_phantoms.assembly import build_heart
from septal_phantoms.phantom import FOSSA_LPS

COARSE = {"spacing_mm": (2.5, 2.0, 3.0), "size": (56, 66, 38)}


@pytest.fixture(scope="module")
def oblique():
    return make("oblique-volume", quick=True)


def test_the_turned_volume_is_turned_about_two_axes(oblique):
    turn = oblique.lps_from_index[:3, :3] / np.linalg.norm(oblique.lps_from_index[:3, :3], axis=0)
    np.testing.assert_allclose(turn.T @ turn, np.eye(3), atol=1e-12)
    assert np.linalg.det(turn) == pytest.approx(1)
    # Slices tilted 15 degrees from axial, rows 25 degrees from the patient's left.
    assert np.degrees(np.arccos(turn[2, 2])) == pytest.approx(15)
    assert np.degrees(np.arccos(turn[0, 0])) == pytest.approx(25)


def test_the_turned_volume_shows_what_its_truth_says(oblique):
    rng = np.random.default_rng(6)
    index = rng.integers(0, np.array(oblique.hu.shape[::-1]), (40000, 3))
    points = index @ oblique.lps_from_index[:3, :3].T + oblique.lps_from_index[:3, 3]
    hu = oblique.hu[index[:, 2], index[:, 1], index[:, 0]].astype(float)
    f = oblique.truth.fields_at(points)
    for name, label, value in (
        ("left_atrium", 1, 380), ("aorta", 3, 370), ("left_ventricle", 4, 360), ("right_ventricle", 5, 240),
    ):  # fmt: skip
        deep = (f[name] < -3) & (f["mitral_leaflets"] > 2) & (f["tricuspid_leaflets"] > 2)
        deep &= f["aortic_leaflets"] > 2
        assert (oblique.truth.label_at(points[deep]) == label).all()
        assert np.abs(hu[deep] - value).max() < 90, name
        assert hu[deep].mean() == pytest.approx(value, abs=4), name


def test_a_cut_volume_ends_inside_the_atrium():
    p = make("cut-left-atrium", quick=True)
    top = p.lps_from_index[:3, 3] + np.array([0, 0, p.hu.shape[0] - 1]) * p.lps_from_index[2, 2]
    j, i = np.indices(p.hu.shape[1:]).reshape(2, -1)
    labels = p.truth.label_at(np.column_stack([i, j, 0 * i]) * np.diag(p.lps_from_index)[:3] + [*top[:2], top[2]])
    assert (labels == 1).sum() > 500  # mm2
    assert set(p.truth.impossible) >= {"left_atrium_volume", "posterior_path"}
    end = p.truth.fossa.center + p.truth.free_path_mm(p.truth.fossa.center, p.truth.fossa.normal) * p.truth.fossa.normal
    assert end[2] > top[2]
    for name in ("left_atrium", "right_atrium", "fossa", "mitral_annulus", "inferior_vena_cava"):
        assert name in p.landmarks
    # A size asked for is not taken beyond the field of view.
    assert make("cut-left-atrium", spacing_mm=4.0, size=(80, 80, 80)).hu.shape[0] < 24


@pytest.mark.parametrize("name", ["oblique-volume", "ring-band-and-lead", "cut-left-atrium", "sharp-thick-streaked"])
def test_dicom_series_reads_back_at_its_place(tmp_path, name):
    p = make(name, **COARSE)
    files = write_dicom(p, tmp_path)
    reader = sitk.ImageSeriesReader()
    reader.SetFileNames([str(f) for f in files])
    image = reader.Execute()
    np.testing.assert_array_equal(sitk.GetArrayFromImage(image), p.hu)
    rng = np.random.default_rng(3)
    for index in rng.integers(0, p.hu.shape[::-1], (20, 3)).tolist():
        place = p.lps_from_index @ np.array([*index, 1.0])
        np.testing.assert_allclose(image.TransformIndexToPhysicalPoint(index), place[:3], atol=1e-4)
    assert sitk.ImageSeriesReader.GetGDCMSeriesFileNames(str(tmp_path)) == tuple(map(str, files))


def test_the_turned_volume_as_nifti(tmp_path, oblique):
    image = sitk.ReadImage(str(write_nifti(oblique, tmp_path / "ct.nii.gz")))
    np.testing.assert_array_equal(sitk.GetArrayFromImage(image), oblique.hu)
    np.testing.assert_allclose(
        image.TransformIndexToPhysicalPoint((100, 30, 70)),
        (oblique.lps_from_index @ np.array([100.0, 30.0, 70.0, 1.0]))[:3],
        atol=1e-3,
    )
    assert np.linalg.det(nibabel.load(tmp_path / "ct.nii.gz").affine) > 0


def test_two_phases_side_by_side(tmp_path):
    both = [make("normal", phase_percent=phase, **COARSE) for phase in (70.0, 35.0)]
    files = write_dicom(both, tmp_path)
    assert len({f.name for f in files}) == 2 * both[0].hu.shape[0]
    series = sitk.ImageSeriesReader.GetGDCMSeriesIDs(str(tmp_path))
    assert len(series) == 2
    headers = [pydicom.dcmread(f, stop_before_pixels=True) for f in (files[0], files[-1])]
    assert [h.NominalPercentageOfCardiacPhase for h in headers] == [70, 35]
    assert headers[0].FrameOfReferenceUID == headers[1].FrameOfReferenceUID
    assert headers[0].StudyInstanceUID == headers[1].StudyInstanceUID


def test_same_seed_same_bits_with_metal():
    one, two, other = (make("ring-band-and-lead", seed=seed, **COARSE) for seed in (4, 4, 5))
    assert np.array_equal(one.hu, two.hu)
    assert not np.array_equal(one.hu, other.hu)


def test_what_is_impossible_is_said_in_the_file():
    document = truth_as_dict(make("occluder", **COARSE))
    assert document["solids"] == [{"name": "occluder", "metal": True}]
    assert document["membrane_present"] is False
    assert "occluder" in document["impossible"]["thickness"]


@pytest.mark.parametrize("name", SCANS)
def test_hearts_of_the_scans_keep_their_pools_apart(name):
    assert name in NAMES
    heart = build_heart(SCANS[name].shape, FOSSA_LPS)
    reach = ((-60, 110), (-100, 65), (-70, 70))
    x, y, z = (np.arange(*ends, 1.5) + c for ends, c in zip(reach, FOSSA_LPS, strict=True))
    f = heart.fields(x[None, None, :], y[None, :, None], z[:, None, None])
    pools = ["left_atrium", "right_atrium", "aorta", "left_ventricle", "right_ventricle"]
    pools += ["left_vessels", "right_vessels"]
    assert (sum((f[name] < 0).astype(int) for name in pools) <= 1).all()
    truth = Truth(heart)
    # Mitral annulus 5-16 cm2: Abdelghani et al. 2017, doi 10.1093/ehjci/jew132.
    assert 500 <= truth.mitral.area_mm2 <= 1600
    # Fossa 17.2 +- 4.1 x 12.7 +- 3.8 mm: Yeshwanthi et al. 2024, doi 10.1002/ccd.31304 (two deviations).
    assert 9.0 <= truth.fossa.anterior_posterior_mm <= 25.4
    assert 5.1 <= truth.fossa.superior_inferior_mm <= 20.3
