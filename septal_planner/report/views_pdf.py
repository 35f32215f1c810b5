"""The page of C-arm views, set by typst into a tagged PDF/A."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from septal_planner.errors import InputRefused
from septal_planner.report.pdf import FONTS, HERE, PAPERS


def views_pdf(
    chart_svg: bytes,
    content: Mapping[str, Any],
    frames: Sequence[tuple[str, str, bytes]],
    scratch: Path,
    *,
    paper: str = "a4",
) -> bytes:
    """The page as bytes; the same arguments give the same bytes. `content` as views.typ reads it; `frames`: title,
    caption and PNG. `scratch` is a folder in which files may stand meanwhile. Raises InputRefused where that is not
    possible, ValueError for a paper other than "a4" or "letter".
    """
    import typst

    if paper not in PAPERS:
        raise ValueError(f"the paper {paper!r} is not one of {', '.join(PAPERS)}")
    shown = [
        {"file": f"frame-{n}.png", "title": title, "caption": caption, "alt": f"Simulated fluoroscopy, {title}"}
        for n, (title, caption, _png) in enumerate(frames)
    ]
    try:
        with tempfile.TemporaryDirectory(prefix=".unfinished-", dir=scratch) as folder:
            root = Path(folder)
            shutil.copyfile(HERE / "views.typ", root / "views.typ")
            (root / "chart.svg").write_bytes(chart_svg)
            for n, (_title, _caption, png) in enumerate(frames):
                (root / f"frame-{n}.png").write_bytes(png)
            told = {**content, "frames": shown, "paper": PAPERS[paper]}
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
