"""The saddle's measures against elliptic integrals, and against a spline through a few points."""

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.special import ellipe
from septal_phantoms.annuli import make_saddle, measure_saddle
from septal_phantoms.assembly import build_heart
from septal_phantoms.catalogue import NAMES, shape_of


def flat(a=20.0, b=16.0, height=0.0, flatten=0.0):
    return make_saddle(
        np.array([1.0, 2.0, 3.0]),
        np.array([0.3, -0.5, 0.8]),
        np.array([1.0, 0.2, 0.1]),
        intercommissural=2 * a,
        septal_lateral=2 * b,
        flatten=flatten,
        height=height,
    )


def test_flat_ellipse_has_the_perimeter_of_the_elliptic_integral():
    m = measure_saddle(flat())
    assert m.perimeter_mm == pytest.approx(
        4 * 20 * ellipe(1 - (16 / 20) ** 2), rel=1e-10
    )  # scipy.special.ellipe
    assert m.area_mm2 == pytest.approx(np.pi * 20 * 16, rel=1e-10)
    # Closed form for 40 x 32 mm: pi a b = 1005.310 mm2, 4 a E(1 - b2 / a2) = 113.4467 mm (complete elliptic integral).
    assert m.area_mm2 == pytest.approx(1005.310, abs=1e-3)
    assert m.perimeter_mm == pytest.approx(113.4467, abs=1e-4)
    assert m.saddle_height_mm == pytest.approx(0, abs=1e-9)


def test_saddle_keeps_the_plane_and_the_projected_area():
    # Closed form: cos 2t is orthogonal to 1, cos t and sin t, so that a saddle 3.5 cos 2t on an ellipse of semi-axes
    # 20 and 16 mm leaves center and best-fit plane where they were.
    m = measure_saddle(flat(height=7.0))
    saddle = flat(height=7.0)
    # By length rather than by parameter the plane keeps its direction by symmetry and shifts a little.
    assert np.degrees(np.arccos(min(1.0, m.normal @ saddle.axes[2]))) < 1e-5
    assert m.area_mm2 == pytest.approx(np.pi * 20 * 16, rel=1e-9)
    assert m.saddle_height_mm == pytest.approx(7.0, rel=1e-4)


def test_spanning_surface_passes_through_the_hinge_line():
    saddle = flat(height=6.0, flatten=0.22)
    height, radial = saddle.local(*saddle.curve_lps(np.linspace(0, 6.2, 50)).T)
    # The small number that keeps the center regular costs 1e-3 mm at most.
    np.testing.assert_allclose(height, 0, atol=2e-3)
    np.testing.assert_allclose(radial, 0, atol=3e-3)


@pytest.mark.parametrize("name", NAMES)
def test_a_spline_through_the_marked_points_gives_the_same_annulus(name):
    heart = build_heart(shape_of(name, None)[0], np.zeros(3))
    m = measure_saddle(heart.mitral)
    points = m.points(16)
    spline = CubicSpline(np.arange(17), np.vstack([points, points[:1]]), bc_type="periodic")
    dense = spline(np.linspace(0, 16, 4000, endpoint=False))
    step = np.linalg.norm(np.roll(dense, -1, 0) - dense, axis=1)
    assert step.sum() == pytest.approx(m.perimeter_mm, rel=2e-3)
    center = dense.mean(0)
    normal = np.linalg.svd(dense - center)[2][2]
    assert np.linalg.norm(center - m.center) < 0.1
    assert np.degrees(np.arccos(min(1.0, abs(normal @ m.normal)))) < 0.2
