"""What stands on the page of C-arm views, be it in the printable plan or alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from septal_planner.report.picture import Picture

VIEW_NAMES = ("view_1", "view_2", "view_3")  # pictures of the chosen views, kept beside a plan under these names
ALT = "Simulated fluoroscopy, "
CHART = "chart.svg"


@dataclass(frozen=True)
class ViewsPage:
    """What stands on the page beside the simulated frames: the chart as SVG; the choices and the price of missing
    them, each a heading with its lines; each view as its row of the table; what must be said with them.
    """

    chart_svg: bytes
    choices: tuple[tuple[str, tuple[str, ...]], ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...]


def page_content(page: ViewsPage, frames: Sequence[Picture], *, most_rows: int | None = None) -> dict[str, Any]:
    """The page as views_page.typ reads it; `frames` are the simulated views, of which only those named in VIEW_NAMES
    count. Of the table at most so many rows.
    """
    shown = [p for p in frames if p.name in VIEW_NAMES]
    notes = list(page.notes)
    if shown:
        notes.append("The pictures are simulated from the CT with the plan drawn over them, and no exposures.")
    else:
        notes.append("The views are not shown as they will look: that needs the CT, which was not at hand.")
    rows = page.rows[:most_rows]
    if len(rows) < len(page.rows):
        notes.append(f"{len(page.rows) - len(rows)} more views, in the order of `septal-planner views`, are left out.")
    return {
        "subtitle": "Which angles show fossa, annuli and catheter path, how sure they are, and what they will look "
        "like. Angles hold for a patient lying as in the CT.",
        "chart_alt": "Edge-on curves over LAO/RAO and CRA/CAU",
        "choices": [
            {"title": heading.replace(" degrees", "°"), "lines": [line.replace(" degrees", "°") for line in lines]}
            for heading, lines in page.choices
        ],
        "rows": [[cell.replace("+-", "±") for cell in row] for row in rows],
        "notes": notes,
        "frames": [
            {"file": f"{p.name}.png", "title": p.title, "caption": p.caption, "alt": ALT + p.title} for p in shown
        ],
    }
