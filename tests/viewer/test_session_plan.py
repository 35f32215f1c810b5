"""The state of the viewer without a window: plans saved as the console saves them, opened again, and refused."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from septal_viewer.session import NO_ANATOMY, Session

from septal_planner import cli
from septal_planner.inputs.volume import read_volume
from septal_planner.plan import load_plan


def state(s: Session) -> Any:
    return {n: p.tolist() for n, p in s.points_lps.items()}, s.locked, s.target_lps, s.procedure


@pytest.fixture(scope="module")
def console(written_phantom: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The plan as the console program writes it."""
    out = tmp_path_factory.mktemp("console")
    assert cli.main(["plan", str(written_phantom.ct), str(written_phantom.landmarks), "--out", str(out)]) == 0
    return out


@pytest.fixture(scope="module")
def opened(written_phantom: Any) -> Session:
    """The same CT and landmarks, opened and found as the viewer does."""
    s = Session()
    assert s.set_volume(read_volume(written_phantom.ct), path=written_phantom.ct)
    assert s.open_landmarks(written_phantom.landmarks)
    assert s.find_now()
    return s


def test_the_saved_plan_is_the_console_s_to_the_last_byte(opened: Session, console: Path, tmp_path: Path) -> None:
    paths = opened.save_plan(tmp_path / "out")
    assert [p.relative_to(tmp_path / "out") for p in paths] == sorted(
        p.relative_to(console) for p in console.rglob("*") if p.is_file()
    )
    for path in paths:
        assert path.read_bytes() == (console / path.relative_to(tmp_path / "out")).read_bytes(), path.name
    assert not opened.unsaved


def test_a_saved_plan_comes_back(opened: Session, tmp_path: Path) -> None:
    assert opened.found is not None
    assert opened.volume is not None
    opened.move_target(opened.found.fossa.center_lps + 1.0)
    opened.set_procedure("edge-to-edge-functional")
    assert opened.save_plan(tmp_path)
    target = np.array(opened.target_lps)
    again = Session()
    again.set_volume(opened.volume)
    assert again.open_plan(tmp_path / "plan.json")
    assert not again.unsaved
    assert again.procedure == "edge-to-edge-functional"
    assert np.linalg.norm(np.array(again.target_lps) - target) < 0.01
    for name, p in opened.points_lps.items():
        np.testing.assert_allclose(again.points_lps[name], p, atol=1e-6)
    assert again.ask_for_anatomy() is not None
    assert again.take_found(opened.found)
    assert again.site is not None
    assert again.site.source == "user"


def test_a_plan_of_a_newer_version_or_another_ct_changes_nothing(
    opened: Session, console: Path, tmp_path: Path, listen: Any
) -> None:
    ear, before = listen(opened), state(opened)
    document = json.loads((console / "plan.json").read_text("utf-8"))
    (tmp_path / "newer.json").write_text(json.dumps({**document, "schema_version": 99}))
    (tmp_path / "no.json").write_text("[]")
    other = json.loads(json.dumps(document))
    other["ct"]["series_instance_uid"] = "9.8.7"
    (tmp_path / "other.json").write_text(json.dumps(other))
    for name, words in (
        ("newer.json", "newer version"), ("no.json", "not a plan"), ("other.json", "another CT"),
        ("absent.json", "cannot be read"),
    ):  # fmt: skip
        assert not opened.open_plan(tmp_path / name)
        assert words in ear.last()
        assert state(opened) == before
        assert opened.found is not None
    bare = Session()
    assert opened.volume is not None
    volume = replace(opened.volume, series_instance_uid=None)  # told by its content then, which is the same
    bare.set_volume(volume)
    assert bare.open_plan(console / "plan.json")
    assert load_plan(console / "plan.json").puncture.target_source == "computed"
    assert bare.target_lps is None
    changed = np.array(volume.hu)
    changed[0, 0, 0] += 1
    bare.set_volume(replace(volume, hu=changed), discard=True)
    assert not bare.open_plan(console / "plan.json")


def test_nothing_is_saved_where_it_cannot_be(opened: Session, tmp_path: Path, listen: Any) -> None:
    ear = listen(opened)
    (tmp_path / "file").write_text("")
    assert opened.save_plan(tmp_path / "file" / "out") == []
    assert "cannot be written" in ear.last()
    assert NO_ANATOMY not in ear.last()
