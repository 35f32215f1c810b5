"""The printable plan: words and pictures set by typst into a tagged PDF/A with its fonts inside."""

from __future__ import annotations

import datetime
import json
import shutil
import tempfile
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from functools import lru_cache
from pathlib import Path
from typing import Any

from PIL import ImageFont

from septal_planner.errors import InputRefused
from septal_planner.output_folder import is_disk_full, write_whole
from septal_planner.plan import Plan, as_saved
from septal_planner.report.picture import Picture, Pictures
from septal_planner.report.quality import QUALITY_ORDER
from septal_planner.report.views_page import CHART, ViewsPage
from septal_planner.report.views_page import page_content as views_content
from septal_planner.report.words import page_content
from septal_planner.report.words_crossing import crossing_words

HERE = Path(__file__).parent
FONTS = HERE / "fonts"
PAPERS = {"a4": "a4", "letter": "us-letter", "us-letter": "us-letter"}
# PDF/A asks for a date in the file. Where none is given this one stands there, so that the same plan gives the same
# bytes; it is printed nowhere.
NO_DATE = datetime.date(2000, 1, 1)
QUALITY_PPI = 200.0
MOST_VIEWS = 14  # rows of the table of C-arm views, so that it keeps to its page


def write_pdf(
    plan: Plan,
    pictures: Pictures,
    path: Path,
    *,
    paper: str = "a4",
    identity: Mapping[str, str] | None = None,
    date: datetime.date | None = None,
    views: ViewsPage | None = None,
) -> None:
    """Write the printable plan, whole or not at all; the same arguments give the same bytes.

    `identity` (what to print of the patient, by its name) and `date` are left as lines to fill in where None. `views`
    gives the page of C-arm views, its simulated frames being among the pictures. Raises InputRefused where the file
    cannot be written, ValueError for a paper other than "a4" or "letter".
    """
    write_whole(path, pdf_bytes(plan, pictures, path.parent, paper=paper, identity=identity, date=date, views=views))


def pdf_bytes(
    plan: Plan,
    pictures: Pictures,
    scratch: Path,
    *,
    paper: str = "a4",
    identity: Mapping[str, str] | None = None,
    date: datetime.date | None = None,
    views: ViewsPage | None = None,
) -> bytes:
    """The PDF as bytes; `scratch` is a folder in which files may stand meanwhile. Raises as `write_pdf`."""
    if paper not in PAPERS:
        raise ValueError(f"the paper {paper!r} is not one of {', '.join(PAPERS)}")
    plan = as_saved(plan)  # the same pages now and when they are printed again
    content = page_content(plan, pictures, identity=identity, date=date)
    content |= {"crossing": crossing_words(plan)}
    content |= {"paper": PAPERS[paper], "metadata_date": list((date or NO_DATE).timetuple()[:3])}
    beside = {} if views is None else {CHART: views.chart_svg}
    content["views_page"] = None if views is None else views_content(views, pictures.shown, most_rows=MOST_VIEWS)
    for row in content["identity"]:
        if _printable(row[1]) != row[1]:
            row[1] += " (? stands for what cannot be printed)"
    # PDF/A, ISO 19005-2, level A: tagged
    return _set("plan.typ", content, pictures.shown, scratch, beside, format="pdf", pdf_standards="a-2a")


def write_quality(plan: Plan, pictures: Pictures, path: Path) -> None:
    """Write the quality panel as a PNG, whole or not at all; the same arguments give the same bytes. No patient
    identity. Raises InputRefused where the file cannot be written."""
    content = page_content(plan, pictures)
    shown = [p for p in pictures.shown if p.name in QUALITY_ORDER]
    write_whole(path, _set("quality.typ", content, shown, path.parent, format="png", ppi=QUALITY_PPI))


def _set(
    template: str, content: dict[str, Any], shown: Sequence[Picture], scratch: Path,
    beside: Mapping[str, bytes] | None = None, **how: Any
) -> bytes:
    """A page or pages of `content` set by a template, its pictures and other files beside it in a folder that goes
    away."""
    import typst

    content["drawn"] = {p.name: drawn(p) for p in shown}
    try:
        with tempfile.TemporaryDirectory(prefix=".unfinished-", dir=scratch) as folder:
            root = Path(folder)
            for file in sorted(HERE.glob("*.typ")):
                shutil.copyfile(file, root / file.name)
            (root / "content.json").write_text(json.dumps(_printable(content), ensure_ascii=False), "utf-8")
            for p in shown:
                (root / f"{p.name}.png").write_bytes(p.png)
            for name, kept in (beside or {}).items():
                (root / name).write_bytes(kept)
            return bytes(
                typst.compile(
                    str(root / template), root=str(root), font_paths=[str(FONTS)], ignore_system_fonts=True, **how
                )
            )
    except typst.TypstError as problem:
        said = " ".join(str(problem).split())
        raise InputRefused(
            f"The plan cannot be set as pages ({said}); give a plan.json as `septal-planner plan` writes it."
        ) from problem
    except OSError as problem:
        why = "the disk is full" if is_disk_full(problem) else problem.strerror or str(problem)
        raise InputRefused(
            f"The printable plan cannot be made in {scratch} ({why}); give another folder or make room."
        ) from problem


def drawn(p: Picture) -> dict[str, Any]:
    """A picture as figures.typ draws it."""
    return {
        "file": f"{p.name}.png", "title": p.title, "caption": p.caption, "size": list(p.size_mm),
        "edges": dict(p.edges), "marks": [asdict(m) for m in p.marks],
    }


def _printable(value: Any) -> Any:
    """Texts without letters that the fonts lack, which PDF/A does not allow: those become question marks."""
    if isinstance(value, str):
        return "".join(c if _has_glyph(c) else " " if c.isspace() else "?" for c in value)
    if isinstance(value, dict):
        return {k: _printable(v) for k, v in value.items()}
    return [_printable(v) for v in value] if isinstance(value, (list, tuple)) else value


@lru_cache(maxsize=4096)
def _has_glyph(c: str) -> bool:
    if " " <= c <= "~" or c == "\u00a0":
        return True
    if unicodedata.category(c).startswith("C"):  # control, format, unassigned: no shape, and some break the layout
        return False
    font = ImageFont.truetype(str(FONTS / "OpenSans-Regular.ttf"), 40)
    shape, missing = font.getmask(c), font.getmask("\uffff")
    return (shape.size, bytes(shape)) != (missing.size, bytes(missing)) and shape.size[0] > 0
