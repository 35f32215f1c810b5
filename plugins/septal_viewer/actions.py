"""What each key and button does; `keys.SHORTCUTS` names these methods."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from septal_viewer.guide import STEP, STEPS
from septal_viewer.page_marking import ANNULI
from septal_viewer.planes import WINDOWS

if TYPE_CHECKING:
    from septal_viewer.window import PlannerPanel


class Actions:
    """Of one panel and its desk."""

    def __init__(self, panel: PlannerPanel) -> None:
        self.panel, self.desk, self.session = panel, panel.desk, panel.desk.session

    # ------------------------------------------------------------------------------------------------- pages

    def page_opening(self) -> None:
        self.panel.show_page("opening")

    def page_marking(self) -> None:
        self.panel.show_page("marking")

    def page_crossing(self) -> None:
        self.panel.show_page("crossing")

    def page_handing_on(self) -> None:
        self.panel.show_page("handing_on")

    def page_table(self) -> None:
        self.panel.show_page("table")

    def toggle_keys(self) -> None:
        self.panel.strip.keys.toggle()

    def toggle_theme(self) -> None:
        self.panel.viewer.theme = "light" if self.panel.dark else "dark"

    def ask_folder(self) -> None:
        self.panel.show_page("opening")
        self.panel.opening.ask_folder()

    def save_plan(self) -> None:
        self.panel.files.save_plan()

    def escape(self) -> None:
        """Stop what runs; else put a picked landmark down; else forget the message."""
        if self.desk.occupied:
            self.desk.work.cancel()
        elif self.desk.pointing.picked is not None:
            self.desk.pick(False)
        else:
            self.panel.say("", "note")

    # ------------------------------------------------------------------------------------------------- views

    def toggle_planes(self) -> None:
        self.set_planes("septum" if self.desk.views.planes_set == "body" else "body")

    def set_planes(self, which: str) -> None:
        """The body's planes or the septum's; these need a point in each atrium."""
        if which == "septum" and "en_face" not in self.desk.views.planes():
            self.panel.say("The planes of the septum need a point in each atrium first.", "note")
            which = "body"
        self.desk.views.set_planes(which)
        self.panel.tell()

    def next_window(self) -> None:
        names = self.panel.strip.window_names
        names.setCurrentIndex((names.currentIndex() + 1) % names.count())

    def set_window(self, name: str) -> None:
        self.desk.views.set_window(WINDOWS[name])

    def toggle_large(self) -> None:
        self.panel.enlarge(self.desk.views.chosen)

    def toggle_overlay(self) -> None:
        self.panel.strip.overlay.toggle()

    def toggle_cine(self) -> None:
        if len(self.session.phases) > 1:
            self.panel.strip.run.toggle()

    def phase_before(self) -> None:
        self.desk.step_phase(-1)

    def phase_after(self) -> None:
        self.desk.step_phase(1)

    # ------------------------------------------------------------------------------------------------- marking

    def undo(self) -> None:
        if self.on_table:
            self.desk.table.change(self.desk.table.pairs.undo)
        else:
            self.session.undo()

    def redo(self) -> None:
        if self.on_table:
            self.desk.table.change(self.desk.table.pairs.redo)
        else:
            self.session.redo()

    def find_anatomy(self) -> None:
        self.desk.find_anatomy()

    def next_landmark(self) -> None:
        self._step_landmark(1)

    def landmark_before(self) -> None:
        self._step_landmark(-1)

    def _step_landmark(self, by: int) -> None:
        if self.on_table:
            self.desk.table.step(by)
            return
        names = [s.name for s in STEPS]
        self.panel.select(names[(names.index(self.desk.selected) + by) % len(names)])

    def select(self, name: str) -> None:
        self.panel.select(name)

    def jump(self) -> None:
        """To the target on page Crossing, to the point on page X-ray, else to the landmark that is marked."""
        if self.on_table:
            place = self.desk.table.pairs.marks.places.get(self.desk.table.pairs.chosen)
            if place is not None:
                self.session.set_cursor(place)
                self.desk.views.see_heart()
        elif self.panel.page == "crossing":
            self.desk.sights.jump_to_target()
        else:
            self.desk.sights.jump(self.desk.selected, STEP[self.desk.selected].plane)

    def place_at_cursor(self) -> None:
        """A point of the landmark, on page Crossing the target, on page X-ray the point, where the cross-hair is."""
        if self.on_table:
            self.desk.table.place(self.session.cursor_lps)
        elif self.panel.page == "crossing":
            if self.session.move_target(self.session.cursor_lps):
                self.session.end_drag()
        else:
            self.desk.place_at(np.asarray(self.session.cursor_lps))

    def toggle_lock(self) -> None:
        if self.on_table:
            return
        name = self.desk.selected
        self.session.lock(name, name not in self.session.locked)

    def remove_point(self) -> None:
        if self.on_table:
            table = self.desk.table
            table.change(lambda: table.pairs.take_out(table.pairs.chosen))
            return
        name = self.desk.selected
        if len(self.session.points_lps.get(name, ())):
            self.session.remove(name, -1)

    def rotate_back(self) -> None:
        self.rotate(-1)

    def rotate_on(self) -> None:
        self.rotate(1)

    def rotate(self, by: int) -> None:
        """Turn the long-axis plane while an annulus is marked."""
        if self.panel.page == "marking" and self.desk.selected in ANNULI:
            self.panel.turning.step(by)

    # ------------------------------------------------------------------------------------------------- X-ray

    @property
    def on_table(self) -> bool:
        return self.panel.page == "table"

    def register(self) -> None:
        """Lay the CT onto the frames."""
        if self.on_table and self.desk.table.mode == "frames":
            self.desk.table.register()

    def toggle_registered(self) -> None:
        """By the headers, or as registered."""
        if self.on_table:
            self.desk.table.show_after(not self.desk.table.after)

    # ------------------------------------------------------------------------------------------------- crossing

    def choose_target(self) -> None:
        self.session.choose_target()
        self.desk.sights.jump_to_target()

    def keep_candidate(self) -> None:
        self.session.keep_candidate()

    def next_quantity(self) -> None:
        names = self.panel.head.names
        if names.count():
            names.setCurrentIndex((names.currentIndex() + 1) % names.count())

    def view_1(self) -> None:
        self._view(0)

    def view_2(self) -> None:
        self._view(1)

    def view_3(self) -> None:
        self._view(2)

    def view_4(self) -> None:
        self._view(3)

    def view_front(self) -> None:
        self.desk.sights.look_from_front()

    def _view(self, at: int) -> None:
        names = [n for n in self.panel.crossing.view_buttons if n != "front"]
        if at < len(names):
            self.desk.sights.look_as(names[at])


