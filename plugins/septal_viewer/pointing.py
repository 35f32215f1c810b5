"""What mouse and arrow keys do in the flat views: move the cross-hair, place and drag landmarks, drag the target."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from qtpy.QtCore import QObject, Qt

from septal_viewer.overlay import TARGET, Key
from septal_viewer.plane_view import PlaneView
from septal_viewer.session import Session
from septal_viewer.views import Views

Array = NDArray[np.float64]


class Pointing(QObject):
    """`picked` is the landmark that a click places, or None. What is dragged moves in the session at once, so that its
    numbers and curves follow; one undo takes the whole drag back."""

    def __init__(self, session: Session, views: Views, *, place: Callable[[Array], None]) -> None:
        super().__init__()
        self.session, self.views = session, views
        self.picked: str | None = None
        self.arrows_move_target = False
        self.on_let_go: Callable[[bool], None] = lambda target: None
        self._place = place
        self._dragging: Key | None = None
        self._cross = False
        self._moved = False
        for view in views.views:
            view.pointed.connect(lambda at, key, mod, v=view: self._press(v, at, key, mod))
            view.dragged.connect(lambda at, v=view: self._drag(v, at))
            view.released.connect(lambda at, v=view: self._release(v, at))
            view.stepped.connect(self._step)

    @property
    def dragging(self) -> bool:
        """Whether something is held by the mouse."""
        return self._dragging is not None or self._cross

    def _press(self, view: PlaneView, at: Array, key: Key | None, modifiers: object) -> None:
        if self.session.volume is None:
            return
        shift = modifiers == Qt.KeyboardModifier.ShiftModifier
        if key is not None and not shift:
            self._dragging, self._moved = key, False
            view.frozen = True
        elif self.picked is not None and not shift:
            self._place(at)
        else:
            self._cross = True
            self.session.set_cursor(at)

    def _drag(self, view: PlaneView, at: Array) -> None:
        if self._cross:
            view.frozen = True
            self.session.set_cursor(at)
        elif self._dragging == TARGET:
            self._moved = self.session.move_target(at, dragging=True) or self._moved
        elif self._dragging is not None:
            name, index = self._dragging
            self._moved = self.session.move(name, index, at, dragging=True) or self._moved

    def _release(self, view: PlaneView, at: Array) -> None:
        del at
        view.frozen = False
        held, self._dragging, moved, self._moved = self._dragging, None, self._moved, False
        self._cross = False
        if held is not None:
            self.session.end_drag()
        if moved:
            self.on_let_go(held == TARGET)
        self.views.refresh()

    def _step(self, way_lps: Array) -> None:
        if self.session.volume is None:
            return
        if self.arrows_move_target and self.session.site is not None:
            self.session.move_target(np.asarray(self.session.site.target_lps) + way_lps)
            self.on_let_go(True)
        else:
            self.session.set_cursor(np.asarray(self.session.cursor_lps) + way_lps)
