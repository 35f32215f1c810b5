"""Thin-wall fit against profiles blurred by numerical convolution, not by the formula under test."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import fftconvolve

from septal_planner.anatomy.wall import blur_mm, fit_edges, fit_walls

W = np.arange(-13.0, 13.01, 0.25)


def scanned(center: float, thickness: float, near: float, far: float, wall: float, sigma: float) -> np.ndarray:
    """A wall between two blood levels, drawn at 0.01 mm and blurred by convolution with a sampled Gaussian."""
    x = np.arange(-30.0, 30.0, 0.01)
    ideal = np.where(np.abs(x - center) < thickness / 2, wall, np.where(x < center, near, far)).astype(float)
    k = np.arange(-6 * sigma, 6 * sigma + 0.005, 0.01)
    kernel = np.exp(-0.5 * (k / sigma) ** 2)
    blurred = fftconvolve(np.pad(ideal, k.size, mode="edge"), kernel / kernel.sum(), mode="same")[k.size : -k.size]
    return np.interp(W, x, blurred)


@pytest.mark.parametrize("thickness", [0.8, 1.2, 2.0, 4.0, 8.0])
@pytest.mark.parametrize(("near", "far"), [(230.0, 380.0), (600.0, 380.0), (180.0, 420.0)])
def test_thickness_and_place_below_voxel_size(thickness: float, near: float, far: float) -> None:
    profile = scanned(0.7, thickness, near, far, 100.0, 0.5)
    fit = fit_walls(profile[None], W, np.array([0.0]), wall_hu=100.0, sigma_mm=0.5)
    # noise-free: only the drawing grid (0.01 mm) and the finite number of steps remain
    assert fit.center_mm[0] == pytest.approx(0.7, abs=0.05)
    assert fit.thickness_mm[0] == pytest.approx(thickness, abs=0.1)


def test_noise_of_20_hu_moves_a_thin_wall_little() -> None:
    rng = np.random.default_rng(7)
    clean = scanned(-0.4, 1.5, 240.0, 380.0, 100.0, 0.5)
    noisy = clean + rng.normal(0, 20, (200, W.size))
    fit = fit_walls(noisy, W, np.zeros(200), wall_hu=100.0, sigma_mm=0.5)
    assert abs(np.median(fit.thickness_mm) - 1.5) < 0.25
    assert abs(np.median(fit.center_mm) + 0.4) < 0.15


def test_fat_inside_a_thick_limbus_counts_as_wall() -> None:
    wall = scanned(0.0, 8.0, 240.0, 380.0, 100.0, 0.5)
    fat = scanned(0.0, 5.0, 0.0, 0.0, -190.0, 0.5)  # skins of 1.5 mm each side stay muscle
    fit = fit_walls((wall + fat)[None], W, np.array([0.5]), wall_hu=100.0, sigma_mm=0.5)
    assert fit.thickness_mm[0] == pytest.approx(8.0, abs=0.5)


@pytest.mark.parametrize("sigma", [0.4, 0.6, 1.0])
def test_blur_is_read_off_the_thick_wall(sigma: float) -> None:
    profiles = np.stack([scanned(c, 6.0, 240.0, 380.0, 100.0, sigma) for c in np.linspace(-0.5, 0.5, 60)])
    assert blur_mm(profiles, W, np.zeros(60), wall_hu=100.0) == pytest.approx(sigma, abs=0.11)


def one_edge(place: float, blood: float, beyond: float, sigma: float) -> np.ndarray:
    """Blood beyond `place` drawn at 0.01 mm and blurred by convolution."""
    x = np.arange(-30.0, 30.0, 0.01)
    ideal = np.where(x > place, blood, beyond).astype(float)
    k = np.arange(-6 * sigma, 6 * sigma + 0.005, 0.01)
    kernel = np.exp(-0.5 * (k / sigma) ** 2)
    blurred = fftconvolve(np.pad(ideal, k.size, mode="edge"), kernel / kernel.sum(), mode="same")[k.size : -k.size]
    return np.asarray(np.interp(W, x, blurred))


@settings(max_examples=40, deadline=None)
@given(
    st.floats(-3.0, 3.0), st.floats(180.0, 900.0), st.floats(40.0, 120.0), st.floats(0.4, 1.2), st.floats(-1.5, 1.5)
)
def test_one_edge_lies_where_it_is_half_way(
    place: float, blood: float, beyond: float, sigma: float, off: float
) -> None:
    profile = one_edge(place, blood, beyond, sigma)
    fit = fit_edges(
        profile[None], W, np.array([place + off]), beyond_hu=100.0, beyond_sd_hu=40.0, sigma_mm=sigma
    )
    assert fit.edge_mm[0] == pytest.approx(place, abs=0.05)
    assert fit.blood_hu[0] == pytest.approx(blood, rel=0.02)


def test_doubt_of_an_edge_is_that_of_its_trials() -> None:
    rng = np.random.default_rng(3)
    noisy = one_edge(0.5, 400.0, 90.0, 0.7) + rng.normal(0, 30.0, (400, W.size))
    fit = fit_edges(noisy, W, np.zeros(400), beyond_hu=100.0, beyond_sd_hu=40.0, sigma_mm=0.7)
    told = 30.0 * float(np.median(fit.edge_mm_per_hu))
    assert np.std(fit.edge_mm) == pytest.approx(told, rel=0.2)
    assert np.mean(fit.edge_mm) == pytest.approx(0.5, abs=0.03)


def test_doubt_of_a_wall_is_that_of_its_trials() -> None:
    rng = np.random.default_rng(4)
    noisy = scanned(0.3, 3.0, 300.0, 400.0, 100.0, 0.6) + rng.normal(0, 15.0, (400, W.size))
    fit = fit_walls(noisy, W, np.zeros(400), wall_hu=100.0, sigma_mm=0.6, fat_is_wall=False)
    for values, per_hu in ((fit.center_mm, fit.center_mm_per_hu), (fit.thickness_mm, fit.thickness_mm_per_hu)):
        assert np.std(values) == pytest.approx(15.0 * float(np.median(per_hu)), rel=0.25)
