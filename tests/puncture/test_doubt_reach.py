"""The doubt of a catheter's reach, against steering it anew in every draw."""

from dataclasses import replace

import numpy as np
import pytest

from septal_planner.geometry.frames import unit_vector
from septal_planner.puncture import target
from septal_planner.puncture.catheter_way import catheter_way
from septal_planner.puncture.catheters import steerable_catheter
from septal_planner.puncture.doubt import doubt_at, map_probability, values_of_draws
from septal_planner.puncture.doubt_response import respond
from septal_planner.puncture.doubt_sources import draw, moved_directions
from septal_planner.puncture.membrane_map import map_points
from septal_planner.puncture.procedures import procedure
from septal_planner.puncture.requirements import inside_mm

REACHED = ("axis_tilt", "clearance", "tip_offset")
DRAWN = 250


@pytest.fixture(scope="module", params=["valve-delivery-one-plane", "large-guide-two-plane"])
def asked(request, middle_septum):
    fossa, annulus, chambers, marks = middle_septum.common()
    fossa = replace(fossa, normal_sd_deg=1.0, rim_sd_mm=0.4, thickness_at_sd_mm=0.3)
    approach = target.prepare_approach(
        fossa, annulus, chambers, marks, procedure("edge-to-edge-functional"), landmark_sd_mm=0.7
    )
    way = catheter_way(approach, steerable_catheter(request.param))
    points = fossa.patch.points_lps(np.array([0.0, -3.0, 3.0]), np.array([0.0, 3.0, -3.0]))
    return approach, way, respond(approach, way=way), points


def met_of(approach, values):
    limits = {name: getattr(approach.procedure, name) for name in REACHED}
    met = {name: inside_mm(limits[name], values[name]) >= 0 for name in REACHED}
    return {**met, "all": np.logical_and.reduce(list(met.values()))}


def spare_of(approach, values):
    limits = {name: getattr(approach.procedure, name) for name in REACHED}
    least = np.min([inside_mm(limits[n], values[n]) / limits[n].tolerance for n in REACHED], axis=0)
    return np.clip(least, -1.0, 1.0)


def test_the_chances_are_those_of_steering_anew_in_every_draw(asked):
    # the same draws on both sides, so that no sampling error parts them; what is left is of looking up and of slopes
    approach, way, response, points = asked
    fossa = approach.fossa
    drawn = draw(approach, draws=DRAWN, seed=1)
    crossing, _, _ = moved_directions(approach, drawn)
    axis = unit_vector(approach.axis_lps + drawn.axis)
    told = values_of_draws(approach, response, points, drawn)
    # what the limits leave open of a shape is drawn about what is looked up: chances are told with it
    looked_up = values_of_draws(approach, response, points, replace(drawn, shape=np.zeros_like(drawn.shape)))
    for i, aimed in enumerate(fossa.patch.uvw(points)):
        at = aimed + drawn.on_septum_mm
        start = (
            fossa.patch.points_lps(at[:, 0], at[:, 1]) + drawn.shift_lps + drawn.surface_mm[:, None] * fossa.normal_lps
        )
        anew = way.values_of(way.solve(
            start, direction_lps=crossing, goal_lps=way.goal_lps + drawn.structure_lps, axis_lps=axis,
            beside=way.lattice.beside(start),
        ))  # fmt: skip
        anew["clearance"] = anew["clearance"] + drawn.left_mm
        truth, found = met_of(approach, anew), met_of(approach, {name: told[name][i] for name in REACHED})
        for name, share in truth.items():
            assert found[name].mean() == pytest.approx(share.mean(), abs=0.03), name
        # how far inside or outside, up to a tolerance: deeper inside a shape leaves much open
        deep, deep_truth = (spare_of(approach, v) for v in ({n: told[n][i] for n in REACHED}, anew))
        for share in (10, 50, 90):
            assert np.percentile(deep, share) == pytest.approx(np.percentile(deep_truth, share), abs=0.2)
        for name, off in (("axis_tilt", 2.5), ("clearance", 0.3), ("tip_offset", 0.5)):
            assert np.median(looked_up[name][i]) == pytest.approx(np.median(anew[name]), abs=off), name


def test_without_doubt_it_is_what_the_map_says(asked):
    approach, way, response, _ = asked
    points = approach.candidates_lps[::25]
    still = values_of_draws(approach, response, points, draw(approach, draws=1, sources=()))
    here = way.over(points)
    # looked up between places 2 mm apart
    assert np.sqrt(np.mean((still["axis_tilt"][:, 0] - here["axis_tilt"]) ** 2)) < 1.5
    assert np.sqrt(np.mean((still["clearance"][:, 0] - here["clearance"]) ** 2)) < 0.3
    assert np.sqrt(np.mean((still["tip_offset"][:, 0] - here["tip_offset"]) ** 2)) < 0.3
    alike = met_of(approach, {n: still[n][:, 0] for n in REACHED})["all"] == met_of(approach, here)["all"]
    assert alike.mean() > 0.9


def test_map_point_and_chance_tell_of_the_same_catheter(asked):
    approach, way, response, points = asked
    found = map_points(approach, points, reach=way.over)
    chance = map_probability(approach, found, draws=500, seed=3, response=response)
    assert set(REACHED) <= set(chance.met)
    assert "bend_radius" not in chance.met
    one = doubt_at(approach, points[0], draws=500, seed=3, response=response)
    for name in REACHED:
        assert one.measured[name].value == found.layer(name).values[0]
        assert one.expected[name].met == pytest.approx(chance.met[name][0], abs=1e-9)
    assert one.expected["bend_radius"].met is None
    assert one.all_met == pytest.approx(chance.all_met[0], abs=1e-9)
