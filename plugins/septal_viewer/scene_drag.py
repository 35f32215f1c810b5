"""Drag the target in the 3-D view: it goes to where the line of sight meets the membrane."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from napari.viewer import Viewer

from septal_viewer.camera import line_of_sight, on_canvas, state_of
from septal_viewer.scene import Scene
from septal_viewer.session import Session
from septal_viewer.surfaces import first_hit

GRAB_PX = 14.0
LEFT_BUTTON = 1


class SceneDrag:
    """`may` says whether the target can be moved now; `on_let_go(True)` is called once it was. Beside the target the
    mouse turns the view as ever."""

    def __init__(
        self, viewer: Viewer, session: Session, scene: Scene, *, may: Callable[[], bool],
        on_let_go: Callable[[bool], None],
    ) -> None:  # fmt: skip
        self.viewer, self.session, self.scene = viewer, session, scene
        self.dragging = False
        self._may, self._on_let_go = may, on_let_go
        viewer.mouse_drag_callbacks.append(self._drag)

    def _drag(self, viewer: Any, event: Any) -> Iterator[None]:
        """Called by napari: on the press, and again at every move until the release."""
        mesh = self.scene.membrane
        if event.button != LEFT_BUTTON or event.modifiers or mesh is None or not self._may():
            return
        if not self._on_target(event):
            return
        camera = viewer.scene.camera
        state, canvas_px = state_of(camera), self._canvas_px()
        turns, camera.mouse_pan = camera.mouse_pan, False  # the view stands still meanwhile
        self.dragging, moved = True, False
        try:
            yield
            while event.type == "mouse_move":
                there = first_hit(mesh, *line_of_sight(state, canvas_px, _row_column(event)))
                if there is not None:
                    moved = self.session.move_target(there, dragging=True) or moved
                yield
        finally:
            self.dragging = False
            camera.mouse_pan = turns
            self.session.end_drag()
            if moved:
                self._on_let_go(True)

    def _on_target(self, event: Any) -> bool:
        site = self.session.site
        if site is None or self.viewer.dims.ndisplay != 3:
            return False
        try:
            at = on_canvas(state_of(self.viewer.scene.camera), self._canvas_px(), site.target_lps)
        except ValueError:  # behind the camera
            return False
        return float(np.linalg.norm(at - _row_column(event))) <= GRAB_PX

    def _canvas_px(self) -> tuple[int, int]:
        h, w = self.viewer.window._qt_viewer.canvas.size
        return int(h), int(w)


def _row_column(event: Any) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.asarray(event.pos, dtype=np.float64)[::-1]
