"""The error formula of paired points against its published worked form and against Monte Carlo with another library."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from septal_planner.fluoroscopy.pose import CameraPose
from septal_planner.fluoroscopy.target_error import (
    ellipse_px,
    lateral_and_depth_mm,
    pixel_covariance,
    rms_mm,
    tre_of_paired_points,
)

BOX = np.array([[50, 0, 0], [-50, 0, 0], [0, 40, 0], [0, -40, 0], [0, 0, 30], [0, 0, -30]], dtype=float)
CORNERS = np.array([[0, 0, 0], [60, 0, 0], [0, 80, 0], [0, 0, 50], [60, 80, 50]], dtype=float)
LONG = np.array([[0, 0, 60], [0, 0, -60], [10, 0, 20], [-10, 5, -20], [0, -8, 0]], dtype=float)
TURN = Rotation.from_euler("xyz", [20, 35, 50], degrees=True)

# Worked with equation 46 of doi 10.1109/42.736021 and confirmed by 40 000 trials each, one millimetre per axis
WORKED = [
    (BOX, [0, 0, 0], 0.70711),
    (BOX, [0, 0, 100], 1.99263),
    (BOX, [80, 0, 0], 1.49052),
    (CORNERS, [0, 0, 100], 1.57037),
    (CORNERS, [120, 40, 25], 1.62868),
    (TURN.apply(LONG), TURN.apply([60.0, 0, 0]), 3.81703),
]


@pytest.mark.parametrize(("fiducials", "target", "expected"), WORKED)
def test_worked_examples(fiducials, target, expected):
    assert tre_of_paired_points(fiducials, target, fle_squared=3.0) == pytest.approx(expected, abs=6e-6)


@pytest.mark.parametrize(("fiducials", "target", "expected"), WORKED)
def test_turning_everything_changes_nothing(fiducials, target, expected):
    """Rows taken for columns of the eigenvectors give 1.526 for the third and 1.70 for the last."""
    r = Rotation.from_euler("zyx", [33, -52, 71], degrees=True)
    got = tre_of_paired_points(r.apply(fiducials), r.apply(target), fle_squared=3.0)
    assert got == pytest.approx(expected, abs=6e-6)


@pytest.mark.parametrize(("fiducials", "target", "expected"), [WORKED[1], WORKED[3], WORKED[5]])
def test_formula_is_what_trials_give(fiducials, target, expected):
    """Paired points registered by SciPy's Kabsch solution, 3000 trials: within 3 %."""
    rng = np.random.default_rng(11)
    sum_of_squares, trials = 0.0, 3000
    middle = fiducials.mean(axis=0)
    for _ in range(trials):
        noisy = fiducials + rng.normal(size=fiducials.shape)
        rotation, _ = Rotation.align_vectors(noisy - noisy.mean(axis=0), fiducials - middle)
        sum_of_squares += float(np.sum((rotation.apply(target - middle) + noisy.mean(axis=0) - target) ** 2))
    assert np.sqrt(sum_of_squares / trials) == pytest.approx(expected, rel=0.03)


def test_points_in_a_line_have_no_formula():
    with pytest.raises(ValueError, match="line"):
        tre_of_paired_points([[0, 0, 0], [1, 1, 1], [2, 2, 2]], [1, 0, 0], fle_squared=3.0)


def test_error_along_and_across_the_ray():
    camera = CameraPose(0, 0, 1000, 750, (0.2, 0.2), (1024, 1024))
    covariance = np.diag([1.0, 25.0, 4.0])  # AP view: the ray runs along y
    assert lateral_and_depth_mm(covariance, np.zeros(3), camera) == pytest.approx((np.sqrt(5), 5.0))
    assert rms_mm(covariance) == pytest.approx(np.sqrt(30))


def test_ellipse_holds_95_percent_of_what_is_seen():
    camera = CameraPose(25, -10, 1100, 760, (0.2, 0.2), (1024, 1024))
    rng = np.random.default_rng(3)
    a = rng.normal(size=(3, 3))
    covariance, point = a @ a.T, np.array([20.0, -30.0, 10.0])
    seen = camera.pixel(point + rng.multivariate_normal(np.zeros(3), covariance, size=20000))
    in_pixels = pixel_covariance(covariance, point, camera)
    np.testing.assert_allclose(np.cov(seen.T), in_pixels, rtol=0.06, atol=0.03 * in_pixels.max())
    off = seen - camera.pixel(point)
    inside = np.einsum("ij,jk,ik->i", off, np.linalg.inv(in_pixels), off) <= 5.991
    assert inside.mean() == pytest.approx(0.95, abs=0.006)
    line = ellipse_px(camera.pixel(point), in_pixels) - camera.pixel(point)
    np.testing.assert_allclose(np.einsum("ij,jk,ik->i", line, np.linalg.inv(in_pixels), line), 5.991, rtol=1e-6)
