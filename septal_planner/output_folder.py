"""Results that appear whole or not at all: a folder, or one file."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import re
import shutil
import signal
import sys
import tempfile
import threading
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import IO, Any

from septal_planner.errors import InputRefused

_FULL = {errno.ENOSPC, errno.EDQUOT}
_PREFIX = ".unfinished-"
_OF_PROCESS = re.compile(r"^\.unfinished-(\d+)-")
_NEW, _OLD, _NAMES, _LOCK = "new", "old", "names.json", "lock"
_STOPS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")

_begun: dict[Path, list[Path]] = {}  # temporary folders of this process, with the folders made for them
_moving = threading.Lock()


@contextmanager
def staged(out: Path, *, outdated: Collection[str] = ()) -> Iterator[Path]:
    """Give a temporary folder inside `out`; what is in it when the block ends well is moved to `out` as a whole.

    `out` is made where it does not exist, with its parents. Whatever ends the block early (an error, Ctrl-C) leaves
    `out` as it was, and unmade where it was not there before. Files and folders of the same name are replaced; files
    named `outdated`, of an earlier result, are taken away in the same stroke. What a process that was killed left of
    such a block is undone and taken away first; that of a living one is left alone. Raises InputRefused where the
    folder cannot be written or the disk is full.
    """
    made = _make(out)
    sweep(out)
    lock: IO[bytes] | None = None
    try:
        temporary = Path(tempfile.mkdtemp(prefix=f"{_PREFIX}{os.getpid()}-", dir=out)).absolute()
    except OSError as problem:
        _unmake(made)
        raise _refusal(out, problem) from problem
    _begun[temporary] = made
    try:
        lock = _hold(temporary / _LOCK)
        fresh = temporary / _NEW
        fresh.mkdir()
        yield fresh
        with _undisturbed(), _moving:
            _move_all(temporary, outdated)
    except BaseException as problem:
        _clean(temporary, lock)
        _unmake(made)
        if is_disk_full(problem) or (isinstance(problem, OSError) and _is_below(problem, out)):
            raise _refusal(out, problem) from problem
        raise
    _clean(temporary, lock)


def abandon() -> None:
    """Undo what this process has staged, wherever it stands; for a process that ends at once afterwards, from any
    thread. Where files are being moved to their places, it waits until they are there."""
    _moving.acquire()  # for good: nothing shall be moved any more
    for temporary, made in list(_begun.items()):
        away = temporary.with_name(f"{temporary.name}-")
        try:
            os.replace(temporary, away)  # so that whoever still writes there finds no place to
        except OSError:
            away = temporary
        if not _is_cut_short(away):
            shutil.rmtree(away, ignore_errors=True)
        _unmake(made)


def sweep(out: Path) -> None:
    """Undo and take away what processes that live no more left unfinished in `out`: it may hold a patient's name, and
    old files beside new ones. What cannot be taken away is left."""
    try:
        left = [p for p in out.iterdir() if _OF_PROCESS.match(p.name) and p.is_dir() and not p.is_symlink()]
    except OSError:
        return
    for temporary in left:
        if _may_live(temporary):
            continue
        with contextlib.suppress(OSError, ValueError):  # BlockingIOError among them: another machine's, and alive
            lock = _hold(temporary / _LOCK)
            try:
                _put_back(temporary)
            finally:
                if lock is not None:
                    lock.close()
            shutil.rmtree(temporary, ignore_errors=True)


def write_whole(path: Path, content: bytes) -> None:
    """Write one file by way of a temporary one beside it: `path` holds all of `content`, or what it held before.

    Raises InputRefused where the folder is not there, cannot be written, or the disk is full.
    """
    temporary = ""
    try:
        handle, temporary = tempfile.mkstemp(prefix=_PREFIX, dir=path.parent)
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        umask = os.umask(0)
        os.umask(umask)
        with contextlib.suppress(OSError):  # some shares know no rights
            os.chmod(temporary, 0o666 & ~umask)  # mkstemp keeps it to its owner; any other new file is not
        os.replace(temporary, path)
    except BaseException as problem:
        if temporary:
            Path(temporary).unlink(missing_ok=True)
        if isinstance(problem, OSError):
            why = "the disk is full" if is_disk_full(problem) else problem.strerror or str(problem)
            raise InputRefused(
                f"The file {path} cannot be written ({why}); give another folder or make room."
            ) from problem
        raise


def is_disk_full(problem: BaseException) -> bool:
    """Whether this error, or one it came from, is a full disk; libraries wrap it in errors of their own."""
    seen: BaseException | None = problem
    while seen is not None:
        if isinstance(seen, OSError) and seen.errno in _FULL:
            return True
        if isinstance(seen, Exception) and os.strerror(errno.ENOSPC).lower() in str(seen).lower():
            return True
        seen = seen.__cause__ or seen.__context__
    return False


def _refusal(out: Path, problem: BaseException) -> InputRefused:
    if is_disk_full(problem):
        return InputRefused(
            f"The disk with the folder {out} is full, so nothing was written there; make room or give another --out."
        )
    why = problem.strerror if isinstance(problem, OSError) and problem.strerror else str(problem)
    return InputRefused(f"The folder {out} cannot be written ({why}); give another one with --out.")


def _is_below(problem: OSError, out: Path) -> bool:
    return isinstance(problem.filename, str) and Path(problem.filename).absolute().is_relative_to(out.absolute())


def _make(out: Path) -> list[Path]:
    """Make `out` and its parents; those that were not there, innermost first."""
    made: list[Path] = []
    at = out.absolute()
    try:
        missing = [at, *at.parents]
        missing = [p for p in missing if not p.exists()]
        for path in reversed(missing):
            path.mkdir()
            made.insert(0, path)
        if not at.is_dir():
            raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(at))
    except OSError as problem:
        _unmake(made)
        raise _refusal(out, problem) from problem
    return made


def _unmake(made: list[Path]) -> None:
    for path in made:
        try:
            path.rmdir()
        except OSError:  # somebody else put something there meanwhile
            return


def _clean(temporary: Path, lock: IO[bytes] | None) -> None:
    if lock is not None:
        lock.close()
    if not _is_cut_short(temporary):  # else it holds the only copy of what was there; the next call tries again
        shutil.rmtree(temporary, ignore_errors=True)
    _begun.pop(temporary, None)


def _move_all(temporary: Path, outdated: Collection[str]) -> None:
    """Move every new entry to where it belongs, and what is outdated away; on any trouble put back what was there."""
    fresh, old, out = temporary / _NEW, temporary / _OLD, temporary.parent
    old.mkdir()
    names = sorted(entry.name for entry in fresh.iterdir())
    # for whoever has to undo this, should it end half-way
    (temporary / _NAMES).write_text(json.dumps(names), "utf-8")
    try:
        for name in set(outdated) - set(names):
            # first, since a move counts as begun as long as something new is left
            if names and Path(name).name == name and (out / name).is_file():
                os.replace(out / name, old / name)
        for name in names:
            place = out / name
            if place.exists() and (place.is_dir() or (fresh / name).is_dir()):
                os.replace(place, old / name)
            elif place.exists():
                _keep(place, old / name)
            os.replace(fresh / name, place)
    except BaseException:
        _put_back(temporary)
        raise


def _is_cut_short(temporary: Path) -> bool:
    """Whether moving was begun, and neither brought to its end nor undone."""
    try:
        return (temporary / _NAMES).exists() and any((temporary / _NEW).iterdir())
    except FileNotFoundError:  # being taken away by another thread
        return False


def _put_back(temporary: Path) -> None:
    """Undo a move that was cut short; nothing where it was not begun, or came to its end. Takes nothing away, so that
    it can be cut short itself and done again."""
    if not _is_cut_short(temporary):
        return
    names = json.loads((temporary / _NAMES).read_text("utf-8"))
    for kept in list((temporary / _OLD).iterdir()):
        if kept.name not in names and not kept.name.startswith(_PREFIX):  # outdated; or a copy that was not finished
            os.replace(kept, temporary.parent / kept.name)
    for name in reversed(names):
        place, entry, kept = temporary.parent / name, temporary / _NEW / name, temporary / _OLD / name
        if place.exists() and not entry.exists():
            os.replace(place, entry)
        if kept.exists() and not place.exists():
            os.replace(kept, place)
    (temporary / _NAMES).unlink()


def _keep(place: Path, kept: Path) -> None:
    """Keep a file under another name without taking it away, so that one of that name is there all the time."""
    try:
        os.link(place, kept)
    except OSError:  # USB sticks and some shares know no second name for a file
        part = kept.with_name(_PREFIX + kept.name)
        shutil.copyfile(place, part)
        with contextlib.suppress(OSError):  # times and rights, where there are any
            shutil.copystat(place, part)
        os.replace(part, kept)  # so that what is kept is whole, or was never kept


# --------------------------------------------------------------------------------------- who is at work, who is dead


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Hold Ctrl-C and its like back until the block has ended; what is to be done then is done."""
    if threading.current_thread() is not threading.main_thread():  # signals are the main thread's
        yield
        return
    came: list[int] = []
    before: dict[int, Any] = {}

    def note(number: int, _frame: FrameType | None) -> None:
        came.append(number)

    try:
        for name in _STOPS:
            number = getattr(signal, name, None)
            if number is not None and callable(signal.getsignal(number)):
                before[number] = signal.signal(number, note)
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        if came:
            before[came[0]](came[0], None)


def _may_live(temporary: Path) -> bool:
    """Whether this process, or another one of the number in the name, is at work there."""
    if any(temporary.name == mine.name for mine in _begun):
        return True
    found = _OF_PROCESS.match(temporary.name)
    process = int(found[1]) if found else 0
    # a number of ours that we did not begin was another's before; Windows does not tell, there the lock alone says it
    if process == os.getpid() or sys.platform == "win32":
        return False
    try:
        os.kill(process, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except OSError:  # somebody else's
        return True
    return True


# The system lets go of a lock when its process ends, however it ends; a process number is another's on a shared disk.
def _hold(path: Path) -> IO[bytes] | None:
    """The file, made and locked; None where the disk knows no locks. Raises BlockingIOError where another holds it."""
    stream = path.open("ab")
    try:
        if sys.platform == "win32":
            import msvcrt

            stream.seek(0)
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(stream.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as problem:
        stream.close()
        if problem.errno in (errno.EWOULDBLOCK, errno.EACCES, errno.EDEADLK):
            raise BlockingIOError(*problem.args) from problem
        return None
    return stream
