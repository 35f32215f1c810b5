"""Files of page X-ray: frames and points opened and saved, the registration written; and its points in the flat views.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from qtpy.QtCore import QUrl
from qtpy.QtGui import QDesktopServices
from qtpy.QtWidgets import QFileDialog

from septal_viewer.overlay import Spot
from septal_viewer.page_table import TableCalls

if TYPE_CHECKING:
    from septal_viewer.window import PlannerPanel

CHOSEN_COLOUR, POINT_COLOUR = "#F0E442", "#FFFFFF"


class TableFiles:
    """Of one panel."""

    def __init__(self, panel: PlannerPanel) -> None:
        self.panel = panel
        self.table = panel.desk.table

    def calls(self) -> TableCalls:
        """What the page asks for."""
        actions = self.panel.actions_
        return TableCalls(
            open_frames=self.ask_frames, load_points=self.ask_points, save_points=self.save_points, write=self.write,
            open_folder=self.open_folder, at_cursor=actions.place_at_cursor, pick=self.panel.desk.pick,
            jump=actions.jump, look=self.panel.desk.sights.look_from,
        )  # fmt: skip

    def spots(self) -> Sequence[Spot]:
        """The points of the CT, while the page is shown."""
        if not self.table.active:
            return ()
        pairs = self.table.pairs
        return [
            Spot(np.asarray(at), CHOSEN_COLOUR if name == pairs.chosen else POINT_COLOUR, "x", name)
            for name, at in pairs.marks.places.items()
            if at is not None
        ]

    def take(self, paths: Sequence[Path]) -> bool:
        """Files that were dropped; whether they are for this page."""
        if any(p.is_dir() for p in paths):
            return False
        points = [p for p in paths if p.suffix.lower() == ".json"]
        if points and len(points) == len(paths):
            self.table.load_points(points)
            return True
        if points:
            self.panel.say("Frames and points were dropped together; drop the frames first, then the points.", "error")
            return True
        self.table.open_frames(paths)
        return True

    def ask_frames(self) -> None:
        """Choose XA files."""
        chosen, _ = QFileDialog.getOpenFileNames(self.panel, "X-ray frames", "", "DICOM (*.dcm *.DCM *.ima);;All (*)")
        if chosen:
            self.table.open_frames([Path(c) for c in chosen])

    def ask_points(self) -> None:
        """Choose points files."""
        chosen, _ = QFileDialog.getOpenFileNames(self.panel, "Points of the frames", "", "Points (*.json)")
        if chosen:
            self.table.load_points([Path(c) for c in chosen])

    def save_points(self) -> bool:
        """One points file a frame, into a folder; whether they were written."""
        chosen = QFileDialog.getExistingDirectory(self.panel, "Folder for the points")
        written = self.table.save_points(Path(chosen)) if chosen else []
        if written:
            self.panel.say(f"The points were written to {chosen}: {', '.join(p.name for p in written)}.", "note")
        return bool(written)

    def save_then(self, then: Callable[[], None]) -> None:
        """Save the points, and go on if they are."""
        if self.save_points():
            then()

    def write(self) -> None:
        """The registration's files, into a folder."""
        chosen = QFileDialog.getExistingDirectory(self.panel, "Folder for the registration")
        if chosen:
            self.table.register(Path(chosen))

    def open_folder(self) -> None:
        """Show what was written."""
        if self.table.written is not None:
            folder = self.table.written[0]
            if not QDesktopServices.openUrl(QUrl.fromLocalFile(str(folder))):
                self.panel.say(f"No program is set to open {folder}; open it by hand.", "error")
