"""The list of landmarks, and what is thought of points: right ones, wrong chambers, fat, too few, out of order."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from septal_viewer.guide import STEP, STEPS, first_to_mark, state_of, states_of
from septal_viewer.planes import TITLES

from septal_planner.inputs.landmarks import POINT_COUNTS, REQUIRED
from septal_planner.inputs.volume import Volume
from septal_planner.pipeline import FoundAnatomy

Points = dict[str, Any]


@pytest.fixture
def points(quick_phantom: Any) -> Points:
    return {name: np.array(p) for name, p in quick_phantom.landmarks.items()}


def test_every_landmark_is_a_step_with_its_counts_and_a_plane_there_is() -> None:
    assert sorted(STEP) == sorted(POINT_COUNTS)
    assert len(STEPS) == len(POINT_COUNTS)
    for step in STEPS:
        assert (step.least, step.most) == POINT_COUNTS[step.name]
        assert step.needed == (step.name in REQUIRED)
        assert step.plane in TITLES
        for text in (step.where, step.gives):
            assert text.endswith(".")
            assert "\n" not in text
    needed = [s.needed for s in STEPS]
    assert needed == sorted(needed, reverse=True)  # what is needed comes first


def test_right_points_are_placed(points: Points, quick_volume: Volume, quick_found: FoundAnatomy) -> None:
    for found in (None, quick_found):
        states = states_of(points, quick_volume, found)
        assert {n: s.why for n, s in states.items() if n in points and s.state != "placed"} == {}
        assert all(s.state == "missing" for n, s in states.items() if n not in points)
    assert first_to_mark(states) is None
    assert first_to_mark(states_of({}, quick_volume)) == STEPS[0].name


def test_points_without_a_ct_are_taken_as_they_are(points: Points) -> None:
    assert state_of(STEP["fossa"], points, None).state == "placed"


def test_too_few_outside_and_out_of_order(points: Points, quick_volume: Volume) -> None:
    few = {**points, "mitral_annulus": points["mitral_annulus"][:3]}
    said = state_of(STEP["mitral_annulus"], few, quick_volume)
    assert said.state == "doubtful"
    assert said.why.startswith("3 of 6 points are there")
    outside = {**points, "aorta": points["aorta"] + 500}
    assert "outside the CT" in state_of(STEP["aorta"], outside, quick_volume).why
    ring = points["mitral_annulus"]
    swapped = {**points, "mitral_annulus": ring[[0, 2, 1, *range(3, len(ring))]]}
    said = state_of(STEP["mitral_annulus"], swapped, quick_volume)
    assert said.state == "placed"  # the planner puts them in order itself
    assert "reordered" in said.why
    line = {**points, "mitral_annulus": ring[0] + np.linspace(0, 1, 7)[:, None] * [20.0, 0.0, 0.0]}
    assert "on a line" in state_of(STEP["mitral_annulus"], line, quick_volume).why


def test_fat_and_air_are_no_blood(points: Points, quick_volume: Volume) -> None:
    # the scale itself: water 0 HU, air -1000 HU (Hounsfield 1973), fat about -100 HU (common practice, no source)
    hu = np.asarray(quick_volume.hu)
    k, j, i = np.argwhere(hu == hu.min())[0]
    air = quick_volume.lps_from_index[:3, :3] @ [i, j, k] + quick_volume.lps_from_index[:3, 3]
    said = state_of(STEP["aorta"], {**points, "aorta": air[None]}, quick_volume)
    assert said.state == "doubtful"
    assert "not blood" in said.why
    assert "aortic root" in said.why


def test_exchanged_atria_are_doubted_both(points: Points, quick_volume: Volume) -> None:
    turned = {**points, "left_atrium": points["right_atrium"], "right_atrium": points["left_atrium"]}
    states = states_of(turned, quick_volume)
    for name in ("left_atrium", "right_atrium"):
        assert states[name].state == "doubtful"
        assert "appear swapped" in states[name].why
    assert states["spine"].state == "missing"


def test_a_fault_elsewhere_does_not_hide_exchanged_atria(points: Points, quick_volume: Volume) -> None:
    turned = {**points, "left_atrium": points["right_atrium"], "right_atrium": points["left_atrium"]}
    turned["leak"] = points["aorta"] + 900
    states = states_of(turned, quick_volume)
    assert "appear swapped" in states["left_atrium"].why
    assert "outside the CT" in states["leak"].why


def test_a_point_outside_the_chamber_found_is_doubted(
    points: Points, quick_volume: Volume, quick_found: FoundAnatomy
) -> None:
    wrong = {**points, "aorta": points["left_ventricle"]}
    assert state_of(STEP["aorta"], wrong, quick_volume).state == "placed"
    said = state_of(STEP["aorta"], wrong, quick_volume, quick_found)
    assert said.state == "doubtful"
    assert "outside the aortic root as it was found" in said.why
    off = {**points, "fossa": points["right_atrium"]}
    assert "off the septum found" in state_of(STEP["fossa"], off, quick_volume, quick_found).why
