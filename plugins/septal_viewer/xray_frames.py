"""Frames and points of page X-ray: opened, marked, saved, as far as nothing is laid onto anything yet."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from qtpy.QtCore import QObject, Signal  # type: ignore[attr-defined]

from septal_planner.errors import InputRefused
from septal_planner.inputs.frame_points import read_frame_points
from septal_planner.plan import Plan
from septal_planner.registering import Asked
from septal_viewer.marks import point
from septal_viewer.pairs import PairMarks, Pairs, Pixel, points_file, write_points
from septal_viewer.session import Session
from septal_viewer.table_jobs import FollowedRun, FramePicture
from septal_viewer.work import Work

Held = tuple[PairMarks, Plan, Asked]  # what a registration holds for


class XrayFrames(QObject):
    """`changed` tells of anything the page shows, `seen` of what is painted alone."""

    changed = Signal()
    seen = Signal()
    said = Signal(str, str)
    progress = Signal(str)
    turn = Signal(float, float)  # the 3-D view is to look from here, degrees

    def __init__(self, session: Session, work: Work) -> None:
        super().__init__()
        self.session, self.work = session, work
        self.pairs = Pairs()
        self._pictures: dict[tuple[Path, int], FramePicture] = {}
        self._followed: dict[Path, FollowedRun] = {}
        self._waiting: list[tuple[str, tuple[Any, ...], str, Held | None]] = []

    # ------------------------------------------------------------------------------------------------- what is there

    @property
    def picture(self) -> FramePicture | None:
        """The frame that is shown, once it is read."""
        run = self.pairs.run
        return None if run is None else self._pictures.get((run.path, self.pairs.shown_number))

    @property
    def marked_picture(self) -> FramePicture | None:
        """The frame of the run in which its points stand, once it is read."""
        run = self.pairs.run
        return None if run is None else self._pictures.get((run.path, self.pairs.frame().number))

    @property
    def followed(self) -> FollowedRun | None:
        """The tracked point through the frames of the run that is shown, where it was followed as it is marked now."""
        run, f = self.pairs.run, self.pairs.frame()
        found = None if run is None else self._followed.get(run.path)
        return found if found is not None and (found.number, found.marked) == (f.number, dict(f.tracked)) else None

    def tracked_at(self) -> Pixel | None:
        """Where the frame that is shown has the tracked point: marked, or found."""
        n, f = self.pairs.shown_number, self.pairs.frame()
        if n in f.tracked:
            return f.tracked[n]
        return None if self.followed is None else self.followed.places.get(n)

    # ------------------------------------------------------------------------------------------------- frames, points

    def open_frames(self, paths: Sequence[Path]) -> None:
        """XA files, in the process beside."""
        self._do("open_frames", (tuple(Path(p) for p in paths),), "Reading the X-ray frames")

    def show_run(self, index: int) -> None:
        """Another of the frames that are open."""
        if 0 <= index < len(self.pairs.runs) and index != self.pairs.current:
            self.pairs.current = index
            self._fetch()
            self.changed.emit()

    def close_run(self) -> None:
        """Take the frame that is shown away."""
        self.pairs.close_run()
        self._forget_laid()
        self._fetch()
        self.changed.emit()

    def set_number(self, number: int) -> None:
        """Show another frame of the run."""
        before = self.pairs.marks
        if self.pairs.look_at(number):
            if self.pairs.marks != before:
                self._forget_laid()
            self._fetch()
            self.changed.emit()

    def change(self, do: Callable[[], bool]) -> bool:
        """Do something to the points; a refusal is said. What was registered before no longer holds."""
        try:
            done = do()
        except InputRefused as problem:
            self.said.emit(str(problem), "error")
            self.changed.emit()
            return False
        if done:
            self._forget_laid()
            self._follow()
        self.changed.emit()
        return done

    def click(self, column: float, row: float) -> None:
        """The chosen point is seen here."""
        if not self.pairs.chosen:
            self.said.emit("Which point it is was not said; name it, or choose one of the list, then click.", "note")
            return
        self.change(lambda: self.pairs.set_pixel(self.pairs.chosen, (column, row)))

    def drag(self, name: str, column: float, row: float) -> None:
        """A mark moves in the frame."""
        run = self.pairs.run
        if run is not None:
            most = np.array(run.size_px) - 0.5
            at = np.clip([column, row], -0.5, most)
            self.change(lambda: self.pairs.set_pixel(name, (float(at[0]), float(at[1])), dragging=True))

    def place(self, at_lps: ArrayLike) -> None:
        """The chosen point lies here in the CT."""
        if self.session.volume is None:
            self.said.emit("No CT is open; open one on page Opening first.", "error")
        elif not self.pairs.chosen:
            self.said.emit("Which point it is was not said; name it, or choose one of the list.", "note")
        else:
            self.change(lambda: self.pairs.set_place(self.pairs.chosen, point(at_lps)))

    def choose(self, name: str) -> None:
        """The point that clicks place."""
        if name != self.pairs.chosen:
            self.pairs.chosen = name
            self.changed.emit()

    def step(self, by: int) -> None:
        """The next point of the list, or the one before."""
        names = self.pairs.rows
        at = names.index(self.pairs.chosen) if self.pairs.chosen in names else -1 if by > 0 else 0
        self.choose(names[(at + by) % len(names)])

    # ------------------------------------------------------------------------------------------------- files

    @property
    def frame_uid(self) -> str | None:
        return None if self.session.volume is None else self.session.volume.frame_of_reference_uid or None

    def load_points(self, files: Sequence[Path]) -> None:
        """Points files: each for the run it is named after, else for the run that is shown."""
        shown = self.pairs.current
        for file in files:
            fitting = [n for n, run in enumerate(self.pairs.runs) if points_file(run.path).stem == file.stem]
            self.pairs.current = fitting[0] if fitting else shown
            self.change(lambda f=file: self.pairs.load(read_frame_points(f), f, self.frame_uid))  # type: ignore[misc]
        self.pairs.current = shown
        self._fetch()
        self.changed.emit()

    def save_points(self, folder: Path) -> list[Path]:
        """One points file a run into a folder; their paths."""
        try:
            written = write_points(self.pairs, folder, self.frame_uid)
        except InputRefused as problem:
            self.said.emit(str(problem), "error")
            return []
        self.pairs.saved()
        self.changed.emit()
        return written

    # ------------------------------------------------------------------------------------------------- the process

    def pump(self) -> None:
        """Begin what waits, where the process is free."""
        raise NotImplementedError

    def _forget_laid(self) -> None:
        """What was registered does not hold any more."""
        raise NotImplementedError

    def _do(self, job: str, given: tuple[Any, ...], words: str, held: Held | None = None) -> None:
        self._waiting = [w for w in self._waiting if w[0] != job]
        self._waiting.append((job, given, words, held))
        self.pump()

    def _fetch(self) -> None:
        """Read the frame that is shown, and the one the points stand in, where they were not read yet."""
        run = self.pairs.run
        if run is not None and self.picture is None:
            self._do("frame", (run.path, self.pairs.shown_number), "")
        elif run is not None and self.marked_picture is None:
            self._do("frame", (run.path, self.pairs.frame().number), "")

    def _follow(self) -> None:
        """Follow the tracked point of the run that is shown, where it was not yet as it is marked."""
        run, f = self.pairs.run, self.pairs.frame()
        if run is not None and f.number in f.tracked and self.followed is None:
            self._do("follow", (run.path, f.number, dict(f.tracked)), "Following the tracked point")
