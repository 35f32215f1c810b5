"""The command `xray`: a picture or an XA frame of a saved plan, and one sentence where it cannot be."""

from __future__ import annotations

import contextlib
import io
import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
import SimpleITK as sitk
from PIL import Image

from septal_planner import cli
from septal_planner.inputs.angiogram import read_angiogram
from septal_planner.plan import load_plan
from septal_planner.report.xray_marks import plan_marks
from septal_planner.simulated_xray import Wanted, frame_of


def call(*words: object) -> tuple[int, str, str]:
    said, told = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(told):
        try:
            status = cli.main([str(w) for w in words])
        except SystemExit as end:
            status = int(str(end.code))
    return status, said.getvalue(), told.getvalue()


@pytest.fixture(scope="module")
def planned(written_phantom: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A plan.json without its CT beside it."""
    out = tmp_path_factory.mktemp("xray")
    status, _, told = call("plan", written_phantom.ct, written_phantom.landmarks, "--draws", "0", "--out", out)
    assert status == 0, told
    return out / "plan.json"


VIEW = ("--primary", "-33", "--secondary", "12", "--size", "256")


def test_the_picture_shows_the_plan_where_it_lies(planned: Path, written_phantom: Any, tmp_path: Path) -> None:
    plain, drawn = tmp_path / "plain.png", tmp_path / "drawn.png"
    assert call("xray", planned, *VIEW, "--ct", written_phantom.ct, "--out", plain, "--plain")[0] == 0
    status, said, _ = call("xray", planned, *VIEW, "--ct", written_phantom.ct, "--out", drawn, "--chambers")
    assert status == 0
    assert "RAO 33 CRA 12" in said
    a, b = (np.asarray(Image.open(p), dtype=float) for p in (plain, drawn))
    assert a.shape == b.shape == (256, 256, 3)
    plan = load_plan(planned)
    frame = frame_of(plan, Wanted(-33, 12, size_px=256))
    for mark in plan_marks(plan, frame):
        if mark.kind != "closed":
            continue
        for x, y in mark.points_px[::10]:
            if 2 <= x < 254 and 60 <= y < 254:  # below the title, which covers what lies behind it
                here = np.s_[round(y) - 1 : round(y) + 2, round(x) - 1 : round(x) + 2]
                assert np.abs(a[here] - b[here]).max() > 20, mark.role


def test_the_same_call_gives_the_same_bytes(planned: Path, written_phantom: Any, tmp_path: Path) -> None:
    for name in ("a.png", "b.png", "a.dcm", "b.dcm"):
        more = ("--photons", "500", "--blur", "0.4", "--scatter", "0.3", "--seed", "3")
        assert call("xray", planned, *VIEW, *more, "--ct", written_phantom.ct, "--out", tmp_path / name)[0] == 0
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()
    assert (tmp_path / "a.dcm").read_bytes() == (tmp_path / "b.dcm").read_bytes()


def test_the_frame_is_sound_dicom_that_others_read(planned: Path, written_phantom: Any, tmp_path: Path) -> None:
    out = tmp_path / "view.dcm"
    more = ("--sid", "1108", "--sod", "788.27", "--pixel", "0.8")
    assert call("xray", planned, *VIEW, *more, "--ct", written_phantom.ct, "--out", out)[0] == 0
    ds = pydicom.dcmread(out)
    assert ds.SOPClassUID == "1.2.840.10008.5.1.4.1.1.12.1"  # PS3.4 B.5: X-Ray Angiographic Image Storage
    assert (ds.PositionerPrimaryAngle, ds.PositionerSecondaryAngle) == (-33, 12)
    assert (ds.DistanceSourceToDetector, ds.DistanceSourceToPatient) == (1108, 788.27)
    # an angiography system that stands at these distances writes 1.4056
    assert float(ds.EstimatedRadiographicMagnificationFactor) == pytest.approx(1.4056, abs=5e-5)
    assert list(ds.ImagerPixelSpacing) == [0.8, 0.8]
    assert list(ds.PatientOrientation) == ["LA", "F"]  # from the right and front, the front lies to the right
    assert not ds.PatientName
    assert not ds.PatientID
    overlay = ds.overlay_array(0x6000)
    assert overlay.shape == (256, 256)
    assert 500 < overlay.sum() < 20_000
    assert ds.pixel_array.max() == 4095
    read = read_angiogram(out).geometry(1)
    assert (read.primary_deg, read.secondary_deg, read.source_isocenter_mm) == (-33, 12, 788.27)
    image = sitk.ReadImage(str(out))
    np.testing.assert_array_equal(sitk.GetArrayFromImage(image)[0], ds.pixel_array)
    checker = shutil.which("dciodvfy")
    if checker is None:
        pytest.skip("the checker dciodvfy (Debian package dicom3tools) is not here")
    found = subprocess.run([checker, "-new", str(out)], capture_output=True, text=True, check=False)
    assert "Error" not in found.stderr + found.stdout


def test_the_ct_beside_the_plan_is_found(planned: Path, written_phantom: Any, tmp_path: Path) -> None:
    shutil.copy(planned, tmp_path)
    shutil.copytree(written_phantom.ct, tmp_path / "ct")
    out = tmp_path / "view.png"
    assert call("xray", tmp_path / "plan.json", *VIEW, "--out", out)[0] == 0
    assert out.is_file()


def test_another_ct_is_refused(planned: Path, written_phantom: Any, tmp_path: Path) -> None:
    ct = tmp_path / "ct"
    shutil.copytree(written_phantom.ct, ct)
    first = sorted(ct.iterdir())[5]
    ds = pydicom.dcmread(first)
    pixels = ds.pixel_array.copy()
    pixels[3, 4] += 1
    ds.PixelData = pixels.tobytes()
    ds.save_as(first)
    status, _, told = call("xray", planned, *VIEW, "--ct", ct, "--out", tmp_path / "view.png")
    assert status == 3
    assert "not the one that the plan" in told
    assert not (tmp_path / "view.png").exists()


def test_without_a_ct_the_curves_are_drawn_when_asked_for_only(planned: Path, tmp_path: Path) -> None:
    out = tmp_path / "view.png"
    status, _, told = call("xray", planned, *VIEW, "--out", out)
    assert status == 3
    assert "--without-ct" in told
    assert "--ct" in told
    assert not out.exists()
    assert call("xray", planned, *VIEW, "--out", out, "--without-ct")[0] == 0
    with Image.open(out) as picture:
        assert picture.size == (256, 256)


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("--out", "view.jpg"), 2, ".png or .dcm"),
        (("--out", "view.dcm", "--without-ct"), 2, "curves"),
        (("--out", "view.png", "--without-ct", "--plain"), 2, "curves"),
        (("--out", "view.png", "--without-ct", "--ct", "here"), 2, "leave one"),
        (("--out", "view.png", "--without-ct", "--sod", "1200"), 2, "isocentre lies between"),
        (("--out", "view.png", "--without-ct", "--primary", "190"), 2, "180"),
        (("--out", "view.png", "--without-ct", "--size", "3"), 2, "--size 3"),
        (("--out", "view.png", "--without-ct", "--scatter", "1"), 2, "share"),
        (("--out", "view.png", "--without-ct", "--isocenter", "0", "0", "9000"), 2, "source"),
        (("--out", "nowhere/view.png", "--without-ct"), 3, "cannot be written"),
        (("--out", "view.png", "--ct", "nowhere"), 3, "does not exist"),
    ],
)
def test_what_cannot_be_is_one_sentence(
    planned: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], status: int, said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    got, _, told = call("xray", planned, *VIEW, *words)
    assert got == status, told
    assert said in told
    assert told.strip().splitlines()[-1].startswith("septal-planner: ")
    assert list(tmp_path.iterdir()) == []


def test_steep_angles_and_a_patient_who_did_not_lie_supine_are_told(planned: Path, tmp_path: Path) -> None:
    document = json.loads(planned.read_text("utf-8"))
    document["ct"]["patient_position"] = "HFP"
    prone = tmp_path / "plan.json"
    prone.write_text(json.dumps(document), "utf-8")
    _, said, _ = call("xray", prone, "--primary", "80", "--secondary", "0", "--out", tmp_path / "v.png", "--without-ct")
    assert "not supine" in said
    assert "beyond what a C-arm" in said


def test_outlines_without_labels_are_refused(planned: Path, tmp_path: Path) -> None:
    shutil.copy(planned, tmp_path)
    words = ("--out", tmp_path / "v.png", "--without-ct", "--chambers")
    status, _, told = call("xray", tmp_path / "plan.json", *VIEW, *words)
    assert status == 3
    assert "label image" in told
