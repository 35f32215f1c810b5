"""One X-ray frame, painted: the real one with the simulated one blended over it, the plan, and the points marked in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from qtpy.QtCore import QPointF, QRectF, QSize, Qt, Signal  # type: ignore[attr-defined]
from qtpy.QtGui import (
    QColor,
    QImage,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QPolygonF,
    QResizeEvent,
    QWheelEvent,
)
from qtpy.QtWidgets import QWidget

from septal_planner.report.overlay import COLOURS, Drawing, Shape, named
from septal_viewer.painting import painting
from septal_viewer.plane_canvas import draw_text

Array = NDArray[np.float64]
GRAB_PX = 11.0
LETTER_PX = 12.0
CLOSEST = 12.0  # screen pixels of a frame's pixel
TIP_COLOUR, POINT_COLOUR, CHOSEN_COLOUR, OUT_COLOUR = "#56B4E9", "#FFFFFF", "#F0E442", "#D55E00"


@dataclass(frozen=True)
class XrayPoint:
    """A mark at (column, row), its name beside it; `drawn_px` where registration has it, `out` where it is left out."""

    name: str
    at_px: tuple[float, float]
    chosen: bool = False
    tip: bool = False
    out: bool = False
    drawn_px: tuple[float, float] | None = None


class XrayCanvas(QWidget):
    """Positions are (column, row) of the frame, 0 at the middle of the first pixel."""

    clicked = Signal(float, float)
    dragged = Signal(str, float, float)
    let_go = Signal()
    picked = Signal(str)  # a mark was taken hold of
    looked = Signal(float, float, float)  # middle and zoom changed here, for the frame beside it

    def __init__(self, parent: QWidget | None = None, *, marked: bool = False) -> None:
        super().__init__(parent)
        self.marked = marked
        self.placeholder = ""
        self.corner: Sequence[str] = ()
        self.foot = ""
        self.banner = ""
        self.blend = 0.0
        self.show_overlay = True
        self.points: Sequence[XrayPoint] = ()
        self.size_px: tuple[int, int] | None = None
        self._kept: dict[str, NDArray[np.uint8]] = {}
        self._real: QImage | None = None
        self._over: QImage | None = None
        self._by = 1.0
        self._shapes: Sequence[Shape] = ()
        self._named: tuple[object, list[tuple[Shape, tuple[float, float], float]]] | None = None
        self._zoom = 1.0
        self._middle = np.zeros(2)
        self._button: Qt.MouseButton | None = None
        self._held = ""
        self._last = QPointF()
        self.setMinimumSize(160, 140)
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setCursor(Qt.CursorShape.CrossCursor if marked else Qt.CursorShape.ArrowCursor)

    def sizeHint(self) -> QSize:
        return QSize(420, 360)

    # ------------------------------------------------------------------------------------------------- what is shown

    def set_size(self, size_px: tuple[int, int] | None) -> None:
        """Columns and rows of the frame that all positions are meant in; None: there is none."""
        if size_px != self.size_px:
            self.size_px = size_px
            self._zoom = 1.0
            if size_px is not None:
                self._middle = (np.array(size_px, dtype=np.float64) - 1) / 2
            self._named = None
        self.update()

    def set_real(self, grey: NDArray[np.uint8] | None) -> None:
        """The frame itself."""
        self._real = self._image("real", grey)
        self.update()

    def set_simulated(self, grey: NDArray[np.uint8] | None, by: float = 1.0) -> None:
        """The simulated frame, a pixel of which is `by` of the frame's."""
        self._over, self._by = self._image("over", grey), by
        self.update()

    def set_shapes(self, shapes: Sequence[Shape]) -> None:
        """The plan, in pixels of the frame."""
        self._shapes, self._named = shapes, None
        self.update()

    def _image(self, name: str, grey: NDArray[np.uint8] | None) -> QImage | None:
        if grey is None:
            return None
        kept = self._kept[name] = np.ascontiguousarray(grey)  # Qt looks at it, and does not copy
        rows, columns = kept.shape
        return QImage(kept.data, columns, rows, columns, QImage.Format.Format_Grayscale8)

    # ------------------------------------------------------------------------------------------------- places

    @property
    def scale(self) -> float:
        """Screen pixels of a frame's pixel."""
        columns, rows = self.size_px or (1, 1)
        return self._zoom * min(self.width() / columns, self.height() / rows)

    def screen_place(self, at_px: Sequence[float] | Array) -> QPointF:
        """Where a column and row stand in the widget."""
        s = self.scale
        return QPointF(
            self.width() / 2 + (float(at_px[0]) - self._middle[0]) * s,
            self.height() / 2 + (float(at_px[1]) - self._middle[1]) * s,
        )

    def pixel(self, at: QPointF) -> tuple[float, float]:
        """Column and row of a place in the widget."""
        s = self.scale
        return (
            float(self._middle[0] + (at.x() - self.width() / 2) / s),
            float(self._middle[1] + (at.y() - self.height() / 2) / s),
        )

    def look(self, column: float, row: float, zoom: float) -> None:
        """The middle of the widget and how close, told by the frame beside it."""
        self._middle, self._zoom = np.array([column, row]), zoom
        self.update()

    def point_at(self, at: QPointF) -> str:
        """Name of the mark within reach, or an empty text."""
        best, name = GRAB_PX, ""
        for p in self.points:
            d = self.screen_place(p.at_px) - at
            far = float(np.hypot(d.x(), d.y()))
            if far <= best:
                best, name = far, p.name
        return name

    # ------------------------------------------------------------------------------------------------- painting

    def paintEvent(self, event: QPaintEvent) -> None:
        del event
        with painting(self) as painter:
            self._paint_on(painter)

    def _paint_on(self, painter: QPainter) -> None:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
        painter.fillRect(self.rect(), QColor("#000000"))
        if self.size_px is None or (self._real is None and self._over is None):
            painter.setPen(QColor("#9aa0a8"))
            where = self.rect().adjusted(24, 8, -24, -8)
            how = int(Qt.AlignmentFlag.AlignCenter) | int(Qt.TextFlag.TextWordWrap)
            painter.drawText(where, how, self.placeholder)
        if self.size_px is None:
            return
        if self._real is not None:
            painter.drawImage(self._place(1.0, self._real), self._real)
        if self._over is not None:
            painter.setOpacity(1.0 if self._real is None else self.blend)
            painter.drawImage(self._place(self._by, self._over), self._over)
            painter.setOpacity(1.0)
        if self.show_overlay and (self._real is not None or self._over is not None):
            self._paint_shapes(painter)
            for p in self.points:
                self._paint_point(painter, p)
        top = 18.0 + (26.0 if self.banner else 0.0)
        for n, line in enumerate(self.corner):
            draw_text(painter, QPointF(9, top + 16 * n), line, size=9.0, bold=n == 0)
        if self.foot:
            draw_text(painter, QPointF(9, self.height() - 9), self.foot, size=8.0)
        if self.banner:
            box = QRectF(0, 0, self.width(), 24)
            painter.fillRect(box, QColor("#A61B00"))
            painter.setPen(QColor("#FFFFFF"))
            painter.drawText(box.adjusted(8, 0, -8, 0), Qt.AlignmentFlag.AlignVCenter, self.banner)

    def _place(self, by: float, image: QImage) -> QRectF:
        return QRectF(
            self.screen_place((-0.5, -0.5)), self.screen_place((image.width() * by - 0.5, image.height() * by - 0.5))
        )

    def _paint_shapes(self, painter: QPainter) -> None:
        painter.setBrush(Qt.BrushStyle.NoBrush)
        shown = [s for s in self._shapes if s.role != "pair"]
        for p in self.points:
            said = f"{p.name} (left out)" if p.out else p.name
            arm = 7.0 / self.scale * np.array([[1, 0], [-1, 0], [0, 1], [0, -1]])
            shown.append(Shape(_colour(p), np.array(p.at_px) + arm, said))
        for halo in (True, False):
            for s in shown[: len(shown) - len(self.points)]:
                line = QPolygonF([self.screen_place(p) for p in s.points_px])
                colour = QColor(0, 0, 0, 190) if halo else QColor(*COLOURS.get(s.role, (255, 255, 255)))
                painter.setPen(QPen(colour, 3.8 if halo else 1.8))
                if s.closed:
                    painter.drawPolygon(line)
                else:
                    painter.drawPolyline(line)
        scale = self.scale
        stand = (scale, tuple(self.points))
        if self._named is None or self._named[0] != stand:
            assert self.size_px is not None
            self._named = stand, named(Drawing(self.size_px, tuple(shown), ()), LETTER_PX / scale)
        for s, at, _ in self._named[1]:
            rgb = COLOURS.get(s.role, (255, 255, 255))
            colour_of = s.role if s.role.startswith("#") else "#{:02x}{:02x}{:02x}".format(*rgb)
            draw_text(painter, self.screen_place(at), s.text, colour_of)

    def _paint_point(self, painter: QPainter, p: XrayPoint) -> None:
        at = self.screen_place(p.at_px)
        painter.setBrush(Qt.BrushStyle.NoBrush)
        for pen in (QPen(QColor(0, 0, 0, 200), 3.6), QPen(QColor(_colour(p)), 1.7)):
            painter.setPen(pen)
            if p.drawn_px is not None:
                painter.drawLine(at, self.screen_place(p.drawn_px))
                painter.drawEllipse(self.screen_place(p.drawn_px), 3.0, 3.0)
            for x, y in ((1, 0), (-1, 0), (0, 1), (0, -1)) if p.tip else ((1, 1), (-1, 1), (1, -1), (-1, -1)):
                painter.drawLine(QPointF(at.x() + 2.5 * x, at.y() + 2.5 * y), QPointF(at.x() + 8 * x, at.y() + 8 * y))

    # ------------------------------------------------------------------------------------------------- mouse

    def mousePressEvent(self, event: QMouseEvent) -> None:
        self.setFocus(Qt.FocusReason.MouseFocusReason)
        self._button, self._last = event.button(), event.position()
        if event.button() == Qt.MouseButton.LeftButton and self.marked and self.size_px is not None:
            self._held = self.point_at(event.position())
            if self._held:
                self.picked.emit(self._held)
            else:
                self.clicked.emit(*self.pixel(event.position()))

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        at = event.position()
        if self._button is None:
            if self.marked:
                over = bool(self.point_at(at))
                self.setCursor(Qt.CursorShape.OpenHandCursor if over else Qt.CursorShape.CrossCursor)
        elif self._button == Qt.MouseButton.LeftButton and self._held:
            self.dragged.emit(self._held, *self.pixel(at))
        elif self._button == Qt.MouseButton.MiddleButton or (
            self._button == Qt.MouseButton.LeftButton and not self.marked
        ):
            moved = at - self._last
            self._last = at
            self._middle = self._middle - np.array([moved.x(), moved.y()]) / self.scale
            self._tell_look()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        del event
        if self._held:
            self._held = ""
            self.let_go.emit()
        self._button = None

    def wheelEvent(self, event: QWheelEvent) -> None:
        self._closer(1.15 ** (event.angleDelta().y() / 120), event.position())
        event.accept()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() in (Qt.Key.Key_Plus, Qt.Key.Key_Equal):
            self._closer(1.25, QPointF(self.width() / 2, self.height() / 2))
        elif event.key() == Qt.Key.Key_Minus:
            self._closer(0.8, QPointF(self.width() / 2, self.height() / 2))
        else:
            super().keyPressEvent(event)

    def _closer(self, times: float, about: QPointF) -> None:
        """What lies under `about` stays there; never farther than the whole frame."""
        if self.size_px is None:
            return
        before = np.array(self.pixel(about))
        whole = self.scale / self._zoom
        self._zoom = min(max(1.0, self._zoom * times), max(1.0, CLOSEST / whole))
        self._middle = self._middle + before - np.array(self.pixel(about))
        if self._zoom == 1.0:
            self._middle = (np.array(self.size_px, dtype=np.float64) - 1) / 2
        self._tell_look()

    def _tell_look(self) -> None:
        self.update()
        self.looked.emit(float(self._middle[0]), float(self._middle[1]), self._zoom)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self.update()


def _colour(p: XrayPoint) -> str:
    return CHOSEN_COLOUR if p.chosen else TIP_COLOUR if p.tip else OUT_COLOUR if p.out else POINT_COLOUR
