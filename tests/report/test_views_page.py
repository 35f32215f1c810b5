"""The page of C-arm views in the printed plan: what stands on it, that it keeps to its page, the frames it shows."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from septal_planner.pipeline import PlannedCase
from septal_planner.plan import Plan, load_plan
from septal_planner.proposed_views import frame_pictures, recommended, views_page
from septal_planner.report.pdf import pdf_bytes
from septal_planner.report.picture import Pictures
from septal_planner.report.picture_files import load_pictures, save_pictures
from septal_planner.report.views_page import VIEW_NAMES, ViewsPage
from septal_planner.simulated_xray import SOURCE_DETECTOR_MM, SOURCE_ISOCENTER_MM

OLD = Path(__file__).parents[1] / "old_plans" / "schema-1-phantom.json"
needs_poppler = pytest.mark.skipif(
    any(shutil.which(tool) is None for tool in ("pdftotext", "pdfinfo")), reason="poppler's tools are not here"
)


@pytest.fixture(scope="module")
def page(case: PlannedCase) -> ViewsPage:
    found = recommended(case.plan)
    assert found is not None
    return found[1]


@pytest.fixture(scope="module")
def with_frames(case: PlannedCase, pictures: Pictures) -> Pictures:
    found = recommended(case.plan)
    assert found is not None
    return replace(pictures, shown=(*pictures.shown, *frame_pictures(case.plan, found[0], case.volume)))


def pages_of(data: bytes, folder: Path) -> list[str]:
    (folder / "set.pdf").write_bytes(data)
    call = ["pdftotext", "-layout", str(folder / "set.pdf"), "-"]
    said = subprocess.run(call, capture_output=True, check=True).stdout.decode()
    return [" ".join(text.replace("\u00a0", " ").split()) for text in said.split("\f")[:-1]]


@needs_poppler
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_views_have_a_page_before_the_signatures(
    paper: str, case: PlannedCase, with_frames: Pictures, page: ViewsPage, tmp_path: Path
) -> None:
    told = pages_of(pdf_bytes(case.plan, with_frames, tmp_path, paper=paper, views=page), tmp_path)
    assert len(told) == 8
    assert told[6].startswith("C-arm views")
    assert told[7].startswith("Checks")
    assert case.views is not None
    # the angles of page one, made by other functions, are on the page too
    for name, view in case.views.items():
        assert view.label in told[6], name
    for words in ("Choice 1", "Biplane", "gapes by up to", "fossa edge-on", "spine", "not a medical device",
                  "simulated from the CT"):
        assert words in told[6], words
    assert "not shown as they will look" not in told[6]


@needs_poppler
def test_many_planes_keep_to_one_page(case: PlannedCase, with_frames: Pictures, tmp_path: Path) -> None:
    turn = np.arange(3) * 2 * np.pi / 3
    ring = np.stack([12 * np.cos(turn), 12 * np.sin(turn), 0 * turn], axis=1)
    tilted = ring @ np.array([[0.8, 0, 0.6], [0, 1, 0], [-0.6, 0, 0.8]]).T
    marks = {"aortic_annulus": ring - [0, 20, 0], "old_ring": tilted + [10, 0, 0]}
    placed = {k: tuple(tuple(float(x) for x in p) for p in v + case.site.target_lps) for k, v in marks.items()}
    plan = case.plan.model_copy(update={"landmarks": {**case.plan.landmarks, **placed}})
    found = recommended(plan)
    assert found is not None
    third = replace(with_frames.shown[-1], name=VIEW_NAMES[2])
    shown = Pictures((*with_frames.shown, third))
    for paper in ("a4", "letter"):
        told = pages_of(pdf_bytes(plan, shown, tmp_path, paper=paper, views=found[1]), tmp_path)
        assert [text[:11] for text in told[6:]] == ["C-arm views", "Checks, and"]
        assert "more views" in told[6]


def test_same_arguments_same_bytes(
    case: PlannedCase, with_frames: Pictures, page: ViewsPage, tmp_path: Path
) -> None:
    found = recommended(case.plan)
    assert found is not None
    again = replace(
        with_frames, shown=(*with_frames.shown[: -len(found[0].choices[0].candidates)],
                            *frame_pictures(case.plan, found[0], case.volume)),
    )
    assert again == with_frames
    assert found[1] == page
    one, other = (pdf_bytes(case.plan, p, tmp_path, views=v) for p, v in ((with_frames, page), (again, found[1])))
    assert one == other


@needs_poppler
def test_printed_again_from_what_was_saved(
    case: PlannedCase, with_frames: Pictures, page: ViewsPage, tmp_path: Path
) -> None:
    save_pictures(with_frames, case.plan, tmp_path / "pictures")
    back = load_pictures(tmp_path / "pictures", case.plan)
    assert back == with_frames
    (tmp_path / "pictures" / "view_1.png").unlink()
    (tmp_path / "pictures" / "view_2.png").unlink()
    bare = load_pictures(tmp_path / "pictures", case.plan)
    told = pages_of(pdf_bytes(case.plan, bare, tmp_path, views=page), tmp_path)
    assert "not shown as they will look" in told[6]
    assert "Choice 1" in told[6]


def test_the_target_stands_in_the_middle_of_each_frame(case: PlannedCase, with_frames: Pictures) -> None:
    """The isocentre is the target, and the isocentre is where the central ray meets the detector, at every angle."""
    frames = [p for p in with_frames.shown if p.name in VIEW_NAMES]
    assert frames
    for p in frames:
        rgb = np.asarray(Image.open(BytesIO(p.png)).convert("RGB"), dtype=np.int64)
        assert rgb.shape[:2] == p.size_px
        pink = np.abs(rgb - [0xFF, 0x6F, 0xBF]).sum(axis=-1) < 12
        middle = (np.array(p.size_px) - 1) / 2
        row, column = np.nonzero(pink)
        near = np.hypot(row - middle[1], column - middle[0]) < 30
        at = np.array([column[near].mean(), row[near].mean()])
        np.testing.assert_allclose(at, middle, atol=1.5)
        # a detector 220 mm wide, made smaller by the cone beam (intercept theorem)
        assert p.size_mm[0] == pytest.approx(220 * SOURCE_ISOCENTER_MM / SOURCE_DETECTOR_MM)


@needs_poppler
def test_no_page_where_the_patient_was_not_supine(case: PlannedCase, pictures: Pictures, tmp_path: Path) -> None:
    plan = case.plan.model_copy(update={"views": None})
    assert recommended(plan) is None
    assert len(pages_of(pdf_bytes(plan, pictures, tmp_path), tmp_path)) == 7


def test_the_doubt_is_that_of_the_marks_the_plan_was_made_with() -> None:
    def doubts(plan: Plan) -> list[float]:
        found = recommended(plan)
        assert found is not None
        return [c.sd_deg[1] for c in found[0].candidates if c.name == "mitral annulus edge-on" and c.sd_deg]

    plan = load_plan(OLD)
    assert plan.landmark_sd_mm is None  # it was written before that was kept
    (usual,), (twice,) = doubts(plan), doubts(plan.model_copy(update={"landmark_sd_mm": 2.0}))
    assert twice == pytest.approx(2 * usual, rel=0.02)  # first order in the marks' doubt


def test_a_page_of_no_reachable_view_says_so() -> None:
    found = recommended(load_plan(OLD))
    assert found is not None
    from septal_planner.fluoroscopy.limits import Room, Zone

    nowhere = Room(Zone((0, 0.1), (0, 0.1)), Zone((0, 0.1), (0, 0.1)), (), (), 22, 6, 10, 0.05)
    page = views_page([], nowhere, replace(found[0], choices=(), biplane=None))
    assert page.choices == (("None of these views is within the arm's limits.", ()),)
