"""Buttons that turn the 3-D view to the C-arm positions of the plan."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from qtpy.QtWidgets import QGridLayout, QPushButton, QVBoxLayout, QWidget

from septal_planner.fluoroscopy.carm import CArmView
from septal_planner.report.words import VIEWS
from septal_viewer.parts import button, heading, words
from septal_viewer.signs import STATUS


class CarmButtons(QWidget):
    """`buttons` by the name of the view; "front" is always there."""

    def __init__(self, view: Callable[[str], None], front: Callable[[], None]) -> None:
        super().__init__()
        self._view, self._front = view, front
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(4)
        self.none = words(faint=True)
        self.grid = QGridLayout()
        self.grid.setSpacing(4)
        self.buttons: dict[str, QPushButton] = {}
        column.addWidget(heading("C-arm: turn the 3-D view to"))
        column.addWidget(self.none)
        column.addLayout(self.grid)
        self.tell(None, "")

    def tell(self, views: Mapping[str, CArmView] | None, why_none: str) -> None:
        """The C-arm positions to turn the 3-D view to."""
        self.none.setText(why_none if not views else "")
        self.none.setVisible(not views and bool(why_none))
        for made in self.buttons.values():
            made.hide()  # it goes only once the window is idle
            made.deleteLater()
        self.buttons = {}
        for i, (name, view) in enumerate((views or {}).items()):
            title = VIEWS.get(name, name).replace(" annulus", "")
            far = "" if view.reachable else f"  {STATUS['borderline'].sign}"
            made = button(f"{title}\n{view.label}{far}", f"Perspective of source and detector ({i + 1})")
            if not view.reachable:
                made.setToolTip("Beyond the limits that a C-arm reaches with a patient on the table")
            made.clicked.connect(lambda _=False, n=name: self._view(n))
            self.grid.addWidget(made, i // 2, i % 2)
            self.buttons[name] = made
        front = button("From the front", "3-D as it was, without perspective (0)")
        front.clicked.connect(lambda: self._front())
        n = len(self.buttons)
        self.grid.addWidget(front, (n + 1) // 2, 0, 1, 2)
        self.buttons["front"] = front
