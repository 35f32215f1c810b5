"""Page X-ray without a window: a frame simulated where the CT is known to lie, and the points as a console's file."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from septal_phantoms.angiogram import Setup, draw, points_document, write_xa, xa_dataset
from septal_viewer.pairs import TIP, Pairs, write_points
from septal_viewer.table_jobs import Shot, frame_job, open_frames_job, simulate_job

from septal_planner.errors import InputRefused
from septal_planner.inputs.frame_points import read_frame_points
from septal_planner.inputs.volume import Volume
from septal_planner.plan import load_plan

PLAN = load_plan(Path(__file__).parents[1] / "old_plans" / "schema-1-phantom.json")
SETUP = Setup(-28, 14, 1100, 760, 0.4, (600, 500))
POINTS = {"carina": (10.0, -20.0, 30.0), "lead tip": (-15.0, 5.0, -10.0), "calcium": (0.0, 25.0, 8.0)}


def silent(_text: str) -> None:
    """Nobody is told."""


@pytest.fixture
def frame(tmp_path: Path) -> Path:
    shown = [draw(SETUP, list(POINTS.values()), seed=n) for n in range(3)]
    return write_xa(tmp_path / "run.dcm", xa_dataset(SETUP, shown))


@pytest.fixture
def pairs(frame: Path) -> Pairs:
    made = Pairs()
    made.open(frame_job(silent, frame, 1).run)
    return made


@pytest.mark.parametrize("hasty", [False, True])
def test_the_simulated_frame_is_where_the_patient_lies(hasty: bool) -> None:
    """A dense ball in a turned and shifted CT, against the geometry that the phantoms build from rotations as PS3.17
    Z.2 tells them; the plan is drawn through the same camera."""
    spacing = 1.0
    grid = np.indices((64, 64, 64)).astype(np.float64)[::-1]  # i, j, k
    middle = np.array([40.0, 24.0, 36.0])
    hu = np.where(((grid - middle[:, None, None, None]) ** 2).sum(axis=0) < 4.0**2, 3000, -1000).astype(np.int16)
    target = np.array(PLAN.puncture.target_mm)
    lps_from_index = np.diag([spacing] * 3 + [1.0])
    lps_from_index[:3, 3] = target - 30.0
    ball = target - 30.0 + middle
    volume = Volume(hu, lps_from_index)
    turn = Rotation.from_rotvec(np.deg2rad([3, -5, 8])).as_matrix()
    at = np.eye(4)
    at[:3, :3], at[:3, 3] = turn, np.array([4.0, -6.0, 9.0]) - turn @ target
    from septal_planner.fluoroscopy.pose import CameraPose

    camera = CameraPose(-28.0, 14.0, 1100.0, 760.0, (0.4, 0.4), (600, 500))
    made = simulate_job(silent, volume, PLAN, Shot(("it",), camera, at, 224 if hasty else 512, hasty))
    dark = made.grey.max() - made.grey.astype(np.float64)
    rows, columns = np.indices(dark.shape)
    seen = np.array([(dark * columns).sum(), (dark * rows).sum()]) / dark.sum()
    seen = (seen + 0.5) * made.by - 0.5
    true = SETUP.pixels(at[:3, :3] @ ball + at[:3, 3])[0]
    assert np.linalg.norm(seen - true) * 0.4 * 760 / 1100 < 0.3  # mm at the isocentre
    place = SETUP.pixels(at[:3, :3] @ target + at[:3, 3])[0]
    drawn = next(s for s in made.shapes if s.role == "target")
    np.testing.assert_allclose(drawn.points_px[2], place, atol=1e-6)


def test_frames_that_cannot_be_read_are_refused_one_by_one(frame: Path, tmp_path: Path) -> None:
    (tmp_path / "no.dcm").write_bytes(b"no DICOM file")
    opened = open_frames_job(silent, (frame, tmp_path / "no.dcm"))
    assert [p.run.path for p in opened.pictures] == [frame]
    assert opened.pictures[0].grey.shape == (500, 600)
    assert opened.pictures[0].run.header is None
    assert len(opened.faults) == 1
    assert "no.dcm" in opened.faults[0]


def test_points_are_written_as_the_console_reads_them_and_come_back(pairs: Pairs, tmp_path: Path) -> None:
    for name, place in POINTS.items():
        pairs.add_name(name)
        pairs.set_place(name, place)
        pairs.set_pixel(name, tuple(SETUP.pixels(place)[0]))
    pairs.set_pixel(TIP, (300.0, 240.0))
    pairs.add_name("not seen here")
    assert pairs.unsaved
    written = write_points(pairs, tmp_path, "1.2.3")
    assert [p.name for p in written] == ["run-points.json"]
    found = read_frame_points(written[0])
    assert {p.name: p.ct_lps for p in found.points} == POINTS
    assert found.frame == 1
    assert found.frame_of_reference_uid == "1.2.3"
    assert (found.needle_tip.column, found.needle_tip.row) == (300.0, 240.0) if found.needle_tip else False
    again = Pairs()
    assert pairs.run is not None
    again.open(pairs.run)
    again.load(found, written[0], "1.2.3")
    assert again.frame().pixels == pairs.frame().pixels
    assert again.frame().tip == (300.0, 240.0)
    assert not again.unsaved


def test_undo_takes_a_drag_back_as_one_step(pairs: Pairs) -> None:
    pairs.add_name("carina")
    pairs.set_pixel("carina", (100.0, 100.0))
    for n in range(5):
        pairs.set_pixel("carina", (101.0 + n, 100.0), dragging=True)
    pairs.end_drag()
    pairs.undo()
    assert pairs.frame().pixels["carina"] == (100.0, 100.0)
    pairs.redo()
    assert pairs.frame().pixels["carina"] == (105.0, 100.0)


def spoilt(pairs: Pairs, tmp_path: Path, change: str) -> None:
    seen = {n: SETUP.pixels(p)[0].tolist() for n, p in POINTS.items()}
    document = points_document(POINTS, seen, frame=9 if change == "frame" else 1)
    point = document["points"][0]  # type: ignore[index]
    if change == "uid":
        document["frame_of_reference_uid"] = "1.2.9"
    if change == "outside":
        point["column"] = 650.0
    if change == "elsewhere":
        pairs.add_name("carina")
        pairs.set_place("carina", (0.0, 0.0, 0.0))
    (tmp_path / "run-points.json").write_text(json.dumps(document), "utf-8")
    pairs.load(read_frame_points(tmp_path / "run-points.json"), tmp_path / "run-points.json", "1.2.3")


@pytest.mark.parametrize(
    ("change", "said"),
    [("frame", "has 3"), ("uid", "frame of reference"), ("outside", "outside the picture"),
     ("elsewhere", "lies elsewhere")],
)  # fmt: skip
def test_points_that_do_not_fit_are_refused_and_nothing_changes(
    pairs: Pairs, tmp_path: Path, change: str, said: str
) -> None:
    with pytest.raises(InputRefused, match=said):
        spoilt(pairs, tmp_path, change)
    assert pairs.frame().empty


def test_the_points_of_a_run_stand_in_one_frame(pairs: Pairs) -> None:
    pairs.set_number(2)
    pairs.set_pixel("carina", (100.0, 100.0))
    with pytest.raises(InputRefused, match="heart moves"):
        pairs.set_number(3)
    assert pairs.frame().number == 2
    with pytest.raises(InputRefused, match="no whole pair"):
        assert pairs.run is not None
        pairs.document(pairs.run, None)
    with pytest.raises(InputRefused, match="outside the picture"):
        pairs.set_pixel("carina", (700.0, 10.0))
