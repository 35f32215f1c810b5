"""Landmarks, plans and pictures to and from files, and handing a file to the system."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from qtpy.QtCore import QProcess, QUrl
from qtpy.QtGui import QDesktopServices, QImage
from qtpy.QtWidgets import QFileDialog, QWidget

from septal_planner.errors import InputRefused
from septal_planner.output_folder import staged
from septal_viewer.autosave import Kept, discard, find_kept
from septal_viewer.worker import HandedOn

if TYPE_CHECKING:
    from septal_viewer.window import PlannerPanel

PRINT_DPI = 300
INCH_MM = 25.4
PICTURE_MM = 150.0  # wide on paper


class Files:
    """Of one panel."""

    def __init__(self, panel: PlannerPanel) -> None:
        self.panel = panel
        self.kept: list[Kept] = []
        self._printing: QProcess | None = None

    # ------------------------------------------------------------------------------------------------- landmarks, plans

    def open_landmarks(self) -> None:
        """Choose and read landmarks.json."""
        chosen, _ = QFileDialog.getOpenFileName(self.panel, "Landmarks", "", "Landmarks (*.json)")
        if chosen:
            self.panel.desk.open_json(Path(chosen))

    def save_landmarks(self) -> None:
        """Choose where, and write landmarks.json."""
        self._save_landmarks()

    def _save_landmarks(self) -> bool:
        chosen, _ = QFileDialog.getSaveFileName(self.panel, "Save landmarks", "landmarks.json", "Landmarks (*.json)")
        if not chosen:
            return False
        done = self.panel.desk.session.save_landmarks(Path(chosen))
        if done:
            self.panel.say(f"The landmarks were written to {chosen}.", "note")
        return done

    def save_then(self, then: Callable[[], None]) -> None:
        """Save the landmarks, and go on if they are."""
        if self._save_landmarks():
            then()

    def open_plan(self) -> None:
        """Choose and read plan.json."""
        chosen, _ = QFileDialog.getOpenFileName(self.panel, "A saved plan", "", "Plan (*.json)")
        if chosen:
            self.panel.desk.open_json(Path(chosen))

    # ------------------------------------------------------------------------------------------------- the plan

    def save_plan(self) -> None:
        """Write the plan into the folder chosen, which is asked for the first time."""
        page = self.panel.handing
        if page.folder is None:
            page.ask_folder()
        if page.folder is not None:
            self.panel.desk.save_plan(
                page.folder, paper=str(page.paper.currentData()), identity=page.identity.isChecked()
            )

    def handed_on(self, done: HandedOn) -> None:
        """The files are there."""
        self.panel.handing.written(done.paths)
        self.panel.tell()

    def show(self, name: str) -> None:
        """A file of the plan, or its folder, in the program set for it."""
        folder = self.panel.handing.folder
        if folder is not None and not QDesktopServices.openUrl(QUrl.fromLocalFile(str(folder / name))):
            self.panel.say(f"No program is set to open {folder / name}; open it by hand.", "error")

    def print_plan(self) -> None:
        """Send plan.pdf to the system's printer."""
        folder = self.panel.handing.folder
        if folder is not None:
            self._printing = send_to_printer(
                folder / "plan.pdf",
                lambda fault: self.panel.say(
                    fault or "plan.pdf was sent to the printer.", "error" if fault else "note"
                ),
            )

    # ------------------------------------------------------------------------------------------------- pictures

    def save_pictures(self) -> None:
        """The flat views and the 3-D view at print size, into the plan's folder or one that is asked for."""
        page = self.panel.handing
        if page.folder is None:
            page.ask_folder()
        if page.folder is not None:
            try:
                names = write_pictures(self.panel, page.folder)
            except InputRefused as problem:
                self.panel.say(str(problem), "error")
                return
            self.panel.say(f"{len(names)} pictures were written to {page.folder}.", "note")

    # ------------------------------------------------------------------------------------------------- kept work

    def look_for_kept(self) -> None:
        """Offer what an earlier session left."""
        self.kept, faults = find_kept(self.panel.state_folder)
        for fault in faults:
            self.panel.say(fault, "note")
        self.panel.opening.offer_kept(self.kept[0].words if self.kept else "")

    def take_up(self) -> None:
        """Open the CT of kept work, and its marks on it."""
        if not self.kept:
            return
        kept = self.kept[0]
        if kept.phantom is not None:
            self.panel.desk.open_phantom(kept.phantom, then=lambda: self._restored(kept))
            return
        if kept.ct is None or not kept.ct.exists():
            self._restored(kept)  # says what is missing
            return
        self.panel.desk.source = kept.ct
        self.panel.desk.read(kept.ct, kept.series_uid, then=lambda: self._restored(kept))

    def _restored(self, kept: Kept) -> None:
        if self.panel.autosave.restore(kept):
            self.panel.desk.sights.go_to_marked()
            self.panel.show_page("marking")
            self.panel.say("Your work is here again; it is not saved yet.", "note")
            if kept.pairs is not None and kept.pairs.runs:
                self.panel.desk.table.open_frames(kept.pairs.runs)
        self.look_for_kept()

    def discard(self) -> None:
        """Forget kept work."""
        if self.kept:
            discard(self.kept[0])
        self.look_for_kept()


def write_pictures(panel: PlannerPanel, folder: Path) -> list[str]:
    """One PNG a view, PICTURE_MM wide at PRINT_DPI, all or none; their names. Raises InputRefused where the folder
    cannot be written."""
    pictures = {
        f"view_{view.name}.png": _grab(view.canvas)
        for view in panel.desk.views.views
        if view.plane is not None and view.isVisible()
    }
    shot = panel.viewer.screenshot(canvas_only=True, flash=False, scale=_scale(panel))
    rows, columns, _ = shot.shape
    pictures["view_3d.png"] = QImage(shot.tobytes(), columns, rows, 4 * columns, QImage.Format.Format_RGBA8888).copy()
    dots = round(PRINT_DPI / INCH_MM * 1000)
    with staged(folder) as fresh:
        for name, image in pictures.items():
            image.setDotsPerMeterX(dots)
            image.setDotsPerMeterY(dots)
            if not image.save(str(fresh / name)):
                raise InputRefused(f"The picture {folder / name} could not be written; choose another folder.")
    return list(pictures)


def _scale(panel: PlannerPanel) -> float:
    wide = int(panel.viewer.window._qt_viewer.canvas.native.width())
    return max(1.0, PICTURE_MM / INCH_MM * PRINT_DPI / max(1, wide))


def _grab(widget: QWidget) -> QImage:
    """A widget painted anew at print size, not enlarged."""
    ratio = PICTURE_MM / INCH_MM * PRINT_DPI / max(1, widget.width())
    image = QImage(round(widget.width() * ratio), round(widget.height() * ratio), QImage.Format.Format_RGB32)
    image.setDevicePixelRatio(ratio)
    widget.render(image)
    image.setDevicePixelRatio(1.0)
    return image


def send_to_printer(pdf: Path, told: Callable[[str], None]) -> QProcess | None:
    """Hand a file to the system's print command, which runs beside the window; `told` is called with what went wrong,
    in one sentence, or with an empty text. Keep the process that is returned until then."""
    if not pdf.exists():
        told(f"{pdf} is not there any more; save the plan again.")
        return None
    if sys.platform == "win32":
        try:
            os.startfile(pdf, "print")
            told("")
        except OSError as problem:
            told(f"{pdf} could not be printed ({problem}); open it and print it from there.")
        return None
    command = shutil.which("lp") or shutil.which("lpr")
    if command is None:
        told("This machine has no print command (lp or lpr); open the plan and print it from there.")
        return None
    process = QProcess()

    def ended() -> None:
        said = " ".join(bytes(process.readAllStandardError().data()).decode(errors="replace").split())
        bad = process.exitStatus() != QProcess.ExitStatus.NormalExit or process.exitCode() != 0
        why = said or "no reason given"
        told(f"The printer refused the plan ({why}); open it and print it from there." if bad else "")

    def not_begun(problem: QProcess.ProcessError) -> None:
        if problem == QProcess.ProcessError.FailedToStart:
            told(f"{command} could not be started; open the plan and print it from there.")

    process.finished.connect(lambda *_: ended())
    process.errorOccurred.connect(not_begun)
    process.start(command, [str(pdf)])
    return process
