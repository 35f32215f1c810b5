"""Rim, area and extents of a membrane on drawn thickness maps, against plane geometry."""

from __future__ import annotations

import numpy as np
import pytest

from septal_planner.anatomy.membrane import LARGEST_RADIUS_MM, find_membrane
from septal_planner.geometry.shapes import HeightPatch

U = np.arange(-17.0, 17.01, 0.5)
UU, VV = np.meshgrid(U, U)


def flat(height: np.ndarray | None = None) -> HeightPatch:
    return HeightPatch(
        np.zeros(3), np.array([1.0, 0, 0]), np.array([0.0, 1, 0]), np.array([0.0, 0, 1]), U, U,
        np.zeros_like(UU) if height is None else height,
    )


def ellipse(a: float, b: float, floor: float = 1.5, limbus: float = 7.0, breadth: float = 1.0) -> np.ndarray:
    rho = np.hypot(UU / a, VV / b)
    beyond = (rho - 1) * np.hypot(UU, VV) / np.maximum(rho, 1e-9)
    return np.asarray(floor + (limbus - floor) * np.clip(0.5 + beyond / breadth, 0, 1))


@pytest.mark.parametrize(("a", "b"), [(6.0, 6.0), (8.5, 6.3), (10.0, 8.0)])
def test_an_ellipse_has_its_area_and_axes(a: float, b: float) -> None:
    found = find_membrane(flat(), ellipse(a, b), 0.0)
    assert found is not None
    assert found.area_mm2 == pytest.approx(np.pi * a * b, rel=0.04)
    assert found.anterior_posterior_mm == pytest.approx(2 * a, abs=0.4)
    assert found.superior_inferior_mm == pytest.approx(2 * b, abs=0.4)
    assert found.seen_share > 0.9
    assert np.linalg.norm(found.center_lps) < 0.2
    # Ramanujan's perimeter of an ellipse
    h = ((a - b) / (a + b)) ** 2
    assert found.rim_mm == pytest.approx(np.pi * (a + b) * (1 + 3 * h / (10 + np.sqrt(4 - 3 * h))), rel=0.04)


def test_area_is_that_of_the_slope() -> None:
    found = find_membrane(flat(np.tan(np.radians(30.0)) * UU), ellipse(7.0, 7.0), 0.0)
    assert found is not None
    assert found.area_mm2 == pytest.approx(np.pi * 49 / np.cos(np.radians(30.0)), rel=0.04)
    assert np.degrees(np.arccos(found.normal_lps[2])) == pytest.approx(30.0, abs=0.5)


def test_a_wall_of_one_thickness_has_no_membrane() -> None:
    assert find_membrane(flat(), np.full(UU.shape, 5.0), 0.0) is None


def test_noise_does_not_draw_the_rim_inward() -> None:
    rng = np.random.default_rng(5)
    areas = []
    for _ in range(6):
        found = find_membrane(flat(), ellipse(8.0, 6.5) + rng.normal(0, 0.5, UU.shape), 0.0)
        assert found is not None
        areas.append(found.area_mm2)
    assert np.mean(areas) == pytest.approx(np.pi * 8.0 * 6.5, rel=0.06)


def test_an_unseen_rim_is_bridged_and_said() -> None:
    open_behind = np.where(UU < -2.0, 1.5, ellipse(7.0, 7.0))
    found = find_membrane(flat(), open_behind, 0.0)
    assert found is not None
    assert found.seen_share < 0.8
    assert np.hypot(*found.outline_uv.T).max() < LARGEST_RADIUS_MM + 1.0


def test_blur_from_the_limbus_is_taken_off_the_mean() -> None:
    # the same membrane drawn with a rise so broad as a blur of 0.7 mm makes it
    from scipy.ndimage import gaussian_filter

    sharp = ellipse(6.0, 6.0, breadth=0.5)
    blurred = gaussian_filter(sharp, 0.7 / 0.5)
    plain, told, untold = (
        find_membrane(flat(), thickness, blur) for thickness, blur in ((sharp, 0.0), (blurred, 0.7), (blurred, 0.0))
    )
    assert plain is not None
    assert told is not None
    assert untold is not None
    off, left = untold.thickness_mean_mm - plain.thickness_mean_mm, told.thickness_mean_mm - plain.thickness_mean_mm
    assert 0 < left < 0.8 * off


def test_in_a_thin_wall_larger_than_rays_reach_the_mark_does_not_choose_the_fossa() -> None:
    centers = []
    for at in ((3.0, 1.0), (-3.0, -2.0), (1.0, -4.0), (-2.0, 3.5)):  # from the mark, where part of the rim is too far
        rho = np.hypot((UU + at[0]) / 11.5, (VV + at[1]) / 12.5)
        found = find_membrane(flat(), 1.0 + 6.0 * np.clip(0.5 + (rho - 1) * 11.5, 0, 1), 0.0)
        assert found is not None
        assert found.runs_on
        assert found.seen_share < 0.7
        centers.append(found.center_lps[:2] + np.array(at))
    assert np.linalg.norm(np.array(centers), axis=1).max() < 1.0
