"""Results appear whole or not at all."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from septal_planner.errors import InputRefused
from septal_planner.inputs.landmarks import Landmarks, read_landmarks, write_landmarks
from septal_planner.output_folder import is_disk_full, staged, write_whole


def tree(folder: Path) -> dict[str, str]:
    return {str(p.relative_to(folder)): p.read_text() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_moves_files_and_folders_and_leaves_nothing_else(tmp_path: Path) -> None:
    out = tmp_path / "a" / "b"
    with staged(out) as folder:
        (folder / "plan.json").write_text("1")
        (folder / "pictures").mkdir()
        (folder / "pictures" / "one.png").write_text("p")
        assert not (out / "plan.json").exists()
    assert tree(out) == {"plan.json": "1", "pictures/one.png": "p"}
    assert sorted(p.name for p in out.iterdir()) == ["pictures", "plan.json"]


def test_replaces_what_is_there_and_keeps_the_rest(tmp_path: Path) -> None:
    (tmp_path / "pictures").mkdir()
    (tmp_path / "pictures" / "old.png").write_text("old")
    (tmp_path / "plan.json").write_text("old")
    (tmp_path / "notes.txt").write_text("mine")
    with staged(tmp_path) as folder:
        (folder / "plan.json").write_text("new")
        (folder / "pictures").mkdir()
        (folder / "pictures" / "new.png").write_text("new")
    assert tree(tmp_path) == {"plan.json": "new", "pictures/new.png": "new", "notes.txt": "mine"}


def test_what_is_outdated_goes_with_the_new(tmp_path: Path) -> None:
    def fill(names: tuple[str, ...], outdated: tuple[str, ...]) -> None:
        with staged(tmp_path, outdated=outdated) as folder:
            for name in names:
                (folder / name).write_text("new")

    for name in ("one.png", "two.png", "three.png"):
        (tmp_path / name).write_text("old")
    (tmp_path / "pictures").mkdir()
    fill((), ("one.png",))  # nothing came in its place
    assert (tmp_path / "one.png").exists()
    fill(("one.png",), ("one.png", "two.png", "pictures", "nowhere.png"))
    assert tree(tmp_path) == {"one.png": "new", "three.png": "old"}
    assert (tmp_path / "pictures").is_dir()


@pytest.mark.parametrize("end", [RuntimeError("x"), KeyboardInterrupt(), SystemExit(1)])
def test_leaves_nothing_when_ended_early(tmp_path: Path, end: BaseException) -> None:
    out = tmp_path / "a" / "b"
    with pytest.raises(type(end)), staged(out) as folder:
        (folder / "plan.json").write_text("1")
        raise end
    assert list(tmp_path.iterdir()) == []


def test_leaves_the_old_result_when_ended_early(tmp_path: Path) -> None:
    (tmp_path / "plan.json").write_text("old")
    with pytest.raises(RuntimeError, match="x"), staged(tmp_path) as folder:
        (folder / "plan.json").write_text("new")
        raise RuntimeError("x")
    assert tree(tmp_path) == {"plan.json": "old"}


def test_puts_back_what_was_there_when_moving_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a.json").write_text("old")
    (tmp_path / "pictures").mkdir()
    (tmp_path / "pictures" / "old.png").write_text("old")
    before = tree(tmp_path)
    real = os.replace

    def replace(source: Path, target: Path) -> None:
        if Path(target).name == "z.json":
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(target))
        real(source, target)

    monkeypatch.setattr("os.replace", replace)
    with pytest.raises(InputRefused, match="full"), staged(tmp_path) as folder:
        for name in ("a.json", "b.json", "z.json"):
            (folder / name).write_text("new")
        (folder / "pictures").mkdir()
        (folder / "pictures" / "new.png").write_text("new")
    monkeypatch.undo()
    assert tree(tmp_path) == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.json", "pictures"]


# errno that link(2) gives where the file system knows no hard links: EPERM as POSIX and Linux have it, ENOTSUP on macOS
@pytest.mark.parametrize("why", [errno.EPERM, errno.ENOTSUP, errno.ENOSYS])
@pytest.mark.parametrize("fails", [False, True])
def test_where_files_have_one_name_only_old_ones_are_replaced_or_come_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, why: int, fails: bool
) -> None:
    def link(source: Path, target: Path) -> None:
        raise OSError(why, os.strerror(why), str(source), None, str(target))

    real = os.replace

    def replace(source: Path, target: Path) -> None:
        assert (tmp_path / "a.json").exists() or Path(source).parent.name == "old"  # or is just coming back
        if fails and Path(target) == tmp_path / "z.json":
            raise OSError(errno.EIO, os.strerror(errno.EIO), str(target))
        real(source, target)

    names = ("a.json", "z.json")
    for name in names:
        (tmp_path / name).write_text("old")
    before = (tmp_path / "a.json").stat().st_mtime_ns
    monkeypatch.setattr("os.link", link)
    monkeypatch.setattr("os.replace", replace)

    def write() -> None:
        with staged(tmp_path) as folder:
            for name in names:
                (folder / name).write_text("new")

    if fails:
        with pytest.raises(InputRefused, match="cannot be written"):
            write()
        assert (tmp_path / "a.json").stat().st_mtime_ns == before
    else:
        write()
    assert tree(tmp_path) == dict.fromkeys(names, "old" if fails else "new")
    assert sorted(p.name for p in tmp_path.iterdir()) == list(names)


def test_where_files_have_no_rights_of_their_own_they_are_written_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def chmod(path: Path, *_: object, **__: object) -> None:  # EPERM: what chmod(2) gives on some shares
        raise OSError(errno.EPERM, os.strerror(errno.EPERM), str(path))

    (tmp_path / "c.json").write_text("old")
    monkeypatch.setattr("os.chmod", chmod)
    monkeypatch.setattr("os.link", chmod)
    with staged(tmp_path) as folder:
        (folder / "c.json").write_text("new")
    assert (tmp_path / "c.json").read_text() == "new"
    (tmp_path / "c.json").unlink()
    write_whole(tmp_path / "a.json", b"whole")
    marks = Landmarks({"fossa": np.array([[1.0, 2.0, 3.0]])})
    write_landmarks(tmp_path / "b.json", marks)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.json", "b.json"]
    assert (tmp_path / "a.json").read_bytes() == b"whole"
    np.testing.assert_array_equal(read_landmarks(tmp_path / "b.json").points_lps["fossa"], [[1, 2, 3]])


def test_a_folder_under_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    for out in (tmp_path / "file", tmp_path / "file" / "below"):
        with pytest.raises(InputRefused, match=r"cannot be written.*--out"), staged(out):
            pass
    assert tree(tmp_path) == {"file": "x"}


def test_a_read_only_place_is_refused() -> None:
    # /proc takes no new folders from anyone, root included (Linux)
    if not Path("/proc/self").exists():
        pytest.skip("no /proc here")
    with pytest.raises(InputRefused, match="cannot be written"), staged(Path("/proc/plans")):
        pass


def test_a_full_disk_is_known_through_other_errors() -> None:
    try:
        try:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        except OSError as inner:
            raise RuntimeError("cannot write") from inner
    except RuntimeError as problem:
        assert is_disk_full(problem)
    assert is_disk_full(RuntimeError("failed to write: No space left on device (os error 28)"))
    assert not is_disk_full(OSError(errno.EACCES, "Permission denied"))


def test_a_full_disk_while_writing_says_so_and_leaves_nothing(tmp_path: Path) -> None:
    out = tmp_path / "out"
    with pytest.raises(InputRefused, match=r"full.*make room"), staged(out) as folder:
        (folder / "part").write_text("x")
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    assert not out.exists()


def test_an_error_about_another_file_stays_its_own(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError), staged(tmp_path / "out"):
        open(tmp_path / "other", "rb").close()


# ---------------------------------------------------------------------------------------------- processes that die

IN_A_PROCESS = """
import os, signal, sys, time
from pathlib import Path
from septal_planner.output_folder import staged

def die(*_): os.kill(os.getpid(), signal.SIGKILL)

with staged(Path(sys.argv[1]), outdated=("gone.png", "a.json", "never.png")) as folder:
    for name in ("a.json", "plan.pdf", "z.json"):
        (folder / name).write_text("new")
    (folder / "pictures").mkdir()
    (folder / "pictures" / "new.png").write_text("new")
    if sys.argv[2] == "writing":
        die()
    if sys.argv[2] == "living":
        print("there", flush=True)
        time.sleep(600)
    real = os.replace
    def replace(source, target):
        if Path(target) == Path(sys.argv[1]) / sys.argv[2]:
            die()
        real(source, target)
    os.replace = replace
"""


@pytest.mark.parametrize("killed", ["writing", "a.json", "pictures", "plan.pdf", "z.json"])
def test_what_a_killed_process_left_is_undone_by_the_next(tmp_path: Path, killed: str) -> None:
    for name in ("a.json", "gone.png"):
        (tmp_path / name).write_text("old")
    (tmp_path / "pictures").mkdir()
    (tmp_path / "pictures" / "old.png").write_text("old")
    (tmp_path / "notes.txt").write_text("mine")
    before = tree(tmp_path)
    call = [sys.executable, "-c", IN_A_PROCESS, str(tmp_path), killed]
    assert subprocess.run(call, timeout=60, check=False).returncode == -signal.SIGKILL
    assert tree(tmp_path) != before  # what may name the patient lies there still
    with pytest.raises(RuntimeError, match="x"), staged(tmp_path):
        assert {k: v for k, v in tree(tmp_path).items() if not k.startswith(f".unfinished-{os.getpid()}-")} == before
        raise RuntimeError("x")
    assert tree(tmp_path) == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.json", "gone.png", "notes.txt", "pictures"]


def test_what_a_living_process_is_at_is_left_alone(tmp_path: Path) -> None:
    call = [sys.executable, "-c", IN_A_PROCESS, str(tmp_path), "living"]
    with subprocess.Popen(call, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            assert process.stdout.readline() == "there\n"
            theirs = tree(tmp_path)
            (at,) = tmp_path.iterdir()
            # as another machine sees it on a shared disk: its number says nothing there, its lock does
            elsewhere = at.rename(tmp_path / f".unfinished-{2**22 + 1}-x")  # above the most that Linux gives, proc(5)
            with staged(tmp_path) as folder:
                (folder / "mine.json").write_text("mine")
            assert len(tree(elsewhere)) == len(theirs)
            at = elsewhere.rename(at)
            with staged(tmp_path) as folder, staged(tmp_path) as other:
                (folder / "mine.json").write_text("mine")
                (other / "other.json").write_text("other")
            assert tree(tmp_path) == {**theirs, "mine.json": "mine", "other.json": "other"}
        finally:
            process.kill()
    with staged(tmp_path):
        pass
    assert tree(tmp_path) == {"mine.json": "mine", "other.json": "other"}


def test_moving_that_has_begun_is_not_cut_short(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.replace

    def replace(source: Path, target: Path) -> None:
        signal.raise_signal(signal.SIGINT)
        real(source, target)

    names = ("a.json", "b.json")
    for name in names:
        (tmp_path / name).write_text("old")
    monkeypatch.setattr("os.replace", replace)
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with pytest.raises(KeyboardInterrupt), staged(tmp_path) as folder:
            for name in names:
                (folder / name).write_text("new")
        assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    finally:
        signal.signal(signal.SIGINT, before)
    assert tree(tmp_path) == dict.fromkeys(names, "new")
    assert sorted(p.name for p in tmp_path.iterdir()) == list(names)


ENDS = """
import os, sys, threading
from pathlib import Path
from septal_planner.output_folder import abandon, staged

with staged(Path(sys.argv[1]) / "a" / "b") as folder:
    (folder / "plan.pdf").write_text("new")
    threading.Thread(target=lambda: (abandon(), os._exit(3))).start()
    while True:
        pass
"""


def test_a_process_that_ends_takes_away_what_it_has_begun(tmp_path: Path) -> None:
    done = subprocess.run([sys.executable, "-c", ENDS, str(tmp_path)], timeout=60, check=False)
    assert done.returncode == 3
    assert list(tmp_path.iterdir()) == []
