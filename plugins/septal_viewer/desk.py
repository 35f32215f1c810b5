"""What happens in the window: the pages ask, the session holds, the process beside computes, and its news come in."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from napari.layers import Layer
from napari.viewer import Viewer
from numpy.typing import NDArray
from qtpy.QtCore import QObject, QTimer, Signal  # type: ignore[attr-defined]

from septal_planner.inputs.volume import Volume
from septal_viewer.guide import STEP, first_to_mark
from septal_viewer.layers import LANDMARK_KEY, VOLUME_KEY, landmarks_from_layers
from septal_viewer.page_opening import phases_of
from septal_viewer.pointing import Pointing
from septal_viewer.sampling import forget
from septal_viewer.scene import Scene
from septal_viewer.scene_drag import SceneDrag
from septal_viewer.session import PlanRequest, Session
from septal_viewer.sights import Sights
from septal_viewer.table_jobs import TABLE_JOBS
from septal_viewer.turning import Turning
from septal_viewer.views import Views
from septal_viewer.work import Cancelled, Done, Failed, Progress, Refused, Work
from septal_viewer.worker import HandedOn, ListedSeries, PhantomCase
from septal_viewer.xray_table import XrayTable

Array = NDArray[np.float64]
LOG = logging.getLogger("septal_viewer")
TICK_MS = 25
SCENE_MS = 150  # the 3-D view follows a dragged target no oftener than this
CINE_MS = 160


class Desk(QObject):
    """`said(text, kind)` is for the message line, `progress(text)` for the bar: an empty text takes it away."""

    said = Signal(str, str)
    progress = Signal(str)
    changed = Signal()  # anything the pages show
    numbers_changed = Signal()  # the site alone: what has to be quick
    page_wanted = Signal(str)
    series_found = Signal(object)
    handed_on = Signal(object)
    wanted = Signal(object)  # what opens another CT, to be done once unsaved work has been asked about

    def __init__(self, viewer: Viewer) -> None:
        super().__init__()
        self.viewer = viewer
        self.session = Session()
        self.work = Work()
        self.scene = Scene(viewer)
        self.views = Views(self.session)
        self.sights = Sights(self.session, self.views, self.scene)
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
        self.selected = "left_atrium"
        self.series: Sequence[ListedSeries] = ()
        self.source: Path | None = None
        self.phase = 0
        self._next: list[Callable[[], None]] = []  # to do once the CT is open
        self._opening: tuple[Path | None, str | None] = (None, None)
        self._request: PlanRequest | None = None
        self._plan_due = False
        self._closed = self._adopting = False
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
        s.candidates_changed.connect(self._candidates_changed)
        s.cursor_changed.connect(self._cursor_changed)
        self.viewer.layers.events.inserted.connect(lambda event: self._adopt_soon(event.value))
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

    # ------------------------------------------------------------------------------------------------- opening

    def open_path(self, path: Path, then: Callable[[], None] | None = None) -> None:
        """Open whatever a path holds: landmarks or a plan on the CT that is open, or a CT; `then` once it is."""
        self._next = [] if then is None else [then]
        if path.suffix.lower() == ".json":
            self.open_json(path)
        elif self.work.start_open(path):
            self.source, self._opening = path, (path, None)
            self.progress.emit("Opening the CT")

    def open_json(self, path: Path) -> None:
        """Landmarks or a saved plan."""
        try:
            plan = b'"schema_version"' in path.read_bytes()[:4000]
        except OSError:
            plan = False
        done = self.session.open_plan(path) if plan else self.session.open_landmarks(path)
        if done:
            self.sights.go_to_marked()
            self.page_wanted.emit("marking")

    def open_series(self, one: ListedSeries) -> None:
        """Read one of the series found."""
        if self.source is not None and self.work.start_read(self.source, series_uid=one.summary.selector):
            self._opening = (self.source, one.summary.selector)
            self.progress.emit("Reading the CT")

    def read(self, path: Path, series_uid: str | None, then: Callable[[], None]) -> None:
        """Read a CT of which it is known what it is."""
        if self.work.start_read(path, series_uid=series_uid):
            self._next, self._opening = [then], (path, series_uid)
            self.progress.emit("Reading the CT")

    def open_phases(self) -> None:
        """Read all phases, to run them as a cine beside the one that is planned on."""
        phases = [f.summary.selector for f in phases_of(self.series)]
        if self.source is not None and self.work.start_read_phases(self.source, phases):
            self._opening = (self.source, None)
            self.progress.emit("Reading the phases")

    def open_phantom(self, name: str, *, quick: bool = True, then: Callable[[], None] | None = None) -> None:
        """An invented heart with its landmarks."""
        self._next = [] if then is None else [then]
        if self.work.start_phantom(name, quick=quick):
            self._opening = (None, None)
            self.progress.emit("Making the invented case")

    def take_volume(self, volume: Volume, phases: Sequence[Volume] = (), *, phantom: str | None = None) -> None:
        """Show a CT that has been read."""
        old = self.session.volume
        path, series = self._opening
        if not self.session.set_volume(volume, phases, path=path, series_uid=series, phantom=phantom, discard=True):
            return
        if old is not None and old is not volume:
            forget(old.hu)
        self.views.set_planes("body")
        self.views.see_whole()
        waiting, self._next = self._next, []
        for then in waiting:
            then()

    def _adopt_soon(self, layer: Layer) -> None:
        if VOLUME_KEY in layer.metadata:
            layer.visible = False  # or all its voxels would be drawn in 3-D once, for seconds without a graphics card
        if not self._adopting:
            self._adopting = True
            QTimer.singleShot(0, self._adopt)

    def _adopt(self) -> None:
        """Take over what was opened through napari's own dialog: a CT, or landmarks on the CT that is open."""
        self._adopting = False
        theirs = [one for one in self.viewer.layers if not self.scene.owns(one)]
        volumes = [one for one in theirs if VOLUME_KEY in one.metadata]
        marks = [one for one in theirs if LANDMARK_KEY in one.metadata]
        if volumes:
            volume = volumes[-1].metadata[VOLUME_KEY]
            self._opening = (None, None)
            self.wanted.emit(lambda: self.take_volume(volume))
        if marks and self.session.volume is not None:
            for name, points in landmarks_from_layers(marks).items():
                self.session.set_points(name, points)
            self.sights.go_to_marked()
        for one in [*volumes, *(marks if self.session.volume is not None else ())]:
            self.viewer.layers.remove(one)

    # ------------------------------------------------------------------------------------------------- news

    def _tick(self) -> None:
        """Every few milliseconds: news of the process, one step of the 3-D view, a plan that is due."""
        for event in self.work.poll():
            self._news(event)
        if self.scene.busy and not self.pointing.dragging:
            self.scene.pump()
        elif self._plan_due and not self.work.busy and not self.dragging:
            self._plan_due = False
            self._start_plan()
        if not self._plan_due:
            self.table.pump()

    def _news(self, event: object) -> None:
        if isinstance(event, Progress):
            self.progress.emit(event.text)
            return
        if isinstance(event, Refused):
            self.said.emit(event.sentence, "error")
            return
        self.progress.emit("")
        if isinstance(event, Failed):
            self._next = []
            if event.details:
                LOG.error("%s: %s\n%s", event.job, event.sentence, event.details)
            self.said.emit(event.sentence, "error")
            self.table.failed(event.job, event.sentence)
        elif isinstance(event, Cancelled):
            self._next = []
            self.table.give_up()
            self.said.emit("Stopped as you asked; nothing was changed.", "note")
        elif isinstance(event, Done) and event.job in TABLE_JOBS:
            self.table.take(event.result)
            if event.job == "simulate":
                return
        elif isinstance(event, Done):
            self._done(event.job, event.result)
        self.changed.emit()

    def _done(self, job: str, result: Any) -> None:
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
                self._plan_due = True
                self.page_wanted.emit("crossing")
                self.views.set_planes("septum")
                self.sights.jump_to_target()
                self.sights.look_from_front()
        elif job == "plan":
            if self._request is not None:
                self.session.take_case(result, self._request)
        elif job == "hand_on":
            self._handed_on(result)

    def _listed(self, found: Sequence[ListedSeries]) -> None:
        self.series = found
        self.series_found.emit(found)
        usable = [f for f in found if f.summary.usable]
        if len(usable) == 1 and len(found) == 1:
            self.open_series(usable[0])
        elif not usable:
            why = found[0].summary.faults[0] if found and found[0].summary.faults else "none was found"
            self.said.emit(f"There is no series here to plan on: {why}", "error")
        else:
            self.page_wanted.emit("opening")
            self.said.emit("There are several series here; choose one on page Opening.", "note")

    def _offer_others(self, found: Sequence[ListedSeries]) -> None:
        """The series beside the one that was opened, since it alone shows contrast."""
        if len(found) > 1:
            self.series = found
            self.series_found.emit(found)
            self.said.emit("Of several series here the one that shows contrast was opened; the others stand on page "
                           "Opening.", "note")

    def _phantom(self, case: PhantomCase) -> None:
        if self._next:  # with the landmarks of kept work
            self.take_volume(case.volume, phantom=case.name)
            return
        self.take_volume(case.volume, phantom=case.name)
        self.session.take_landmarks(case.landmarks)
        self.sights.look_from_front()
        self.sights.go_to_marked()
        self.page_wanted.emit("marking")
        self.said.emit("An invented heart with its landmarks marked: try it, and press F to find the anatomy.", "note")

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
        if site is not None and self.session.case is None:
            self._plan_due = True

    @property
    def occupied(self) -> bool:
        """Whether the process does what must be waited for, not a plan or a picture that can be made again."""
        return self.work.busy and self.work.job not in ("plan", "simulate")

    @property
    def dragging(self) -> bool:
        """Whether something is held by the mouse, in a flat view or in the 3-D view."""
        return self.pointing.dragging or self.scene_drag.dragging

    def _candidates_changed(self) -> None:
        self.views.refresh()
        self.numbers_changed.emit()

    def _cursor_changed(self) -> None:
        self.views.refresh(hasty=self.dragging)

    def _show_site(self) -> None:
        self.scene.show_site(self.session.site, self.session.points_lps)

    def _let_go(self, target: bool) -> None:
        if target:
            self._plan_due = True
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

    # ------------------------------------------------------------------------------------------------- computing

    def find_anatomy(self) -> None:
        """Chambers, annuli and membrane, in the process beside."""
        if self.work.busy and self.work.job in ("plan", "list", "simulate"):
            self.work.cancel()  # of the anatomy before, or no more than a list or a picture
            self.work.poll()
        asked = self.session.ask_for_anatomy()
        if asked is not None and self.work.start_find(*asked):
            self.progress.emit("Finding the anatomy")
            self.changed.emit()

    def _start_plan(self) -> None:
        if self.session.found is None or self.session.stale or self.session.case is not None:
            return
        self._request = self.session.ask_for_plan()
        r = self._request
        if r is not None:
            self.work.start_plan(r.volume, r.found, procedure=r.procedure, target_lps=r.target_lps)

    def save_plan(self, folder: Path, *, paper: str, identity: bool) -> None:
        """The plan's files, written beside."""
        if self.work.busy and self.work.job in ("plan", "simulate"):
            self.work.cancel()  # what is saved makes the plan anew
            self.work.poll()
        r = self._request = self.session.ask_for_plan()
        if r is None:
            return
        if self.work.start_hand_on(
            r.volume, r.found, folder, procedure=r.procedure, target_lps=r.target_lps, paper=paper, identity=identity
        ):
            self._plan_due = False
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

