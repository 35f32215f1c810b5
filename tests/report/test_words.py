"""Numbers as they stand on paper."""

from __future__ import annotations

from pathlib import Path

import pytest

from septal_planner.plan import load_plan
from septal_planner.report.picture import Pictures
from septal_planner.report.picture_files import KNOWN
from septal_planner.report.words import asked, number, page_content

OLD_PLANS = Path(__file__).parents[1] / "old_plans"


@pytest.mark.parametrize(
    ("value", "unit", "printed"),
    [
        (37.84, "mm", "37.8\u00a0mm"), (-0.04, "mm", "0.0\u00a0mm"), (-2.26, "mm", "\u22122.3\u00a0mm"),
        (771.9, "mm2", "772\u00a0mm²"), (44.5, "deg", "44°"), (0.558, "1", "56\u00a0%"), (119.6, "mL", "120\u00a0mL"),
        (375.9, "HU", "376\u00a0HU"),
    ],
)
def test_number(value: float, unit: str, printed: str) -> None:
    assert number(value, unit) == printed


def test_asked() -> None:
    assert asked(40, 50, "mm") == "40 to 50\u00a0mm"
    assert asked(None, 3.2, "mm") == "at most 3.2\u00a0mm"
    assert asked(10, None, "mm") == "at least 10\u00a0mm"
    assert asked(0.1, 0.4, "1") == "10 to 40\u00a0%"
    assert asked(None, 45, "deg") == "at most 45°"
    assert asked(None, None, "mm") == "no range"


def test_nothing_is_made_up_for_what_was_not_assessed() -> None:
    said = page_content(load_plan(OLD_PLANS / "schema-1-least.json"), Pictures(()))
    assert said["views"] is None
    assert said["hero"]["coaptation"] == "not assessed"
    assert said["hero"]["asked"] == "no height norm"
    assert set(said["not_shown"]) == set(KNOWN)
    thickness = next(r for r in said["table"] if "thickness" in r["name"])
    assert thickness["value"] == "–"
    assert thickness["status"] == "not assessed"


def test_every_check_and_caution_and_measurement_is_printed() -> None:
    plan = load_plan(OLD_PLANS / "schema-1-phantom.json")
    said = page_content(plan, Pictures(()))
    assert len(said["checks"]) == len(plan.puncture.checks)
    assert said["cautions"] == list(plan.cautions)
    assert sum(len(g["rows"]) for g in said["measurements"]) == len(plan.measurements)
    titles = [g["title"] for g in said["measurements"]]
    assert len(titles) == len(set(titles)) == 6
    assert any("height band asked for" in line for line in said["read_first"])


def test_what_must_be_read_first_is_what_the_plan_names() -> None:
    plan = load_plan(OLD_PLANS / "schema-1-phantom.json")
    named = plan.model_copy(update={"read_first": ("A caution in any wording.",), "cautions": ("C-arm angles.",)})
    assert page_content(named, Pictures(()))["read_first"] == ["A caution in any wording.", *plan.reach.limits]


def test_values_not_assessed_and_their_reasons() -> None:
    plan = load_plan(OLD_PLANS / "schema-1-phantom.json")
    why = "The rim was not seen."
    gone = ("distance_to_rim", "wall_thickness", "superior_fraction", "anterior_fraction")
    checks = tuple(
        c.model_copy(update={"value": None, "status": "not assessed", "why": "long " * 40}) if c.name in gone else c
        for c in plan.puncture.checks
    )
    puncture = plan.puncture.model_copy(
        update={
            "checks": checks, "zone": None, "superior_fraction": None, "anterior_fraction": None,
            "distance_to_rim_mm": None, "wall_thickness_mm": None,
            "not_assessed": {"distance_to_rim": why},
        }
    )
    said = page_content(plan.model_copy(update={"puncture": puncture}), Pictures(()))
    assert said["hero"]["zone"] == "place not assessed"
    assert said["hero"]["up"] == said["hero"]["forward"] == ""
    rows = {r["name"]: r for r in said["table"]}
    assert rows["Distance to the rim"]["why"] == why
    assert rows["Distance to the rim"]["value"] == "–"
    assert rows["Wall thickness at the target"]["why"] == "why: see the checks"
    # said once: not beside the number where it must be read first
    first = plan.model_copy(update={"puncture": puncture, "read_first": (f"Fossa: not assessed. {why}",)})
    rows = {r["name"]: r for r in page_content(first, Pictures(()))["table"]}
    assert rows["Distance to the rim"]["why"] == ""
