"""What happens on page X-ray: frames and points are held, the process beside computes one thing after another, and the
newest wish goes before an older one.
"""

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
from septal_planner.report.overlay import Shape
from septal_viewer.marks import point
from septal_viewer.pairs import TIP, PairMarks, Pairs, points_file, write_points
from septal_viewer.session import Session
from septal_viewer.shots import Key, Shots, frame_key, view_key
from septal_viewer.table_jobs import (
    FramePicture,
    Laid,
    LaidFiles,
    OpenedFrames,
    Shot,
    Simulated,
    ViewsFound,
    by_headers,
    view_camera,
)
from septal_viewer.work import Work

MOST_KEPT = 40  # pictures of frames
SHORT_JOBS = ("simulate", "frame")  # sooner done than begun anew
Held = tuple[PairMarks, Plan, Asked]  # what a registration holds for
NO_PLAN = "There is no plan yet: find the anatomy on page Marking first."


class XrayTable(QObject):
    """`mode` is "frames" or "views"; `after` shows the registration where there is one; `look` is where the simulated
    view looks from, degrees."""

    changed = Signal()
    seen = Signal()  # only what is painted changed
    said = Signal(str, str)
    progress = Signal(str)
    turn = Signal(float, float)  # the 3-D view is to look from here, degrees

    def __init__(self, session: Session, work: Work) -> None:
        super().__init__()
        self.session, self.work = session, work
        self.pairs = Pairs()
        self.mode = "frames"
        self.active = False  # whether the page is shown
        self.after = False
        self.laid: Laid | None = None
        self.views: ViewsFound | None = None
        self.no_views = ""
        self.look: tuple[float, float] | None = None
        self.asked = Asked()
        self.written: tuple[Path, tuple[str, ...]] | None = None
        self._pictures: dict[tuple[Path, int], FramePicture] = {}
        self._shots = Shots()
        self._waiting: list[tuple[str, tuple[Any, ...], str, Held | None]] = []
        self._running: Held | None = None
        self._plan: Plan | None = None
        session.volume_changed.connect(self._volume_changed)
        session.site_changed.connect(self._plan_changed)

    # ------------------------------------------------------------------------------------------------- what is there

    @property
    def plan(self) -> Plan | None:
        """The plan that is drawn."""
        return None if self.session.case is None else self.session.case.plan

    @property
    def picture(self) -> FramePicture | None:
        """The frame that is shown, once it is read."""
        run = self.pairs.run
        return None if run is None else self._pictures.get((run.path, self.pairs.frame().number))

    @property
    def registered(self) -> bool:
        """Whether the frame that is shown is drawn on as registered."""
        return self.laid is not None and self.after and self._at_laid() is not None

    def _at_laid(self) -> int | None:
        run = self.pairs.run
        return self.pairs.runs.index(run) if self.laid is not None and run is not None else None

    def simulated(self) -> Simulated | None:
        """The frame, or the view, as the CT would look in it; None while it is computed."""
        key = self._key()
        return None if key is None else self._shots.best(key)

    def shapes(self) -> Sequence[Shape]:
        """The plan on what is shown."""
        f = self._at_laid()
        if self.mode == "frames" and self.registered and f is not None and self.laid is not None:
            return self.laid.drawings[f].shapes
        made = self.simulated()
        return () if made is None else made.shapes

    def _key(self) -> Key | None:
        run = self.pairs.run
        if self.mode == "views":
            return None if self.look is None else view_key(*self.look)
        return None if run is None else frame_key(run.path, self.pairs.frame().number, self.registered)

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
        """Another frame of the run."""
        if self.change(lambda: self.pairs.set_number(number)):
            self._fetch()

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
        names = [*self.pairs.names, TIP]
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

    # ------------------------------------------------------------------------------------------------- registering

    def register(self, folder: Path | None = None) -> bool:
        """Lay the CT onto the frames, and write the files into a folder where one is given."""
        plan = self.plan
        if plan is None:
            self.said.emit(NO_PLAN, "error")
            return False
        if not self.pairs.runs:
            self.said.emit("No X-ray frame is open; open one and mark points in it first.", "error")
            return False
        try:
            given = tuple((run.path, self.pairs.document(run, self.frame_uid)) for run in self.pairs.runs)
        except InputRefused as problem:
            self.said.emit(str(problem), "error")
            return False
        held = self.pairs.marks, plan, self.asked
        case = self.session.case
        pointed = any(points.needle_tip is not None for _, points in given)
        labels = case.labels if pointed and case is not None else None
        if folder is None:
            self._do("register", (plan, labels, given, self.asked), "Registering", held)
        else:
            everything = (plan, labels, given, self.asked, folder)
            self._do("write_registration", everything, "Writing the registration", held)
        return True

    def set_asked(self, asked: Asked) -> None:
        """Other motion or another limit."""
        if asked != self.asked:
            self.asked = asked
            self._forget_laid()
            self.changed.emit()

    def show_after(self, on: bool) -> None:
        """Draw as registered, or as the headers alone have it."""
        self.after = on and self.laid is not None
        self.changed.emit()

    def _forget_laid(self) -> None:
        self.written = None
        if self.laid is not None:
            self.laid, self.after = None, False
            self._shots.forget_registered()

    # ------------------------------------------------------------------------------------------------- views

    def set_mode(self, mode: str) -> None:
        """Frames and points, or C-arm views."""
        self.mode = mode
        if mode == "views":
            self._want_views()
        self.changed.emit()

    def look_from(self, primary_deg: float, secondary_deg: float) -> None:
        """Simulate this view, at once and coarse, then in full once it stands."""
        to = (round(primary_deg, 1), round(secondary_deg, 1))
        if to != self.look and abs(to[1]) <= 90:
            self.look = to
            self._shots.turned()
            self.seen.emit()

    def _want_views(self) -> None:
        plan = self.plan
        if plan is not None and self.views is None and not self.no_views:
            self._do("views", (plan,), "Looking for C-arm views")

    # ------------------------------------------------------------------------------------------------- the process

    def _do(self, job: str, given: tuple[Any, ...], words: str, held: Held | None = None) -> None:
        self._waiting = [w for w in self._waiting if w[0] != job]
        self._waiting.append((job, given, words, held))
        self.pump()

    @property
    def waiting(self) -> bool:
        """Whether something that was asked for is still to be done."""
        return bool(self._waiting) or self.work.job in ("open_frames", "register", "write_registration", "views")

    def pump(self) -> None:
        """Begin the next thing where the process is free, or does what can wait while there is a plan already."""
        shot = self._next_shot() if self.active and not self._waiting else None
        if (self._waiting or shot) and self.plan is not None and self.work.job not in SHORT_JOBS:
            self.work.make_way()
        if self.work.busy:
            return
        if self._waiting:
            job, given, words, self._running = self._waiting.pop(0)
            if self.work.start_job(job, *given) and words:
                self.progress.emit(words)
        elif shot is not None:
            self.work.start_job("simulate", self.session.volume, self.plan, shot)

    def _next_shot(self) -> Shot | None:
        key, plan = self._key(), self.plan
        if key is None or plan is None or self.session.volume is None or not self._shots.wants(key):
            return None
        if self.mode == "views" and self.look is not None:
            return self._shots.ask(key, view_camera(*self.look), by_headers(plan))
        picture, f = self.picture, self._at_laid()
        if picture is None:
            return None
        at = by_headers(plan)
        if self.registered and self.laid is not None and f is not None:
            at = self.laid.iso_from_ct[f]
        return self._shots.ask(key, picture.camera, at)

    def take(self, result: Any) -> None:
        """What the process has made."""
        if isinstance(result, Simulated):
            self._shots.keep(result)
            self.seen.emit()
            self.pump()
            return
        if isinstance(result, OpenedFrames):
            for picture in result.pictures:
                self._pictures[picture.run.path, picture.number] = picture
                self.pairs.open(picture.run)
                self._forget_laid()
            if result.faults:
                more = f" ({len(result.faults) - 1} more were refused.)" if len(result.faults) > 1 else ""
                self.said.emit(result.faults[0] + more, "error")
            self._fetch()
        elif isinstance(result, FramePicture):
            self._pictures[result.run.path, result.number] = result
            while len(self._pictures) > MOST_KEPT:
                del self._pictures[next(iter(self._pictures))]
        elif isinstance(result, ViewsFound):
            self.views = result
            if self.look is None and result.found.candidates:
                chosen = result.found.choices[0].candidates if result.found.choices else result.found.candidates
                self.look_from(*chosen[0].angles_deg)
                self.turn.emit(*chosen[0].angles_deg)
        elif isinstance(result, (Laid, LaidFiles)):
            self._take_laid(result)
        self.changed.emit()

    def _take_laid(self, result: Laid | LaidFiles) -> None:
        held, now = self._running, self.plan
        if held is not None and held[1] is now and held[::2] == (self.pairs.marks, self.asked):
            self._forget_laid()
            self.laid, self.after = (result if isinstance(result, Laid) else result.laid), True
        if isinstance(result, LaidFiles):
            self.written = result.folder, result.names
            self.said.emit(f"The registration was written to {result.folder}: {len(result.names)} files.", "note")

    def failed(self, job: str, sentence: str) -> None:
        """A job ended with a sentence, which the desk says."""
        self.no_views = sentence if job == "views" else self.no_views
        if job == "simulate":
            self._shots.give_up()
        self.changed.emit()

    def give_up(self) -> None:
        """What was asked for is not wanted any more."""
        self._waiting = []
        self.changed.emit()

    def _fetch(self) -> None:
        """Read the frame that is shown, where it was not read yet."""
        run = self.pairs.run
        if run is not None and self.picture is None:
            self._do("frame", (run.path, self.pairs.frame().number), "")

    # ------------------------------------------------------------------------------------------------- changes

    def _volume_changed(self) -> None:
        self.pairs.clear()
        self._plan = None
        self._forget_plan()
        self.changed.emit()

    def _plan_changed(self) -> None:
        if self.plan is not self._plan:
            self._plan = self.plan
            self._forget_plan()
            if self.mode == "views" and self.active:
                self._want_views()
            self.changed.emit()

    def _forget_plan(self) -> None:
        self._shots.forget()
        self.views, self.no_views = None, ""
        self._forget_laid()
