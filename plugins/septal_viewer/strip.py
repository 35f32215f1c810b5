"""The strip above the views: which planes, which grey scale, the phases; and the head of the 3-D view with its legend.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from napari.utils.colormaps import ensure_colormap
from qtpy.QtCore import QRectF, QSize, Qt, Signal  # type: ignore[attr-defined]
from qtpy.QtGui import QColor, QLinearGradient, QPainter, QPaintEvent
from qtpy.QtWidgets import QButtonGroup, QComboBox, QHBoxLayout, QLabel, QSizePolicy, QToolButton, QWidget

from septal_viewer.looks import QUANTITY_COLORMAP
from septal_viewer.parts import button
from septal_viewer.planes import WINDOWS
from septal_viewer.surfaces import Quantity

# in the head of the 3-D view, where there is room for a word or two; the whole title is its hint
SHORT = {"height": "Height", "thickness": "Wall thickness", "aorta": "To the aorta", "rim": "To the rim"}


class Strip(QWidget):
    """Above all views."""

    planes_chosen = Signal(str)  # "body" or "septum"
    window_chosen = Signal(str)
    phase_stepped = Signal(int)
    cine_toggled = Signal(bool)
    overlay_toggled = Signal(bool)
    theme_toggled = Signal()
    keys_toggled = Signal(bool)

    def __init__(self) -> None:
        super().__init__()
        line = QHBoxLayout(self)
        line.setContentsMargins(6, 2, 6, 2)
        line.setSpacing(6)
        self.body = button("Body planes", "Axial, coronal and sagittal (S)", checkable=True)
        self.septum = button("Septum planes", "Laid through septum, cavae, aorta and annulus (S)", checkable=True)
        self._group = QButtonGroup(self)
        for made in (self.body, self.septum):
            self._group.addButton(made)
        self.body.setChecked(True)
        self.window_names = QComboBox()
        for window in WINDOWS.values():
            self.window_names.addItem(window.title, window.name)
            self.window_names.setItemData(self.window_names.count() - 1, window.hint, Qt.ItemDataRole.ToolTipRole)
        self.window_names.setToolTip("Grey scale (W); drag with the right button in a view for your own")
        self.window_said = QLabel()
        self.before = _small("◂", "Phase before ( , )")
        self.run = _small("▶", "Run the phases, or stop (Space)")
        self.run.setCheckable(True)
        self.after = _small("▸", "Phase after ( . )")
        self.phase = QLabel()
        self.overlay = button("Drawings", "Outlines, curves and marks on the CT (H)", checkable=True)
        self.overlay.setChecked(True)
        self.theme = button("Light", "Dark or light (D)")
        self.keys = button("Keys", "All keys (F1)", checkable=True)
        for thing in (
            self.body, self.septum, QLabel("  Grey scale"), self.window_names, self.window_said, self.before, self.run,
            self.after, self.phase,
        ):  # fmt: skip
            line.addWidget(thing)
        line.addStretch(1)
        self.place = QLabel()
        self.place.setToolTip("Patient coordinates as DICOM has them: to the left, to the back, to the head")
        line.addWidget(self.place)
        line.addStretch(1)
        for thing in (self.overlay, self.theme, self.keys):
            line.addWidget(thing)
        self.body.clicked.connect(lambda: self.planes_chosen.emit("body"))
        self.septum.clicked.connect(lambda: self.planes_chosen.emit("septum"))
        self.window_names.currentIndexChanged.connect(
            lambda _: self.window_chosen.emit(str(self.window_names.currentData()))
        )
        self.before.clicked.connect(lambda: self.phase_stepped.emit(-1))
        self.after.clicked.connect(lambda: self.phase_stepped.emit(1))
        self.run.toggled.connect(self.cine_toggled)
        self.overlay.toggled.connect(self.overlay_toggled)
        self.theme.clicked.connect(self.theme_toggled)
        self.keys.toggled.connect(self.keys_toggled)
        self.tell_phases(0, 0, None)

    def tell_window(self, low_hu: float, high_hu: float) -> None:
        """The grey scale in numbers."""
        self.window_said.setText(f"{low_hu:.0f} to {high_hu:.0f} HU".replace("-", "\u2212"))

    def tell_place(self, text: str) -> None:
        """Where the cross-hair is."""
        self.place.setText(text)

    def tell_phases(self, at: int, count: int, percent: float | None) -> None:
        """Which of how many phases; hidden where there is one."""
        for widget in (self.before, self.run, self.after, self.phase):
            widget.setVisible(count > 1)
        said = "not recorded" if percent is None else f"{percent:g} % RR"
        self.phase.setText(f"{at + 1} of {count}: {said}")


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

    def tell(self, quantities: Mapping[str, Quantity], chosen: str) -> None:
        """The quantities there are and the one shown."""
        self.names.blockSignals(True)
        self.names.clear()
        for q in quantities.values():
            short = SHORT.get(q.name, q.title)
            self.names.addItem(short if q.assessed else f"{short}: not assessed", q.name)
            self.names.setItemData(self.names.count() - 1, q.title, Qt.ItemDataRole.ToolTipRole)
        if chosen in quantities:
            self.names.setCurrentIndex(self.names.findData(chosen))
        self.names.blockSignals(False)
        self.names.setVisible(bool(quantities))
        self.scale.setVisible(bool(quantities))
        self.scale.tell(quantities.get(chosen))


class ColourScale(QWidget):
    """The colours of the membrane from the lowest value to the highest, and grey for what is not assessed."""

    def __init__(self) -> None:
        super().__init__()
        self._quantity: Quantity | None = None
        colours = ensure_colormap(QUANTITY_COLORMAP).map(np.linspace(0, 1, 9))
        self._colours = [QColor.fromRgbF(*(float(c) for c in rgba)) for rgba in colours]
        self.setFixedSize(QSize(170, 22))

    def tell(self, quantity: Quantity | None) -> None:
        """Another quantity."""
        self._quantity = quantity
        if quantity is not None:
            self.setToolTip(f"{quantity.title}, {quantity.unit}. {quantity.why}".strip())
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        del event
        q = self._quantity
        if q is None:
            return
        painter = QPainter(self)
        text = self.palette().color(self.foregroundRole())
        metrics = painter.fontMetrics()
        low, high = f"{q.low:g}", f"{q.high:g} {q.unit}"
        a, b = metrics.horizontalAdvance(low) + 5, metrics.horizontalAdvance(high) + 5
        bar = QRectF(a, 5, self.width() - a - b, self.height() - 10)
        gradient = QLinearGradient(bar.topLeft(), bar.topRight())
        for i, colour in enumerate(self._colours):
            gradient.setColorAt(i / (len(self._colours) - 1), colour)
        painter.fillRect(bar, gradient if q.assessed else QColor("#9A9A9A"))
        painter.setPen(text)
        painter.drawRect(bar)
        base = self.height() / 2 + metrics.ascent() / 2 - 1
        painter.drawText(QRectF(0, 0, a - 3, self.height()), Qt.AlignmentFlag.AlignVCenter, low)
        painter.drawText(int(self.width() - b + 4), int(base), high)


def _small(text: str, hint: str) -> QToolButton:
    made = QToolButton()
    made.setText(text)
    made.setToolTip(hint)
    return made


