"""Hostile and damaged files: one sentence, nothing written where it should not be, no wrong voxels taken for right."""

from __future__ import annotations

import gzip
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import SimpleITK as sitk

from septal_planner import cli
from septal_planner.errors import InputRefused
from septal_planner.inputs.dicom_headers import files_under
from septal_planner.inputs.landmark_checks import check_landmarks
from septal_planner.inputs.landmarks import Landmarks, read_landmarks
from septal_planner.inputs.volume import read_volume
from septal_planner.report import picture_files
from septal_planner.report.pdf import _printable


@pytest.mark.parametrize("suffix", [".nii.gz", ".nrrd", ".mha"])
def test_a_spoilt_checksum_is_refused(suffix: str, tmp_path: Path) -> None:
    """RFC 1952 and RFC 1950: the checksum at the end of the stream; readers stop before it."""
    values = np.random.default_rng(0).integers(-1000, 1000, (20, 20, 20)).astype(np.int16)
    file = tmp_path / f"ct{suffix}"
    sitk.WriteImage(sitk.GetImageFromArray(values), str(file), True)
    assert np.array_equal(read_volume(file).hu, values)
    content = bytearray(file.read_bytes())
    content[-6] ^= 0xFF  # within the checksum of gzip (8 bytes with the length) or zlib (4)
    content[-2] ^= 0xFF
    file.write_bytes(content)
    with pytest.raises(InputRefused, match="cannot be read"):
        read_volume(file)


def test_gzip_of_several_members_is_read(tmp_path: Path) -> None:
    values = np.random.default_rng(0).integers(-1000, 1000, (9, 9, 9)).astype(np.int16)
    sitk.WriteImage(sitk.GetImageFromArray(values), str(tmp_path / "a.nii"))
    plain = (tmp_path / "a.nii").read_bytes()
    (tmp_path / "b.nii.gz").write_bytes(gzip.compress(plain[:500]) + gzip.compress(plain[500:]))
    assert np.array_equal(read_volume(tmp_path / "b.nii.gz").hu, values)


def test_landmarks_nested_without_end(tmp_path: Path) -> None:
    (tmp_path / "l.json").write_text("[" * 100_000)
    with pytest.raises(InputRefused, match="not valid JSON"):
        read_landmarks(tmp_path / "l.json")


def test_one_valve_marked_twice(quick_phantom: Any) -> None:
    from septal_planner.validation import volume_of

    points = dict(quick_phantom.landmarks)
    points["tricuspid_annulus"] = points["mitral_annulus"]
    del points["left_ventricle"], points["right_ventricle"]
    with pytest.raises(InputRefused, match=r"tricuspid_annulus are 0\.0 mm apart"):
        check_landmarks(Landmarks(points), volume_of(quick_phantom))


def test_aorta_point_in_a_ventricle(
    written_phantom: Any, landmarks_json: dict[str, Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    landmarks_json["landmarks"]["aorta"] = landmarks_json["landmarks"]["right_ventricle"]
    (tmp_path / "l.json").write_text(json.dumps(landmarks_json))
    assert cli.main(["plan", str(written_phantom.ct), str(tmp_path / "l.json"), "--out", str(tmp_path / "out")]) == 4
    assert "one pool of blood" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_a_call_that_cannot_be_parsed_ends_in_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        cli.main(["plan", "a", "b", "--out", "c", "--target", "x\n\x1b[31m", "1", "1"])
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "is not a number" in said
    assert "\x1b" not in said


def test_a_console_without_the_letters(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", "import sys; from septal_planner.cli import main; sys.exit(main())",
         "phantom", "normal", "--size", "quick", "--spacing", "4", "--out", str(tmp_path / "ö")],
        capture_output=True, check=False, env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert b"\\xf6" in done.stdout


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
def test_a_pipe_in_the_folder_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "gone").symlink_to("nowhere")
    assert [p.name for p in files_under(tmp_path)] == ["gone"]


def test_control_codes_are_not_printed() -> None:
    assert _printable("a\x00b\x1b\u202e\ud800") == "a?b???"


@pytest.mark.parametrize("name", ["/escaped", "../escaped", "a\x00b", "plan"])
def test_pictures_of_a_strange_name_are_not_shown(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    picture = {
        "name": name, "title": "", "caption": "", "size_px": [1, 1], "mm_per_px": 1.0, "window_hu": [0, 1],
        "edges": dict.fromkeys(("left", "right", "top", "bottom"), ""), "marks": [], "origin_lps": [0, 0, 0],
        "right_lps": [1, 0, 0], "down_lps": [0, 1, 0],
    }  # fmt: skip
    index = {"schema_version": 1, "plan_sha256": "0", "not_shown": {}}
    index["pictures"] = [{"file": "x.png", "sha256": "0", "picture": picture}]
    (tmp_path / "pictures.json").write_text(json.dumps(index))
    monkeypatch.setattr(picture_files, "plan_sha256", lambda _plan: "0")
    found = picture_files.load_pictures(tmp_path, object())  # type: ignore[arg-type]
    assert found.shown == ()
    assert all("cannot be read" in why for why in found.not_shown.values())
