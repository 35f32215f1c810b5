"""The choice from the map: beaten by nothing else on the membrane, and honest where nothing is good."""

import re
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from septal_planner.geometry import curves
from septal_planner.puncture import target
from septal_planner.puncture.choice import (
    APART_MM,
    choose_from_map,
    in_order,
    keeping_clear,
    range_words,
    ranking_of,
    scores,
    tilt_for_height_deg,
)
from septal_planner.puncture.membrane_map import map_membrane, map_points
from septal_planner.puncture.procedures import Asked, procedure

MEMBRANE_RADIUS, RIM_RADIUS = 30.75, 7.0  # of the scenes


def prepared(scene, asked):
    fossa, annulus, chambers, marks = scene.common()
    return target.prepare_approach(fossa, annulus, chambers, marks, asked)


def easy(name="edge-to-edge-functional"):
    """A procedure whose limits the high septum can meet with one arc."""
    asked = procedure(name)
    tilt, radius = replace(asked.axis_tilt, high=70.0), replace(asked.bend_radius, low=15.0)
    return replace(asked, axis_tilt=tilt, bend_radius=radius)


def random_points(fossa, n, seed=0):
    rng = np.random.default_rng(seed)
    rim = fossa.patch.uvw(fossa.rim_lps)[:, :2]
    uv = rng.uniform(rim.min(axis=0), rim.max(axis=0), (2 * n, 2))
    uv = uv[curves.inside_closed(uv, rim)][:n]
    assert len(uv) == n
    return fossa.patch.points_lps(uv[:, 0], uv[:, 1])


@pytest.mark.parametrize(
    ("name", "high"), [("left-atrial-access", True), ("functional", True), ("degenerative", False)]
)
def test_nothing_among_ten_thousand_random_points_is_better(high_septum, low_septum, name, high):
    scene = high_septum if high else low_septum
    asked = {"left-atrial-access": procedure("left-atrial-access"), "functional": easy(),
             "degenerative": procedure("edge-to-edge-degenerative")}[name]
    approach = prepared(scene, asked)
    found = map_membrane(approach)
    choice = choose_from_map(approach, found)
    assert choice.meets_all is high
    best = choice.candidates[0]
    ranking = ranking_of(found)
    points = np.concatenate([best.point_lps[None], random_points(scene.fossa, 10_000)])
    # the room of an arc takes time: only where a point could still be better with all the room there is
    roomy = map_points(approach, points, reach=lambda p: {"clearance": np.full(len(p), np.inf)})
    hopeful = in_order(approach, roomy, ranking)[:500]
    # the bare largest margin, whatever it is near
    boldest = np.argsort(-roomy.overall)[:300]
    assert choice.largest_margin.overall >= map_points(approach, points[boldest]).overall.max() - 1e-3
    assert choice.largest_margin.values["distance_to_rim"] >= 0
    assert choice.largest_margin.overall >= roomy.overall[np.argsort(-roomy.overall)[300]]
    far_worse = roomy.overall[np.setdiff1d(np.arange(len(points)), hopeful)]
    tried = map_points(approach, np.concatenate([points[:1], points[hopeful]]))
    assert not high or far_worse.max() < best.overall
    meets, clear, worst = scores(tried, ranking)
    if high:
        assert best.overall >= np.nanmax(tried.overall[1:])
    else:
        assert not meets.any()
        alike = clear >= clear[0]
        assert worst[0] >= worst[alike].max()
        assert clear[0] >= clear[1:].max() - 1e-3
    assert in_order(approach, tried, ranking)[0] == 0


def test_the_chosen_point_has_the_margin_it_claims(high_septum):
    approach = prepared(high_septum, easy())
    choice = choose_from_map(approach, map_membrane(approach))
    best = choice.candidates[0]
    assert best.meets_all
    assert best.keeps_clear is bool(keeping_clear(map_points(approach, best.point_lps), 4.2)[0] >= 0)
    assert choice.what_gives == ()
    asked = approach.procedure
    fractions = {
        "height": min(best.values["height_above_mitral_annulus"] - asked.height.low,
                      asked.height.high - best.values["height_above_mitral_annulus"]) / asked.height.tolerance,
        "rim": (best.values["distance_to_rim"] - asked.distance_to_rim.low) / asked.distance_to_rim.tolerance,
    }
    assert best.overall <= min(fractions.values()) + 1e-9
    assert best.sentence.startswith("All limits are met; the nearest is ")
    assert best.sentence.endswith(" of its tolerance inside.")


def test_candidates_are_apart_and_ranked(high_septum):
    approach = prepared(high_septum, procedure("left-atrial-access"))
    found = map_membrane(approach)
    # a hill in the aorta's stead: the middle is forbidden, so that there are good places all around
    choice = choose_from_map(approach, found, reach=lambda p: {"clearance": 5 + np.linalg.norm(
        p - high_septum.fossa.center_lps, axis=1)})
    assert [c.rank for c in choice.candidates] == list(range(1, len(choice.candidates) + 1))
    overall = [c.overall for c in choice.candidates]
    assert overall == sorted(overall, reverse=True)
    points = np.stack([c.point_lps for c in choice.candidates])
    apart = np.linalg.norm(points[:, None] - points[None], axis=-1) + 100 * np.eye(len(points))
    assert apart.min() > APART_MM - 1.5  # each moved by 0.65 mm at most, per axis, when refined


def test_two_good_regions_are_both_offered(high_septum):
    asked = procedure("left-atrial-access")
    approach = prepared(high_septum, asked)

    def two_hills(points):
        u = high_septum.fossa.patch.uvw(points)[:, 0]
        return {"clearance": 2.0 + np.abs(u) - 2.0}

    found = map_membrane(approach, reach=two_hills)
    choice = choose_from_map(approach, found, reach=two_hills)
    u = [float(high_septum.fossa.patch.uvw(c.point_lps)[0]) for c in choice.candidates]
    assert min(u) < -1 < 1 < max(u)


def test_ties_go_to_the_middle_of_the_preferred_zone(high_septum):
    asked = procedure("left-atrial-access")
    flat = {f: replace(getattr(asked, f), low=None, high=1000.0) for f in
            ("distance_to_aorta", "posterior_path", "wall_thickness", "entry_angle", "distance_to_roof")}
    # only the zone's tolerance is wide, so that all places are alike
    wide = replace(asked.superior_fraction, low=0.0, high=1.0, tolerance=1e6)
    asked = replace(asked, **flat, superior_fraction=replace(wide, high=0.8), anterior_fraction=replace(wide, low=0.2),
                    distance_to_rim=replace(asked.distance_to_rim, low=-100.0, tolerance=1e6))
    approach = prepared(high_septum, asked)
    best = choose_from_map(approach, map_membrane(approach)).candidates[0]
    assert best.values["superior_fraction"] == pytest.approx(0.4, abs=0.05)
    assert best.values["anterior_fraction"] == pytest.approx(0.6, abs=0.05)


def test_a_short_septum_says_what_there_is_and_what_it_costs(low_septum):
    approach = prepared(low_septum, procedure("edge-to-edge-degenerative"))
    found = map_membrane(approach)
    choice = choose_from_map(approach, found)
    assert not choice.meets_all
    best = choice.candidates[0]
    heights = found.layer("height_above_mitral_annulus").values
    said = " ".join(choice.what_gives)
    assert "asked for (40 to 50 mm) is not available on this septum" in said
    assert f"the membrane offers {heights.min():.0f} to {heights.max():.0f} mm" in said
    low, high = choice.heights_mm
    assert heights.min() < low < high < heights.max()
    assert f"{low:.0f} to {high:.0f} mm where the puncture keeps clear" in said
    assert "ends tilted by" in said
    assert "Not all limits are met" in best.sentence
    # no height is gained at the rim's cost
    ranking = ranking_of(found)
    assert keeping_clear(map_points(approach, best.point_lps), ranking.slip_mm)[0] > -0.01
    assert best.height_mm > high - 1.0


def test_the_cost_of_height_counts_from_the_target_and_along_its_axis(low_septum):
    # plane trigonometry, r cos e + s above the device point: one that lies 6 mm below the annular plane needs 6 mm less
    fossa, annulus, chambers, marks = low_septum.common()

    def said(name, **more):
        approach = target.prepare_approach(fossa, annulus, chambers, {**marks, **more}, procedure(name))
        return " ".join(choose_from_map(approach, map_membrane(approach, spacing_mm=1.5)).what_gives)

    def needed(text):
        return float(re.search(r"needs (\d+) mm", text)[1])

    ends = {"commissure_medial": [[0.0, -18.0, 0.0]], "commissure_lateral": [[0.0, 18.0, 0.0]]}
    level = said("edge-to-edge-central", **ends)
    deep = said("edge-to-edge-central", **ends, leaflet_coaptation=[[0.0, 0.0, -6.0]])
    assert needed(level) - needed(deep) == pytest.approx(6, abs=1)
    # a leak's own way is not that along which heights are measured: nothing is said of what its height costs
    assert "needs" in said("paravalvular-leak-medial", leak=[[14.0, 4, 1]])
    assert "needs" not in said("paravalvular-leak-medial", leak=[[14.0, 4, 1], [18.0, 4, -5]])


@pytest.mark.parametrize("turn_deg", [0.0, 17.0, 33.0])
def test_the_highest_place_clear_of_the_rim_is_that_of_the_sphere(high_septum, turn_deg):
    # On a sphere (R) with a circular rim, the highest place whose chord to the rim is d lies straight uphill of the
    # middle, by asin(r/R) - 2 asin(d/2R): spherical trigonometry. The map's own axes lie aslant to that.
    scene, t = high_septum, np.radians(turn_deg)
    g, around = np.arange(-10, 10.01, 0.1), np.arange(3600) * 2 * np.pi / 3600
    sphere = MEMBRANE_RADIUS - np.sqrt(MEMBRANE_RADIUS**2 - g**2 - g[:, None] ** 2)
    patch = replace(scene.fossa.patch, u_mm=g, v_mm=g, height_mm=sphere)
    turned = replace(patch, axis_u_lps=np.cos(t) * patch.axis_u_lps + np.sin(t) * patch.axis_v_lps,
                     axis_v_lps=np.cos(t) * patch.axis_v_lps - np.sin(t) * patch.axis_u_lps)
    membrane = np.hypot(g, g[:, None]) <= RIM_RADIUS
    fossa = replace(scene.fossa, patch=turned, membrane=membrane, thickness_mm=np.full(membrane.shape, 1.5),
                    rim_lps=patch.points_lps(RIM_RADIUS * np.cos(around), RIM_RADIUS * np.sin(around)))
    asked = procedure("left-atrial-access")
    asked = replace(asked, height=Asked(1000.0, None, 3.0, "an invented source", "memory"), **{
        f: replace(getattr(asked, f), low=None, high=1000.0) for f in
        ("superior_fraction", "anterior_fraction", "entry_angle", "distance_to_roof", "distance_to_aorta",
         "posterior_path")})
    approach = prepared(replace(scene, fossa=fossa), asked)
    found = map_membrane(approach)
    best = choose_from_map(approach, found).candidates[0]
    slip = ranking_of(found).slip_mm
    up = np.arcsin(RIM_RADIUS / MEMBRANE_RADIUS) - 2 * np.arcsin(slip / (2 * MEMBRANE_RADIUS))
    height = patch.points_lps(0.0, MEMBRANE_RADIUS * np.sin(up))[2]
    assert best.values["distance_to_rim"] >= slip
    assert best.height_mm == pytest.approx(height, abs=1e-3 * 3.0)


def test_limits_that_stand_against_each_other_are_named(high_septum):
    asked = procedure("left-atrial-access")
    clash = replace(asked, superior_fraction=replace(asked.superior_fraction, low=0.65, high=0.75),
                    height=Asked(30.0, 40.0, 3.0, "an invented source", "memory"))
    approach = prepared(high_septum, clash)
    heights = map_membrane(approach).layer("height_above_mitral_annulus").values
    middle = float(np.median(heights))
    clash = replace(clash, height=Asked(middle - 1, middle - 0.5, 0.5, "an invented source", "memory"))
    approach = prepared(high_septum, clash)
    choice = choose_from_map(approach, map_membrane(approach))
    assert not choice.meets_all
    assert "Each limit alone is met somewhere" in choice.what_gives[0]
    assert "the height above the mitral annular plane" in choice.what_gives[0]


@pytest.mark.parametrize(("elevation", "needed"), [(0.0, 35.0), (15.0, 34.3185), (30.0, 32.3205)])
def test_the_height_a_bend_needs_costs_no_tilt(elevation, needed):
    # plane trigonometry, r cos e + s: bend radius 20, straight end 15
    assert tilt_for_height_deg(needed + 1e-4, 20.0, elevation) == 0.0
    assert 0 < tilt_for_height_deg(needed - 0.5, 20.0, elevation) < 2.0


@pytest.mark.parametrize("tilt", [5.0, 20.0, 45.0, 80.0])
@pytest.mark.parametrize("elevation", [-10.0, 0.0, 25.0])
def test_the_tilt_for_a_height_is_that_of_an_arc_walked_step_by_step(tilt, elevation):
    # the arc is integrated by SciPy: direction turns at a constant rate from `elevation` above the plane downward
    radius, straight = 20.0, 15.0
    last = np.deg2rad(90.0 - tilt)
    turn = last + np.deg2rad(elevation)
    path = solve_ivp(
        lambda s, y: [np.cos(np.deg2rad(elevation) - s / radius), np.sin(np.deg2rad(elevation) - s / radius)],
        (0.0, radius * turn), [0.0, 0.0], rtol=1e-10, atol=1e-12,
    ).y[:, -1]
    height = -path[1] + straight * np.sin(last)
    found = tilt_for_height_deg(height, radius, elevation, straight_mm=straight)
    assert found == pytest.approx(tilt, abs=1e-5)


def test_too_little_height_for_any_tilt():
    assert tilt_for_height_deg(-5.0, 20.0, 0.0) is None


@pytest.mark.parametrize(
    ("low", "high", "unit", "words"),
    [(40.0, 50.0, "mm", "40 to 50 mm"), (10.0, None, "mm", "10 mm or more"), (None, 20.0, "deg", "20 degrees or less"),
     (0.3333, 0.6667, "1", "0.333 to 0.667")],
)
def test_ranges_in_words(low, high, unit, words):
    assert range_words(Asked(low, high, 1.0, "an invented source", "memory"), unit) == words
