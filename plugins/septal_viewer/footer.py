"""The foot of the panel: what is being done and how to stop it, what is to be said, and the caution, always."""

from __future__ import annotations

import html

from qtpy.QtCore import Signal  # type: ignore[attr-defined]
from qtpy.QtWidgets import QLabel, QProgressBar, QToolButton, QVBoxLayout, QWidget

from septal_planner.report.words import CAUTION
from septal_viewer.parts import button, row, words
from septal_viewer.signs import SAID

# sentences of the console program name its options; here the same is done on the pages
IN_THE_WINDOW = (
    ("give another one with --out", "choose another folder"),
    ("give another --out", "choose another folder"),
    (" with --phase PERCENT or --series", " on page Opening"),
    (" with --series", " on page Opening"),
)


def plainly(text: str) -> str:
    """A sentence without options of the console program."""
    for option, instead in IN_THE_WINDOW:
        text = text.replace(option, instead)
    return text


class Footer(QWidget):
    """`cancelled` when a step is to be given up."""

    cancelled = Signal()

    def __init__(self) -> None:
        super().__init__()
        self.kind = ""
        self.message = words()
        self.message.setContentsMargins(8, 4, 4, 4)
        self.dismiss = QToolButton()
        self.dismiss.setText("✕")
        self.dismiss.setToolTip("I have read it (Esc)")
        self.message_row = QWidget()
        message_row = row(self.message, self.dismiss)
        message_row.setStretch(0, 1)
        message_row.setContentsMargins(0, 0, 4, 0)
        self.message_row.setLayout(message_row)
        self.doing = words()
        self.bar = QProgressBar()
        self.bar.setRange(0, 0)
        self.bar.setFixedHeight(8)
        self.bar.setTextVisible(False)
        self.cancel = button("Stop", "Give this step up (Esc)")
        self.busy_row = QWidget()
        busy = QVBoxLayout(self.busy_row)
        busy.setContentsMargins(8, 4, 8, 6)
        busy.setSpacing(3)
        line = row(self.doing, self.cancel)
        line.setStretch(0, 1)
        busy.addLayout(line)
        busy.addWidget(self.bar)
        self.caution = QLabel(CAUTION)
        self.caution.setObjectName("caution")
        self.caution.setWordWrap(True)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        for widget in (self.message_row, self.busy_row, self.caution):
            column.addWidget(widget)
        self.cancel.clicked.connect(self.cancelled)
        self.dismiss.clicked.connect(lambda: self.say("", "note", dark=True))
        self.say("", "note", dark=True)
        self.progress("")

    def say(self, text: str, kind: str, *, dark: bool) -> None:
        """One sentence; an empty one takes the line away."""
        self.kind = kind if text else ""
        text = plainly(text)
        sign = SAID.get(kind, SAID["note"])
        colour = sign.colour(dark)
        self.message_row.setVisible(bool(text))
        said = f"<span style='color:{colour}'><b>{sign.sign} {sign.word}:</b></span> {html.escape(text)}"
        self.message.setText(said if text else "")
        self.message_row.setStyleSheet(f".QWidget {{ border-top: 2px solid {colour}; }}")

    def progress(self, text: str) -> None:
        """What is being done; an empty text: nothing is."""
        self.busy_row.setVisible(bool(text))
        self.doing.setText(text)
