"""`plan`, `report` and `schema` from end to end on the quick phantom."""

from __future__ import annotations

import contextlib
import io
import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import SimpleITK as sitk

from septal_planner import cli


@pytest.fixture(scope="module")
def planned(written_phantom: Any, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str, str]:
    """The folder written by `plan`, and what stood on standard output and error."""
    out = tmp_path_factory.mktemp("plan") / "deep" / "out"
    said, told = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(told):
        status = cli.main(["plan", str(written_phantom.ct), str(written_phantom.landmarks), "--out", str(out)])
    assert status == 0, told.getvalue()
    return out, said.getvalue(), told.getvalue()


def test_writes_what_it_promises_and_nothing_else(planned: tuple[Path, str, str]) -> None:
    out, _, _ = planned
    assert sorted(p.name for p in out.iterdir()) == [
        "labels.nii.gz", "pictures", "plan.json", "plan.pdf", "quality.png",
    ]  # fmt: skip
    assert (out / "plan.pdf").read_bytes().startswith(b"%PDF-")
    assert len(list((out / "pictures").glob("*.png"))) >= 4


def test_says_the_plan_on_stdout_and_progress_on_stderr(planned: tuple[Path, str, str]) -> None:
    out, said, told = planned
    plan = json.loads((out / "plan.json").read_text("utf-8"))
    height = plan["puncture"]["height_above_mitral_annulus_mm"]
    for words in (f"{height:.1f} mm, 95 % interval", plan["puncture"]["zone"], "RAO", "not a medical device", str(out)):
        assert words in said
    assert "Measuring the septal wall" in told
    assert "Measuring the septal wall" not in said


def test_plan_has_the_promised_keys_and_holds_the_truth(planned: tuple[Path, str, str], quick_phantom: Any) -> None:
    plan = json.loads((planned[0] / "plan.json").read_text("utf-8"))
    assert list(plan)[:6] == ["schema_version", "software", "coordinate_system", "unit", "ct", "landmarks"]
    assert plan["ct"]["size"] == [142, 140, 128]
    assert plan["ct"]["phase_percent"] == 70
    low, high = plan["puncture"]["height_interval_95_mm"]
    assert low <= float(quick_phantom.truth.height_mm(np.array(plan["puncture"]["target_mm"]))[0]) <= high
    assert plan["anatomy"]["fossa"]["boundary"] == "membrane"


def test_labels_lie_over_the_ct_in_another_reader(planned: tuple[Path, str, str], quick_phantom: Any) -> None:
    # SimpleITK, which reads LPS, at places the phantom's own closed forms know
    image = sitk.ReadImage(str(planned[0] / "labels.nii.gz"))
    heart = quick_phantom.truth.heart
    for point, label in (
        (heart.la_body.center, 1),
        (heart.ra_body.center, 2),
        (heart.root_base + 15 * heart.root_axis, 3),
    ):
        assert image.GetPixel(image.TransformPhysicalPointToIndex([float(x) for x in point])) == label
    values = sitk.GetArrayFromImage(image)
    assert set(np.unique(values)) == {0, 1, 2, 3, 4, 5, 6}
    k, j, i = np.nonzero(values == 6)
    points = [image.TransformIndexToPhysicalPoint([int(a), int(b), int(c)]) for a, b, c in zip(i, j, k, strict=True)]
    # half the wall where the membrane ends, (1.9 + 7.5) / 4 mm, and half a voxel's diagonal
    off = np.abs(quick_phantom.truth.midsurface_distance_mm(np.array(points)))
    assert off.max() < 2.35 + 0.87
    assert np.median(off) < 1.0


def test_the_same_call_gives_the_same_bytes(
    planned: tuple[Path, str, str], written_phantom: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["plan", str(written_phantom.ct), str(written_phantom.landmarks), "--out", str(tmp_path), "--json"]
    assert cli.main(words) == 0
    assert json.loads(capsys.readouterr().out) == json.loads((planned[0] / "plan.json").read_text("utf-8"))
    for name in ("plan.json", "plan.pdf", "quality.png", "labels.nii.gz", "pictures/pictures.json"):
        assert (tmp_path / name).read_bytes() == (planned[0] / name).read_bytes(), name


def test_report_prints_the_saved_plan_again(
    planned: tuple[Path, str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["report", str(planned[0] / "plan.json"), "--out", str(tmp_path / "a4")]) == 0
    assert (tmp_path / "a4" / "plan.pdf").read_bytes() == (planned[0] / "plan.pdf").read_bytes()
    assert cli.main(["report", str(planned[0] / "plan.json"), "--out", str(tmp_path / "us"), "--paper", "letter"]) == 0
    assert (tmp_path / "a4" / "quality.png").read_bytes() == (planned[0] / "quality.png").read_bytes()
    assert (tmp_path / "us" / "plan.pdf").read_bytes() != (planned[0] / "plan.pdf").read_bytes()
    # without its pictures it says what is missing
    shutil.copy(planned[0] / "plan.json", tmp_path / "plan.json")
    capsys.readouterr()
    assert cli.main(["report", str(tmp_path / "plan.json"), "--out", str(tmp_path / "bare")]) == 0
    assert "no pictures folder" in capsys.readouterr().out


def test_report_of_no_plan_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "plan.json").write_text("{}")
    for path in (tmp_path / "plan.json", tmp_path / "nothing.json"):
        assert cli.main(["report", str(path), "--out", str(tmp_path / "out")]) == 3
        assert capsys.readouterr().err.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_identity_is_printed_only_when_asked_for(
    written_phantom: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import pydicom

    from septal_planner import handing_on

    shutil.copytree(written_phantom.ct, tmp_path / "ct")
    for path in sorted((tmp_path / "ct").iterdir()):
        d = pydicom.dcmread(path)
        d.PatientName, d.PatientID = "Zzyzx^Quillon", "ID-4711-0815"
        d.save_as(path)
    told: list[Any] = []
    printed = handing_on.write_pdf

    def write(*given: Any, **named: Any) -> None:
        told.append(named["identity"])
        printed(*given, **named)

    monkeypatch.setattr(handing_on, "write_pdf", write)
    words = ["plan", str(tmp_path / "ct"), str(written_phantom.landmarks), "--draws", "0", "--out"]
    assert cli.main([*words, str(tmp_path / "without")]) == 0
    assert cli.main([*words, str(tmp_path / "with"), "--with-identity"]) == 0
    assert told[0] is None
    assert "Quillon" in " ".join(told[1].values())
    for path in (p for folder in ("with", "without") for p in (tmp_path / folder).rglob("*.json")):
        assert "Quillon" not in path.read_text("utf-8")
        assert "ID-4711-0815" not in path.read_text("utf-8")


def test_disk_full_while_printing(
    written_phantom: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import errno
    import os

    from septal_planner import handing_on

    def write(*_args: object, **_named: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(handing_on, "write_pdf", write)
    out = tmp_path / "out"
    words = ["plan", str(written_phantom.ct), str(written_phantom.landmarks), "--draws", "0", "--out", str(out)]
    assert cli.main(words) == 3
    said = [line for line in capsys.readouterr().err.splitlines() if not line.startswith("[")]
    assert len(said) == 1
    assert "full" in said[0]
    assert not out.exists()


def test_schema_describes_the_plan(planned: tuple[Path, str, str], capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["schema"]) == 0
    first = capsys.readouterr().out
    assert cli.main(["schema", "plan"]) == 0
    assert capsys.readouterr().out == first
    schema = json.loads(first)
    plan = json.loads((planned[0] / "plan.json").read_text("utf-8"))
    assert set(plan) <= set(schema["properties"])
    assert schema["additionalProperties"] is False
    assert set(schema["required"]) <= set(plan)
