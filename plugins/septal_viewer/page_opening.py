"""Page Opening: a CT from a folder, a file, or an invented case; which series of several; work taken up again."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from qtpy.QtCore import QSize, Qt
from qtpy.QtGui import QIcon, QImage, QPixmap
from qtpy.QtWidgets import QComboBox, QFileDialog, QListWidget, QListWidgetItem

from septal_planner.inputs.series_summary import SeriesSummary
from septal_planner.inputs.volume import Volume
from septal_viewer.parts import Page, button, heading, row, words
from septal_viewer.planes import WINDOWS
from septal_viewer.worker import ListedSeries

THUMBNAIL_PX = 76


class OpeningPage(Page):
    """Tells what is wanted through the callbacks given."""

    def __init__(
        self,
        *,
        open_path: Callable[[Path], None],
        open_series: Callable[[ListedSeries], None],
        open_phases: Callable[[], None],
        open_phantom: Callable[[str], None],
        phantoms: Sequence[str],
        restore: Callable[[], None],
        discard: Callable[[], None],
    ) -> None:
        super().__init__()
        self._open_path, self._open_series = open_path, open_series
        self.folder = button("CT folder…", "Open a folder with DICOM files, nested or not (Alt+O)", main=True)
        self.file = button("CT file…", "Open a NIfTI, NRRD or MetaImage file, or one DICOM file")
        self.found = words(faint=True)
        self.series = QListWidget()
        self.series.setIconSize(QSize(THUMBNAIL_PX, THUMBNAIL_PX))
        self.series.setWordWrap(True)
        self.series.setMinimumHeight(260)
        self.series.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.choose = button("Open this series", "Read the series chosen above", main=True)
        self.phases = button("Open all phases", "Read every phase of this heartbeat, to run them as a cine")
        self.phantom = QComboBox()
        self.phantom.addItems(list(phantoms))
        self.phantom.setToolTip("Which invented heart")
        self.practice = button("Open", "Make an invented heart and mark its landmarks: to learn and to try out")
        self.kept = words()
        self.take_up = button("Take it up again", "Open that CT with the landmarks as they were", main=True)
        self.drop = button("Discard", "Forget the work that was kept")
        self.facts = words()

        add = self.column.addWidget
        self.kept_heading = heading("Work that was not saved")
        for widget in (self.kept_heading, self.kept):
            add(widget)
        self.column.addLayout(row(self.take_up, self.drop))
        add(heading("A patient's CT"))
        self.column.addLayout(row(self.folder, self.file))
        add(words("Or drop a folder or a file anywhere on this window. Nothing leaves this machine.", faint=True))
        self.series_heading = heading("Series in this folder")
        add(self.series_heading)
        add(self.found)
        add(self.series)
        self.column.addLayout(row(self.choose, self.phases))
        add(heading("An invented case, to learn"))
        self.column.addLayout(row(self.phantom, self.practice))
        self.column.setStretchFactor(self.phantom, 1)
        self.facts_heading = heading("Open now")
        for widget in (self.facts_heading, self.facts):
            add(widget)
        self.column.addStretch(1)

        self.folder.clicked.connect(self.ask_folder)
        self.file.clicked.connect(self.ask_file)
        self.practice.clicked.connect(lambda: open_phantom(self.phantom.currentText()))
        self.choose.clicked.connect(self._choose)
        self.phases.clicked.connect(open_phases)
        self.series.itemDoubleClicked.connect(self._choose)
        self.series.itemSelectionChanged.connect(self._selected)
        self.take_up.clicked.connect(restore)
        self.drop.clicked.connect(discard)
        self.offer_kept("")
        self.offer_series([])
        self.tell_volume(None, 0)

    def ask_folder(self) -> None:
        """Let a folder be chosen."""
        chosen = QFileDialog.getExistingDirectory(self, "Folder with a CT")
        if chosen:
            self._open_path(Path(chosen))

    def ask_file(self) -> None:
        """Let a file be chosen."""
        chosen, _ = QFileDialog.getOpenFileName(
            self, "CT file", "", "CT (*.dcm *.nii *.nii.gz *.nrrd *.nhdr *.mha *.mhd);;All files (*)"
        )
        if chosen:
            self._open_path(Path(chosen))

    # ------------------------------------------------------------------------------------------------- what there is

    def offer_kept(self, said: str) -> None:
        """Offer work kept from a session that ended without being saved; nothing for an empty text."""
        self.kept.setText(said)
        for widget in (self.kept_heading, self.kept, self.take_up, self.drop):
            widget.setVisible(bool(said))

    def offer_series(self, found: Sequence[ListedSeries]) -> None:
        """The series to choose from."""
        self.series.clear()
        for one in found:
            item = QListWidgetItem(_icon(one), describe(one.summary))
            item.setData(Qt.ItemDataRole.UserRole, one)
            if not one.summary.usable:
                item.setFlags(item.flags() & ~Qt.ItemFlag.ItemIsEnabled)
            item.setToolTip("\n".join([*one.summary.faults, *one.summary.notes]))
            self.series.addItem(item)
        usable = sum(1 for one in found if one.summary.usable)
        phases = phases_of(found)
        self.found.setText(f"{len(found)} found, {usable} fit to plan on; choose one." if found else "")
        for widget in (self.series_heading, self.found, self.series, self.choose):
            widget.setVisible(bool(found))
        self.phases.setVisible(len(phases) > 1)
        if found:
            self.series.setCurrentRow(0)
        self._selected()

    def offered(self) -> list[ListedSeries]:
        """What was offered."""
        return [self.series.item(i).data(Qt.ItemDataRole.UserRole) for i in range(self.series.count())]

    def tell_volume(self, volume: Volume | None, phases: int) -> None:
        """Facts of the CT that is open."""
        for widget in (self.facts_heading, self.facts):
            widget.setVisible(volume is not None)
        if volume is None:
            return
        i, j, k = volume.size_ijk
        step = np.linalg.norm(volume.lps_from_index[:3, :3], axis=0)
        phase = "not recorded" if volume.phase_percent is None else f"{volume.phase_percent:g} % of the RR interval"
        lines = [
            f"{i} × {j} × {k} voxels of {step[0]:.2f} × {step[1]:.2f} × {step[2]:.2f} mm",
            f"Cardiac phase {phase}" + (f", {phases} phases open" if phases > 1 else ""),
            f"Patient position {volume.patient_position or 'not recorded'}",
            *volume.notes,
        ]
        self.facts.setText("\n".join(lines))

    def _selected(self) -> None:
        item = self.series.currentItem()
        self.choose.setEnabled(item is not None and bool(item.flags() & Qt.ItemFlag.ItemIsEnabled))

    def _choose(self) -> None:
        item = self.series.currentItem()
        if item is not None and item.flags() & Qt.ItemFlag.ItemIsEnabled:
            self._open_series(item.data(Qt.ItemDataRole.UserRole))


def describe(s: SeriesSummary) -> str:
    """Three lines on a series."""
    phase = "phase not recorded" if s.phase_percent is None else f"{s.phase_percent:g} % RR"
    spacing = "" if s.spacing_mm is None else f", {s.spacing_mm[2]:.2g} mm apart"
    contrast = "contrast not judged"
    if s.contrast_seen is not None:
        contrast = "contrast seen" if s.contrast_seen else "no contrast seen"
    if s.opacification_hu is not None:
        contrast += f", about {s.opacification_hu:.0f} HU"
    lines = [s.description or "(no description)", f"{phase}; {s.slices} slices{spacing}", contrast]
    if not s.usable:
        lines.append("Not fit: " + s.faults[0])
    return "\n".join(lines)


def phases_of(found: Sequence[ListedSeries]) -> list[ListedSeries]:
    """Usable series of one size that differ by their phase, in its order: what can be run as a cine."""
    usable = [f for f in found if f.summary.usable and f.summary.phase_percent is not None]
    if not usable:
        return []
    first = usable[0].summary
    same = [f for f in usable if f.summary.size_ijk == first.size_ijk]
    by_phase = {f.summary.phase_percent: f for f in reversed(same)}
    return [by_phase[p] for p in sorted(by_phase, key=lambda p: p or 0.0)]


def _icon(one: ListedSeries) -> QIcon:
    if one.thumbnail is None:
        return QIcon()
    window = WINDOWS["blood"]
    hu = np.asarray(one.thumbnail, dtype=np.float32)
    grey = np.ascontiguousarray(np.clip((hu - window.low_hu) / window.width_hu * 255, 0, 255).astype(np.uint8))
    rows, columns = grey.shape
    image = QImage(grey.tobytes(), columns, rows, columns, QImage.Format.Format_Grayscale8)
    tall, wide = one.pixel_mm or (1.0, 1.0)
    size = np.array([columns * wide, rows * tall])
    size = size / size.max() * THUMBNAIL_PX
    return QIcon(QPixmap.fromImage(image).scaled(
        int(size[0]), int(size[1]), Qt.AspectRatioMode.IgnoreAspectRatio, Qt.TransformationMode.SmoothTransformation
    ))
