"""Sites side by side: the present one and those kept, in a table and on a small map."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from qtpy.QtCore import Qt
from qtpy.QtGui import QBrush, QColor
from qtpy.QtWidgets import QAbstractItemView, QHeaderView, QTableWidget, QTableWidgetItem, QVBoxLayout, QWidget

from septal_planner.anatomy.fossa import Fossa
from septal_planner.puncture.membrane_map import MembraneMap
from septal_planner.puncture.site import PunctureSite
from septal_planner.report.words import number
from septal_viewer.choosing import MOST_CANDIDATES
from septal_viewer.limits_table import HEIGHT, SHORT
from septal_viewer.map_quantities import SHORT as LIMIT
from septal_viewer.parts import button, row
from septal_viewer.signs import STATUS
from septal_viewer.small_map import SmallMap
from septal_viewer.surveys import Here

UNIT = {"mm": "mm", "deg": "°", "1": "%"}
MORE = ("worst", "binds", "likely", "reaches", "tilt", "room")
MORE_SAID = {
    "worst": "Worst margin tol.", "binds": "Binds", "likely": "All limits met %", "reaches": "Catheter reaches",
    "tilt": "Its tilt °", "room": "Its body clear by mm",
}  # fmt: skip


@dataclass(frozen=True)
class Compared:
    """One column: the letter over it, the site (None: being worked out), and what is known of it."""

    letter: str
    site: PunctureSite | None
    here: Here | None


class CompareTable(QWidget):
    """Shown where sites are kept."""

    def __init__(
        self, keep: Callable[[], None], take: Callable[[int], object], drop: Callable[[int], object]
    ) -> None:
        super().__init__()
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(4)
        self.table = QTableWidget(0, 0)
        t = self.table
        t.verticalHeader().hide()
        t.verticalHeader().setMinimumSectionSize(8)
        t.setShowGrid(False)
        t.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        t.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        t.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        t.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.map = SmallMap()
        self.keep = button("Keep to compare", "Keep this target, four at most (K)")
        self.take = button("Go to it", "Make the site of the chosen column the target")
        self.drop = button("Drop it", "Forget the site of the chosen column")
        column.addWidget(self.map)
        column.addWidget(t)
        column.addLayout(row(self.keep, self.take, self.drop))
        self.keep.clicked.connect(lambda: keep())
        self.take.clicked.connect(lambda: self._chosen(take))
        self.drop.clicked.connect(lambda: self._chosen(drop))
        t.itemSelectionChanged.connect(self._enable)

    def tell(
        self, now: Compared | None, kept: Sequence[Compared], fossa: Fossa | None, found: MembraneMap | None, *,
        dark: bool,
    ) -> None:  # fmt: skip
        """The present site, those kept, and the membrane that they lie on with its map."""
        t = self.table
        chosen = t.currentColumn()
        columns = [*kept] if now is None else [now, *kept]
        every = [c.name for one in columns if one.site is not None for c in one.site.checks]
        names = [name for name in dict.fromkeys(every) if name != "catheter_tilt"]
        for widget in (t, self.take, self.drop):
            widget.setVisible(bool(kept))
        self.keep.setEnabled(now is not None and len(kept) < MOST_CANDIDATES)
        self.map.setVisible(bool(columns))
        self.map.tell(fossa, found, [
            (one.site.target_lps, "" if one is now else one.letter) for one in columns if one.site is not None
        ])
        if not kept:
            return
        rows = [*MORE, *names, "zone"]
        t.setColumnCount(len(columns) + 1)
        t.setRowCount(len(rows))
        t.setHorizontalHeaderLabels(["", *(one.letter for one in columns)])
        head = t.horizontalHeader()
        head.show()
        head.setSectionResizeMode(QHeaderView.ResizeMode.Stretch)
        head.setSectionResizeMode(0, QHeaderView.ResizeMode.ResizeToContents)
        high_px = t.fontMetrics().height() + 4
        units = {c.name: c.unit for one in columns if one.site is not None for c in one.site.checks}
        for i, name in enumerate(rows):
            t.setRowHeight(i, high_px)
            said = MORE_SAID.get(name) or f"{SHORT.get(name, 'Zone')} {UNIT.get(units.get(name, ''), '')}".strip()
            t.setItem(i, 0, QTableWidgetItem(said))
            for j, one in enumerate(columns, 1):
                t.setItem(i, j, _more_cell(one, name, dark) if name in MORE else _cell(one.site, name, dark))
        t.setFixedHeight(len(rows) * high_px + head.height() + 6)
        t.setCurrentCell(0, max(chosen, 0))
        self._enable()

    def _letter(self) -> str:
        head = self.table.horizontalHeaderItem(self.table.currentColumn())
        return head.text() if head is not None and len(head.text()) == 1 else ""

    def _enable(self) -> None:
        self.take.setEnabled(bool(self._letter()))
        self.drop.setEnabled(bool(self._letter()))

    def _chosen(self, call: Callable[[int], object]) -> None:
        if self._letter():
            call(ord(self._letter()) - ord("A"))


def _more_cell(one: Compared, name: str, dark: bool) -> QTableWidgetItem:
    here = one.here
    place = None if here is None else here.place
    reach = None if here is None else here.reach
    doubt = None if here is None or here.passage is None else here.passage.doubt
    if name == "worst" and place is not None and np.isfinite(place.overall):
        status = "met" if place.meets_all else "not met"
        return _signed(f"{place.overall:+.1f}".replace("-", "\u2212"), status, dark, place.sentence)
    if name == "binds" and place is not None and place.binding:
        cell = QTableWidgetItem(LIMIT.get(place.binding, place.binding))
        cell.setToolTip(place.sentence)
        return cell
    if name == "likely" and doubt is not None and doubt.all_met is not None:
        return QTableWidgetItem(number(doubt.all_met, "1", with_unit=False))
    if reach is not None and name in ("tilt", "room", "reaches"):
        if name == "tilt":
            return QTableWidgetItem(number(reach.tilt_deg, "deg", with_unit=False))
        if name == "room" and reach.clearance_mm is not None:
            cell = QTableWidgetItem(number(reach.clearance_mm, "mm", with_unit=False))
            cell.setToolTip(f"Nearest the {reach.nearest}" if reach.nearest else "")
            return cell
        if name == "reaches":
            if reach.reachable and reach.clearance_mm is None:
                return _signed("yes", "not assessed", dark, "Its room to the wall is not assessed")
            said = " ".join(reach.why_not) or "Within every limit"
            return _signed("yes" if reach.reachable else "no", "met" if reach.reachable else "not met", dark, said)
    waits = one.site is None or here is None or here.passage is None
    cell = QTableWidgetItem("…" if waits else "–")
    cell.setToolTip("Being worked out" if waits else "not assessed")
    return cell


def _signed(text: str, status: str, dark: bool, hint: str) -> QTableWidgetItem:
    look = STATUS[status]
    cell = QTableWidgetItem(f"{text} {look.sign}")
    cell.setForeground(QBrush(QColor(look.colour(dark))))
    cell.setToolTip(hint)
    return cell


def _cell(one: PunctureSite | None, name: str, dark: bool) -> QTableWidgetItem:
    if one is None:
        return QTableWidgetItem("…")
    if name == "zone":
        zone = one.zone or "–"
        for long, short in (("superior", "sup"), ("inferior", "inf"), ("posterior", "post"), ("anterior", "ant")):
            zone = zone.replace(long, short)
        cell = QTableWidgetItem(zone)
        cell.setToolTip(one.zone or "not assessed")
        return cell
    c = next((c for c in one.checks if c.name == name), None)
    if c is None or c.value is None:
        value = one.height_mm if name == HEIGHT else None
        return QTableWidgetItem("–" if value is None else number(value, "mm", with_unit=False))
    look = STATUS[c.status]
    cell = QTableWidgetItem(f"{number(c.value, c.unit, with_unit=False)} {look.sign}")
    cell.setForeground(QBrush(QColor(look.colour(dark))))
    cell.setToolTip(look.word)
    return cell
