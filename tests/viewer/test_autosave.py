"""Unsaved work is kept through any end of the window, offered at the next start, and forgotten once saved."""

from __future__ import annotations

import json
import os
import stat
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from septal_phantoms.angiogram import Setup, draw, write_xa, xa_dataset
from septal_viewer.autosave import Autosave, discard, find_kept, read_kept, state_folder
from septal_viewer.pairs import TIP, Pairs
from septal_viewer.session import Session
from septal_viewer.table_jobs import frame_job

from septal_planner.inputs.frame_points import FramePoints
from septal_planner.inputs.volume import Volume


def volume(**other: Any) -> Volume:
    affine = np.diag([2.0, 1.0, 3.0, 1.0])
    return Volume(np.full((40, 30, 20), 300, np.int16), affine, **{"frame_of_reference_uid": "1.2.3", **other})


class Clock:
    now = 100.0

    def __call__(self) -> float:
        return self.now


def start(folder: Path, **other: Any) -> tuple[Session, Autosave, Clock]:
    session, clock = Session(), Clock()
    keeper = Autosave(session, folder, clock=clock)
    session.set_volume(volume(**other), path=folder / "Doe^Jane" / "ct")
    return session, keeper, clock


def files(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.glob("*") if p.is_file())


def test_work_comes_back_whole(tmp_path: Path) -> None:
    session, keeper, clock = start(tmp_path)
    assert files(tmp_path) == []  # nothing unsaved, nothing kept
    third = 1 / 3
    session.place("fossa", [third, 5, 6])
    session.place("mitral_annulus", [7, 8, 9])  # far too few points for landmarks.json
    clock.now += 2
    session.lock("fossa")
    session.set_procedure("edge-to-edge-functional")
    session.set_catheter("steerable-sheath-small-curve")
    keeper.close()
    (kept,), faults = find_kept(tmp_path)
    assert faults == []
    assert kept.ct == (tmp_path / "Doe^Jane" / "ct").absolute()
    assert "2 points of 2 landmarks" in kept.words
    again, keeper2, _ = start(tmp_path)
    assert keeper2.restore(kept)
    assert again.marks == session.marks
    assert again.points_lps["fossa"][0, 0] == third
    assert again.unsaved
    assert again.can_undo
    assert not kept.file.exists()  # this window's own file has it now
    assert keeper2.file.exists()
    keeper2.close()
    assert len(find_kept(tmp_path)[0]) == 1


def test_at_most_one_write_a_second_and_one_at_the_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    session, keeper, clock = start(tmp_path)
    clock.now += 5
    written = []
    write = keeper.write
    monkeypatch.setattr(keeper, "write", lambda: (written.append(clock.now), write()))
    for _ in range(50):
        clock.now += 0.1
        session.place("fossa", [1 + clock.now / 100, 5, 6])
        keeper.tick()
    assert 5 <= len(written) <= 6
    assert np.diff(written).min() >= 1.0 - 1e-9
    session.place("fossa", [9, 9, 9])
    keeper.close()
    assert find_kept(tmp_path)[0][0].marks.points["fossa"] == ((9.0, 9.0, 9.0),)


def test_a_clean_save_forgets_and_so_does_giving_up(tmp_path: Path) -> None:
    session, keeper, clock = start(tmp_path / "state")
    session.place("fossa", [1, 5, 6])
    clock.now += 2
    keeper.tick()
    assert keeper.file.exists()
    assert session.save_landmarks(tmp_path / "landmarks.json")
    clock.now += 2
    keeper.tick()
    assert files(tmp_path / "state") == []
    session.place("fossa", [2, 5, 6])
    clock.now += 2
    keeper.tick()
    assert keeper.file.exists()
    keeper.close(clear=True)
    assert files(tmp_path / "state") == []


def test_file_names_say_nothing_and_others_cannot_read(tmp_path: Path) -> None:
    session, keeper, _ = start(tmp_path, identity={"name": "Doe^Jane", "id": "4711"})
    session.place("fossa", [1, 5, 6])
    keeper.write()
    (name,) = [f for f in files(tmp_path) if f.endswith(".json")]
    assert "Doe" not in name
    assert "4711" not in (tmp_path / name).read_text("utf-8")
    if os.name == "posix":
        assert stat.S_IMODE((tmp_path / name).stat().st_mode) == 0o600
    keeper.close()


def test_what_a_living_window_holds_is_not_offered(tmp_path: Path) -> None:
    session, keeper, _ = start(tmp_path)
    session.place("fossa", [1, 5, 6])
    keeper.write()
    assert find_kept(tmp_path) == ([], [])
    keeper.close()
    (kept,), _ = find_kept(tmp_path)
    discard(kept)
    assert files(tmp_path) == []


KILLED = """
import sys, time
sys.path.insert(0, {tests!r})
from pathlib import Path
from test_autosave import start
session, keeper, clock = start(Path({folder!r}))
clock.now += 2
session.place("fossa", [1, 5, 6])
print("kept", flush=True)
time.sleep(60)
"""


def test_a_killed_window_loses_nothing(tmp_path: Path) -> None:
    code = KILLED.format(tests=str(Path(__file__).parent), folder=str(tmp_path))
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as window:
        assert window.stdout is not None
        assert window.stdout.readline() == "kept\n"
        assert find_kept(tmp_path)[0] == []  # it lives
        window.kill()
        window.wait()
    (kept,), faults = find_kept(tmp_path)
    assert faults == []
    assert kept.marks.points == {"fossa": ((1.0, 5.0, 6.0),)}


def test_kept_work_of_another_ct_is_not_put_on_this_one(tmp_path: Path) -> None:
    session, keeper, _ = start(tmp_path)
    session.place("fossa", [1, 5, 6])
    keeper.close()
    (kept,), _ = find_kept(tmp_path)
    said: list[str] = []
    empty = Session()
    empty.said.connect(lambda text, _kind: said.append(text))
    assert not Autosave(empty, tmp_path / "other").restore(kept)
    for other in (
        volume(frame_of_reference_uid="9.9"),
        Volume(np.zeros((4, 30, 20), np.int16), np.diag([2.0, 1.0, 3.0, 1.0])),
    ):
        fresh = Session()
        fresh.said.connect(lambda text, _kind: said.append(text))
        fresh.set_volume(other)
        assert not Autosave(fresh, tmp_path / "other").restore(kept)
        assert fresh.points_lps == {}
    assert len(said) == 3
    assert all(s.startswith("The kept work cannot be taken up since") and s.endswith("first.") for s in said)
    assert kept.file.exists()


def test_restoring_over_unsaved_work_is_refused(tmp_path: Path) -> None:
    session, keeper, _ = start(tmp_path)
    session.place("fossa", [1, 5, 6])
    keeper.close()
    (kept,), _ = find_kept(tmp_path)
    other, keeper2, _ = start(tmp_path)
    other.place("aorta", [2, 5, 6])
    assert not keeper2.restore(kept)
    assert set(other.points_lps) == {"aorta"}
    keeper2.close(clear=True)
    assert kept.file.exists()


def test_damaged_and_newer_files_stay_and_are_said(tmp_path: Path) -> None:
    session, keeper, _ = start(tmp_path)
    session.place("fossa", [1, 5, 6])
    keeper.close()
    good = json.loads(keeper.file.read_text("utf-8"))
    spoilt: list[Any] = [
        "{", "[]", "null", {**good, "version": 99}, {**good, "landmarks": {"left_ear": [[1, 2, 3]]}},
        {**good, "landmarks": {"fossa": [[1, 2]]}}, {**good, "target": [1, 2, float("nan")]},
        {k: v for k, v in good.items() if k != "ct"}, {**good, "sites": 7}, {**good, "xray": {"runs": []}},
    ]  # fmt: skip
    for i, content in enumerate(spoilt):
        (tmp_path / f"unsaved-{i}.json").write_text(content if isinstance(content, str) else json.dumps(content))
    kept, faults = find_kept(tmp_path)
    assert [k.file for k in kept] == [keeper.file]
    assert len(faults) == len(spoilt)
    assert all(f.endswith(".") and "\n" not in f for f in faults)
    assert sum("newer version" in f for f in faults) == 1
    assert len(list(tmp_path.glob("unsaved-*.json"))) == len(spoilt) + 1
    assert read_kept(keeper.file).marks == session.marks


def xray(folder: Path) -> tuple[Session, Autosave, Pairs, Path]:
    """A session whose landmarks are saved, and a run with marks in its second frame."""
    setup = Setup(-30, 0, 1100, 760, 0.4, (64, 48))
    run = write_xa(folder / "run.dcm", xa_dataset(setup, [draw(setup, [[0, 0, 0]], seed=n) for n in range(3)]))
    session, pairs = Session(), Pairs()
    keeper = Autosave(session, folder / "state", pairs, clock=Clock())
    session.set_volume(volume(), path=folder / "ct")
    pairs.open(frame_job(lambda _text: None, run, 1).run)
    return session, keeper, pairs, run


def test_marks_in_xray_frames_come_back_with_the_paths_of_their_frames(tmp_path: Path) -> None:
    session, keeper, pairs, run = xray(tmp_path)
    pairs.set_number(2)
    pairs.add_name("carina")
    pairs.set_place("carina", (1 / 3, 5, 6))
    pairs.set_pixel("carina", (10.25, 20.5))
    pairs.set_pixel(TIP, (30.0, 21.0))
    pairs.add_name("named only")
    pairs.set_table_moved(True)
    assert not session.unsaved
    keeper.write()
    keeper._release()  # as the system does where the window is killed
    (kept,), faults = find_kept(tmp_path / "state")
    assert faults == []
    assert kept.pairs is not None
    assert kept.pairs.runs == (run,)
    assert "2 marks in 1 X-ray frame," in kept.words
    again, keeper2, pairs2, _ = xray(tmp_path)
    pairs2.close_run()  # a new window has no frames yet
    assert keeper2.restore(kept)
    assert pairs2.marks == pairs.marks
    assert pairs2.unsaved
    pairs2.open(frame_job(lambda _text: None, kept.pairs.runs[0], 1).run)
    f = pairs2.frame()
    assert (f.number, dict(f.pixels), f.tip, f.table_moved) == (2, {"carina": (10.25, 20.5)}, (30.0, 21.0), True)
    assert pairs2.undo()  # taking it up is one step
    assert pairs2.frame().empty
    assert pairs2.redo()
    assert pairs2.frame() == f
    assert again.volume is not None
    assert not kept.file.exists()
    keeper2.close()
    assert len(find_kept(tmp_path / "state")[0]) == 1


def test_marks_in_frames_are_kept_after_undo_and_redo_and_go_once_saved(tmp_path: Path) -> None:
    _, keeper, pairs, run = xray(tmp_path)
    pairs.set_pixel("carina", (10.0, 20.0))
    pairs.set_pixel("carina", (11.0, 20.0))
    pairs.undo()
    keeper.write()
    found = read_kept(keeper.file).pairs
    assert found is not None
    assert found.marks.frames[run].pixels == {"carina": (10.0, 20.0)}
    pairs.redo()
    keeper.write()
    found = read_kept(keeper.file).pairs
    assert found is not None
    assert found.marks == pairs.marks
    pairs.saved()
    keeper.write()
    assert files(tmp_path / "state") == []


def test_a_points_file_that_was_opened_is_kept_whole(tmp_path: Path) -> None:
    _, keeper, pairs, run = xray(tmp_path)
    document = {
        "coordinate_system": "LPS", "unit": "mm", "frame": 2, "comment": "invented",
        "points": ({"name": "carina", "ct_lps": (1.0, 2.0, 3.0), "column": 10.0, "row": 20.0},),
    }  # fmt: skip
    pairs.load(FramePoints.model_validate(document), tmp_path / "p.json", None)
    pairs.set_pixel("calcium", (12.0, 20.0))
    keeper.write()
    found = read_kept(keeper.file).pairs
    assert found is not None
    assert found.marks == pairs.marks
    assert found.marks.frames[run].kept == FramePoints.model_validate(document)
    keeper.close(clear=True)


def test_kept_work_of_versions_without_frames_is_taken_up(tmp_path: Path) -> None:
    session, keeper, _ = start(tmp_path)
    session.place("fossa", [1, 5, 6])
    keeper.close()
    older = json.loads(keeper.file.read_text("utf-8"))
    keeper.file.unlink()
    for version, left_out in ((2, ("xray",)), (1, ("xray", "catheter"))):
        document = {k: v for k, v in older.items() if k not in left_out} | {"version": version}
        (tmp_path / "unsaved-older.json").write_text(json.dumps(document), "utf-8")
        kept = read_kept(tmp_path / "unsaved-older.json")
        assert kept.pairs is None
        again, keeper2, _ = start(tmp_path / str(version))
        assert keeper2.restore(kept)
        assert again.marks.points == session.marks.points
        keeper2.close(clear=True)
        (tmp_path / "unsaved-older.json").unlink(missing_ok=True)


def test_a_folder_that_cannot_be_written_is_said_once(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    session, keeper, clock = start(tmp_path / "file" / "state")
    said: list[str] = []
    session.said.connect(lambda text, _kind: said.append(text))
    for i in range(3):
        clock.now += 2
        assert session.place("fossa", [i, 5, 6])
    assert len(said) == 1
    assert "cannot be kept" in said[0]
    keeper.close()


def test_the_folder_is_where_the_platform_wants_it(tmp_path: Path) -> None:
    # XDG Base Directory Specification 0.8: $XDG_STATE_HOME, absolute, or else ~/.local/state
    assert state_folder({"XDG_STATE_HOME": str(tmp_path)}, "linux") == tmp_path / "septal-planner"
    for relative in ({"XDG_STATE_HOME": "here"}, {}):
        assert state_folder(relative, "linux") == Path.home() / ".local" / "state" / "septal-planner"
    # Apple, File System Programming Guide; Microsoft, KNOWNFOLDERID: from memory
    assert "Application Support" in str(state_folder({}, "darwin"))
    assert state_folder({"LOCALAPPDATA": str(tmp_path)}, "win32") == tmp_path / "septal-planner"


def test_a_write_takes_no_time_that_is_felt(tmp_path: Path) -> None:
    session, keeper, _ = start(tmp_path)
    for i in range(19):
        session.place("mitral_annulus", [i, 5, 6])
    begun = time.perf_counter()
    keeper.write()
    assert time.perf_counter() - begun < 0.1
    keeper.close(clear=True)
