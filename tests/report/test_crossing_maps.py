"""The maps of the membrane: lines, areas, marks and names against closed forms, and a value against its limit."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from septal_planner.plan.crossing import MapFound, QuantityMapped
from septal_planner.report.crossing_maps import Sheet, chance_map, nice_levels, path_of, quantity_map, worst_map
from septal_planner.report.membrane_view import MembraneView, Room, membrane_view
from septal_planner.report.words_crossing import value_status

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


def test_status_of_a_value() -> None:
    q = cone_map().quantities[0]  # 30 mm or more, tolerance 3
    assert [value_status(v, q) for v in (30.0, 27.0, 26.9, None)] == ["met", "borderline", "not met", "not assessed"]


def test_sheet_scales_words_to_paper(view: MembraneView) -> None:
    sheet = Sheet(view, 5.0, small=False)
    w, h = sheet.half("abcd")
    # four letters of 6.5 points are about 5 mm wide on paper (Open Sans: 0.55 em a letter, 1 pt = 0.3528 mm)
    assert 2 * w * 5.0 == pytest.approx(4 * 0.55 * 6.5 * 0.3528, abs=1.2)
    assert 2 * h * 5.0 == pytest.approx(6.5 * 0.3528, abs=1.2)
