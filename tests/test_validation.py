"""Phantoms against their truth. The slow tests hold the bars at the standard size."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from septal_planner import validation
from septal_planner.validation import CASES, Coverage, PhantomResult, Row


def test_rows_are_held_against_their_bar() -> None:
    assert Row("x", 1.0, 1.1, 0.1, 0.1, "mm").passed
    assert not Row("x", 1.0, 1.2, 0.2, 0.1, "mm").passed
    assert Row("Dice", None, None, 0.95, 0.95, "1", at_least=True).passed
    assert not Row("Dice", None, None, 0.94, 0.95, "1", at_least=True).passed
    assert not Row("x", None, None, float("nan"), 0.1, "mm").passed
    assert Coverage(1.0, 20, 18, ()).passed
    assert not Coverage(1.0, 20, 17, ()).passed
    assert not Coverage(1.0, 0, 0, ()).passed


def test_a_phantom_that_was_refused_has_not_passed() -> None:
    assert not PhantomResult("x", 1.0, (), "No wall.").passed


def test_surface_distance_of_spheres_is_the_difference_of_their_radii() -> None:
    spacing = np.array([0.5, 0.6, 0.7])
    k, j, i = np.indices((60, 70, 84), dtype=float)
    r = np.sqrt(((i - 42) * 0.5) ** 2 + ((j - 35) * 0.6) ** 2 + ((k - 30) * 0.7) ** 2)
    keep = np.ones(r.shape, dtype=bool)
    found = validation.mean_surface_distance_mm(r < 14.0, r < 12.0, spacing, keep=keep)
    assert found == pytest.approx(2.0, abs=0.05)  # a tenth of a voxel
    assert validation.mean_surface_distance_mm(r < 12.0, r < 12.0, spacing, keep=keep) == 0
    assert validation.mean_surface_distance_mm(r < 12.0, r < 0.0, spacing, keep=keep) == 99.0


def test_tables_say_what_was_met(tmp_path: Path) -> None:
    results = [
        PhantomResult(
            "a", 2.0, (Row("height", 40.0, 40.2, 0.2, 0.5, "mm"), Row("Dice", None, None, 0.9, 0.95, "1", True))
        ),
        PhantomResult("b", 2.0, (), "The wall could not be followed."),
    ]
    document = validation.as_document(results, Coverage(1.0, 20, 19, ("c: no.",)), quick=False)
    assert document["passed"] is False
    validation.write(document, tmp_path)
    assert json.loads((tmp_path / "validation.json").read_text("utf-8")) == document
    text = (tmp_path / "validation.md").read_text("utf-8")
    for words in (
        "| height | 40 | 40.2 | 0.2 mm | at most 0.5 mm | met |",
        "at least 0.95",
        "NOT MET",
        "The wall could not",
        "19 of 20",
        "c: no.",
    ):
        assert words in text


@pytest.mark.slow
@pytest.mark.parametrize(("name", "phase"), CASES)
def test_every_bar_is_met(name: str, phase: float | None) -> None:
    (result,), _ = validation.validate(cases=[(name, phase)])
    assert result.refused is None
    assert [f"{r.name}: {r.error:.3g} {r.unit}, bar {r.bar:g}" for r in result.rows if not r.passed] == []
    assert len(result.rows) == 19


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_height_interval_holds_the_truth_under_observer_noise() -> None:
    _, coverage = validation.validate(seeds=20)
    assert coverage is not None
    assert coverage.plans == 20
    assert coverage.passed, coverage
