"""Signed distances against formulas and a numerical minimum."""

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from septal_phantoms.bodies import ellipsoid, in_box, round_cone, smooth_min, sphere


def test_ellipsoid_volume_by_quadrature_is_four_thirds_pi_abc():
    h = 0.5
    axis = np.arange(-32, 32, h)
    turn = np.linalg.qr(np.array([[1.0, 0.3, 0.2], [0.1, 1.0, -0.4], [0.2, 0.1, 1.0]]))[0]
    d = ellipsoid(
        axis[None, None, :],
        axis[None, :, None],
        axis[:, None, None],
        np.array([0.3, -0.7, 1.1]),
        turn,
        (28, 20, 14),
    )
    volume = np.clip(0.5 - d / h, 0, 1).sum() * h**3
    # Closed form; first-order distances and a 0.5 mm grid leave about one part in ten thousand.
    assert volume == pytest.approx(4 / 3 * np.pi * 28 * 20 * 14, rel=5e-4)


@pytest.mark.parametrize(("ra", "rb"), [(5.0, 5.0), (9.0, 4.0), (3.0, 8.0)])
def test_round_cone_is_the_distance_to_the_hull_of_two_spheres(ra, rb):
    # The hull is the union of spheres whose center and radius run linearly from one end to the other.
    a, b = np.array([1.0, 2.0, 3.0]), np.array([14.0, -3.0, 11.0])
    points = np.random.default_rng(1).uniform(-25, 35, (60, 3))
    got = round_cone(*points.T, a, b, ra, rb)
    for p, d in zip(points, got, strict=True):
        best = minimize_scalar(
            lambda t, p=p: np.linalg.norm(p - a - t * (b - a)) - ra - t * (rb - ra),
            bounds=(0, 1),
            method="bounded",
            options={"xatol": 1e-10},
        ).fun
        ends = min(np.linalg.norm(p - a) - ra, np.linalg.norm(p - b) - rb)
        assert d == pytest.approx(min(best, ends), abs=1e-6)


def test_smooth_min_equals_the_minimum_beyond_its_width():
    a, b = np.array([0.0, 5.0, -3.0]), np.array([4.0, 1.0, 1.5])
    np.testing.assert_array_equal(smooth_min(a, b, 4.0), np.minimum(a, b))
    assert smooth_min(np.array([1.0]), np.array([1.0]), 4.0)[0] == 0.0


def test_in_box_changes_nothing_within_its_reach():
    x, y, z = (np.linspace(-40, 40, n) for n in (33, 41, 37))
    grid = (x[None, None, :], y[None, :, None], z[:, None, None])
    center, radius = np.array([3.0, -5.0, 8.0]), 9.0
    full = sphere(*grid, center, radius)
    boxed = in_box(
        lambda a, b, c: sphere(a, b, c, center, radius), *grid, center - radius, center + radius, 10.0
    )
    np.testing.assert_array_equal(boxed, np.minimum(full, 10.0))
