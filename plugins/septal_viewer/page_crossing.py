"""Page Crossing: the height at the target as it moves, and, one part at a time, what the procedure asks, the places to
cross, the catheter's way, and how likely the limits are met."""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from qtpy.QtCore import Qt
from qtpy.QtWidgets import QButtonGroup, QComboBox, QFrame, QLabel, QPushButton, QVBoxLayout, QWidget

from septal_planner.fluoroscopy.carm import CArmView
from septal_planner.puncture.procedures import Procedure
from septal_planner.puncture.site import PunctureSite
from septal_planner.puncture.survey import NO_CHOICE
from septal_planner.report.words import asked, number
from septal_viewer.carm_buttons import CarmButtons
from septal_viewer.catheter_card import CatheterCard
from septal_viewer.choosing import Choosing, own_catheter
from septal_viewer.compare_table import Compared, CompareTable
from septal_viewer.doubt_card import DoubtCard
from septal_viewer.limits_table import HEIGHT, LimitsTable, procedure_page, short_range
from septal_viewer.map_quantities import SHORT as LIMIT
from septal_viewer.parts import Page, button, heading, row, signed, words
from septal_viewer.ranked_sites import RankedSites
from septal_viewer.signs import STATUS
from septal_viewer.surveys import Here, Step

PARTS = (("limits", "Limits"), ("sites", "Sites"), ("catheter", "Catheter"), ("doubt", "Doubt"))
HINTS = {
    "limits": "What the procedure asks, beside what is measured at the target",
    "sites": "The places that the program ranked, and sites side by side",
    "catheter": "Which catheter, where it reaches from, and what it has to do",
    "doubt": "How likely each limit is met, and which doubt matters most",
}
WAIT = "Being worked out."
STOPPED = "Not worked out, since it was stopped or could not be done; move the target to have it tried again."


@dataclass(frozen=True)
class CrossingCalls:
    """What the page asks for."""

    procedure: Callable[[str], object]
    catheter: Callable[[str], object]
    computed: Callable[[], None]
    at_cursor: Callable[[], None]
    jump: Callable[[], None]
    keep: Callable[[], None]
    drop: Callable[[int], object]
    take: Callable[[int], object]
    choose: Callable[[int], object]
    view: Callable[[str], None]
    front: Callable[[], None]


class CrossingPage(Page):
    """All numbers come from septal_planner; here they are only set side by side."""

    def __init__(self, calls: CrossingCalls, procedures: Mapping[str, Procedure], session: Choosing) -> None:
        super().__init__()
        self._procedures, self._session = procedures, session
        self._kept = 0
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
        self.interval, self.place, self.margin = words(), words(), words()
        self.limits = LimitsTable(procedures)
        self.table = self.limits
        self.more = words()
        self.first = words()
        self.computed = button("Computed", "The target that the program chooses for this procedure (C)")
        self.at_cursor = button("At cross-hair", "The place on the membrane nearest to the cross-hair (P)")
        self.jump = button("Jump", "Bring the cross-hair to the target (J)")
        self.carm = CarmButtons(calls.view, calls.front)
        self.ranked = RankedSites(calls.choose)
        self.comparison = CompareTable(calls.keep, calls.take, calls.drop)
        self.compare = self.comparison.table
        self.catheter = CatheterCard(session.catheters, calls.catheter)
        self.doubt = DoubtCard()
        self._lay_out()
        self.procedure.currentIndexChanged.connect(lambda _: calls.procedure(str(self.procedure.currentData())))
        for made, call in ((self.computed, calls.computed), (self.at_cursor, calls.at_cursor), (self.jump, calls.jump)):
            made.clicked.connect(lambda _=False, c=call: c())
        self.show_part("limits")
        self.tell(dark=True)

    def _lay_out(self) -> None:
        add = self.column.addWidget
        add(self.procedure)
        self.card = QFrame()
        self.card.setObjectName("card")
        inside = QVBoxLayout(self.card)
        inside.setContentsMargins(8, 4, 8, 6)
        inside.setSpacing(2)
        inside.addWidget(words("Height above the mitral annular plane", faint=True))
        beside = row(self.hero, self.interval)
        beside.setStretch(1, 1)
        inside.addLayout(beside)
        inside.addWidget(self.place)
        inside.addWidget(self.margin)
        add(self.card)
        self.column.addLayout(row(self.computed, self.at_cursor, self.jump))
        self._group = QButtonGroup(self)
        self.part_buttons: dict[str, QPushButton] = {}
        self._parts: dict[str, QWidget] = {}
        for name, title in PARTS:
            made = button(title, HINTS[name], checkable=True)
            made.setObjectName("stage")
            made.clicked.connect(lambda _=False, n=name: self.show_part(n))
            self._group.addButton(made)
            self.part_buttons[name] = made
        self.column.addLayout(row(*self.part_buttons.values()))
        for name, widgets in (
            ("limits", (self.limits, self.more, self.first, self.carm)),
            ("sites", (heading("Where it could be crossed"), self.ranked, heading("Compare"), self.comparison)),
            ("catheter", (self.catheter,)),
            ("doubt", (self.doubt,)),
        ):  # fmt: skip
            part = self._parts[name] = QWidget()
            column = QVBoxLayout(part)
            column.setContentsMargins(0, 0, 0, 0)
            column.setSpacing(5)
            for widget in widgets:
                column.addWidget(widget)
            add(part)
        self.column.addStretch(1)

    def show_part(self, name: str) -> None:
        """One of the parts under the height."""
        self.part_buttons[name].setChecked(True)
        for each, part in self._parts.items():
            part.setVisible(each == name)

    @property
    def view_buttons(self) -> dict[str, QPushButton]:
        """Of the C-arm positions."""
        return self.carm.buttons

    # ------------------------------------------------------------------------------------------------- numbers

    def set_procedure(self, name: str) -> None:
        """Show which procedure it is, without asking for it."""
        self.procedure.blockSignals(True)
        self.procedure.setCurrentIndex(max(0, self.procedure.findData(name)))
        self.procedure.setToolTip(procedure_page(self._procedures[name]))
        self.procedure.blockSignals(False)

    def tell(self, *, dark: bool, read_first: Sequence[str] = ()) -> None:
        """Bring the numbers up to date; while a site is worked out those of before stay, greyed."""
        s = self._session
        for widget in (self.at_cursor, self.jump):
            widget.setEnabled(s.site is not None)
        waits = s.site is None and s.pending
        for each in (self.card, *self._parts.values()):
            each.setEnabled(not waits)
        self._parts["catheter"].setEnabled(True)  # to choose another one meanwhile
        if waits:
            self.interval.setText(f"<b>{WAIT}</b>")
            self.margin.setText("Where to cross is being worked out for this procedure and catheter.")
        elif s.site is None:
            self.hero.setText("–")
            self.interval.setText("No target yet.")
            self.place.setText("Find the anatomy on page Marking first.")
            for label in (self.more, self.first, self.margin):
                label.setText("")
            self.limits.tell(None, dark=dark)
        else:
            self._tell_site(s.shown_site or s.site, dark, read_first)
        if not waits:
            here = s.here if s.site is not None else None
            self._tell_margin(here, dark)
            self._tell_sites(here, dark)
            self._tell_doubt(here, dark)
        self._tell_catheter(dark)

    def _tell_site(self, site: PunctureSite, dark: bool, read_first: Sequence[str]) -> None:
        low, high = site.height_interval_95_mm
        self.hero.setText(number(site.height_mm, "mm"))
        height = next((c for c in site.checks if c.name == HEIGHT), None)
        sign = "" if height is None else signed(STATUS[height.status], dark)
        band = "no norm" if height is None or height.value is None else asked(height.low, height.high, "mm")
        self.interval.setText(
            f"95 %: {number(low, 'mm', with_unit=False)} to {number(high, 'mm')}<br>{sign}<br>"
            f"asked: {short_range(band)}"
        )
        if height is not None:
            self.interval.setToolTip(self.limits.hint(site, height))
        source = "computed" if site.source == "computed" else "yours"
        x, y, z = (number(v, "mm", with_unit=False) for v in site.target_lps)
        self.place.setText(
            f"<b>{html.escape(site.zone or 'zone not assessed')}</b> · {source} · LPS {x}, {y}, {z} mm"
        )
        self.limits.tell(site, dark=dark)
        r = site.reach
        clear = "not assessed" if r.clearance_mm is None else number(r.clearance_mm, "mm")
        lines = [f"Turn into the valve's axis {number(r.turn_angle_deg, 'deg')} · clearance of one arc {clear}"]
        if site.height_above_coaptation_mm is not None:
            lines.append(f"Height above the coaptation {number(site.height_above_coaptation_mm, 'mm')}")
        self.more.setText("<br>".join(lines))
        here = self._session.here
        short = r.limits if here is None or here.reach is None else here.reach.why_not
        said = list(dict.fromkeys([*site.notes, *short, *r.not_assessed, *read_first]))
        self.first.setText("<br>".join(f"▲ {html.escape(s)}" for s in said))
        self.first.setVisible(bool(said))

    def _tell_margin(self, here: Here | None, dark: bool) -> None:
        """Worst margin, what binds it, and how likely all limits are met, in two lines."""
        if here is None or here.place is None:
            self.margin.setText("" if here is None else self._why("survey"))
            self.margin.setToolTip("")
            return
        place = here.place
        look = STATUS["met" if place.meets_all else "not assessed" if np.isnan(place.overall) else "not met"]
        margin = "not assessed" if np.isnan(place.overall) else f"{place.overall:+.1f} tolerances"
        doubt = None if here.passage is None else here.passage.doubt
        if doubt is None:
            likely = self._why("passage")
        else:
            likely = "not assessed here" if doubt.all_met is None else f"{number(doubt.all_met, '1')} of trials"
        self.margin.setText(
            f"Worst margin {signed(look, dark, word=False)} <b>{margin.replace('-', chr(0x2212))}</b>, binds: "
            f"{html.escape(LIMIT.get(place.binding, place.binding))}<br>All limits met in: {likely}"
        )
        self.margin.setToolTip(f"<p>{html.escape(place.sentence)}</p>")

    def _tell_sites(self, here: Here | None, dark: bool) -> None:
        s, survey = self._session, self._session.survey
        why = NO_CHOICE if survey is not None else self._why("survey")
        self.ranked.tell(None if survey is None else survey.choice, why, dark=dark)
        now = None if s.site is None else Compared("Now", s.shown_site, here)
        kept = []
        for i, (site, aim) in enumerate(zip(s.candidates, s.kept_sites, strict=True)):
            known = s.here_of(aim)
            kept.append(Compared(chr(ord("A") + i), site if known is None else known.checked, known))
        self.comparison.tell(
            now, kept, None if s.found is None else s.found.fossa, None if survey is None else survey.map, dark=dark
        )
        if len(kept) > self._kept:
            self.show_part("sites")
        self._kept = len(kept)

    def _tell_catheter(self, dark: bool) -> None:
        s, survey = self._session, self._session.survey
        here = s.here if s.site is not None else None
        if survey is None:
            why = self._why("survey")
        elif here is not None and here.passage is not None:
            why = " ".join(w for w in here.passage.not_assessed if "catheter" in w)
        else:
            why = "" if survey.way is not None else "The reach of a catheter is not assessed for this procedure."
        self.catheter.tell(
            s.aim.catheter, own_catheter(s.procedure), None if here is None else here.reach,
            {} if survey is None else survey.shares, why, dark=dark,
        )

    def _tell_doubt(self, here: Here | None, dark: bool) -> None:
        passage = None if here is None else here.passage
        doubt = None if passage is None else passage.doubt
        why = self._why("passage") if passage is None else " ".join(passage.not_assessed)
        self.doubt.tell(doubt, why, dark=dark)

    def _why(self, kind: str) -> str:
        """Why something is not told as yet."""
        s = self._session
        if s.found is None:
            return "Find the anatomy on page Marking first."
        steps = [Step("survey", s.aim.anywhere)]
        if kind == "passage":
            steps += [Step("trial", s.aim.anywhere), Step("passage", s.aim)]
        return STOPPED if any(s.surveys.gave_up(step) for step in steps) else WAIT

    def tell_views(self, views: Mapping[str, CArmView] | None, why_none: str) -> None:
        """The C-arm positions to turn the 3-D view to."""
        self.carm.tell(views, why_none)
