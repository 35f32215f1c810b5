"""The console program: every word of it has help and a place in the README, and it does what it says."""

from __future__ import annotations

import argparse
import json
import os
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import septal_planner
from septal_planner import calls, cli
from septal_planner.call_numbers import Between, Whole

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text("utf-8")
PROGRAM = [sys.executable, "-c", "import sys; from septal_planner.cli import main; sys.exit(main())"]


def commands() -> dict[str, argparse.ArgumentParser]:
    parser = calls.build_parser()
    (sub,) = [a for a in parser._actions if isinstance(a, argparse._SubParsersAction)]
    return dict(sub.choices)


def options() -> Iterator[tuple[str, argparse.Action]]:
    for name, parser in commands().items():
        for action in parser._actions:
            yield name, action


def test_commands_are_those_promised() -> None:
    assert list(commands()) == [
        "demo", "inspect", "phantom", "plan", "xray", "views", "register", "report", "validate", "view", "defaults",
        "schema",
    ]


def test_every_command_and_option_has_help() -> None:
    lacking = [f"{name} {a.dest}" for name, a in options() if not a.help]
    (sub,) = [a for a in calls.build_parser()._actions if isinstance(a, argparse._SubParsersAction)]
    lacking += [c.dest for c in sub._choices_actions if not c.help]
    assert lacking == []
    assert {c.dest for c in sub._choices_actions} == set(commands())


def test_every_command_and_option_is_in_the_readme() -> None:
    rows = {m[1]: m[0] for m in re.finditer(r"^\| `(\w+).*$", README, re.MULTILINE)}
    for name in commands():
        assert name in rows, f"{name} is absent from the README"
    for name, action in options():
        for word in action.option_strings:
            if word.startswith("--") and word != "--help":
                assert word in rows[name], f"{name} {word} is absent from its row in the README"


def test_every_procedure_is_in_the_readme_and_phantoms_can_be_listed(capsys: pytest.CaptureFixture[str]) -> None:
    from septal_planner.puncture.procedures import load_procedures

    assert [p for p in load_procedures() if f"`{p}`" not in README] == []
    assert calls.DEFAULT_PROCEDURE in load_procedures()
    assert cli.main(["phantom", "--list"]) == 0
    names = capsys.readouterr().out.split()
    assert {"normal", "dilated-left-atrium", "rotated-heart"} <= set(names)


def test_landmarks_in_the_readme_are_those_that_are_read() -> None:
    from septal_planner.inputs.landmarks import POINT_COUNTS

    assert [n for n in POINT_COUNTS if f"`{n}`" not in README] == []


def test_one_version_everywhere() -> None:
    version = septal_planner.__version__
    assert tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["version"] == version
    assert f"\nversion: {version}\n" in (ROOT / "CITATION.cff").read_text("utf-8")
    assert f"## {version}\n" in (ROOT / "CHANGELOG.md").read_text("utf-8")


def test_version_and_help(capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["--version"], ["--help"], *([name, "--help"] for name in commands())):
        with pytest.raises(SystemExit) as ended:
            cli.main(words)
        assert ended.value.code == 0
        said = capsys.readouterr().out
        assert septal_planner.__version__ in said or "not a medical device" in " ".join(said.split())


def test_help_brings_in_nothing_heavy() -> None:
    # what makes --help answer at once; the milliseconds are measured by tests/benchmark.py
    script = (
        "import sys\nfrom septal_planner.cli import main\ntry: main(['--help'])\nexcept SystemExit: pass\n"
        "print([m for m in ('numpy', 'scipy', 'SimpleITK', 'pydantic', 'typst', 'pydicom') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["nonsense"],
        ["plan"],
        ["plan", "a", "b"],
        ["plan", "a", "b", "--out", "c", "--target", "1", "2"],
        ["plan", "a", "b", "--out", "c", "--target", "1", "2", "nan"],
        ["plan", "a", "b", "--out", "c", "--landmark-sd", "0"],
        ["plan", "a", "b", "--out", "c", "--paper", "a3"],
        ["phantom", "normal", "--out", "c", "--size", "huge"],
        ["xray", "a"],
        ["register", "a"],
    ],
)
def test_words_that_are_off_exit_with_2(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(words)
    assert ended.value.code == 2
    assert "septal-planner" in capsys.readouterr().err


def numeric_options() -> list[tuple[str, argparse.Action]]:
    return [(name, a) for name, a in options() if isinstance(a.type, (Between, Whole))]


def test_every_option_that_takes_numbers_has_ends() -> None:
    # every default that is a number belongs to a reader with ends, and stands between them
    for name, action in options():
        given = action.default if isinstance(action.default, tuple) else (action.default,)
        for value in given:
            if isinstance(value, (int, float)) and not isinstance(value, bool):
                assert isinstance(action.type, (Between, Whole)), f"{name} {action.dest}"
                assert action.type(str(value)) == value
    without = {a.type for _, a in options()} - {a.type for _, a in numeric_options()}
    assert all(reader is None or reader("1") == Path("1") for reader in without)


@pytest.mark.parametrize("word", ["inf", "-inf", "nan", "1e300", f"{10**20}", "-1e12", "9" * 5000])
def test_numbers_beyond_all_sense_exit_with_2_before_anything_is_read(
    word: str, capsys: pytest.CaptureFixture[str]
) -> None:
    needed = {"phantom": ["normal"], "plan": ["ct", "marks", "--out", "out"],
              "xray": ["plan.json", "--out", "f.png", "--primary", "1", "--secondary", "1"], "views": ["plan.json"],
              "register": ["plan.json", "--frame", "f", "p", "--out", "out"], "validate": []}  # fmt: skip
    seen = 0
    for name, action in numeric_options():
        count = action.nargs if isinstance(action.nargs, int) else 1
        for at in range(count):
            given = [word if n == at else "1" for n in range(count)]
            with pytest.raises(SystemExit) as ended:
                calls.build_parser().parse_args([name, *needed[name], action.option_strings[0], *given])
            assert ended.value.code == 2
            said = capsys.readouterr().err
            # nothing of what is named here is there: it would have been said
            assert said.startswith(f"septal-planner: argument {action.option_strings[0]}: ")
            assert said.count("\n") == 1
            assert said.endswith("says what goes.\n")
            assert len(said) < 250
            seen += 1
    assert seen > 40


@pytest.mark.parametrize("draws", ["1000000000000", "100001"])
def test_more_draws_than_memory_holds_are_refused(draws: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(["plan", "ct", "marks", "--out", "out", "--draws", draws])
    assert ended.value.code == 2
    assert f"--draws: {draws} is not a whole number from 0 to 100000" in capsys.readouterr().err


def test_a_direction_without_length_is_refused_before_anything_is_read(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["plan", "ct", "marks", "--out", "out", "--catheters", "none.toml", "--tenting-direction", "0", "0", "0"]
    assert cli.main(words) == 2
    assert "direction of the tenting has no length" in capsys.readouterr().err


def test_a_phantom_without_a_place_exits_with_2(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["phantom", "normal"]) == 2
    assert "--out DIR" in capsys.readouterr().err
    assert cli.main(["phantom"]) == 2
    assert "normal" in capsys.readouterr().err


@pytest.mark.parametrize("x", ["-14.3", "-5.", "-.5", "-1e1", "-1.5E+2", "-7"])
def test_negative_targets_are_numbers(x: str) -> None:
    got = calls.build_parser().parse_args(["plan", "a", "b", "--out", "c", "--target", x, x, x, "--json"])
    assert got.target == [[float(x)] * 3]  # one of as many points as are given


def test_inspect(written_phantom: Any, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["inspect", str(written_phantom.ct)]) == 0
    said = capsys.readouterr()
    for words in ("142 x 140 x 128 voxels", "1 x 1 x 1 mm", "70 % of the RR interval", "HFS", "usable:"):
        assert words in said.out
    assert cli.main(["inspect", str(written_phantom.folder), "--json"]) == 0
    (series,) = json.loads(capsys.readouterr().out)
    assert series["usable"] is True
    assert series["phase_percent"] == 70
    assert series["spacing_mm"] == pytest.approx([1, 1, 1])


def test_inspect_of_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["inspect", str(tmp_path)]) == 3
    assert capsys.readouterr().err.count("\n") == 1


def test_phantom_writes_what_it_says_and_the_same_twice(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("a", "b"):
        words = ["phantom", "rotated-heart", "--size", "quick", "--spacing", "3", "--seed", "5", "--noise", "1"]
        assert cli.main([*words, "--out", str(tmp_path / name)]) == 0
    assert "invented" in capsys.readouterr().out
    files = sorted(str(p.relative_to(tmp_path / "a")) for p in (tmp_path / "a").rglob("*") if p.is_file())
    assert {"landmarks.json", "truth.json"} < set(files)
    assert all((tmp_path / "a" / f).read_bytes() == (tmp_path / "b" / f).read_bytes() for f in files)


def test_progress_is_plain_and_apart_from_results(tmp_path: Path) -> None:
    done = subprocess.run(
        [*PROGRAM, "phantom", "normal", "--size", "quick", "--spacing", "3", "--out", str(tmp_path / "a")],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "TERM": "xterm"},
    )
    assert "Making the phantom" in done.stderr
    assert "\x1b" not in done.stderr + done.stdout
    assert "\r" not in done.stderr
    assert "Making" not in done.stdout


def test_the_readers_early_end_is_no_error() -> None:
    process = subprocess.Popen([*PROGRAM, "phantom", "--list"], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert process.stdout is not None
    process.stdout.close()
    assert process.stderr is not None
    assert process.stderr.read() == b""
    process.stderr.close()
    process.wait(timeout=30)


def test_defaults_are_those_of_the_library() -> None:
    from septal_planner import pipeline
    from septal_planner.puncture import catheter, doubt_sources, survey, target

    got = calls.build_parser().parse_args(["plan", "a", "b", "--out", "c"])
    assert got.procedure == pipeline.DEFAULT_PROCEDURE
    assert got.sheath_angle == catheter.SHEATH_ANGLE_DEG
    assert got.landmark_sd == target.LANDMARK_SD_MM
    assert (got.draws, got.seed) == (doubt_sources.DRAWS, survey.SEED)
    taken = (got.needle_sd, got.tenting, got.tenting_sd, got.tenting_direction, got.beat_sd, got.beat_across_sd)
    assert doubt_sources.Doubts(*taken, got.breath_sd) == doubt_sources.Doubts()
