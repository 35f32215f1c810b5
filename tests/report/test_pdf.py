"""The printed plan: standards, fonts, text, bytes, and nobody's name unless asked."""

from __future__ import annotations

import errno
import json
import os
import re
import shutil
import subprocess
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from septal_planner.errors import InputRefused
from septal_planner.pipeline import PlannedCase
from septal_planner.plan import Plan, build_plan, load_plan, plan_as_json
from septal_planner.report import pdf
from septal_planner.report.pdf import pdf_bytes, write_pdf
from septal_planner.report.picture import Mark, Picture, Pictures

OLD_PLANS = Path(__file__).parents[1] / "old_plans"
IDENTITY = {"name": "INVENTED^PERSON^Żofia", "id": "NR-4711", "birth_date": "1950-01-31"}
needs_poppler = pytest.mark.skipif(
    any(shutil.which(tool) is None for tool in ("pdffonts", "pdftotext", "pdfinfo")),
    reason="poppler's tools are not here",
)


@pytest.fixture
def plan(case: PlannedCase) -> Plan:
    return case.plan


def text_of(path: Path, *, page: int | None = None) -> str:
    pages = [] if page is None else ["-f", str(page), "-l", str(page)]
    call = ["pdftotext", "-layout", *pages, str(path), "-"]
    found = subprocess.run(call, capture_output=True, check=True).stdout.decode()
    return " ".join(found.replace("\u00a0", " ").split())


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_same_plan_same_bytes(paper: str, plan: Plan, pictures: Pictures, tmp_path: Path) -> None:
    write_pdf(plan, pictures, tmp_path / "a.pdf", paper=paper)
    (tmp_path / "other").mkdir()
    write_pdf(plan, pictures, tmp_path / "other" / "b.pdf", paper=paper)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "other" / "b.pdf").read_bytes()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.pdf", "other"]


def test_is_tagged_pdf_a(plan: Plan, pictures: Pictures, tmp_path: Path) -> None:
    data = pdf_bytes(plan, pictures, tmp_path)
    # ISO 19005-2: 6.6.4 version and conformance level in the metadata, 6.2.3 output intent; ISO 32000-1 14.8 tagged PDF
    assert re.search(rb"<pdfaid:part>2</pdfaid:part>", data)
    assert re.search(rb"<pdfaid:conformance>A</pdfaid:conformance>", data)
    assert b"/OutputIntents" in data
    assert b"/StructTreeRoot" in data
    assert re.search(rb"/Marked true", data)
    assert b"/JavaScript" not in data


@needs_poppler
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_fonts_are_inside_and_text_can_be_selected(paper: str, plan: Plan, pictures: Pictures, tmp_path: Path) -> None:
    path = tmp_path / "plan.pdf"
    write_pdf(plan, pictures, path, paper=paper)
    fonts = subprocess.run(["pdffonts", str(path)], capture_output=True, text=True, check=True).stdout.splitlines()[2:]
    assert len(fonts) >= 2
    for line in fonts:
        assert "OpenSans" in line
        assert line.split()[-5:-2] == ["yes", "yes", "yes"]  # embedded, subset, mapped to Unicode
    info = subprocess.run(["pdfinfo", str(path)], capture_output=True, text=True, check=True).stdout
    size = {"a4": (595, 842), "letter": (612, 792)}[paper]
    width, height = map(float, re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", info).groups())  # type: ignore[union-attr]
    assert (round(width), round(height)) == size
    assert "Pages:           7" in info


@needs_poppler
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_first_page_holds_everything_for_the_table(
    paper: str, case: PlannedCase, plan: Plan, pictures: Pictures, tmp_path: Path
) -> None:
    path = tmp_path / "plan.pdf"
    write_pdf(plan, pictures, path, paper=paper, identity=IDENTITY)
    first = text_of(path, page=1)
    site = case.site
    for words in (
        f"{site.height_mm:.1f} mm", f"{site.height_interval_95_mm[0]:.1f} to {site.height_interval_95_mm[1]:.1f} mm",
        "above the mitral annular plane", site.zone, "Distance to the aorta", f"{site.distance_to_aorta_mm:.1f} mm",
        "Free path to the posterior wall", "Fossa en face", "Caval long axis", "Short axis at the aortic valve",
        "Four-chamber", "10 mm", "Letters at the edges",
        *[view.label for view in (case.views or {}).values()], *(f"{abs(v):.1f}" for v in site.target_lps),
    ):
        assert words in first, words
    for page in range(1, 8):
        text = text_of(path, page=page)
        assert "not a medical device" in text
        assert "local protocol and licensed practice come first" in text
    rest = text_of(path)
    for words in ("Operator: name, signature, date", "Second reader", "practice value, edit locally"):
        assert words in rest
    assert plan.ct.content_sha256[:20] in rest
    for caution in plan.cautions:
        assert " ".join(caution.split())[:60] in rest


@needs_poppler
def test_the_fullest_first_page_stays_one_page(plan: Plan, pictures: Pictures, tmp_path: Path) -> None:
    crowded = plan.model_dump()
    crowded["puncture"] |= {"target_source": "user", "moved_mm": 7.25}
    crowded["read_first"] = (
        "The sheath meets the septum at 58 degrees from its normal, more than the 45 asked for.",
        "The bend needs a radius of 15 mm, tighter than the 20 mm asked for.",
        "The arc would have to turn by 190 degrees, more than half a circle.",
        "One arc ends 45 degrees off the axis of the valve, more than the 20 asked for: a second bend is needed.",
        "The arc leaves the left atrial blood pool.",
    )
    for paper in ("a4", "letter"):
        write_pdf(Plan.model_validate(crowded), pictures, tmp_path / "plan.pdf", paper=paper, identity=IDENTITY)
        assert "Letters at the edges" in text_of(tmp_path / "plan.pdf", page=1)
        starts = ("Where to cross", "How sure", "The way there", "Labels over the CT", "All measurements", "Checks")
        for page, words in enumerate(starts, 2):
            assert text_of(tmp_path / "plan.pdf", page=page).startswith(words)


@needs_poppler
def test_prints_without_pictures_and_from_the_least_plan(tmp_path: Path) -> None:
    for path in OLD_PLANS.glob("*.json"):
        write_pdf(load_plan(path), Pictures((), {"four_chamber": "Not shown: a reason."}), tmp_path / "plan.pdf")
        first = text_of(tmp_path / "plan.pdf", page=1)
        assert "Not shown: a reason." in first
        assert first.count("Not shown") == 4


@needs_poppler
def test_no_name_unless_asked(case: PlannedCase, pictures: Pictures, tmp_path: Path) -> None:
    known = replace(case.volume, identity=IDENTITY, source="INVENTED_PERSON.nii.gz")
    plan = build_plan(
        volume=known, landmarks=case.landmarks, procedure=case.procedure, mitral=case.mitral, tricuspid=case.tricuspid,
        chambers=case.chambers, fossa=case.fossa, site=case.site, views=case.views, measurements=case.measurements,
        cautions=case.cautions,
    )
    write_pdf(plan, pictures, tmp_path / "plan.pdf")
    printed = (tmp_path / "plan.pdf").read_bytes().decode("latin-1")
    for text in (plan_as_json(plan), text_of(tmp_path / "plan.pdf"), printed):
        for secret in ("INVENTED", "PERSON", "NR-4711", "1950-01"):
            assert secret not in text
    assert "Patient (to be filled in)" in text_of(tmp_path / "plan.pdf", page=1)
    write_pdf(plan, pictures, tmp_path / "plan.pdf", identity=IDENTITY)
    first = text_of(tmp_path / "plan.pdf", page=1)
    for told in ("INVENTED, PERSON Żofia", "NR-4711", "1950-01-31"):
        assert told in first
    assert "to be filled in" in first  # the date


@needs_poppler
def test_letters_that_no_font_has_are_owned_up_to(plan: Plan, tmp_path: Path) -> None:
    write_pdf(plan, Pictures(()), tmp_path / "plan.pdf", identity={"name": "山田^太郎", "id": "1"})
    assert "? stands for what cannot be printed" in text_of(tmp_path / "plan.pdf", page=1)


@pytest.mark.parametrize("k_mm", [40.0, 92.0])
def test_marks_are_set_by_the_pictures_own_scale(k_mm: float, tmp_path: Path) -> None:
    """A picture printed alone: its target's dot stands where the picture's millimetres say, at any printed width."""
    import typst

    grey = BytesIO()
    Image.fromarray(np.zeros((320, 320), np.uint8)).save(grey, "PNG")
    (tmp_path / "one.png").write_bytes(grey.getvalue())
    at = (61.0, 22.5)
    edges = dict.fromkeys(("left", "right", "top", "bottom"), "")
    p = Picture("one", "One", "", grey.getvalue(), (320, 320), 0.25, (0, 1), edges, (Mark("target", (at,)),))
    shutil.copyfile(Path(pdf.__file__).parent / "figures.typ", tmp_path / "figures.typ")
    (tmp_path / "one.json").write_text(json.dumps(pdf.drawn(p)))
    (tmp_path / "one.typ").write_text(
        '#import "figures.typ": picture\n#set page(width: auto, height: auto, margin: 0pt)\n'
        f'#picture(json("one.json"), {k_mm}mm)'
    )
    shown = typst.compile(
        str(tmp_path / "one.typ"), root=str(tmp_path), format="png", ppi=508.0, font_paths=[str(pdf.FONTS)],
        ignore_system_fonts=True,
    )
    rgb = np.asarray(Image.open(BytesIO(bytes(shown))).convert("RGB"), dtype=np.int64)
    assert rgb.shape[1] == pytest.approx(k_mm * 20, abs=1)  # 508 pixels per inch are 20 per mm
    pink = (rgb[..., 0] > 150) & (rgb[..., 1] < 110) & (rgb[..., 2] > 100)
    row, column = np.nonzero(pink)
    found_mm = (np.array([column.mean(), row.mean()]) + 0.5) / 20
    np.testing.assert_allclose(found_mm, np.array(at) * k_mm / 80.0, atol=0.06)


def test_unknown_paper_is_refused(plan: Plan, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="a4"):
        write_pdf(plan, Pictures(()), tmp_path / "plan.pdf", paper="a5")


def test_folder_that_is_not_there(plan: Plan, tmp_path: Path) -> None:
    with pytest.raises(InputRefused, match=r"cannot be made in .*nowhere"):
        write_pdf(plan, Pictures(()), tmp_path / "nowhere" / "plan.pdf")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("where", ["replace", "copyfile"])
def test_disk_full_leaves_what_was_there(
    where: str, plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    (tmp_path / "plan.pdf").write_bytes(b"before")
    monkeypatch.setattr(os if where == "replace" else shutil, where, full)
    with pytest.raises(InputRefused, match="disk is full"):
        write_pdf(plan, Pictures(()), tmp_path / "plan.pdf")
    monkeypatch.undo()
    assert [p.name for p in tmp_path.iterdir()] == ["plan.pdf"]
    assert (tmp_path / "plan.pdf").read_bytes() == b"before"


@needs_poppler
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_what_was_not_assessed_is_said_with_its_reason(
    paper: str, unseen: PlannedCase, unseen_pictures: Pictures, tmp_path: Path
) -> None:
    write_pdf(unseen.plan, unseen_pictures, tmp_path / "plan.pdf", paper=paper)
    first = text_of(tmp_path / "plan.pdf", page=1)
    for words in (
        "place not assessed", "as dark as muscle", "membrane: not assessed, not drawn", "Letters at the edges",
    ):  # fmt: skip
        assert words in first, words
    assert f"{unseen.site.height_mm:.1f} mm" in first
    assert "None" not in text_of(tmp_path / "plan.pdf")
    second = text_of(tmp_path / "plan.pdf", page=2)
    assert "outline not assessed" in second
    assert "volume not assessed" in second
    assert "fossa area" not in text_of(tmp_path / "plan.pdf").lower()
    for check in unseen.plan.puncture.checks:
        if check.value is None:
            assert check.status == "not assessed"


@needs_poppler
def test_the_contrast_of_the_scan_is_printed_once(case: PlannedCase, pictures: Pictures, tmp_path: Path) -> None:
    contrast = case.plan.anatomy.contrast
    assert contrast is not None
    doubt = "The image noise is 50 HU (SD), which is high."
    anatomy = case.plan.anatomy.model_copy(
        update={"contrast": contrast.model_copy(update={"sentences": (*contrast.sentences, doubt)})}
    )
    plan = case.plan.model_copy(update={"anatomy": anatomy, "cautions": (*case.plan.cautions, doubt)})
    write_pdf(plan, pictures, tmp_path / "plan.pdf")
    assert text_of(tmp_path / "plan.pdf").count("The image noise is 50 HU") == 1
    with_scan = text_of(tmp_path / "plan.pdf", page=5)
    for words in ("Contrast of this scan", "Blood at the landmark", "Across the septum", "Labels over the CT", doubt):
        assert words in with_scan
    for name, blood in contrast.blood.items():
        assert f"{name.replace('_', ' ').capitalize()} {blood.mean_hu:.0f} {blood.spread_hu:.0f}" in with_scan
