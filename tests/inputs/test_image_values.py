"""NIfTI, NRRD and MetaImage as other programs write them: axis orders, number types, scalings, and what is not HU."""

from __future__ import annotations

import itertools

import nibabel as nib
import numpy as np
import pytest
import SimpleITK as sitk

from septal_planner.errors import InputRefused
from septal_planner.geometry.frames import apply_affine
from septal_planner.inputs.resample import sample_lps
from septal_planner.inputs.series_summary import list_series
from septal_planner.inputs.volume import read_volume

VOXELS = (np.arange(4 * 5 * 6).reshape(4, 5, 6) * 13 - 1000).astype(np.int16)  # [k, j, i], each its own value
AFFINE = np.array([[-0.4, 0.02, 0, 12], [0.01, 0.5, 0.03, -31], [0, 0.02, 0.8, 640], [0, 0, 0, 1]])  # RAS of i, j, k
CODES = [
    "".join(letters)
    for order in itertools.permutations(("RL", "AP", "SI"))
    for letters in itertools.product(*order)
]  # 48: how nibabel names what the axes point to


@pytest.mark.parametrize("codes", CODES)
def test_all_48_axis_orders_hold_the_same_patient(tmp_path, codes):
    """Turned by nibabel: each voxel keeps its value and its place, whatever the order and handedness of the axes."""
    image = nib.Nifti1Image(VOXELS.T, AFFINE)
    ornt = nib.orientations.ornt_transform(
        nib.orientations.io_orientation(AFFINE), nib.orientations.axcodes2ornt(tuple(codes))
    )
    turned = image.as_reoriented(ornt)
    assert "".join(nib.aff2axcodes(turned.affine)) == codes
    nib.save(turned, tmp_path / "t.nii.gz")
    volume = read_volume(tmp_path / "t.nii.gz")
    left_handed = np.linalg.det(turned.affine[:3, :3]) < 0  # RAS and LPS share their handedness
    assert any("left-handed" in note for note in volume.notes) == left_handed
    index = np.array(list(itertools.product(range(6), range(5), range(4))))
    lps = nib.affines.apply_affine(AFFINE, index) * [-1, -1, 1]
    values = sample_lps(volume, lps, order=0)
    assert np.array_equal(values, [VOXELS[k, j, i] for i, j, k in index])
    back = apply_affine(np.linalg.inv(volume.lps_from_index), lps)
    assert np.allclose(back, np.rint(back), atol=1e-3)


def nifti(path, data, spoil=None):
    image = nib.Nifti1Image(data, None)
    image.header.set_sform(AFFINE, code=1)
    if spoil:
        spoil(image.header)
    nib.save(image, path)
    return path


@pytest.mark.parametrize("kind", ["int16", "int32", "int64", "float32", "float64", "uint16"])
@pytest.mark.parametrize("suffix", [".nii", ".nrrd", ".mha"])
def test_number_types(tmp_path, kind, suffix):
    """Whole values within 16 bits come out as int16, whatever type held them; uint16 only with its offset."""
    path = tmp_path / f"a{suffix}"
    stored = VOXELS.astype(np.int64) + (1024 if kind == "uint16" else 0)
    if suffix == ".nii":
        nib.save(nib.Nifti1Image(stored.T.astype(kind), AFFINE, dtype=kind), path)
    else:
        sitk.WriteImage(sitk.GetImageFromArray(stored.astype(kind)), str(path))
    if kind == "uint16":
        with pytest.raises(InputRefused, match="lung and fat lie below 0"):
            read_volume(path)
        return
    volume = read_volume(path)
    assert volume.hu.dtype == np.int16
    assert np.array_equal(volume.hu, VOXELS)


def test_uint16_with_its_intercept(tmp_path):
    path = nifti(tmp_path / "u.nii", (VOXELS.T + 1024).astype(np.uint16))
    set_scaling(path, 1.0, -1024.0)
    assert np.array_equal(read_volume(path).hu, VOXELS)


@pytest.mark.parametrize("kind", ["int32", "float32", "float64"])
def test_values_beyond_16_bits(tmp_path, kind):
    values = VOXELS.astype(kind)
    values[0, 0, 0] = 70000
    volume = read_volume(nifti(tmp_path / "w.nii", values.T))
    assert volume.hu.dtype == np.float32
    assert np.array_equal(volume.hu, values)


def set_scaling(path, slope, intercept):
    """scl_slope and scl_inter: bytes 112 to 119 of the header (nifti1.h)."""
    data = bytearray(path.read_bytes())
    data[112:120] = np.array([slope, intercept], "<f4").tobytes()
    path.write_bytes(data)


@pytest.mark.parametrize("slope", [0.0, float("nan"), float("inf")])
@pytest.mark.parametrize("intercept", [0.0, float("nan"), 37.0])
def test_a_slope_that_says_nothing(tmp_path, slope, intercept):
    """nifti1.h: a slope of zero is to be ignored, and with it the intercept; NaN is how nibabel writes that."""
    path = nifti(tmp_path / "s.nii", VOXELS.T)
    set_scaling(path, slope, intercept)
    try:
        assert np.array_equal(read_volume(path).hu, VOXELS)
    except InputRefused as refused:  # an infinite slope is nonsense and may be refused
        assert not np.isfinite(slope), refused


def test_two_placements_that_disagree_are_told_with_their_distance(tmp_path):
    def spoil(header):
        header.set_qform(np.diag([0.4, 0.5, 0.8, 1]) + np.array([[0, 0, 0, 15]] + [[0] * 4] * 3), code=1)

    volume = read_volume(nifti(tmp_path / "q.nii", VOXELS.T, spoil))
    ends = np.array(list(itertools.product((0, 5), (0, 4), (0, 3))))
    theirs = nib.load(tmp_path / "q.nii")
    apart = np.linalg.norm(
        nib.affines.apply_affine(theirs.get_sform(), ends) - nib.affines.apply_affine(theirs.get_qform(), ends), axis=1
    ).max()
    (note,) = (n for n in volume.notes if "sform" in n)
    assert f"{apart:.1f} mm apart" in note
    assert "left and right" in note


@pytest.mark.parametrize(
    "values",
    [
        (VOXELS - VOXELS.min()) / 1547 * 255.0,  # an 8-bit scale in fractions
        np.rint((VOXELS - VOXELS.min()) / 1547 * 255.0),
        (VOXELS - VOXELS.min()) / 1547.0,  # 0 to 1
        (VOXELS - VOXELS.min()) / 1547.0 * 2 - 1,  # -1 to 1
        VOXELS + 1024.0,  # the intercept left out
    ],
    ids=["0-255 fractions", "0-255", "0-1", "-1-1", "0-4095"],
)
def test_values_that_are_no_hounsfield_units(tmp_path, values):
    path = nifti(tmp_path / "p.nii", values.T.astype(np.float32))
    with pytest.raises(InputRefused, match="Hounsfield") as caught:
        read_volume(path)
    assert str(caught.value).endswith("original values.")
    (seen,) = list_series(path)
    assert not seen.usable
    assert seen.kind == "image file"


def test_inspect_of_a_file_without_contrast(tmp_path):
    rng = np.random.default_rng(0)
    quiet = rng.normal(40, 15, (12, 60, 60)).astype(np.int16)
    quiet[:, :5] = -1000
    (seen,) = list_series(nifti(tmp_path / "n.nii", quiet.T))
    assert seen.usable
    assert seen.contrast_seen is False
    assert any("both atria need contrast" in note for note in seen.notes)
