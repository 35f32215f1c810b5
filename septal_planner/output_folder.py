"""Results that appear whole or not at all: a folder, or one file."""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from septal_planner.errors import InputRefused

_FULL = {errno.ENOSPC, errno.EDQUOT}
_PREFIX = ".unfinished-"


@contextmanager
def staged(out: Path) -> Iterator[Path]:
    """Give a temporary folder inside `out`; what is in it when the block ends well is moved to `out` as a whole.

    `out` is made where it does not exist, with its parents. Whatever ends the block early (an error, Ctrl-C) leaves
    `out` as it was, and unmade where it was not there before. Files and folders of the same name are replaced.
    Raises InputRefused where the folder cannot be written or the disk is full.
    """
    made = _make(out)
    try:
        temporary = Path(tempfile.mkdtemp(prefix=_PREFIX, dir=out))
    except OSError as problem:
        _unmake(made)
        raise _refusal(out, problem) from problem
    try:
        fresh = temporary / "new"
        fresh.mkdir()
        yield fresh
        _move_all(fresh, out, temporary)
    except OSError as problem:
        _clean(temporary, made)
        if is_disk_full(problem) or _is_below(problem, out):
            raise _refusal(out, problem) from problem
        raise
    except BaseException as problem:
        _clean(temporary, made)
        if is_disk_full(problem):
            raise _refusal(out, problem) from problem
        raise
    _clean(temporary, [])


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


def _clean(temporary: Path, made: list[Path]) -> None:
    shutil.rmtree(temporary, ignore_errors=True)
    _unmake(made)


def _move_all(fresh: Path, out: Path, temporary: Path) -> None:
    """Move every entry of `fresh` into `out`; on any trouble put back what was there."""
    old = temporary / "old"
    old.mkdir()
    done: list[Path] = []
    try:
        for entry in sorted(fresh.iterdir()):
            place = out / entry.name
            if place.exists() and (place.is_dir() or entry.is_dir()):
                os.replace(place, old / entry.name)
            elif place.exists():
                _keep(place, old / entry.name)
            done.append(place)
            os.replace(entry, place)
    except BaseException:
        for place in reversed(done):
            kept = old / place.name
            if place.exists() and (fresh / place.name).exists():
                continue  # it was not replaced yet
            if place.is_dir():
                shutil.rmtree(place, ignore_errors=True)
            if kept.exists():
                os.replace(kept, place)
            else:
                place.unlink(missing_ok=True)
        raise


def _keep(place: Path, kept: Path) -> None:
    """Keep a file under another name without taking it away, so that one of that name is there all the time."""
    try:
        os.link(place, kept)
    except OSError:  # USB sticks and some shares know no second name for a file
        part = kept.with_name(_PREFIX + kept.name)
        shutil.copy2(place, part)
        os.replace(part, kept)  # so that what is kept is whole, or was never kept
