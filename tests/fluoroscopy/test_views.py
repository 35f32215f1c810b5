"""Edge-on curves, crossings, paths, doubt and penalties against closed forms, published views and trials."""

import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from septal_planner.fluoroscopy import carm, views

VIEWS = tomllib.loads(
    (Path(__file__).parents[1] / "reference" / "published_views" / "views.toml").read_text("utf-8")
)
unit = st.tuples(*[st.floats(-1, 1)] * 3).filter(lambda v: np.linalg.norm(v) > 0.1).map(lambda v: v / np.linalg.norm(v))


def angle(u, v):
    return np.degrees(np.arccos(np.clip(u @ v / np.linalg.norm(u) / np.linalg.norm(v), -1, 1)))


def test_twenty_thousand_random_curves_hold_edge_on_views_only():
    rng = np.random.default_rng(11)
    worst = 0.0
    for n in rng.normal(size=(4000, 3)):
        n /= np.linalg.norm(n)
        curve = views.edge_on_curve(n, samples=5)
        worst = max(worst, np.abs(carm.vectors_from_angles(curve[:, 0], curve[:, 1]) @ n).max())
    assert worst < 1e-12


@given(unit, st.floats(-89, 89))
def test_both_forms_of_the_curve_agree(n, a):
    # tan b = (n_y cos a - n_x sin a) / n_z against the great circle
    if abs(n[2]) < 0.05:
        return
    b = np.degrees(np.arctan((n[1] * np.cos(np.radians(a)) - n[0] * np.sin(np.radians(a))) / n[2]))
    d = carm.vectors_from_angles(a, b)
    circle = views.edge_on_directions(n, samples=7)
    np.testing.assert_allclose(np.linalg.matrix_rank(np.vstack([circle, d]), tol=1e-6), 2)


def test_curve_of_a_simple_normal():
    # closed form tan b = (n_y cos a - n_x sin a) / n_z, en face LAO 45 / CAU 45
    curve = views.edge_on_curve([0.5, -0.5, -np.sqrt(0.5)], samples=20001)
    b = np.interp([-40, -30, 0, 20], curve[:, 0], curve[:, 1])
    np.testing.assert_allclose(b, [4.9811, 14.5108, 35.2644, 42.1863], atol=1e-3)


@pytest.mark.parametrize("n", [[1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, 0]])
def test_planes_along_the_axes_have_their_curves_too(n):
    curve = views.edge_on_curve(n)
    assert np.isfinite(curve).all()
    d = carm.vectors_from_angles(curve[:, 0], curve[:, 1])
    np.testing.assert_allclose(d @ n, 0, atol=1e-12)
    assert (d[:, 1] < 1e-9).all()  # detector in front


@given(unit, unit)
def test_a_crossing_lies_on_both_curves(one, other):
    both = views.both_edge_on(one, other)
    if both is None:
        assert np.linalg.norm(np.cross(one, other)) < 0.021
        return
    assert views.off_edge_deg(one, *both) < 1e-5
    assert views.off_edge_deg(other, *both) < 1e-5
    assert carm.vectors_from_angles(*both)[1] < 1e-9


def test_mitral_plane_and_its_crossing_with_the_published_septum():
    d1 = carm.vectors_from_angles(*VIEWS["mitral_edge_on"]["septal_lateral"])
    d2 = carm.vectors_from_angles(*VIEWS["mitral_edge_on"]["trigone_to_trigone"])
    n = np.cross(d1, d2)
    assert views.en_face(n) == pytest.approx((51.200, -24.052), abs=6e-4)
    assert views.nearest_edge_on(n) == pytest.approx((-31, 17), abs=0.6)
    for view in (VIEWS["mitral_edge_on"]["septal_lateral"], VIEWS["mitral_edge_on"]["trigone_to_trigone"]):
        assert views.off_edge_deg(n, *view) < 1e-6
    septum = carm.vectors_from_angles(*VIEWS["right_heart"]["septum_en_face"])
    a, b = views.both_edge_on(n, septum)
    # written out once more, without the code's cross product: the view solves both tan b = ... at one a
    for normal in (n, septum):
        right = (normal[1] * np.cos(np.radians(a)) - normal[0] * np.sin(np.radians(a))) / normal[2]
        assert np.tan(np.radians(b)) == pytest.approx(right, abs=1e-9)


def test_first_printed_sign_error_the_mitral_septal_lateral_view_is_cranial():
    # the abstract prints "cranial (CAU)": septal-lateral and trigone-to-trigone lines are square to each other in the
    # plane, which holds with cranial 20.1 (88.4 degrees) and not with caudal (52.9)
    primary, secondary = VIEWS["mitral_edge_on"]["septal_lateral"]
    across = carm.vectors_from_angles(*VIEWS["mitral_edge_on"]["trigone_to_trigone"])
    assert secondary > 0
    assert angle(carm.vectors_from_angles(primary, secondary), across) == pytest.approx(88.4, abs=0.06)
    assert angle(carm.vectors_from_angles(primary, -secondary), across) == pytest.approx(52.9, abs=0.06)


def test_second_printed_sign_error_more_lao_goes_with_less_caudal():
    # the regression b = -16.4 + 0.53 a of the aortic annulus has cranial positive, and passes through its own mean view
    ring = VIEWS["aortic_annulus"]
    line = ring["regression"]
    assert line["intercept"] + line["slope"] * ring["mean"][0] == pytest.approx(ring["mean"][1], abs=0.4)
    # so does the edge-on curve of a plane that faces right, front and up and is a line in that mean view
    d = carm.vectors_from_angles(*ring["mean"])
    n = np.array([-0.5, -0.35, 0.79])
    n -= (n @ d) * d
    assert n[0] < 0
    assert n[1] < 0
    assert n[2] > 0
    b = carm.edge_on_secondary_deg(n, [0, 10, 20])
    assert (np.diff(b) > 0).all()
    assert np.diff(b).mean() / 10 == pytest.approx(line["slope"], abs=0.25)


def test_price_of_missing_an_edge_on_view():
    # closed form, diameter times the sine: a 36 mm ring 5 and 10 degrees off opens 3.138 and 6.251 mm; 2, 5, 10 degrees
    # are 0.035, 0.087, 0.174
    assert views.opening_mm(36, 5) == pytest.approx(3.138, abs=5e-4)
    assert views.opening_mm(36, -10) == pytest.approx(6.251, abs=5e-4)
    for off, share in ((2, 0.035), (5, 0.087), (10, 0.174)):
        assert views.opening_mm(1, off) == pytest.approx(share, abs=5e-4)


@given(unit, st.floats(0, 30), st.floats(0, 6.28))
def test_a_real_ring_gapes_as_the_formula_says(n, off, turn):
    # seen from a view tipped by `off` out of the plane, the ring's shadow is an ellipse of that minor axis
    e = views.edge_on_directions(n, samples=3)[1]
    d = np.cos(np.radians(off)) * e + np.sin(np.radians(off)) * n
    u, v = np.cross(n, e), e
    t = np.linspace(0, 2 * np.pi, 361) + turn
    ring = 18 * (np.outer(np.cos(t), u) + np.outer(np.sin(t), v))
    up = np.cross(u, d)
    assert np.ptp(ring @ up) == pytest.approx(views.opening_mm(36, off), abs=0.01)


def everywhere(_primary, _secondary):
    return True


def test_a_path_in_a_plane_is_seen_whole_from_square_to_it():
    t = np.linspace(0, 2, 60)
    n = carm.vectors_from_angles(-25, 10)
    u, v = carm.image_axes(-25, 10)
    path = 22 * (np.outer(np.cos(t), u) + np.outer(np.sin(t), v))
    assert views.seen_share(path, n) == pytest.approx(1, abs=1e-12)
    best = views.least_foreshortening(path, everywhere)
    assert angle(carm.vectors_from_angles(*best), n) < 0.6
    assert views.seen_share(path, carm.vectors_from_angles(*best)) > 0.9999
    assert views.worst_share(path, (-25, 10), 10) < views.worst_share(path, (-25, 10), 5) < 1


@given(unit)
def test_a_straight_path_is_foreshortened_by_the_sine(way):
    path = np.outer([0, 10, 35.0], way)
    d = carm.vectors_from_angles([0, 30, -50], [0, 20, -10])
    np.testing.assert_allclose(views.seen_share(path, d), np.sqrt(np.maximum(1 - (d @ way) ** 2, 0)), atol=1e-9)


def test_a_path_keeps_within_the_limits_and_needs_a_length():
    path = np.array([[0, 0, 0], [0, -30, 5.0], [0, -50, -20]])  # lies in the sagittal plane: best from the side

    def limited(primary, secondary):
        return abs(primary) <= 60 and abs(secondary) <= 40

    best = views.least_foreshortening(path, limited)
    assert limited(*best)
    assert abs(best[0]) == pytest.approx(60, abs=0.01)
    a, b = np.meshgrid(np.linspace(-60, 60, 241), np.linspace(-40, 40, 161))
    assert views.seen_share(path, carm.vectors_from_angles(*best)) >= (
        views.seen_share(path, carm.vectors_from_angles(a, b)).max() - 1e-4
    )
    assert views.least_foreshortening(path, lambda _a, _b: False) is None
    with pytest.raises(ValueError, match="length"):
        views.seen_share(np.zeros((3, 3)), [0, -1, 0])


def test_doubt_of_a_crossing_is_what_trials_show():
    one, other = carm.vectors_from_angles(51, -24), carm.vectors_from_angles(-33, -33)
    blur = [views.tilt_covariance(one, 2.0), views.tilt_covariance(other, 3.0)]
    sd = views.angles_sd_deg(lambda n: views.both_edge_on(n[0], n[1]), [one, other], blur)
    rng = np.random.default_rng(6)
    tried = np.array([
        views.both_edge_on(rng.multivariate_normal(one, blur[0]), rng.multivariate_normal(other, blur[1]))
        for _ in range(4000)
    ])  # fmt: skip
    np.testing.assert_allclose(sd, tried.std(axis=0), rtol=0.08)


def test_doubt_of_an_en_face_view_is_that_of_its_normal():
    # a tip by s degrees is s of cranial angle and s / cos b of LAO: longitude shrinks with latitude
    n = carm.vectors_from_angles(40, 35)
    sd = views.angles_sd_deg(lambda v: views.en_face(v[0]), [n], [views.tilt_covariance(n, 1.5)])
    assert sd == pytest.approx((1.5 / np.cos(np.radians(35)), 1.5), rel=2e-3)
    assert views.angles_sd_deg(lambda v: None, [n], [np.eye(3)]) is None
