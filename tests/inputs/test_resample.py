"""Values between the voxels: against closed forms, SciPy and SimpleITK, on oblique, left-handed and sheared
volumes.
"""

from __future__ import annotations

import numpy as np
import pytest
import SimpleITK as sitk
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator
from scipy.spatial.transform import Rotation

from septal_planner.geometry.frames import apply_affine
from septal_planner.inputs.resample import crop_index_box, resample_to_grid, sample_lps
from septal_planner.inputs.volume import Volume

SLOPE = np.array([2.0, -3.0, 1.5])  # HU per mm, patient frame: trilinear interpolation is exact on it


def affine_of(seed, *, shear=0.3, mirror=False):
    rng = np.random.default_rng(seed)
    m = Rotation.random(random_state=seed).as_matrix() * rng.uniform(0.4, 1.5, 3)
    m[:, 2] += shear * m[:, 1]
    if mirror:
        m[:, 0] *= -1
    out = np.eye(4)
    out[:3, :3], out[:3, 3] = m, rng.normal(size=3) * 80
    return out


def ramp(affine, size=(14, 12, 10)):
    """A volume whose value is linear in patient position."""
    k, j, i = np.meshgrid(*[np.arange(n) for n in size[::-1]], indexing="ij")
    return Volume((apply_affine(affine, np.stack([i, j, k], -1)) @ SLOPE).astype(np.float32), affine)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**31), st.booleans(), st.sampled_from([0, 1, 3]))
def test_linear_in_space_comes_back_at_any_point(seed, mirror, order):
    volume = ramp(affine_of(seed, mirror=mirror))
    rng = np.random.default_rng(seed)
    index = (
        rng.uniform([0, 0, 0], [13, 11, 9], (50, 3))
        if order
        else rng.integers([0, 0, 0], [14, 12, 10], (50, 3))
    )
    points = apply_affine(volume.lps_from_index, index)
    tolerance = 1e-3 if order < 3 else 3.0  # mirrored ends bend a spline near the border
    assert np.allclose(sample_lps(volume, points, order), points @ SLOPE, atol=tolerance)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**31), st.booleans())
def test_resampled_grid_is_linear_too(seed, mirror):
    volume = ramp(affine_of(seed, mirror=mirror))
    # A grid turned otherwise, small enough to lie within the volume.
    grid = affine_of(seed + 1, mirror=not mirror)
    grid[:3, :3] *= 0.15
    middle = apply_affine(volume.lps_from_index, [6.5, 5.5, 4.5])
    grid[:3, 3] = middle - grid[:3, :3] @ [3, 4, 5]
    out = resample_to_grid(volume, grid, (7, 9, 11))
    assert out.shape == (11, 9, 7)
    assert out.dtype == np.float32
    k, j, i = np.meshgrid(*[np.arange(n) for n in (11, 9, 7)], indexing="ij")
    assert np.allclose(out, apply_affine(grid, np.stack([i, j, k], -1)) @ SLOPE, atol=2e-2)


def test_against_simpleitk_with_its_own_geometry():
    """On a plain oblique volume SimpleITK needs no index-space detour; ours must give its numbers."""
    rng = np.random.default_rng(3)
    voxels = rng.integers(-1000, 1000, (20, 22, 24)).astype(np.int16)
    turn, spacing, origin = (
        Rotation.random(random_state=3).as_matrix(),
        np.array([0.5, 0.6, 0.9]),
        np.array([4.0, 5, 6]),
    )
    image = sitk.GetImageFromArray(voxels)
    image.SetDirection(turn.ravel().tolist())
    image.SetSpacing(spacing.tolist())
    image.SetOrigin(origin.tolist())
    affine = np.eye(4)
    affine[:3, :3], affine[:3, 3] = turn * spacing, origin
    out_turn, size = Rotation.random(random_state=4).as_matrix(), (30, 31, 32)
    out_affine = np.eye(4)
    out_affine[:3, :3] = out_turn * 0.4
    out_affine[:3, 3] = apply_affine(affine, [12, 11, 10]) - out_affine[:3, :3] @ [15, 15, 16]
    theirs = sitk.Resample(
        image,
        size,
        sitk.Transform(),
        sitk.sitkLinear,
        out_affine[:3, 3].tolist(),
        [0.4] * 3,
        out_turn.ravel().tolist(),
        -1024.0,
        sitk.sitkFloat32,
    )
    ours = resample_to_grid(Volume(voxels, affine), out_affine, size)
    assert (ours == -1024).any()
    assert (
        np.mean(np.abs(sitk.GetArrayFromImage(theirs) - ours) > 0.05) < 1e-4
    )  # rounding right on the border


def test_against_scipy_on_noise_and_a_crop_changes_nothing():
    rng = np.random.default_rng(5)
    affine = affine_of(5)
    volume = Volume(rng.integers(-1000, 1000, (20, 22, 24)).astype(np.int16), affine)
    index = rng.uniform(0, [23, 21, 19], (200, 3))
    theirs = RegularGridInterpolator([np.arange(n) for n in (20, 22, 24)], volume.hu.astype(float))(
        index[:, ::-1]
    )
    points = apply_affine(affine, index)
    assert np.allclose(sample_lps(volume, points), theirs, atol=1e-6)
    crop = crop_index_box(volume, (4, 5, 6), (20, 18, 17))
    assert crop.size_ijk == (16, 13, 11)
    assert np.shares_memory(crop.hu, volume.hu)
    inner = apply_affine(affine, rng.uniform([4, 5, 6], [19, 17, 16], (50, 3)))
    assert np.allclose(sample_lps(crop, inner), sample_lps(volume, inner), atol=1e-6)


def test_cubic_in_a_small_corner_equals_cubic_of_the_whole():
    from scipy.ndimage import map_coordinates

    rng = np.random.default_rng(6)
    volume = Volume(rng.normal(size=(60, 60, 60)).astype(np.float32), np.eye(4))
    index = rng.uniform(27, 32, (20, 3))
    whole = map_coordinates(volume.hu, index.T[::-1], order=3, mode="nearest", output=float)
    assert np.allclose(sample_lps(volume, index, order=3), whole, atol=1e-6)


def test_beyond_the_border():
    volume = Volume(np.full((3, 4, 5), 7, np.int16), np.eye(4))
    at = [[-0.4, 0, 0], [-0.6, 0, 0], [4.4, 3.4, 2.4], [4.6, 0, 0], [500, 0, 0]]
    assert sample_lps(volume, at).tolist() == [7, -1024, 7, -1024, -1024]
    assert sample_lps(volume, at, fill_hu=1.0)[1] == 1
    assert sample_lps(volume, [100.0, 100, 100]).shape == ()
    far = np.eye(4)
    far[0, 3] = 1000
    assert (resample_to_grid(volume, far, (2, 3, 4), fill_hu=-5) == -5).all()
    around = np.eye(4)
    around[:3, 3] = -2
    out = resample_to_grid(volume, around, (9, 8, 7))
    assert (out[2:5, 2:6, 2:7] == 7).all()
    assert (out == 7).sum() == 60


def test_crop_that_misses_is_refused():
    volume = Volume(np.zeros((3, 4, 5), np.int16), np.eye(4))
    with pytest.raises(ValueError, match="no voxel"):
        crop_index_box(volume, (5, 0, 0), (9, 4, 3))
    assert crop_index_box(volume, (-5, -5, 1), (99, 99, 99)).hu.shape == (2, 4, 5)


@pytest.mark.parametrize(
    ("affine", "words"),
    [
        (np.eye(3), "4x4"),
        (np.diag([1.0, 1, 0, 1]), "singular"),
        (np.diag([1.0, np.nan, 1, 1]), "finite"),
        (np.ones((4, 4)), "0 0 0 1"),
    ],
)
def test_a_volume_is_valid_when_built(affine, words):
    with pytest.raises(ValueError, match=words):
        Volume(np.zeros((2, 2, 2), np.int16), affine)
    with pytest.raises(ValueError, match="3-D"):
        Volume(np.zeros((2, 2), np.int16), np.eye(4))
