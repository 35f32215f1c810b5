"""The state of the viewer without a window: marking with undo, files of landmarks, and bad use."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from septal_viewer.opened import NO_CT
from septal_viewer.session import Session

from septal_planner.inputs.landmarks import Landmarks, read_landmarks, write_landmarks
from septal_planner.inputs.volume import Volume


def lps(volume: Volume, *index: float) -> np.ndarray[Any, Any]:
    return volume.lps_from_index[:3, :3] @ np.array(index) + volume.lps_from_index[:3, 3]


@pytest.fixture
def session(small_volume: Any) -> Session:
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


def test_a_landmark_of_one_point_moves_and_a_full_one_refuses(session: Session, listen: Any) -> None:
    ear = listen(session)
    for i in range(2):
        assert session.place("left_atrium", lps(session.volume, 5 + i, 5, 5))  # type: ignore[arg-type]
        assert session.place("inferior_vena_cava", lps(session.volume, 5, 5, 5 + 9 * i))  # type: ignore[arg-type]
    assert len(session.points_lps["left_atrium"]) == 1
    assert not session.place("inferior_vena_cava", lps(session.volume, 5, 5, 9))  # type: ignore[arg-type]
    assert "has its 2 points already" in ear.last()


@pytest.mark.parametrize("outside", [(-0.6, 5, 5), (19.6, 5, 5), (5, 29.6, 5), (5, 5, 1000)])
def test_a_point_outside_the_ct_is_refused_and_nothing_changes(
    session: Session, outside: tuple[float, float, float], listen: Any
) -> None:
    ear = listen(session)
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


def test_nonsense_is_refused_in_one_sentence(session: Session, listen: Any) -> None:
    ear = listen(session)
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


def test_without_a_ct_everything_is_refused(listen: Any) -> None:
    empty = Session()
    ear = listen(empty)
    assert not empty.place("fossa", [0, 0, 0])
    assert not empty.open_landmarks("any.json")
    assert not empty.open_plan("any.json")
    assert empty.ask_for_anatomy() is None
    assert empty.ask_for_plan() is None
    assert empty.save_plan("anywhere") == []
    assert not empty.set_cursor([0, 0, 0])
    assert {s for s, _ in ear.all} == {NO_CT}
    assert not empty.unsaved


def test_a_locked_landmark_stays(session: Session, listen: Any) -> None:
    ear = listen(session)
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
def test_undo_goes_back_through_every_state_and_redo_forth_again(small_volume: Any, todo: list[Any]) -> None:
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
def test_a_new_step_ends_what_could_be_redone(small_volume: Any, first: list[Any], then: list[Any]) -> None:
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


def test_landmarks_come_back_from_their_file_to_the_last_bit(
    session: Session, tmp_path: Path, small_volume: Any
) -> None:
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


def test_too_few_points_are_said_and_stay_unsaved(session: Session, tmp_path: Path, listen: Any) -> None:
    ear = listen(session)
    assert not session.save_landmarks(tmp_path / "landmarks.json")  # nothing yet
    marked(session)
    session.place("mitral_annulus", lps(session.volume, 9, 9, 20))  # type: ignore[arg-type]
    assert session.save_landmarks(tmp_path / "landmarks.json")
    assert "Mitral annulus (1 of 6)" in ear.last()
    assert session.unsaved
    assert set(read_landmarks(tmp_path / "landmarks.json").points_lps) == {"fossa", "inferior_vena_cava"}
    assert len(session.points_lps["mitral_annulus"]) == 1


def test_an_unwritable_place_is_said(session: Session, tmp_path: Path, listen: Any) -> None:
    ear = listen(marked(session))
    assert not session.save_landmarks(tmp_path / "nowhere" / "landmarks.json")
    assert "cannot be written" in ear.last()
    assert session.unsaved


def test_landmarks_of_another_scan_change_nothing(session: Session, tmp_path: Path, listen: Any) -> None:
    ear = listen(marked(session))
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


def test_locked_landmarks_are_not_overwritten_by_a_file(session: Session, tmp_path: Path, listen: Any) -> None:
    ear = listen(marked(session))
    session.lock("fossa")
    other = lps(session.volume, 1, 1, 1)  # type: ignore[arg-type]
    write_landmarks(tmp_path / "l.json", Landmarks({"fossa": other[None], "aorta": other[None]}))
    mine = session.points_lps["fossa"]
    assert session.open_landmarks(tmp_path / "l.json")
    np.testing.assert_array_equal(session.points_lps["fossa"], mine)
    np.testing.assert_array_equal(session.points_lps["aorta"], [other])
    assert "Locked" in ear.last()
    assert session.unsaved


def test_a_second_ct_over_unsaved_work_is_refused(session: Session, listen: Any, small_volume: Any) -> None:
    ear = listen(marked(session))
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
