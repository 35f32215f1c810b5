"""The viewer's parts set into napari's window: docks, keys, drop, closing, and what becomes of an unexpected fault."""

from __future__ import annotations

import logging
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any

from napari.viewer import Viewer
from qtpy.QtCore import QEvent, QObject, Qt, QTimer
from qtpy.QtGui import QCloseEvent, QDropEvent, QKeySequence, QShortcut  # type: ignore[attr-defined]
from qtpy.QtWidgets import QMainWindow, QToolBar, QVBoxLayout, QWidget

from septal_viewer.keys import SHORTCUTS

LOG = logging.getLogger("septal_viewer")
PANEL_WIDTH = 348


class Frame(QObject):
    """Docks, shortcuts and the window's events; `take_down` puts the window back as it was."""

    def __init__(
        self,
        viewer: Viewer,
        *,
        dropped: Callable[[list[Path]], None],
        may_close: Callable[[Callable[[], None]], bool],
        closed: Callable[[], None],
        fault: Callable[[str], None],
    ) -> None:
        super().__init__()
        self.viewer = viewer
        self.window: QMainWindow = viewer.window._qt_window
        self._dropped, self._may_close, self._closed, self._fault = dropped, may_close, closed, fault
        self._docks: list[Any] = []
        self._table: Any = None
        self.alone: QWidget | None = None  # a flat view that is shown large
        self.arranged = ""  # "frames" or "views" on page X-ray
        self._closing = self._gone = False
        self._hook: Any = None
        self._watched = [self.window, viewer.window._qt_viewer, viewer.window._qt_viewer.canvas.native]
        for each in self._watched:
            each.setAcceptDrops(True)
            each.installEventFilter(self)

    # ------------------------------------------------------------------------------------------------- setting up

    def set_up(
        self, strip: QWidget, left: list[QWidget], below: QWidget, above: QWidget, panel: QWidget | None
    ) -> None:
        """Strip over all, two views at the left, one below the canvas, the 3-D head above it, the panel right."""
        w = self.window
        corners = Qt.Corner
        areas = Qt.DockWidgetArea
        for corner, area in (
            (corners.TopLeftCorner, areas.LeftDockWidgetArea), (corners.BottomLeftCorner, areas.LeftDockWidgetArea),
            (corners.TopRightCorner, areas.RightDockWidgetArea), (corners.BottomRightCorner, areas.RightDockWidgetArea),
        ):  # fmt: skip
            w.setCorner(corner, area)
        bar = QToolBar("Views", w)
        bar.setObjectName("septal-strip")
        bar.setMovable(False)
        bar.addWidget(strip)
        w.addToolBar(Qt.ToolBarArea.TopToolBarArea, bar)
        self._bar = bar
        qt_viewer = self.viewer.window._qt_viewer
        for dock in (qt_viewer.dockLayerList, qt_viewer.dockLayerControls):
            dock.setVisible(False)
        qt_viewer.show_welcome_screen = False
        self.viewer.canvas.background_color_override = "black"  # as behind the flat views, whatever the theme
        w.statusBar().hide()  # the strip says where the cross-hair is
        pair = QWidget()
        stacked = QVBoxLayout(pair)
        stacked.setContentsMargins(0, 0, 0, 0)
        stacked.setSpacing(1)
        for view in left:
            stacked.addWidget(view, 1)
        self._dock(pair, "Flat views", "left")
        self._dock(above, "Head of the 3-D view", "top")
        self._dock(below, "Third flat view", "bottom")
        if panel is not None:
            self._dock(panel, "Septal planner", "right")

    def _dock(self, widget: QWidget, name: str, area: str) -> None:
        dock = self.viewer.window.add_dock_widget(widget, name=name, area=area, add_vertical_stretch=False)
        dock.setTitleBarWidget(QWidget(dock))
        dock.setFeatures(dock.DockWidgetFeature.NoDockWidgetFeatures)
        if area == "top":
            dock.setFixedHeight(widget.height())
        self._docks.append(dock)

    def add_table(self, widget: QWidget) -> None:
        """Frames above the flat views; hidden until `arrange` asks for them."""
        dock = self.viewer.window.add_dock_widget(widget, name="X-ray", area="top", add_vertical_stretch=False)
        dock.setTitleBarWidget(QWidget(dock))
        dock.setFeatures(dock.DockWidgetFeature.NoDockWidgetFeatures)
        dock.hide()
        self._table = dock

    def arrange(self, how: str) -> None:
        """For page X-ray ("frames": two flat views below the frames, "views": one and the 3-D view), or as ever
        (empty)."""
        if how == self.arranged:
            return
        self.arranged = how
        corner, areas = Qt.Corner.TopLeftCorner, Qt.DockWidgetArea
        self.window.setUpdatesEnabled(False)
        # what goes first: two heads side by side would widen the window
        (self._docks[1] if how else self._table).hide()
        self.window.setCorner(corner, areas.TopDockWidgetArea if how else areas.LeftDockWidgetArea)
        self.show_only(None, later=True)
        self.window.setUpdatesEnabled(True)

    def thin_separators(self) -> None:
        """Narrow grips between the views; napari's are wide, and set anew with each theme."""
        thin = "QMainWindow::separator { width: 3px; height: 3px; image: none; }"
        if thin not in self.window.styleSheet():
            self.window.setStyleSheet(self.window.styleSheet() + thin)

    def share_out(self) -> None:
        """Halves for the views, once the window has its size."""
        w = self.window
        rest = max(200, w.width() - PANEL_WIDTH - 12)
        middle = w.centralWidget()
        w.resizeDocks([self._docks[0]], [rest // 2], Qt.Orientation.Horizontal)
        if self.arranged:
            below = max(150, round(0.42 * (w.height() - 60)))
            w.resizeDocks([self._table], [w.height() - 60 - below], Qt.Orientation.Vertical)
            w.resizeDocks([self._docks[2]], [below], Qt.Orientation.Vertical)
            return
        high = max(200, self._docks[2].height() + (0 if middle is None else middle.height()))
        w.resizeDocks([self._docks[2]], [high // 2], Qt.Orientation.Vertical)

    def show_only(self, view: QWidget | None, *, later: bool = False) -> None:
        """One flat view alone beside the panel, or everything (None); `later`: the 3-D view, which takes longest to
        paint, once the rest is there."""
        left, head, below = self._docks[:3]
        pair: QWidget = left.widget()
        inside = pair.findChildren(QWidget, options=Qt.FindChildOption.FindDirectChildrenOnly)
        self.alone = view
        whole, table, frames = view is None, bool(self.arranged), self.arranged == "frames"
        for n, each in enumerate(inside):
            each.setVisible(each is view or (whole and not (table and n)))
        in_left = whole or view in inside
        if self._table is not None:
            self._table.setVisible(whole and table)
        left.setVisible(in_left)
        below.setVisible((whole and (not table or frames)) or not in_left)
        head.setVisible(whole and not table)
        canvas = self.viewer.window._qt_viewer
        if later and whole and not frames:
            canvas.hide()
            QTimer.singleShot(0, self._show_canvas)
            return
        canvas.setVisible(whole and not frames)
        if view is None:
            QTimer.singleShot(0, self.share_out)

    def _show_canvas(self) -> None:
        if self.arranged != "frames":
            self.viewer.window._qt_viewer.show()
            self.share_out()

    def bind(self, desk: object) -> None:
        """Every key of the table that has an action."""
        for s in SHORTCUTS:
            if s.action:
                made = QShortcut(QKeySequence(s.keys), self.window)
                made.setContext(Qt.ShortcutContext.WindowShortcut)
                made.activated.connect(getattr(desk, s.action))

    # ------------------------------------------------------------------------------------------------- events

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        kind = event.type()
        if kind in (QEvent.Type.DragEnter, QEvent.Type.DragMove, QEvent.Type.Drop):
            return self._drop(event, kind)
        if kind == QEvent.Type.Close and watched is self.window and isinstance(event, QCloseEvent):
            return self._close(event)
        return bool(super().eventFilter(watched, event))

    def _drop(self, event: QEvent, kind: QEvent.Type) -> bool:
        assert isinstance(event, QDropEvent)
        paths = [Path(u.toLocalFile()) for u in event.mimeData().urls() if u.isLocalFile()]
        if not paths:
            return False
        event.setDropAction(Qt.DropAction.CopyAction)
        event.accept()
        if kind == QEvent.Type.Drop:
            QTimer.singleShot(0, lambda: self._dropped(paths))
        return True

    def _close(self, event: QCloseEvent) -> bool:
        if self._closing or self._may_close(self.close):
            if not self._closing and event.spontaneous():
                event.ignore()  # closed by ourselves, napari does not ask once more
                self.close()
                return True
            self._gone = True
            self._closed()
            return False
        event.ignore()
        return True

    def close(self) -> None:
        """Close without asking."""
        if self._gone:
            return
        self._closing = True
        self.window.close()
        status = getattr(self.window, "status_thread", None)  # Qt ends the program over a thread that still runs
        if status is not None:
            status.wait(2000)

    # ------------------------------------------------------------------------------------------------- faults

    def catch_faults(self) -> None:
        """Have unexpected faults said as a sentence while the window lives; napari would open a traceback window."""
        if sys.excepthook is not self._hook:
            self._before = sys.excepthook
            self._hook = self._caught
            sys.excepthook = self._hook

    def _caught(self, kind: type[BaseException], problem: BaseException, trace: TracebackType | None) -> None:
        if issubclass(kind, KeyboardInterrupt):
            self._before(kind, problem, trace)
            return
        LOG.error("".join(traceback.format_exception(kind, problem, trace)))
        said = " ".join(str(problem).split())[:160] or kind.__name__
        self._fault(
            f"Something unforeseen went wrong ({kind.__name__}: {said}); what you marked is kept, go on or start again."
        )

    def let_faults_go(self) -> None:
        """As it was before."""
        if self._hook is not None and sys.excepthook is self._hook:
            sys.excepthook = self._before
        self._hook = None

    def take_down(self) -> None:
        """Leave the window."""
        self.let_faults_go()
        for each in self._watched:
            each.removeEventFilter(self)
