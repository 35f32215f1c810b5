"""What comes to be opened: folders, series, phases, invented hearts, landmarks and plans, and what napari's own dialog
brings.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from napari.layers import Layer
from napari.viewer import Viewer
from qtpy.QtCore import QObject, QTimer, Signal  # type: ignore[attr-defined]

from septal_planner.inputs.volume import Volume
from septal_viewer.layers import LANDMARK_KEY, VOLUME_KEY, landmarks_from_layers
from septal_viewer.page_opening import phases_of
from septal_viewer.sampling import forget
from septal_viewer.scene import Scene
from septal_viewer.session import Session
from septal_viewer.sights import Sights
from septal_viewer.views import Views
from septal_viewer.work import Work
from septal_viewer.worker import ListedSeries, PhantomCase


class Arrivals(QObject):
    """`said(text, kind)` is for the message line, `progress(text)` for the bar: an empty text takes it away."""

    said = Signal(str, str)
    progress = Signal(str)
    page_wanted = Signal(str)
    series_found = Signal(object)
    wanted = Signal(object)  # what opens another CT, to be done once unsaved work has been asked about

    def __init__(self, viewer: Viewer) -> None:
        super().__init__()
        self.viewer = viewer
        self.session = Session()
        self.work = Work()
        self.scene = Scene(viewer)
        self.views = Views(self.session)
        self.sights = Sights(self.session, self.views, self.scene)
        self.series: Sequence[ListedSeries] = ()
        self.source: Path | None = None
        self._next: list[Callable[[], None]] = []  # to do once the CT is open
        self._opening: tuple[Path | None, str | None] = (None, None)
        self._adopting = False
        self.viewer.layers.events.inserted.connect(lambda event: self._adopt_soon(event.value))

    def open_path(self, path: Path, then: Callable[[], None] | None = None) -> None:
        """Open whatever a path holds: landmarks or a plan on the CT that is open, or a CT; `then` once it is."""
        self._next = [] if then is None else [then]
        if path.suffix.lower() == ".json":
            self.open_json(path)
            return
        self.work.make_way()
        if self.work.start_open(path):
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
        self.work.make_way()
        if self.source is not None and self.work.start_read(self.source, series_uid=one.summary.selector):
            self._opening = (self.source, one.summary.selector)
            self.progress.emit("Reading the CT")

    def read(self, path: Path, series_uid: str | None, then: Callable[[], None]) -> None:
        """Read a CT of which it is known what it is."""
        self.work.make_way()
        if self.work.start_read(path, series_uid=series_uid):
            self._next, self._opening = [then], (path, series_uid)
            self.progress.emit("Reading the CT")

    def open_phases(self) -> None:
        """Read all phases, to run them as a cine beside the one that is planned on."""
        phases = [f.summary.selector for f in phases_of(self.series)]
        self.work.make_way()
        if self.source is not None and self.work.start_read_phases(self.source, phases):
            self._opening = (self.source, None)
            self.progress.emit("Reading the phases")

    def open_phantom(self, name: str, *, quick: bool = True, then: Callable[[], None] | None = None) -> None:
        """An invented heart with its landmarks."""
        self._next = [] if then is None else [then]
        self.work.make_way()
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

    # ------------------------------------------------------------------------------------------------- what came

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
