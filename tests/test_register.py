"""The register command from files to files: what it finds and what it says."""

import json
import shutil
import subprocess

import numpy as np
import pytest
from PIL import Image
from septal_phantoms.angiogram import draw, points_document, write_xa, xa_dataset

from septal_planner.cli import main
from septal_planner.registered import registration_json_schema


def test_two_frames(job, capsys):
    assert job.run() == 0
    d = job.found
    true = np.array([setup.pixels(job.iso(job.target_lps))[0] for setup in job.setups])
    for frame, place in zip(d.frames, true, strict=True):
        off = np.linalg.norm(np.array(frame.target_px) - place) * 0.4 * 760 / 1100
        assert off < 1.5
        assert frame.target_in_picture
    m = np.array(d.iso_from_ct)
    assert np.linalg.norm(m[:3, :3] @ job.target_lps + m[:3, 3] - job.iso(job.target_lps)) < 1.5
    assert d.target.rms_mm == pytest.approx(d.target.by_trial_rms_mm, rel=0.15)
    assert d.total_rms_mm == pytest.approx(np.sqrt(d.target.rms_mm**2 + 3**2 + 2**2))
    assert not d.exceeds_limit
    assert len(d.pairs) == 12
    assert d.fossa_rim is not None
    said = capsys.readouterr().out
    assert "not an accuracy" in said
    assert "The plan names no patient" in said
    written = {p.name for p in (job.folder / "out").iterdir()}
    assert written == {"registration.json", "frame-1.png", "frame-1.dcm", "frame-2.png", "frame-2.dcm", "frames.pdf"}
    if shutil.which("dciodvfy"):
        for n in (1, 2):
            said = subprocess.run(["dciodvfy", job.folder / "out" / f"frame-{n}.dcm"], capture_output=True, text=True)
            assert "Error" not in said.stderr


def test_the_file_follows_its_schema_and_comes_again_the_same(job, capsys):
    assert job.run("--json") == 0
    first = capsys.readouterr().out
    assert json.loads(first) == json.loads((job.folder / "out" / "registration.json").read_text("utf-8"))
    assert set(registration_json_schema()["required"]) <= set(json.loads(first))
    assert job.run("--json") == 0
    assert capsys.readouterr().out == first


def test_the_schema_is_printed(job, capsys):
    assert main(["schema", "registration"]) == 0
    schema = json.loads(capsys.readouterr().out)
    assert schema == registration_json_schema()
    assert job.run("--json") == 0
    assert set(json.loads(capsys.readouterr().out)) == set(schema["properties"])


def test_error_budget_adds_squares(job):
    # closed form for independent errors, sqrt(2.5^2 + 3^2 + 2^2) = 4.387: the two motions and whatever the registration
    # gives
    assert job.run("--breathing", "3", "--heartbeat", "2") == 0
    d = job.found
    assert [line.name for line in d.budget] == ["registration", "breathing", "heartbeat"]
    assert np.sqrt(2.5**2 + sum(line.rms_mm**2 for line in d.budget[1:])) == pytest.approx(4.387, abs=1e-3)
    assert all(line.source and line.flag for line in d.budget)


def test_banner_when_the_limit_is_exceeded(job, capsys):
    assert job.run("--limit", "2") == 0
    assert job.found.exceeds_limit
    assert "EXCEEDED" in capsys.readouterr().out
    top = np.asarray(Image.open(job.folder / "out" / "frame-1.png"))[2]
    assert (top == (200, 0, 0)).all()


def test_one_frame_states_its_depth(job, capsys):
    assert job.run(count=1) == 0
    d = job.found
    assert d.frames[0].depth_sd_mm > 2
    assert d.frames[0].lateral_rms_mm < 1.5
    assert "One frame alone" in capsys.readouterr().out


def test_a_wrong_pair_is_left_out_and_named(job, capsys):
    job.points[1]["points"][2]["column"] += 70
    assert job.run() == 0
    unused = [(p.name, p.frame) for p in job.found.pairs if not p.used]
    assert unused == [("lead tip", 2)]
    said = capsys.readouterr().out
    assert "'lead tip' in frame 2 (LAO 30 CRA 10) was left out" in said
    assert "NOT USED" in said


def test_needle_tip_is_placed_on_the_fossa(job):
    place = job.target_lps + [2.0, 1.0, 3.0]
    for n, setup in enumerate(job.setups):
        c, r = setup.pixels(job.iso(place))[0]
        job.points[n]["needle_tip"] = {"column": c, "row": r}
    assert job.run() == 0
    tip = job.found.needle_tip
    assert tip is not None
    assert np.linalg.norm(np.array(tip.place_mm) - place) < 3 * tip.rms_mm
    assert tip.distance_to_target_mm == pytest.approx(np.linalg.norm(place - job.target_lps), abs=3 * tip.rms_mm)
    ring = job.document["anatomy"]["mitral_annulus"]
    height = (place - ring["center_mm"]) @ ring["normal"]  # worked with plain numbers
    assert tip.height_above_mitral_annulus_mm == pytest.approx(height, abs=3 * tip.height_sd_mm)
    shift = np.array([tip.superior_of_target_mm, tip.anterior_of_target_mm, tip.off_surface_mm])
    assert np.linalg.norm(shift) == pytest.approx(tip.distance_to_target_mm)


def test_a_tip_in_one_frame_is_not_located(job, capsys):
    job.points[0]["needle_tip"] = {"column": 300.0, "row": 300.0}
    assert job.run() == 0
    assert job.found.needle_tip is None
    assert "was not located" in capsys.readouterr().out


def test_a_run_is_drawn_on_and_followed(job):
    setup = job.setups[0]
    job.datasets[0] = xa_dataset(setup, [draw(setup, job.iso(job.places_lps) + [0, 0, 2 * n]) for n in range(4)])
    lead = [setup.pixels(job.iso(job.places_lps[2]) + [0, 0, 2 * n])[0] for n in (0, 3)]
    job.points[0]["tracked"] = [
        {"frame": f, "column": float(c), "row": float(r)} for f, (c, r) in zip((1, 4), lead, strict=True)
    ]
    assert job.run("--cine") == 0
    names = {p.name for p in (job.folder / "out").iterdir()}
    assert {"frame-1-run.dcm", "frame-1-at-4.png"} <= names
    import pydicom

    run = pydicom.dcmread(job.folder / "out" / "frame-1-run.dcm")
    assert run.pixel_array.shape == (4, 600, 600)
    assert any("tracked" in c for c in job.found.cautions)

    # registered again with less to draw: what the earlier run drew goes, and nothing else
    mine = {"frame-7.png", "frame-1-at-4.txt"}
    for name in mine:
        (job.folder / "out" / name).write_text("mine")
    job.points[0]["tracked"] = []
    spoilt = job.points[0]["points"]
    job.points[0]["points"] = spoilt[:2]
    assert job.run(count=1) != 0
    assert {p.name for p in (job.folder / "out").iterdir()} == names | mine
    job.points[0]["points"] = spoilt
    assert job.run(count=1) == 0
    left = {p.name for p in (job.folder / "out").iterdir()}
    assert left == {"registration.json", "frame-1.png", "frame-1.dcm", "frames.pdf"} | mine


def test_a_registration_takes_away_no_file_that_it_cannot_have_drawn(job):
    assert job.run(count=1) == 0
    out = job.folder / "out"
    again = json.loads((out / "registration.json").read_text("utf-8"))
    foreign = ["../plan.json", "notes.txt", "/etc/hostname", "frame-1.png/x", "frame-5.png", "frame-6.dcm"]
    again["frames"][0]["drawn"] = foreign
    (out / "registration.json").write_text(json.dumps(again), "utf-8")
    (out / "notes.txt").write_text("mine")
    (out / "frame-5.png").write_text("drawn")
    (out / "frame-6.dcm").mkdir()
    assert job.run(count=1) == 0
    written = {"registration.json", "frame-1.png", "frame-1.dcm", "frames.pdf"}
    assert {p.name for p in out.iterdir()} == written | {"notes.txt", "frame-6.dcm"}
    assert (job.folder / "plan.json").exists()


def test_two_patients_are_warned_of_on_the_picture(job, capsys):
    job.datasets[1].PatientID = "SOMEBODY-ELSE"
    assert job.run() == 0
    assert "different patients" in capsys.readouterr().out
    top = np.asarray(Image.open(job.folder / "out" / "frame-1.png"))[2]
    assert (top == (200, 0, 0)).all()


def test_no_name_of_the_patient_is_written(job):
    job.datasets[0].PatientName = job.datasets[1].PatientName = "SECRET^NAME"
    assert job.run() == 0
    assert b"SECRET" not in (job.folder / "out" / "registration.json").read_bytes()
    assert b"SECRET" not in (job.folder / "out" / "frames.pdf").read_bytes()


def test_the_drawing_follows_one_mark_through_a_run(job):
    """Marked in the first frame only, the run's drawing moves as the discs do."""
    import pydicom

    setup = job.setups[0]
    shift = [0.0, 4.0, 8.0]  # mm toward the head
    there = job.iso(job.places_lps)
    job.datasets[0] = xa_dataset(setup, [draw(setup, there + [0, 0, z], seed=n) for n, z in enumerate(shift)])
    c, r = setup.pixels(there[2])[0]
    job.points[0]["tracked"] = [{"frame": 1, "column": float(c), "row": float(r)}]
    assert job.run("--cine") == 0
    run = pydicom.dcmread(job.folder / "out" / "frame-1-run.dcm").pixel_array
    plain = pydicom.dcmread(job.folder / "0.dcm").pixel_array
    place = np.array(job.found.frames[0].target_px)
    up = 8.0 * 1100 / 760 / 0.4
    radius = np.abs(np.array(job.found.frames[0].target_ellipse_px) - place).max(axis=0)
    for frame, moved in ((0, 0.0), (2, up)):
        # the lowest point of the ellipse is drawn in white
        column, row = round(place[0]), round(place[1] - moved + radius[1])
        assert (run[frame, row - 3 : row + 4, column] == 255).any()
        assert (plain[frame, row - 3 : row + 4, column] < 255).all()


def test_a_simulated_frame_of_the_program_is_taken_as_any_other(job):
    """Two projections made apart from each other, through a file: the patient is found where the simulation put him."""
    from septal_planner.fluoroscopy.projection import pixels_from_points
    from septal_planner.plan import load_plan
    from septal_planner.report.xray_dicom import xa_frame
    from septal_planner.simulated_xray import Wanted, frame_of

    calls = []
    for n, (a, b) in enumerate([(-30, 5), (35, -12)]):
        out = job.folder / f"view{n}.dcm"
        frame = frame_of(load_plan(job.plan), Wanted(a, b, size_px=512))
        out.write_bytes(xa_frame(np.full((512, 512), 900, np.uint16), None, frame, load_plan(job.plan)))
        seen = pixels_from_points(frame, job.places_lps)
        document = points_document(*(dict(zip(job.names, p, strict=True)) for p in (job.places_lps, seen)))
        (job.folder / f"view{n}.json").write_text(json.dumps(document), "utf-8")
        calls += ["--frame", str(out), str(job.folder / f"view{n}.json")]
    assert main(["register", str(job.plan), *calls, "--out", str(job.folder / "out")]) == 0
    m = np.array(job.found.iso_from_ct)
    np.testing.assert_allclose(m[:3, :3] @ job.target_lps + m[:3, 3], 0, atol=0.05)  # the isocentre is the target
    np.testing.assert_allclose(m[:3, :3], np.eye(3), atol=1e-3)
    assert job.found.residual_rms_mm < 0.02


def test_pictures_alone_agree_or_say_that_they_mean_nothing(job, quick_phantom, monkeypatch):
    """Frames simulated from the CT agree with the points; noise is said to mean nothing; neither moves anything."""
    pytest.importorskip("numba")
    from septal_planner import registering, registration_files
    from septal_planner.fluoroscopy import image_refinement
    from septal_planner.fluoroscopy.drr import Attenuation, attenuation, line_integrals
    from septal_planner.fluoroscopy.image_refinement import Capture
    from septal_planner.fluoroscopy.projection import Projection

    hu, m = quick_phantom.hu, quick_phantom.lps_from_index
    placed = np.eye(4)
    placed[:3, :3], placed[:3, 3] = job.rotation, job.shift_mm - job.rotation @ job.target_lps
    body = attenuation(hu, m)
    body = Attenuation(body.voxels, placed @ body.lps_from_index)
    for n, s in enumerate(job.setups):
        frame = Projection(s.primary_deg, s.secondary_deg, (0, 0, 0), 1100, 760, (0.4, 0.4), (600, 600))
        counts = 4000 * np.exp(-0.02 * line_integrals(body, frame))
        job.datasets[n] = xa_dataset(s, [np.clip(counts, 0, 4095).astype(np.uint16)])
    assert job.run() == 0
    given = [(job.folder / f"{n}.dcm", job.folder / f"{n}.json") for n in range(2)]
    case = registering.register_files(job.folder / "plan.json", given)
    with monkeypatch.context() as patch:  # measured in tests/fluoroscopy: it takes seconds a start
        told = [Capture(10, 6, 4, 4), Capture(20, 12, 0, 3)]
        patch.setattr(image_refinement, "capture", lambda *_, **_how: told)
        checked = registration_files.with_picture_check(case, hu, m, tries=4)
    check = checked.document.picture_check
    assert check is not None
    assert check.likeness_after > 0.9
    assert check.moved_mm < 3 * checked.document.target.rms_mm
    assert checked.document.iso_from_ct == case.document.iso_from_ct
    assert checked.document.cautions == case.document.cautions
    assert "pictures alone" in registering.summary(checked)
    assert [(c.off_mm, c.off_deg, c.back, c.tried) for c in check.capture] == [(10, 6, 4, 4), (20, 12, 0, 3)]
    assert "4 of 4 from 10 mm and 6 degrees off, 0 of 3 from 20 mm" in registering.summary(checked)
    for n, s in enumerate(job.setups):
        noise = np.random.default_rng(n).integers(0, 4095, (600, 600)).astype(np.uint16)
        write_xa(job.folder / f"{n}.dcm", xa_dataset(s, [noise]))
    again = registering.register_files(job.folder / "plan.json", given)
    blank = registration_files.with_picture_check(again, hu, m, tries=0)
    assert any("means nothing" in c for c in blank.document.cautions)
    assert blank.document.picture_check is not None
    assert "not measured" in blank.document.picture_check.capture_range
