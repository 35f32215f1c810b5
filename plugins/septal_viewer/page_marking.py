"""Page Marking: the landmarks in order, where to look for each, its state, and the turned planes of an annulus."""

from __future__ import annotations

import html
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass

from qtpy.QtCore import QSize, Qt
from qtpy.QtGui import QBrush, QColor
from qtpy.QtWidgets import QAbstractItemView, QFrame, QHeaderView, QTableWidget, QTableWidgetItem, QVBoxLayout

from septal_viewer.guide import STEP, STEPS, LandmarkState, LandmarkStep
from septal_viewer.looks import LANDMARKS
from septal_viewer.parts import Page, button, cell_of, row, signed, words
from septal_viewer.planes import TITLES
from septal_viewer.signs import STATE

ANNULI = ("mitral_annulus", "tricuspid_annulus")
SYMBOL = {
    "disc": "●", "square": "■", "cross": "✚", "diamond": "◆", "triangle_up": "▲", "triangle_down": "▼", "ring": "◎",
    "clobber": "♣", "hbar": "━", "vbar": "┃", "x": "✖", "star": "★",
}  # fmt: skip


@dataclass(frozen=True)
class MarkingCalls:
    """What the page asks for."""

    select: Callable[[str], None]
    pick: Callable[[bool], None]
    place: Callable[[], None]
    jump: Callable[[], None]
    lock: Callable[[], None]
    remove: Callable[[], None]
    undo: Callable[[], None]
    redo: Callable[[], None]
    turn: Callable[[int], None]
    centre: Callable[[], None]
    open_file: Callable[[], None]
    save_file: Callable[[], None]
    find: Callable[[], None]


class MarkingPage(Page):
    """`selected` is the landmark that is marked next."""

    def __init__(self, calls: MarkingCalls) -> None:
        super().__init__()
        self.selected = STEPS[0].name
        self._calls = calls
        self.table = QTableWidget(len(STEPS), 4)
        self._set_up_table()
        self.title = words()
        self.where = words()
        self.gives = words(faint=True)
        self.why = words()
        self.pick = button("Mark by clicking", "Each click in a flat view places a point, until you press Esc",
                           checkable=True)
        self.place = button("Place at cross-hair", "A point where the cross-hair stands (P)")
        self.jump = button("Jump to it", "Go to where this landmark is seen best (J)")
        self.lock = button("Lock", "Guard its points against being moved (L)", checkable=True)
        self.remove = button("Take last away", "Take its last point away (Del)")
        self.undo = button("Undo", "Take the last change back (Ctrl+Z)")
        self.redo = button("Redo", "Do it again (Ctrl+Shift+Z)")
        self.open_file = button("Open…", "Read landmarks.json")
        self.save_file = button("Save…", "Write landmarks.json")
        self.back = button("◀ Turn back", "Turn the long axis of the valve back one step ( [ )")
        self.on = button("Turn on ▶", "Turn the long axis of the valve on one step ( ] )")
        self.centre = button("Centre here", "Turn about the cross-hair from now on")
        self.turned = words()
        self.ready = words(faint=True)
        self.find_button = button("Find the anatomy", "Find chambers, annuli and membrane, and plan (F)", main=True)

        add = self.column.addWidget
        add(self.table)
        card = QFrame()
        card.setObjectName("card")
        inside = QVBoxLayout(card)
        inside.setContentsMargins(8, 6, 8, 8)
        inside.setSpacing(4)
        for widget in (self.title, self.where, self.gives, self.why):
            inside.addWidget(widget)
        inside.addLayout(row(self.pick, self.place))
        inside.addLayout(row(self.jump, self.lock, self.remove))
        self.ring = QFrame()
        about = QVBoxLayout(self.ring)
        about.setContentsMargins(0, 4, 0, 0)
        about.setSpacing(4)
        about.addWidget(self.turned)
        about.addLayout(row(self.back, self.on, self.centre))
        inside.addWidget(self.ring)
        add(card)
        self.column.addStretch(1)
        self.bottom.addLayout(row(self.undo, self.redo, 1, self.open_file, self.save_file))
        self.bottom.addWidget(self.ready)
        self.bottom.addWidget(self.find_button)

        for made, call in (
            (self.place, calls.place), (self.jump, calls.jump), (self.lock, calls.lock), (self.remove, calls.remove),
            (self.undo, calls.undo), (self.redo, calls.redo), (self.open_file, calls.open_file),
            (self.save_file, calls.save_file), (self.find_button, calls.find), (self.centre, calls.centre),
        ):  # fmt: skip
            made.clicked.connect(lambda _=False, c=call: c())
        self.pick.toggled.connect(calls.pick)
        self.back.clicked.connect(lambda: calls.turn(-1))
        self.on.clicked.connect(lambda: calls.turn(1))
        self.table.currentCellChanged.connect(lambda now, *_: self._row(now))
        self.table.cellDoubleClicked.connect(lambda *_: calls.jump())

    def _set_up_table(self) -> None:
        t = self.table
        t.horizontalHeader().hide()
        t.verticalHeader().hide()
        t.setShowGrid(False)
        t.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        t.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        t.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        t.setIconSize(QSize(12, 12))
        head = t.horizontalHeader()
        head.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        head.setSectionResizeMode(1, QHeaderView.ResizeMode.Stretch)
        high = t.fontMetrics().height() + 3
        t.verticalHeader().setMinimumSectionSize(8)
        for i, step in enumerate(STEPS):
            t.setRowHeight(i, high)
            for j in range(4):
                t.setItem(i, j, QTableWidgetItem())
            look = LANDMARKS[step.name]
            cell = cell_of(t, i, 0)
            cell.setText(SYMBOL.get(look.symbol, "●"))
            cell.setForeground(QBrush(QColor(look.color)))
            cell.setToolTip("How it is drawn")
            cell_of(t, i, 1).setText(step.title + (" *" if step.needed else ""))
            cell_of(t, i, 1).setToolTip("* needed for a plan")
        t.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        t.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        t.setFixedHeight(len(STEPS) * high + 4)

    def _row(self, at: int) -> None:
        if 0 <= at < len(STEPS):
            self._calls.select(STEPS[at].name)

    def select(self, name: str) -> None:
        """Make another landmark the one that is marked."""
        self.selected = name
        at = [s.name for s in STEPS].index(name)
        if self.table.currentRow() != at:
            self.table.setCurrentCell(at, 1)

    @property
    def step(self) -> LandmarkStep:
        """Of the selected landmark."""
        return STEP[self.selected]

    def tell(
        self,
        states: Mapping[str, LandmarkState],
        counts: Mapping[str, int],
        locked: Collection[str],
        *,
        dark: bool,
        can_undo: bool,
        can_redo: bool,
        busy: bool,
        stale: bool,
        turned: str,
    ) -> None:
        """Bring everything on the page up to date."""
        for i, step in enumerate(STEPS):
            state = states[step.name]
            sign = STATE[state.state]
            n = counts.get(step.name, 0)
            cell_of(self.table, i, 2).setText(f"{n or ''}{' 🔒' if step.name in locked else ''}")
            cell = cell_of(self.table, i, 3)
            cell.setText(f"{sign.sign} {sign.word}")
            cell.setForeground(QBrush(QColor(sign.colour(dark))))
            cell.setToolTip(state.why)
        step, state = self.step, states[self.selected]
        plane = TITLES.get(step.plane, step.plane)
        self.title.setText(f"<b>{html.escape(step.title)}</b> · best seen: {html.escape(plane)}")
        self.where.setText(step.where)
        self.gives.setText("Gives: " + step.gives)
        self.why.setText(f"{signed(STATE[state.state], dark)}. {html.escape(state.why)}")
        held = self.selected in locked
        n = counts.get(self.selected, 0)
        self.lock.setChecked(held)
        self.lock.setText("Unlock" if held else "Lock")
        self.lock.setEnabled(n > 0)
        for widget in (self.pick, self.place):
            widget.setEnabled(not held)
        self.remove.setEnabled(n > 0 and not held)
        self.undo.setEnabled(can_undo)
        self.redo.setEnabled(can_redo)
        self.ring.setVisible(self.selected in ANNULI)
        self.turned.setText(turned)
        missing = [s.title for s in STEPS if s.needed and states[s.name].state == "missing"]
        if missing:
            self.ready.setText("Still needed: " + ", ".join(missing) + ".")
        elif stale:
            self.ready.setText("The landmarks have changed since the anatomy was found: find it again.")
        else:
            self.ready.setText("All that is needed is marked.")
        self.find_button.setEnabled(not missing and not busy)
