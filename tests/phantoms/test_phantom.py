"""The CT: bits, Hounsfield values, point spread, noise, landmarks and files."""

import hashlib
import json
import shutil
import subprocess

import nibabel
import numpy as np
import pydicom
import pytest
import SimpleITK as sitk
from septal_phantoms import NAMES, make, write_dicom, write_landmarks, write_nifti, write_truth
from septal_phantoms.scanner import blur, noise_slice

SMALL = {"spacing_mm": 2.0, "size": (76, 70, 60)}


@pytest.fixture(scope="module")
def normal():
    return make("normal", quick=True)


def index_of(phantom, points):
    inverse = np.linalg.inv(phantom.lps_from_index)
    return np.rint(points @ inverse[:3, :3].T + inverse[:3, 3]).astype(int)


def test_same_seed_same_bits():
    one, two, other = make("normal", **SMALL), make("normal", **SMALL), make("normal", seed=1, **SMALL)
    assert hashlib.sha256(one.hu.tobytes()).digest() == hashlib.sha256(two.hu.tobytes()).digest()
    assert not np.array_equal(one.hu, other.hu)
    assert one.hu.dtype == np.int16
    assert one.hu.shape == (60, 70, 76)
    assert (one.landmarks["fossa"] == two.landmarks["fossa"]).all()


@pytest.mark.parametrize("name", NAMES)
def test_every_phantom_is_labelled_where_its_landmarks_lie(name):
    p = make(name, **SMALL)
    t = p.truth
    for landmark, label in (
        ("left_atrium", 1),
        ("right_atrium", 2),
        ("aorta", 3),
        ("left_ventricle", 4),
        ("right_ventricle", 5),
    ):
        assert t.label_at(p.landmarks[landmark]) == label
    assert (t.label_at(p.landmarks["fossa"]) == 6) == t.has_membrane
    for landmark in ("left_atrial_appendage", "superior_vena_cava", "coronary_sinus"):
        if name == "cut-left-atrium" and landmark != "coronary_sinus":
            assert landmark not in p.landmarks
        else:
            assert t.vessel_at(p.landmarks[landmark]).all()
    upper, lower = p.landmarks["inferior_vena_cava"]
    assert t.vessel_at(lower[None])[0]
    assert lower[2] < upper[2]
    assert p.landmarks["mitral_annulus"].shape == (16, 3)
    assert p.landmarks["tricuspid_annulus"].shape == (12, 3)
    assert abs(t.height_mm(p.landmarks["mitral_annulus"])).max() < 4.5
    assert t.height_mm(p.landmarks["leaflet_coaptation"])[0] < -2
    np.testing.assert_allclose(t.fossa.center, p.landmarks["fossa"][0])


def test_hounsfield_values(normal):
    f = normal.truth.fields_at
    k, j, i = np.indices(normal.hu.shape)[:, ::4, ::4, ::4].reshape(3, -1)
    lps = np.stack([i, j, k], -1) @ normal.lps_from_index[:3, :3].T + normal.lps_from_index[:3, 3]
    hu = normal.hu[k, j, i]
    fields = f(lps)
    for name, value in (
        ("left_atrium", 380),
        ("left_ventricle", 360),
        ("aorta", 370),
        ("right_atrium", 230),
        ("right_ventricle", 240),
    ):
        deep = fields[name] < -4
        assert np.mean(hu[deep]) == pytest.approx(value, abs=15), name
    assert np.std(hu[fields["left_atrium"] < -5]) == pytest.approx(18, abs=2)


def test_the_fossa_shows_as_tissue_between_two_bloods(normal):
    t = normal.truth
    across = t.fossa.center + np.linspace(-8, 8, 33)[:, None] * t.fossa.normal
    i, j, k = index_of(normal, across).T
    profile = normal.hu[k, j, i]
    assert profile[:8].mean() == pytest.approx(230, abs=30)
    assert profile[-8:].mean() == pytest.approx(380, abs=30)
    assert profile[14:19].min() < 190


def test_noise_has_unit_deviation_and_falls_off_at_high_frequency():
    n = noise_slice((256, 256), (0.6, 0.6), 3, 5)
    assert n.std() == pytest.approx(1, abs=0.03)
    assert np.corrcoef(n[:, 1:].ravel(), n[:, :-1].ravel())[0, 1] > 0.3


def test_point_spread_is_a_gaussian_of_0_9_mm():
    image = np.zeros((31, 31, 31), np.float32)
    image[15, 15, 15] = 1
    blur(image, (0.3, 0.3, 0.3))
    x = (np.arange(31) - 15) * 0.3
    variance = (image.sum((0, 1)) * x**2).sum()
    assert 2.3548 * np.sqrt(variance) == pytest.approx(0.9, rel=0.02)


def test_landmark_noise_has_the_size_asked_for():
    exact = make("normal", **SMALL).landmarks
    error = []
    for seed in range(6):
        noisy = make("normal", seed=seed, landmark_noise_mm=1.0, spacing_mm=8.0, size=(20, 20, 20)).landmarks
        error += [(noisy[n] - exact[n]).ravel() for n in noisy]
    error = np.concatenate(error)
    assert error.std() == pytest.approx(1, abs=0.1)
    assert abs(error.mean()) < 0.15


def test_refusals_name_the_choices():
    with pytest.raises(ValueError, match="no phantom named 'heart'; the names are normal"):
        make("heart")
    with pytest.raises(ValueError, match="has no phase 50 %; it has 70, 35 %"):
        make("normal", phase_percent=50)
    with pytest.raises(ValueError, match="above zero"):
        make("normal", spacing_mm=0.0)


def test_dicom_series_reads_back_and_says_it_is_invented(tmp_path, normal):
    files = write_dicom(normal, tmp_path / "ct")
    reader = sitk.ImageSeriesReader()
    reader.SetFileNames([str(p) for p in files])
    image = reader.Execute()
    np.testing.assert_array_equal(sitk.GetArrayFromImage(image), normal.hu)
    np.testing.assert_allclose(image.GetOrigin(), normal.lps_from_index[:3, 3], atol=1e-6)
    np.testing.assert_allclose(image.GetSpacing(), np.diag(normal.lps_from_index)[:3], atol=1e-6)
    header = pydicom.dcmread(files[3], stop_before_pixels=True)
    assert header.PatientName == "PHANTOM^INVENTED"
    assert "INVENTED" in header.ImageComments
    assert header.SeriesDescription.startswith("PHANTOM 70 %")
    again = write_dicom(normal, tmp_path / "again")
    assert files[7].read_bytes() == again[7].read_bytes()
    assert len(list((tmp_path / "ct").iterdir())) == normal.hu.shape[0]


@pytest.mark.skipif(
    shutil.which("dciodvfy") is None, reason="dciodvfy (Debian package dicom3tools) is not installed"
)
@pytest.mark.parametrize("phase", [70.0, 35.0])
def test_dciodvfy_finds_no_error(tmp_path, phase):
    files = write_dicom(
        make("normal", phase_percent=phase, spacing_mm=(3.0, 3.5, 6.0), size=(48, 40, 20)), tmp_path
    )
    for path in files:
        run = subprocess.run(["dciodvfy", str(path)], capture_output=True, text=True, check=False)
        assert "Error" not in run.stderr + run.stdout


def test_nifti_and_json(tmp_path, normal):
    image = nibabel.load(write_nifti(normal, tmp_path / "ct.nii.gz"))
    assert nibabel.aff2axcodes(image.affine) == ("L", "P", "S")
    assert b"PHANTOM" in image.header["descrip"].item()
    read = sitk.ReadImage(str(tmp_path / "ct.nii.gz"))
    np.testing.assert_array_equal(sitk.GetArrayFromImage(read), normal.hu)
    np.testing.assert_allclose(read.GetOrigin(), normal.lps_from_index[:3, 3], atol=1e-4)
    landmarks = json.loads(write_landmarks(normal, tmp_path / "landmarks.json").read_text())
    assert landmarks["coordinate_system"] == "LPS"
    assert len(landmarks["landmarks"]["mitral_annulus"]) == 16
    files = write_dicom(make("normal", **SMALL), tmp_path / "ct")
    assert landmarks["frame_of_reference_uid"] == pydicom.dcmread(files[0]).FrameOfReferenceUID
    truth = json.loads(write_truth(normal, tmp_path / "truth.json").read_text())
    assert truth["fossa"]["area_mm2"] == pytest.approx(normal.truth.fossa.area_mm2)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["ct", "ct.nii.gz", "landmarks.json", "truth.json"]
