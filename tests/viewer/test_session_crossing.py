"""The state of the viewer without a window: the target, kept sites, procedures and catheters of an anatomy found."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from septal_viewer.session import Session
from septal_viewer.surveys import FoundWithSurvey, Step, Surveyed

from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.volume import Volume
from septal_planner.pipeline import FoundAnatomy


@pytest.fixture
def planned(quick_volume: Volume, quick_phantom: Any, quick_found: FoundAnatomy, quick_surveyed: Surveyed) -> Session:
    s = Session()
    assert s.set_volume(quick_volume)
    assert s.take_landmarks(Landmarks(quick_phantom.landmarks))
    asked = s.ask_for_anatomy()
    assert asked is not None
    assert s.take_found(FoundWithSurvey(quick_found, asked[2], quick_surveyed))
    return s


def test_what_is_found_brings_a_site(planned: Session) -> None:
    assert planned.site is not None
    assert planned.site.source == "computed"
    assert planned.target_lps is None
    assert not planned.stale
    assert not planned.unsaved
    case = planned.plan_now()
    assert case is not None
    assert planned.case is case
    assert planned.site is case.site


def test_a_moved_target_stays_on_the_membrane_and_is_what_is_planned(planned: Session) -> None:
    assert planned.found is not None
    fossa = planned.found.fossa
    before = planned.site
    assert planned.move_target(fossa.center_lps + 4.0 * fossa.normal_lps + 2.0 * fossa.patch.axis_v_lps)
    site = planned.site
    assert site is not None
    assert before is not None
    assert site.source == "user"
    assert fossa.patch.nearest(site.target_lps)[1] < 0.01
    assert planned.target_lps is not None
    assert np.linalg.norm(site.target_lps - np.array(planned.target_lps)) < 0.002
    assert planned.unsaved
    case = planned.plan_now()
    assert case is not None
    assert case.site.moved_mm is not None
    assert case.site.moved_mm < 0.002  # the plan asks for the place shown, not for where the mouse was
    assert abs(case.site.height_mm - site.height_mm) < 0.002
    assert planned.choose_target()
    assert planned.site is not None
    np.testing.assert_array_equal(planned.site.target_lps, before.target_lps)
    assert planned.undo()
    assert planned.site is not None
    assert np.linalg.norm(planned.site.target_lps - site.target_lps) < 0.002


def test_a_target_far_off_is_refused(planned: Session, listen: Any) -> None:
    ear = listen(planned)
    before = planned.site
    assert planned.found is not None
    assert not planned.move_target(planned.found.fossa.center_lps + 30 * planned.found.fossa.normal_lps)
    assert "off the septum" in ear.last()
    assert not planned.move_target([0, float("nan"), 0])
    assert planned.site is before
    assert planned.target_lps is None


def test_another_procedure_keeps_a_target_set_by_hand(planned: Session) -> None:
    assert planned.found is not None
    assert planned.move_target(planned.found.fossa.center_lps)
    target = planned.target_lps
    assert planned.set_procedure("left-atrial-appendage") or planned.set_procedure("edge-to-edge-functional")
    assert planned.site is not None
    assert planned.site.procedure == planned.procedure
    assert planned.target_lps == target
    assert planned.undo()
    assert planned.site.procedure == planned.procedure


def test_another_catheter_waits_for_its_survey_and_comes_back_at_once(
    planned: Session, quick_surveyed: Surveyed, listen: Any
) -> None:
    ear, before = listen(planned), planned.site
    own = planned.aim.catheter
    assert not planned.set_catheter("of glass")
    assert "no catheter" in ear.last()
    assert planned.set_catheter("steerable-sheath-small-curve")
    assert planned.unsaved
    assert planned.site is None
    assert planned.pending
    assert planned.next_step() == Step("survey", planned.aim)
    assert not planned.keep_candidate()
    assert "still being worked out" in ear.last()
    planned.step_failed(Step("survey", planned.aim), "")  # stopped: not begun again unasked
    assert not planned.pending
    assert planned.next_step() is None
    assert planned.undo()
    assert planned.aim.catheter == own
    assert planned.site is before
    assert planned.redo()
    assert planned.pending
    assert planned.set_catheter(own)
    assert planned.marks.catheter == ""
    assert planned.survey is quick_surveyed.survey


def test_a_place_that_was_ranked_becomes_the_target(planned: Session) -> None:
    assert planned.found is not None
    assert planned.choices
    assert not planned.take_choice(len(planned.choices))
    assert planned.move_target(planned.found.fossa.center_lps)
    here = planned.look_here()
    assert here is not None
    assert here.site is planned.site
    assert here.place is not None
    assert here.place.height_mm == pytest.approx(planned.site.height_mm, abs=1e-6)  # type: ignore[union-attr]
    assert here.passage is None  # not tried yet
    assert planned.next_step() == Step("passage", planned.aim)
    assert planned.take_choice(0)
    assert planned.target_lps is None
    np.testing.assert_array_equal(planned.site.target_lps, planned.choices[0].point_lps)  # type: ignore[union-attr]


def test_up_to_four_candidates(planned: Session, listen: Any) -> None:
    ear = listen(planned)
    assert planned.found is not None
    assert planned.keep_candidate()
    assert not planned.keep_candidate()
    assert "kept already" in ear.last()
    for step in (1.0, 2.0, 3.0):
        planned.move_target(planned.found.fossa.center_lps + step * planned.found.fossa.patch.axis_v_lps)
        assert planned.keep_candidate()
    planned.move_target(planned.found.fossa.center_lps - 2.0 * planned.found.fossa.patch.axis_v_lps)
    assert not planned.keep_candidate()
    assert "drop one" in ear.last()
    second = planned.candidates[1]
    assert planned.take_candidate(1)
    assert planned.site is not None
    assert np.linalg.norm(planned.site.target_lps - second.target_lps) < 0.002
    assert planned.drop_candidate(0)
    assert len(planned.candidates) == len(planned.kept_sites) == 3
    assert planned.candidates[0] is second


def test_changed_landmarks_make_the_anatomy_stale_until_taken_back(
    planned: Session, tmp_path: Path, listen: Any
) -> None:
    ear = listen(planned)
    inside = planned.points_lps["left_atrium"][0]
    assert planned.move("left_atrium", 0, inside + 1)
    assert planned.stale
    assert planned.save_plan(tmp_path / "out") == []
    assert "find the anatomy again" in ear.last()
    assert not (tmp_path / "out").exists()
    assert planned.undo()
    assert not planned.stale


def test_anatomy_of_a_ct_closed_meanwhile_is_left_aside(
    planned: Session, quick_found: FoundAnatomy, listen: Any, small_volume: Any
) -> None:
    ear = listen(planned)
    planned.ask_for_anatomy()
    assert planned.set_volume(small_volume())
    assert not planned.take_found(quick_found)
    assert "no longer open" in ear.last()
    assert planned.found is None


def test_a_plan_asked_for_before_a_change_is_left_aside(planned: Session) -> None:
    request = planned.ask_for_plan()
    case = planned.plan_now()
    assert request is not None
    assert case is not None
    assert planned.found is not None
    planned.move_target(planned.found.fossa.center_lps)
    site = planned.site
    assert not planned.take_case(case, request)
    assert planned.site is site
    assert planned.case is None


def test_a_target_off_the_new_septum_is_computed_instead(
    planned: Session, quick_found: FoundAnatomy, quick_surveyed: Surveyed, listen: Any
) -> None:
    ear = listen(planned)
    planned.move_target(quick_found.fossa.center_lps)
    planned.keep_candidate()
    away = replace(quick_found.fossa.patch, origin_lps=quick_found.fossa.patch.origin_lps + 60.0)
    fossa = replace(
        quick_found.fossa, patch=away, rim_lps=quick_found.fossa.rim_lps + 60.0,
        center_lps=quick_found.fossa.center_lps + 60.0,
    )  # fmt: skip
    planned.ask_for_anatomy()
    assert planned.take_found(replace(quick_found, fossa=fossa))
    said = " ".join(s for s, _ in ear.all)
    assert "off the septum" in said
    assert "computed instead" in said
    assert "A kept site was dropped" in said
    assert planned.target_lps is None
    assert planned.candidates == ()
    assert planned.site is None
    assert planned.pending
    assert planned.found is not None
    assert planned.take_surveyed(planned.found, planned.aim, quick_surveyed)
    assert planned.site is not None
