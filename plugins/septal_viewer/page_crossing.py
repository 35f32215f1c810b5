"""Page Crossing: the numbers at the target as it moves, what the procedure asks, candidates side by side, C-arm."""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from qtpy.QtCore import Qt
from qtpy.QtGui import QBrush, QColor
from qtpy.QtWidgets import (
    QAbstractItemView,
    QComboBox,
    QFrame,
    QGridLayout,
    QHeaderView,
    QLabel,
    QPushButton,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
)

from septal_planner.fluoroscopy.carm import CArmView
from septal_planner.puncture.checks import Check
from septal_planner.puncture.procedures import Asked, Procedure
from septal_planner.puncture.site import PunctureSite
from septal_planner.report.words import FLAGS, NAMES, VIEWS, asked, number
from septal_viewer.parts import Page, button, cell_of, heading, row, signed, words
from septal_viewer.signs import STATUS

HEIGHT = "height_above_mitral_annulus"
# of the table's rows, where there is room for a few words
SHORT = {
    HEIGHT: "Height", "superior_fraction": "Up in fossa", "anterior_fraction": "Forward in fossa",
    "distance_to_rim": "Distance to rim", "distance_to_aorta": "Distance to aorta",
    "distance_to_posterior_wall": "To posterior wall", "wall_thickness": "Wall thickness",
    "entry_angle": "Entry angle", "bend_radius": "Bend radius", "axis_tilt": "Axis tilt",
}  # fmt: skip
BAND = {
    HEIGHT: "height", "superior_fraction": "superior_fraction", "anterior_fraction": "anterior_fraction",
    "distance_to_rim": "distance_to_rim", "distance_to_aorta": "distance_to_aorta",
    "distance_to_posterior_wall": "posterior_path", "wall_thickness": "wall_thickness", "entry_angle": "entry_angle",
    "bend_radius": "bend_radius", "axis_tilt": "axis_tilt",
}  # fmt: skip
UNIT = {"mm": "mm", "deg": "°", "1": "%"}


@dataclass(frozen=True)
class CrossingCalls:
    """What the page asks for."""

    procedure: Callable[[str], object]
    computed: Callable[[], None]
    at_cursor: Callable[[], None]
    jump: Callable[[], None]
    keep: Callable[[], None]
    drop: Callable[[int], object]
    take: Callable[[int], object]
    view: Callable[[str], None]
    front: Callable[[], None]


class CrossingPage(Page):
    """All numbers come from septal_planner; here they are only set side by side."""

    def __init__(self, calls: CrossingCalls, procedures: Mapping[str, Procedure]) -> None:
        super().__init__()
        self._calls, self._procedures = calls, procedures
        self.procedure = QComboBox()
        for name, one in procedures.items():
            self.procedure.addItem(one.title, name)
            self.procedure.setItemData(
                self.procedure.count() - 1, procedure_page(one), Qt.ItemDataRole.ToolTipRole
            )
        self.procedure.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.procedure.setMinimumContentsLength(18)
        self.hero = QLabel("–")
        self.hero.setObjectName("hero")
        self.interval = words()
        self.place = words()
        self.table = _table(0, 4)
        self.more = words()
        self.first = words()
        self.computed = button("Computed", "The target that the program chooses for this procedure (C)")
        self.at_cursor = button("At cross-hair", "The place on the membrane nearest to the cross-hair (P)")
        self.jump = button("Jump", "Bring the cross-hair to the target (J)")
        self.keep = button("Keep to compare", "Keep this target, four at most (K)")
        self.compare = _table(0, 0)
        self.take = button("Go to it", "Make the candidate of the chosen column the target")
        self.drop = button("Drop it", "Forget the candidate of the chosen column")
        self.views_grid = QGridLayout()
        self.views_grid.setSpacing(4)
        self.view_buttons: dict[str, QPushButton] = {}
        self.no_views = words(faint=True)

        add = self.column.addWidget
        add(self.procedure)
        card = QFrame()
        card.setObjectName("card")
        inside = QVBoxLayout(card)
        inside.setContentsMargins(8, 4, 8, 6)
        inside.setSpacing(2)
        inside.addWidget(words("Height above the mitral annular plane", faint=True))
        side = QVBoxLayout()
        side.setSpacing(0)
        side.addWidget(self.interval)
        beside = row(self.hero, side)
        beside.setStretch(1, 1)
        inside.addLayout(beside)
        inside.addWidget(self.place)
        add(card)
        self.column.addLayout(row(self.computed, self.at_cursor, self.jump))
        add(self.table)
        add(self.more)
        add(self.first)
        add(heading("C-arm: turn the 3-D view to"))
        add(self.no_views)
        self.column.addLayout(self.views_grid)
        add(heading("Compare"))
        add(self.compare)
        self.column.addLayout(row(self.keep, self.take, self.drop))
        self.column.addStretch(1)

        self.procedure.currentIndexChanged.connect(lambda _: calls.procedure(str(self.procedure.currentData())))
        for made, call in (
            (self.computed, calls.computed), (self.at_cursor, calls.at_cursor), (self.jump, calls.jump),
            (self.keep, calls.keep),
        ):  # fmt: skip
            made.clicked.connect(lambda _=False, c=call: c())
        self.take.clicked.connect(lambda: self._chosen(calls.take))
        self.drop.clicked.connect(lambda: self._chosen(calls.drop))
        self.compare.itemSelectionChanged.connect(self._enable)
        self.tell(None, (), dark=True)
        self.tell_views(None, "")

    # ------------------------------------------------------------------------------------------------- numbers

    def set_procedure(self, name: str) -> None:
        """Show which procedure it is, without asking for it."""
        self.procedure.blockSignals(True)
        self.procedure.setCurrentIndex(max(0, self.procedure.findData(name)))
        self.procedure.setToolTip(procedure_page(self._procedures[name]))
        self.procedure.blockSignals(False)

    def tell(
        self, site: PunctureSite | None, candidates: Sequence[PunctureSite], *, dark: bool,
        read_first: Sequence[str] = (),
    ) -> None:  # fmt: skip
        """Bring the numbers up to date."""
        for widget in (self.at_cursor, self.jump, self.keep, self.table):
            widget.setEnabled(site is not None)
        if site is None:
            self.hero.setText("–")
            self.interval.setText("No target yet.")
            self.place.setText("Find the anatomy on page Marking first.")
            self.table.setRowCount(0)
            self.table.setFixedHeight(4)
            self.more.setText("")
            self.first.setText("")
        else:
            self._tell_site(site, dark, read_first)
        self._tell_compare(site, candidates, dark)

    def _tell_site(self, site: PunctureSite, dark: bool, read_first: Sequence[str]) -> None:
        checks = {c.name: c for c in site.checks}
        low, high = site.height_interval_95_mm
        self.hero.setText(number(site.height_mm, "mm"))
        height = checks.get(HEIGHT)
        sign = "" if height is None else signed(STATUS[height.status], dark)
        band = "no norm" if height is None or height.value is None else asked(height.low, height.high, "mm")
        self.interval.setText(
            f"95 %: {number(low, 'mm', with_unit=False)} to {number(high, 'mm')}<br>{sign}<br>asked: {_short(band)}"
        )
        if height is not None:
            self.interval.setToolTip(_tip(height, self._band(site, HEIGHT)))
        source = "computed" if site.source == "computed" else "yours"
        x, y, z = (number(v, "mm", with_unit=False) for v in site.target_lps)
        self.place.setText(
            f"<b>{html.escape(site.zone or 'zone not assessed')}</b> · {source} · LPS {x}, {y}, {z} mm"
        )
        shown = [c for c in site.checks if c.name != HEIGHT]
        t = self.table
        high_px = t.fontMetrics().height() + 5
        if t.rowCount() != len(shown):
            t.setRowCount(len(shown))
            for i in range(len(shown)):
                t.setRowHeight(i, high_px)
                for j in range(4):
                    t.setItem(i, j, QTableWidgetItem())
            t.setFixedHeight(len(shown) * high_px + 4)
        for i, c in enumerate(shown):
            look = STATUS[c.status]
            doubt = doubt_of(site, c.name)
            value = "not assessed" if c.value is None else number(c.value, c.unit, with_unit=False)
            if doubt is not None and c.value is not None:
                value += f" ± {number(2 * doubt, c.unit, with_unit=False)}"
            texts = (look.sign, SHORT.get(c.name, c.name), value, _short(asked(c.low, c.high, c.unit)))
            tip = f"<p><b>{html.escape(look.word)}</b></p>" + _tip(c, self._band(site, c.name))
            for j, text in enumerate(texts):
                cell = cell_of(t, i, j)
                cell.setText(text)
                cell.setToolTip(tip)
            cell_of(t, i, 0).setForeground(QBrush(QColor(look.colour(dark))))
        r = site.reach
        turn = number(r.turn_angle_deg, "deg")
        clear = "not assessed" if r.clearance_mm is None else number(r.clearance_mm, "mm")
        above = site.height_above_coaptation_mm
        lines = [f"Turn into the valve's axis {turn} · clearance of the arc {clear}"]
        if above is not None:
            lines.append(f"Height above the coaptation {number(above, 'mm')}")
        self.more.setText("<br>".join(lines))
        said = list(dict.fromkeys([*site.notes, *r.limits, *r.not_assessed, *read_first]))
        self.first.setText("<br>".join(f"▲ {html.escape(s)}" for s in said))

    def _band(self, site: PunctureSite, name: str) -> Asked | None:
        found = getattr(self._procedures[site.procedure], BAND.get(name, ""), None)
        return found if isinstance(found, Asked) else None

    # ------------------------------------------------------------------------------------------------- candidates

    def _tell_compare(self, site: PunctureSite | None, candidates: Sequence[PunctureSite], dark: bool) -> None:
        t = self.compare
        chosen = t.currentColumn()
        columns = [*candidates] if site is None else [site, *candidates]
        heads = ["", *([] if site is None else ["Now"]), *(chr(ord("A") + i) for i in range(len(candidates)))]
        names = [c.name for c in columns[0].checks] if columns else []
        t.setVisible(bool(candidates))
        self.take.setVisible(bool(candidates))
        self.drop.setVisible(bool(candidates))
        self.keep.setEnabled(site is not None and len(candidates) < 4)
        if not candidates:
            return
        t.setColumnCount(len(heads))
        t.setRowCount(len(names) + 1)
        t.setHorizontalHeaderLabels(heads)
        t.horizontalHeader().show()
        head = t.horizontalHeader()
        head.setSectionResizeMode(QHeaderView.ResizeMode.Stretch)
        head.setSectionResizeMode(0, QHeaderView.ResizeMode.ResizeToContents)
        high_px = t.fontMetrics().height() + 4
        for i, name in enumerate([*names, "zone"]):
            t.setRowHeight(i, high_px)
            unit = next((c.unit for c in columns[0].checks if c.name == name), "")
            said = f"{SHORT.get(name, 'Zone')} {UNIT.get(unit, '')}".strip()
            t.setItem(i, 0, QTableWidgetItem(said))
            for j, one in enumerate(columns, 1):
                t.setItem(i, j, _compare_cell(one, name, dark))
        t.setFixedHeight((len(names) + 1) * high_px + head.height() + 6)
        t.setCurrentCell(0, max(chosen, 0))
        self._enable()

    def _enable(self) -> None:
        head = self.compare.horizontalHeaderItem(self.compare.currentColumn())
        on = head is not None and len(head.text()) == 1
        self.take.setEnabled(on)
        self.drop.setEnabled(on)

    def _chosen(self, call: Callable[[int], object]) -> None:
        head = self.compare.horizontalHeaderItem(self.compare.currentColumn())
        if head is not None and len(head.text()) == 1:
            call(ord(head.text()) - ord("A"))

    # ------------------------------------------------------------------------------------------------- C-arm

    def tell_views(self, views: Mapping[str, CArmView] | None, why_none: str) -> None:
        """The C-arm positions to turn the 3-D view to."""
        self.no_views.setText(why_none if not views else "")
        self.no_views.setVisible(not views and bool(why_none))
        for made in self.view_buttons.values():
            made.deleteLater()
        self.view_buttons = {}
        for i, (name, view) in enumerate((views or {}).items()):
            title = VIEWS.get(name, name).replace(" annulus", "")
            far = "" if view.reachable else f"  {STATUS['borderline'].sign}"
            made = button(f"{title}\n{view.label}{far}", f"Perspective of source and detector ({i + 1})")
            if not view.reachable:
                made.setToolTip("Beyond the limits that a C-arm reaches with a patient on the table")
            made.clicked.connect(lambda _=False, n=name: self._calls.view(n))
            self.views_grid.addWidget(made, i // 2, i % 2)
            self.view_buttons[name] = made
        front = button("From the front", "3-D as it was, without perspective (0)")
        front.clicked.connect(lambda: self._calls.front())
        n = len(self.view_buttons)
        self.views_grid.addWidget(front, (n + 1) // 2, 0, 1, 2)
        self.view_buttons["front"] = front


# ------------------------------------------------------------------------------------------------------------- words


def doubt_of(site: PunctureSite, name: str) -> float | None:
    """One standard uncertainty of a check's value."""
    for holder in (site, site.reach):
        for unit in ("_sd_mm", "_sd_deg", "_sd"):
            found = getattr(holder, name + unit, None)
            if found is not None:
                return float(found)
    return site.height_sd_mm if name == HEIGHT else None


def procedure_page(p: Procedure) -> str:
    """What a procedure asks, each range with its source: for a tooltip."""
    rows = []
    for check, band in BAND.items():
        range_ = getattr(p, band)
        if range_ is None:
            continue
        unit = "1" if "fraction" in band else "deg" if band in ("entry_angle", "axis_tilt") else "mm"
        rows.append(
            f"<p><b>{NAMES[check]}</b>: {asked(range_.low, range_.high, unit)}<br>"
            f"<small>{html.escape(range_.source)} ({html.escape(FLAGS[range_.flag])})</small></p>"
        )
    if p.height is None:
        rows.insert(0, "<p><b>Height</b>: no published norm</p>")
    return f"<p><b>{html.escape(p.title)}</b>; height from the {html.escape(p.height_datum)}</p>" + "".join(rows)


def _short(asked_for: str) -> str:
    return asked_for.replace("at least ", "≥ ").replace("at most ", "≤ ").replace("no range", "")


def _tip(c: Check, band: Asked | None) -> str:
    parts = [f"<p>{NAMES.get(c.name, c.name)}: {asked(c.low, c.high, c.unit)}</p>"]
    if c.why:
        parts.append(f"<p>{html.escape(c.why)}</p>")
    if band is not None:
        parts.append(f"<p><small>Source: {html.escape(band.source)} ({html.escape(FLAGS[band.flag])})</small></p>")
    return "".join(parts)


def _compare_cell(one: PunctureSite, name: str, dark: bool) -> QTableWidgetItem:
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


def _table(rows: int, columns: int) -> QTableWidget:
    t = QTableWidget(rows, columns)
    t.horizontalHeader().hide()
    t.verticalHeader().hide()
    t.verticalHeader().setMinimumSectionSize(8)
    t.setShowGrid(False)
    t.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
    t.setSelectionMode(QAbstractItemView.SelectionMode.NoSelection if columns else
                       QAbstractItemView.SelectionMode.SingleSelection)
    t.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    t.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    t.setFocusPolicy(Qt.FocusPolicy.NoFocus if columns else Qt.FocusPolicy.StrongFocus)
    if columns:
        head = t.horizontalHeader()
        head.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        head.setSectionResizeMode(1, QHeaderView.ResizeMode.Stretch)
    return t
