"""A catheter's way over the septum, against the closed forms of an invented heart of spheres."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import cKDTree

from septal_planner.geometry.frames import unit_vector
from septal_planner.geometry.shapes import DistanceField
from septal_planner.puncture import target
from septal_planner.puncture.arc_chain import evenly
from septal_planner.puncture.catheter_way import LEAST_CLEARANCE_MM, catheter_way, share_reached
from septal_planner.puncture.catheters import load_catheters, steerable_catheter
from septal_planner.puncture.choice import choose_from_map
from septal_planner.puncture.membrane_map import map_membrane, map_points
from septal_planner.puncture.procedures import load_procedures, procedure

# of the spheres that the scene is made of (conftest)
ATRIUM, ATRIUM_RADIUS = np.array([0.0, 0.0, 22.0]), 30.0
AORTA, AORTA_RADIUS = np.array([-18.0, 34.0, 40.0]), 13.0


def prepared(scene, name, **changes):
    return target.prepare_approach(*scene.common(), replace(procedure(name), **changes))


@pytest.fixture(scope="module")
def approach(high_septum):
    return prepared(high_septum, "edge-to-edge-functional")


@pytest.fixture(scope="module")
def way(approach):
    return catheter_way(approach, steerable_catheter("large-guide-two-plane"))


def test_the_values_are_those_of_the_path(approach, way):
    points = approach.fossa.patch.points_lps(np.array([-3.0, 0.0, 4.0]), np.array([1.0, -4.0, 3.0]))
    values = way.over(points)
    for i, p in enumerate(points):
        path = evenly(way.reach_map(p).chains, 4000)[0][0]
        np.testing.assert_allclose(way.at(p).path_lps[[0, -1]], path[[0, -1]])
        steps = unit_vector(np.diff(path, axis=0))
        assert np.linalg.norm(path[0] - p) < 1e-9
        assert steps[0] @ approach.crossing_lps > 0.999
        gap = np.linalg.norm(path[-1] - approach.annulus.center_lps)
        assert values["tip_offset"][i] == pytest.approx(gap, abs=1e-6)
        tilt = np.degrees(np.arccos(steps[-1] @ -approach.annulus.normal_lps))
        assert values["axis_tilt"][i] == pytest.approx(tilt, abs=0.05)
        bent = np.degrees(2 * np.arcsin(np.linalg.norm(np.diff(steps, axis=0), axis=1) / 2))
        assert values["arc_turn"][i] == pytest.approx(bent.sum(), abs=0.2)
        step = np.linalg.norm(np.diff(path, axis=0), axis=1).mean()
        assert values["bend_radius"][i] == pytest.approx(step / np.radians(bent).max(), rel=0.02)
        # of the centre line: what a procedure's range is about
        foot = ATRIUM + ATRIUM_RADIUS * unit_vector(path - ATRIUM)  # below the valve's plane there is no wall
        counts = (foot[:, 2] > 0) & (path[:, 2] > 0) & (np.linalg.norm(path - p, axis=1) > 10)
        room = (ATRIUM_RADIUS - np.linalg.norm(path - ATRIUM, axis=1))[counts].min()
        above = path[path[:, 2] > 0]
        room = min(room, (np.linalg.norm(above - AORTA, axis=1) - AORTA_RADIUS).min())
        assert values["clearance"][i] == pytest.approx(room, abs=0.3)


def test_what_is_said_of_a_point_does_not_hang_on_what_else_is_asked(approach, way):
    points = approach.fossa.patch.points_lps(np.array([-3.0, 0.0, 4.0]), np.array([1.0, -4.0, 3.0]))
    other = catheter_way(approach, way.catheter)
    for i, p in enumerate(points):
        alone, together = other.over(p), way.over(points)
        for name, value in alone.items():
            assert value[0] == pytest.approx(together[name][i], abs=1e-9), name


def test_no_less_is_found_beside_the_lattice_than_by_a_search_in_full(approach, way):
    points = approach.candidates_lps[::60]
    quick = way.reach_map(points)
    for i, p in enumerate(points):
        full = way.solve(p[None])
        short = [
            max(1 - min(m.spare_tilt_deg[k] / 10, m.spare_offset_mm[k] / 1.5, m.spare_clearance_mm[k] / 2), 0)
            for m, k in ((quick, i), (full, 0))
        ]
        assert short[0] <= short[1] + 0.05
        assert quick.reachable[i] == full.reachable[0]


def test_the_map_says_by_how_much_the_tip_falls_short(low_septum):
    # from a low septum a wide bend ends beside the device point: the map has its distance, not nothing
    approach = prepared(low_septum, "edge-to-edge-functional")
    way = catheter_way(approach, steerable_catheter("large-valve-delivery-one-plane"))
    mapped = map_membrane(approach, spacing_mm=1.5, reach=way.over)
    layer = mapped.layer("tip_offset")
    assert layer.counts
    assert np.isfinite(layer.values).all()
    reached = way.reach_map(mapped.points_lps).reachable
    assert not reached.any()
    assert share_reached(approach, way, mapped.points_lps) == 0
    short = np.stack([mapped.layer(n).margin for n in ("tip_offset", "axis_tilt", "clearance")]).min(axis=0)
    np.testing.assert_array_equal(short >= 0, reached)
    # the ranges of one arc's bend are not asked of a catheter, which brings its own
    assert mapped.layer("bend_radius").asked is None
    one_arc = map_points(approach, mapped.points_lps[:3])
    assert not one_arc.layer("tip_offset").counts
    assert one_arc.layer("tip_offset").why_not.endswith(".")
    assert one_arc.layer("bend_radius").asked is not None


def test_the_share_is_of_the_surface(approach, way):
    # the patch is a cap of a sphere: what lies over a step in its plane is larger by 1 / cos
    mapped = map_membrane(approach, spacing_mm=1.0, reach=way.over)
    reached = way.reach_map(mapped.points_lps).reachable
    assert 0 < reached.mean() <= 1
    r = np.hypot(mapped.u_mm, mapped.v_mm)
    area = 1 / np.sqrt(1 - (r / 30.75) ** 2)
    share = (area * reached).sum() / area.sum()
    assert share_reached(approach, way, mapped.points_lps) == pytest.approx(share, abs=1e-3)


def test_a_body_wider_than_asked_for_still_keeps_off_the_wall(approach):
    # 33 Fr, half of it 5.5 mm, where 4 mm are asked of the line: 4 mm said must not mean that its side is in the wall
    wide = catheter_way(approach, steerable_catheter("large-valve-delivery-one-plane"))
    assert wide.limits.clearance_mm == LEAST_CLEARANCE_MM
    points = approach.fossa.center_lps[None]
    body = wide.reach_map(points).clearance_mm
    asked = approach.procedure.clearance.low
    np.testing.assert_allclose(wide.over(points)["clearance"] - asked, body - LEAST_CLEARANCE_MM)
    slim = catheter_way(approach, steerable_catheter("steerable-sheath-small-curve"))
    assert slim.limits.clearance_mm == pytest.approx(asked - 3.83 / 2)
    assert slim.half_width_mm == pytest.approx(3.83 / 2)


def test_every_procedure_has_a_catheter_and_an_offset():
    known = load_catheters()
    for own in load_procedures().values():
        assert own.catheter in known
        assert own.tip_offset.high > 0


def test_without_a_target_there_is_no_way(high_septum):
    own = steerable_catheter("steerable-sheath-medium-curve")
    assert catheter_way(prepared(high_septum, "left-atrial-access"), own) is None
    assert catheter_way(prepared(high_septum, "appendage-closure"), own) is None
    marks = {**high_septum.landmarks, "left_atrial_appendage": np.array([[14.0, 10.0, 30.0]])}
    approach = target.prepare_approach(
        high_septum.fossa, high_septum.annulus, high_septum.chambers, marks, procedure("appendage-closure")
    )
    way = catheter_way(approach, own)
    np.testing.assert_array_equal(way.goal_lps, marks["left_atrial_appendage"][0])
    found = way.over(approach.fossa.center_lps)
    assert np.isnan(found["axis_tilt"]).all()  # no axis of an appendage is known from one point
    assert np.isfinite(found["tip_offset"]).all()


def test_without_an_atrium_the_clearance_is_not_assessed(high_septum):
    fossa, annulus, chambers, marks = high_septum.common()
    bare = replace(chambers, distance={"aorta": chambers.distance["aorta"]})
    approach = target.prepare_approach(fossa, annulus, bare, marks, procedure("edge-to-edge-functional"))
    way = catheter_way(approach, steerable_catheter("large-guide-two-plane"))
    found = way.over(fossa.center_lps)
    assert np.isnan(found["clearance"]).all()
    assert np.isfinite(found["axis_tilt"]).all()
    at = way.at(fossa.center_lps)
    assert at.clearance_mm is None
    assert at.nearest is None
    assert "clearance_mm" not in at.spare
    assert at.reachable  # within what is assessed


def test_where_the_ct_ends_before_the_wall_the_clearance_is_not_assessed(high_septum):
    fossa, annulus, chambers, marks = high_septum.common()
    own = steerable_catheter("large-guide-two-plane")
    whole = target.prepare_approach(fossa, annulus, chambers, marks, procedure("edge-to-edge-functional"))
    assert np.isfinite(catheter_way(whole, own).over(fossa.center_lps)["clearance"]).all()
    # a CT that ends 4 mm beside the line: the outline there is where it was cut
    path = catheter_way(whole, own).at(fossa.center_lps).path_lps
    edge = path[:, 1].max() + 4.0
    plane = np.stack([*np.meshgrid(np.arange(-30, 30.0), [edge], np.arange(-5, 55.0))], axis=-1).reshape(-1, 3)
    cut = replace(whole.wall, edge=cKDTree(plane))
    found = catheter_way(replace(whole, wall=cut), own).over(fossa.center_lps)
    assert np.isnan(found["clearance"]).all()
    # in full as on the map: no number, and nothing that is nearest, where the wall was not seen
    seen, unseen = (catheter_way(a, own).at(fossa.center_lps) for a in (whole, replace(whole, wall=cut)))
    assert seen.clearance_mm is not None
    assert seen.nearest is not None
    assert unseen.clearance_mm is None
    assert unseen.nearest is None
    assert unseen.nearest_lps is None
    assert "clearance_mm" not in unseen.spare
    assert unseen.reachable
    np.testing.assert_array_equal(unseen.path_lps, seen.path_lps)


def test_a_body_too_near_where_the_ct_ends_does_not_reach(high_septum):
    # a CT that ends within the body's side: what lies beyond is neither wall nor room
    fossa, annulus, chambers, marks = high_septum.common()
    own = steerable_catheter("large-guide-two-plane")
    start, left = fossa.patch.points_lps(-3.0, -2.0), chambers.distance["left_atrium"]
    y = left.lps_from_index[1, 3] + left.lps_from_index[1, 1] * np.arange(left.values_mm.shape[1])
    ends = np.maximum(left.values_mm, (-4.0 - y)[None, :, None]).astype(np.float32)
    affine = np.eye(4)
    affine[:3, 3] = [-60.0, -4.0, -20.0]
    small = replace(
        chambers, distance={**chambers.distance, "left_atrium": DistanceField(ends, left.lps_from_index)},
        ct_lps_from_index=affine, ct_size_ijk=(160, 100, 120),
    )
    approach = target.prepare_approach(fossa, annulus, small, marks, procedure("edge-to-edge-functional"))
    at = catheter_way(approach, own).at(start)
    ahead = at.path_lps[np.linalg.norm(at.path_lps - start, axis=1) > 10, 1].min()
    assert -4.0 < ahead < -4.0 + own.outer_diameter_mm.value / 2
    assert at.clearance_mm is None
    assert not at.reachable
    assert any("where the CT ends before it" in said for said in at.why_not)


def test_the_choice_is_no_worse_than_any_mapped_or_random_place(low_septum):
    asked = procedure("mitral-valve-in-valve")
    approach = prepared(low_septum, asked.name, height=replace(asked.height, low=10.0, high=60.0))
    way = catheter_way(approach, steerable_catheter("large-guide-two-plane"))
    mapped = map_membrane(approach, spacing_mm=1.0, reach=way.over)
    choice = choose_from_map(approach, mapped, reach=way.over)
    best = choice.largest_margin
    inside = mapped.layer("distance_to_rim").values >= 0
    assert best.overall >= mapped.overall[inside].max() - 1e-9
    r, t = 7.0 * np.sqrt(np.random.default_rng(1).uniform(size=300)), np.arange(300) * 2.4
    there = map_points(approach, approach.fossa.patch.points_lps(r * np.cos(t), r * np.sin(t)), reach=way.over)
    # a search in steps finds an optimum to some hundredths of a tolerance
    assert best.overall >= there.overall.max() - 0.03
    exact = way.over(best.point_lps)
    for name, value in exact.items():
        assert best.values[name] == pytest.approx(value[0], abs=1e-9), name
