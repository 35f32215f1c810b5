"""The register command given frames and points that do not fit: one sentence each, and nothing written."""

import pytest
from septal_phantoms.angiogram import write_xa

from septal_planner.cli import main


def without_angles(job):
    del job.datasets[1].PositionerPrimaryAngle


def without_spacing(job):
    del job.datasets[0].ImagerPixelSpacing


def in_a_line(job):
    for p in job.points:
        for n, point in enumerate(p["points"]):
            point["ct_lps"] = [10.0 * n, 0.0, 5.0 * n]


def swapped(job):
    a, b = job.points[1]["points"][0], job.points[1]["points"][4]
    a["column"], b["column"] = b["column"], a["column"]
    a["row"], b["row"] = b["row"], a["row"]


def mirrored(job):
    for p in job.points:
        for point in p["points"]:
            point["column"] = 599 - point["column"]


def outside(job):
    job.points[0]["points"][3]["column"] = 640.0


def three_in_one_frame(job):
    job.points[0]["points"] = job.points[0]["points"][:3]


def other_ct(job):
    job.points[0]["frame_of_reference_uid"] = "1.2.3.4.5"


def same_name(job):
    job.points[0]["points"][1]["name"] = "carina"


def one_name_two_places(job):
    job.points[1]["points"][0]["ct_lps"][0] += 5.0


def no_pixels(job):
    del job.points[0]["points"][0]["column"]


def not_a_number(job):
    job.points[0]["points"][0]["row"] = "12"


def ras(job):
    job.points[0]["coordinate_system"] = "RAS"


def frame_not_there(job):
    for point in job.points[0]["points"]:
        point["frame"] = 7


def two_frames_in_one(job):
    job.points[0]["points"][0]["frame"] = 2


def one_frame_twice(job):
    job.datasets[1], job.points[1] = job.datasets[0], job.points[0]


def no_points(job):
    job.points[1]["points"] = []


def angle_of_no_arm(job):
    job.datasets[0].PositionerPrimaryAngle = "999"


def three_points_in_a_line(job):
    in_a_line(job)
    for p in job.points:
        p["points"] = p["points"][:3]


def one_frame_mirrored(job):
    for point in job.points[1]["points"]:
        point["column"] = 599 - point["column"]


def swapped_everywhere(job):
    swapped(job)
    job.points.reverse()
    swapped(job)
    job.points.reverse()


def table_of_first(job):
    job.points[0]["table_moved"] = True


@pytest.mark.parametrize(
    ("spoil", "count", "said"),
    [
        (without_angles, 2, "angles of the C-arm"),
        (without_spacing, 2, "pixel spacing"),
        (in_a_line, 2, "in a line"),
        (swapped, 2, "seem to be exchanged"),
        (mirrored, 2, "mirrored"),
        (outside, 2, "outside the picture"),
        (three_in_one_frame, 1, "At least 4"),
        (other_ct, 2, "frame of reference"),
        (same_name, 2, "stands there twice"),
        (one_name_two_places, 2, "two points of the CT"),
        (no_pixels, 2, "points.0.column"),
        (not_a_number, 2, "points.0.row"),
        (ras, 2, "coordinate_system"),
        (frame_not_there, 2, "Frame 7 was asked"),
        (two_frames_in_one, 2, "one points file per frame"),
        (table_of_first, 2, "table_moved"),
        (one_frame_twice, 2, "give each frame once"),
        (no_points, 2, "no point is given"),
        (angle_of_no_arm, 2, "at most 180 and 90 degrees"),
        (three_points_in_a_line, 2, "in a line"),
        (one_frame_mirrored, 2, "when frame 2 of those given is mirrored"),
        (swapped_everywhere, 2, "exchanged in the CT, or in every frame"),
    ],
)
def test_bad_input_is_refused_in_one_sentence(job, capsys, spoil, count, said):
    spoil(job)
    assert job.run(count=count) == 3
    error = capsys.readouterr().err.strip().splitlines()[-1]
    assert error.startswith("septal-planner: ")
    assert said in error
    assert error.endswith(".")
    assert not (job.folder / "out").exists()


def test_points_that_are_not_there(job, capsys):
    write_xa(job.folder / "0.dcm", job.datasets[0])
    call = ["register", str(job.plan), "--frame", str(job.folder / "0.dcm"), str(job.folder / "none.json")]
    assert main([*call, "--out", str(job.folder / "out")]) == 3
    assert "cannot be read" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["mitral_annulus", "left_atrium", "inferior_vena_cava"])
def test_a_plan_without_what_is_drawn_is_refused_in_one_sentence(job, capsys, name):
    kept = {n: p for n, p in job.document["landmarks"].items() if n != name}
    job.document["landmarks"] = kept
    assert job.run() == 3
    assert f"landmarks lack {name}" in capsys.readouterr().err
    # an early version need not have kept them
    job.document["measurements"] = []
    assert job.run() == 3
    said = capsys.readouterr().err.splitlines()[-1]
    assert f"does not hold the landmarks {name}" in said
    assert said.endswith("plan again on the CT.")
    assert not (job.folder / "out").exists()
