"""Where the device is to be: closed forms, and the spread of repeated marking."""

import numpy as np
import pytest
import septal_phantoms
from scipy.spatial.transform import Rotation
from septal_phantoms.assembly import build_heart
from septal_phantoms.catalogue import shape_of
from septal_phantoms.phantom import landmarks_of

from septal_planner.anatomy.annulus import measure_annulus, plane_covariance
from septal_planner.geometry.planes import plane_axes
from septal_planner.puncture import target
from septal_planner.puncture.arcs import angles_deg
from septal_planner.puncture.catheter_way import catheter_way
from septal_planner.puncture.catheters import steerable_catheter
from septal_planner.puncture.choice import choose_from_map
from septal_planner.puncture.device_point import commissures, device_point_of, valve_middle
from septal_planner.puncture.doubt_sources import draw
from septal_planner.puncture.membrane_map import map_membrane, map_points
from septal_planner.puncture.procedures import procedure

FOSSA = np.array([-12.3, -152.7, 641.9])
TURN = Rotation.from_euler("xyz", [25, -40, 70], degrees=True).as_matrix()


@pytest.fixture(scope="module")
def heart():
    heart = build_heart(shape_of("normal", None)[0], FOSSA)
    marks = landmarks_of(heart, septal_phantoms.Truth(heart), 0, 0.0)
    return heart, marks, _ring(marks)


def _ring(marks):
    return measure_annulus(
        marks["mitral_annulus"], atrium_point_lps=marks["left_atrium"][0], aorta_point_lps=marks["aorta"][0]
    )


def test_the_middle_of_the_valve_along_its_axis(heart):
    _, marks, ring = heart
    for name in ("edge-to-edge-functional", "mitral-valve-in-valve", "mitral-valve-in-calcified-annulus"):
        found = device_point_of(procedure(name), ring, marks)
        np.testing.assert_array_equal(found.point_lps, ring.center_lps)
        np.testing.assert_array_equal(found.axis_lps, -ring.normal_lps)
    assert device_point_of(procedure("left-atrial-access"), ring, marks) is None
    assert device_point_of(procedure("paravalvular-leak-medial"), ring, marks) is None


def test_commissures_of_the_annulus_are_its_wide_ends_medial_at_the_right(heart):
    # closed form of the phantom's annulus: x = +-a at both ends of its intercommissural diameter. The posteromedial
    # commissure lies nearer to the septum, the anterolateral nearer to the appendage (anatomy, common practice).
    body, marks, ring = heart
    medial, lateral, notes = commissures(ring, marks)
    ends = body.mitral.curve_lps(np.array([0.0, np.pi]))
    for found in (medial, lateral):
        assert np.linalg.norm(ends - found, axis=1).min() < 3.0  # along a flat stretch of the ring
    assert np.linalg.norm(medial - lateral) == pytest.approx(2 * body.mitral.a, rel=0.02)
    fossa, appendage = marks["fossa"][0], marks["left_atrial_appendage"][0]
    assert np.linalg.norm(medial - fossa) < np.linalg.norm(lateral - fossa)
    assert np.linalg.norm(lateral - appendage) < np.linalg.norm(medial - appendage)
    assert medial[0] < lateral[0]  # more to the patient's right
    assert len(notes) == 1
    assert "not marked" in notes[0]


def test_commissures_as_marked_and_one_across_the_other(heart):
    _, marks, ring = heart
    medial, lateral, _ = commissures(ring, marks)
    both = {**marks, "commissure_medial": medial + 1.0, "commissure_lateral": lateral}
    found = commissures(ring, both)
    np.testing.assert_array_equal(found[0], medial + 1.0)
    assert found[2] == ()
    one = commissures(ring, {**marks, "commissure_lateral": lateral})
    np.testing.assert_allclose(one[0], medial, atol=0.1)  # the line through the middle, from its other end
    assert "The medial commissure" in one[2][0]


def test_targets_on_the_line_of_coaptation():
    # a round ring of 15 mm in the plane z = 0, aorta toward +y, atrium above: medial is at the right seen from above
    turn = np.arange(12) * np.pi / 6
    ring = measure_annulus(
        np.stack([18 * np.cos(turn), 14 * np.sin(turn), 0 * turn], axis=-1), atrium_point_lps=[0, 0, 20],
        aorta_point_lps=[0, 30, 5],
    )
    marks = {"commissure_medial": [[16.0, -2.0, 1.0]], "commissure_lateral": [[-16.0, 0.0, 1.0]]}
    medial, central, lateral = (
        device_point_of(procedure(f"edge-to-edge-{n}"), ring, marks) for n in ("medial", "central", "lateral")
    )
    np.testing.assert_allclose(medial.point_lps, [16 - 32 / 6, -2 + 2 / 6, 1], atol=1e-9)
    np.testing.assert_allclose(central.point_lps, [0, -1, 1], atol=1e-9)
    np.testing.assert_allclose(lateral.point_lps, [-16 + 32 / 6, -2 / 6, 1], atol=1e-9)
    np.testing.assert_allclose([p.axis_lps for p in (medial, central, lateral)], [[0, 0, -1]] * 3, atol=1e-9)
    # a parabola through both ends and the marked coaptation, 8 mm below the plane in the middle: 5/9 of its depth
    # below the chord a sixth of the way along, since 4 (1/6) (5/6) = 5/9
    bent = {**marks, "leaflet_coaptation": [[0.0, -5.0, -8.0]]}
    found = device_point_of(procedure("edge-to-edge-central"), ring, bent)
    np.testing.assert_allclose(found.point_lps[1:], [-5, -8], atol=0.1)
    found = device_point_of(procedure("edge-to-edge-medial"), ring, bent)
    np.testing.assert_allclose(found.point_lps[2], 1 - 9 * 5 / 9, atol=0.15)


def test_a_leak_of_two_points_has_the_way_through_it(heart):
    _, marks, ring = heart
    mouth, through = np.array([30.0, -150, 640]), np.array([33.0, -146, 628])
    found = device_point_of(procedure("paravalvular-leak-medial"), ring, {**marks, "leak": [mouth, through]})
    np.testing.assert_array_equal(found.point_lps, mouth)
    np.testing.assert_allclose(found.axis_lps, np.array([3, 4, -12]) / 13, atol=1e-12)  # 3-4-12-13
    assert found.notes == ()
    for leak in ([mouth], [mouth, mouth + 0.5], [mouth, through, through + 3]):
        stood_in = device_point_of(procedure("paravalvular-leak-medial"), ring, {**marks, "leak": leak})
        np.testing.assert_allclose(stood_in.axis_lps, -ring.normal_lps)
        np.testing.assert_allclose(stood_in.point_lps, np.mean(leak, axis=0))
        assert "stands in" in stood_in.notes[0]


@pytest.mark.parametrize("turns", [[0, 100, 220], [0, 60, 120, 180, 240, 300], [10, 50, 170, 200, 310]])
def test_the_ostium_of_the_appendage_is_a_ring(turns):
    # a circle of 11 mm, oblique: its own middle and axis, however unevenly it was marked
    center, axis = np.array([40.0, -160, 660]), TURN[:, 2]
    t = np.deg2rad(turns)
    marked = center + 11 * (np.cos(t)[:, None] * TURN[:, 0] + np.sin(t)[:, None] * TURN[:, 1])
    flat = measure_annulus(
        [[18 * np.cos(a), 14 * np.sin(a), 0] for a in np.arange(12) * np.pi / 6], atrium_point_lps=[0, 0, 20]
    )
    marks = {"left_atrial_appendage": marked, "left_atrium": [center - 30 * axis + 5 * TURN[:, 0]]}
    found = device_point_of(procedure("appendage-closure"), flat, marks)
    np.testing.assert_allclose(found.point_lps, center, atol=1e-9)
    np.testing.assert_allclose(found.axis_lps, axis, atol=1e-9)
    assert found.notes == ()
    marks["left_atrium"] = [center + 30 * axis]
    np.testing.assert_allclose(device_point_of(procedure("appendage-closure"), flat, marks).axis_lps, -axis, atol=1e-9)


@pytest.mark.parametrize(
    ("offsets", "why"),
    [([[0, 0, 0]], "fewer than three"), ([[0, 0, 0], [5, 5, 5]], "fewer than three"),
     ([[0, 0, 0], [6, 6, 6], [12, 12, 12.1]], "on one line")],
)
def test_what_gives_the_appendage_no_axis_is_said(heart, offsets, why):
    _, marks, ring = heart
    at = marks["left_atrial_appendage"][0] + np.array(offsets, dtype=float)
    found = device_point_of(procedure("appendage-closure"), ring, {**marks, "left_atrial_appendage": at})
    assert found.axis_lps is None
    np.testing.assert_allclose(found.point_lps, at.mean(axis=0))
    assert why in found.no_axis
    assert found.no_axis.endswith(".")


def test_marks_along_half_the_ostium_give_their_mean(heart):
    _, marks, ring = heart
    t = np.deg2rad([0, 40, 80, 120])
    at = marks["left_atrial_appendage"][0] + 10 * np.stack([np.cos(t), np.sin(t), 0.2 * np.cos(t)], axis=-1)
    found = device_point_of(procedure("appendage-closure"), ring, {**marks, "left_atrial_appendage": at})
    np.testing.assert_allclose(found.point_lps, at.mean(axis=0))
    assert found.axis_lps is not None
    assert "do not go all around" in found.notes[0]


CASES = {
    "leak": ("paravalvular-leak-lateral", {"leak": np.array([[30.0, -150, 640], [33, -146, 628]])}),
    "ostium": ("appendage-closure", {}),
    "marked": ("edge-to-edge-medial", {"commissure_medial": np.array([[20.0, -160, 621]]),
                                       "commissure_lateral": np.array([[33.0, -166, 652]])}),
    "derived": ("edge-to-edge-lateral", {}),
}


@pytest.mark.parametrize("case", CASES)
def test_the_doubt_is_the_spread_of_repeated_marking(heart, case):
    # by trial, as in JCGM 101:2008, 7: every point off by 1 mm along each axis, all worked out again
    _, marks, ring = heart
    name, more = CASES[case]
    wanted, marks = procedure(name), {**marks, **more}
    if case == "ostium":  # five marks around the mouth, 10 mm from its middle
        mouth = marks["left_atrial_appendage"][0]
        u, v = plane_axes(mouth - marks["left_atrium"][0])
        t = np.deg2rad([0, 60, 140, 220, 290])[:, None]
        marks["left_atrial_appendage"] = mouth + 10 * (np.cos(t) * u + np.sin(t) * v)
    stated = device_point_of(wanted, ring, marks)
    rng, found = np.random.default_rng(3), []
    for _ in range(150):
        noisy = {k: v + rng.normal(0, 1, v.shape) for k, v in marks.items() if k not in ("left_atrium", "aorta")}
        noisy |= {k: marks[k] for k in ("left_atrium", "aorta")}
        again = device_point_of(wanted, _ring(noisy), noisy, landmark_sd_mm=0.0)
        found.append(np.concatenate([again.point_lps, again.axis_lps]))
    spread = np.cov(np.array(found), rowvar=False)
    plane = plane_covariance(ring, point_sd_mm=1.0)
    told = stated.by_plane @ plane @ stated.by_plane.T + stated.own_covariance
    for part in (slice(0, 3), slice(3, 6)):
        assert np.sqrt(np.trace(told[part, part])) == pytest.approx(np.sqrt(np.trace(spread[part, part])), rel=0.2)


def test_tilt_counts_against_the_targets_own_axis(high_septum):
    fossa, annulus, chambers, marks = high_septum.common()
    p = fossa.center_lps
    leak = np.array([[12.0, 3, 1], [15, 1, -8]])
    own = {**marks, "leak": leak}
    approach = target.prepare_approach(fossa, annulus, chambers, own, procedure("paravalvular-leak-lateral"))
    site = target.evaluate_on(approach, p)
    last = site.reach.path_lps[-1] - site.reach.path_lps[-2]
    assert site.reach.axis_tilt_deg == pytest.approx(float(angles_deg(last, leak[1] - leak[0])), abs=0.5)
    mapped = map_points(approach, p[None])
    assert mapped.layer("axis_tilt").values[0] == pytest.approx(site.reach.axis_tilt_deg)
    # the turn stays that into the valve, as it is defined
    assert site.reach.turn_angle_deg == pytest.approx(float(angles_deg(approach.crossing_lps, -annulus.normal_lps)))
    # the doubt of the axis by linear propagation is that of the draws
    drawn = draw(approach, draws=4000, sources=("landmarks",))
    assert drawn.axis.std(axis=0) == pytest.approx(np.sqrt(np.diag(approach.covariance)[15:]), rel=0.06, abs=1e-9)
    assert drawn.structure_lps.std(axis=0) == pytest.approx([1, 1, 1], rel=0.06)
    one = approach.for_procedure(procedure("edge-to-edge-functional"))
    np.testing.assert_array_equal(one.axis_lps, valve_middle(annulus).axis_lps)


def test_without_an_axis_the_tilt_is_not_assessed_and_does_not_choose(high_septum):
    fossa, annulus, chambers, marks = high_septum.common()
    own = {**marks, "left_atrial_appendage": [[20.0, 14, 20]]}
    approach = target.prepare_approach(fossa, annulus, chambers, own, procedure("appendage-closure"))
    choice = choose_from_map(approach, map_membrane(approach, spacing_mm=2.0))
    assert "axis_tilt" not in choice.candidates[0].sentence
    assert np.isfinite(choice.candidates[0].overall)
    site = target.evaluate_on(approach, choice.candidates[0].point_lps)
    assert site.reach.axis_tilt_deg is None
    check = next(c for c in site.checks if c.name == "axis_tilt")
    assert check.status == "not assessed"
    assert "fewer than three points" in check.why
    assert any("fewer than three points" in s for s in site.reach.not_assessed)
    layer = map_points(approach, site.target_lps[None]).layer("axis_tilt")
    assert np.isnan(layer.values).all()
    assert not layer.counts
    assert "fewer than three points" in layer.why_not


def test_the_wall_about_an_opening_is_no_obstacle(high_septum):
    # the atrium is a sphere: its points beyond 10 mm of the puncture and beyond the mouth's marks are the wall
    fossa, annulus, chambers, marks = high_septum.common()
    center, radius = np.array([0.0, 0, 22]), 30.0
    out = np.array([0.62, -0.65, 0.44])
    out /= np.linalg.norm(out)
    u, v = plane_axes(out)
    mouth = center + np.sqrt(radius**2 - 9.0**2) * out
    t = np.deg2rad([0, 70, 150, 210, 300])[:, None]
    own = {**marks, "left_atrium": center[None], "left_atrial_appendage": mouth + 9 * (np.cos(t) * u + np.sin(t) * v)}
    approach = target.prepare_approach(fossa, annulus, chambers, own, procedure("appendage-closure"))
    np.testing.assert_allclose(approach.structure_lps, mouth, atol=1e-9)
    site = target.evaluate_on(approach, fossa.center_lps)
    path = site.reach.path_lps
    np.testing.assert_allclose(path[-1], mouth, atol=1e-6)
    path = path[(np.linalg.norm(path - path[0], axis=1) > 3) & (path[:, 2] > 0)]
    path = path[np.linalg.norm(path - mouth, axis=1) > 11]
    wall = np.random.default_rng(0).normal(size=(200_000, 3))
    wall = center + radius * wall / np.linalg.norm(wall, axis=1, keepdims=True)
    away = [np.linalg.norm(wall - p, axis=1) for p in (fossa.center_lps, mouth)]
    wall = wall[(wall[:, 2] > 0) & (away[0] > 10) & (away[1] > 11)]
    truth = min(np.linalg.norm(wall - p, axis=1).min() for p in path)
    assert site.reach.clearance_mm == pytest.approx(truth, abs=0.8)  # one voxel of the field
    assert site.reach.clearance_mm > 5
    # another procedure finds the wall closed again
    valve = approach.for_procedure(procedure("edge-to-edge-functional"))
    again = target.prepare_approach(fossa, annulus, chambers, own, procedure("edge-to-edge-functional"))
    assert len(valve.wall.wall_lps) == len(again.wall.wall_lps) > len(approach.wall.wall_lps)
    back = valve.for_procedure(procedure("appendage-closure"))
    assert target.evaluate_on(back, fossa.center_lps).reach.clearance_mm == site.reach.clearance_mm


def test_a_catheters_body_may_end_in_the_opening(high_septum):
    fossa, annulus, chambers, marks = high_septum.common()
    own = {**marks, "leak": [[13.0, 9, 2], [15, 10, -6]]}
    approach = target.prepare_approach(fossa, annulus, chambers, own, procedure("paravalvular-leak-lateral"))
    way = catheter_way(approach, steerable_catheter("steerable-sheath-medium-curve"))
    np.testing.assert_allclose(way.axis_lps, np.array([2, 1, -8]) / np.sqrt(69), atol=1e-12)
    assert way.on_axis
    found = way.at(fossa.center_lps)
    # the sphere's closed form along the way found, away from both holes, of a body 3.83 mm wide
    share = np.linspace(0, len(found.path_lps) - 1, 4000)
    path = np.stack([np.interp(share, np.arange(len(found.path_lps)), c) for c in found.path_lps.T], axis=-1)
    counts = (np.linalg.norm(path - path[0], axis=1) > 10) & (np.linalg.norm(path - own["leak"][0], axis=1) > 10)
    counts &= path[:, 2] > 0
    truth = (30.0 - np.linalg.norm(path[counts] - [0, 0, 22], axis=1)).min() - 3.83 / 2
    aorta = np.linalg.norm(path[path[:, 2] > 0] - [-18.0, 34.0, 40.0], axis=1).min() - 13.0 - 3.83 / 2
    assert found.clearance_mm == pytest.approx(min(truth, aorta), abs=0.3)
