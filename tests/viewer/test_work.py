"""Long steps in a process beside: done, failed, cancelled, refused while busy, and nothing of a window in it."""

from __future__ import annotations

import gc
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from multiprocessing.shared_memory import SharedMemory
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from septal_viewer import parcels
from septal_viewer.parcels import Held, fill, pack, unpack
from septal_viewer.session import Session
from septal_viewer.surveys import Aim
from septal_viewer.work import Cancelled, Done, Failed, Progress, Refused, Work
from septal_viewer.worker import as_sentence

from septal_planner.inputs.landmarks import Landmarks, read_landmarks
from septal_planner.inputs.volume import Volume, read_volume
from septal_planner.pipeline import FoundAnatomy, PlannedCase
from septal_planner.plan import plan_as_json

LONG_S = 240.0
AIM = Aim("edge-to-edge-degenerative", "large-guide-two-plane")


@pytest.fixture(scope="module")
def work() -> Iterator[Work]:
    made = Work()
    yield made
    made.close()


def end_of(work: Work) -> Any:
    events = work.wait(LONG_S)
    assert not work.busy
    return events[-1]


def test_listing_with_thumbnails_then_reading(work: Work, written_phantom: Any) -> None:
    assert work.start_list(written_phantom.ct)
    listed = end_of(work)
    assert isinstance(listed, Done), listed
    (one,) = listed.result
    assert one.summary.usable
    assert one.thumbnail is not None
    direct = read_volume(written_phantom.ct)
    middle = direct.hu[len(direct.hu) // 2]
    np.testing.assert_array_equal(one.thumbnail, middle)
    assert one.pixel_mm == pytest.approx((1.0, 1.0))
    assert work.start_read(written_phantom.ct, series_uid=one.summary.selector)
    events = work.wait(LONG_S)
    assert any(isinstance(e, Progress) and e.text.startswith("Reading") for e in events)
    volume = events[-1].result  # type: ignore[union-attr]
    np.testing.assert_array_equal(volume.hu, direct.hu)
    np.testing.assert_array_equal(volume.lps_from_index, direct.lps_from_index)
    assert replace(volume, hu=direct.hu, lps_from_index=direct.lps_from_index) == direct
    volume.hu[0, 0, 0] += 1  # the window's own memory, not borrowed


def test_several_phases_in_the_order_named(work: Work, written_phantom: Any) -> None:
    uid = read_volume(written_phantom.ct).series_instance_uid
    assert uid is not None
    assert work.start_read_phases(written_phantom.ct, [uid, uid])
    done = end_of(work)
    assert isinstance(done, Done), done
    assert len(done.result) == 2


def test_the_whole_job_gives_what_is_got_without_a_process(
    work: Work, quick_volume: Volume, quick_phantom: Any, quick_case: PlannedCase, quick_found: FoundAnatomy,
    tmp_path: Path,
) -> None:  # fmt: skip
    session = Session()
    session.set_volume(quick_volume)
    session.take_landmarks(Landmarks(quick_phantom.landmarks))
    asked = session.ask_for_anatomy()
    assert asked is not None
    assert work.start_find(*asked)
    events = work.wait(LONG_S)
    assert "Measuring the septal wall" in [e.text for e in events if isinstance(e, Progress)]
    done = events[-1]
    assert isinstance(done, Done), done
    np.testing.assert_array_equal(done.result.found.fossa.rim_lps, quick_found.fossa.rim_lps)
    assert session.take_found(done.result)
    # the site computed beside is the one computed here
    here = quick_case.site
    assert session.site is not None
    np.testing.assert_array_equal(session.site.target_lps, here.target_lps)
    assert session.site.height_mm == here.height_mm

    # the survey comes back in stages, resting on the anatomy that the window holds
    kinds = []
    while (step := session.next_step()) is not None and step.kind != "plan":
        kinds.append(step.kind)
        assert session.found is not None
        assert work.start_step(step, session.found, session.surveys.of(step.aim))
        end = end_of(work)
        assert isinstance(end, Done), end
        if step.kind == "passage":
            assert session.take_passage(session.found, step.aim, end.result)
        else:
            assert end.result.survey.approach.chambers is session.found.chambers
            assert end.result.survey.approach.fossa is session.found.fossa
            assert session.take_surveyed(session.found, step.aim, end.result)
    assert kinds == ["trial", "passage", "shares"]
    request = session.ask_for_plan()
    assert request is not None
    assert request.surveyed is not None
    assert request.surveyed.whole
    assert work.start_plan(request.volume, request.found, request.aim, request.surveyed)
    planned = end_of(work)
    assert isinstance(planned, Done), planned
    assert planned.result.volume is quick_volume  # not sent back
    assert planned.result.chambers is request.found.chambers
    assert plan_as_json(planned.result.plan) == plan_as_json(quick_case.plan)
    assert session.take_case(planned.result, request)

    assert work.start_hand_on(request.volume, request.found, request.aim, request.surveyed, tmp_path / "out")
    written = end_of(work)
    assert isinstance(written, Done), written
    assert session.take_handed_on(written.result, request)
    assert not session.unsaved
    names = {str(p.relative_to(tmp_path / "out")) for p in written.result.paths}
    assert {"plan.json", "plan.pdf", "labels.nii.gz", "quality.png"} <= names
    assert (tmp_path / "out" / "plan.json").read_text("utf-8") == plan_as_json(quick_case.plan)


def test_the_invented_case_is_as_its_files_would_be(work: Work, written_phantom: Any) -> None:
    assert work.start_phantom("normal")
    done = end_of(work)
    assert isinstance(done, Done), done
    case, file = done.result, read_volume(written_phantom.ct)
    np.testing.assert_array_equal(case.volume.hu, file.hu)
    assert case.volume.series_instance_uid == file.series_instance_uid
    assert case.volume.frame_of_reference_uid == file.frame_of_reference_uid
    marked = read_landmarks(written_phantom.landmarks)
    assert list(case.landmarks.points_lps) == list(marked.points_lps)
    for name, p in marked.points_lps.items():
        np.testing.assert_array_equal(case.landmarks.points_lps[name], p)


def test_faults_are_one_sentence_and_the_process_goes_on(
    work: Work, quick_volume: Volume, quick_phantom: Any, tmp_path: Path
) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "notes").mkdir()
    (tmp_path / "notes" / "letter.txt").write_text("no CT here")
    bad = Landmarks({"fossa": np.array([[1.0, 2.0, 3.0]])})
    starts = [
        lambda: work.start_read(tmp_path / "nowhere"),
        lambda: work.start_read(tmp_path / "empty"),
        lambda: work.start_list(tmp_path / "notes"),
        lambda: work.start_read(tmp_path / "notes" / "letter.txt"),
        lambda: work.start_find(quick_volume, bad, AIM),
    ]
    for start in starts:
        assert start()
        end = end_of(work)
        assert isinstance(end, Failed)
        assert end.sentence.endswith(".")
        assert "\n" not in end.sentence
        assert "unexpected" not in end.sentence
        assert end.details == ""
    # something nobody thought of: a sentence for the person, the rest for the log
    assert work.start_find("no volume", Landmarks(quick_phantom.landmarks), AIM)  # type: ignore[arg-type]
    end = end_of(work)
    assert isinstance(end, Failed)
    assert end.sentence.startswith("An unexpected fault ended this step")
    assert "Traceback" in end.details


def test_cancelling_midway_and_starting_while_busy(work: Work, quick_volume: Volume, quick_phantom: Any) -> None:
    landmarks = Landmarks(quick_phantom.landmarks)
    assert work.start_find(quick_volume, landmarks, AIM)
    events: list[Any] = []
    end = time.monotonic() + 60
    while not any(isinstance(e, Progress) and "atria" in e.text for e in events) and time.monotonic() < end:
        events += work.poll()
        time.sleep(0.01)
    assert work.job == "find"
    assert not work.start_find(quick_volume, landmarks, AIM)
    assert not work.start_read("anything")
    refused = [e for e in work.poll() if isinstance(e, Refused)]
    assert [r.job for r in refused] == ["find", "read"]
    assert "still finding the anatomy" in refused[0].sentence
    begun = time.perf_counter()
    assert work.cancel()
    assert time.perf_counter() - begun < 0.1
    assert not work.cancel()
    assert work.poll()[-1] == Cancelled("find")
    assert not work.busy
    assert not work.cancel()
    # and on with the next at once, in a fresh process
    assert work.start_read("/nowhere at all")
    assert isinstance(end_of(work), Failed)
    assert work.poll() == []  # nothing comes after of what was given up


def test_no_call_keeps_the_window_waiting(work: Work, quick_volume: Volume, quick_phantom: Any) -> None:
    big = replace(quick_volume, hu=np.zeros((150, 512, 512), np.int16))
    begun = time.perf_counter()
    assert work.start_find(big, Landmarks(quick_phantom.landmarks), AIM)
    assert time.perf_counter() - begun < 0.1
    slowest = 0.0
    while work.busy:
        begun = time.perf_counter()
        work.poll()
        slowest = max(slowest, time.perf_counter() - begun)
        time.sleep(0.005)
    assert slowest < 0.1


def test_a_process_that_dies_is_said_and_replaced() -> None:
    work = Work()
    try:
        assert work.start_phantom("normal")
        while not work.poll():
            time.sleep(0.01)
        work._helper._process.kill()  # type: ignore[union-attr]
        end = end_of(work)
        assert isinstance(end, Failed)
        assert "ended by itself" in end.sentence
        assert work.start_read("/nowhere at all")
        end = end_of(work)
        assert isinstance(end, Failed)
        assert "does not exist" in end.sentence
    finally:
        work.close()
    assert not work.start_read("/nowhere at all")
    assert isinstance(work.poll()[-1], Refused)


def test_the_process_knows_no_window() -> None:
    code = (
        "import sys, septal_viewer.worker\n"
        "print([m for m in sys.modules if m.partition('.')[0] in ('napari', 'qtpy', 'PySide6', 'vispy')])"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "[]\n"


UNGUARDED = """
from septal_viewer.work import Work
print("run", flush=True)
work = Work()
work.start_read("/nowhere at all")
print(type(work.wait()[-1]).__name__, flush=True)
work.close()
"""


def test_a_script_without_a_guard_is_not_run_twice(tmp_path: Path) -> None:
    (tmp_path / "mine.py").write_text(UNGUARDED)
    # a file beside the script must not be taken for a library by the process beside
    (tmp_path / "SimpleITK.py").write_text("raise RuntimeError('not the library')")
    (tmp_path / "run.py").write_text((tmp_path / "mine.py").read_text("utf-8"))
    done = subprocess.run(
        [sys.executable, "-P", "run.py"], cwd=tmp_path, capture_output=True, text=True, timeout=LONG_S, check=True
    )
    assert done.stdout.split() == ["run", "Failed"]
    assert done.stderr == ""


def test_the_process_ends_with_its_window() -> None:
    code = (
        "import time; from septal_viewer.work import Work\n"
        "work = Work(); work.start_phantom('normal', quick=False)\n"
        "while not work.poll(): time.sleep(0.01)\n"
        "print(work._helper._process.pid, flush=True); import os; os._exit(1)"
    )
    pid = int(subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False).stdout)
    end = time.monotonic() + 30
    while _runs(pid) and time.monotonic() < end:
        time.sleep(0.1)
    assert not _runs(pid)


# stands for the plan's files: two of them, of which the first takes its time
WRITES_SLOWLY = """
import os, time
from pathlib import Path
from septal_viewer import worker

def write(say, folder, when):
    real = os.replace
    def replace(source, target):
        if Path(target) == Path(folder) / "b.json":
            say("moving")
            time.sleep(1.0)
        real(source, target)
    os.replace = replace
    with worker.staged(Path(folder)) as fresh:
        for name in ("a.json", "b.json"):
            (fresh / name).write_text("new")
        if when == "writing":
            say("writing")
            time.sleep(600)

worker.JOBS["hand_on"] = write
worker.serve()
"""


@pytest.mark.parametrize("ends", [Work.cancel, Work.close])
@pytest.mark.parametrize("when", ["writing", "moving"])
def test_files_are_all_old_or_all_new_where_handing_on_is_stopped(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, ends: Callable[[Work], object], when: str
) -> None:
    monkeypatch.setattr("septal_viewer.work._START", WRITES_SLOWLY)
    for name in ("a.json", "b.json"):
        (tmp_path / name).write_text("old")
    work = Work()
    try:
        assert work.start_job("hand_on", str(tmp_path), when)
        end = time.monotonic() + 60
        while not any(isinstance(e, Progress) and e.text == when for e in work.poll()):
            assert time.monotonic() < end
            time.sleep(0.01)
        pid = work._helper._process.pid  # type: ignore[union-attr]
        begun = time.perf_counter()
        ends(work)
        assert time.perf_counter() - begun < 0.1
        assert not work.busy or [type(e) for e in work.poll()] == [Cancelled]
        while _runs(pid):
            assert time.monotonic() < end
            time.sleep(0.02)
    finally:
        work.close()
    assert {p.name: p.read_text() for p in tmp_path.iterdir()} == dict.fromkeys(
        ("a.json", "b.json"), "old" if when == "writing" else "new"
    )


def _runs(pid: int) -> bool:
    status = Path(f"/proc/{pid}/stat")
    if not Path("/proc").is_dir():
        pytest.skip("no /proc here to look at")
    try:
        return status.read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def test_parcels_leave_behind_what_the_other_side_holds(quick_volume: Volume) -> None:
    ours, theirs = Held(), Held()
    big = np.arange(1_000_000, dtype=np.float64)
    packed = pack((quick_volume, big, "words"), ours)
    assert packed.room >= quick_volume.hu.nbytes + big.nbytes
    assert len(packed.text) < 10_000
    memory = SharedMemory(create=True, size=packed.room)
    try:
        fill(packed, memory)
        volume, numbers, words = unpack(packed.text, packed.sizes, memory, theirs, keep=True)
    finally:
        memory.close()
        memory.unlink()
    np.testing.assert_array_equal(volume.hu, quick_volume.hu)
    np.testing.assert_array_equal(numbers, big)
    assert words == "words"
    ours.keep(quick_volume)
    theirs.keep(volume)
    packed = pack((quick_volume, None), ours)
    assert packed.room == 0
    assert unpack(packed.text, (), None, theirs, keep=True)[0] is volume
    gc.collect()


def test_without_shared_memory_all_goes_through_the_pipe(
    quick_volume: Volume, written_phantom: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    # a container's 64 MB, say, when a CT has 157
    monkeypatch.setattr(parcels, "SPARE_BYTES", 1 << 60)
    if not parcels.SHARED.is_dir():
        pytest.skip("this system does not tell how much shared memory there is")
    assert parcels.make_room(1000) is None
    work = Work()
    try:
        assert work.start_read(written_phantom.ct)
        done = end_of(work)
        assert isinstance(done, Done), done
        np.testing.assert_array_equal(done.result.hu, quick_volume.hu)
        assert work.start_find(replace(quick_volume, notes=("another",)), Landmarks({}), AIM)
        assert isinstance(end_of(work), Failed)
    finally:
        work.close()


def test_faults_become_sentences() -> None:
    for problem, words in ((MemoryError(), "memory of this machine"), (KeyError("x"), "KeyError"), (OSError(), "OSE")):
        sentence, details = as_sentence(problem)
        assert words in sentence
        assert sentence.endswith(".")
        assert type(problem).__name__ in details
