"""Small parts that the pages are set from."""

from __future__ import annotations

import html

from qtpy.QtCore import Qt
from qtpy.QtWidgets import (
    QFrame,
    QHBoxLayout,
    QLabel,
    QLayout,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from septal_viewer.signs import Sign

MAIN_BUTTON = "mainButton"


class Page(QWidget):
    """One page of the panel: `column` takes its parts, and scrolls where the window is low, never sideways; what is in
    `bottom` is always seen."""

    def __init__(self) -> None:
        super().__init__()
        scroll = QScrollArea()
        scroll.setWidgetResizable(True)
        scroll.setFrameShape(QFrame.Shape.NoFrame)
        scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        inside = QWidget()
        inside.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.column = QVBoxLayout(inside)
        self.column.setContentsMargins(8, 6, 8, 6)
        self.column.setSpacing(5)
        scroll.setWidget(inside)
        self.bottom = QVBoxLayout()
        self.bottom.setContentsMargins(8, 2, 8, 6)
        self.bottom.setSpacing(3)
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.setSpacing(0)
        whole.addWidget(scroll, 1)
        whole.addLayout(self.bottom)


class Fold(QWidget):
    """A line that opens and closes what lies under it, in `column`; closed at first."""

    def __init__(self, title: str, hint: str) -> None:
        super().__init__()
        self._title = title
        self.switch = button("", hint, checkable=True)
        self.switch.setObjectName("fold")
        self.inside = QWidget()
        self.column = QVBoxLayout(self.inside)
        self.column.setContentsMargins(4, 0, 0, 2)
        self.column.setSpacing(4)
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.setSpacing(3)
        whole.addWidget(self.switch)
        whole.addWidget(self.inside)
        self.switch.toggled.connect(self._show)
        self._show(False)

    def _show(self, on: bool) -> None:
        self.inside.setVisible(on)
        self.switch.setText(f"{'▾' if on else '▸'}  {self._title}")


def heading(text: str) -> QLabel:
    """A heading within a page."""
    made = QLabel(text)
    made.setObjectName("heading")
    return made


def words(text: str = "", *, faint: bool = False) -> QLabel:
    """A paragraph, which breaks its lines."""
    made = QLabel(text)
    made.setWordWrap(True)
    made.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
    made.setFocusPolicy(Qt.FocusPolicy.NoFocus)
    made.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Minimum)
    if faint:
        made.setObjectName("faint")
    return made


def button(text: str, hint: str, *, main: bool = False, checkable: bool = False) -> QPushButton:
    """A button with its hint; `main` the one thing to do next."""
    made = QPushButton(text)
    made.setToolTip(hint)
    made.setCheckable(checkable)
    made.setAutoDefault(False)
    if main:
        made.setObjectName(MAIN_BUTTON)
    return made


def row(*things: QWidget | QLayout | int) -> QHBoxLayout:
    """Side by side; a number is a stretch."""
    made = QHBoxLayout()
    made.setSpacing(5)
    for thing in things:
        if isinstance(thing, int):
            made.addStretch(thing)
        elif isinstance(thing, QLayout):
            made.addLayout(thing)
        else:
            made.addWidget(thing)
    return made


def cell_of(table: QTableWidget, i: int, j: int) -> QTableWidgetItem:
    """A cell of a table, made where there is none."""
    cell = table.item(i, j)
    if cell is None:
        cell = QTableWidgetItem()
        table.setItem(i, j, cell)
    return cell


def signed(sign: Sign, dark: bool, *, word: bool = True) -> str:
    """A sign in its colour, and the word for it."""
    said = f"&nbsp;{html.escape(sign.word)}" if word else ""
    return f"<span style='color:{sign.colour(dark)}'><b>{sign.sign}</b>{said}</span>"


def sheet(dark: bool) -> str:
    """Style of the panel, over napari's own."""
    faint, line, main, over, text = (
        ("#a9b0ba", "#565d68", "#1d6fa5", "#2684c1", "#ffffff")
        if dark
        else ("#50565f", "#a9afb8", "#1a6496", "#2279b3", "#ffffff")
    )
    strong = "#ffffff" if dark else "#000000"
    card = "#20252c" if dark else "#ffffff"
    return f"""
    QLabel#heading {{ font-weight: bold; padding-top: 6px; border-bottom: 1px solid {line}; }}
    QLabel#faint {{ color: {faint}; }}
    QLabel#caution {{ color: {faint}; border-top: 1px solid {line}; padding: 4px 8px; }}
    QLabel#hero {{ font-size: 17pt; font-weight: bold; }}
    QPushButton#fold {{ text-align: left; font-weight: bold; background: transparent; border: 0px; padding: 6px 0px 2px;
                       border-bottom: 1px solid {line}; border-radius: 0px; }}
    QFrame#card {{ background: {card}; border: 1px solid {line}; border-radius: 4px; }}
    QPushButton#{MAIN_BUTTON} {{ background: {main}; color: {text}; font-weight: bold; padding: 6px; }}
    QPushButton#{MAIN_BUTTON}:hover {{ background: {over}; }}
    QPushButton#{MAIN_BUTTON}:disabled {{ background: {line}; color: {faint}; font-weight: normal; }}
    QPushButton#stage {{ padding: 7px 0px; font-size: 9pt; border: 0px; background: transparent; border-radius: 0px;
                        border-bottom: 3px solid transparent; }}
    QPushButton#stage:checked {{ border-bottom: 3px solid {over}; color: {strong}; }}
    """
