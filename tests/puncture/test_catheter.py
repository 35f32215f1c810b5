"""Arcs against the published closed form, numerical integration and plane trigonometry."""

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from septal_planner.errors import AnatomyNotFound
from septal_planner.puncture import catheter
from septal_planner.puncture.device_point import valve_middle
from septal_planner.puncture.procedures import procedure

REFERENCE = Path(__file__).parents[1] / "reference"
ARCS = tomllib.loads((REFERENCE / "webster_jones_2010" / "arcs.toml").read_text("utf-8"))["arc"]
VIEWS = tomllib.loads((REFERENCE / "published_views" / "views.toml").read_text("utf-8"))["right_heart"]


def beam(a_deg, b_deg):
    """View direction by DICOM's longitude and latitude, written out here so that this room needs no other."""
    a, b = np.deg2rad([a_deg, b_deg])
    return np.array([np.sin(a) * np.cos(b), -np.cos(a) * np.cos(b), np.sin(b)])


@pytest.mark.parametrize("arc", ARCS)
def test_arc_tips_of_the_published_form(arc):
    length = arc["radius_mm"] * np.deg2rad(arc["turn_deg"])
    tip, tangent = catheter.arc_tip(1 / arc["radius_mm"], np.deg2rad(arc["plane_deg"]), length)
    np.testing.assert_allclose(tip, arc["tip"], atol=6e-5)
    np.testing.assert_allclose(tangent, arc["tangent"], atol=6e-7)
    assert np.linalg.norm(tip) == pytest.approx(arc["chord_mm"], abs=6e-5)
    assert catheter.arc_from_tip(tip) == pytest.approx(
        (1 / arc["radius_mm"], np.deg2rad(arc["plane_deg"]), length), rel=1e-9
    )


@pytest.mark.parametrize("arc", ARCS)
def test_arcs_agree_with_numerical_integration(arc):
    axis = np.array([-np.sin(np.deg2rad(arc["plane_deg"])), np.cos(np.deg2rad(arc["plane_deg"])), 0])

    def rhs(_, y):
        return np.concatenate([y[3:], np.cross(axis, y[3:]) / arc["radius_mm"]])

    length = arc["radius_mm"] * np.deg2rad(arc["turn_deg"])
    end = solve_ivp(rhs, (0, length), [0, 0, 0, 0, 0, 1.0], rtol=1e-10, atol=1e-10).y[:, -1]
    tip, tangent = catheter.arc_tip(1 / arc["radius_mm"], np.deg2rad(arc["plane_deg"]), length)
    np.testing.assert_allclose(tip, end[:3], atol=1e-6)
    np.testing.assert_allclose(tangent, end[3:], atol=1e-6)


def test_quarter_turn_then_straight():
    tip, tangent = catheter.arc_tip(1 / 25, 0.0, 25 * np.pi / 2)
    np.testing.assert_allclose(tip + 20 * tangent, [45, 0, 25], atol=1e-9)


def test_straight_is_the_limit_of_the_arc():
    tip, tangent = catheter.arc_tip(0.0, 1.0, 30.0)
    np.testing.assert_allclose(tip, [0, 0, 30])
    np.testing.assert_allclose(tangent, [0, 0, 1])
    near, _ = catheter.arc_tip(1e-9, 1.0, 30.0)
    np.testing.assert_allclose(near, tip, atol=1e-6)
    assert catheter.arc_from_tip([0, 0, 30]) == (0.0, 0.0, 30.0)


def _directions():
    return st.tuples(*[st.floats(-1, 1)] * 3).filter(lambda v: np.linalg.norm(v) > 0.1)


@given(st.floats(3, 200), st.floats(1, 350), st.floats(-np.pi, np.pi))
def test_forward_and_inverse_are_one_another(radius, turn_deg, plane):
    length = radius * np.deg2rad(turn_deg)
    tip, _ = catheter.arc_tip(1 / radius, plane, length)
    k, phi, back = catheter.arc_from_tip(tip)
    assert (1 / k, back) == pytest.approx((radius, length), rel=1e-6)
    assert np.cos(phi - plane) == pytest.approx(1, abs=1e-9)


@given(_directions(), _directions(), st.floats(5, 80))
def test_an_arc_in_space_starts_and_ends_where_it_should(forward, toward, distance):
    forward = np.array(forward) / np.linalg.norm(forward)
    toward = np.array(toward) / np.linalg.norm(toward)
    if forward @ toward < -0.95:
        return
    start = np.array([10.0, -150, 650])
    end = start + distance * toward
    arc = catheter.single_arc(start, forward, end)
    np.testing.assert_allclose(arc.path_lps[0], start, atol=1e-9)
    np.testing.assert_allclose(arc.path_lps[-1], end, atol=1e-6)
    # the chord halves the turn: tangent-chord theorem (Euclid III.32)
    angle = np.degrees(np.arctan2(np.linalg.norm(np.cross(forward, toward)), forward @ toward))
    assert arc.turn_deg == pytest.approx(2 * angle, abs=1e-4)
    mirrored = 2 * (forward @ toward) * toward - forward
    np.testing.assert_allclose(arc.end_direction_lps, mirrored, atol=1e-6)
    steps = np.linalg.norm(np.diff(arc.path_lps, axis=0), axis=1)
    assert steps.sum() == pytest.approx(arc.length_mm, rel=2e-3)


def test_no_arc_leads_straight_back():
    with pytest.raises(ValueError, match="behind"):
        catheter.single_arc([0, 0, 0], [0, 0, 1], [0, 0, -10])


@pytest.mark.parametrize(
    ("e", "height", "run"), [(0, 35.0, 20.0), (15, 34.3185, 25.1764), (30, 32.3205, 30.0)]
)
def test_height_a_bend_needs(e, height, run):
    # plane trigonometry: r cos e + s and r (1 + sin e), r = 20, s = 15
    assert catheter.height_needed_mm(20, 15, e) == pytest.approx((height, run), abs=6e-5)
    # the same by bending the published arc: start e above the plane, turn by 90 + e
    turn = np.deg2rad(90 + e)
    tip, tangent = catheter.arc_tip(1 / 20, 0.0, 20 * turn)
    c, s = np.cos(np.deg2rad(e)), np.sin(np.deg2rad(e))
    assert [c * tip[0] - s * tip[2] + 15, s * tip[0] + c * tip[2]] == pytest.approx([height, run], abs=6e-5)
    end = [s * tangent[0] + c * tangent[2], c * tangent[0] - s * tangent[2]]
    assert end == pytest.approx([0, 1], abs=1e-12)
    assert catheter.height_needed_mm(20, 15, e, straight_before_mm=10)[0] == pytest.approx(
        height - 10 * np.sin(np.deg2rad(e)), abs=6e-5
    )


def test_crossing_direction_has_the_sheath_angle_to_the_cava_and_lies_with_the_normal():
    septum, cava = -beam(*VIEWS["septum_en_face"]), beam(*VIEWS["inferior_cava_en_face"])
    d = catheter.crossing_direction(cava, septum, sheath_angle_deg=50)
    assert catheter.angle_deg(d, cava) == pytest.approx(50)
    assert np.linalg.det(np.stack([d, cava, septum])) == pytest.approx(0, abs=1e-12)
    # mean views (Xiong et al., doi 10.4244/EIJ-D-19-00618): the cava stands 75.471 degrees off the normal
    assert catheter.angle_deg(cava, septum) == pytest.approx(75.471, abs=6e-4)
    assert catheter.angle_deg(d, septum) == pytest.approx(75.471 - 50, abs=6e-4)


def test_a_cava_straight_at_the_septum_gives_no_direction():
    with pytest.raises(AnatomyNotFound, match=r"inferior_vena_cava landmarks and the fossa landmark\.$"):
        catheter.crossing_direction([0, 0, 1], [0, 0.01, 1])


def _reach(scene, name="edge-to-edge-functional", **more):
    fossa, annulus, chambers, marks = scene.common()
    cava = marks["inferior_vena_cava"]
    crossing = catheter.crossing_direction(cava[0] - cava[1], fossa.normal_lps)
    given = {"goal": valve_middle(annulus), "left_atrium": chambers.distance["left_atrium"], **more}
    return catheter.reach(fossa.center_lps, crossing, fossa.normal_lps, annulus, procedure(name), **given)


def test_reach_follows_from_the_chord(high_septum):
    fossa, annulus = high_septum.fossa, high_septum.annulus
    r = _reach(high_septum)
    chord = annulus.center_lps - fossa.center_lps
    half = np.deg2rad(catheter.angle_deg(r.crossing_direction, chord))
    assert r.arc_turn_deg == pytest.approx(np.degrees(2 * half))
    assert r.bend_radius_mm == pytest.approx(np.linalg.norm(chord) / (2 * np.sin(half)))
    assert r.entry_angle_deg == pytest.approx(75 - 50, abs=3)
    assert r.turn_angle_deg == pytest.approx(catheter.angle_deg(r.crossing_direction, [0, 0, -1]))
    last = r.path_lps[-1] - r.path_lps[-2]
    assert r.axis_tilt_deg == pytest.approx(catheter.angle_deg(last, [0, 0, -1]), abs=0.5)


def test_clearance_to_a_spherical_wall(high_septum):
    # the wall left over is the sphere beyond 10 mm of the puncture; the arc's own points give the truth
    r = _reach(high_septum)
    center, radius = np.array([0.0, 0, 22]), 30.0
    path = r.path_lps[np.linalg.norm(r.path_lps - r.path_lps[0], axis=1) > 3]
    path = path[path[:, 2] > 0]
    rng = np.random.default_rng(0)
    wall = rng.normal(size=(200_000, 3))
    wall = center + radius * wall / np.linalg.norm(wall, axis=1, keepdims=True)
    wall = wall[(wall[:, 2] > 0) & (np.linalg.norm(wall - r.path_lps[0], axis=1) > 10)]
    truth = min(np.linalg.norm(wall - p, axis=1).min() for p in path)
    assert r.clearance_mm == pytest.approx(truth, abs=0.8)  # one voxel of the field
    assert r.clearance_sd_mm > 0


def test_what_cannot_be_assessed_says_why(high_septum):
    r = _reach(high_septum, goal=None, name="appendage-closure")
    assert r.reachable is None
    assert r.bend_radius_mm is None
    assert "landmark left_atrial_appendage is missing" in r.not_assessed[0]
    r = _reach(high_septum, left_atrium=None)
    assert r.clearance_mm is None
    assert "left atrium was not found" in r.not_assessed[0]
    r = _reach(high_septum, goal=None, name="left-atrial-access")
    assert "no single one" in r.not_assessed[0]


def test_a_bend_too_tight_is_said_in_a_sentence(low_septum):
    near = low_septum.fossa.center_lps + np.array([10.0, 0, -12])
    r = _reach(low_septum, goal=replace(valve_middle(low_septum.annulus), point_lps=near))
    assert r.reachable is False
    assert any("tighter than" in s for s in r.limits)
    assert any("off the axis" in s for s in r.limits)
    assert all(s.endswith(".") for s in r.limits)
