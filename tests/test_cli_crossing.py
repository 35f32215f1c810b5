"""What `plan` is told of catheters, targets and the trial: refused at once, or done as said."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from septal_planner import cli, pipeline
from septal_planner.commands import planning
from septal_planner.pipeline import PlannedCase
from septal_planner.plan import plan_as_json
from septal_planner.puncture.catheters import load_catheters
from septal_planner.puncture.passage import look_into
from septal_planner.puncture.survey import Trial


def refused(capsys: pytest.CaptureFixture[str], status: int, out: Path, *words: str) -> str:
    """The one sentence with which a call ends that never gets to its CT."""
    assert cli.main(["plan", "ct", "landmarks.json", "--out", str(out), *words]) == status
    said = capsys.readouterr()
    assert said.out == ""
    assert not out.exists()
    (line,) = said.err.splitlines()
    assert line.endswith(".")
    return line


def test_an_unknown_catheter_prints_the_list(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = refused(capsys, 2, tmp_path / "out", "--catheter", "nonsense")
    assert all(name in line for name in ("nonsense", *load_catheters()))


@pytest.mark.parametrize("text", ["[a\n", "[own]\ntitle = 3\n", "\x00\xff"])
def test_a_broken_file_of_catheters_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str
) -> None:
    own = tmp_path / "own.toml"
    own.write_text(text, "latin-1")
    assert "own.toml" in refused(capsys, 3, tmp_path / "out", "--catheters", str(own))


def test_an_absent_file_of_catheters_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "none.toml" in refused(capsys, 3, tmp_path / "out", "--catheters", str(tmp_path / "none.toml"))


@pytest.mark.parametrize(
    "text", ["[a\n", "[own]\ntitle = 3\n", "own = 3\n", "defaults = 3\n[own]\ntitle = 'x'\n", "\x00\xff"]
)
def test_a_broken_file_of_procedures_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str
) -> None:
    own = tmp_path / "own.toml"
    own.write_text(text, "latin-1")
    assert "own.toml" in refused(capsys, 3, tmp_path / "out", "--procedures", str(own))


def test_what_is_written_out_can_be_edited_and_given_back(
    written_phantom: Any, quick_found: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    own, catheters, out = tmp_path / "ours.toml", tmp_path / "bent.toml", tmp_path / "out"
    assert cli.main(["defaults", "catheters"]) == 0
    catheters.write_text(capsys.readouterr().out.replace("[large-guide-two-plane", "[bent-as-ours"), "utf-8")
    assert cli.main(["defaults", "procedures"]) == 0
    text = capsys.readouterr().out
    edited = text.replace('catheter = "large-guide-two-plane"', 'catheter = "bent-as-ours"')
    edited = edited.replace("[defaults.distance_to_aorta]\nlow = 10.0", "[defaults.distance_to_aorta]\nlow = 12.5")
    own.write_text(edited.replace("[left-atrial-access", "[our-own-procedure"), "utf-8")

    def keep(case: PlannedCase, folder: Path, **_how: object) -> None:
        (folder / "plan.json").write_text(plan_as_json(case.plan), "utf-8")

    monkeypatch.setattr(pipeline, "find_anatomy", lambda _volume, _landmarks, progress=None: quick_found)
    monkeypatch.setattr(planning, "write_plan_files", keep)
    given = str(written_phantom.ct), str(written_phantom.landmarks)
    call = ["plan", *given, "--out", str(out), "--json", "--draws", "0"]
    # another program's catheters do not know "bent-as-ours"
    assert cli.main([*call, "--procedures", str(own)]) == 3
    assert "bent-as-ours" in capsys.readouterr().err
    mine = ["--procedures", str(own), "--catheters", str(catheters)]
    assert cli.main([*call, *mine, "--procedure", "left-atrial-access"]) == 2
    assert "our-own-procedure" in capsys.readouterr().err
    assert cli.main([*call, *mine, "--procedure", "our-own-procedure"]) == 0
    plan = json.loads(capsys.readouterr().out)
    assert plan["puncture"]["procedure"] == "our-own-procedure"
    (aorta,) = [c for c in plan["puncture"]["checks"] if c["name"] == "distance_to_aorta"]
    assert aorta["low"] == 12.5
    assert cli.main(["views", str(out / "none.json"), "--room", str(own)]) == 3
    assert cli.main(["defaults", "room"]) == 0
    assert "[range]" in capsys.readouterr().out


def test_several_targets_are_compared_and_no_draws_are_said(
    written_phantom: Any, quick_found: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    # the anatomy is found already, and nothing is drawn: what is asked here is what the words do
    def keep(case: PlannedCase, folder: Path, **_how: object) -> None:
        (folder / "plan.json").write_text(plan_as_json(case.plan), "utf-8")

    monkeypatch.setattr(pipeline, "find_anatomy", lambda _volume, _landmarks, progress=None: quick_found)
    monkeypatch.setattr(planning, "write_plan_files", keep)
    patch = quick_found.fossa.patch
    targets = [patch.points_lps(u, v) for u, v in ((1.0, -1.0), (-2.0, 2.0))]
    words = [w for p in targets for w in ("--target", *(repr(float(x)) for x in p))]
    out = tmp_path / "out"
    call = ["plan", str(written_phantom.ct), str(written_phantom.landmarks), "--out", str(out), "--json"]
    assert cli.main([*call, "--draws", "0", *words]) == 0
    plan = json.loads(capsys.readouterr().out)
    crossing = plan["crossing"]
    np.testing.assert_allclose(plan["puncture"]["target_mm"], targets[0], atol=0.05)
    assert len(crossing["compared"]) == 2
    for place, p in zip(crossing["compared"], targets, strict=True):
        np.testing.assert_allclose(place["target_mm"], p, atol=0.05)
        height = quick_found.mitral.normal_lps @ (p - quick_found.mitral.center_lps)
        assert place["height_above_mitral_annulus_mm"] == pytest.approx(height, abs=0.05)
    assert crossing["doubt"] is None
    assert crossing["map"]["all_met"] is None
    assert any("no draws were asked for" in why for why in crossing["not_assessed"])


def test_the_same_seed_draws_the_same_and_another_another(quick_case: PlannedCase) -> None:
    survey, target = quick_case.survey, quick_case.site.target_lps

    def drawn(seed: int) -> Any:
        return look_into(replace(survey, trial=Trial(200, seed)), target).doubt

    first, again, other = drawn(3), drawn(3), drawn(4)
    assert first == again
    assert first.measured != other.measured
    # not far apart either: 200 draws tell an SD to 5 % (one deviation)
    name = "height_above_mitral_annulus"
    assert first.measured[name].sd == pytest.approx(other.measured[name].sd, rel=0.3)
