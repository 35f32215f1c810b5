"""Many arcs at once, and their room to the wall, against single arcs, closed form and brute force."""

import tomllib
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial import cKDTree

from septal_planner.geometry import curves
from septal_planner.puncture import catheter, target
from septal_planner.puncture.arcs import angles_deg, arcs_between
from septal_planner.puncture.clearance import NEAR_PUNCTURE_MM, NEAR_SEPTUM_MM, AtrialWall, Room
from septal_planner.puncture.place import membrane_points
from septal_planner.puncture.procedures import procedure

ARCS = tomllib.loads(
    (Path(__file__).parents[1] / "reference" / "webster_jones_2010" / "arcs.toml").read_text("utf-8")
)


def random_arcs(scene, n=40, seed=0):
    rng = np.random.default_rng(seed)
    points = membrane_points(scene.fossa)
    start = points[rng.integers(0, len(points), n)]
    forward = scene.fossa.normal_lps + 0.3 * rng.normal(size=(n, 3))
    return start, forward, scene.annulus.center_lps + 5 * rng.normal(size=(n, 3))


def test_many_arcs_are_the_single_ones(high_septum):
    start, forward, end = random_arcs(high_septum)
    arcs = arcs_between(start, forward, end)
    points, begin = arcs.sampled()
    for i in range(len(start)):
        one = catheter.single_arc(start[i], forward[i], end[i])
        assert arcs.radius_mm[i] == pytest.approx(one.radius_mm)
        assert arcs.turn_deg[i] == pytest.approx(one.turn_deg)
        assert arcs.length_mm[i] == pytest.approx(one.length_mm)
        np.testing.assert_allclose(arcs.end_direction_lps[i], one.end_direction_lps, atol=1e-12)
        np.testing.assert_allclose(points[begin[i] : begin[i + 1]], one.path_lps, atol=1e-12)


def test_straight_and_impossible_arcs():
    ends = np.array([[0.0, 0, 30], [0, 0, -30], [0, 0, 0]])
    arcs = arcs_between([0, 0, 0], [0, 0, 1], ends)
    assert np.isinf(arcs.radius_mm[0])
    assert arcs.length_mm[0] == 30
    np.testing.assert_array_equal(arcs.end_direction_lps[0], [0, 0, 1])
    assert np.isnan(arcs.radius_mm[1:]).all()
    assert np.isnan(arcs.end_direction_lps[1:]).all()


def test_arcs_of_the_published_formula():
    # Webster & Jones 2010, doi 10.1177/0278364910368147: tip back to radius and turn
    for example in ARCS["arc"]:
        arcs = arcs_between([0, 0, 0], [0, 0, 1], example["tip"])
        assert arcs.radius_mm[0] == pytest.approx(example["radius_mm"], rel=1e-5)
        assert arcs.turn_deg[0] == pytest.approx(example["turn_deg"], rel=1e-5)


def test_angles_are_those_one_by_one():
    a, b = np.random.default_rng(3).normal(size=(2, 20, 3))
    np.testing.assert_allclose(angles_deg(a, b), [catheter.angle_deg(x, y) for x, y in zip(a, b, strict=True)])


def test_room_of_many_arcs_is_the_least_distance_of_all_their_samples(high_septum, low_septum):
    for scene in (high_septum, low_septum):
        start, forward, end = random_arcs(scene, seed=5)
        wall = AtrialWall.of(scene.annulus, scene.chambers.distance["left_atrium"])
        points, begin = arcs_between(start, forward, end).sampled()
        found = wall.clearances_mm(points, begin, start)
        near_valve = scene.annulus.saddle_height_mm / 2 + 3.0
        for i, at in enumerate(start):
            path = points[begin[i] : begin[i + 1]]
            along = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
            free = path[(along >= NEAR_SEPTUM_MM) & (path[:, 2] > 0)]
            left = wall.wall_lps[np.linalg.norm(wall.wall_lps - at, axis=1) > NEAR_PUNCTURE_MM]
            outside = wall.left_atrium.at(free)
            away = (outside > 0) & (free[:, 2] >= near_valve) & (np.linalg.norm(free - at, axis=1) > NEAR_PUNCTURE_MM)
            least = -outside[away].max() if away.any() else cKDTree(left).query(free)[0].min()
            assert found[i] == pytest.approx(least, abs=1e-9)
            assert Room(wall, at).clearance_mm(path) == pytest.approx(least, abs=1e-9)


def test_a_straight_way_through_a_sphere_has_its_room_in_closed_form(high_septum):
    # along a diameter the wall of a sphere is nearest at the end that is not left out: here 12 mm before the far wall
    scene = high_septum
    center, radius = np.array([0.0, 0, 22]), 30.0
    start = center + radius * np.array([-1.0, 0, 0])
    end = center + (radius - 12.0) * np.array([1.0, 0, 0])
    wall = AtrialWall.of(scene.annulus, scene.chambers.distance["left_atrium"])
    points, begin = arcs_between(start, end - start, end).sampled()
    # near its start it is the rim of what is left out, 10 mm around the puncture, that is nearest
    chord = 2 * np.arcsin(NEAR_PUNCTURE_MM / (2 * radius))
    rim = center + radius * np.array([-np.cos(chord), np.sin(chord), 0])
    truth = min(12.0, min(np.linalg.norm(p - rim) for p in points if p[0] - start[0] >= NEAR_SEPTUM_MM))
    assert wall.clearances_mm(points, begin, start[None])[0] == pytest.approx(truth, abs=0.3)


def test_a_path_that_is_not_known_spoils_no_other(high_septum):
    start, forward, end = random_arcs(high_septum, n=3)
    wall = AtrialWall.of(high_septum.annulus, high_septum.chambers.distance["left_atrium"])
    end[1] = start[1]
    points, begin = arcs_between(start, forward, end).sampled()
    found = wall.clearances_mm(points, begin, start)
    assert np.isnan(found[1])
    assert np.isfinite(found[[0, 2]]).all()


def test_membrane_points_are_those_inside_the_rim(high_septum):
    fossa = high_septum.fossa
    points = membrane_points(fossa)
    uv = fossa.patch.uvw(points)[:, :2]
    u, v = np.meshgrid(fossa.patch.u_mm, fossa.patch.v_mm)
    rim = fossa.patch.uvw(fossa.rim_lps)[:, :2]
    inside = curves.inside_closed(np.stack([u, v], axis=-1), rim) & fossa.membrane
    np.testing.assert_allclose(uv, np.stack([u[inside], v[inside]], axis=-1), atol=1e-9)


def test_another_point_on_a_prepared_septum_is_said_as_if_alone(high_septum):
    approach = target.prepare_approach(*high_septum.common(), procedure("left-atrial-access"))
    for name in ("edge-to-edge-functional", "mitral-valve-in-ring", "left-atrial-access"):
        approach = approach.for_procedure(procedure(name))
        for i in (10, 300):
            p = approach.candidates_lps[i]
            alone = target.evaluate_site(p, *high_septum.common(), procedure(name))
            again = target.evaluate_on(approach, p)
            assert again.checks == alone.checks
            assert again.height_interval_95_mm == alone.height_interval_95_mm
            assert again.reach.clearance_sd_mm == alone.reach.clearance_sd_mm
        given = approach.candidates_lps[10] + 0.8 * high_septum.fossa.normal_lps
        np.testing.assert_array_equal(
            target.snap_on(approach, given)[0], target.snap_user_target(given, high_septum.fossa)[0]
        )
