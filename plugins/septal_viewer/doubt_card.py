"""How likely each limit is met at the target, how far every number may lie off, and which doubt matters most."""

from __future__ import annotations

import html
from collections.abc import Sequence

from qtpy.QtCore import QRectF, QSize, Qt
from qtpy.QtGui import QColor, QPainter, QPaintEvent, QPen
from qtpy.QtWidgets import QSizePolicy, QTableWidget, QVBoxLayout, QWidget

from septal_planner.puncture.doubt import Interval, PointDoubt, SourceShare
from septal_planner.puncture.requirements import QUANTITIES
from septal_planner.report.words import UNITS, number
from septal_viewer.limits_table import fill_rows, plain_table
from septal_viewer.looks import BLUE, SKY
from septal_viewer.map_quantities import SHORT
from septal_viewer.painting import painting
from septal_viewer.parts import heading, words

UNIT_OF = {q.name: q.unit for q in QUANTITIES}
SOURCES = {
    "landmarks": "Landmarks", "image": "CT image", "needle": "Needle", "tenting": "Tenting", "phase": "Heartbeat",
    "respiration": "Breathing",
}  # fmt: skip


class DoubtCard(QWidget):
    """All by trial: shares of draws, and ranges that hold 95 % of them."""

    def __init__(self) -> None:
        super().__init__()
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(4)
        self.all_met = words()
        self.about = words(faint=True)
        self.table = QTableWidget(0, 3)
        plain_table(self.table, stretch=0)
        self.table_head = heading("Range (95 %), and how likely it is met")
        self.bars_head = heading("Which doubt matters most")
        self.bars = SourceBars()
        self.bars_said = words(
            "Range (95 %) of the worst margin with this doubt alone, in tolerances; at the right how likely all limits "
            "would be met without it.", faint=True,
        )  # fmt: skip
        for widget in (
            self.all_met, self.about, self.bars_head, self.bars, self.bars_said, self.table_head, self.table,
        ):  # fmt: skip
            column.addWidget(widget)
        self.tell(None, "")

    def tell(self, doubt: PointDoubt | None, why_none: str, *, dark: bool = True) -> None:
        """The doubt at one place, or why it is not told."""
        for widget in (self.about, self.table_head, self.table, self.bars_head, self.bars, self.bars_said):
            widget.setVisible(doubt is not None)
        if doubt is None:
            self.all_met.setText(html.escape(why_none))
            return
        if doubt.all_met is None:
            self.all_met.setText(
                "How likely all limits are met is not assessed, because one that counts is not assessed here; of the "
                f"others by {doubt.draws} trials:"
            )
        else:
            self.all_met.setText(
                f"All limits would be met in <b>{number(doubt.all_met, '1')}</b> of {doubt.draws} trials."
            )
        self.about.setText(
            "Of the puncture as made at the table, aimed at the target: landmarks, image, where the needle lands, "
            "tenting, heartbeat and breathing are drawn together."
        )
        asked = [(n, i) for n, i in doubt.expected.items() if i.met is not None]
        fill_rows(
            self.table,
            [(SHORT.get(n, n), range_of(n, i), "" if i.met is None else number(i.met, "1")) for n, i in asked],
            [_hint(n, i, doubt.measured.get(n)) for n, i in asked],
        )
        self.bars.tell(doubt.tornado, dark=dark)


class SourceBars(QWidget):
    """A bar for each source of doubt, widest first, about the line where a limit begins to be missed."""

    def __init__(self) -> None:
        super().__init__()
        self._sources: Sequence[SourceShare] = ()
        self._dark = True
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)

    def sizeHint(self) -> QSize:
        return QSize(260, 4 + 20 * (len(self._sources) + 1))

    def tell(self, sources: Sequence[SourceShare], *, dark: bool) -> None:
        """Other sources."""
        self._sources, self._dark = tuple(sources), dark
        self.setFixedHeight(self.sizeHint().height())
        self.setToolTip("\n".join(
            f"{SOURCES.get(s.source, s.source)}: worst margin {s.worst_low:.1f} to {s.worst_high:.1f} tolerances"
            + ("." if s.all_met_without is None else
               f"; without it all limits would be met in {100 * s.all_met_without:.0f} %.") for s in sources
        ))
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        del event
        with painting(self) as painter:
            self._paint_on(painter)

    def _paint_on(self, painter: QPainter) -> None:
        if not self._sources:
            return
        text = self.palette().color(self.foregroundRole())
        left, right = 76.0, self.width() - 44.0
        low = min(0.0, *(s.worst_low for s in self._sources)) - 0.3
        high = max(0.0, *(s.worst_high for s in self._sources)) + 0.3

        def x(value: float) -> float:
            return left + (right - left) * (value - low) / (high - low)

        colour = QColor(SKY if self._dark else BLUE)
        for i, s in enumerate(self._sources):
            y = 2.0 + 20 * i
            painter.setPen(text)
            painter.drawText(QRectF(0, y, left - 6, 18), Qt.AlignmentFlag.AlignVCenter, SOURCES.get(s.source, s.source))
            bar = QRectF(x(s.worst_low), y + 3, max(1.5, x(s.worst_high) - x(s.worst_low)), 12)
            painter.fillRect(bar, colour)
            painter.drawText(
                QRectF(right + 4, y, 40, 18), Qt.AlignmentFlag.AlignVCenter,
                "–" if s.all_met_without is None else f"{100 * s.all_met_without:.0f} %",
            )
        painter.setPen(QPen(text, 1, Qt.PenStyle.DashLine))
        painter.drawLine(int(x(0.0)), 0, int(x(0.0)), self.height() - 20)
        ends = min(s.worst_low for s in self._sources), max(s.worst_high for s in self._sources)
        for value in {0.0, *(end for end in ends if abs(x(end) - x(0.0)) > 28)}:
            box = QRectF(x(value) - 24, self.height() - 19, 48, 18)
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, f"{value:.1f}".replace("-", "\u2212"))


def range_of(name: str, i: Interval) -> str:
    """The 95 % interval with its unit."""
    unit = UNIT_OF.get(name, "mm")
    low, high = (number(v, unit, with_unit=False) for v in (i.low, i.high))
    gap = "" if unit == "deg" else "\u00a0"
    return f"{low} to {high}{gap}{UNITS.get(unit, (unit, 1))[0]}"


def _hint(name: str, expected: Interval, measured: Interval | None) -> str:
    unit = UNIT_OF.get(name, "mm")
    said = f"Measured {number(expected.value, unit)}"
    if measured is not None:
        said += f", by landmarks and image alone {range_of(name, measured)} (95 %)"
    said += f"; as made at the table {range_of(name, expected)} (95 %)."
    if expected.known < 1:
        said += f" It could be had in {100 * expected.known:.0f} % of the trials."
    return said
