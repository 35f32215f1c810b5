"""The head of the 3-D view: what colours the membrane, there and where it is seen en face, with its scale."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from napari.utils.colormaps import ensure_colormap
from qtpy.QtCore import QRectF, QSize, Qt, Signal  # type: ignore[attr-defined]
from qtpy.QtGui import QColor, QLinearGradient, QPainter, QPaintEvent, QPen
from qtpy.QtWidgets import QComboBox, QHBoxLayout, QLabel, QSizePolicy, QWidget

from septal_viewer.looks import CLASSES, GREY, QUANTITY_COLORMAP
from septal_viewer.map_quantities import SHORT as OF_MAP
from septal_viewer.painting import painting
from septal_viewer.surfaces import Quantity

# where there is room for a word or two; the whole title is its hint
SHORT = {
    "height": "Height", "thickness": "Wall thickness", "aorta": "To the aorta", "rim": "To the rim",
    "worst": "Worst margin", "binds": "Limit that binds", "all_met": "All limits met", "spare": "Catheter's spare",
    **OF_MAP,
}  # fmt: skip
SHORT_UNITS = {"tolerances": "tol."}


class SceneHead(QWidget):
    """Above the 3-D view: what colours the membrane, with its scale, and the C-arm angles of the camera."""

    quantity_chosen = Signal(str)

    def __init__(self) -> None:
        super().__init__()
        line = QHBoxLayout(self)
        line.setContentsMargins(6, 1, 6, 1)
        line.setSpacing(6)
        self.names = QComboBox()
        self.names.setToolTip("What colours the membrane (Q)")
        self.names.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.scale = ColourScale()
        self.angle = QLabel("3-D")
        self.angle.setToolTip("C-arm angles that see what this view shows")
        line.addWidget(self.angle)
        line.addWidget(self.names, 1)
        line.addWidget(self.scale)
        self.names.currentIndexChanged.connect(lambda _: self.quantity_chosen.emit(str(self.names.currentData())))
        self.setFixedHeight(27)
        self.tell({}, "")

    def tell(self, quantities: Mapping[str, Quantity], chosen: str, *, faded: bool = False) -> None:
        """The quantities there are and the one shown; `faded`: it is being worked out anew."""
        self.names.blockSignals(True)
        self.names.clear()
        for q in quantities.values():
            short = SHORT.get(q.name, q.title)
            self.names.addItem(short if q.assessed else f"{short}: not assessed", q.name)
            self.names.setItemData(self.names.count() - 1, q.title, Qt.ItemDataRole.ToolTipRole)
        shown = chosen if chosen in quantities else "height"
        if shown in quantities:
            self.names.setCurrentIndex(self.names.findData(shown))
        self.names.blockSignals(False)
        self.names.setVisible(bool(quantities))
        self.scale.setVisible(bool(quantities))
        self.scale.tell(quantities.get(shown), faded=faded)


class ColourScale(QWidget):
    """The colours of the membrane from the lowest value to the highest with a stroke at the line of a limit, or one
    colour for each kind; grey for what is not assessed."""

    def __init__(self) -> None:
        super().__init__()
        self._quantity: Quantity | None = None
        self._faded = False
        colours = ensure_colormap(QUANTITY_COLORMAP).map(np.linspace(0, 1, 9))
        self._colours = [QColor.fromRgbF(*(float(c) for c in rgba)) for rgba in colours]
        self.setFixedSize(QSize(170, 22))

    def tell(self, quantity: Quantity | None, *, faded: bool = False) -> None:
        """Another quantity."""
        self._quantity, self._faded = quantity, faded
        if quantity is not None:
            parts = [f"{quantity.title}, {quantity.unit}".rstrip(", ") + "."]
            if quantity.line is not None:
                parts.append(f"White line: {quantity.line:g}; above it {quantity.says}.")
            if quantity.classes:
                parts.append("; ".join(f"{i}: {name}" for i, name in enumerate(quantity.classes, 1)) + ".")
            if np.isnan(quantity.values).any():
                parts.append(f"Grey: not assessed. {quantity.why}")
            self.setToolTip("It is being worked out." if faded else " ".join(parts))
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        del event
        with painting(self) as painter:
            self._paint_on(painter)

    def _paint_on(self, painter: QPainter) -> None:
        q = self._quantity
        if q is None:
            return
        text = self.palette().color(self.foregroundRole())
        metrics = painter.fontMetrics()
        if self._faded:
            painter.setPen(text)
            painter.drawText(self.rect(), Qt.AlignmentFlag.AlignCenter, "being worked out")
            return
        if q.classes:
            self._paint_kinds(painter, q, text)
            return
        ends = f"{q.low:g}", f"{q.high:g} {SHORT_UNITS.get(q.unit, q.unit)}"
        low, high = (end.replace("-", "\u2212") for end in ends)
        a, b = metrics.horizontalAdvance(low) + 5, metrics.horizontalAdvance(high) + 5
        bar = QRectF(a, 5, self.width() - a - b, self.height() - 10)
        gradient = QLinearGradient(bar.topLeft(), bar.topRight())
        for i, colour in enumerate(self._colours):
            gradient.setColorAt(i / (len(self._colours) - 1), colour)
        painter.fillRect(bar, gradient if q.assessed else QColor(GREY))
        painter.setPen(text)
        painter.drawRect(bar)
        if q.line is not None and q.low < q.line < q.high:
            x = bar.left() + bar.width() * (q.line - q.low) / (q.high - q.low)
            for pen in (QPen(QColor("#000000"), 4), QPen(QColor("#FFFFFF"), 2)):
                painter.setPen(pen)
                painter.drawLine(int(x), 2, int(x), self.height() - 3)
            painter.setPen(text)
        base = self.height() / 2 + metrics.ascent() / 2 - 1
        painter.drawText(QRectF(0, 0, a - 3, self.height()), Qt.AlignmentFlag.AlignVCenter, low)
        painter.drawText(int(self.width() - b + 4), int(base), high)

    def _paint_kinds(self, painter: QPainter, q: Quantity, text: QColor) -> None:
        """A swatch for each kind, as many letters of its name in it as there is room for."""
        wide = self.width() / max(len(q.classes), 1)
        for i, name in enumerate(q.classes):
            box = QRectF(i * wide, 2, wide - 1, self.height() - 4)
            colour = QColor(CLASSES[i % len(CLASSES)])
            painter.fillRect(box, colour)
            painter.setPen(QColor("#000000") if colour.lightnessF() > 0.4 else QColor("#FFFFFF"))
            said = painter.fontMetrics().elidedText(f"{i + 1} {name}", Qt.TextElideMode.ElideRight, int(wide - 4))
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, said)
        painter.setPen(text)
