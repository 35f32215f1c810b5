"""Closed curves against closed forms, scipy and scikit-image."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ellipe
from skimage.measure import EllipseModel, points_in_poly

from septal_planner.geometry import curves


def ellipse(a, b, t):
    return np.stack([a * np.cos(t), b * np.sin(t)], axis=-1)


def even(n):
    return np.arange(n) * 2 * np.pi / n


def test_ellipse_forty_by_thirty_two():
    # area pi a b; perimeter 4 a E(e^2), the complete elliptic integral of the second kind (NIST DLMF 19.9.9)
    a, b = 20.0, 16.0
    dense = ellipse(a, b, even(20_000))
    perimeter = 4 * a * ellipe(1 - (b / a) ** 2)
    assert perimeter == pytest.approx(113.4467, abs=5e-5)
    assert curves.signed_area(dense) == pytest.approx(1005.310, abs=5e-4)
    assert curves.closed_length(dense) == pytest.approx(perimeter, rel=1e-7)
    assert 2 * np.sqrt(1005.310 / np.pi) == pytest.approx(35.7771, abs=1e-4)
    assert perimeter / np.pi == pytest.approx(36.1112, abs=1e-4)


@pytest.mark.parametrize(("n", "rel"), [(8, 2e-3), (16, 1e-4), (32, 1e-5)])
def test_spline_through_ellipse_points_has_its_area_and_length(n, rel):
    # the spline's error falls with the fourth power of the spacing
    c = curves.closed_spline(ellipse(20, 16, even(n)), samples=8000)  # the polyline's own shortfall is 1e-7
    assert curves.signed_area(c) == pytest.approx(np.pi * 320, rel=rel)
    assert curves.closed_length(c) == pytest.approx(80 * ellipe(1 - 0.64), rel=rel)


def test_spline_passes_through_its_points_and_agrees_with_an_ellipse_fit():
    rng = np.random.default_rng(0)
    t = even(14) + rng.uniform(-0.12, 0.12, 14)
    points = ellipse(20, 16, t)
    c = curves.closed_spline(points, samples=4000)
    assert curves.distance_to_closed(points, c).max() < 1e-3
    model = EllipseModel.from_estimate(c)
    assert sorted(model.axis_lengths) == pytest.approx([16, 20], rel=3e-3)
    np.testing.assert_allclose(model.center, [0, 0], atol=0.05)


def test_spline_refuses_coinciding_neighbours():
    with pytest.raises(ValueError, match="no two neighbours alike"):
        curves.closed_spline([[0, 0], [0, 0], [1, 0], [0, 1]])


def test_d_shape_of_the_ellipse_cut_eight_millimetres_from_its_centre():
    # segment area a b (acos h - h sqrt(1 - h^2)), h = 8/16; the incomplete elliptic integral for the arc
    from scipy.integrate import quad

    dense = ellipse(20, 16, even(20_000))
    d = curves.cut_by_line(dense, [0.0, 1.0], 8.0)
    chord = 2 * 20 * np.sqrt(1 - 0.25)
    assert chord == pytest.approx(34.6410, abs=5e-5)
    assert curves.chord_across(dense, [0.0, 1.0], 8.0) == pytest.approx(chord, rel=1e-6)
    area = np.pi * 320 - 320 * (np.arccos(0.5) - 0.5 * np.sqrt(0.75))
    assert area == pytest.approx(808.770, abs=5e-4)
    assert curves.signed_area(d) == pytest.approx(area, rel=1e-6)
    lost, _ = quad(lambda t: np.hypot(20 * np.sin(t), 16 * np.cos(t)), np.pi / 6, 5 * np.pi / 6)
    perimeter = 80 * ellipe(1 - 0.64) - lost + chord
    assert perimeter == pytest.approx(108.5188, abs=5e-5)
    assert curves.closed_length(d) == pytest.approx(perimeter, rel=1e-6)
    assert curves.widths(d, [np.pi / 2])[0] == pytest.approx(24.0, abs=1e-4)


@given(st.floats(5, 40), st.floats(5, 40), st.floats(-np.pi, np.pi))
def test_width_of_an_ellipse_in_any_direction(a, b, angle):
    dense = ellipse(a, b, even(2000))
    expected = 2 * np.hypot(a * np.cos(angle), b * np.sin(angle))
    assert curves.widths(dense, [angle])[0] == pytest.approx(expected, rel=1e-5)


@given(st.floats(-50, 50), st.floats(-50, 50))
def test_centroid_of_a_half_ellipse_moves_with_it(x, y):
    # 4 b / (3 pi) from the straight side
    half = ellipse(20, 16, np.linspace(0, np.pi, 4000)) + np.array([x, y])
    np.testing.assert_allclose(curves.area_centroid(half), [x, y + 64 / (3 * np.pi)], atol=1e-4)


def test_fossa_membership_of_an_ellipse():
    # mean fossa 17.21 x 12.74 mm: Yeshwanthi et al. 2024, doi 10.1002/ccd.31304
    rim = ellipse(17.21 / 2, 12.74 / 2, even(720))
    assert curves.signed_area(rim) == pytest.approx(172.203, rel=1e-4)
    assert pytest.approx(0.73194, abs=2e-5) == (5 / 8.605) ** 2 + (4 / 6.37) ** 2
    assert curves.inside_closed([5.0, 4.0], rim)
    rng = np.random.default_rng(1)
    p = rng.uniform(-10, 10, (4000, 2))
    q = (p[:, 0] / 8.605) ** 2 + (p[:, 1] / 6.37) ** 2
    clear = np.abs(q - 1) > 1e-3
    np.testing.assert_array_equal(curves.inside_closed(p, rim)[clear], (q < 1)[clear])
    np.testing.assert_array_equal(curves.inside_closed(p, rim)[clear], points_in_poly(p, rim)[clear])


def test_distance_to_a_polyline_counts_between_vertices():
    square = np.array([[0.0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0]])
    np.testing.assert_allclose(
        curves.distance_to_closed([[5, 2, 0], [5, 5, 0], [-3, -4, 0], [0, 7, 2]], square), [2, 5, 5, 2]
    )


def test_a_ring_of_few_points_is_drawn_as_their_circle():
    three = np.array([[10.0, 0, 5], [-5, 5 * np.sqrt(3), 5], [-5, -5 * np.sqrt(3), 5]])
    ring = curves.ring_curve(three, samples=90)
    assert np.allclose(np.linalg.norm(ring - [0, 0, 5], axis=1), 10)
    assert curves.closed_length(ring) == pytest.approx(2 * 90 * 10 * np.sin(np.pi / 90))  # a polygon of 90 sides
    six = np.column_stack([ellipse(20, 16, even(6)), np.zeros(6)])
    assert np.allclose(curves.ring_curve(six), curves.closed_spline(six, samples=180))
