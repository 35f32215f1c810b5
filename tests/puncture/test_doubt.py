"""What is not assessed at a site, and the doubt of what is, on the heart of spheres."""

from dataclasses import replace

import numpy as np
import pytest

from septal_planner.anatomy.annulus import ring_covariance
from septal_planner.puncture import catheter, place, site, survey, target
from septal_planner.puncture.procedures import procedure

WHY = "The blood on the right side of the septum cannot be told from the wall."


def without_rim(fossa):
    return replace(
        fossa, rim_lps=np.empty((0, 3)), membrane=np.zeros_like(fossa.membrane), area_mm2=None,
        thickness_mm=np.full_like(fossa.thickness_mm, np.nan), superior_inferior_mm=None, anterior_posterior_mm=None,
        thickness_mean_mm=None, thickness_min_mm=None, thickness_sd_mm=None, surface_sd_mm=0.4, seen_from="left",
        not_assessed=dict.fromkeys(("rim", "center", "area", "extents", "thickness"), WHY),
    )


def test_without_a_rim_there_is_no_choice_and_it_is_said(high_septum):
    fossa, annulus, chambers, marks = high_septum.common()
    found = survey.choose_target(without_rim(fossa), annulus, chambers, marks, procedure("edge-to-edge-degenerative"))
    np.testing.assert_array_equal(found.target_lps, fossa.center_lps)
    assert found.source == "computed"
    assert any("no choice among sites" in note for note in found.notes)
    for name in ("superior_fraction", "anterior_fraction", "distance_to_rim", "wall_thickness"):
        value = getattr(found, name if name.endswith("fraction") else f"{name}_mm")
        assert value is None
        assert found.not_assessed[name] == WHY
    assert found.zone is None
    assert found.membrane_height_range_mm is None
    assert found.height_band_available is None
    by_name = {c.name: c for c in found.checks}
    for name in ("superior_fraction", "distance_to_rim", "wall_thickness"):
        assert by_name[name].status == "not assessed"
        assert by_name[name].why.startswith(WHY)
    # what hangs on the surface alone is given, with more doubt
    sure = site.evaluate_site(fossa.center_lps, *high_septum.common(), procedure("edge-to-edge-degenerative"))
    assert found.height_mm == pytest.approx(sure.height_mm)
    assert found.height_sd_mm > sure.height_sd_mm
    assert found.distance_to_aorta_mm is not None
    assert found.distance_to_aorta_sd_mm > sure.distance_to_aorta_sd_mm


def test_a_user_target_needs_no_rim(high_septum):
    fossa = without_rim(high_septum.fossa)
    wanted = fossa.patch.points_lps(3.0, -2.0) + 2.0 * fossa.normal_lps
    snapped, moved = target.snap_user_target(wanted, fossa)
    assert moved == pytest.approx(2.0, abs=0.1)
    assert abs(np.linalg.norm(snapped - np.array([0.0, 0.0, 22.0])) - 30.75) < 0.01


def test_the_doubt_of_the_entry_angle_is_that_of_cava_and_normal(high_septum):
    # the sheath keeps its angle to the cava: entry = (cava to normal) - sheath angle, so the two doubts add in squares
    fossa, annulus, chambers, marks = high_septum.common()
    fossa = replace(fossa, normal_sd_deg=1.5, surface_sd_mm=0.0)
    found = site.evaluate_site(
        fossa.center_lps, fossa, annulus, chambers, marks, procedure("left-atrial-access"), landmark_sd_mm=0.5
    )
    length = np.linalg.norm(np.subtract(*marks["inferior_vena_cava"]))
    cava_deg = np.degrees(np.sqrt(2) * 0.5 / length)
    assert found.reach.entry_angle_sd_deg == pytest.approx(np.hypot(1.5, cava_deg), rel=0.02)
    assert found.reach.bend_radius_sd_mm is None  # no one target, no arc


def test_doubt_of_the_arc_is_that_of_its_trials(high_septum):
    # by trial, as in JCGM 101:2008, 7
    fossa, annulus, chambers, marks = high_septum.common()
    fossa = replace(fossa, normal_sd_deg=1.0, surface_sd_mm=0.3)
    asked = procedure("edge-to-edge-functional")
    found = site.evaluate_site(fossa.center_lps, fossa, annulus, chambers, marks, asked, landmark_sd_mm=0.5)
    rng = np.random.default_rng(2)
    ring = rng.multivariate_normal(np.zeros(6), ring_covariance(annulus, point_sd_mm=0.5)[:6, :6], 300)
    trials = []
    for noise in ring:
        n = fossa.normal_lps + np.radians(1.0) * np.cross(rng.normal(size=3), fossa.normal_lps)
        n /= np.linalg.norm(n)
        cava = marks["inferior_vena_cava"] + rng.normal(0, 0.5, (2, 3))
        crossing = catheter.crossing_direction(cava[0] - cava[1], n)
        start = fossa.center_lps + rng.normal(0, 0.3) * fossa.normal_lps
        arc = catheter.single_arc(start, crossing, annulus.center_lps + noise[:3])
        valve = -(annulus.normal_lps + noise[3:])
        trials.append([arc.radius_mm, catheter.angle_deg(arc.end_direction_lps, valve),
                       catheter.angle_deg(crossing, valve)])
    spread = np.std(trials, axis=0)
    told = (found.reach.bend_radius_sd_mm, found.reach.axis_tilt_sd_deg, found.reach.turn_angle_sd_deg)
    np.testing.assert_allclose(told, spread, rtol=0.2)


def test_what_ends_at_the_edge_of_the_ct_is_not_assessed(high_septum):
    fossa, annulus, chambers, marks = high_septum.common()
    asked = procedure("edge-to-edge-functional")
    whole = site.evaluate_site(fossa.center_lps, fossa, annulus, chambers, marks, asked)
    end = whole.target_lps + whole.distance_to_posterior_wall_mm * whole.reach.crossing_direction
    # a CT whose last column lies where the ray leaves the atrium
    affine = np.eye(4)
    affine[:3, 3] = [-60.0, -80.0, -20.0]
    size = (round(float(end[0]) + 60.0) + 1, 160, 120)
    cut = replace(chambers, ct_lps_from_index=affine, ct_size_ijk=size)
    found = site.evaluate_site(fossa.center_lps, fossa, annulus, cut, marks, asked)
    assert found.distance_to_posterior_wall_mm is None
    assert "larger field of view" in found.not_assessed["distance_to_posterior_wall"]
    check = next(c for c in found.checks if c.name == "distance_to_posterior_wall")
    assert check.status == "not assessed"
    assert "runs out of the CT" in check.why
    assert found.distance_to_aorta_mm == whole.distance_to_aorta_mm
    # and one that ends beside the arc hides how near the wall is
    narrow = replace(chambers, ct_lps_from_index=affine, ct_size_ijk=(65, 160, 120))
    beside = site.evaluate_site(fossa.center_lps, fossa, annulus, narrow, marks, asked)
    assert beside.reach.clearance_mm is None
    assert any("CT ends before" in why for why in beside.reach.not_assessed)


def test_a_bridged_rim_asks_for_more_room(high_septum):
    fossa, annulus, chambers, marks = high_septum.common()
    behind = fossa.patch.uvw(fossa.rim_lps)[:, 0] < 0
    bridged = replace(fossa, rim_seen=~behind, rim_sd_mm=0.4)
    points = place.membrane_points(fossa)
    u = fossa.patch.uvw(points)[:, 0]
    room, plain = place.room_to_rim_mm(bridged, points), place.room_to_rim_mm(fossa, points)
    assert np.all(room <= plain + 1e-9)
    behind_it = (u < -3) & (plain > 0.1)
    assert np.all(room[behind_it] < plain[behind_it])
    at = fossa.patch.points_lps(-4.0, 0.0)
    near_bridge = site.evaluate_site(at, bridged, annulus, chambers, marks, procedure("left-atrial-access"))
    seen = site.evaluate_site(at, replace(bridged, rim_seen=None), annulus, chambers, marks,
                              procedure("left-atrial-access"))
    assert near_bridge.distance_to_rim_sd_mm > 5 * seen.distance_to_rim_sd_mm


def test_coaptation_height_doubts_the_mark_too(high_septum):
    fossa, annulus, chambers, marks = high_septum.common()
    fossa = replace(fossa, surface_sd_mm=0.0)
    given = {**marks, "leaflet_coaptation": np.array([[0.0, 0.0, -6.0]])}
    found = site.evaluate_site(
        fossa.center_lps, fossa, annulus, chambers, given, procedure("left-atrial-access"), landmark_sd_mm=1.0
    )
    assert found.height_above_coaptation_sd_mm > 1.0  # the mark alone is 1 mm off along the normal
    arm = fossa.center_lps - given["leaflet_coaptation"][0]
    tilt = ring_covariance(annulus, point_sd_mm=1.0)[3:6, 3:6]
    assert found.height_above_coaptation_sd_mm == pytest.approx(np.sqrt(1.0 + arm @ tilt @ arm), rel=1e-3)
