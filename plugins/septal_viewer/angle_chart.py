"""The chart of C-arm angles, painted from the same shapes as the printed one, to be clicked on."""

from __future__ import annotations

from collections.abc import Sequence

from qtpy.QtCore import QPointF, QSize, Qt, Signal  # type: ignore[attr-defined]
from qtpy.QtGui import QColor, QFont, QMouseEvent, QPainter, QPaintEvent, QPen, QPolygonF
from qtpy.QtWidgets import QWidget

from septal_planner.report.view_chart import HEIGHT, LEGEND, PRIMARY, SECONDARY, TOP, WIDTH, Shape, angles_at, place_of
from septal_viewer.painting import painting

SMALLEST_PX = 9.6
CLEAR_PX = 4.0  # of the ring about the present view, for a name that starts beside its dot
# of the printed chart, on white, to what is read on a dark ground
ON_DARK = {
    "#1B2A35": "#F2F4F6", "#55646F": "#A9B0BA", "#C9D1D6": "#454C56", "#EEF3F4": "#2A3138", "#D9C7BE": "#4A3B33",
    "#98A3AA": "#7C8590", "#8A6D00": "#F0E442", "#0072B2": "#56B4E9", "#00795C": "#2FBF95", "#B24A00": "#E08A4A",
    "#A03573": "#E29AC5",
}  # fmt: skip


class AngleChart(QWidget):
    """Painted in two inks; `current` is where the 3-D view looks from."""

    clicked = Signal(float, float)  # primary and secondary angle, degrees

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.dark = True
        self.shapes: Sequence[Shape] = ()
        self.current: tuple[float, float] | None = None
        self.placeholder = ""
        self.setMinimumSize(160, 140)
        self.setMouseTracking(True)
        self.setCursor(Qt.CursorShape.CrossCursor)
        self.setToolTip(LEGEND + " Click: turn the 3-D view there.")

    def sizeHint(self) -> QSize:
        return QSize(420, 360)

    @property
    def _scales(self) -> tuple[float, float]:
        """Across and down: angles may be drawn out as the room is."""
        return self.width() / WIDTH, self.height() / (HEIGHT - TOP + 14)

    def _px(self, x: float, y: float) -> QPointF:
        across, down = self._scales
        return QPointF(x * across, (y - TOP + 14) * down)

    def place(self, primary_deg: float, secondary_deg: float) -> QPointF:
        """Where two angles stand in the widget."""
        return self._px(*place_of(primary_deg, secondary_deg))

    def paintEvent(self, event: QPaintEvent) -> None:
        del event
        with painting(self) as painter:
            self._paint_on(painter)

    def _paint_on(self, painter: QPainter) -> None:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        ground = QColor("#20252c" if self.dark else "#ffffff")
        painter.fillRect(self.rect(), ground)
        if not self.shapes:
            painter.setPen(QColor("#a9b0ba" if self.dark else "#50565f"))
            how = int(Qt.AlignmentFlag.AlignCenter) | int(Qt.TextFlag.TextWordWrap)
            painter.drawText(self.rect().adjusted(24, 8, -24, -8), how, self.placeholder)
            return
        for s in self.shapes:
            if s.kind != "text" or s.points[0][1] > TOP:  # title and legend stand elsewhere
                self._paint(painter, s, ground)
        if self.current is not None:
            at = self.place(*self.current)
            for pen in (QPen(ground, 5), QPen(QColor("#E69F00" if self.dark else "#B24A00"), 2)):
                painter.setPen(pen)
                painter.setBrush(Qt.BrushStyle.NoBrush)
                painter.drawEllipse(at, 8, 8)

    def _paint(self, painter: QPainter, s: Shape, ground: QColor) -> None:
        colour = QColor(ON_DARK.get(s.color, s.color) if self.dark else s.color)
        scale = min(self._scales)
        places = [self._px(*p) for p in s.points]
        painter.setBrush(Qt.BrushStyle.NoBrush)
        if s.kind == "area":
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(colour)
            painter.drawPolygon(QPolygonF(places))
        elif s.kind == "line":
            painter.setPen(QPen(colour, max(0.8, s.size * max(scale, 0.8))))
            painter.drawPolyline(QPolygonF(places))
        elif s.kind == "dot":
            painter.setPen(QPen(ground, 1))
            painter.setBrush(colour)
            painter.drawEllipse(places[0], max(2.5, s.size * scale), max(2.5, s.size * scale))
        else:
            font = QFont(painter.font())
            font.setPixelSize(round(max(SMALLEST_PX, s.size * scale)))
            font.setBold(s.bold)
            painter.setFont(font)
            wide = painter.fontMetrics().horizontalAdvance(s.text)
            x = places[0].x() - {"start": 0.0, "middle": wide / 2, "end": float(wide)}[s.anchor]
            x = min(max(x + (CLEAR_PX if s.bold else 0.0), 2.0), self.width() - wide - 2.0)
            painter.setPen(ground)
            for dx, dy in ((-1, 0), (1, 0), (0, -1), (0, 1)):
                painter.drawText(QPointF(x + dx, places[0].y() + dy), s.text)
            painter.setPen(colour)
            painter.drawText(QPointF(x, places[0].y()), s.text)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        if event.button() == Qt.MouseButton.LeftButton and self.shapes:
            self._click(event.position())

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        if event.buttons() & Qt.MouseButton.LeftButton and self.shapes:
            self._click(event.position())

    def _click(self, at: QPointF) -> None:
        across, down = self._scales
        primary, secondary = angles_at(at.x() / across, at.y() / down + TOP - 14)
        self.clicked.emit(
            min(max(primary, PRIMARY[0]), PRIMARY[1]), min(max(secondary, SECONDARY[0]), SECONDARY[1])
        )
