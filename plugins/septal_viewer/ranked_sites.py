"""The places to cross that the program ranked, each with what binds it, and what would have to give."""

from __future__ import annotations

import html
from collections.abc import Callable

import numpy as np
from qtpy.QtCore import Qt
from qtpy.QtWidgets import QHBoxLayout, QPushButton, QVBoxLayout, QWidget

from septal_planner.puncture.choice import Candidate, Choice
from septal_planner.report.words import number
from septal_viewer.parts import button, words
from septal_viewer.signs import STATUS

MOST = 4


class RankedSites(QWidget):
    """A button with its rank for each place; pressed, the target goes there."""

    def __init__(self, choose: Callable[[int], object]) -> None:
        super().__init__()
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(4)
        self.says = words()
        column.addWidget(self.says)
        self.buttons: list[QPushButton] = []
        self._words = [words() for _ in range(MOST)]
        for i, said in enumerate(self._words):
            made = button(str(i + 1), "Make this place the target")
            made.setFixedWidth(30)
            made.clicked.connect(lambda _=False, at=i: choose(at))
            line = QHBoxLayout()
            line.setSpacing(6)
            line.addWidget(made, 0, Qt.AlignmentFlag.AlignTop)
            line.addWidget(said, 1)
            column.addLayout(line)
            self.buttons.append(made)
        self.gives = words()
        column.addWidget(self.gives)
        self.tell(None, "", dark=True)

    def tell(self, choice: Choice | None, why_none: str, *, dark: bool) -> None:
        """The places of one survey, or why there are none."""
        places = () if choice is None else choice.candidates[:MOST]
        for i, (made, said) in enumerate(zip(self.buttons, self._words, strict=True)):
            for widget in (made, said):
                widget.setVisible(i < len(places))
            if i < len(places):
                said.setText(_said(places[i], dark))
        if choice is None:
            self.says.setText(html.escape(why_none))
        elif choice.meets_all:
            self.says.setText("Places that meet all limits, best first; a computed target is the first.")
        else:
            self.says.setText(
                "<b>No place on this membrane meets all limits.</b> Of those that keep clear of harm, the least bad:"
            )
        gives = [] if choice is None else list(choice.what_gives)
        if choice is not None and choice.heights_mm is not None and not choice.meets_all:
            low, high = (number(v, "mm", with_unit=False) for v in choice.heights_mm)
            gives.append(f"Heights to be had where the puncture keeps clear: {low} to {high}\u00a0mm.")
        self.gives.setText("<br>".join(f"▲ {html.escape(s)}" for s in gives))
        self.gives.setVisible(bool(gives))


def _said(place: Candidate, dark: bool) -> str:
    look = STATUS["met" if place.meets_all else "not assessed" if np.isnan(place.overall) else "not met"]
    where = html.escape(place.zone or "zone not assessed")
    return (
        f"<span style='color:{look.colour(dark)}'>{look.sign}</span> <b>{where}</b>, "
        f"{number(place.height_mm, 'mm')} above the plane. {html.escape(place.sentence)}"
    )
