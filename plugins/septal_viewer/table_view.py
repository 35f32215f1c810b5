"""Above the flat views on page X-ray: the frame and the simulated frame beside it, or the chart of angles and a view.
"""

from __future__ import annotations

from qtpy.QtCore import QSignalBlocker, Qt
from qtpy.QtWidgets import QButtonGroup, QHBoxLayout, QLabel, QSlider, QStackedWidget, QVBoxLayout, QWidget

from septal_planner.registration_files import LOST
from septal_viewer.angle_chart import AngleChart
from septal_viewer.pairs import TIP, TRACKED
from septal_viewer.parts import button, row
from septal_viewer.xray_canvas import XrayCanvas, XrayPoint
from septal_viewer.xray_table import NO_PLAN, XrayTable

SIMULATED = "Simulated from the CT, not an exposure"
BY_HEADERS = "Plan drawn by the headers alone: not registered"


class TableView(QWidget):
    """Shows what an `XrayTable` holds."""

    def __init__(self, table: XrayTable) -> None:
        super().__init__()
        self.table = table
        self.frame = XrayCanvas(marked=True)
        self.simulated = XrayCanvas()
        self.chart = AngleChart()
        self.left = QStackedWidget()
        self.left.addWidget(self.frame)
        self.left.addWidget(self.chart)
        self.blend = QSlider(Qt.Orientation.Horizontal)
        self.blend.setRange(0, 100)
        self.blend.setFixedWidth(150)
        self.blend.setToolTip("Blend the simulated frame over the real one; where both agree nothing jumps")
        self.before = button("By the headers", "The target at the isocentre, nothing turned (T)", checkable=True)
        self.after = button("Registered", "As registered by the points (T)", checkable=True)
        self._which = QButtonGroup(self)
        for made in (self.before, self.after):
            made.setFocusPolicy(Qt.FocusPolicy.NoFocus)  # or keys would go to a field once it is disabled
            self._which.addButton(made)
        self.head = QWidget()
        line = QHBoxLayout(self.head)
        line.setContentsMargins(6, 1, 6, 1)
        line.setSpacing(6)
        for thing in (QLabel("Real"), self.blend, QLabel("Simulated")):
            line.addWidget(thing)
        line.addStretch(1)
        line.addWidget(QLabel("Plan and simulated frame:"))
        line.addWidget(self.before)
        line.addWidget(self.after)
        self.foot = QLabel()
        self.foot.setObjectName("faint")
        self.foot.setContentsMargins(6, 2, 6, 2)
        pair = row(self.left, self.simulated)
        pair.setSpacing(1)
        pair.setStretch(0, 1)
        pair.setStretch(1, 1)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        column.addWidget(self.head)
        column.addWidget(self.foot)
        column.addLayout(pair, 1)

        self.blend.valueChanged.connect(self._blended)
        self.before.clicked.connect(lambda: table.show_after(False))
        self.after.clicked.connect(lambda: table.show_after(True))
        self.frame.clicked.connect(table.click)
        self.frame.picked.connect(table.choose)
        self.frame.dragged.connect(table.drag)
        self.frame.let_go.connect(table.pairs.end_drag)
        self.frame.looked.connect(self.simulated.look)
        self.simulated.looked.connect(self.frame.look)
        table.changed.connect(self.tell)
        table.seen.connect(self.tell)
        self.tell()

    def set_dark(self, dark: bool) -> None:
        """The chart on a dark or light ground; frames stay on black."""
        self.chart.dark = dark
        self.chart.update()

    def show_drawings(self, on: bool) -> None:
        """Plan and points, or the frames alone."""
        for canvas in (self.frame, self.simulated):
            canvas.show_overlay = on
            canvas.update()

    def _blended(self) -> None:
        self.frame.blend = self.blend.value() / 100
        self.frame.update()

    def tell(self) -> None:
        """Bring both pictures up to date."""
        t = self.table
        views = t.mode == "views"
        self.left.setCurrentWidget(self.chart if views else self.frame)
        self.head.setVisible(not views)
        self.foot.setVisible(views)
        made, picture = t.simulated(), t.picture
        size = made.shot.camera.size_px if made is not None else None
        if not views:
            size = None if picture is None else picture.run.size_px
            self._tell_frame()
        else:
            self._tell_chart()
        s = self.simulated
        s.set_size(size)
        s.set_simulated(None if made is None else made.grey, 1.0 if made is None else made.by)
        s.set_shapes(t.shapes() if made is not None else ())
        s.corner = (made.shot.camera.label,) if made is not None else ()
        s.foot = SIMULATED if made is not None else ""
        if t.plan is None:
            s.placeholder = NO_PLAN
        elif views:
            s.placeholder = t.no_views or "Choose a view of the list, or click on the chart."
        else:
            s.placeholder = "Beside the frame: how the CT would look." if picture is None else "Simulating the frame…"
        for made_button, on in ((self.before, not t.registered), (self.after, t.registered)):
            with QSignalBlocker(made_button):
                made_button.setChecked(on)
        self.after.setEnabled(t.laid is not None)
        self.blend.setEnabled(made is not None)

    def _tell_frame(self) -> None:
        t, f = self.table, self.frame
        picture, made = t.picture, t.simulated()
        f.placeholder = "Reading…" if t.pairs.run else "No X-ray frame is open: open XA files, or drop them here."
        f.set_size(None if picture is None else picture.run.size_px)
        f.set_real(None if picture is None else picture.grey)
        f.set_simulated(None if made is None else made.grey, 1.0 if made is None else made.by)
        f.set_shapes(t.shapes())
        f.points = self._points()
        f.foot = "" if picture is None or made is None or t.registered else BY_HEADERS
        f.banner = ""
        corner = [] if picture is None else [picture.camera.label]
        if picture is not None and picture.run.frame_count > 1:
            corner.append(f"frame {picture.number} of {picture.run.frame_count}")
            if t.pairs.elsewhere and made is not None:
                f.foot = self._elsewhere()
        if t.registered and t.laid is not None:
            d = t.laid.document
            corner.append(f"error to expect {d.total_rms_mm:.1f} mm RMS")
            f.banner = t.laid.drawings[t.pairs.current].banner
        f.corner = corner
        f.update()

    def _elsewhere(self) -> str:
        """What the drawing means in a frame that the points do not stand in."""
        t = self.table
        if not t.registered or t.followed is None:
            return f"The drawing holds for frame {t.pairs.frame().number}; here the heart has moved"
        return LOST if t.tracked_at() is None else "The drawing follows the tracked point"

    def _points(self) -> list[XrayPoint]:
        t = self.table
        marked = t.pairs.frame()
        laid = {}
        if t.registered and t.laid is not None:
            for pair, at in zip(t.laid.document.pairs, t.laid.drawn_px, strict=True):
                if pair.frame == t.pairs.current + 1:
                    laid[pair.name] = (pair.used, at)
        points = []
        tracked = t.tracked_at()
        if tracked is not None:
            points.append(XrayPoint(TRACKED, tracked, t.pairs.chosen == TRACKED, tip=True))
        if t.pairs.elsewhere:
            return points
        for name, at in marked.pixels.items():
            used, drawn = laid.get(name, (True, None))
            points.append(XrayPoint(name, at, name == t.pairs.chosen, out=not used, drawn_px=drawn))
        if marked.tip is not None:
            points.append(XrayPoint(TIP, marked.tip, t.pairs.chosen == TIP, tip=True))
        return points

    def _tell_chart(self) -> None:
        t = self.table
        self.chart.shapes = () if t.views is None else t.views.chart
        self.chart.current = t.look
        self.chart.placeholder = NO_PLAN if t.plan is None else t.no_views or "Looking for C-arm views…"
        self.foot.setText(
            "Curves: seen as a line there. Crosses: two standard uncertainties. Tinted: what the arm reaches. "
            "Circle: where the 3-D view looks from."
        )
        self.chart.update()
