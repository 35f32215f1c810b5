"""One cut through the CT, painted: picture, cross-hair, curves, marks, letters, scale bar.

Painted with Qt and not by a second canvas of napari, since napari slices along the axes of the voxels only and three
more canvases would each cost memory and tens of milliseconds a frame without a graphics card.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from qtpy.QtCore import QPointF, QRectF, QSize, Qt, Signal  # type: ignore[attr-defined]
from qtpy.QtGui import (
    QColor,
    QFont,
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

from septal_viewer.painting import painting

Array = NDArray[np.float64]
Key = tuple[str, int]

GRAB_PX = 11.0


@dataclass(frozen=True)
class Line:
    """A line through points (n, 2) of [down, right], mm from the middle of the plane."""

    uv_mm: Array
    colour: str
    width: float = 1.5
    dashes: Qt.PenStyle = Qt.PenStyle.SolidLine
    rim: bool = True  # a dark edge, to be seen on bright blood


@dataclass(frozen=True)
class Mark:
    """A mark at [down, right]. `key` names what moves when it is dragged; None: it cannot be. `depth_mm` off the plane:
    it is drawn smaller and hollow where it is not in it."""

    uv_mm: Array
    colour: str
    symbol: str  # of `looks`
    label: str = ""
    key: Key | None = None
    depth_mm: float = 0.0
    size: float = 6.0
    label_left: bool = False


@dataclass(frozen=True, eq=False)
class Wash:
    """Colours (rows, columns, RGBA) laid over the picture, their first corner at [down, right]."""

    rgba: NDArray[np.uint8]
    corner_uv_mm: Array
    pixel_mm: float


@dataclass(frozen=True)
class Picture:
    """Grey levels (rows, columns) of the plane and what is drawn on it. `letters`: left, right, top, bottom."""

    grey: NDArray[np.uint8]
    width_mm: float
    height_mm: float
    letters: tuple[str, str, str, str]
    lines: Sequence[Line] = ()
    marks: Sequence[Mark] = ()
    corner: str = ""
    tint: Wash | None = None
    legend: Sequence[tuple[str, str]] = ()  # colours of the tint and what they mean


class PlaneCanvas(QWidget):
    """Paints a `Picture` and tells what the mouse does on it, in mm [down, right] from the middle."""

    pressed = Signal(float, float, object, object)  # down, right, key of the mark there or None, modifiers
    dragged = Signal(float, float)
    released = Signal(float, float)
    scrolled = Signal(float)
    zoomed = Signal(float)
    panned = Signal(float, float)
    window_dragged = Signal(float, float)
    key_moved = Signal(float, float)
    resized = Signal()
    chosen = Signal()  # it was clicked or got the keys

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.picture: Picture | None = None
        self.banner = ""
        self.placeholder = ""
        self.show_overlay = True
        self.active = False
        self._image: QImage | None = None
        self._bytes: NDArray[np.uint8] | None = None
        self._button: Qt.MouseButton | None = None
        self._last = QPointF()
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setMinimumSize(160, 120)
        self.setCursor(Qt.CursorShape.CrossCursor)

    def sizeHint(self) -> QSize:
        return QSize(420, 320)

    def set_picture(self, picture: Picture | None) -> None:
        """Show a picture from now on."""
        self.picture = picture
        if picture is None:
            self._image = None
        else:
            self._bytes = np.ascontiguousarray(picture.grey)
            rows, columns = self._bytes.shape
            self._image = QImage(self._bytes.data, columns, rows, columns, QImage.Format.Format_Grayscale8)
        self.update()

    # ------------------------------------------------------------------------------------------------- px and mm

    @property
    def px_per_mm(self) -> float:
        """Logical pixels of a millimetre; the picture fills the widget."""
        p = self.picture
        return 1.0 if p is None else min(self.width() / p.width_mm, self.height() / p.height_mm)

    def px(self, uv_mm: Array) -> QPointF:
        """Where [down, right] stands in the widget."""
        s = self.px_per_mm
        return QPointF(self.width() / 2 + float(uv_mm[1]) * s, self.height() / 2 + float(uv_mm[0]) * s)

    def mm(self, at: QPointF) -> tuple[float, float]:
        """Down and right in mm of a place in the widget."""
        s = self.px_per_mm
        return (at.y() - self.height() / 2) / s, (at.x() - self.width() / 2) / s

    # ------------------------------------------------------------------------------------------------- painting

    def paintEvent(self, event: QPaintEvent) -> None:
        del event
        with painting(self) as painter:
            self._paint_on(painter)

    def _paint_on(self, painter: QPainter) -> None:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
        painter.fillRect(self.rect(), QColor("#000000"))
        if self.picture is None or self._image is None:
            painter.setPen(QColor("#9aa0a8"))
            painter.drawText(self.rect().adjusted(16, 8, -16, -8), _CENTRE_WRAP, self.placeholder)
            return
        s, p = self.px_per_mm, self.picture
        w, h = p.width_mm * s, p.height_mm * s
        painter.drawImage(QRectF((self.width() - w) / 2, (self.height() - h) / 2, w, h), self._image)
        if self.show_overlay:
            if p.tint is not None:
                self._draw_wash(painter, p.tint)
            for line in p.lines:
                self._draw_line(painter, line)
            for mark in p.marks:
                self._draw_mark(painter, mark)
            for i, (colour, words) in enumerate(p.legend):
                painter.fillRect(QRectF(8, 40 + 15 * i, 10, 10), QColor(colour))
                draw_text(painter, QPointF(23, 49 + 15 * i), words, size=8.5)
        self._draw_letters(painter, p.letters)
        self._draw_scale(painter)
        if p.corner:
            draw_text(painter, QPointF(10, self.height() - 10), p.corner, size=8.5)
        if self.banner:
            self._draw_banner(painter)
        if self.active:
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.setPen(QPen(QColor("#E8E8E8"), 2))
            painter.drawRect(self.rect().adjusted(1, 1, -1, -1))

    def _draw_wash(self, painter: QPainter, wash: Wash) -> None:
        rows, columns = wash.rgba.shape[:2]
        image = QImage(wash.rgba.data, columns, rows, 4 * columns, QImage.Format.Format_RGBA8888)
        side = wash.pixel_mm * self.px_per_mm
        first = self.px(wash.corner_uv_mm)
        painter.drawImage(QRectF(first.x(), first.y(), columns * side, rows * side), image)

    def _draw_line(self, painter: QPainter, line: Line) -> None:
        if len(line.uv_mm) < 2:
            return
        points = [self.px(uv) for uv in line.uv_mm]
        pen = QPen(QColor(line.colour), line.width, line.dashes)
        painter.setBrush(Qt.BrushStyle.NoBrush)
        polygon = QPolygonF(points)
        if line.rim:
            painter.setPen(QPen(_edge_of(line.colour), line.width + 1.6))
            painter.drawPolyline(polygon)
        painter.setPen(pen)
        painter.drawPolyline(polygon)

    def _draw_mark(self, painter: QPainter, mark: Mark) -> None:
        at = self.px(mark.uv_mm)
        inside = abs(mark.depth_mm) <= 1.5
        size = mark.size if inside else 0.65 * mark.size
        colour = QColor(mark.colour)
        for pen in (QPen(_edge_of(mark.colour), 3.6), QPen(colour, 1.9)):
            painter.setPen(pen)
            painter.setBrush(Qt.BrushStyle.NoBrush)
            draw_shape(painter, mark.symbol, at, size)
        if mark.label and inside:
            beside = QPointF(-size - 4, size + 8) if mark.label_left else QPointF(size + 4, -size)
            draw_text(painter, at + beside, mark.label, anchor="right" if mark.label_left else "left")

    def _draw_letters(self, painter: QPainter, letters: tuple[str, str, str, str]) -> None:
        left, right, top, bottom = letters
        w, h = self.width(), self.height()
        for text, x, y, anchor in (
            (left, 8.0, h / 2, "left"), (right, w - 8.0, h / 2, "right"),
            (top, w / 2, 40.0 if self.banner else 16.0, "middle"),
            (bottom, w / 2, h - 8.0, "middle"),
        ):  # fmt: skip
            draw_text(painter, QPointF(x, y), text, "#FFFFFF", anchor=anchor, bold=True, size=10.5)

    def _draw_scale(self, painter: QPainter) -> None:
        """A bar of a round length, about a quarter of the view, at the lower right."""
        s = self.px_per_mm
        long = max(1, int(self.width() / 4 / s))
        mm = max(n for n in (1, 2, 5, 10, 20, 50, 100, 200) if n <= max(1, long))
        x, y = self.width() - 14.0, self.height() - 12.0
        for pen in (QPen(QColor(0, 0, 0, 200), 4), QPen(QColor("#FFFFFF"), 2)):
            painter.setPen(pen)
            painter.drawLine(QPointF(x - mm * s, y), QPointF(x, y))
            for end in (x - mm * s, x):
                painter.drawLine(QPointF(end, y - 4), QPointF(end, y + 4))
        draw_text(painter, QPointF(x - mm * s / 2, y - 7), f"{mm} mm", anchor="middle", size=8.5)

    def _draw_banner(self, painter: QPainter) -> None:
        box = QRectF(0, 0, self.width(), 24)
        painter.fillRect(box, QColor(0, 60, 95, 225))
        painter.setPen(QColor("#FFFFFF"))
        painter.drawText(box.adjusted(8, 0, -8, 0), Qt.AlignmentFlag.AlignVCenter, self.banner)

    # ------------------------------------------------------------------------------------------------- mouse and keys

    def mark_at(self, at: QPointF) -> Key | None:
        """Key of the nearest mark that can be dragged, within reach of the pointer."""
        if self.picture is None or not self.show_overlay:
            return None
        best: tuple[float, Key] | None = None
        for mark in self.picture.marks:
            if mark.key is None or abs(mark.depth_mm) > 4.0:
                continue
            d = self.px(mark.uv_mm) - at
            far = float(np.hypot(d.x(), d.y()))
            if far <= GRAB_PX and (best is None or far < best[0]):
                best = far, mark.key
        return best[1] if best else None

    def mousePressEvent(self, event: QMouseEvent) -> None:
        self.setFocus(Qt.FocusReason.MouseFocusReason)
        self.chosen.emit()
        if self.picture is None:
            return
        self._button, self._last = event.button(), event.position()
        if event.button() == Qt.MouseButton.LeftButton:
            self.pressed.emit(*self.mm(event.position()), self.mark_at(event.position()), event.modifiers())

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        at = event.position()
        if self._button is None:
            over = self.mark_at(at) is not None
            self.setCursor(Qt.CursorShape.OpenHandCursor if over else Qt.CursorShape.CrossCursor)
            return
        moved = at - self._last
        if self._button == Qt.MouseButton.LeftButton:
            self.dragged.emit(*self.mm(at))
        elif self._button == Qt.MouseButton.MiddleButton:
            self.panned.emit(-moved.y() / self.px_per_mm, -moved.x() / self.px_per_mm)
            self._last = at
        elif self._button == Qt.MouseButton.RightButton:
            self.window_dragged.emit(moved.x(), -moved.y())
            self._last = at

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        if self._button == Qt.MouseButton.LeftButton and self.picture is not None:
            self.released.emit(*self.mm(event.position()))
        self._button = None

    def wheelEvent(self, event: QWheelEvent) -> None:
        steps = event.angleDelta().y() / 120
        if event.modifiers() & Qt.KeyboardModifier.ControlModifier:
            self.zoomed.emit(0.85**steps)
        else:
            self.scrolled.emit(steps * (5.0 if event.modifiers() & Qt.KeyboardModifier.ShiftModifier else 1.0))
        event.accept()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        step = 2.0 if event.modifiers() & Qt.KeyboardModifier.ShiftModifier else 0.5
        move = {
            Qt.Key.Key_Up: (-step, 0.0), Qt.Key.Key_Down: (step, 0.0),
            Qt.Key.Key_Left: (0.0, -step), Qt.Key.Key_Right: (0.0, step),
        }.get(Qt.Key(event.key()))  # fmt: skip
        if move is not None:
            self.key_moved.emit(*move)
        elif event.key() == Qt.Key.Key_PageUp:
            self.scrolled.emit(2 * step)
        elif event.key() == Qt.Key.Key_PageDown:
            self.scrolled.emit(-2 * step)
        elif event.key() in (Qt.Key.Key_Plus, Qt.Key.Key_Equal):
            self.zoomed.emit(0.85)
        elif event.key() == Qt.Key.Key_Minus:
            self.zoomed.emit(1 / 0.85)
        else:
            super().keyPressEvent(event)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self.resized.emit()


_CENTRE_WRAP = int(Qt.AlignmentFlag.AlignCenter) | int(Qt.TextFlag.TextWordWrap)


def _edge_of(colour: str) -> QColor:
    """A dark edge around bright colours, to be seen on blood, and a bright one around dark colours."""
    return QColor(0, 0, 0, 190) if QColor(colour).lightnessF() > 0.3 else QColor(255, 255, 255, 200)


def draw_shape(painter: QPainter, symbol: str, at: QPointF, r: float) -> None:
    """The outline of a symbol of `looks`, of half-width r, with the painter's pen."""
    x, y = at.x(), at.y()
    if symbol in ("disc", "ring"):
        painter.drawEllipse(at, r, r)
        if symbol == "ring":
            painter.drawEllipse(at, 0.45 * r, 0.45 * r)
    elif symbol == "square":
        painter.drawRect(QRectF(x - r, y - r, 2 * r, 2 * r))
    elif symbol in _CORNERS:
        painter.drawPolygon(QPolygonF([QPointF(x + r * a, y + r * b) for a, b in _CORNERS[symbol]]))
    else:
        for a, b in _ARMS.get(symbol, _ARMS["cross"]):
            painter.drawLine(QPointF(x - r * a, y - r * b), QPointF(x + r * a, y + r * b))


_STAR = tuple(
    (f * np.sin(i * np.pi / 5), -f * np.cos(i * np.pi / 5)) for i, f in enumerate([1.25, 0.5] * 5)
)
_CORNERS: dict[str, tuple[tuple[float, float], ...]] = {
    "diamond": ((0, -1.2), (1.2, 0), (0, 1.2), (-1.2, 0)),
    "triangle_up": ((0, -1.1), (1, 0.8), (-1, 0.8)),
    "triangle_down": ((0, 1.1), (1, -0.8), (-1, -0.8)),
    "star": _STAR,
}
_ARMS: dict[str, tuple[tuple[float, float], ...]] = {
    "x": ((1, 1), (1, -1)),
    "cross": ((1, 0), (0, 1)),
    "clobber": ((1, 0.6), (1, -0.6), (0, 1.1)),
    "hbar": ((1.2, 0),),
    "vbar": ((0, 1.2),),
    "": (),
}


def draw_text(
    painter: QPainter, at: QPointF, text: str, colour: str = "#FFFFFF", *, anchor: str = "left", bold: bool = False,
    size: float = 9.0,
) -> None:  # fmt: skip
    """Text with a dark rim, so that it can be read on bright blood."""
    font = QFont(painter.font())
    font.setPointSizeF(size)
    font.setBold(bold)
    painter.setFont(font)
    wide = painter.fontMetrics().horizontalAdvance(text)
    x = at.x() - {"left": 0.0, "middle": wide / 2, "right": float(wide)}[anchor]
    painter.setPen(QColor(0, 0, 0, 220))
    for dx, dy in ((-1, 0), (1, 0), (0, -1), (0, 1)):
        painter.drawText(QPointF(x + dx, at.y() + dy), text)
    painter.setPen(QColor(colour))
    painter.drawText(QPointF(x, at.y()), text)
