"""Page X-ray: frames and the points in them, what registering says, and the C-arm views to choose from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from qtpy.QtCore import QSignalBlocker, Qt
from qtpy.QtGui import QBrush, QColor
from qtpy.QtWidgets import (
    QAbstractItemView,
    QButtonGroup,
    QCheckBox,
    QComboBox,
    QFrame,
    QHeaderView,
    QLabel,
    QSpinBox,
    QTableWidget,
    QVBoxLayout,
    QWidget,
)

from septal_planner.registering import FOLLOWED_SOURCE
from septal_viewer.pairs import TIP, TRACKED
from septal_viewer.parts import Page, button, cell_of, heading, row, words
from septal_viewer.signs import STATUS
from septal_viewer.table_more import TableMore
from septal_viewer.table_words import (
    budget_html,
    candidate_words,
    cautions_html,
    followed_words,
    next_step,
    pictures_html,
    tip_html,
    tracked_html,
    verdict_html,
    wrong_html,
)
from septal_viewer.xray_table import NO_PLAN, XrayTable

SUGGESTED = ("carina", "lead tip", "vertebral corner", "calcium", "coronary sinus catheter", "valve ring")


@dataclass(frozen=True)
class TableCalls:
    """What the page asks for that is not the table's own."""

    open_frames: Callable[[], None]
    load_points: Callable[[], None]
    save_points: Callable[[], object]
    write: Callable[[], None]
    open_folder: Callable[[], None]
    at_cursor: Callable[[], None]
    pick: Callable[[bool], None]
    jump: Callable[[], None]
    look: Callable[[float, float], None]


class TablePage(Page):
    """All numbers come from septal_planner; here they are only set side by side."""

    def __init__(self, table: XrayTable, calls: TableCalls) -> None:
        super().__init__()
        self.table_, self._calls = table, calls
        self.frames_mode = button("Frames and points", "X-ray frames, points in them, registering", checkable=True)
        self.views_mode = button("C-arm views", "Which angles to look from, and how it looks there", checkable=True)
        self._modes = QButtonGroup(self)
        for made in (self.frames_mode, self.views_mode):
            self._modes.addButton(made)
        self.column.addLayout(row(self.frames_mode, self.views_mode))
        self.frames_part, self.views_part = QWidget(), QWidget()
        self.column.addWidget(self.frames_part)
        self.column.addWidget(self.views_part)
        self._lay_frames()
        self._lay_views()
        self.column.addStretch(1)
        self.register = button("Register", "Lay the CT onto the frames by their points (R)", main=True)
        self.write = button("Save registration…", "registration.json, and every frame with the plan on it")
        self.folder = button("Open the folder", "Show the files that were written")
        self.bottom.addWidget(self.register)
        self.bottom.addLayout(row(self.write, self.folder))
        self._connect()
        self.tell(dark=True)

    def _lay_frames(self) -> None:
        column = QVBoxLayout(self.frames_part)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(5)
        self.open_frames = button("Open frames…", "XA or XRF files of the C-arm; they may be dropped too")
        self.close_frame = button("Take away", "Close the frame that is shown")
        self.frames = _list(3)
        self.number = QSpinBox()
        self.number.setToolTip("Which frame of the run, counted from 1")
        self.of = QLabel()
        self.moved = QCheckBox("Table moved")
        self.moved.setToolTip("Table or patient was shifted since the first frame: the shift is found too, less surely")
        self.name = QComboBox()
        self.name.setEditable(True)
        self.name.addItems(list(SUGGESTED))
        self.name.setCurrentText("")
        self.name.setInsertPolicy(QComboBox.InsertPolicy.NoInsert)
        edit = self.name.lineEdit()
        assert edit is not None
        edit.setPlaceholderText("a new point's name")
        self.add = button("Add", "Add this point, and choose it")
        self.points = _list(7)
        self.step = words(faint=True)
        self.tracked = words()
        self.tracked.setToolTip(f"What following leaves: {FOLLOWED_SOURCE}")
        self.at_cursor = button("At cross-hair", "The chosen point lies at the cross-hair in the CT (P)")
        self.pick = button("Click in CT", "A click in a flat view says where it lies (Esc to stop)", checkable=True)
        self.jump = button("Jump", "Bring the cross-hair to the point (J)")
        self.take_out = button("Take out", "Out of this frame; where it is in none, out of the list (Del)")
        self.load = button("Open points…", "Points files, as the console's register reads them")
        self.save = button("Save points…", "One points file a frame, as the console's register reads them")
        self.result = QFrame()
        self.result.setObjectName("card")
        inside = QVBoxLayout(self.result)
        inside.setContentsMargins(8, 4, 8, 6)
        inside.setSpacing(2)
        self.hero = QLabel("–")
        self.hero.setObjectName("hero")
        self.budget = words()
        self.tip = words()
        self.pictures = words()
        inside.addWidget(words("Error to expect at the target, RMS", faint=True))
        self.verdict = words()
        beside = row(self.hero, self.verdict)
        beside.setStretch(1, 1)
        inside.addLayout(beside)
        inside.addWidget(self.budget)
        inside.addWidget(self.tip)
        inside.addWidget(self.pictures)
        self.wrong = words()
        self.cautions = words()
        self.more = TableMore(self.table_)

        add = column.addWidget
        column.addLayout(row(self.open_frames, self.close_frame))
        add(self.frames)
        column.addLayout(row(QLabel("Frame"), self.number, self.of, 1, self.moved))
        add(heading("Points"))
        column.addLayout(row(self.name, self.add))
        add(self.points)
        add(self.step)
        add(self.tracked)
        column.addLayout(row(self.at_cursor, self.pick, self.jump, self.take_out))
        column.addLayout(row(self.load, self.save))
        self.error_heading = heading("Registered")
        add(self.error_heading)
        add(self.result)
        add(self.wrong)
        add(self.cautions)
        add(self.more)

    def _lay_views(self) -> None:
        column = QVBoxLayout(self.views_part)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(5)
        self.candidates = _list(9)
        self.about = words()
        self.notes = words(faint=True)
        column.addWidget(words("Click a view, the chart, or turn the 3-D view: the frame beside follows.", faint=True))
        column.addWidget(self.candidates)
        column.addWidget(self.about)
        column.addWidget(self.notes)

    def _connect(self) -> None:
        t, c = self.table_, self._calls
        self.frames_mode.clicked.connect(lambda: t.set_mode("frames"))
        self.views_mode.clicked.connect(lambda: t.set_mode("views"))
        for made, call in (
            (self.open_frames, c.open_frames), (self.close_frame, t.close_run), (self.at_cursor, c.at_cursor),
            (self.jump, c.jump), (self.load, c.load_points), (self.save, c.save_points), (self.write, c.write),
            (self.folder, c.open_folder), (self.add, self.add_point), (self.register, t.register),
            (self.take_out, lambda: t.change(lambda: t.pairs.take_out(t.pairs.chosen))),
        ):  # fmt: skip
            made.clicked.connect(lambda _=False, f=call: f())
        self.pick.toggled.connect(c.pick)
        edit = self.name.lineEdit()
        assert edit is not None
        edit.returnPressed.connect(self.add_point)
        self.frames.currentCellChanged.connect(lambda i, *_: t.show_run(i))
        self.points.currentCellChanged.connect(lambda i, *_: self._choose(i))
        self.number.valueChanged.connect(t.set_number)
        self.moved.clicked.connect(lambda on: t.change(lambda: t.pairs.set_table_moved(on)))
        self.candidates.currentCellChanged.connect(lambda i, *_: self._look(i))
        self.candidates.cellClicked.connect(lambda i, _: self._look(i))

    # ------------------------------------------------------------------------------------------------- asked

    def add_point(self) -> None:
        """The name that was typed becomes a point."""
        t = self.table_
        name = self.name.currentText()
        t.change(lambda: t.pairs.add_name(name))
        if t.pairs.chosen == " ".join(name.split()):
            self.name.setCurrentText("")

    def _choose(self, i: int) -> None:
        names = self.table_.pairs.rows
        if 0 <= i < len(names):
            self.table_.choose(names[i])

    def _look(self, i: int) -> None:
        views = self.table_.views
        if views is not None and 0 <= i < len(views.found.candidates):
            self._calls.look(*views.found.candidates[i].angles_deg)
            self.about.setText(candidate_words(views.found.candidates[i]))

    # ------------------------------------------------------------------------------------------------- told

    def tell(self, *, dark: bool, picking: bool = False) -> None:
        """Bring everything up to date."""
        t = self.table_
        views = t.mode == "views"
        (self.views_mode if views else self.frames_mode).setChecked(True)
        self.frames_part.setVisible(not views)
        self.views_part.setVisible(views)
        for widget in (self.register, self.write):
            widget.setVisible(not views)
        self.folder.setVisible(not views and t.written is not None)
        if views:
            self._tell_views(dark)
            return
        self._tell_frames(dark)
        self._tell_points(dark)
        with QSignalBlocker(self.pick):
            self.pick.setChecked(picking)
        self._tell_result(dark)
        self.register.setEnabled(t.plan is not None and bool(t.pairs.runs) and not t.waiting)
        self.register.setToolTip(NO_PLAN if t.plan is None else "Lay the CT onto the frames by their points (R)")
        self.write.setEnabled(t.laid is not None and not t.waiting)

    def _tell_frames(self, dark: bool) -> None:
        t = self.table_
        with QSignalBlocker(self.frames):
            self.frames.setRowCount(len(t.pairs.runs))
            for i, run in enumerate(t.pairs.runs):
                count = t.pairs.count(run)
                said = f"{count} pair{'' if count == 1 else 's'}"
                if t.laid is not None:
                    f = t.laid.document.frames[i]
                    said = f"across {f.lateral_rms_mm:.1f}, depth ± {1.96 * f.depth_sd_mm:.1f} mm"
                _set_row(self.frames, i, (str(i + 1), run.path.name, said), tip=str(run.path))
            if t.pairs.runs:
                self.frames.setCurrentCell(t.pairs.current, 1)
        shown = t.pairs.run
        for widget in (self.number, self.moved, self.close_frame):
            widget.setEnabled(shown is not None)
        with QSignalBlocker(self.number), QSignalBlocker(self.moved):
            self.number.setRange(1, 1 if shown is None else shown.frame_count)
            self.number.setValue(t.pairs.shown_number)
            self.moved.setChecked(t.pairs.frame().table_moved)
            self.moved.setEnabled(shown is not None and t.pairs.current > 0)
        self.of.setText("" if shown is None else f"of {shown.frame_count}")

    def _tell_points(self, dark: bool) -> None:
        t = self.table_
        marked = t.pairs.frame()
        laid = {}
        if t.laid is not None:
            laid = {p.name: p for p in t.laid.document.pairs if p.frame == t.pairs.current + 1}
        with QSignalBlocker(self.points):
            names = t.pairs.rows
            self.points.setRowCount(len(names))
            for i, name in enumerate(names):
                at = marked.tip if name == TIP else marked.pixels.get(name)
                at = marked.tracked.get(t.pairs.shown_number) if name == TRACKED else at
                in_ct = "" if name in (TIP, TRACKED) else "CT" if t.pairs.marks.places[name] is not None else "–"
                here = "–" if at is None else "frame"
                told, tip, colour = followed_words(t) if name == TRACKED else "", "", ""
                pair = laid.get(name)
                if pair is not None:
                    left = "–" if pair.leave_one_out_mm is None else f"{pair.leave_one_out_mm:.1f}"
                    told = f"{pair.residual_mm:.1f} / {left} mm"
                    tip = "Residual (not an accuracy) / the same with this point left out of the fit"
                    if not pair.used:
                        out = STATUS["not met"]
                        told = f"{out.sign} {pair.residual_mm:.1f} mm"
                        colour, tip = out.colour(dark), "Left out: it does not fit the others"
                _set_row(self.points, i, (name, in_ct, here, told), tip=tip, colour=colour)
            self.points.setCurrentCell(names.index(t.pairs.chosen) if t.pairs.chosen in names else -1, 0)
        chosen = t.pairs.chosen
        self.step.setText(next_step(t))
        said = tracked_html(t)
        self.tracked.setText(said)
        self.tracked.setVisible(bool(said))
        for widget in (self.at_cursor, self.pick):
            widget.setEnabled(chosen not in ("", TIP, TRACKED) and t.session.volume is not None)
        self.jump.setEnabled(t.pairs.marks.places.get(chosen) is not None)
        self.take_out.setEnabled(_may_take_out(t))
        self.save.setEnabled(bool(t.pairs.runs))

    def _tell_result(self, dark: bool) -> None:
        t = self.table_
        shown = t.laid is not None
        for widget in (self.error_heading, self.result, self.wrong, self.cautions):
            widget.setVisible(shown)
        self.more.tell()
        if t.laid is None:
            return
        d = t.laid.document
        self.hero.setText(f"{d.total_rms_mm:.1f} mm")
        self.verdict.setText(verdict_html(d, dark))
        self.budget.setText(budget_html(d))
        self.tip.setText(tip_html(d, dark))
        self.tip.setVisible(d.needle_tip is not None)
        said = pictures_html(t, dark)
        self.pictures.setText(said)
        self.pictures.setVisible(bool(said))
        said = wrong_html(d, dark)
        self.wrong.setText(said)
        self.wrong.setVisible(bool(said))
        self.cautions.setText(cautions_html(d))

    def _tell_views(self, dark: bool) -> None:
        t = self.table_
        views = t.views
        with QSignalBlocker(self.candidates):
            found = () if views is None else views.found.candidates
            best = views.found.choices[0].candidates if views is not None and views.found.choices else ()
            self.candidates.setRowCount(len(found))
            for i, c in enumerate(found):
                n = str(best.index(c) + 1) if c in best else "" if c.view.reachable else STATUS["borderline"].sign
                _set_row(self.candidates, i, (n, c.view.label, c.name), tip=candidate_words(c))
                if not c.view.reachable:
                    faint = QBrush(QColor("#8a929c" if dark else "#70767e"))
                    for j in range(3):
                        cell_of(self.candidates, i, j).setForeground(faint)
            high = self.candidates.rowHeight(0) if found else 20
            self.candidates.setFixedHeight(max(3, len(found)) * high + 6)
        if t.plan is None or t.no_views:
            self.about.setText(NO_PLAN if t.plan is None else t.no_views)
        elif views is not None and not self.about.text() and best:
            self.about.setText(candidate_words(best[0]))
        self.notes.setText("" if views is None else "<br>".join(views.found.notes))


def _may_take_out(t: XrayTable) -> bool:
    name, f = t.pairs.chosen, t.pairs.frame()
    if name == TRACKED:
        return t.pairs.shown_number in f.tracked
    return bool(name) and not t.pairs.elsewhere and (name != TIP or f.tip is not None)


def _list(rows: int) -> QTableWidget:
    t = QTableWidget(0, 4 if rows == 7 else 3)
    t.horizontalHeader().hide()
    t.verticalHeader().hide()
    t.verticalHeader().setMinimumSectionSize(8)
    t.setShowGrid(False)
    t.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
    t.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
    t.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
    t.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    head = t.horizontalHeader()
    head.setMinimumSectionSize(12)
    head.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
    head.setSectionResizeMode(0 if rows == 7 else 1 if rows == 3 else 2, QHeaderView.ResizeMode.Stretch)
    t.setFixedHeight(rows * (t.fontMetrics().height() + 5) + 6)
    return t


def _set_row(t: QTableWidget, i: int, texts: tuple[str, ...], *, tip: str = "", colour: str = "") -> None:
    t.setRowHeight(i, t.fontMetrics().height() + 5)
    for j, text in enumerate(texts):
        cell = cell_of(t, i, j)
        cell.setText(text)
        cell.setToolTip(tip)
        cell.setForeground(QBrush(QColor(colour)) if colour else QBrush())
