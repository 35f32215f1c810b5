"""Bad input ends in one clear sentence, the right exit status, and nothing half written."""

from __future__ import annotations

import errno
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from septal_planner import cli


@pytest.fixture
def case(written_phantom: Any, landmarks_json: dict[str, Any], tmp_path: Path) -> Any:
    """A call of `plan` with spoilt inputs; asserts what every refusal has in common and gives the sentence."""

    class Case:
        landmarks = landmarks_json
        points = landmarks_json["landmarks"]
        out = tmp_path / "out"

        def refused(self, capsys: pytest.CaptureFixture[str], status: int, *more: str, ct: Path | None = None) -> str:
            marked = tmp_path / "landmarks.json"
            marked.write_text(json.dumps(self.landmarks))
            capsys.readouterr()
            got = cli.main(["plan", str(ct or written_phantom.ct), str(marked), "--out", str(self.out), *more])
            return one_sentence(got, status, capsys, self.out)

        def copied(self, name: str = "ct") -> Path:
            """The phantom's files, to be spoilt."""
            folder = tmp_path / name
            shutil.copytree(written_phantom.ct, folder)
            return folder

    return Case()


def one_sentence(got: int, status: int, capsys: pytest.CaptureFixture[str], out: Path) -> str:
    said = capsys.readouterr()
    assert got == status, said.err
    assert said.out == ""
    lines = [line for line in said.err.splitlines() if not line.startswith("[")]
    assert len(lines) == 1, said.err
    assert lines[0].startswith("septal-planner: ")
    assert lines[0].endswith(".")
    assert "Traceback" not in said.err
    assert not out.exists()
    return lines[0]


def slices(folder: Path) -> list[Path]:
    return sorted(p for p in folder.rglob("*") if p.is_file())


# ----------------------------------------------------------------------------------------------------------------
# the CT


def test_folder_that_is_not_there(case: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "nowhere" in case.refused(capsys, 3, ct=tmp_path / "nowhere")


def test_empty_folder(case: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "empty").mkdir()
    assert "empty" in case.refused(capsys, 3, ct=tmp_path / "empty")


def test_folder_without_a_ct(case: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters" / "a.txt").write_text("Dear colleague")
    assert "letters" in case.refused(capsys, 3, ct=tmp_path / "letters")


def test_two_series_that_would_do(case: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import pydicom

    folder = case.copied()
    for path in slices(folder):
        d = pydicom.dcmread(path)
        d.SeriesInstanceUID = "2.25.1"
        d.SOPInstanceUID = d.file_meta.MediaStorageSOPInstanceUID = f"2.25.2.{d.InstanceNumber}"
        d.save_as(folder / f"other-{path.name}")
    sentence = case.refused(capsys, 3, ct=folder)
    assert "--series" in sentence
    assert "2.25.1" in sentence


def test_missing_slice(case: Any, capsys: pytest.CaptureFixture[str]) -> None:
    folder = case.copied()
    files = slices(folder)
    files[len(files) // 2].unlink()
    sentence = case.refused(capsys, 3, ct=folder)
    assert "missing" in sentence or "gap" in sentence


def test_truncated_file(case: Any, capsys: pytest.CaptureFixture[str]) -> None:
    folder = case.copied()
    file = slices(folder)[40]
    file.write_bytes(file.read_bytes()[:9000])
    assert file.name in case.refused(capsys, 3, ct=folder)


def test_corrupt_nifti(case: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "ct.nii.gz").write_bytes(b"\x1f\x8b not really")
    assert "ct.nii.gz" in case.refused(capsys, 3, ct=tmp_path / "ct.nii.gz")


def test_nifti_without_orientation(case: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import nibabel

    image = nibabel.Nifti1Image(np.zeros((40, 40, 40), np.int16), None)
    image.header.set_sform(None, code=0)
    image.header.set_qform(None, code=0)
    nibabel.save(image, tmp_path / "ct.nii")
    sentence = case.refused(capsys, 3, ct=tmp_path / "ct.nii")
    assert "ct.nii" in sentence
    assert "orientation" in sentence or "form" in sentence


def test_eight_bit_picture(case: Any, quick_phantom: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import SimpleITK as sitk

    gray = np.clip((quick_phantom.hu[::2, ::2, ::2].astype(float) + 200) / 3, 0, 255).astype(np.uint8)
    sitk.WriteImage(sitk.GetImageFromArray(gray), str(tmp_path / "ct.nrrd"))
    sentence = case.refused(capsys, 3, ct=tmp_path / "ct.nrrd")
    assert "Hounsfield" in sentence or "HU" in sentence


# --------------------------------------------------------------------------------------------------------- the
# landmarks


def test_landmarks_that_are_not_json(written_phantom: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "l.json").write_text("x = 1")
    out = tmp_path / "out"
    got = cli.main(["plan", str(written_phantom.ct), str(tmp_path / "l.json"), "--out", str(out)])
    assert "l.json" in one_sentence(got, 3, capsys, out)


def test_landmarks_in_another_frame_of_reference(case: Any, capsys: pytest.CaptureFixture[str]) -> None:
    case.landmarks["frame_of_reference_uid"] = "1.2.3.4"
    assert "1.2.3.4" in case.refused(capsys, 3)


def test_landmark_outside_the_volume(case: Any, capsys: pytest.CaptureFixture[str]) -> None:
    case.points["fossa"] = [[900.0, 0.0, 0.0]]
    sentence = case.refused(capsys, 3)
    assert "fossa" in sentence
    assert "outside" in sentence


def test_atria_swapped(case: Any, capsys: pytest.CaptureFixture[str]) -> None:
    case.points["left_atrium"], case.points["right_atrium"] = case.points["right_atrium"], case.points["left_atrium"]
    sentence = case.refused(capsys, 3)
    assert "left_atrium" in sentence
    assert "right_atrium" in sentence


def test_five_annulus_points(case: Any, capsys: pytest.CaptureFixture[str]) -> None:
    case.points["mitral_annulus"] = case.points["mitral_annulus"][::4][:5]
    sentence = case.refused(capsys, 3)
    assert "mitral_annulus" in sentence
    assert "6" in sentence


def test_annulus_points_on_a_line(case: Any, capsys: pytest.CaptureFixture[str]) -> None:
    middle = np.mean(case.points["mitral_annulus"], axis=0)
    case.points["mitral_annulus"] = [(middle + (s, 0.3 * s, 0.0)).tolist() for s in np.linspace(-15, 15, 8)]
    sentence = case.refused(capsys, 3)
    assert "mitral_annulus" in sentence
    assert "line" in sentence


def test_missing_landmark(case: Any, capsys: pytest.CaptureFixture[str]) -> None:
    del case.points["inferior_vena_cava"]
    assert "inferior_vena_cava" in case.refused(capsys, 3)


def test_fossa_point_off_the_septum(case: Any, capsys: pytest.CaptureFixture[str]) -> None:
    case.points["fossa"] = (np.array(case.points["left_atrium"]) + (20.0, 25.0, 0.0)).tolist()
    case.refused(capsys, 4)


def test_annulus_points_in_disorder_are_put_in_order(
    written_phantom: Any, landmarks_json: dict[str, Any], quick_phantom: Any
) -> None:
    from septal_planner.anatomy.annulus import measure_annulus
    from septal_planner.inputs.landmark_checks import check_landmarks
    from septal_planner.inputs.landmarks import Landmarks
    from septal_planner.validation import volume_of

    order = np.random.default_rng(1).permutation(len(quick_phantom.landmarks["mitral_annulus"]))
    points = {**quick_phantom.landmarks, "mitral_annulus": quick_phantom.landmarks["mitral_annulus"][order]}
    checked = check_landmarks(Landmarks(points), volume_of(quick_phantom))
    assert any("mitral_annulus" in note and "reordered" in note for note in checked.notes)
    ring = measure_annulus(checked.points_lps["mitral_annulus"], atrium_point_lps=points["left_atrium"][0])
    assert ring.perimeter_mm == pytest.approx(quick_phantom.truth.mitral.perimeter_mm, rel=0.02)


# ------------------------------------------------------------------------------------------------------- call and
# output


def test_target_off_the_septum(case: Any, capsys: pytest.CaptureFixture[str]) -> None:
    sentence = case.refused(capsys, 3, "--target", "-12.3", "-152.7", "690")
    assert "off the septum" in sentence


def test_unknown_procedure(case: Any, capsys: pytest.CaptureFixture[str]) -> None:
    sentence = case.refused(capsys, 2, "--procedure", "nonsense")
    assert "edge-to-edge-degenerative" in sentence


def test_unknown_phantom(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    sentence = one_sentence(cli.main(["phantom", "nonsense", "--out", str(out)]), 2, capsys, out)
    assert "rotated-heart" in sentence


def test_output_folder_below_a_file(case: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").write_text("x")
    case.out = tmp_path / "file" / "out"
    assert "cannot be written" in case.refused(capsys, 3)


def test_output_folder_that_nobody_can_write(case: Any, capsys: pytest.CaptureFixture[str]) -> None:
    if not Path("/proc/self").exists():
        pytest.skip("no /proc here")
    case.out = Path("/proc/plan")  # takes no new folders from anyone, root included
    assert "cannot be written" in case.refused(capsys, 3)


def test_disk_full_while_writing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import septal_phantoms

    def write(*_args: object, **_named: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(septal_phantoms, "write_truth", write)
    out = tmp_path / "out"
    got = cli.main(["phantom", "normal", "--size", "quick", "--spacing", "4", "--out", str(out)])
    assert "full" in one_sentence(got, 3, capsys, out)
    assert list(tmp_path.iterdir()) == []


def test_something_unforeseen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import septal_phantoms

    def make(*_args: object, **_named: object) -> None:
        raise RuntimeError("a wheel came off")

    monkeypatch.setattr(septal_phantoms, "make", make)
    out = tmp_path / "out"
    sentence = one_sentence(cli.main(["phantom", "normal", "--out", str(out)]), 1, capsys, out)
    assert "SEPTAL_PLANNER_DEBUG=1" in sentence
    assert "a wheel came off" in sentence
    monkeypatch.setenv("SEPTAL_PLANNER_DEBUG", "1")
    with pytest.raises(RuntimeError, match="a wheel came off"):
        cli.main(["phantom", "normal", "--out", str(out)])


# a shell that starts the tests in the background has them ignore Ctrl-C, nohup that the terminal closes, and what they
# start too
FROM_A_TERMINAL = """
import signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)
signal.signal(signal.SIGHUP, signal.SIG_DFL)
from septal_planner.cli import main
sys.exit(main())
"""


# SIGHUP is what a terminal that is closed sends (POSIX.1-2017, XBD 11.1.10)
@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_stopped_midway(sent: signal.Signals, tmp_path: Path) -> None:
    out = tmp_path / "out"
    call = [sys.executable, "-c", FROM_A_TERMINAL]
    process = subprocess.Popen(
        [*call, "phantom", "normal", "--out", str(out)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        assert process.stderr is not None
        assert "Making the phantom" in process.stderr.readline()
        assert out.exists()
        time.sleep(0.3)
        process.send_signal(sent)
        said_out, said_err = process.communicate(timeout=60)
    finally:
        process.kill()
    assert process.returncode == 130
    assert said_out == ""
    lines = [line for line in said_err.splitlines() if not line.startswith("[")]
    assert lines == ["septal-planner: Stopped before the end; nothing was left half written."]
    assert not out.exists()


def test_stopped_while_planning(written_phantom: Any, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "plan.json").write_text("of last week")
    words = ["plan", str(written_phantom.ct), str(written_phantom.landmarks), "--out", str(out)]
    process = subprocess.Popen(
        [sys.executable, "-c", FROM_A_TERMINAL, *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stderr is not None
        for line in process.stderr:
            if "Finding the atria" in line:
                break
        process.send_signal(signal.SIGINT)
        said_out, said_err = process.communicate(timeout=60)
    finally:
        process.kill()
    assert process.returncode == 130
    assert said_out == ""
    assert said_err.splitlines()[-1] == "septal-planner: Stopped before the end; nothing was left half written."
    assert "Traceback" not in said_err
    assert {p.name: p.read_text() for p in out.iterdir()} == {"plan.json": "of last week"}
