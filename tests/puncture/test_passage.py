"""What is said of one puncture, on the heart of spheres: alone as beside others, and what is not assessed as such."""

from dataclasses import replace

import numpy as np
import pytest

from septal_planner.puncture import target
from septal_planner.puncture.catheter import angle_deg
from septal_planner.puncture.catheter_way import catheter_way
from septal_planner.puncture.catheters import steerable_catheter
from septal_planner.puncture.needle import TYPICAL_CURVE, curve_of
from septal_planner.puncture.passage import compare, look_into
from septal_planner.puncture.procedures import procedure
from septal_planner.puncture.survey import Survey, Trial, look_over, tried

ATRIUM, ATRIUM_RADIUS = np.array([0.0, 0.0, 22.0]), 30.0  # of conftest
CT_LOW, CT_VOXELS = np.array([-60.0, -80.0, -20.0]), np.array([0, 160, 120])


def ways_ahead(points, direction):
    """Closed form: where lines (n, 3) leave the sphere of the atrium, (n, 3)."""
    q = points - ATRIUM
    b = q @ direction
    return points + (-b + np.sqrt(b * b - (q * q).sum(axis=-1) + ATRIUM_RADIUS**2))[:, None] * direction


@pytest.fixture(scope="module")
def cut(middle_septum):
    """A survey whose CT ends, toward the left, where half of the ways ahead have not come to the wall yet; the
    mapped points whose way leaves the CT well before the wall, and those whose way stays well inside."""
    fossa, annulus, chambers, marks = middle_septum.common()
    wanted = procedure("left-atrial-access")
    approach = target.prepare_approach(fossa, annulus, chambers, marks, wanted)
    ends = ways_ahead(approach.candidates_lps, approach.crossing_lps)[:, 0]
    size = CT_VOXELS.copy()
    size[0] = round(np.median(ends) - CT_LOW[0]) + 1
    affine = np.eye(4)
    affine[:3, 3] = CT_LOW
    small = replace(chambers, ct_lps_from_index=affine, ct_size_ijk=tuple(int(n) for n in size))
    approach = target.prepare_approach(fossa, annulus, small, marks, wanted)
    survey = tried(look_over(approach), Trial(draws=200))
    last = CT_LOW[0] + size[0] - 1
    ends = ways_ahead(survey.map.points_lps, approach.crossing_lps)[:, 0]
    return survey, np.flatnonzero(ends > last + 0.5), np.flatnonzero(ends < last - 3)


def test_a_place_alone_is_held_against_what_counts_on_the_whole_membrane(cut):
    survey, beyond, within = cut
    assert len(beyond)
    assert len(within)
    i, j = int(beyond[0]), int(within[len(within) // 2])
    p, q = survey.map.points_lps[[i, j]]
    rim = 7.0 - np.hypot(survey.map.u_mm[i], survey.map.v_mm[i])  # a circle of 7 mm (conftest)
    assert rim < procedure("left-atrial-access").distance_to_rim.low
    alone, beside = compare(survey, [p])[0], compare(survey, [p, q])[0]
    for place in (alone, beside, look_into(survey, p).target):
        assert np.isnan(place.values["distance_to_posterior_wall"])
        assert np.isnan(place.overall)
        assert place.binding == "distance_to_posterior_wall"
        assert not place.meets_all
        assert not place.keeps_clear
        # that other limits are not met is known all the same
        assert place.sentence.startswith("Not all limits are met: the distance to the rim")
        assert f" is {rim:.1f} mm where " in place.sentence
        assert place.sentence.endswith("; not assessed here: the free path to the posterior wall.")
    assert alone.sentence == beside.sentence
    other = compare(survey, [q])[0]
    assert other.overall == pytest.approx(survey.map.overall[j], abs=1e-9)


def test_the_chance_of_all_limits_is_not_told_where_one_is_not_assessed(cut):
    survey, beyond, within = cut
    i, j = int(beyond[0]), int(within[len(within) // 2])
    assert np.isnan(survey.probability.all_met[i])
    doubt = look_into(survey, survey.map.points_lps[i]).doubt
    assert doubt.all_met is None
    assert all(bar.all_met_without is None for bar in doubt.tornado)
    assert "distance_to_posterior_wall" not in doubt.expected
    # what is assessed there is told still, and no margin is invented for what is not
    assert doubt.expected["height_above_mitral_annulus"].sd > 0
    assert min(bar.worst_low for bar in doubt.tornado) > -10
    there = look_into(survey, survey.map.points_lps[j]).doubt
    assert there.all_met == pytest.approx(survey.probability.all_met[j], abs=1e-9)


def bare(scene, name="left-atrial-access", *, catheter=True, needs=None, **changes):
    """A survey of nothing but what a puncture shares: no map, no trial."""
    wanted = procedure(name) if catheter else replace(procedure(name), catheter=None)
    wanted = wanted if needs is None else replace(wanted, needs=needs)
    approach = target.prepare_approach(*scene.common(), wanted, **changes)
    own = steerable_catheter(wanted.catheter) if wanted.catheter else None
    way = catheter_way(approach, own) if own else None
    return Survey(approach, own, Trial(draws=0), way, None, None, None, None, {})


@pytest.mark.parametrize("turn_deg", [50.0, 35.0, 70.0])
def test_the_needle_turns_by_the_sheaths_own_angle(high_septum, turn_deg):
    survey = bare(high_septum, sheath_angle_deg=turn_deg)
    p = high_septum.fossa.patch.points_lps(2.0, 1.0)
    found = look_into(survey, p).needle
    shaft, end = found.path_lps[1] - found.path_lps[0], found.path_lps[-1] - found.path_lps[-2]
    # plane geometry: the shaft runs along the caval axis, the end turns from it by the angle asked for
    cava = high_septum.landmarks["inferior_vena_cava"]
    assert angle_deg(shaft, cava[0] - cava[1]) == pytest.approx(0.0, abs=1e-6)
    assert angle_deg(shaft, end) == pytest.approx(turn_deg, abs=1e-6)
    # a sphere's normal points to its middle: what the sheath turns by is what the angle of entry lacks
    inward = angle_deg(cava[0] - cava[1], ATRIUM - p)
    assert found.entry_angle_deg == pytest.approx(abs(inward - turn_deg), abs=1.5)


def test_whose_angle_the_curve_has_is_told():
    assert curve_of(TYPICAL_CURVE.angle_deg.value) is TYPICAL_CURVE
    other = curve_of(70.0)
    assert other.angle_deg.flag == "given by the user"
    assert (other.radius_mm, other.straight_mm) == (TYPICAL_CURVE.radius_mm, TYPICAL_CURVE.straight_mm)


@pytest.mark.parametrize("turn_deg", [0.0, 180.0])
def test_a_sheath_that_turns_to_no_side_is_no_traceback(high_septum, turn_deg):
    passage = look_into(bare(high_septum, sheath_angle_deg=turn_deg), high_septum.fossa.center_lps)
    assert passage.needle is None
    assert any("does not turn to any side" in said for said in passage.not_assessed)


def test_why_there_is_no_reach_is_the_reason_that_holds(high_septum):
    def told(name, **changes):
        said = look_into(bare(high_septum, name, **changes), high_septum.fossa.center_lps).not_assessed
        return next(s.removeprefix("The reach of a catheter is not assessed: ") for s in said if "catheter" in s)

    assert told("left-atrial-access") == "general left atrial access has no single target."
    assert told("edge-to-edge-functional", catheter=False) == "the procedure names no catheter, and none was chosen."
    assert told("appendage-closure") == "the landmark left_atrial_appendage is missing."
    # of a procedure of one's own that needs more: not the first of them, which was marked, but the one that was not
    needs = ("inferior_vena_cava", "leak")
    assert told("paravalvular-leak-medial", needs=needs) == "the landmark leak is missing."
    assert told("left-atrial-access", needs=needs[:1]) == "general left atrial access has no single target."
