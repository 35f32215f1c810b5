"""The panel of steps at the right, and the window around it."""

from __future__ import annotations

import gc
from collections.abc import Callable
from pathlib import Path

import napari
from napari.viewer import Viewer
from qtpy.QtCore import QTimer
from qtpy.QtWidgets import (
    QButtonGroup,
    QHBoxLayout,
    QPushButton,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from septal_planner.fluoroscopy.carm import label
from septal_planner.puncture.procedures import load_procedures, procedure
from septal_viewer.actions import Actions
from septal_viewer.asking import Asking
from septal_viewer.autosave import Autosave
from septal_viewer.desk import Desk
from septal_viewer.files import Files
from septal_viewer.footer import Footer
from septal_viewer.frame import PANEL_WIDTH, Frame
from septal_viewer.keys import as_html
from septal_viewer.lasting import keep_lasting
from septal_viewer.page_crossing import CrossingCalls, CrossingPage
from septal_viewer.page_handing_on import HandingCalls, HandingPage
from septal_viewer.page_marking import ANNULI, MarkingCalls, MarkingPage
from septal_viewer.page_opening import OpeningPage
from septal_viewer.page_table import TablePage
from septal_viewer.parts import Page, button, sheet, words
from septal_viewer.plane_view import PlaneView
from septal_viewer.scene_head import SceneHead
from septal_viewer.strip import Strip
from septal_viewer.table_files import TableFiles
from septal_viewer.table_view import TableView

PAGES = (
    ("opening", "Opening"), ("marking", "Marking"), ("crossing", "Crossing"), ("handing_on", "Handing on"),
    ("table", "X-ray"),
)  # fmt: skip
PHANTOMS = ("normal", "dilated-left-atrium", "small-fossa", "thin-membrane", "bulging-membrane", "rotated-heart")


class PlannerPanel(QWidget):
    """The panel; it sets the rest of the window up around itself. `state_folder` None: the person's own."""

    def __init__(self, viewer: Viewer, *, state_folder: Path | None = None) -> None:
        keep_lasting()
        super().__init__()
        self.viewer = viewer
        self.page = ""
        self.desk = Desk(viewer)
        self.state_folder = state_folder
        self.autosave = Autosave(self.desk.session, state_folder, self.desk.table.pairs)
        self.turning = self.desk.turning
        self.actions_ = Actions(self)
        self.strip = Strip()
        self.head = SceneHead()
        self.files = Files(self)
        self._make_pages()
        self._lay_out()
        self.asking = Asking(
            self, self.desk.session, self.files.save_then, lambda: self.desk.table.pairs.unsaved,
            self.table_files.save_then,
        )  # fmt: skip
        self.frame = Frame(
            viewer, dropped=self.dropped, may_close=self.asking.may_close, closed=self._closed,
            fault=lambda sentence: self.say(sentence, "error"),
        )  # fmt: skip
        self._connect()
        viewer.dims.ndisplay = 3
        viewer.title = "Septal planner"
        self.frame.set_up(
            self.strip, [*self.desk.views.views[:2]], self.desk.views.views[2], self.head,
            None if self.parent() is not None else self,
        )
        self.frame.add_table(self.xray)
        self.frame.bind(self.actions_)
        self.show_page("opening")
        self._themed()
        self._slow = QTimer(self)
        self._slow.timeout.connect(self._every_second)
        self._slow.start(500)
        QTimer.singleShot(0, self._begin)

    # ------------------------------------------------------------------------------------------------- setting up

    def _make_pages(self) -> None:
        a, desk = self.actions_, self.desk
        f = self.files
        self.opening = OpeningPage(
            open_path=self.open_path, open_series=lambda one: self.asking.guard(lambda: desk.open_series(one)),
            open_phases=lambda: self.asking.guard(desk.open_phases),
            open_phantom=lambda name: self.asking.guard(lambda: desk.open_phantom(name)), phantoms=PHANTOMS,
            restore=lambda: self.asking.guard(f.take_up), discard=f.discard,
        )  # fmt: skip
        self.marking = MarkingPage(MarkingCalls(
            select=self.select, pick=desk.pick, place=a.place_at_cursor, jump=a.jump, lock=a.toggle_lock,
            remove=a.remove_point, undo=a.undo, redo=a.redo, turn=a.rotate, centre=self.turning.centre_here,
            open_file=f.open_landmarks, save_file=f.save_landmarks, find=a.find_anatomy,
        ))  # fmt: skip
        self.crossing = CrossingPage(CrossingCalls(
            procedure=desk.session.set_procedure, catheter=desk.session.set_catheter, computed=a.choose_target,
            at_cursor=a.place_at_cursor, jump=a.jump,
            keep=a.keep_candidate, drop=desk.session.drop_candidate, take=desk.take_candidate, choose=desk.take_choice,
            view=desk.sights.look_as, front=desk.sights.look_from_front,
        ), load_procedures(), desk.session)  # fmt: skip
        self.handing = HandingPage(HandingCalls(
            save=f.save_plan, open_pdf=lambda: f.show("plan.pdf"), print_pdf=f.print_plan,
            open_folder=lambda: f.show(""), pictures=f.save_pictures, open_plan=f.open_plan,
        ))  # fmt: skip
        self.table_files = TableFiles(self)
        self.table = TablePage(desk.table, self.table_files.calls())
        self.xray = TableView(desk.table)
        self.keys_page = Page()
        self.keys_text = words()
        self.keys_page.column.addWidget(self.keys_text)
        self.keys_page.column.addStretch(1)

    def _lay_out(self) -> None:
        self.setFixedWidth(PANEL_WIDTH)
        self.stages = QButtonGroup(self)
        stages = QHBoxLayout()
        stages.setSpacing(0)
        self.stage_buttons: dict[str, QPushButton] = {}
        for i, (name, title) in enumerate(PAGES):
            made = button(f"{i + 1} {title}", f"Alt+{i + 1}", checkable=True)
            made.setObjectName("stage")
            made.clicked.connect(lambda _=False, n=name: self.show_page(n))
            self.stages.addButton(made)
            self.stage_buttons[name] = made
            stages.addWidget(made, 4 + len(title))
        self.stack = QStackedWidget()
        for page in (self.opening, self.marking, self.crossing, self.handing, self.table, self.keys_page):
            self.stack.addWidget(page)
        self.footer = Footer()
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        column.addLayout(stages)
        column.addWidget(self.stack, 1)
        column.addWidget(self.footer)

    def _connect(self) -> None:
        d, a = self.desk, self.actions_
        d.said.connect(self.say)
        d.progress.connect(self.footer.progress)
        d.changed.connect(self.tell)
        d.numbers_changed.connect(self._numbers)
        d.page_wanted.connect(self.show_page)
        d.series_found.connect(self.opening.offer_series)
        d.wanted.connect(self.asking.guard)
        d.handed_on.connect(self.files.handed_on)
        d.session.cursor_changed.connect(self.tell_place)
        d.table.changed.connect(self._table_changed)
        d.table.changed.connect(self.autosave.note_change)
        self.xray.chart.clicked.connect(d.sights.look_from)
        d.table.turn.connect(d.sights.look_from)
        d.views.more_spots = self.table_files.spots
        d.views.window_changed.connect(self.strip.tell_window)
        d.views.planes_changed.connect(lambda _: self._tell_planes())
        d.scene.on_quantities = self._tell_quantities
        for view in d.views.views:
            view.enlarge.connect(lambda v=view: self.enlarge(v))
        s = self.strip
        s.planes_chosen.connect(a.set_planes)
        s.window_chosen.connect(a.set_window)
        s.phase_stepped.connect(d.step_phase)
        s.cine_toggled.connect(d.run_cine)
        s.overlay_toggled.connect(d.views.show_drawings)
        s.overlay_toggled.connect(self.xray.show_drawings)
        s.theme_toggled.connect(a.toggle_theme)
        s.keys_toggled.connect(self._toggle_keys)
        s.tell_window(d.views.low_hu, d.views.high_hu)
        self.head.quantity_chosen.connect(d.scene.show_quantity)
        self.footer.cancelled.connect(d.work.cancel)
        self.viewer.events.theme.connect(lambda _: self._themed())
        self.viewer.scene.camera.events.angles.connect(lambda _: self._tell_angle())

    def _begin(self) -> None:
        """Once the window is there."""
        self.frame.share_out()
        self.files.look_for_kept()
        self.tell()
        gc.freeze()  # what libraries made at their import stays: looking it through again took 0.3 s in a turn

    def _every_second(self) -> None:
        self.autosave.tick()
        self.frame.catch_faults()

    # ------------------------------------------------------------------------------------------------- saying

    @property
    def dark(self) -> bool:
        """Whether the theme is dark."""
        return "light" not in str(self.viewer.theme)

    def say(self, text: str, kind: str) -> None:
        """One sentence in the message line; an empty one takes it away."""
        self.footer.say(text, kind, dark=self.dark)

    def show_page(self, name: str) -> None:
        """One of the five pages."""
        at = [n for n, _ in PAGES].index(name)
        self.page = name
        self.stage_buttons[name].setChecked(True)
        self.strip.keys.blockSignals(True)
        self.strip.keys.setChecked(False)
        self.strip.keys.blockSignals(False)
        self.stack.setCurrentIndex(at)
        self.desk.pointing.arrows_move_target = name == "crossing"
        self.desk.views.marking = name in ("opening", "marking")
        self.desk.views.fixed = self.desk.table.active = name == "table"
        if name == "table" and not self.frame.arranged:
            self.desk.views.set_planes("body")  # points seen by X-ray lie all over the chest
        self.frame.arrange(self.desk.table.mode if name == "table" else "")
        self.desk.scene.show_marks(name in ("opening", "marking"))
        if name != "marking":
            self.desk.pick(False)
        if self.footer.kind == "note":
            self.say("", "note")
        self._turn()
        self.desk.views.refresh()
        self.tell()

    def _toggle_keys(self, on: bool) -> None:
        self.stack.setCurrentIndex(len(PAGES) if on else [n for n, _ in PAGES].index(self.page))

    def _themed(self) -> None:
        self.setStyleSheet(sheet(self.dark))
        QTimer.singleShot(0, self.frame.thin_separators)
        self.strip.theme.setText("Light" if self.dark else "Dark")
        self.keys_text.setText(as_html(self.dark))
        self.xray.set_dark(self.dark)
        self.tell()

    def tell(self) -> None:
        """Bring the pages up to date."""
        s, d = self.desk.session, self.desk
        self.opening.tell_volume(s.volume, len(s.phases))
        if self.page == "marking":
            self.marking.select(d.selected)
            self.marking.tell(
                s.states(), {n: len(p) for n, p in s.points_lps.items()}, s.locked, dark=self.dark,
                can_undo=s.can_undo, can_redo=s.can_redo, busy=d.occupied, stale=s.stale,
                turned=self.turning.words(),
            )  # fmt: skip
            self.marking.pick.blockSignals(True)
            self.marking.pick.setChecked(d.pointing.picked is not None)
            self.marking.pick.blockSignals(False)
        self.tell_place()
        phases = s.phases
        self.strip.tell_phases(d.phase, len(phases), phases[d.phase].phase_percent if phases else None)
        picked = d.table.pairs.chosen if self.page == "table" else self.marking.step.title
        d.views.set_banner(f"Click: {picked}   (Esc to stop)" if d.pointing.picked else "")
        if self.page == "table":
            self.table.tell(dark=self.dark, picking=d.pointing.picked is not None)
        self._numbers()

    def tell_place(self) -> None:
        """Where the cross-hair is, and what the CT shows there."""
        self.strip.tell_place(self.desk.sights.place_words())

    def _numbers(self) -> None:
        s = self.desk.session
        if self.page == "crossing":
            self.crossing.set_procedure(s.procedure)
            first = s.case.plan.read_first if s.case is not None and s.case.plan.read_first is not None else ()
            self.crossing.tell(dark=self.dark, read_first=first)
            views = s.case.views if s.case is not None else None
            if s.case is not None or s.site is None:
                none = "" if s.case is None or views else "No C-arm angles: the patient did not lie supine in the CT."
                self.crossing.tell_views(views, none)
        if self.page == "handing_on":
            said = ""
            if s.site is not None:
                low, high = s.site.height_interval_95_mm
                said = (
                    f"{procedure(s.procedure).title}. Target {s.site.zone or ''}, {s.site.height_mm:.1f} mm above the "
                    f"mitral annulus ({low:.1f} to {high:.1f})."
                )
            self.handing.tell(ready=s.site is not None and not s.stale, busy=self.desk.occupied, said=said)

    def _tell_planes(self) -> None:
        which = self.desk.views.planes_set
        (self.strip.septum if which == "septum" else self.strip.body).setChecked(True)

    def _tell_quantities(self) -> None:
        scene = self.desk.scene
        self.head.tell(scene.quantities, scene.quantity, faded=scene.faded)
        self.desk.views.refresh()

    def _tell_angle(self) -> None:
        primary, secondary = self.desk.scene.angles()
        self.head.angle.setText(label(primary, secondary))
        if self.page == "table" and self.desk.table.mode == "views":
            self.desk.table.look_from(primary, secondary)

    def _table_changed(self) -> None:
        if self.page == "table":
            self.frame.arrange(self.desk.table.mode)
            self.desk.views.refresh()
            self.tell()

    # ------------------------------------------------------------------------------------------------- doing

    def select(self, name: str) -> None:
        """Another landmark."""
        self.marking.selected = name
        self.desk.select(name)
        self._turn()
        self.tell()

    def _turn(self) -> None:
        name = self.desk.selected
        if self.page == "marking" and name in ANNULI and self.desk.session.volume is not None:
            self.turning.begin(name)
        else:
            self.turning.end()

    def enlarge(self, view: PlaneView) -> None:
        """One view alone, or all again."""
        self.frame.show_only(None if self.frame.alone is view else view)
        QTimer.singleShot(0, self.desk.views.refresh)

    def dropped(self, paths: list[Path]) -> None:
        """Files dropped on the window: on page X-ray its frames and points, else a CT, landmarks or a plan."""
        if not (self.page == "table" and self.table_files.take(paths)):
            # several files of one series: their folder is meant
            self.open_path(paths[0] if len(paths) == 1 else paths[0].parent)

    def open_path(self, path: Path, then: Callable[[], None] | None = None) -> None:
        """A CT, landmarks or a plan, after asking about unsaved work where a CT is opened."""
        if path.suffix.lower() == ".json":
            self.desk.open_path(path)
        else:
            self.asking.guard(lambda: self.desk.open_path(path, then))

    def _closed(self) -> None:
        """The window is closing for good; whoever chose to lose the work has chosen so."""
        self._slow.stop()
        self.frame.take_down()
        self.autosave.close(clear=True)
        self.desk.close()


def open_window(
    ct: Path | None = None, landmarks: Path | None = None, *, state_folder: Path | None = None, show: bool = True
) -> PlannerPanel:
    """A napari window with the planner in it, and a CT with its landmarks where they are given."""
    viewer = napari.Viewer(title="Septal planner", show=show, ndisplay=3)
    viewer.window.resize(1280, 800)
    panel = PlannerPanel(viewer, state_folder=state_folder)
    if ct is not None:
        marked = landmarks
        panel.open_path(ct, None if marked is None else lambda: panel.desk.open_json(marked))
    return panel
