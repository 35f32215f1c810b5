"""What `plan` is told of a second phase: planned with it, or refused with a sentence."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from septal_planner import cli
from septal_planner.inputs.landmarks import read_landmarks
from septal_planner.inputs.volume import read_volume
from septal_planner.other_phase import check_pair
from septal_planner.plan import load_plan


@pytest.fixture(scope="module")
def two_written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("phases")
    for phase in ("70", "35"):
        call = ["phantom", "normal", "--size", "quick", "--phase", phase, "--out", str(folder / phase)]
        assert cli.main(call) == 0
    return folder


def call_with(folder: Path, out: Path, *more: str) -> list[str]:
    call = ["plan", str(folder / "70" / "ct"), str(folder / "70" / "landmarks.json"), "--out", str(out)]
    return [*call, "--draws", "0", *more]


def test_plan_with_two_phases(two_written: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    second = two_written / "35"
    other = ("--other-ct", str(second / "ct"), "--other-landmarks", str(second / "landmarks.json"))
    assert cli.main(call_with(two_written, tmp_path / "out", *other)) == 0
    said = capsys.readouterr().out
    assert "Motion from 70 % of the RR interval to 35 % of the RR interval" in said
    plan = load_plan(tmp_path / "out" / "plan.json")
    assert plan.motion is not None
    # the truth that stands beside each phase
    truth = [json.loads((two_written / p / "truth.json").read_text("utf-8")) for p in ("70", "35")]
    centers = [np.array(t["mitral_annulus"]["center_mm"]) for t in truth]
    assert np.linalg.norm(np.array(plan.motion.annulus.vector_mm) - (centers[1] - centers[0])) < 1.0
    assert truth[0]["frame_of_reference_uid"] == truth[1]["frame_of_reference_uid"]
    assert plan.motion.other_ct.phase_percent == 35
    assert plan.motion.other_ct.content_sha256 != plan.ct.content_sha256
    # printed again from the saved plan alone
    assert cli.main(["report", str(tmp_path / "out" / "plan.json"), "--out", str(tmp_path / "again")]) == 0


def test_both_phases_in_one_folder(two_written: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call = ["plan", str(two_written), str(two_written / "70" / "landmarks.json"), "--out", str(tmp_path / "out")]
    other = ["--other-ct", str(two_written), "--other-landmarks", str(two_written / "35" / "landmarks.json")]
    for more, said in (
        (["--phase", "70"], "In the other phase: 2 CT series"),
        (["--phase", "70", "--other-phase", "70"], "is the CT of the plan itself"),
        (["--phase", "70", "--other-phase", "50"], "Phase 50 % was asked for"),
    ):
        assert cli.main([*call, *other, *more]) == 3
        assert said in capsys.readouterr().err.strip().splitlines()[-1]
    one = read_volume(two_written, phase_percent=70.0)
    two = read_volume(two_written, phase_percent=35.0)
    assert (one.phase_percent, two.phase_percent) == (70.0, 35.0)
    marked = [read_landmarks(two_written / phase / "landmarks.json") for phase in ("70", "35")]
    said_of_pair = check_pair(one, marked[0], two, marked[1])
    assert len(said_of_pair) == 1  # one frame of reference, both phases known


@pytest.mark.parametrize(
    ("more", "status", "said"),
    [
        (["--other-ct", "{35}/ct"], 2, "--other-landmarks is missing"),
        (["--other-landmarks", "{35}/landmarks.json"], 2, "--other-ct is missing"),
        (["--other-phase", "35"], 2, "--other-ct is missing"),
        (["--other-series", "1.2.3"], 2, "--other-ct is missing"),
        (["--other-ct", "{70}/ct", "--other-landmarks", "{35}/landmarks.json"], 3, "the CT of the plan itself"),
        (["--other-ct", "{35}/ct", "--other-landmarks", "{70}/landmarks.json"], 3, "mark them anew"),
        (["--other-ct", "{35}/none", "--other-landmarks", "{35}/landmarks.json"], 3, "does not exist"),
        (["--other-ct", "{35}/ct", "--other-landmarks", "{35}/truth.json"], 3, "landmarks"),
    ],
)
def test_half_a_second_phase_is_refused(
    two_written: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], more: list[str], status: int, said: str
) -> None:
    places = {"{70}": str(two_written / "70"), "{35}": str(two_written / "35")}
    given = [next((m.replace(k, v) for k, v in places.items() if k in m), m) for m in more]
    assert cli.main(call_with(two_written, tmp_path / "out", *given)) == status
    told = capsys.readouterr().err.strip().splitlines()[-1]
    assert said in told
    assert told.endswith(".")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("words", [("--other-ct", ""), ("--other-phase", "nan"), ("--other-phase", "101")])
def test_words_that_cannot_be_meant(words: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(["plan", "ct", "landmarks.json", "--out", "out", *words])
    assert ended.value.code == 2
    assert words[0] in capsys.readouterr().err


def test_a_phase_a_phantom_has_not(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call = ["phantom", "normal", "--size", "quick", "--phase", "50", "--out", str(tmp_path / "out")]
    assert cli.main(call) == 2
    assert "no phase 50 %" in capsys.readouterr().err
