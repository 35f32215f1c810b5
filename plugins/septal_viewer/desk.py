"""What happens in the window: the pages ask, the session holds, the process beside computes, and its news come in."""

from __future__ import annotations

import logging
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import numpy as np
from napari.viewer import Viewer
from numpy.typing import NDArray
from qtpy.QtCore import QObject, QTimer, Signal  # type: ignore[attr-defined]

from septal_planner.inputs.volume import Volume
from septal_planner.pipeline import FoundAnatomy
from septal_viewer.arrivals import Arrivals
from septal_viewer.guide import STEP, first_to_mark
from septal_viewer.planes import Plane
from septal_viewer.pointing import Pointing
from septal_viewer.scene_drag import SceneDrag
from septal_viewer.session import PlanRequest
from septal_viewer.surveys import Step, Surveyed
from septal_viewer.table_jobs import TABLE_JOBS
from septal_viewer.tint import Tint, tint_of
from septal_viewer.turning import Turning
from septal_viewer.work import Cancelled, Done, Failed, Progress, Refused
from septal_viewer.worker import HandedOn
from septal_viewer.xray_table import XrayTable

Array = NDArray[np.float64]
LOG = logging.getLogger("septal_viewer")
TICK_MS = 25
SCENE_MS = 150  # the 3-D view, margins and catheter follow a dragged target no oftener than this
CINE_MS = 160


class Desk(Arrivals):
    """One of a window."""

    changed = Signal()  # anything the pages show
    numbers_changed = Signal()  # the site alone: what has to be quick
    handed_on = Signal(object)

    def __init__(self, viewer: Viewer) -> None:
        super().__init__(viewer)
        self.pointing = Pointing(self.session, self.views, place=self.place_at)
        self.pointing.on_let_go = self._let_go
        self.scene_drag = SceneDrag(
            viewer, self.session, self.scene, may=lambda: not self.views.marking and not self.views.fixed,
            on_let_go=self._let_go,
        )
        self.turning = Turning(self.session, self.views)
        self.table = XrayTable(self.session, self.work)
        self.table.said.connect(self.said)
        self.table.progress.connect(self.progress)
        self.views.tint = self._tint
        self._tinted: tuple[object, ...] = ()
        self._tint_made: Future[Tint] | None = None
        self._tint_due = False
        self.selected = "left_atrium"
        self.phase = 0
        self._request: PlanRequest | None = None
        self._step: Step | None = None  # what is being worked out, and of which anatomy
        self._working_on: FoundAnatomy | None = None
        self._closed = False
        self._listen()
        self._timer = _timer(self, self._tick, TICK_MS)
        self._timer.start()
        self._scene_timer = _timer(self, self._show_site, SCENE_MS, once=True)
        self._cine = _timer(self, lambda: self.step_phase(1), CINE_MS)

    def _listen(self) -> None:
        s = self.session
        s.volume_changed.connect(self._volume_changed)
        s.landmarks_changed.connect(self._landmarks_changed)
        s.anatomy_changed.connect(self._anatomy_changed)
        s.site_changed.connect(self._site_changed)
        s.survey_changed.connect(self._survey_changed)
        s.candidates_changed.connect(self._candidates_changed)
        s.cursor_changed.connect(self._cursor_changed)
        s.said.connect(lambda text, kind: self.said.emit(text, kind))

    def close(self) -> None:
        """End the process, the timers and the thread."""
        if not self._closed:
            self._closed = True
            for timer in (self._timer, self._scene_timer, self._cine):
                timer.stop()
            self.views.close()
            self.work.close()
            self.scene.close()

    # ------------------------------------------------------------------------------------------------- news

    def _tick(self) -> None:
        """Every few milliseconds: news of the process, one step of the 3-D view, a plan that is due."""
        for event in self.work.poll():
            self._news(event)
        if self.scene.busy and not self.pointing.dragging:
            self.scene.pump()
        if self._tint_due and self._tint_made is not None and self._tint_made.done():
            self._tint_due = False
            self.views.refresh()
        if self.session.case is not None or not self.due:
            self.table.pump()
        at_the_table = self.table.active and self.session.case is not None  # frames follow the hand; the rest can wait
        if not (self.scene.busy or self.work.busy or self.dragging or at_the_table):
            self._start_step()

    def _news(self, event: object) -> None:
        if isinstance(event, Progress):
            self.progress.emit(event.text)
            return
        if isinstance(event, Refused):
            self.said.emit(event.sentence, "error")
            return
        self.progress.emit("")
        step, self._step = self._step, None
        if step is not None and step.kind != getattr(event, "job", ""):
            step = None  # it gave way to something that was asked for
        if isinstance(event, (Failed, Cancelled)):
            self._next = []
            if step is not None:
                self.session.step_failed(step, "")
        if isinstance(event, Failed):
            if event.details:
                LOG.error("%s: %s\n%s", event.job, event.sentence, event.details)
            self.said.emit(event.sentence, "error")
            self.table.failed(event.job, event.sentence)
        elif isinstance(event, Cancelled):
            self.table.give_up()
            self.said.emit("Stopped as you asked; nothing was changed.", "note")
        elif isinstance(event, Done) and event.job in TABLE_JOBS:
            self.table.take(event.result)
            if event.job == "simulate":
                return
        elif isinstance(event, Done):
            self._done(event.job, event.result, step)
        self.changed.emit()

    def _done(self, job: str, result: Any, step: Step | None = None) -> None:
        if job == "open" and not isinstance(result, Volume):
            self._listed(result)
        elif job == "open":
            self.series = ()
            self.series_found.emit(())
            self.take_volume(result)
            if result.notes and self.source is not None:  # perhaps that it was chosen among others
                self.work.start_list(self.source)
        elif job == "list":
            self._offer_others(result)
        elif job == "read":
            self.take_volume(result)
        elif job == "read_phases":
            self.take_volume(result[0], result)
        elif job == "phantom":
            self._phantom(result)
        elif job == "find":
            if self.session.take_found(result):
                self.page_wanted.emit("crossing")
                self.views.set_planes("septum")
                self.sights.jump_to_target()
                self.sights.look_from_front()
        elif job == "plan":
            if self._request is not None:
                self.session.take_case(result, self._request)
        elif job == "hand_on":
            self._handed_on(result)
        elif step is not None and self._working_on is not None:
            take = self.session.take_surveyed if isinstance(result, Surveyed) else self.session.take_passage
            take(self._working_on, step.aim, result)

    # ------------------------------------------------------------------------------------------------- changes

    def _volume_changed(self) -> None:
        self.phase = 0
        self.views.shown_volume = None
        self.scene.show_volume(self.session.volume)
        self.views.refresh()
        self.changed.emit()

    def _landmarks_changed(self) -> None:
        self.scene.show_landmarks(self.session.points_lps, self.session.locked)
        self.views.refresh(hasty=self.dragging)
        self.changed.emit()

    def _anatomy_changed(self) -> None:
        self.scene.show_anatomy(self.session.found)
        self._survey_changed()
        self.changed.emit()

    def _site_changed(self) -> None:
        site = self.session.site
        if site is not None and self.dragging:
            self.session.set_cursor(site.target_lps)
        else:
            self.views.refresh()
        self.numbers_changed.emit()
        if not self._scene_timer.isActive():
            self._scene_timer.start()

    def _tint(self, plane: Plane) -> Tint | None:
        """The membrane's quantity on the plane that sees the fossa en face, made in a thread, once for each quantity
        and turn; None until it is there."""
        shown, found = self.scene.shown, self.session.found
        if shown is None or found is None:
            return None
        of = (shown, self.scene.quantity, self.scene.faded, plane.down_lps.tobytes(), plane.right_lps.tobytes())
        if of != self._tinted:
            self._tint_made = self.scene.later(
                tint_of, shown, self.scene.quantity, found.fossa, plane, self.scene.faded
            )
            self._tinted, self._tint_due = of, True
        assert self._tint_made is not None
        return self._tint_made.result() if self._tint_made.done() else None

    def _survey_changed(self) -> None:
        self.scene.show_survey(self.session.surveys.of(self.session.aim), pending=self.session.pending)
        self._show_places()
        self._site_changed()

    def _show_places(self) -> None:
        self.scene.show_places(self.session.choices, self.session.candidates)

    @property
    def occupied(self) -> bool:
        """Whether the process does what must be waited for, not a plan or a picture that can be made again."""
        return self.work.asked

    @property
    def dragging(self) -> bool:
        """Whether something is held by the mouse, in a flat view or in the 3-D view."""
        return self.pointing.dragging or self.scene_drag.dragging

    def _candidates_changed(self) -> None:
        self._show_places()
        self.views.refresh()
        self.numbers_changed.emit()

    def _cursor_changed(self) -> None:
        self.views.refresh(hasty=self.dragging)

    def _show_site(self) -> None:
        """What costs some hundredths of a second: margins and catheter, and the 3-D view."""
        self._scene_timer.stop()
        here = self.session.look_here()
        self.scene.show_site(self.session.site, self.session.points_lps, here, pending=self.session.pending)
        if not self.dragging:
            self.views.refresh()
        self.numbers_changed.emit()

    def _let_go(self, target: bool) -> None:
        if target:
            self._show_site()
        self.views.refresh()
        self.changed.emit()

    # ------------------------------------------------------------------------------------------------- marking

    def place_at(self, at_lps: Array) -> None:
        """A point of the picked landmark, or on page X-ray of the CT."""
        if self.table.active:
            self.table.place(at_lps)
            self.pick(False)
            return
        name = self.selected
        placed = self.turning.add(at_lps) if self.turning.name == name else self.session.place(name, at_lps)
        if not placed:
            return
        self.after_placing(name)

    def after_placing(self, name: str) -> None:
        """Go on to the next landmark once this one has all its points."""
        most = STEP[name].most
        if most is not None and len(self.session.points_lps.get(name, ())) >= most:
            following = first_to_mark(self.session.states())
            if following is not None and following != name and self.session.states()[following].state == "missing":
                self.select(following)
        self.changed.emit()

    def select(self, name: str) -> None:
        """Make a landmark the one that is marked."""
        self.selected = self.views.selected = name
        if self.pointing.picked is not None:
            self.pointing.picked = name
        self.changed.emit()

    def pick(self, on: bool) -> None:
        """Whether clicks place points."""
        self.pointing.picked = self.selected if on else None
        self.changed.emit()

    def take_candidate(self, index: int) -> None:
        """Make a kept site the target."""
        if self.session.take_candidate(index):
            self.sights.jump_to_target()

    def take_choice(self, index: int) -> None:
        """Make a place that the program ranked the target."""
        if self.session.take_choice(index):
            self.session.end_drag()
            self.sights.jump_to_target()

    # ------------------------------------------------------------------------------------------------- computing

    def find_anatomy(self) -> None:
        """Chambers, annuli and membrane, in the process beside."""
        self.work.make_way()
        asked = self.session.ask_for_anatomy()
        if asked is not None and self.work.start_find(*asked):
            self.progress.emit("Finding the anatomy")
            self.changed.emit()

    @property
    def due(self) -> bool:
        """Whether something waits to be worked out beside the window."""
        return self.session.next_step() is not None

    def _start_step(self) -> None:
        """The next of what is worked out unasked."""
        step, found = self.session.next_step(), self.session.found
        if step is None or found is None:
            return
        if step.kind == "plan":
            r = self._request = self.session.ask_for_plan()
            started = r is not None and self.work.start_plan(r.volume, r.found, r.aim, r.surveyed)
        else:
            started = self.work.start_step(step, found, self.session.surveys.of(step.aim))
        if started:
            self._step, self._working_on = step, found

    def save_plan(self, folder: Path, *, paper: str, identity: bool) -> None:
        """The plan's files, written beside."""
        self.work.make_way()  # what is saved makes the plan anew
        r = self._request = self.session.ask_for_plan()
        if r is None:
            return
        if self.work.start_hand_on(r.volume, r.found, r.aim, r.surveyed, folder, paper=paper, identity=identity):
            self._step = None
            self.progress.emit("Writing the plan")
            self.changed.emit()

    def _handed_on(self, done: HandedOn) -> None:
        if self._request is not None:
            self.session.take_handed_on(done, self._request)
        self.handed_on.emit(done)
        self.said.emit(f"The plan was written: {len(done.paths)} files.", "note")

    # ------------------------------------------------------------------------------------------------- phases

    def step_phase(self, by: int) -> None:
        """Show the next phase; what is planned on stays the one that was opened."""
        phases = self.session.phases
        if len(phases) > 1:
            self.phase = (self.phase + by) % len(phases)
            self.views.shown_volume = phases[self.phase]
            self.views.refresh(hasty=True)
            self.changed.emit()

    def run_cine(self, on: bool) -> None:
        """Run the phases, or stop at the one planned on."""
        if on and len(self.session.phases) > 1:
            self._cine.start()
        else:
            self._cine.stop()


def _timer(parent: QObject, call: Callable[[], None], every_ms: int, *, once: bool = False) -> QTimer:
    made = QTimer(parent)
    made.setInterval(every_ms)
    made.setSingleShot(once)
    made.timeout.connect(call)
    return made

