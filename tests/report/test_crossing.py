"""The pages on the whole membrane: the clock, the order of doubts, the words on a catheter, and what is printed."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from septal_planner.pipeline import PlannedCase
from septal_planner.plan import Plan, load_plan, save_plan
from septal_planner.plan.crossing import CatheterFound, DoubtFound, NeedleFound
from septal_planner.report.pdf import write_pdf
from septal_planner.report.picture import Pictures
from septal_planner.report.words import page_content
from septal_planner.report.words_crossing import crossing_words, percent, taken_words, tornado
from septal_planner.report.words_way import catheter_words, clock_face, clock_point, needle_words
from septal_planner.summary import summary


@pytest.mark.parametrize(
    ("hours", "x", "y"),
    [
        (12.0, 0.0, -10.0), (3.0, 10.0, 0.0), (6.0, 0.0, 10.0), (9.0, -10.0, 0.0), (4.5, 7.0711, 7.0711),
        (1.0, 5.0, -8.6603),
    ],
)
def test_hours_lie_where_a_clock_has_them(hours: float, x: float, y: float) -> None:
    assert clock_point(hours, 10.0) == pytest.approx((x, y), abs=1e-3)


def test_the_hand_points_to_its_hour() -> None:
    # the hand is the thick line from the middle: at 5 o'clock 150 degrees clockwise from upward
    end = re.search(r'M0 0L([-\d.]+) ([-\d.]+)" stroke="#1B2A35" stroke-width="1"', clock_face(5.0)["svg"])
    assert end is not None
    x, y = map(float, end.groups())
    assert np.degrees(np.arctan2(x, -y)) == pytest.approx(150.0, abs=0.01)


def test_needle_words_say_what_the_published_range_is() -> None:
    needle = NeedleFound(
        path_mm=((0.0, 0.0, 0.0),), crossing_direction=(0.0, 1.0, 0.0), clock_hours=6.9, clock_as_published=False,
        entry_angle_deg=12.0, entry_angle_mean_deg=15.0, shaft_from_cava_mm=8.0, least_room_mm=None, slide=None,
    )
    said = needle_words(needle)
    assert said["clock"] == "7 o'clock"
    assert said["published"] == "outside the published 4 to 6"
    # Fender et al., Atrial septal angulation varies widely, J Invasive Cardiol 2014 (100 CTs): 4 to 6 o'clock
    assert "4 to 6 o'clock" in said["source"]
    assert "Fender et al. 2014" in said["source"]
    assert dict(said["rows"])["Slide down from the superior vena cava"] == "not assessed"


def doubt_of(widths: dict[str, tuple[float, float]]) -> DoubtFound:
    taken = {
        "needle_sd_mm": 3.0, "tenting_mm": 2.5, "tenting_sd_mm": 1.25, "tenting_direction": (-0.6, -0.8, 0.0),
        "phase_along_mm": 2.3, "phase_across_mm": 1.0, "respiration_sd_mm": 1.0,
    }
    sources = tuple(
        {"source": s, "worst_low": a, "worst_high": b, "all_met_without": 0.25, "height_sd_mm": 1.0}
        for s, (a, b) in widths.items()
    )
    return DoubtFound.model_validate({
        "draws": 2000, "seed": 0, "taken": taken, "all_met": 0.31, "measured": {}, "expected": {}, "sources": sources,
    })


def test_the_widest_bar_comes_first_and_the_axis_holds_nought() -> None:
    drawn = tornado(doubt_of({"image": (-0.2, 0.1), "needle": (-3.6, 0.7), "phase": (-1.0, 0.5)}))
    assert [b["name"] for b in drawn["bars"]] == ["Where the needle lands", "Heartbeat", "CT image"]
    # the axis runs over whole tolerances from -4 to 1, so that nought lies at four fifths of it
    assert drawn["zero"] == pytest.approx(0.8)
    assert drawn["bars"][0]["from"] == pytest.approx((-3.6 + 4) / 5)
    assert drawn["bars"][0]["to"] == pytest.approx((0.7 + 4) / 5)
    assert [t for _, t in drawn["ticks"]] == ["\u22124", "\u22123", "\u22122", "\u22121", "0", "+1"]
    assert all(0 <= b["from"] <= b["to"] <= 1 for b in drawn["bars"])


def test_what_was_assumed_is_said() -> None:
    said = " ".join(taken_words(doubt_of({"needle": (-1.0, 1.0)}))).replace("\u00a0", " ")
    assert "lands 3 mm (SD along each axis)" in said
    assert "2.5 mm, SD 1.25 mm, down and back" in said


def test_shares_are_never_rounded_to_certainty() -> None:
    assert [percent(v).replace("\u00a0", " ") for v in (0.0, 0.0004, 0.314, 0.9996, 1.0, None)] == [
        "under 1 %", "under 1 %", "31 %", "over 99 %", "over 99 %", "–",
    ]


# ------------------------------------------------------------------------------------------------------- on a real plan

needs_poppler = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler's tools are not here")


@pytest.fixture(scope="module")
def plan(case: PlannedCase) -> Plan:
    """The quick phantom's plan with a second place to compare."""
    crossing = case.plan.crossing
    assert crossing is not None
    assert crossing.target is not None
    moved = np.add(crossing.target.target_mm, 2.0 * np.asarray(crossing.map.axis_u if crossing.map else (0, 0, 0)))
    worse = {"target_mm": tuple(np.round(moved, 6).tolist()), "meets_all": False, "worst_margin": -1.25}
    other = crossing.target.model_copy(update=worse)
    return case.plan.model_copy(update={"crossing": crossing.model_copy(update={"compared": (other,)})})


def text_of(path: Path, page: int | None = None) -> str:
    pages = [] if page is None else ["-f", str(page), "-l", str(page)]
    found = subprocess.run(["pdftotext", "-layout", *pages, str(path), "-"], capture_output=True, check=True).stdout
    return " ".join(found.decode().replace("\u00a0", " ").split())


@needs_poppler
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_pages_of_a_plan(paper: str, plan: Plan, tmp_path: Path) -> None:
    write_pdf(plan, Pictures(()), tmp_path / "plan.pdf", paper=paper)
    crossing = plan.crossing
    assert crossing is not None
    first, second, rest = (text_of(tmp_path / "plan.pdf", page) for page in (1, 2, None))
    for words in ("Trials that keep all limits", "What binds", "Needle, seen from the feet", "Letters at the edges"):
        assert words in first, words
    for words in (
        "Where to cross", "Margin over all limits", "All limits met, % of trials", "5 mm", "Height, mm",
        "To the aorta, mm", "Candidates, best first", "target to compare", "1 or more inside", "more than 3 outside",
    ):
        assert words in second, words
    for words in (
        "Targets compared", "1.2 outside", "How sure", "Which doubt matters most", "Where the needle lands", "seed 0",
        "The way there: the needle", "the published 4 to 6", "Fender et al. 2014", "The way on: the catheter",
        "generic figures, confirm locally", "From how much of the membrane each catheter reaches", "Labels over the CT",
    ):
        assert words in rest, words
    assert crossing.choice is not None
    for candidate in crossing.choice.candidates:
        assert " ".join(candidate.sentence.split())[:30] in second
        assert f"{candidate.height_above_mitral_annulus_mm:.1f} mm" in second
    if crossing.tricuspid is not None:
        assert "The tricuspid valve" in rest
    assert "None" not in rest
    assert "nan" not in rest.split()


def test_same_pages_from_the_saved_plan(plan: Plan, tmp_path: Path) -> None:
    """Drawn from plan.json alone: read back, the same bytes."""
    write_pdf(plan, Pictures(()), tmp_path / "a.pdf")
    save_plan(plan, tmp_path / "plan.json")
    write_pdf(load_plan(tmp_path / "plan.json"), Pictures(()), tmp_path / "b.pdf")
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


@needs_poppler
def test_what_is_missing_is_said_with_its_reason(plan: Plan, tmp_path: Path) -> None:
    crossing = plan.crossing
    assert crossing is not None
    why = (
        "The map of the membrane is not assessed, because its rim was not seen.",
        "The needle's way to the septum is not assessed: a reason.",
        "The reach of a catheter is not assessed: the landmark leak is missing.",
    )
    bare = crossing.model_copy(update={
        "map": None, "choice": None, "target": None, "compared": (), "doubt": None, "needle": None, "reach": None,
        "reach_share": {}, "tricuspid": None, "not_assessed": why,
    })
    without = plan.model_copy(update={"crossing": bare})
    write_pdf(without, Pictures(()), tmp_path / "plan.pdf")
    second = text_of(tmp_path / "plan.pdf", 2)
    for sentence in why:
        assert sentence in second
    assert text_of(tmp_path / "plan.pdf", 1).count("not assessed") >= 4
    for line in ("Needle", "Catheter"):
        assert re.search(rf"^{line}.*not assessed", summary(without), re.MULTILINE)


@needs_poppler
def test_a_limit_not_assessed_at_the_target_leaves_no_chance_of_all(plan: Plan, tmp_path: Path) -> None:
    crossing = plan.crossing
    assert crossing is not None
    assert crossing.doubt is not None
    bars = tuple(s.model_copy(update={"all_met_without": None}) for s in crossing.doubt.sources)
    doubt = crossing.doubt.model_copy(update={"all_met": None, "sources": bars})
    changed = plan.model_copy(update={"crossing": crossing.model_copy(update={"doubt": doubt})})
    write_pdf(changed, Pictures(()), tmp_path / "plan.pdf")
    said = text_of(tmp_path / "plan.pdf")
    assert "a limit is not assessed there" in text_of(tmp_path / "plan.pdf", 1)
    assert "How likely all limits together are met is not assessed" in said
    assert "over all limits assessed at the target" in said
    assert "None" not in said
    assert re.search("^All limits met +not assessed, because one of them", summary(changed), re.MULTILINE)
    save_plan(changed, tmp_path / "plan.json")
    read = load_plan(tmp_path / "plan.json").crossing
    assert read is not None
    assert read.doubt is not None
    assert read.doubt.all_met is None


def test_page_one_says_of_the_way_on_what_the_catheter_does_not_keep(plan: Plan) -> None:
    crossing = plan.crossing
    assert crossing is not None
    assert crossing.reach is not None
    arc, short = "One arc ends 49 degrees off the axis of the valve.", "The tip ends 4.00 mm from the device point."
    tried = crossing.reach.model_copy(update={"reachable": False, "why_not": (short,)})
    reach = plan.reach.model_copy(update={"limits": (arc,)})
    for found, said, not_said in ((tried, short, arc), (None, arc, short)):
        changed = {"crossing": crossing.model_copy(update={"reach": found}), "reach": reach}
        first = page_content(plan.model_copy(update=changed), Pictures(()))["read_first"]
        assert said in first
        assert not_said not in first


def test_a_room_not_assessed_is_no_limit_kept(plan: Plan) -> None:
    crossing = plan.crossing
    assert crossing is not None
    assert crossing.reach is not None
    unseen = crossing.reach.model_copy(update={"reachable": True, "clearance_mm": None, "nearest": None, "why_not": ()})
    changed = plan.model_copy(update={"crossing": crossing.model_copy(update={"reach": unseen})})
    words = crossing_words(changed)
    assert words is not None
    assert words["catheter"]["reaches"] == "reaches; its room to the wall is not assessed"
    assert words["catheter"]["status"] == "not assessed"
    brief = next(cell for cell in words["brief"] if cell["what"] == "Catheter to its goal")
    assert brief["status"] == "not assessed"
    assert "its room to the wall is not assessed" in brief["below"]
    said = summary(changed)
    assert re.search("^Catheter +reaches; its room to the wall is not assessed; tip tilted", said, re.MULTILINE)
    short = unseen.model_copy(update={"reachable": False})
    assert catheter_words(short, "")["reaches"] == "does not reach within all its limits"


def test_nothing_is_printed_of_a_plan_without_it(plan: Plan) -> None:
    assert crossing_words(plan.model_copy(update={"crossing": None})) is None


def test_spare_and_reasons_of_a_catheter() -> None:
    found = CatheterFound(
        name="a", title="A", reachable=False, tilt_deg=12.0, offset_mm=4.4, clearance_mm=-1.0, nearest="aorta",
        nearest_mm=(0.0, 0.0, 0.0), advance_mm=10.0, plane_deg=-20.0, deflections_deg=(80.0, -0.2),
        radii_mm=(20.0, 500.0), smallest_radius_mm=20.0, length_mm=60.0, usable_spare_mm=None,
        spare={"tilt_deg": 8.0, "offset_mm": -1.4, "bend_1_radius_mm": 0.0}, path_mm=((0.0, 0.0, 0.0),),
        why_not=("The tip ends 4.40 mm from the device point.",), unconfirmed=("usable length",),
    )
    said = catheter_words(found, "generic figures, confirm locally")
    spare = [["8° to spare", "met"], ["1.4\u00a0mm beyond", "not met"], ["none to spare", "borderline"]]
    assert [s[1:] for s in said["spare"]] == spare
    assert dict(said["inputs"])["Plane of the first bend"].startswith("20° anticlockwise")
    assert dict(said["inputs"])["Bend 2"] == "not bent"
    assert "usable length" in said["flag"]


def test_a_bend_is_told_to_go_where_its_path_goes(plan: Plan) -> None:
    # the angle between the plane of the path's first bend and the target's axis, from the saved points alone
    crossing = plan.crossing
    assert crossing is not None
    assert crossing.reach is not None
    assert crossing.device is not None
    reach, axis = crossing.reach, np.asarray(crossing.device.axis)
    path = np.asarray(reach.path_mm)
    assert reach.advance_mm < np.linalg.norm(path[1] - path[0])  # it bends from the start
    forward = (path[1] - path[0]) / np.linalg.norm(path[1] - path[0])
    bend = path[5] - path[0]
    side, bend = (v - (v @ forward) * forward for v in (axis, bend))
    turned = np.degrees(np.arctan2(bend @ np.cross(forward, side), bend @ side))
    words = next(v for k, v in catheter_words(reach, "")["inputs"] if k.endswith("bends") or k == "Bends")
    if abs(turned) < 0.5:
        assert words == "straight toward the target's axis"
    else:
        assert int(words.split("°")[0]) == pytest.approx(abs(turned), abs=1.5)
        assert (" clockwise" in words) == (turned > 0)
