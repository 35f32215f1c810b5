"""Work that was not saved, kept for the next start: landmarks, locks, target, procedure, catheter, which CT they belong
to, and the points marked in X-ray frames.

One file a window, in a folder of the person's own, held by a lock while the window lives. File names say nothing of a
patient; the files hold positions and the paths of CT and frames, are readable by their owner alone, and go when the
work is saved.
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Any

from septal_planner.errors import InputRefused
from septal_planner.inputs.volume import Volume
from septal_viewer.kept_pairs import KeptPairs, pairs_document, pairs_from
from septal_viewer.marks import Marks, Point
from septal_viewer.pairs import Pairs
from septal_viewer.session import Session
from septal_viewer.surveys import Aim

VERSION = 3  # 1 knew no catheter, 2 no X-ray frames
EVERY_S = 1.0
_NAME, _LOCK = "unsaved-", ".lock"


def state_folder(environment: Mapping[str, str] = os.environ, platform: str = sys.platform) -> Path:
    """Where a program keeps its state for a person: $XDG_STATE_HOME or ~/.local/state (XDG Base Directory 0.8), or the
    folders that macOS and Windows have for it."""
    home = Path.home()
    if platform == "win32":
        base = Path(environment.get("LOCALAPPDATA") or home / "AppData" / "Local")
    elif platform == "darwin":
        base = home / "Library" / "Application Support"
    else:
        given = environment.get("XDG_STATE_HOME", "")
        base = Path(given) if given and Path(given).is_absolute() else home / ".local" / "state"
    return base / "septal-planner"


@dataclass(frozen=True)
class Kept:
    """Work that an earlier window left, on the CT at `ct` or on the invented heart `phantom`."""

    file: Path
    saved: str  # when, ISO 8601, this machine's time
    ct: Path | None
    series_uid: str | None
    phantom: str | None
    size_ijk: tuple[int, int, int]
    series_instance_uid: str | None
    frame_of_reference_uid: str | None
    marked_in_uid: str | None  # frame of reference of the points
    marks: Marks
    sites: tuple[Aim, ...]
    pairs: KeptPairs | None = None

    @property
    def words(self) -> str:
        """What it is, for a list to choose from."""
        n = sum(len(p) for p in self.marks.points.values())
        when = self.saved.replace("T", " ")[:16]
        frames = "" if self.pairs is None else f", {self.pairs.words}"
        return f"{n} point{'s' * (n != 1)} of {len(self.marks.points)} landmarks{frames}, last changed {when}"


class Autosave:
    """Writes a session's unsaved work, and the points of `pairs`, as they change, at most once a second; call
    `note_change` where `pairs` change, `tick` by a timer, `close` at the end.

    Where the folder cannot be written this is said once, and the work goes on.
    """

    def __init__(
        self,
        session: Session,
        folder: Path | None = None,
        pairs: Pairs | None = None,
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._session, self._clock = session, clock
        self._pairs = Pairs() if pairs is None else pairs
        self.folder = state_folder() if folder is None else folder
        self.file = self.folder / f"{_NAME}{secrets.token_hex(8)}.json"
        self._written = -EVERY_S * 2
        self._pending = False
        self._lock: IO[bytes] | None = None
        self._told = False
        session.changed.connect(self.note_change)

    def note_change(self) -> None:
        """Something may have changed: write it soon."""
        self._pending = True
        self.tick()

    def tick(self) -> None:
        """Write what is pending, unless something was written less than a second ago."""
        if self._pending and self._clock() - self._written >= EVERY_S:
            self.write()

    def write(self) -> None:
        """Write now; where nothing is unsaved, take the file away."""
        self._pending = False
        self._written = self._clock()
        session = self._session
        try:
            if self._unsaved and session.volume is not None:
                self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
                if self._lock is None:
                    self._lock = _hold(self.file.with_suffix(_LOCK))
                _write_private(self.file, json.dumps(as_document(session, session.volume, self._pairs), indent=1))
            else:
                self._clear()
            self._told = False
        except OSError as problem:
            if not self._told:
                self._told = True
                session.said.emit(
                    f"Unsaved work cannot be kept in {self.folder} ({problem.strerror or problem}); save the landmarks "
                    "yourself now and then.",
                    "error",
                )

    def restore(self, kept: Kept) -> bool:
        """Take kept work up again on the CT that is open, which must be the one it belongs to; its file goes when this
        session's own holds it. Says why not, and changes nothing, otherwise."""
        session = self._session
        fault = "no CT is open" if session.volume is None else _other_ct(kept, session.volume)
        if fault:
            session.said.emit(
                f"The kept work cannot be taken up since {fault}; open {kept.ct or kept.phantom or 'its CT'} first.",
                "error",
            )
            return False
        if self._unsaved:
            session.said.emit("There is unsaved work on this CT already; save it first, or open the CT anew.", "error")
            return False
        if not session.resume(kept.marks, kept.sites, kept.marked_in_uid):
            return False
        if kept.pairs is not None:
            self._pairs.resume(kept.pairs.marks)
        self.write()
        if self.file.exists():
            discard(kept)
        return True

    def close(self, *, clear: bool = False) -> None:
        """The last write; with `clear` the person chose to give the unsaved work up."""
        with contextlib.suppress(ValueError):
            self._session.changed.disconnect(self.note_change)
        if clear:
            with contextlib.suppress(OSError):
                self._clear()
        elif self._pending:
            self.write()
        self._release()

    @property
    def _unsaved(self) -> bool:
        return self._session.unsaved or self._pairs.unsaved

    def _clear(self) -> None:
        with contextlib.suppress(FileNotFoundError, NotADirectoryError):
            self.file.unlink()
        self._release()

    def _release(self) -> None:
        if self._lock is not None:
            self._lock.close()
            self._lock = None
        with contextlib.suppress(OSError):
            self.file.with_suffix(_LOCK).unlink(missing_ok=True)


def find_kept(folder: Path | None = None) -> tuple[list[Kept], list[str]]:
    """What earlier windows left and no living one holds, newest first, and a sentence for each file that cannot be
    used; such a file stays where it is."""
    place = state_folder() if folder is None else folder
    found, faults = [], []
    for file in sorted(place.glob(f"{_NAME}*.json")) if place.is_dir() else ():
        if _is_held(file.with_suffix(_LOCK)):
            continue
        try:
            found.append(read_kept(file))
        except InputRefused as problem:
            faults.append(str(problem))
    return sorted(found, key=lambda k: k.saved, reverse=True), faults


def discard(kept: Kept) -> None:
    """Forget kept work for good."""
    kept.file.unlink(missing_ok=True)
    kept.file.with_suffix(_LOCK).unlink(missing_ok=True)


def as_document(session: Session, volume: Volume, pairs: Pairs) -> dict[str, Any]:
    """What is kept of a session and its X-ray frames, for JSON."""
    marks = session.marks
    return {
        "version": VERSION,
        "saved": datetime.now().isoformat(timespec="seconds"),
        "ct": {
            "path": None if session.path is None else str(session.path.absolute()),
            "series": session.series_uid,
            "phantom": session.phantom,
            "size": list(volume.size_ijk),
            "series_instance_uid": volume.series_instance_uid,
            "frame_of_reference_uid": volume.frame_of_reference_uid,
        },
        "coordinate_system": "LPS",
        "unit": "mm",
        "frame_of_reference_uid": session.landmarks().frame_of_reference_uid,
        "landmarks": {name: [list(p) for p in points] for name, points in marks.points.items()},
        "locked": sorted(marks.locked),
        "target": None if marks.target is None else list(marks.target),
        "procedure": marks.procedure,
        "catheter": marks.catheter,
        "sites": [
            [aim.procedure, None if aim.target is None else list(aim.target), aim.catheter]
            for aim in session.kept_sites
        ],
        "xray": pairs_document(pairs) if pairs.runs or pairs.unsaved else None,
    }


def read_kept(file: Path) -> Kept:
    """Raises InputRefused for a file that is damaged or of a newer version."""
    try:
        d = json.loads(file.read_text("utf-8"))
        version = d["version"]
        if isinstance(version, int) and version > VERSION:
            raise InputRefused(
                f"The kept work {file} was written by a newer version of the program; it was left there, update the "
                "program to take it up."
            )
        ct = d["ct"]
        i, j, k = (int(n) for n in ct["size"])
        return Kept(
            file,
            str(d["saved"]),
            None if ct["path"] is None else Path(ct["path"]),
            ct["series"],
            ct["phantom"],
            (i, j, k),
            ct["series_instance_uid"],
            ct["frame_of_reference_uid"],
            d["frame_of_reference_uid"],
            Marks(
                {str(name): tuple(_point(p) for p in points) for name, points in d["landmarks"].items() if points},
                frozenset(d["locked"]),
                None if d["target"] is None else _point(d["target"]),
                str(d["procedure"]),
                str(d.get("catheter", "")),
            ),
            tuple(_aim(*site) for site in d["sites"]),
            None if d.get("xray") is None else pairs_from(d["xray"]),
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as problem:
        said = " ".join(str(problem).split()) or type(problem).__name__
        raise InputRefused(
            f"The kept work {file} cannot be read ({said}); it was left there, mark the landmarks again."
        ) from problem


def _other_ct(kept: Kept, volume: Volume) -> str:
    """What tells that this is another CT, or an empty text."""
    for what, theirs, ours in (
        ("series", kept.series_instance_uid, volume.series_instance_uid),
        ("frame of reference", kept.frame_of_reference_uid, volume.frame_of_reference_uid),
    ):
        if theirs and ours and theirs != ours:
            return f"it belongs to the {what} {theirs} and the open CT is {ours}"
    if kept.size_ijk != volume.size_ijk:
        size = [" x ".join(map(str, s)) for s in (kept.size_ijk, volume.size_ijk)]
        return f"it belongs to a CT of {size[0]} voxels and the open one has {size[1]}"
    return ""


def _aim(procedure: str, target: Any, catheter: str = "") -> Aim:
    return Aim(str(procedure), str(catheter), None if target is None else _point(target))


def _point(value: Any) -> Point:
    x, y, z = (float(v) for v in value)
    return x, y, z


def _write_private(path: Path, text: str) -> None:
    """Whole or not at all, readable by the owner alone."""
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as stream:
            stream.write(text + "\n")
        os.replace(temporary, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        raise


# The system lets go of a lock when its process ends, however it ends; a process number could be another's by then.
if sys.platform == "win32":
    import msvcrt

    def _take(stream: IO[bytes]) -> None:
        msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
else:
    import fcntl

    def _take(stream: IO[bytes]) -> None:
        fcntl.flock(stream.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)


def _hold(path: Path) -> IO[bytes]:
    stream = path.open("ab")
    try:
        _take(stream)
    except OSError:
        stream.close()
        raise
    return stream


def _is_held(path: Path) -> bool:
    if not path.exists():
        return False
    try:
        _hold(path).close()
    except OSError:
        return True
    return False
