"""Under the fold of page X-ray: what is rarely set, and what takes long."""

from __future__ import annotations

from dataclasses import replace

from qtpy.QtCore import QSignalBlocker
from qtpy.QtWidgets import QCheckBox, QDoubleSpinBox, QGridLayout, QLabel

from septal_viewer.parts import Fold, words
from septal_viewer.xray_table import XrayTable


class TableMore(Fold):
    """Comparing the pictures, drawing whole runs, motion and limit of the error."""

    def __init__(self, table: XrayTable) -> None:
        super().__init__("Pictures, runs, motion and limit", "What is rarely set, and what takes long")
        self.table_ = table
        self.images = QCheckBox("Compare simulated with real frames")
        self.images.setToolTip(
            "From the registration by points the CT is turned and shifted until its simulated frames look like the "
            "real ones: a check that knows nothing of the points, and replaces nothing. A minute or so"
        )
        self.cine = QCheckBox("Draw on every frame of the runs that are saved")
        self.cine.setToolTip("Save registration also writes each run whole; the drawing follows the tracked point")
        self.breathing = _mm("Breathing", "How far breathing moves the fossa, RMS; practice value, edit locally")
        self.heartbeat = _mm("Heartbeat", "How far the heartbeat moves the fossa, RMS; practice value, edit locally")
        self.limit = _mm("Limit", "Above this error a banner says not to steer by the drawing")
        self.limit.setMinimum(0.1)
        self.column.addWidget(self.images)
        self.column.addWidget(self.cine)
        self.column.addWidget(words("Motion and limit, mm RMS", faint=True))
        boxes = QGridLayout()
        boxes.setSpacing(4)
        for n, (name, box) in enumerate(
            (("Breathing", self.breathing), ("Heartbeat", self.heartbeat), ("Limit of the error", self.limit))
        ):
            boxes.addWidget(QLabel(name), 0, n)
            boxes.addWidget(box, 1, n)
            box.valueChanged.connect(lambda _: self._ask())
        self.column.addLayout(boxes)
        self.images.clicked.connect(table.set_images)
        self.cine.clicked.connect(table.set_cine)

    def _ask(self) -> None:
        t = self.table_
        t.set_asked(replace(
            t.asked, breathing_mm=self.breathing.value(), heartbeat_mm=self.heartbeat.value(),
            limit_mm=self.limit.value(),
        ))  # fmt: skip

    def tell(self) -> None:
        """Bring it up to date."""
        t = self.table_
        with QSignalBlocker(self.breathing), QSignalBlocker(self.heartbeat), QSignalBlocker(self.limit):
            self.breathing.setValue(t.asked.breathing_mm)
            self.heartbeat.setValue(t.asked.heartbeat_mm)
            self.limit.setValue(t.asked.limit_mm)
        self.images.setChecked(t.images)
        self.images.setEnabled(t.session.volume is not None and not t.table_moved)
        self.cine.setChecked(t.cine)
        self.cine.setEnabled(any(run.frame_count > 1 for run in t.pairs.runs))


def _mm(name: str, hint: str) -> QDoubleSpinBox:
    made = QDoubleSpinBox()
    made.setAccessibleName(name)
    made.setToolTip(hint)
    made.setRange(0.0, 50.0)
    made.setDecimals(1)
    made.setSingleStep(0.5)
    return made
