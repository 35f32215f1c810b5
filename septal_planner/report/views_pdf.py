"""The page of C-arm views, set by typst into a tagged PDF/A of its own."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path

from septal_planner.errors import InputRefused
from septal_planner.report.pdf import FONTS, HERE, PAPERS
from septal_planner.report.picture import Picture
from septal_planner.report.views_page import CHART, ViewsPage, page_content


def views_pdf(
    page: ViewsPage, frames: Sequence[Picture], scratch: Path, *, footer: str, paper: str = "a4"
) -> bytes:
    """A PDF of the page alone; the same arguments give the same bytes. `scratch` is a folder in which files may stand
    meanwhile. Raises InputRefused where that is not possible, ValueError for a paper other than "a4" or "letter".
    """
    import typst

    if paper not in PAPERS:
        raise ValueError(f"the paper {paper!r} is not one of {', '.join(PAPERS)}")
    try:
        with tempfile.TemporaryDirectory(prefix=".unfinished-", dir=scratch) as folder:
            root = Path(folder)
            for name in ("views.typ", "views_page.typ"):
                shutil.copyfile(HERE / name, root / name)
            (root / CHART).write_bytes(page.chart_svg)
            for p in frames:
                (root / f"{p.name}.png").write_bytes(p.png)
            told = {**page_content(page, frames), "paper": PAPERS[paper], "footer": footer}
            (root / "content.json").write_text(json.dumps(told, ensure_ascii=False), "utf-8")
            return bytes(
                typst.compile(
                    str(root / "views.typ"), root=str(root), font_paths=[str(FONTS)], ignore_system_fonts=True,
                    format="pdf", pdf_standards="a-2a",
                )
            )
    except (typst.TypstError, OSError) as problem:
        said = " ".join(str(problem).split())
        raise InputRefused(f"The page of views cannot be made in {scratch} ({said}); give another folder.") from problem
