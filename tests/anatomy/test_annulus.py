"""Annulus measures against closed forms, a dense analytic curve, and Monte Carlo."""

import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from scipy.special import ellipe

from septal_planner.anatomy.annulus import MEASURED, annulus_sd, height_mm, height_sd_mm, measure_annulus
from septal_planner.errors import AnatomyNotFound

MEANS = tomllib.loads(
    (Path(__file__).parents[1] / "reference" / "mitral_annulus_ct" / "means.toml").read_text("utf-8")
)
TURN = Rotation.from_euler("xyz", [20, 35, 50], degrees=True)
PLACE = np.array([12.0, -154.0, 655.0])


def saddle(t, *, flatten=0.0, height=7.0, a=20.0, b=16.0):
    """Saddle curve in its own frame: x toward a commissure, y toward the aorta, z toward the atrium; a D by
    `flatten`.
    """
    s = np.sin(t)
    y = b * s - flatten * b * s * s + flatten * b / 2
    return np.stack([a * np.cos(t), y, -height / 2 * np.cos(2 * t)], axis=-1)


def placed(points):
    return TURN.apply(points) + PLACE


def measured(points, **more):
    return measure_annulus(
        placed(points), atrium_point_lps=placed([0, 0, 30.0]), aorta_point_lps=placed([4.0, 30, 8]), **more
    )


def even(n):
    return np.arange(n) * 2 * np.pi / n


def truth_by_length(**shape):
    """Centre and normal, in the saddle's frame, of the least-squares plane of the curve by length, from
    20,000 pieces.
    """
    c = saddle(even(20_000), **shape)
    w = np.linalg.norm(np.roll(c, -1, axis=0) - np.roll(c, 1, axis=0), axis=1)
    center = w @ c / w.sum()
    values, vectors = np.linalg.eigh((c - center).T @ ((c - center) * w[:, None]))
    n = vectors[:, np.argmin(values)]
    return center, n * np.sign(n[2])


@pytest.mark.parametrize("saddle_mm", [0.0, 7.0])
def test_height_is_signed_distance_from_the_plane_whatever_the_saddle(saddle_mm):
    # trigonometry: cos 2t is orthogonal to every plane over points even in t
    a = measured(saddle(even(16), height=saddle_mm))
    site = placed([12.0, -5, 42])
    assert height_mm(a, site) == pytest.approx(42.0, abs=1e-9)
    assert np.linalg.norm(site - a.center_lps) == pytest.approx(43.966, abs=5e-4)
    assert height_mm(a, placed([0.0, 0, -9])) == pytest.approx(-9.0, abs=1e-9)
    assert a.saddle_height_mm == pytest.approx(saddle_mm, abs=0.02)
    np.testing.assert_allclose(a.normal_lps, TURN.apply([0, 0, 1]), atol=1e-9)


def test_flat_ellipse_forty_by_thirty_two():
    # pi a b; 4 a E(e^2) (NIST DLMF 19.9.9)
    a = measured(saddle(even(16), height=0.0))
    assert a.area_mm2 == pytest.approx(1005.310, rel=2e-4)
    assert a.perimeter_mm == pytest.approx(80 * ellipe(1 - 0.64), rel=2e-4)
    assert (a.septal_lateral_mm, a.intercommissural_mm) == pytest.approx((32, 40), abs=0.01)
    np.testing.assert_allclose(a.septal_lateral_axis_lps, TURN.apply([0, 1, 0]), atol=0.01)


def test_d_shape_is_the_ellipse_cut_by_the_intertrigonal_chord():
    # chord from Noack et al. 2019 (see means.toml); the ellipse segment beyond it in closed form
    a = measured(saddle(even(24), height=0.0))
    chord = 40 / MEANS["d_shape"]["lateromedial_per_intertrigonal"]
    h = np.sqrt(1 - (chord / 40) ** 2)
    lost = 320 * (np.arccos(h) - h * np.sqrt(1 - h * h))
    assert a.d_shape_area_mm2 == pytest.approx(np.pi * 320 - lost, rel=1e-3)
    assert a.d_shape_perimeter_mm < a.perimeter_mm
    # published mean ratio of saddle to D is 1.16 for the area and 1.06 for the perimeter: same direction,
    # same order
    assert 1.0 < a.area_mm2 / a.d_shape_area_mm2 < 1.3


@pytest.mark.parametrize("flatten", [0.0, 0.22, 0.3])
@pytest.mark.parametrize("seed", range(4))
def test_unevenly_spaced_points_do_not_move_the_plane(flatten, seed):
    # up to 0.35 rad off their even places: gaps of 0.03 to 0.9 rad among 16
    rng = np.random.default_rng(seed)
    t = np.sort((even(16) + rng.uniform(-0.35, 0.35, 16)) % (2 * np.pi))
    a = measured(saddle(t, flatten=flatten))
    center, normal = truth_by_length(flatten=flatten)
    assert np.linalg.norm(TURN.inv().apply(a.center_lps - PLACE) - center) < 0.5
    assert np.degrees(np.linalg.norm(np.cross(TURN.inv().apply(a.normal_lps), normal))) < 0.5
    c = saddle(even(20_000), flatten=flatten)
    u = np.cross([0, 1.0, 0], normal)
    u /= np.linalg.norm(u)
    q = np.stack([c @ u, c @ np.cross(normal, u)], axis=-1)
    area = 0.5 * abs(np.sum(q[:, 0] * np.roll(q[:, 1], -1) - np.roll(q[:, 0], -1) * q[:, 1]))
    assert a.area_mm2 == pytest.approx(area, rel=0.02)
    assert a.perimeter_mm == pytest.approx(np.linalg.norm(c - np.roll(c, -1, axis=0), axis=1).sum(), rel=0.02)


def test_crowded_points_tilt_a_fit_to_the_points_but_not_this_one():
    crowd = np.linspace(0, np.pi / 2, 12, endpoint=False)
    t = np.concatenate([crowd, np.linspace(np.pi / 2, 2 * np.pi, 8, endpoint=False)])
    points = saddle(t)
    a = measured(points)
    _, normal = truth_by_length()
    naive = np.linalg.svd(points - points.mean(axis=0))[2][2]
    assert np.degrees(np.linalg.norm(np.cross(naive, normal))) > 2
    assert np.degrees(np.linalg.norm(np.cross(TURN.inv().apply(a.normal_lps), normal))) < 0.5


@pytest.mark.parametrize(("n", "crowded"), [(8, False), (16, False), (16, True)])
def test_doubt_of_a_height_is_what_repeated_marking_shows(n, crowded):
    rng = np.random.default_rng(5)
    t = even(n) if not crowded else np.sort(even(n) ** 1.25 / (2 * np.pi) ** 0.25)
    points = placed(saddle(t, flatten=0.22))
    sites = placed([[0, 0, 35.0], [25, 0, 35], [-5, 30, 40], [0, 0, 0]])
    atrium = placed([0, 0, 30.0])
    a = measure_annulus(points, atrium_point_lps=atrium)
    predicted = height_sd_mm(a, sites, point_sd_mm=0.7)
    heights = [
        height_mm(measure_annulus(points + rng.normal(0, 0.7, points.shape), atrium_point_lps=atrium), sites)
        for _ in range(400)
    ]
    # 400 repeats know a standard deviation to 3.5 %; three of those and a little for what is not linear
    np.testing.assert_allclose(predicted, np.std(heights, axis=0, ddof=1), rtol=0.14)


def test_doubt_of_a_height_over_a_flat_ring_is_the_regression_formula():
    # variance of a fitted plane at a lever arm: sigma^2 (1/N + x^2/sum x^2 + y^2/sum y^2)
    t = even(12)
    points = saddle(t, height=0.0, a=18, b=18)
    a = measured(points)
    sd = height_sd_mm(a, placed([[0, 0, 0], [10.0, 0, 0], [0, 24, 0]]), point_sd_mm=1.5)
    expected = 1.5 * np.sqrt(1 / 12 + np.array([0, 10.0**2, 24.0**2]) / (6 * 18**2))
    np.testing.assert_allclose(sd, expected, rtol=1e-4)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.integers(0, 15), st.booleans())
def test_measures_do_not_depend_on_place_start_or_sense(seed, start, backwards):
    rng = np.random.default_rng(seed)
    points = saddle(np.sort(even(16) + rng.uniform(-0.1, 0.1, 16)), flatten=0.22)
    turn, place = Rotation.random(rng=rng), rng.uniform(-500, 500, 3)
    order = np.roll(np.arange(16), start)[:: -1 if backwards else 1]
    a = measured(points)
    b = measure_annulus(
        turn.apply(points[order]) + place, atrium_point_lps=turn.apply([0, 0, 30.0]) + place,
        aorta_point_lps=turn.apply([4.0, 30, 8]) + place,
    )
    for name in ("area_mm2", "perimeter_mm", "saddle_height_mm"):
        assert getattr(b, name) == pytest.approx(getattr(a, name), rel=1e-4)
    for name in ("septal_lateral_mm", "intercommissural_mm", "d_shape_area_mm2", "d_shape_perimeter_mm"):
        assert getattr(b, name) == pytest.approx(getattr(a, name), rel=2e-3)
    back, there = turn.inv().apply(b.center_lps - place), TURN.inv().apply(a.center_lps - PLACE)
    np.testing.assert_allclose(back, there, atol=1e-6)
    np.testing.assert_allclose(turn.inv().apply(b.normal_lps), TURN.inv().apply(a.normal_lps), atol=1e-6)


def test_without_aorta_or_septum_the_flat_side_is_taken_for_the_septal_one():
    points = saddle(even(16), flatten=0.3)
    a = measure_annulus(placed(points), atrium_point_lps=placed([0, 0, 30.0]))
    assert a.septal_lateral_axis_lps @ TURN.apply([0, 1, 0]) > 0.9


@pytest.mark.parametrize(
    ("points", "atrium", "words"),
    [
        (saddle(even(5)), [0, 0, 30.0], "found 5; mark more points"),
        (np.outer(np.arange(8.0), [1, 2, 3]), [0, 0, 30.0], "mark the hinge line again"),
        (saddle(even(8), a=20, b=1.0, height=0), [0, 0, 30.0], "mark the hinge line again"),
        (saddle(even(16)[[0, 8, 1, 9, 2, 10, 3, 11, 4, 12, 5, 13, 6, 14, 7, 15]]), [0, 0, 30.0], "order"),
        (saddle(even(8)), [5, 0, 0.2], "well inside the atrium"),
        (saddle(even(8)) * np.nan, [0, 0, 30.0], "finite"),
        (np.repeat(saddle(even(8)), 2, axis=0), [0, 0, 30.0], "mark the hinge line again"),
    ],
)
def test_what_is_no_annulus_is_refused_in_one_sentence(points, atrium, words):
    with pytest.raises(AnatomyNotFound, match=words) as caught:
        measure_annulus(points, atrium_point_lps=atrium)
    assert str(caught.value).endswith(".")
    assert ". " not in str(caught.value)


def circle(n, radius=18.0):
    t = np.arange(n) * 2 * np.pi / n
    return np.stack([radius * np.cos(t), radius * np.sin(t), np.zeros(n)], axis=-1)


@pytest.mark.parametrize("n", [12, 16])
def test_doubt_of_a_round_annulus_is_that_of_its_mean_radius(n):
    # each of n points moves its own sector 2 pi r / n of the rim: u(A) = 2 pi r s / sqrt(n), to first order
    radius, s = 18.0, 0.3
    ring = measure_annulus(circle(n, radius), atrium_point_lps=[0, 0, 20.0], aorta_point_lps=[0, 20.0, 0])
    sd = annulus_sd(ring, point_sd_mm=s)
    assert sd["area_mm2"] == pytest.approx(2 * np.pi * radius * s / np.sqrt(n), rel=0.3)  # 60 trials
    assert sd["perimeter_mm"] == pytest.approx(2 * np.pi * s / np.sqrt(n), rel=0.4)
    assert annulus_sd(ring, point_sd_mm=0.0)["area_mm2"] == 0.0


def test_doubt_covers_what_noise_makes_of_a_ring():
    # as in JCGM 101:2008, 7: repeated with known errors, some 95 % of the results lie within two standard uncertainties
    rng = np.random.default_rng(12)
    true = measure_annulus(circle(16), atrium_point_lps=[0, 0, 20.0], aorta_point_lps=[0, 20.0, 0])
    held = dict.fromkeys(MEASURED, 0)
    for _ in range(25):
        ring = measure_annulus(
            circle(16) + rng.normal(0, 1.0, (16, 3)), atrium_point_lps=[0, 0, 20.0], aorta_point_lps=[0, 20.0, 0]
        )
        sd = annulus_sd(ring, point_sd_mm=1.0)
        for name in MEASURED:
            held[name] += abs(getattr(ring, name) - getattr(true, name)) <= 2 * sd[name]
    for name in ("area_mm2", "perimeter_mm", "septal_lateral_mm", "intercommissural_mm"):
        assert held[name] >= 20, name
