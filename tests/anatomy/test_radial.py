"""Radial surfaces against closed forms: an ellipsoid, whole and with a tube running out of it."""

from __future__ import annotations

import numpy as np
import pytest

from septal_planner.anatomy.radial import RadialSurface, first_wall_mm, fit_radius, ray_points, sphere_directions

AXES = np.array([30.0, 24.0, 20.0])


def ellipsoid_radius(directions: np.ndarray) -> np.ndarray:
    return 1 / np.linalg.norm(directions / AXES, axis=1)


def volume_ml(radius: np.ndarray) -> float:
    return float(4 * np.pi / 3 * np.mean(radius**3) / 1000)


def test_smoothing_keeps_an_ellipsoid() -> None:
    directions, _ = sphere_directions()
    radius, support = fit_radius(ellipsoid_radius(directions))
    assert np.abs(radius - ellipsoid_radius(directions)).max() < 0.5
    assert support.min() > 0.9
    # closed form 4/3 pi abc; the spiral's quadrature and the smoothing together stay within 1 %
    assert volume_ml(radius) == pytest.approx(4 / 3 * np.pi * AXES.prod() / 1000, rel=0.01)


def test_a_vein_is_cut_at_its_mouth() -> None:
    directions, _ = sphere_directions()
    truth = ellipsoid_radius(directions)
    for axis, half_width_mm in (([0.6, 0.7, 0.39], 7.0), ([-0.7, 0.6, 0.2], 9.0)):
        a = np.array(axis) / np.linalg.norm(axis)
        mouth = np.linalg.norm(directions - (directions @ a)[:, None] * a, axis=1) * truth < half_width_mm
        open_ = truth.copy()
        open_[mouth & (directions @ a > 0)] = 70.0
        radius, support = fit_radius(open_)
        assert np.abs(radius - truth).max() < 2.0
        assert volume_ml(radius) == pytest.approx(volume_ml(truth), rel=0.02)
        assert support[mouth & (directions @ a > 0)].max() < 0.05


def test_first_wall_finds_an_edge_and_a_thin_line() -> None:
    r = np.arange(0, 60, 0.5)
    edge = np.where(r < 20.2, 400.0, 50.0)
    line = 400.0 - 150.0 * np.exp(-0.5 * ((r - 15.0) / 0.8) ** 2)
    found = first_wall_mm(np.stack([edge, line, np.full_like(r, 400.0)]), 0.5, dark_hu=240.0, valley_hu=80.0)
    assert found[0] == pytest.approx(20.2, abs=0.6)
    assert found[1] == pytest.approx(15.0, abs=1.2)
    assert found[2] == r[-1]


def test_outside_is_measured_along_the_ray() -> None:
    directions, _ = sphere_directions()
    surface = RadialSurface(np.zeros(3), directions, ellipsoid_radius(directions), np.ones(directions.shape[0]))
    points = np.array([[33.0, 0, 0], [0, 20.0, 0], [0, 0, -25.0]])
    assert surface.outside_mm(points) == pytest.approx([3.0, -4.0, 5.0], abs=0.15)
    assert ray_points(np.zeros(3), directions[:2], 10.0, 0.5).shape == (2, 20, 3)
