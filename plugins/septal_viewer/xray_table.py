"""What happens on page X-ray: frames and points are held, the process beside computes one thing after another, and the
newest wish goes before an older one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from septal_planner.errors import InputRefused
from septal_planner.inputs.volume import Volume
from septal_planner.plan import Plan
from septal_planner.registered import PictureCheck
from septal_planner.registering import Asked
from septal_planner.report.overlay import Shape
from septal_viewer.session import Session
from septal_viewer.shots import Key, Shots, frame_key, view_key
from septal_viewer.table_jobs import (
    FollowedRun,
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
from septal_viewer.xray_frames import Held, XrayFrames

BLOCKING = ("open_frames", "register", "compare", "write_registration", "views")
MOST_KEPT = 40  # pictures of frames
SHORT_JOBS = ("simulate", "frame")  # sooner done than begun anew
NO_PLAN = "There is no plan yet: find the anatomy on page Marking first."


class XrayTable(XrayFrames):
    """`mode` is "frames" or "views"; `after` shows the registration where there is one; `look` is where the simulated
    view looks from, degrees. `images`: the pictures are to be compared too; `cine`: all frames of runs are written."""

    def __init__(self, session: Session, work: Work) -> None:
        super().__init__(session, work)
        self.mode = "frames"
        self.active = False  # whether the page is shown
        self.after = False
        self.laid: Laid | None = None
        self.views: ViewsFound | None = None
        self.no_views = ""
        self.look: tuple[float, float] | None = None
        self.asked = Asked()
        self.written: tuple[Path, tuple[str, ...]] | None = None
        self.images = self.cine = False
        self._shots = Shots()
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
            drawn = self.laid.drawings[f]
            tracked = self.pairs.frame().tracked
            if not (self.pairs.elsewhere and self.followed is not None):
                return drawn.shapes
            here, at = self.tracked_at(), tracked[self.pairs.frame().number]
            return () if here is None else drawn.shifted((here[0] - at[0], here[1] - at[1])).shapes
        made = self.simulated()
        return () if made is None else made.shapes

    def _key(self) -> Key | None:
        run = self.pairs.run
        if self.mode == "views":
            return None if self.look is None else view_key(*self.look)
        return None if run is None else frame_key(run.path, self.pairs.frame().number, self.registered)

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
        everything = self._given(plan)
        if everything is None:
            return False
        held = self.pairs.marks, plan, self.asked
        if folder is None:
            self._do("register", (*everything, self.asked), "Registering", held)
        else:
            asked = replace(self.asked, cine=self.cine)
            everything = (*everything, asked, folder, self._compared())
            self._do("write_registration", everything, "Writing the registration", held)
        return True

    def _given(self, plan: Plan) -> tuple[Any, ...] | None:
        """Plan, labels, frames and points, or None after saying what lacks."""
        try:
            given = tuple((run.path, self.pairs.document(run, self.frame_uid)) for run in self.pairs.runs)
        except InputRefused as problem:
            self.said.emit(str(problem), "error")
            return None
        case = self.session.case
        pointed = any(points.needle_tip is not None for _, points in given)
        return plan, case.labels if pointed and case is not None else None, given

    def _compared(self) -> PictureCheck | Volume | None:
        """What the pictures said, or the CT to ask them, where that is wanted."""
        told = None if self.laid is None else self.laid.document.picture_check
        return (told or self.session.volume) if self.images and not self.table_moved else None

    @property
    def table_moved(self) -> bool:
        """Whether a frame is marked so: then the pictures cannot be compared."""
        return any(self.pairs.frame(run).table_moved for run in self.pairs.runs)

    def set_images(self, on: bool) -> None:
        """Whether simulated and real frames are compared too, which takes a minute or so."""
        self.images = on
        if not on and self.work.job == "compare":
            self.work.cancel()
        self._compare()
        self.changed.emit()

    def set_cine(self, on: bool) -> None:
        """Whether the plan is drawn on every frame of the runs that are written."""
        self.cine = on
        self.changed.emit()

    def _compare(self) -> None:
        """Ask the pictures about the registration that is shown, where that is wanted and was not done."""
        plan, volume = self.plan, self.session.volume
        if not self.images or plan is None or volume is None or self.laid is None or self.table_moved:
            return
        everything = self._given(plan) if self.laid.document.picture_check is None else None
        if everything is not None:
            held = self.pairs.marks, plan, self.asked
            self._do("compare", (*everything, self.asked, volume), "Comparing simulated and real frames", held)

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

    @property
    def waiting(self) -> bool:
        """Whether something that was asked for is still to be done."""
        return bool(self._waiting) or self.work.job in BLOCKING

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
        picture, f = self.marked_picture, self._at_laid()
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
            self._follow()
        elif isinstance(result, FollowedRun):
            self._followed[result.path] = result
            self._follow()  # marked anew meanwhile
        elif isinstance(result, FramePicture):
            self._pictures[result.run.path, result.number] = result
            while len(self._pictures) > MOST_KEPT:
                del self._pictures[next(iter(self._pictures))]
            self._fetch()
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
            laid = result if isinstance(result, Laid) else result.laid
            if self.laid is not None and self.laid.document.iso_from_ct == laid.document.iso_from_ct:
                self.laid = laid  # the same with what the pictures said, or with the names of its files
            else:
                self._forget_laid()
                self.laid, self.after = laid, True
            self._compare()
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
        if self.laid is not None and self.laid.document.picture_check is None:
            self.images = False  # or it would begin again with the next registration
        self.changed.emit()

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
