"""Plane fits against scipy's least squares and closed forms."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from septal_planner.geometry import planes


@pytest.mark.parametrize("seed", range(5))
def test_plane_fit_agrees_with_an_iterative_least_squares_solver(seed):
    rng = np.random.default_rng(seed)
    turn = Rotation.random(rng=rng)
    points = turn.apply(rng.normal(size=(20, 3)) * [20, 14, 1.5]) + rng.uniform(-300, 300, 3)
    center, normal, spread = planes.fit_plane(points)

    def residual(x):
        n = np.array([np.cos(x[0]) * np.sin(x[1]), np.sin(x[0]) * np.sin(x[1]), np.cos(x[1])])
        return points @ n - x[2]

    start = [np.arctan2(normal[1], normal[0]) + 0.1, np.arccos(normal[2]) + 0.1, normal @ center + 1]
    fit = least_squares(residual, start, xtol=1e-14, ftol=1e-14, gtol=1e-14)
    n = np.array([np.cos(fit.x[0]) * np.sin(fit.x[1]), np.sin(fit.x[0]) * np.sin(fit.x[1]), np.cos(fit.x[1])])
    assert np.degrees(np.arccos(min(1.0, abs(n @ normal)))) < 1e-4
    assert spread[2] == pytest.approx(np.sqrt(np.mean(fit.fun**2)), rel=1e-8)


@pytest.mark.parametrize("saddle_mm", [0.0, 3.5])
def test_height_over_a_saddle_is_not_the_distance_to_its_centre(saddle_mm):
    # trigonometry: the saddle's cos 2t is orthogonal to every plane over points even in t
    t = np.arange(16) * 2 * np.pi / 16
    turn = Rotation.from_euler("xyz", [20, 35, 50], degrees=True)
    points = turn.apply(np.stack([20 * np.cos(t), 16 * np.sin(t), saddle_mm * np.cos(2 * t)], axis=-1))
    site = turn.apply([12, -5, 42])
    center, normal, _ = planes.fit_plane(points)
    normal = normal * np.sign(normal @ site)
    assert planes.signed_distance(site, center, normal) == pytest.approx(42.0, abs=1e-9)
    assert np.linalg.norm(site - center) == pytest.approx(43.966, abs=5e-4)
    assert np.degrees(np.arccos(min(1.0, normal @ turn.apply([0, 0, 1])))) < 1e-5


@pytest.mark.parametrize(("tilt_deg", "low", "high"), [(5, 39.661, 44.019), (10, 37.021, 45.703)])
def test_tilting_the_plane_moves_the_height_by_its_lever_arm(tilt_deg, low, high):
    # trigonometry: h cos d -+ r sin d for h = 42, r = 25
    site = np.array([25.0, 0, 42])
    for turn, expected in ((tilt_deg, low), (-tilt_deg, high)):
        normal = Rotation.from_euler("y", -turn, degrees=True).apply([0, 0, 1])
        assert planes.signed_distance(site, np.zeros(3), normal) == pytest.approx(expected, abs=6e-4)


def test_weights_act_like_repeated_points():
    rng = np.random.default_rng(0)
    points = rng.normal(size=(6, 3))
    counts = np.array([1, 2, 3, 1, 1, 2])
    a = planes.fit_plane(points, weights=counts)
    b = planes.fit_plane(np.repeat(points, counts, axis=0))
    np.testing.assert_allclose(a[0], b[0], atol=1e-12)
    assert abs(a[1] @ b[1]) == pytest.approx(1)


@given(st.tuples(*[st.floats(-1, 1)] * 3).filter(lambda v: np.linalg.norm(v) > 0.1))
def test_axes_of_a_plane_are_orthonormal_and_right_handed(n):
    u, v = planes.plane_axes(n)
    np.testing.assert_allclose(np.cross(u, v), np.array(n) / np.linalg.norm(n), atol=1e-12)


@pytest.mark.parametrize(
    ("points", "words"), [(np.zeros((2, 3)), "found 2"), (np.outer(np.arange(5), [1.0, 2, 3]), "one line")]
)
def test_points_that_fix_no_plane_are_refused(points, words):
    with pytest.raises(ValueError, match=words):
        planes.fit_plane(points)


@pytest.mark.parametrize("n", [3, 4, 9])
def test_doubt_of_a_normal_is_that_of_a_line_fitted_to_a_ring(n):
    # even points on a circle: sum of squares along each axis n r^2 / 2, slope's variance sd^2 over it (Gauss)
    t = np.arange(n) * 2 * np.pi / n
    turn = Rotation.from_euler("xyz", [20, 35, 50], degrees=True)
    points = turn.apply(np.stack([12 * np.cos(t), 12 * np.sin(t), 0 * t], axis=-1)) + [100, -50, 600]
    covariance = planes.normal_covariance(points, point_sd=0.7)
    normal = turn.apply([0, 0, 1])
    tip = 0.7 / np.sqrt(n * 12**2 / 2)
    assert np.allclose(covariance, tip**2 * (np.eye(3) - np.outer(normal, normal)), atol=1e-12)


def test_doubt_of_a_normal_holds_for_a_long_oblique_triangle_by_trial():
    rng = np.random.default_rng(4)
    points = np.array([[0, 0, 0], [30, 2, 4], [9, 14, -3.0]])
    noisy = points + rng.normal(scale=0.4, size=(4000, 3, 3))
    a, b = noisy[:, 1] - noisy[:, 0], noisy[:, 2] - noisy[:, 0]
    normals = np.cross(a, b)
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    spread = np.sqrt(np.linalg.eigvalsh(np.cov(normals.T))[1:])
    said = np.sqrt(np.linalg.eigvalsh(planes.normal_covariance(points, point_sd=0.4))[1:])
    assert said == pytest.approx(spread, rel=0.05)


def test_circle_through_three_points_is_the_circumscribed_one():
    # radius = product of the sides / (4 area); its centre is as far from each corner
    corners = np.array([[1, 2, 3], [14, 0, 9], [5, -11, 7.0]])
    a, b, c = (np.linalg.norm(corners[i] - corners[j]) for i, j in ((0, 1), (1, 2), (2, 0)))
    area = np.linalg.norm(np.cross(corners[1] - corners[0], corners[2] - corners[0])) / 2
    center, normal, radius = planes.circle_through(corners)
    assert radius == pytest.approx(a * b * c / (4 * area), rel=1e-12)
    assert np.allclose(np.linalg.norm(corners - center, axis=1), radius)
    assert np.allclose((corners - center) @ normal, 0, atol=1e-12)
