"""Signs, colours and line styles of the window. Nothing is told by colour alone: each state has a sign and a word,
each plane a line style of its own, each mark a shape. How things of the anatomy look is in `looks`.
"""

from __future__ import annotations

from dataclasses import dataclass

from qtpy.QtCore import Qt
from qtpy.QtGui import QColor

from septal_viewer.looks import ORANGE, PURPLE, SKY, WHITE, YELLOW


@dataclass(frozen=True)
class Sign:
    """A letter-sized sign, a colour for dark and one for light backgrounds, and the word said beside it."""

    sign: str
    on_dark: str
    on_light: str
    word: str

    def colour(self, dark: bool) -> str:
        return self.on_dark if dark else self.on_light


# of a check
STATUS = {
    "met": Sign("✓", "#35C79A", "#00704F", "met"),
    "borderline": Sign("◐", "#F0B323", "#8A5A00", "borderline"),
    "not met": Sign("✕", "#FF8A4D", "#B03A00", "not met"),
    "not assessed": Sign("–", "#B8BCC4", "#5A5F69", "not assessed"),
}
# of a landmark
STATE = {
    "placed": Sign("●", "#35C79A", "#00704F", "placed"),
    "missing": Sign("○", "#B8BCC4", "#5A5F69", "missing"),
    "doubtful": Sign("▲", "#F0B323", "#8A5A00", "doubtful"),
}
LOCKED = "locked"
SAID = {
    "error": Sign("✕", "#FF8A4D", "#B03A00", "Not done"),
    "note": Sign("•", "#8CC8F0", "#005A8C", "Note"),
}

# of each plane: colour of its line in the other views, and the dashes of that line
PLANE_LINES: dict[str, tuple[str, Qt.PenStyle]] = {
    "axial": (SKY, Qt.PenStyle.SolidLine),
    "coronal": (ORANGE, Qt.PenStyle.DashLine),
    "sagittal": (PURPLE, Qt.PenStyle.DashDotLine),
    "caval": (SKY, Qt.PenStyle.SolidLine),
    "short_axis": (PURPLE, Qt.PenStyle.DashDotLine),
    "four_chamber": (ORANGE, Qt.PenStyle.DashLine),
    "en_face": (YELLOW, Qt.PenStyle.DotLine),
}
OTHER_PLANE = (WHITE, Qt.PenStyle.DotLine)


def plane_line(name: str) -> tuple[QColor, Qt.PenStyle]:
    """Colour and dashes of a plane's line."""
    colour, dashes = PLANE_LINES.get(name, OTHER_PLANE)
    return QColor(colour), dashes
