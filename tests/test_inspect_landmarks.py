"""`inspect --landmarks`: the contrast of a scan, without a plan."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from septal_planner import cli


def test_without_landmarks_it_says_what_they_would_give(
    written_phantom: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["inspect", str(written_phantom.ct)]) == 0
    said = capsys.readouterr().out
    assert "HU in the brightest blood" in said
    assert "--landmarks FILE" in said


def test_with_landmarks_it_tells_what_can_be_trusted(written_phantom: Any, capsys: pytest.CaptureFixture[str]) -> None:
    from septal_phantoms.scans import HU

    call = ["inspect", str(written_phantom.ct), "--landmarks", str(written_phantom.landmarks)]
    assert cli.main(call) == 0
    said = capsys.readouterr().out
    row = next(line for line in said.splitlines() if line.startswith("Left atrium")).split()
    assert float(row[2]) == pytest.approx(HU["left_atrium"], abs=5)
    assert "Across the septum at the fossa point" in said
    assert "The septum can be seen from both sides" in said

    assert cli.main([*call, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert len(found["series"]) == 1
    assert found["contrast"]["blood"]["right_atrium"]["mean_hu"] == pytest.approx(HU["right_atrium"], abs=5)
    assert found["contrast"]["septum"]["contrast_to_noise"] > 5
    assert cli.main(["inspect", str(written_phantom.ct), "--json"]) == 0
    assert isinstance(json.loads(capsys.readouterr().out), list)  # as ever


def test_a_series_is_named_only_with_landmarks(written_phantom: Any, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["inspect", str(written_phantom.ct), "--series", "1.2.3"]) == 2
    assert "--landmarks" in capsys.readouterr().err


def test_landmarks_that_do_not_fit_are_refused(
    written_phantom: Any, landmarks_json: dict[str, Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    landmarks_json["landmarks"]["fossa"] = [[9000, 0, 0]]
    (tmp_path / "marks.json").write_text(json.dumps(landmarks_json))
    assert cli.main(["inspect", str(written_phantom.ct), "--landmarks", str(tmp_path / "marks.json")]) == 3
    assert "fossa" in capsys.readouterr().err
