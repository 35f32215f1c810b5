"""The numbers of one site beside what the procedure asks, each with its sign, its doubt and its source."""

from __future__ import annotations

import html
from collections.abc import Mapping, Sequence

from qtpy.QtCore import Qt
from qtpy.QtGui import QBrush, QColor
from qtpy.QtWidgets import QAbstractItemView, QHeaderView, QTableWidget, QTableWidgetItem

from septal_planner.puncture.checks import Check
from septal_planner.puncture.procedures import Asked, Procedure
from septal_planner.puncture.site import PunctureSite
from septal_planner.report.words import FLAGS, NAMES, asked, number
from septal_viewer.parts import cell_of
from septal_viewer.signs import STATUS

HEIGHT = "height_above_mitral_annulus"
# of the table's rows, where there is room for a few words
SHORT = {
    HEIGHT: "Height", "superior_fraction": "Up in fossa", "anterior_fraction": "Forward in fossa",
    "distance_to_rim": "Distance to rim", "distance_to_aorta": "Distance to aorta",
    "distance_to_posterior_wall": "To posterior wall", "wall_thickness": "Wall thickness",
    "entry_angle": "Entry angle", "bend_radius": "Bend radius", "axis_tilt": "Axis tilt",
    "catheter_tilt": "Catheter's tilt", "catheter_offset": "Catheter's offset", "catheter_room": "Catheter's room",
}  # fmt: skip
BAND = {
    HEIGHT: "height", "superior_fraction": "superior_fraction", "anterior_fraction": "anterior_fraction",
    "distance_to_rim": "distance_to_rim", "distance_to_aorta": "distance_to_aorta",
    "distance_to_posterior_wall": "posterior_path", "wall_thickness": "wall_thickness", "entry_angle": "entry_angle",
    "bend_radius": "bend_radius", "axis_tilt": "axis_tilt", "catheter_tilt": "axis_tilt",
    "catheter_offset": "tip_offset", "catheter_room": "clearance",
}  # fmt: skip


class LimitsTable(QTableWidget):
    """One row a limit: sign, name, value with twice its standard uncertainty, range asked for."""

    def __init__(self, procedures: Mapping[str, Procedure]) -> None:
        super().__init__(0, 4)
        self._procedures = procedures
        plain_table(self)

    def tell(self, site: PunctureSite | None, *, dark: bool) -> None:
        """Another site, or none."""
        shown = [] if site is None else [c for c in site.checks if c.name != HEIGHT]
        fit_rows(self, len(shown))
        for i, c in enumerate(shown):
            assert site is not None
            look = STATUS[c.status]
            doubt = doubt_of(site, c.name)
            value = "not assessed" if c.value is None else number(c.value, c.unit, with_unit=False)
            if doubt is not None and c.value is not None:
                value += f" ± {number(2 * doubt, c.unit, with_unit=False)}"
            texts = (look.sign, SHORT.get(c.name, c.name), value, short_range(asked(c.low, c.high, c.unit)))
            hint = f"<p><b>{html.escape(look.word)}</b></p>" + self.hint(site, c)
            for j, text in enumerate(texts):
                cell = cell_of(self, i, j)
                cell.setText(text)
                cell.setToolTip(hint)
            cell_of(self, i, 0).setForeground(QBrush(QColor(look.colour(dark))))

    def hint(self, site: PunctureSite, c: Check) -> str:
        """What is asked of a value, why it is so, and where the range comes from."""
        band = getattr(self._procedures[site.procedure], BAND.get(c.name, ""), None)
        parts = [f"<p>{NAMES.get(c.name, c.name)}: {asked(c.low, c.high, c.unit)}</p>"]
        if c.why:
            parts.append(f"<p>{html.escape(c.why)}</p>")
        if isinstance(band, Asked):
            parts.append(f"<p><small>Source: {html.escape(band.source)} ({html.escape(FLAGS[band.flag])})</small></p>")
        return "".join(parts)


def plain_table(t: QTableWidget, *, stretch: int = 1) -> None:
    """No grid, no heads, nothing to choose; one column takes the room there is."""
    t.horizontalHeader().hide()
    t.verticalHeader().hide()
    t.verticalHeader().setMinimumSectionSize(8)
    t.setShowGrid(False)
    t.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
    t.setSelectionMode(QAbstractItemView.SelectionMode.NoSelection)
    t.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    t.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    t.setFocusPolicy(Qt.FocusPolicy.NoFocus)
    head = t.horizontalHeader()
    head.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
    if t.columnCount() > stretch:
        head.setSectionResizeMode(stretch, QHeaderView.ResizeMode.Stretch)


def fit_rows(t: QTableWidget, count: int) -> None:
    """So many rows, and as high as they are."""
    high_px = t.fontMetrics().height() + 5
    if t.rowCount() != count:
        t.setRowCount(count)
        for i in range(count):
            t.setRowHeight(i, high_px)
            for j in range(t.columnCount()):
                t.setItem(i, j, QTableWidgetItem())
    t.setFixedHeight(count * high_px + 4)


def fill_rows(t: QTableWidget, rows: Sequence[tuple[str, ...]], hints: Sequence[str] | None = None) -> None:
    """These words in its cells."""
    fit_rows(t, len(rows))
    for i, texts in enumerate(rows):
        for j, text in enumerate(texts):
            cell = cell_of(t, i, j)
            cell.setText(text)
            cell.setToolTip("" if hints is None else hints[i])


def doubt_of(site: PunctureSite, name: str) -> float | None:
    """One standard uncertainty of a check's value."""
    for holder in (site, site.reach):
        for unit in ("_sd_mm", "_sd_deg", "_sd"):
            found = getattr(holder, name + unit, None)
            if found is not None:
                return float(found)
    return site.height_sd_mm if name == HEIGHT else None


def short_range(asked_for: str) -> str:
    """A range in signs."""
    return asked_for.replace("at least ", "≥ ").replace("at most ", "≤ ").replace("no range", "")


def procedure_page(p: Procedure) -> str:
    """What a procedure asks, each range with its source: for a tooltip."""
    rows = []
    for name, band in BAND.items():
        range_ = getattr(p, band)
        if range_ is None or name in ("catheter_tilt", "catheter_room"):  # told already, or of the line
            continue
        unit = "1" if "fraction" in band else "deg" if band in ("entry_angle", "axis_tilt") else "mm"
        rows.append(
            f"<p><b>{NAMES[name]}</b>: {asked(range_.low, range_.high, unit)}<br>"
            f"<small>{html.escape(range_.source)} ({html.escape(FLAGS[range_.flag])})</small></p>"
        )
    if p.height is None:
        rows.insert(0, "<p><b>Height</b>: no published norm</p>")
    return f"<p><b>{html.escape(p.title)}</b>; height from the {html.escape(p.height_datum)}</p>" + "".join(rows)
