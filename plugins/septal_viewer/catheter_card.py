"""Which catheter, from how much of the membrane each reaches, and what the one at hand has to do from the target."""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QComboBox, QTableWidget, QVBoxLayout, QWidget

from septal_planner.puncture.catheters import HARDLY_BENT_DEG, SteerableCatheter
from septal_planner.puncture.reach_solver import CatheterReach
from septal_planner.report.words import number
from septal_viewer.limits_table import fill_rows, plain_table
from septal_viewer.parts import heading, signed, words
from septal_viewer.signs import STATUS


class CatheterCard(QWidget):
    """Figures are generic, and to be confirmed for what lies on the table."""

    def __init__(self, catheters: Mapping[str, SteerableCatheter], choose: Callable[[str], object]) -> None:
        super().__init__()
        self._catheters = catheters
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(4)
        self.names = QComboBox()
        self.names.setToolTip("The catheter that the plan reckons with")
        self.names.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.names.setMinimumContentsLength(18)
        for name, one in catheters.items():
            self.names.addItem(one.title, name)
            self.names.setItemData(self.names.count() - 1, one.title, Qt.ItemDataRole.ToolTipRole)
        self.unconfirmed = words(faint=True)
        self.verdict = words()
        self.numbers = QTableWidget(0, 2)
        self.why_not = words()
        self.shares_head = heading("Reaches from so much of the membrane")
        self.shares = QTableWidget(0, 2)
        self.shares_said = words(faint=True)
        for table in (self.numbers, self.shares):
            plain_table(table, stretch=0)
        for widget in (
            self.names, self.verdict, self.why_not, self.numbers, self.unconfirmed, self.shares_head, self.shares,
            self.shares_said,
        ):  # fmt: skip
            column.addWidget(widget)
        self.names.currentIndexChanged.connect(lambda _: choose(str(self.names.currentData())))
        self.tell("", "", None, {}, "", dark=True)

    def tell(
        self, chosen: str, own: str, reach: CatheterReach | None, shares: Mapping[str, float], why_none: str, *,
        dark: bool,
    ) -> None:  # fmt: skip
        """The catheter chosen and the procedure's own, its way from the target, and what share of the membrane each
        catheter reaches from; `why_none`: why there is no way."""
        self.names.blockSignals(True)
        self.names.setCurrentIndex(self.names.findData(chosen))
        for i in range(self.names.count()):
            title = self._catheters[str(self.names.itemData(i))].title
            self.names.setItemText(i, f"{title} (this procedure's own)" if self.names.itemData(i) == own else title)
        self.names.blockSignals(False)
        known = self._catheters.get(chosen)
        figures = () if known is None else known.unconfirmed
        self.unconfirmed.setText(
            "" if not figures else f"No verified source, confirm locally: {html.escape(', '.join(figures))}."
        )
        self.unconfirmed.setVisible(bool(figures))
        if reach is None:
            self.verdict.setText(html.escape(why_none))
            self.why_not.setText("")
            fill_rows(self.numbers, [])
        else:
            unseen = reach.reachable and reach.clearance_mm is None
            sign = STATUS["not assessed" if unseen else "met" if reach.reachable else "not met"]
            word = "It reaches from the target." if reach.reachable else "It does not reach from the target."
            if unseen:
                word = "It reaches from the target; its room to the wall is not assessed."
            near = f" Its body comes nearest to the {html.escape(reach.nearest)}." if reach.nearest else ""
            self.verdict.setText(f"{signed(sign, dark, word=False)} <b>{word}</b>{near}")
            self.why_not.setText("<br>".join(f"▲ {html.escape(s)}" for s in reach.why_not))
            fill_rows(self.numbers, numbers_of(reach))
        self.why_not.setVisible(reach is not None and bool(reach.why_not))
        self.numbers.setVisible(reach is not None)
        ordered = sorted(shares.items(), key=lambda item: -item[1])
        fill_rows(self.shares, [
            (("▸ " if name == chosen else "") + self._catheters[name].title, number(share, "1"))
            for name, share in ordered if name in self._catheters
        ], [self._catheters[name].title for name, _ in ordered if name in self._catheters])
        self.shares.setVisible(bool(shares))
        self.shares_said.setText("" if shares else "Not worked out yet." if not why_none else "Not assessed.")
        self.shares_said.setVisible(not shares)


def numbers_of(reach: CatheterReach) -> list[tuple[str, str]]:
    """What the catheter ends with, what has to be done with it, and what it has to spare, in words."""
    def mm(value: float | None) -> str:
        return "not assessed" if value is None else number(value, "mm")

    rows = [
        ("Tilt against the target's axis", number(reach.tilt_deg, "deg")),
        ("Tip off the device point", number(reach.offset_mm, "mm")),
        ("Clearance of its body", mm(reach.clearance_mm)),
        ("Advance beyond the septum", number(reach.advance_mm, "mm")),
        ("First bend turned by", number(reach.plane_deg, "deg")),
        ("Deflection", " and ".join(number(abs(d), "deg") + (" back" if d < 0 else "") for d in reach.deflections_deg)),
        ("Smallest radius", "straight" if reach.smallest_radius_mm is None else mm(reach.smallest_radius_mm)),
        ("Length beyond the septum", number(reach.length_mm, "mm")),
    ]
    # of a bend that is not used there is nothing to say
    unused = tuple(f"bend_{i}_" for i, d in enumerate(reach.deflections_deg, 1) if abs(d) < HARDLY_BENT_DEG)
    for name, value in reach.spare.items():
        if name.startswith(unused):
            continue
        unit = "deg" if name.endswith("_deg") else "mm"
        said = name.removesuffix("_deg").removesuffix("_mm").replace("_", " ")
        rows.append((f"To spare: {said}", number(value, unit)))
    if reach.usable_spare_mm is not None:
        rows.append(("To spare: usable length", number(reach.usable_spare_mm, "mm")))
    return rows
