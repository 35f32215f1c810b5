"""The state of the viewer without a window: marking with undo, files, target, candidates, saved plans, and bad use."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from septal_viewer.opened import NO_CT
from septal_viewer.session import NO_ANATOMY, Session
from septal_viewer.surveys import FoundWithSurvey, Step, Surveyed

from septal_planner import cli
from septal_planner.inputs.landmarks import Landmarks, read_landmarks, write_landmarks
from septal_planner.inputs.volume import Volume, read_volume
from septal_planner.pipeline import FoundAnatomy
from septal_planner.plan import load_plan


class Ear:
    """What a session said."""

    def __init__(self, session: Session) -> None:
        self.all: list[tuple[str, str]] = []
        session.said.connect(lambda sentence, kind: self.all.append((sentence, kind)))

    def last(self) -> str:
        return self.all[-1][0] if self.all else ""


def small_volume(**other: Any) -> Volume:
    """20 x 30 x 40 voxels of blood in mm steps 2, 1, 3, turned so that no axis is the patient's."""
    turn = np.array([[0.8, -0.6, 0.0], [0.6, 0.8, 0.0], [0.0, 0.0, 1.0]])
    affine = np.eye(4)
    affine[:3, :3], affine[:3, 3] = turn @ np.diag([2.0, 1.0, 3.0]), [-30.0, -40.0, 100.0]
    return Volume(np.full((40, 30, 20), 300, np.int16), affine, **{"frame_of_reference_uid": "1.2.3", **other})


def lps(volume: Volume, *index: float) -> np.ndarray[Any, Any]:
    return volume.lps_from_index[:3, :3] @ np.array(index) + volume.lps_from_index[:3, 3]


@pytest.fixture
def session() -> Session:
    made = Session()
    assert made.set_volume(small_volume())
    return made


def state(s: Session) -> Any:
    return {n: p.tolist() for n, p in s.points_lps.items()}, s.locked, s.target_lps, s.procedure


# ------------------------------------------------------------------------------------------------------- marking


def test_points_are_kept_exactly_and_in_the_order_of_marking(session: Session) -> None:
    a, b = lps(session.volume, 3, 4, 5), lps(session.volume, 3.25, 4, 30)  # type: ignore[arg-type]
    assert session.place("fossa", a)
    assert session.place("inferior_vena_cava", b)
    assert session.place("inferior_vena_cava", a)
    assert list(session.points_lps) == ["fossa", "inferior_vena_cava"]
    np.testing.assert_array_equal(session.points_lps["inferior_vena_cava"], [b, a])
    assert session.move("inferior_vena_cava", 1, b)
    assert session.remove("inferior_vena_cava", 0)
    np.testing.assert_array_equal(session.points_lps["inferior_vena_cava"], [b])
    assert session.remove("inferior_vena_cava")
    assert "inferior_vena_cava" not in session.points_lps
    assert session.unsaved


def test_a_landmark_of_one_point_moves_and_a_full_one_refuses(session: Session) -> None:
    ear = Ear(session)
    for i in range(2):
        assert session.place("left_atrium", lps(session.volume, 5 + i, 5, 5))  # type: ignore[arg-type]
        assert session.place("inferior_vena_cava", lps(session.volume, 5, 5, 5 + 9 * i))  # type: ignore[arg-type]
    assert len(session.points_lps["left_atrium"]) == 1
    assert not session.place("inferior_vena_cava", lps(session.volume, 5, 5, 9))  # type: ignore[arg-type]
    assert "has its 2 points already" in ear.last()


@pytest.mark.parametrize("outside", [(-0.6, 5, 5), (19.6, 5, 5), (5, 29.6, 5), (5, 5, 1000)])
def test_a_point_outside_the_ct_is_refused_and_nothing_changes(
    session: Session, outside: tuple[float, float, float]
) -> None:
    ear = Ear(session)
    session.place("fossa", lps(session.volume, 5, 5, 5))  # type: ignore[arg-type]
    before = state(session)
    for act in (
        lambda p: session.place("fossa", p),
        lambda p: session.move("fossa", 0, p),
        lambda p: session.set_points("mitral_annulus", [p] * 6),
    ):
        assert not act(lps(session.volume, *outside))  # type: ignore[arg-type]
        assert "outside the CT" in ear.last()
        assert state(session) == before
    # the outer faces of the outermost voxels are the CT's edge (DICOM PS3.3 C.7.6.2.1.1: positions are of centres)
    assert session.place("fossa", lps(session.volume, -0.4, 29.4, 39.4))  # type: ignore[arg-type]


def test_nonsense_is_refused_in_one_sentence(session: Session) -> None:
    ear = Ear(session)
    inside = lps(session.volume, 5, 5, 5)  # type: ignore[arg-type]
    session.place("fossa", inside)
    before = state(session)
    bad: list[Callable[[], bool]] = [
        lambda: session.place("fossa", [1.0, float("nan"), 2.0]),
        lambda: session.place("fossa", [1.0, 2.0]),
        lambda: session.place("left_ear", inside),
        lambda: session.move("fossa", 1, inside),
        lambda: session.move("fossa", -1, inside),
        lambda: session.move("aorta", 0, inside),
        lambda: session.remove("fossa", 3),
        lambda: session.remove("left_ear"),
        lambda: session.lock("left_ear"),
        lambda: session.set_points("fossa", [inside, inside]),
        lambda: session.move_target(inside),
        lambda: session.choose_target(),
        lambda: session.keep_candidate(),
        lambda: session.drop_candidate(0),
        lambda: session.take_candidate(0),
        lambda: session.set_procedure("unheard of"),
        lambda: session.ask_for_anatomy() is not None,
        lambda: session.ask_for_plan() is not None,
    ]
    for number, act in enumerate(bad, 1):
        assert not act()
        assert len(ear.all) == number
        sentence, kind = ear.all[-1]
        assert kind == "error"
        assert sentence.endswith(".")
        assert "\n" not in sentence
        assert state(session) == before


def test_without_a_ct_everything_is_refused() -> None:
    empty = Session()
    ear = Ear(empty)
    assert not empty.place("fossa", [0, 0, 0])
    assert not empty.open_landmarks("any.json")
    assert not empty.open_plan("any.json")
    assert empty.ask_for_anatomy() is None
    assert empty.ask_for_plan() is None
    assert empty.save_plan("anywhere") == []
    assert not empty.set_cursor([0, 0, 0])
    assert {s for s, _ in ear.all} == {NO_CT}
    assert not empty.unsaved


def test_a_locked_landmark_stays(session: Session) -> None:
    ear = Ear(session)
    inside = lps(session.volume, 5, 5, 5)  # type: ignore[arg-type]
    session.place("fossa", inside)
    assert session.lock("fossa")
    before = state(session)
    for act in (
        lambda: session.place("fossa", inside + 1),
        lambda: session.move("fossa", 0, inside + 1),
        lambda: session.remove("fossa"),
        lambda: session.set_points("fossa", np.empty((0, 3))),
    ):
        assert not act()
        assert "is locked" in ear.last()
        assert state(session) == before
    assert session.lock("fossa", False)
    assert session.move("fossa", 0, inside + 1)


def test_a_drag_is_one_step(session: Session) -> None:
    inside = lps(session.volume, 5, 5, 5)  # type: ignore[arg-type]
    session.place("fossa", inside)
    for drag in (1, 2):
        for step in range(5):
            assert session.move("fossa", 0, inside + drag + 0.1 * step, dragging=True)
        session.end_drag()
    session.undo()
    np.testing.assert_allclose(session.points_lps["fossa"][0], inside + 1.4)
    session.undo()
    np.testing.assert_array_equal(session.points_lps["fossa"][0], inside)


names = st.sampled_from(["fossa", "left_atrium", "mitral_annulus", "inferior_vena_cava", "leak"])
places = st.tuples(st.integers(0, 19), st.integers(0, 29), st.integers(0, 39))
acts = st.one_of(
    st.tuples(st.just("place"), names, places),
    st.tuples(st.just("move"), names, st.integers(0, 3), places),
    st.tuples(st.just("remove"), names, st.one_of(st.none(), st.integers(0, 3))),
    st.tuples(st.just("lock"), names, st.booleans()),
    st.tuples(st.just("procedure"), st.sampled_from(["edge-to-edge-functional", "edge-to-edge-degenerative"])),
)


def perform(s: Session, act: Any) -> None:
    kind, *given_ = act
    if kind == "procedure":
        s.set_procedure(*given_)
    elif kind in ("place", "move"):
        getattr(s, kind)(*given_[:-1], lps(s.volume, *given_[-1]))  # type: ignore[arg-type]
    else:
        getattr(s, kind)(*given_)


@given(st.lists(acts, max_size=25))
def test_undo_goes_back_through_every_state_and_redo_forth_again(todo: list[Any]) -> None:
    s = Session()
    s.set_volume(small_volume())
    seen = [state(s)]
    for act in todo:
        perform(s, act)
        if state(s) != seen[-1]:
            seen.append(state(s))
    for expected in reversed(seen[:-1]):
        assert s.undo()
        assert state(s) == expected
    assert not s.undo()
    for expected in seen[1:]:
        assert s.redo()
        assert state(s) == expected
    assert not s.redo()


@given(st.lists(acts, min_size=1, max_size=10), st.lists(acts, min_size=1, max_size=5))
def test_a_new_step_ends_what_could_be_redone(first: list[Any], then: list[Any]) -> None:
    s = Session()
    s.set_volume(small_volume())
    for act in first:
        perform(s, act)
    s.undo()
    before = state(s)
    for act in then:
        perform(s, act)
    if state(s) != before:
        assert not s.can_redo


# --------------------------------------------------------------------------------------------------------- files


def marked(session: Session) -> Session:
    v = session.volume
    assert v is not None
    session.place("fossa", lps(v, 5, 5, 5) + 1 / 3)
    for k in (25, 12):
        session.place("inferior_vena_cava", lps(v, 9, 9, k))
    return session


def test_landmarks_come_back_from_their_file_to_the_last_bit(session: Session, tmp_path: Path) -> None:
    marked(session)
    assert session.save_landmarks(tmp_path / "landmarks.json")
    assert not session.unsaved
    document = json.loads((tmp_path / "landmarks.json").read_text("utf-8"))
    assert document["coordinate_system"] == "LPS"
    assert document["unit"] == "mm"
    assert document["frame_of_reference_uid"] == "1.2.3"
    again = Session()
    again.set_volume(small_volume())
    assert again.open_landmarks(tmp_path / "landmarks.json")
    assert state(again)[0] == state(session)[0]
    assert list(again.points_lps) == list(session.points_lps)
    assert not again.unsaved
    assert again.undo()
    assert again.points_lps == {}


def test_too_few_points_are_said_and_stay_unsaved(session: Session, tmp_path: Path) -> None:
    ear = Ear(session)
    assert not session.save_landmarks(tmp_path / "landmarks.json")  # nothing yet
    marked(session)
    session.place("mitral_annulus", lps(session.volume, 9, 9, 20))  # type: ignore[arg-type]
    assert session.save_landmarks(tmp_path / "landmarks.json")
    assert "Mitral annulus (1 of 6)" in ear.last()
    assert session.unsaved
    assert set(read_landmarks(tmp_path / "landmarks.json").points_lps) == {"fossa", "inferior_vena_cava"}
    assert len(session.points_lps["mitral_annulus"]) == 1


def test_an_unwritable_place_is_said(session: Session, tmp_path: Path) -> None:
    ear = Ear(marked(session))
    assert not session.save_landmarks(tmp_path / "nowhere" / "landmarks.json")
    assert "cannot be written" in ear.last()
    assert session.unsaved


def test_landmarks_of_another_scan_change_nothing(session: Session, tmp_path: Path) -> None:
    ear = Ear(marked(session))
    before = state(session)
    inside, outside = lps(session.volume, 1, 1, 1), [900.0, 0.0, 0.0]  # type: ignore[arg-type]
    write_landmarks(tmp_path / "frame.json", Landmarks({"fossa": inside[None]}, "9.9.9"))
    write_landmarks(tmp_path / "outside.json", Landmarks({"fossa": np.array([outside])}))
    (tmp_path / "broken.json").write_text("{")
    for name, words in (
        ("frame.json", "frame of reference 9.9.9"),
        ("outside.json", "fossa lies outside"),
        ("broken.json", "not valid JSON"),
        ("absent.json", "cannot be read"),
    ):
        assert not session.open_landmarks(tmp_path / name)
        assert words in ear.last()
        assert state(session) == before
    assert session.unsaved


def test_locked_landmarks_are_not_overwritten_by_a_file(session: Session, tmp_path: Path) -> None:
    ear = Ear(marked(session))
    session.lock("fossa")
    other = lps(session.volume, 1, 1, 1)  # type: ignore[arg-type]
    write_landmarks(tmp_path / "l.json", Landmarks({"fossa": other[None], "aorta": other[None]}))
    mine = session.points_lps["fossa"]
    assert session.open_landmarks(tmp_path / "l.json")
    np.testing.assert_array_equal(session.points_lps["fossa"], mine)
    np.testing.assert_array_equal(session.points_lps["aorta"], [other])
    assert "Locked" in ear.last()
    assert session.unsaved


def test_a_second_ct_over_unsaved_work_is_refused(session: Session) -> None:
    ear = Ear(marked(session))
    before, volume = state(session), session.volume
    other = small_volume(frame_of_reference_uid="4.5.6")
    assert not session.set_volume(other)
    assert "not saved" in ear.last()
    assert session.volume is volume
    assert state(session) == before
    assert session.set_volume(other, discard=True)
    assert session.volume is other
    assert session.points_lps == {}
    assert not session.unsaved
    assert not session.can_undo


def test_the_cross_hair_stays_in_the_ct(session: Session) -> None:
    v = session.volume
    assert v is not None
    np.testing.assert_allclose(session.cursor_lps, lps(v, 9.5, 14.5, 19.5))
    assert session.set_cursor(lps(v, 3, 4, 500))
    np.testing.assert_allclose(session.cursor_lps, lps(v, 3, 4, 39))
    assert not session.set_cursor([0, 0, float("inf")])


# ------------------------------------------------------------------------------------------------ where to cross


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


def test_a_target_far_off_is_refused(planned: Session) -> None:
    ear = Ear(planned)
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
    planned: Session, quick_surveyed: Surveyed
) -> None:
    ear, before = Ear(planned), planned.site
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


def test_up_to_four_candidates(planned: Session) -> None:
    ear = Ear(planned)
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


def test_changed_landmarks_make_the_anatomy_stale_until_taken_back(planned: Session, tmp_path: Path) -> None:
    ear = Ear(planned)
    inside = planned.points_lps["left_atrium"][0]
    assert planned.move("left_atrium", 0, inside + 1)
    assert planned.stale
    assert planned.save_plan(tmp_path / "out") == []
    assert "find the anatomy again" in ear.last()
    assert not (tmp_path / "out").exists()
    assert planned.undo()
    assert not planned.stale


def test_anatomy_of_a_ct_closed_meanwhile_is_left_aside(planned: Session, quick_found: FoundAnatomy) -> None:
    ear = Ear(planned)
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
    planned: Session, quick_found: FoundAnatomy, quick_surveyed: Surveyed
) -> None:
    ear = Ear(planned)
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


# ----------------------------------------------------------------------------------------------------- handing on


@pytest.fixture(scope="module")
def console(written_phantom: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The plan as the console program writes it."""
    out = tmp_path_factory.mktemp("console")
    assert cli.main(["plan", str(written_phantom.ct), str(written_phantom.landmarks), "--out", str(out)]) == 0
    return out


@pytest.fixture(scope="module")
def opened(written_phantom: Any) -> Session:
    """The same CT and landmarks, opened and found as the viewer does."""
    s = Session()
    assert s.set_volume(read_volume(written_phantom.ct), path=written_phantom.ct)
    assert s.open_landmarks(written_phantom.landmarks)
    assert s.find_now()
    return s


def test_the_saved_plan_is_the_console_s_to_the_last_byte(opened: Session, console: Path, tmp_path: Path) -> None:
    paths = opened.save_plan(tmp_path / "out")
    assert [p.relative_to(tmp_path / "out") for p in paths] == sorted(
        p.relative_to(console) for p in console.rglob("*") if p.is_file()
    )
    for path in paths:
        assert path.read_bytes() == (console / path.relative_to(tmp_path / "out")).read_bytes(), path.name
    assert not opened.unsaved


def test_a_saved_plan_comes_back(opened: Session, tmp_path: Path) -> None:
    assert opened.found is not None
    assert opened.volume is not None
    opened.move_target(opened.found.fossa.center_lps + 1.0)
    opened.set_procedure("edge-to-edge-functional")
    assert opened.save_plan(tmp_path)
    target = np.array(opened.target_lps)
    again = Session()
    again.set_volume(opened.volume)
    assert again.open_plan(tmp_path / "plan.json")
    assert not again.unsaved
    assert again.procedure == "edge-to-edge-functional"
    assert np.linalg.norm(np.array(again.target_lps) - target) < 0.01
    for name, p in opened.points_lps.items():
        np.testing.assert_allclose(again.points_lps[name], p, atol=1e-6)
    assert again.ask_for_anatomy() is not None
    assert again.take_found(opened.found)
    assert again.site is not None
    assert again.site.source == "user"


def test_a_plan_of_a_newer_version_or_another_ct_changes_nothing(
    opened: Session, console: Path, tmp_path: Path
) -> None:
    ear, before = Ear(opened), state(opened)
    document = json.loads((console / "plan.json").read_text("utf-8"))
    (tmp_path / "newer.json").write_text(json.dumps({**document, "schema_version": 99}))
    (tmp_path / "no.json").write_text("[]")
    other = json.loads(json.dumps(document))
    other["ct"]["series_instance_uid"] = "9.8.7"
    (tmp_path / "other.json").write_text(json.dumps(other))
    for name, words in (
        ("newer.json", "newer version"), ("no.json", "not a plan"), ("other.json", "another CT"),
        ("absent.json", "cannot be read"),
    ):  # fmt: skip
        assert not opened.open_plan(tmp_path / name)
        assert words in ear.last()
        assert state(opened) == before
        assert opened.found is not None
    bare = Session()
    assert opened.volume is not None
    volume = replace(opened.volume, series_instance_uid=None)  # told by its content then, which is the same
    bare.set_volume(volume)
    assert bare.open_plan(console / "plan.json")
    assert load_plan(console / "plan.json").puncture.target_source == "computed"
    assert bare.target_lps is None
    changed = np.array(volume.hu)
    changed[0, 0, 0] += 1
    bare.set_volume(replace(volume, hu=changed), discard=True)
    assert not bare.open_plan(console / "plan.json")


def test_nothing_is_saved_where_it_cannot_be(opened: Session, tmp_path: Path) -> None:
    ear = Ear(opened)
    (tmp_path / "file").write_text("")
    assert opened.save_plan(tmp_path / "file" / "out") == []
    assert "cannot be written" in ear.last()
    assert NO_ANATOMY not in ear.last()
