"""The three flat views together: which planes they show, the cross-hair through them, and what is drawn on them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from qtpy.QtCore import QObject, QTimer, Signal  # type: ignore[attr-defined]

from septal_planner.inputs.volume import Volume
from septal_viewer.overlay import Curve, Spot, anatomy_curves, landmark_spots, target_spots
from septal_viewer.plane_view import FIELD_MM, PlaneView, Seen
from septal_viewer.planes import (
    BODY,
    SEPTUM,
    WINDOWS,
    Plane,
    Window,
    body_planes,
    scroll,
    septal_normal_guess,
    septal_planes,
)
from septal_viewer.session import Session
from septal_viewer.tint import PLANE as TINTED
from septal_viewer.tint import Tint

Array = NDArray[np.float64]

BODY_VIEWS = ("axial", "coronal", "sagittal")
SEPTUM_VIEWS = ("en_face", "short_axis", "four_chamber")
FIELDS = {"en_face": 46.0, "short_axis": 110.0, "four_chamber": 120.0, "caval": 110.0, "annulus": 90.0}
SHALLOWEST_HU = 20.0


class Views(QObject):
    """`planes_set` is "body" or "septum". `turned` is the long-axis plane of an annulus while one is marked."""

    window_changed = Signal(float, float)
    planes_changed = Signal(str)

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.session = session
        self.planes_set = "body"
        self.low_hu, self.high_hu = WINDOWS["blood"].low_hu, WINDOWS["blood"].high_hu
        self.turned: Plane | None = None
        self.shown_volume: Volume | None = None  # a phase other than the one planned on
        self._due: dict[PlaneView, bool] = {}
        self._closed = False
        self._soon = QTimer(self)
        self._soon.setSingleShot(True)
        self._soon.setInterval(0)
        self._soon.timeout.connect(self.refresh_now)
        self.marking = True  # whether landmarks can be dragged, or the target
        self.fixed = False  # whether nothing can be dragged
        self.more_spots: Callable[[], Sequence[Spot]] = tuple  # of whoever marks something else in the CT
        self.selected = ""
        self.tint: Callable[[Plane], Tint | None] = lambda plane: None  # of the membrane, on the plane that sees it
        self.views = tuple(PlaneView((*BODY, *SEPTUM), None) for _ in range(3))
        for view, name in zip(self.views, BODY_VIEWS, strict=True):
            view.offer((*BODY, *SEPTUM), name)
            view.needs_picture.connect(lambda v=view: self.refresh(only=v))
            view.scrolled.connect(self._scroll)
            view.window_dragged.connect(self._drag_window)
            view.chosen.connect(lambda v=view: self._choose(v))
            view.plane_chosen.connect(lambda _, v=view: self._plane_chosen(v))
        self.chosen = self.views[0]

    # ------------------------------------------------------------------------------------------------- planes

    def planes(self) -> dict[str, Plane]:
        """Every plane there is at the cross-hair."""
        s = self.session
        if s.volume is None:
            return {}
        cursor = s.cursor_lps
        normal = s.found.fossa.normal_lps if s.found is not None else septal_normal_guess(s.points_lps)
        annulus = s.found.mitral if s.found is not None else None
        made = {**body_planes(cursor, s.volume), **septal_planes(cursor, normal, s.points_lps, annulus)}
        if self.turned is not None:
            made["annulus"] = self.turned
        return made

    def set_planes(self, which: str) -> None:
        """The body's planes in the three views, or the septum's."""
        if which == self.planes_set:
            return
        self.planes_set = which
        names = BODY_VIEWS if which == "body" else SEPTUM_VIEWS
        for view, name in zip(self.views, names, strict=True):
            view.offer(self._offered(), name)
            self.centre(view)
        self.planes_changed.emit(which)
        self.refresh()

    def show_turned(self, plane: Plane | None) -> None:
        """Show a turned long-axis plane in the first view, or take it away again."""
        was, self.turned = self.turned, plane
        first = self.views[0]
        if plane is not None and was is None:
            first.offer(self._offered(), "annulus")
            first.field_mm = FIELDS["annulus"]
        elif plane is None and was is not None:
            first.offer(self._offered(), (BODY_VIEWS if self.planes_set == "body" else SEPTUM_VIEWS)[0])
            self.centre(first)
        if plane is not None:
            first.anchor_lps = plane.center_lps
        self.refresh()

    def show_plane(self, name: str) -> PlaneView | None:
        """Bring a plane into one of the views; None where it cannot be had."""
        if name not in self.planes():
            return None
        for view in self.views:
            if view.name == name:
                return view
        if name in SEPTUM or name in BODY:
            self.set_planes("septum" if name in SEPTUM else "body")
        view = next((v for v in self.views if v.name == name), self.views[0])
        if view.name != name:
            view.offer(self._offered(), name)
            self.centre(view)
        return view

    def _offered(self) -> tuple[str, ...]:
        return (*BODY, *SEPTUM, *(("annulus",) if self.turned is not None else ()))

    def _plane_chosen(self, view: PlaneView) -> None:
        self.centre(view)
        self.refresh()

    def _choose(self, view: PlaneView) -> None:
        self.chosen = view
        for other in self.views:
            other.canvas.active = other is view
            other.canvas.update()

    # ------------------------------------------------------------------------------------------------- where they look

    def centre(self, view: PlaneView) -> None:
        """Put the cross-hair, or the fossa in its own planes, into the middle of a view at a usual zoom."""
        s = self.session
        view.anchor_lps = np.array(s.cursor_lps, dtype=np.float64)
        view.field_mm = FIELDS.get(view.name, FIELD_MM)
        if view.name == "four_chamber" and s.found is not None:
            view.anchor_lps = (view.anchor_lps + s.found.mitral.center_lps) / 2
        elif view.name == "en_face" and s.found is not None:
            view.anchor_lps = np.array(s.found.fossa.center_lps)

    def see_whole(self) -> None:
        """A new CT: all of it, from its middle."""
        planes = self.planes()
        for view in self.views:
            plane = planes.get(view.name)
            if plane is not None:
                w, h = max(view.canvas.width(), 1), max(view.canvas.height(), 1)
                view.anchor_lps = plane.center_lps
                view.field_mm = max(plane.height_mm, plane.width_mm * h / w)
        self.refresh()

    def see_heart(self) -> None:
        """At a usual zoom around the cross-hair."""
        for view in self.views:
            self.centre(view)
        self.refresh()

    # ------------------------------------------------------------------------------------------------- grey scale

    def set_window(self, window: Window) -> None:
        """A grey scale by its name."""
        self.low_hu, self.high_hu = window.low_hu, window.high_hu
        self.window_changed.emit(self.low_hu, self.high_hu)
        self.refresh()

    def _drag_window(self, right: float, up: float) -> None:
        middle, width = (self.low_hu + self.high_hu) / 2 - 2 * up, (self.high_hu - self.low_hu) + 3 * right
        width = max(SHALLOWEST_HU, width)
        self.low_hu, self.high_hu = middle - width / 2, middle + width / 2
        self.window_changed.emit(self.low_hu, self.high_hu)
        self.refresh()

    def _scroll(self, plane: Plane, mm: float) -> None:
        self.session.set_cursor(self.session.cursor_lps + (scroll(plane, mm).center_lps - plane.center_lps))

    # ------------------------------------------------------------------------------------------------- picture

    def refresh(self, *, hasty: bool = False, only: PlaneView | None = None) -> None:
        """Cut and paint again, once, when all that happens now has happened. `hasty` in coarser pixels and without
        outlines, while something is dragged."""
        for view in self.views if only is None else (only,):
            self._due[view] = self._due.get(view, True) and hasty
        if not self._soon.isActive() and not self._closed:
            self._soon.start()

    def close(self) -> None:
        """The widgets are going."""
        self._closed = True
        self._due = {}
        self._soon.stop()

    def refresh_now(self) -> None:
        """Do at once what is due."""
        self._soon.stop()
        due, self._due = self._due, {}
        if not due:
            return
        seen = self._seen()
        for view, hasty in due.items():
            if view.isVisible():
                view.show_seen(replace(seen, chambers=None) if hasty else seen, hasty=hasty)

    def _seen(self) -> Seen:
        s = self.session
        points: Mapping[str, Array] = s.points_lps
        curves: list[Curve] = anatomy_curves(s.found, s.site, points, s.here, live=s.stale)
        spots: list[Spot] = [
            *landmark_spots(points, s.locked, marking=self.marking, selected=self.selected),
            *target_spots(
                s.site, s.candidates, () if self.marking else s.choices, movable=not self.marking and not self.fixed
            ),
            *self.more_spots(),
        ]
        planes = self.planes()
        tint = self.tint(planes[TINTED]) if TINTED in planes and not self.marking else None
        return Seen(
            self.shown_volume or s.volume, planes, self.low_hu, self.high_hu, np.asarray(s.cursor_lps), curves, spots,
            s.found.chambers if s.found is not None else None, tuple(v.name for v in self.views),
            tint,
        )  # fmt: skip

    def show_drawings(self, on: bool) -> None:
        """Outlines, curves and marks, or the CT alone."""
        for view in self.views:
            view.canvas.show_overlay = on
            view.canvas.update()

    def set_banner(self, text: str) -> None:
        """A line across the top of every view."""
        for view in self.views:
            view.canvas.banner = text
            view.canvas.update()
