"""Steering to a valve: the closed planar case, limits with known answers, many points at once."""

import time

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from septal_planner.puncture import catheters
from septal_planner.puncture.body_clearance import body_room
from septal_planner.puncture.paths import crossing_of
from septal_planner.puncture.place import membrane_points
from septal_planner.puncture.reach_solver import ReachLimits, reach_of, solve_reach


def figure(value):
    return catheters.Figure(float(value), "invented", "memory")


def catheter(*bends, straight=15.0, width=4.0, plane=90.0):
    """Bends as (low, high radius, largest deflection)."""
    made = [
        catheters.Bend(catheters.Span(low, high, "invented", "memory"), catheters.Span(0, top, "invented", "memory"),
                       figure(plane if n else 0))
        for n, (low, high, top) in enumerate(bends)
    ]
    return catheters.SteerableCatheter(
        "invented", "Invented", figure(width), figure(straight), figure(700), tuple(made)
    )


# ----------------------------------------------------------------------------------------------------------------------
# the planar case in closed form


@pytest.mark.parametrize(("e", "height", "run"), [(0, 35.0, 20.0), (15, 34.3185, 25.1764), (30, 32.3205, 30.0)])
def test_the_least_height_is_reached_with_the_tightest_bend(e, height, run):
    # plane trigonometry, r = 20, s = 15: r cos e + s and r (1 + sin e)
    c, s = np.cos(np.deg2rad(e)), np.sin(np.deg2rad(e))
    turned = Rotation.from_euler("xyz", [20, 35, 50], degrees=True)
    goal = np.array([-12.0, -150, 640])
    start = goal + turned.apply([-run, 0, height])
    found = solve_reach(start, turned.apply([c, 0, s]), goal, turned.apply([0, 0, -1]), catheter((20, 60, 180)))
    assert found.reachable[0]
    assert found.offset_mm[0] < 0.01
    assert found.tilt_deg[0] < 0.01
    assert found.advance_mm[0] == pytest.approx(0, abs=0.01)
    assert found.radius_mm[0, 0] == pytest.approx(20, abs=0.01)
    assert found.deflection_deg[0, 0] == pytest.approx(90 + e, abs=0.01)
    assert found.plane_deg[0] == pytest.approx(0, abs=0.01)
    assert found.length_mm[0] == pytest.approx(20 * np.deg2rad(90 + e) + 15, abs=0.02)
    # a millimetre lower the same catheter is a millimetre short along the axis, in the best case
    lower = solve_reach(
        start - turned.apply([0, 0, 1]), turned.apply([c, 0, s]), goal, turned.apply([0, 0, -1]),
        catheter((20, 60, 180)), limits=ReachLimits(offset_mm=0.0),
    )
    assert not lower.reachable[0]


@pytest.mark.parametrize("before", [5.0, 12.0])
def test_a_straight_part_before_the_bend_gains_its_rise(before):
    # h = r cos e + s - s0 sin e with r = 20, s = 15, e = 30
    c, s = np.cos(np.pi / 6), np.sin(np.pi / 6)
    start = np.array([-(20 * (1 + s) + before * c), 0, 20 * c + 15 - before * s])
    found = solve_reach(start, [c, 0, s], [0, 0, 0], [0, 0, -1], catheter((20, 60, 180)))
    assert found.advance_mm[0] == pytest.approx(before, abs=0.01)
    assert found.offset_mm[0] < 0.01
    assert found.tilt_deg[0] < 0.01
    assert found.radius_mm[0, 0] == pytest.approx(20, abs=0.01)


def test_two_planes_reach_what_lies_beside_the_first():
    # 8 mm out of the plane of crossing and axis: one bend is left with 8 mm, two planes at right angles with none
    start, d, axis = [-32.0, 8, 40], [1.0, 0, 0], [0.0, 0, -1]
    strict = ReachLimits(offset_mm=10.0)
    one = solve_reach(start, d, [0, 0, 0], axis, catheter((12, 60, 150)), limits=strict)
    assert one.tilt_deg[0] < 1e-9
    assert one.offset_mm[0] == pytest.approx(8, abs=1e-6)
    two = solve_reach(start, d, [0, 0, 0], axis, catheter((12, 60, 150), (10, 60, 90)), limits=strict)
    assert two.tilt_deg[0] < 0.01
    assert two.offset_mm[0] < 0.01


def test_a_limited_deflection_leaves_its_rest_as_tilt():
    # the axis stands 90 degrees off, the bend gives 70: at least 20 remain (triangle inequality on the sphere)
    found = solve_reach([-20.0, 0, 35], [1.0, 0, 0], [0, 0, 0], [0, 0, -1], catheter((5, 60, 70)),
                        limits=ReachLimits(tilt_deg=25, offset_mm=40))
    assert found.tilt_deg[0] == pytest.approx(20, abs=1e-3)
    assert found.spare_deflection_deg[0, 0] == pytest.approx(0, abs=1e-6)
    assert found.spare_tilt_deg[0] == pytest.approx(5, abs=1e-3)


# ----------------------------------------------------------------------------------------------------------------------
# walls


@pytest.fixture(scope="module")
def room(high_septum):
    d = high_septum.chambers.distance
    return body_room(d["left_atrium"], high_septum.annulus, aorta=d["aorta"])


def test_a_body_too_wide_is_said_not_to_fit(high_septum, room):
    fossa, annulus = high_septum.fossa, high_septum.annulus
    d = crossing_of(high_septum.landmarks, fossa, sheath_angle_deg=50)
    wide = catheter((20, 60, 160), width=44.0)
    found = solve_reach(fossa.center_lps, d, annulus.center_lps, -annulus.normal_lps, wide, room=room)
    one = reach_of(found, 0, room=room)
    assert not one.reachable
    assert any("Its body reaches" in s for s in one.why_not)
    without = solve_reach(fossa.center_lps, d, annulus.center_lps, -annulus.normal_lps, wide)
    assert without.reachable[0]
    assert np.isnan(without.clearance_mm[0])
    assert reach_of(without, 0).clearance_mm is None


def test_limits_that_are_none_are_refused():
    with pytest.raises(ValueError, match="negative"):
        ReachLimits(tilt_deg=-1)


# ----------------------------------------------------------------------------------------------------------------------
# over a membrane


@pytest.mark.parametrize("name", ["valve-delivery-one-plane", "large-guide-two-plane"])
def test_a_map_says_what_each_of_its_points_says(low_septum, name):
    # many points share their searches; each alone is searched in full
    fossa, annulus = low_septum.fossa, low_septum.annulus
    own = catheters.steerable_catheter(name)
    d = low_septum.chambers.distance
    space = body_room(d["left_atrium"], annulus, aorta=d["aorta"])
    crossing = crossing_of(low_septum.landmarks, fossa, sheath_angle_deg=50)
    points = membrane_points(fossa)
    asked = ReachLimits(tilt_deg=30, offset_mm=4, clearance_mm=2)
    began = time.process_time()
    whole = solve_reach(points, crossing, annulus.center_lps, -annulus.normal_lps, own, limits=asked, room=space)
    spent = time.process_time() - began
    assert len(points) > 500
    assert spent < 15  # a generous end for a busy machine; some 0.5 s on one core left alone
    for i in range(0, len(points), 101):
        alone = solve_reach(points[i], crossing, annulus.center_lps, -annulus.normal_lps, own, limits=asked, room=space)
        assert alone.reachable[0] == whole.reachable[i]
        if alone.reachable[0]:
            assert whole.tilt_deg[i] == pytest.approx(alone.tilt_deg[0], abs=0.1)
