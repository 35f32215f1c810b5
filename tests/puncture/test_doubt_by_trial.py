"""Doubt by trial, against closed forms of normal errors, linear propagation, and readings of a known truth."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from septal_planner.anatomy.annulus import height_mm, measure_annulus
from septal_planner.geometry.frames import unit_vector
from septal_planner.puncture import catheter, target
from septal_planner.puncture.approach import FREE_PATH_SHARE
from septal_planner.puncture.arcs import angles_deg, arcs_between
from septal_planner.puncture.choice import choose_from_map
from septal_planner.puncture.doubt import doubt_at, map_probability, values_of_draws
from septal_planner.puncture.doubt_response import respond
from septal_planner.puncture.doubt_sources import MEASURED, SOURCES, Doubts, draw, moved_directions
from septal_planner.puncture.membrane_map import map_membrane, map_points
from septal_planner.puncture.procedures import procedure
from septal_planner.puncture.requirements import arc_clearance_mm

ATRIUM, ATRIUM_RADIUS = np.array([0.0, 0.0, 22.0]), 30.0


def prepared(scene, name, **changes):
    fossa, annulus, chambers, marks = scene.common()
    fossa = replace(fossa, normal_sd_deg=1.0, rim_sd_mm=0.4, thickness_at_sd_mm=0.3)
    return target.prepare_approach(fossa, annulus, chambers, marks, procedure(name), **changes)


@pytest.fixture(scope="module")
def approach(high_septum):
    return prepared(high_septum, "edge-to-edge-functional", landmark_sd_mm=0.7)


@pytest.fixture(scope="module")
def response(approach):
    return respond(approach)


@pytest.fixture(scope="module")
def plain(high_septum):
    return prepared(high_septum, "left-atrial-access")


@pytest.fixture(scope="module")
def plain_response(plain):
    return respond(plain)


def test_a_needle_off_its_aim_meets_the_rim_as_often_as_it_must(plain, plain_response):
    # two equal normal errors: their length is Rayleigh distributed; the rim is a circle of 7 mm, 2 mm are asked
    found = map_points(plain, plain.fossa.patch.points_lps(np.array([0.0, 6.5]), np.array([0.0, 0.0])))
    middle, edge = 0, 1
    chance = map_probability(
        plain, found, Doubts(needle_sd_mm=3.0), draws=20_000, seed=1, sources=("needle",), response=plain_response
    )
    truth = 1 - np.exp(-((7.0 - 2.0) ** 2) / (2 * 3.0**2))
    assert chance.met["distance_to_rim"][middle] == pytest.approx(truth, abs=0.015)
    # nearer the rim it can only be less
    assert chance.met["distance_to_rim"][edge] < chance.met["distance_to_rim"][middle] - 0.3


def test_the_beat_along_the_annular_normal_is_a_normal_error_of_the_height(approach, response):
    found = map_points(approach, approach.candidates_lps[::40])
    chance = map_probability(
        approach, found, Doubts(phase_along_mm=2.3), draws=20_000, seed=2, sources=("phase",), response=response
    )
    asked, z = approach.procedure.height, found.points_lps[:, 2]
    truth = norm.cdf((asked.high - z) / 2.3) - norm.cdf((asked.low - z) / 2.3)
    np.testing.assert_allclose(chance.met["height_above_mitral_annulus"], truth, atol=0.015)


def test_quantiles_are_those_of_normal_propagation(approach, response):
    p = approach.fossa.center_lps
    found = doubt_at(approach, p, draws=20_000, seed=3, response=response).measured
    site = target.evaluate_on(approach, p)
    height = found["height_above_mitral_annulus"]
    assert height.low == pytest.approx(site.height_mm + norm.ppf(0.025) * site.height_sd_mm, abs=0.03)
    assert height.high == pytest.approx(site.height_mm + norm.ppf(0.975) * site.height_sd_mm, abs=0.03)


def test_trials_agree_with_linear_propagation(approach, response):
    p = approach.fossa.patch.points_lps(-1.5, 0.5)
    found = doubt_at(approach, p, draws=20_000, seed=4, response=response).measured
    site = target.evaluate_on(approach, p)
    told = {
        "height_above_mitral_annulus": site.height_sd_mm, "distance_to_aorta": site.distance_to_aorta_sd_mm,
        "superior_fraction": site.superior_fraction_sd, "anterior_fraction": site.anterior_fraction_sd,
        "distance_to_rim": site.distance_to_rim_sd_mm, "wall_thickness": site.wall_thickness_sd_mm,
        "turn_angle": site.reach.turn_angle_sd_deg, "arc_turn": site.reach.arc_turn_sd_deg,
        "bend_radius": site.reach.bend_radius_sd_mm, "axis_tilt": site.reach.axis_tilt_sd_deg,
    }
    for name, sd in told.items():
        assert found[name].sd == pytest.approx(sd, rel=0.05), name
    assert found["height_above_mitral_annulus"].value == pytest.approx(site.height_mm)


def test_a_tilted_plane_moves_the_height_by_its_lever_arm(approach, response):
    # closed form h cos d +- r sin d: 42 mm high and 25 mm beside the centre, 39.661 to 44.019 mm for 5 degrees, 37.021
    # to 45.703 mm for 10
    drawn = draw(approach, draws=4, sources=())
    normal, center = approach.annulus.normal_lps, approach.annulus.center_lps
    aside = unit_vector(np.cross(normal, [1.0, 0, 0]))
    p = approach.fossa.center_lps
    tilts = np.deg2rad([5.0, -5.0, 10.0, -10.0])
    leaned = np.cos(tilts)[:, None] * normal + np.sin(tilts)[:, None] * aside
    shift = np.tile(center + 42 * normal + 25 * aside - p, (4, 1))
    there = replace(drawn, valve_normal=leaned - normal, shift_lps=shift)
    heights = values_of_draws(approach, response, p[None], there)["height_above_mitral_annulus"][0]
    np.testing.assert_allclose(heights, [44.019, 39.661, 45.703, 37.021], atol=0.01)


def test_ways_and_room_follow_their_slopes(approach, response):
    p = approach.fossa.patch.points_lps(np.array([-1.0, 0.0, 1.5]), np.array([1.0, -1.5, 0.0]))
    drawn = draw(approach, Doubts(needle_sd_mm=1.5), draws=60, seed=5)
    values = values_of_draws(approach, response, p, drawn)
    crossing, _, _ = moved_directions(approach, drawn)
    uvw = approach.fossa.patch.uvw(p)
    off_path, off_room = [], []
    for i in range(len(p)):
        at = uvw[i] + drawn.on_septum_mm
        moved = approach.fossa.patch.points_lps(at[:, 0], at[:, 1]) + drawn.shift_lps
        q = moved - ATRIUM
        b = (q * crossing).sum(axis=1)
        exact = -b + np.sqrt(b * b - (q * q).sum(axis=1) + ATRIUM_RADIUS**2)
        cosine = (q + exact[:, None] * crossing) @ np.eye(3) / ATRIUM_RADIUS
        cosine = (cosine * crossing).sum(axis=1)
        off_path.append(values["distance_to_posterior_wall"][i] - FREE_PATH_SHARE * drawn.left_mm / cosine - exact)
        start = moved + drawn.surface_mm[:, None] * approach.fossa.normal_lps
        end = approach.structure_lps + drawn.structure_lps
        room = np.array([arc_clearance_mm(approach, s[None], c, e)[0]
                         for s, c, e in zip(start, crossing, end, strict=True)])
        off_room.append(values["clearance"][i] - drawn.left_mm - room)
    assert np.sqrt(np.mean(np.square(off_path))) < 0.35
    assert np.sqrt(np.mean(np.square(off_room))) < 0.5
    assert abs(np.mean(off_room)) < 0.3  # room is the least of many distances, which bends downward


def test_intervals_hold_the_truth_as_often_as_they_say(high_septum, response):
    # 200 readings of one known heart, each off by its own errors: about 95 % of the intervals must hold what is true
    fossa, annulus, chambers, marks = high_septum.common()
    sd = 0.7
    bare = replace(chambers, distance={"aorta": chambers.distance["aorta"]})
    closed = replace(response, posterior=None, roof=None, room=None, room_slopes=None)
    asked = procedure("edge-to-edge-functional")
    fossa = replace(fossa, normal_sd_deg=1.0, rim_sd_mm=0.4, thickness_at_sd_mm=0.3)
    p = fossa.center_lps
    cava = marks["inferior_vena_cava"]
    crossing = catheter.crossing_direction(cava[0] - cava[1], fossa.normal_lps)
    arc = arcs_between(p, crossing, annulus.center_lps)
    truth = {
        "height_above_mitral_annulus": float(height_mm(annulus, p)),
        "turn_angle": float(angles_deg(crossing, -annulus.normal_lps)),
        "arc_turn": float(arc.turn_deg[0]), "bend_radius": float(arc.radius_mm[0]),
        "axis_tilt": float(angles_deg(arc.end_direction_lps[0], -annulus.normal_lps)),
        "distance_to_aorta": float(chambers.distance["aorta"].at(p)),
    }
    held = dict.fromkeys(truth, 0)
    rng = np.random.default_rng(200)
    trials = 200
    for trial in range(trials):
        ring = measure_annulus(
            annulus.points_lps + rng.normal(0, sd, annulus.points_lps.shape), atrium_point_lps=ATRIUM,
            septum_point_lps=p,
        )
        tip = np.radians(1.0) * rng.normal(size=3)
        seen = replace(
            fossa, normal_lps=unit_vector(fossa.normal_lps + np.cross(tip, fossa.normal_lps)),
            patch=replace(fossa.patch, origin_lps=fossa.patch.origin_lps
                          + rng.normal(0, fossa.surface_sd_mm) * fossa.normal_lps),
        )
        noisy = target.prepare_approach(
            seen, ring, bare, {"inferior_vena_cava": cava + rng.normal(0, sd, cava.shape)}, asked, landmark_sd_mm=sd
        )
        found = values_of_draws(
            noisy, closed, seen.patch.points_lps(0.0, 0.0)[None], draw(noisy, seed=trial, sources=MEASURED)
        )
        outline = rng.normal(0, 0.8 / np.sqrt(12))  # of a voxel, as the planner takes it where nothing else is known
        for name, value in truth.items():
            drawn = found[name][0] + (outline if name == "distance_to_aorta" else 0.0)
            low, high = np.percentile(drawn, (2.5, 97.5))
            held[name] += int(low <= value <= high)
    for name, count in held.items():
        assert 0.90 <= count / trials <= 0.99, (name, count)


def test_draws_are_seeded_and_each_source_stands_alone(approach):
    first, again, other = (draw(approach, draws=50, seed=s) for s in (7, 7, 8))
    np.testing.assert_array_equal(first.on_septum_mm, again.on_septum_mm)
    assert not np.array_equal(first.on_septum_mm, other.on_septum_mm)
    without = draw(approach, draws=50, seed=7, sources=tuple(s for s in SOURCES if s != "needle"))
    np.testing.assert_array_equal(first.center_lps, without.center_lps)
    np.testing.assert_array_equal(first.shift_lps, without.shift_lps)
    assert np.ptp(draw(approach, draws=50, seed=7, sources=()).on_septum_mm) == 0
    only = draw(approach, Doubts(tenting_mm=4.0, tenting_sd_mm=0.0), draws=3, sources=("tenting",))
    np.testing.assert_allclose(only.on_septum_mm, np.tile([-2.4, -3.2, 0.0], (3, 1)))


def test_the_tornado_ranks_what_matters(plain, plain_response):
    found = map_membrane(plain)
    best = choose_from_map(plain, found).candidates[0]
    # without a drift to one side, against which another source may by chance help
    still = Doubts(tenting_mm=0.0)
    told = doubt_at(plain, best.point_lps, still, response=plain_response)
    widths = [bar.width for bar in told.tornado]
    assert widths == sorted(widths, reverse=True)
    assert {bar.source for bar in told.tornado} == set(SOURCES)
    assert told.tornado[0].source == "needle"
    needle = told.tornado[0]
    assert needle.all_met_without > told.all_met
    assert needle.sd["distance_to_rim"] > 1.0
    assert needle.sd["turn_angle"] == 0.0
    # what is expected at the table is never surer than what was measured
    for name, interval in told.measured.items():
        assert told.expected[name].sd >= 0.9 * interval.sd


def test_the_chance_of_all_limits_is_less_than_of_any(plain, plain_response):
    found = map_membrane(plain)
    still = Doubts(tenting_mm=0.0)
    chance = map_probability(plain, found, still, seed=11, response=plain_response)
    assert chance.draws == 2000
    every = np.stack(list(chance.met.values()))
    assert ((every >= 0) & (every <= 1)).all()
    assert (chance.all_met <= every.min(axis=0) + 1e-12).all()
    assert (chance.all_met >= 1 - (1 - every).sum(axis=0) - 1e-12).all()  # Bonferroni
    # the surest place is not where the worst margin is worst
    assert found.overall[int(np.argmax(chance.all_met))] > np.median(found.overall)
    again = map_probability(plain, found, still, seed=11, response=plain_response)
    np.testing.assert_array_equal(chance.all_met, again.all_met)


def test_without_a_rim_only_what_hangs_on_it_is_left_out(high_septum):
    fossa, annulus, chambers, marks = high_septum.common()
    blind = replace(
        fossa, rim_lps=np.empty((0, 3)), membrane=np.zeros_like(fossa.membrane), thickness_mean_mm=None,
        thickness_mm=np.full_like(fossa.thickness_mm, np.nan), surface_sd_mm=0.5,
    )
    alone = target.prepare_approach(blind, annulus, chambers, marks, procedure("left-atrial-access"))
    told = doubt_at(alone, fossa.center_lps, draws=500).measured
    assert "distance_to_rim" not in told
    assert "wall_thickness" not in told
    assert told["height_above_mitral_annulus"].low < fossa.center_lps[2] < told["height_above_mitral_annulus"].high
    assert told["distance_to_posterior_wall"].sd > 0


def test_what_cannot_be_is_refused(approach):
    with pytest.raises(ValueError, match="'weather' is not one of"):
        draw(approach, sources=("weather",))
    with pytest.raises(ValueError, match="not negative"):
        Doubts(needle_sd_mm=-1.0)
    with pytest.raises(ValueError, match="no length"):
        Doubts(tenting_direction=(0.0, 0.0, 0.0))
    for end in (np.inf, -np.inf, np.nan, 1e300):  # 1e300: its square, and so its length, is beyond all floats
        for axis in range(3):
            with pytest.raises(ValueError, match="not finite"), np.errstate(over="ignore"):
                Doubts(tenting_direction=tuple(end if k == axis else 1.0 for k in range(3)))
