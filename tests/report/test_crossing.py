"""The pages on the whole membrane: maps against closed forms, the clock, the order of doubts, and what is printed."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from septal_planner.pipeline import PlannedCase
from septal_planner.plan import Plan, load_plan, save_plan
from septal_planner.plan.crossing import CatheterFound, DoubtFound, MapFound, NeedleFound, QuantityMapped
from septal_planner.report.crossing_maps import Sheet, chance_map, nice_levels, path_of, quantity_map, worst_map
from septal_planner.report.membrane_view import MembraneView, Room, membrane_view
from septal_planner.report.pdf import write_pdf
from septal_planner.report.picture import Pictures
from septal_planner.report.words import page_content
from septal_planner.report.words_crossing import crossing_words, percent, taken_words, tornado, value_status
from septal_planner.report.words_way import catheter_words, clock_face, clock_point, needle_words
from septal_planner.summary import summary

STEP, RIM = 0.5, 9.0
# a septum whose normal looks along LPS x: front (-y) is u, head (z) is v; a viewer in the right atrium looks along +x
# and so has the front of the patient on the right-hand side, as a sketch shows (common practice, no source)
NORMAL = (1.0, 0.0, 0.0)


def cone_map(**changes: Any) -> MapFound:
    """A round membrane of radius RIM; worst margin is a cone, 2 in the middle and falling by 0.5 per mm."""
    u, v = (g.ravel() for g in np.meshgrid(*(2 * [np.arange(-18, 19) * STEP])))
    on = np.hypot(u, v) <= RIM
    u, v = u[on], v[on]
    turn = np.deg2rad(np.arange(0, 360, 2))
    worst = tuple((2.0 - 0.5 * np.hypot(u, v)).tolist())
    height = QuantityMapped(
        name="height_above_mitral_annulus", unit="mm", spoken="the height", low=30.0, high=None, tolerance=3.0,
        values=tuple((30.0 + v).tolist()), met=None, why_not="",
    )
    given: dict[str, Any] = {
        "origin_mm": (0.0, 0.0, 0.0), "axis_u": (0.0, -1.0, 0.0), "axis_v": (0.0, 0.0, 1.0), "step_mm": STEP,
        "rim_uv_mm": tuple(zip((RIM * np.cos(turn)).tolist(), (RIM * np.sin(turn)).tolist(), strict=True)),
        "u_mm": tuple(u.tolist()), "v_mm": tuple(v.tolist()), "worst": worst,
        "binds": tuple("distance_to_rim" if a < 0 else "height_above_mitral_annulus" for a in u.tolist()),
        "all_met": None, "quantities": (height,),
    }
    return MapFound(**given | changes)


@pytest.fixture(scope="module")
def view() -> MembraneView:
    return membrane_view(cone_map(), NORMAL)


@pytest.mark.parametrize("level", [1.5, 0.0, -1.0, -2.0])
def test_lines_of_a_cone_are_circles(level: float, view: MembraneView) -> None:
    # value 2 - r / 2: the line of a level is the circle of radius 2 (2 - level)
    line = view.lines(view.field(cone_map().worst), level)[-1]
    away = np.hypot(*(line - view.at_uv([0.0, 0.0])).T)
    np.testing.assert_allclose(away, 2 * (2.0 - level), atol=0.03)
    np.testing.assert_allclose(line[0], line[-1])


def test_areas_are_cut_at_the_rim(view: MembraneView) -> None:
    # a half plane v >= 3 of a disc of radius 9: area r^2 acos(h / r) - h sqrt(r^2 - h^2) of the circular segment
    values = [v for v in cone_map().v_mm]
    outlines = view.areas(view.field(values), 3.0)
    assert len(outlines) == 1
    x, y = outlines[0].T
    area = abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2
    assert area == pytest.approx(RIM**2 * np.arccos(3 / RIM) - 3 * np.sqrt(RIM**2 - 9), rel=0.01)
    # a hole is an outline of its own: the ring of a cone turned over
    assert len(view.areas(view.field([-w for w in cone_map().worst if w is not None]), 0.0)) == 2


def test_the_value_of_a_limit_counts_as_inside(view: MembraneView) -> None:
    # a plan is met at its limit exactly (`inside >= 0`), so a plateau at nought is drawn as inside
    flat = [0.0 if (w or 0.0) > 0 else w for w in cone_map().worst]
    found = view.areas(view.field(flat), 0.0)
    assert len(found) == 1
    assert np.ptp(found[0], axis=0) == pytest.approx([8.0, 8.0], abs=0.2)


def test_orientation(view: MembraneView) -> None:
    assert view.edges == {"left": "P", "right": "A", "top": "H", "bottom": "F"}
    front, head = view.at_uv([5.0, 0.0]), view.at_uv([0.0, 5.0])
    middle = view.at_uv([0.0, 0.0])
    np.testing.assert_allclose([front - middle, head - middle], [[5, 0], [0, -5]], atol=1e-9)
    # the same membrane described with its plane's first axis backward
    back = membrane_view(cone_map(axis_u=(0.0, 1.0, 0.0)), NORMAL)
    assert back.edges == view.edges
    np.testing.assert_allclose(back.at_uv([-5.0, 0.0]) - back.at_uv([0.0, 0.0]), [5, 0], atol=1e-9)


def test_marks_and_regions_of_the_large_map(view: MembraneView) -> None:
    found = cone_map()
    places = [
        ("target", "target", (0.0, 0.0, 0.0)), ("candidate", "1", (0.0, -3.0, 0.0)), ("compared", "A", (0.0, 0.0, 4.0)),
    ]
    drawn = worst_map(found, view, places)
    labels = {(m["kind"], m["text"]): np.array([m["x"], m["y"]]) for m in drawn["labels"]}
    middle = view.at_uv([0.0, 0.0])
    np.testing.assert_allclose(labels["target", ""], middle, atol=0.002)
    assert ("candidate", "1") in labels
    assert ("compared", "A") in labels
    # each region's name stands in its half
    assert labels["region", "rim"][0] < middle[0] < labels["region", "height"][0]
    # the number of the bold line stands on it, at 4 mm from the middle
    assert np.hypot(*(labels["bold number", "0"] - middle)) == pytest.approx(4.0, abs=0.05)
    # a number is never printed over another
    boxes = [(m["x"], m["y"]) for m in drawn["labels"] if m["text"]]
    assert len(boxes) == len(set(boxes))


def test_what_is_not_assessed_is_hatched(view: MembraneView) -> None:
    found = cone_map()
    half = tuple(None if u > 0 else w for u, w in zip(found.u_mm, found.worst, strict=True))
    places = [("target", "target", (0.0, 0.0, 0.0))]
    assert "url(#hatch)" in worst_map(cone_map(worst=half), view, places)["svg"]
    assert "url(#hatch)" not in worst_map(found, view, places)["svg"]
    why = "No point was marked."
    quantity = found.quantities[0].model_copy(update={"values": (None,) * len(half), "why_not": why})
    assert quantity_map(found, view, quantity, "Height", "mm", places) == {"title": "Height", "why": why}


def test_the_most_likely_place_is_marked(view: MembraneView) -> None:
    found = cone_map()
    away = np.hypot(np.subtract(found.u_mm, 3.0), np.subtract(found.v_mm, -2.0))
    likely = cone_map(all_met=tuple((0.6 * np.exp(-(away**2) / 40)).tolist()))
    drawn = chance_map(likely, view, [("target", "target", (0.0, 0.0, 0.0))], (62.0, 50.0))
    assert drawn is not None
    spot = next(m for m in drawn["labels"] if m["kind"] == "spot")
    np.testing.assert_allclose([spot["x"], spot["y"]], view.at_uv([3.0, -2.0]), atol=0.002)
    assert "60 % (small ring, " in drawn["caption"]
    at = int(np.argmin(away))
    assert f"worst margin {found.worst[at]:+.1f})".replace("-", "\u2212") in drawn["caption"]
    # 0.6 exp(-r2 / 40) = 0.4 at r = sqrt(40 ln 1.5)
    line = view.lines(view.field(likely.all_met or ()), 0.4)[-1]
    np.testing.assert_allclose(np.hypot(*(line - view.at_uv([3.0, -2.0])).T), np.sqrt(40 * np.log(1.5)), atol=0.03)
    assert chance_map(found, view, [], (62.0, 50.0)) is None


def test_levels() -> None:
    assert nice_levels(-1.2, 2.1, 1.0) == [-1.0, 0.0, 1.0, 2.0]
    assert nice_levels(18.0, 60.0, 1.0) == [20.0, 30.0, 40.0, 50.0, 60.0] or len(nice_levels(18.0, 60.0, 1.0)) <= 9
    assert all(v % 5 == 0 for v in nice_levels(18.0, 60.0, 1.0))
    assert nice_levels(0.2, 0.8, 1.0) == []


def test_room_for_names() -> None:
    room = Room((10.0, 10.0), 0.5)
    assert room.first_free([[0.2, 5.0], [5.0, 5.0]], (1.0, 1.0)) == (5.0, 5.0)
    assert room.first_free([[6.0, 5.0]], (1.0, 1.0)) is None
    assert room.first_free([[7.0, 5.0]], (1.0, 1.0)) == (7.0, 5.0)


def test_paths() -> None:
    assert path_of([np.array([[0, 0], [1, 0.5]])], closed=True) == "M0.000 0.000L1.000 0.500Z"


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


def test_status_of_a_value() -> None:
    q = cone_map().quantities[0]  # 30 mm or more, tolerance 3
    assert [value_status(v, q) for v in (30.0, 27.0, 26.9, None)] == ["met", "borderline", "not met", "not assessed"]


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


def test_sheet_scales_words_to_paper(view: MembraneView) -> None:
    sheet = Sheet(view, 5.0, small=False)
    w, h = sheet.half("abcd")
    # four letters of 6.5 points are about 5 mm wide on paper (Open Sans: 0.55 em a letter, 1 pt = 0.3528 mm)
    assert 2 * w * 5.0 == pytest.approx(4 * 0.55 * 6.5 * 0.3528, abs=1.2)
    assert 2 * h * 5.0 == pytest.approx(6.5 * 0.3528, abs=1.2)


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
