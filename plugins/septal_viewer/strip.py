"""The strip above the views: which planes, which grey scale, the phases."""

from __future__ import annotations

from qtpy.QtCore import Qt, Signal  # type: ignore[attr-defined]
from qtpy.QtWidgets import QButtonGroup, QComboBox, QHBoxLayout, QLabel, QToolButton, QWidget

from septal_viewer.parts import button
from septal_viewer.planes import WINDOWS


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


def _small(text: str, hint: str) -> QToolButton:
    made = QToolButton()
    made.setText(text)
    made.setToolTip(hint)
    return made
