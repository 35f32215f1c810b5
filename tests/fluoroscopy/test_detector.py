"""The detector against Beer-Lambert's law and counting statistics."""

import math

import numpy as np
import pytest

from septal_planner.fluoroscopy.detector import Response, grey_values, intensities

PITCH = (0.3, 0.3)


def test_each_half_value_layer_halves_the_beam():
    # Beer-Lambert: half is left after ln 2 / mu
    half_mm = math.log(2) / 0.02
    seen = intensities(np.array([[0, half_mm, 2 * half_mm]]), Response(water_per_mm=0.02), pixel_mm=PITCH)
    np.testing.assert_allclose(seen, [[1, 0.5, 0.25]], rtol=1e-12)


def test_noise_is_that_of_counting_and_comes_back_with_its_seed():
    flat = np.full((200, 200), 100.0)
    quiet = Response(photons=500.0, seed=7)
    seen = intensities(flat, quiet, pixel_mm=PITCH)
    mean = math.exp(-2.27)  # water at 50 keV: 0.2269 cm2/g (NIST XCOM, from memory)
    assert seen.mean() == pytest.approx(mean, rel=0.005)
    assert seen.std() == pytest.approx(math.sqrt(mean / 500), rel=0.03)  # Poisson: the variance is the count
    np.testing.assert_array_equal(seen, intensities(flat, quiet, pixel_mm=PITCH))
    assert (seen != intensities(flat, Response(photons=500.0, seed=8), pixel_mm=PITCH)).any()


def test_scatter_takes_its_share_of_contrast():
    # contrast falls by the factor 1 - S, S the share of scattered in all photons (Barrett & Swindell, from memory)
    water = np.where(np.arange(100) % 2, 10.0, 0.0)[None].repeat(10, axis=0)
    clean, veiled = (intensities(water, Response(scatter_share=s), pixel_mm=PITCH) for s in (0.0, 0.4))
    contrast = [np.ptp(x) / x.mean() for x in (clean, veiled)]
    assert contrast[1] / contrast[0] == pytest.approx(0.6, rel=1e-9)


def test_blur_keeps_the_light_and_has_the_width_asked_for():
    water = np.full((61, 61), 50.0)
    water[30, 30] = 0.0
    seen = intensities(water, Response(blur_mm=0.9), pixel_mm=PITCH)
    spot = seen - seen[0, 0]
    assert spot.sum() == pytest.approx(1 - math.exp(-50 * 0.0227), rel=1e-3)
    columns = np.arange(61) - 30
    assert math.sqrt((spot.sum(axis=0) * columns**2).sum() / spot.sum()) * 0.3 == pytest.approx(0.9, rel=0.01)


def test_what_weakens_the_beam_is_dark_and_the_window_is_kept():
    water = np.array([[0.0, 100.0, 200.0, 300.0, 400.0]])
    response = Response()
    grey = grey_values(intensities(water, response, pixel_mm=PITCH), response, window=(100.0, 300.0))
    np.testing.assert_array_equal(grey, [[255, 255, 128, 0, 0]])
    deep = grey_values(intensities(water, response, pixel_mm=PITCH), response, bits=12, window=(0.0, 400.0))
    np.testing.assert_array_equal(deep, [[4095, 3071, 2048, 1024, 0]])
    empty = grey_values(intensities(np.zeros((4, 4)), response, pixel_mm=PITCH), response)
    assert (empty == 255).all()
    with pytest.raises(ValueError, match="window"):
        grey_values(np.ones((2, 2)), response, window=(5.0, 5.0))


@pytest.mark.parametrize(
    "off", [{"blur_mm": -1}, {"photons": 0}, {"scatter_share": 1.0}, {"water_per_mm": 0}, {"dark_percent": 60}]
)
def test_impossible_detectors_are_refused(off):
    with pytest.raises(ValueError):  # noqa: PT011 - every sentence differs
        Response(**off)
