"""The files that a plan is handed on as, whoever asks for them: the console program or the viewer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from septal_planner.pipeline import PlannedCase
from septal_planner.plan import save_plan
from septal_planner.proposed_views import frame_pictures, recommended
from septal_planner.report.label_image import write_labels
from septal_planner.report.pdf import write_pdf, write_quality
from septal_planner.report.picture_files import save_pictures
from septal_planner.report.pictures import render_pictures
from septal_planner.report.quality import with_quality_panel

PAPER = "a4"


def write_plan_files(
    case: PlannedCase,
    folder: Path,
    *,
    paper: str = PAPER,
    identity: bool = False,
    progress: Callable[[str], None] | None = None,
) -> None:
    """plan.json, labels.nii.gz and the printout into a folder that is there; the same case gives the same bytes.

    Each file is whole, not all of them together: write into `output_folder.staged`. Raises InputRefused where a file
    cannot be written.
    """
    say = progress or (lambda _text: None)
    say("Writing plan and labels")
    save_plan(case.plan, folder / "plan.json")
    write_labels(case.labels, case.chambers.lps_from_index, folder / "labels.nii.gz")
    say("Drawing the pictures and setting the pages")
    write_printout(case, folder, paper=paper, identity=identity)


def write_printout(case: PlannedCase, folder: Path, *, paper: str, identity: bool) -> None:
    """pictures/, quality.png and plan.pdf. The patient's identity is printed only where asked for, and where the CT
    tells it."""
    catheter = case.passage.catheter
    pictures = render_pictures(
        case.volume, case.landmarks, case.chambers, case.fossa, case.mitral, case.site,
        None if catheter is None else catheter.path_lps,
    )
    pictures = with_quality_panel(pictures, case.volume, case.labels, case.chambers, case.site.target_lps)
    views = recommended(case.plan)
    if views is not None:
        pictures = replace(pictures, shown=(*pictures.shown, *frame_pictures(case.plan, views[0], case.volume)))
    save_pictures(pictures, case.plan, folder / "pictures")
    write_quality(case.plan, pictures, folder / "quality.png")
    told = case.volume.identity if identity else None
    page = None if views is None else views[1]
    write_pdf(case.plan, pictures, folder / "plan.pdf", paper=paper, identity=told, views=page)
