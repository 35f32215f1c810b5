"""The command `views`: the table, the chart, and what is withheld."""

from __future__ import annotations

import contextlib
import io
import json
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image

from septal_planner import cli
from septal_planner.fluoroscopy import carm
from septal_planner.fluoroscopy.limits import load_room
from septal_planner.fluoroscopy.projection import pixels_from_points
from septal_planner.plan import load_plan
from septal_planner.proposed_views import planes_of, propose, recommended
from septal_planner.report.xray_marks import plan_marks
from septal_planner.simulated_xray import Wanted, frame_of

OLD = Path(__file__).parent / "old_plans" / "schema-1-phantom.json"


def call(*words: object) -> tuple[int, str, str]:
    said, told = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(told):
        status = cli.main([str(w) for w in words])
    return status, said.getvalue(), told.getvalue()


@pytest.fixture
def document() -> dict[str, Any]:
    return dict(json.loads(OLD.read_text("utf-8")))


def saved(document: dict[str, Any], folder: Path) -> Path:
    path = folder / "plan.json"
    path.write_text(json.dumps(document), "utf-8")
    return path


def test_planes_are_those_of_the_plan() -> None:
    plan = load_plan(OLD)
    planes = {p.name: p for p in planes_of(plan, landmark_sd_mm=1.0)}
    np.testing.assert_allclose(planes["fossa"].normal_lps, plan.anatomy.fossa.normal)
    np.testing.assert_allclose(planes["mitral annulus"].normal_lps, plan.anatomy.mitral_annulus.normal, atol=1e-4)
    assert planes["fossa"].covariance is None  # a plan of before the doubt was kept: not made up


def test_the_table_names_the_views_of_the_plan(document: dict[str, Any], tmp_path: Path) -> None:
    document["anatomy"]["fossa"]["normal_sd_deg"] = 2.0
    plan = saved(document, tmp_path)
    status, said, _ = call("views", plan)
    assert status == 0
    for name in ("fossa_en_face", "mitral_edge_on"):
        assert document["views"][name]["label"] in said
    assert "Choice 1" in said
    assert "Biplane" in said
    assert "gapes by up to" in said
    assert "spine" in said  # not marked: said so
    _planes, found = propose(load_plan(plan), load_room(), landmark_sd_mm=1.0)
    face = next(c for c in found.candidates if c.name == "fossa en face")
    # a tip of 2 degrees: 2 of cranial angle, more of LAO by the latitude's circle being smaller
    assert face.sd_deg == pytest.approx((2 / np.cos(np.radians(face.view.secondary_deg)), 2), rel=0.01)


def ring(center: np.ndarray, normal: np.ndarray, radius_mm: float, count: int) -> list[list[float]]:
    """Even points of a circle, by two cross products."""
    n = normal / np.linalg.norm(normal)
    u = np.cross(n, [0.0, 0.0, 1.0])
    u /= np.linalg.norm(u)
    t = np.arange(count) * 2 * np.pi / count
    points = center + radius_mm * (np.cos(t)[:, None] * u + np.sin(t)[:, None] * np.cross(n, u))
    return [[float(x) for x in p] for p in points]


AORTIC_NORMAL, OLD_NORMAL = np.array([0.3, -0.4, 0.9]), np.array([-0.5, 0.7, 0.4])


@pytest.fixture
def with_rings(document: dict[str, Any]) -> dict[str, Any]:
    document["landmarks"]["aortic_annulus"] = ring(np.array([0.0, -178, 650]), AORTIC_NORMAL, 12, 3)
    document["landmarks"]["old_ring"] = ring(np.array([10.0, -150, 622]), OLD_NORMAL, 15, 5)
    document["puncture"]["procedure"] = "mitral-valve-in-ring"
    return document


def test_an_aortic_annulus_and_an_old_ring_have_views_with_their_doubt(
    with_rings: dict[str, Any], tmp_path: Path
) -> None:
    path = saved(with_rings, tmp_path)
    planes, found = propose(load_plan(path), load_room(), landmark_sd_mm=1.0)
    named = {p.name: p for p in planes}
    for name, normal, radius, count in (("aortic annulus", AORTIC_NORMAL, 12, 3), ("old ring", OLD_NORMAL, 15, 5)):
        n = normal / np.linalg.norm(normal)
        assert abs(named[name].normal_lps @ n) == pytest.approx(1)
        assert named[name].width_mm == pytest.approx(2 * radius)
        # even points on a circle of radius r: each tip has the variance sd^2 / (n r^2 / 2)
        assert np.trace(named[name].covariance) == pytest.approx(2 / (count * radius**2 / 2))
        edge = next(c for c in found.candidates if c.name == f"{name} edge-on")
        assert abs(carm.vectors_from_angles(*edge.angles_deg) @ n) < 1e-12
        assert edge.sd_deg is not None
    both = next(c for c in found.candidates if c.name == "aortic annulus and old ring edge-on")
    d = np.cross(AORTIC_NORMAL, OLD_NORMAL)
    across = abs(carm.vectors_from_angles(*both.angles_deg) @ d) / np.linalg.norm(d)
    assert across == pytest.approx(1)  # along the cross product of the two normals
    assert "deployment" in next(c for c in found.candidates if c.name == "old ring edge-on").serves
    status, said, _ = call("views", path, "--out", tmp_path / "chart.svg")
    assert status == 0
    assert "aortic annulus and old ring edge-on" in said
    assert "old ring edge-on</text>" in (tmp_path / "chart.svg").read_text("utf-8")


def test_the_rings_are_drawn_and_named_on_a_simulated_frame(with_rings: dict[str, Any], tmp_path: Path) -> None:
    plan = load_plan(saved(with_rings, tmp_path))
    frame = frame_of(plan, Wanted(-30.0, 20.0))
    marks = {m.role: m for m in plan_marks(plan, frame)}
    for role, name in (("aortic_annulus", "Aortic annulus"), ("old_ring", "Old ring")):
        assert marks[role].name == name
        seen = pixels_from_points(frame, with_rings["landmarks"][role])
        off = np.linalg.norm(marks[role].points_px[:, None] - seen[None], axis=-1).min(axis=0)
        assert off.max() < 1.5  # pixels: every marked point lies on what is drawn


def test_the_chart_is_drawn_as_svg_and_png(tmp_path: Path) -> None:
    svg, png = tmp_path / "chart.svg", tmp_path / "chart.png"
    assert call("views", OLD, "--out", svg)[0] == 0
    assert call("views", OLD, "--out", png)[0] == 0
    with Image.open(png) as picture:
        assert picture.size == (1520, 1120)
    root = ElementTree.parse(svg).getroot()
    space = "{http://www.w3.org/2000/svg}"
    texts = [t.text or "" for t in root.iter(f"{space}text")]
    assert "mitral annulus edge-on" in texts
    assert any("not a medical device" in t for t in texts)
    # every point of the mitral curve, read back off the axes' own labels, sees the annulus as a line
    marks = {t.text: (float(t.get("x", "0")), float(t.get("y", "0"))) for t in root.iter(f"{space}text")}
    left, right = marks["RAO 60"][0], marks["LAO 60"][0]
    low, high = marks["CAU 40"][1] - 4, marks["CRA 40"][1] - 4
    n = np.array(load_plan(OLD).anatomy.mitral_annulus.normal)
    curves = []
    for line in root.iter(f"{space}polyline"):
        p = np.array([[float(v) for v in q.split(",")] for q in (line.get("points") or "").split()])
        if len(p) > 50:
            a = -60 + 120 * (p[:, 0] - left) / (right - left)
            b = -40 + 80 * (p[:, 1] - low) / (high - low)
            curves.append(np.abs(carm.vectors_from_angles(a, b) @ n).max())
    assert min(curves) < 1e-3


def test_angles_are_withheld_where_the_patient_was_not_supine(document: dict[str, Any], tmp_path: Path) -> None:
    document["views"] = None
    document["ct"]["patient_position"] = "HFP"
    status, said, told = call("views", saved(document, tmp_path), "--out", tmp_path / "chart.svg")
    assert (status, said) == (3, "")
    assert "not supine" in told
    assert not (tmp_path / "chart.svg").exists()


def test_no_other_pair_stands_in_for_a_mitral_annulus_that_was_not_kept(
    document: dict[str, Any], tmp_path: Path
) -> None:
    del document["landmarks"]["mitral_annulus"]
    status, said, told = call("views", saved(document, tmp_path))
    assert (status, said) == (3, "")
    assert "landmarks lack mitral_annulus" in told
    document["measurements"] = []  # as an early version may have written it
    path = saved(document, tmp_path)
    status, said, told = call("views", path)
    assert (status, said) == (3, "")
    assert "does not hold the landmarks mitral_annulus" in told
    assert recommended(load_plan(path)) is None


def test_another_room_and_another_ending(tmp_path: Path) -> None:
    assert call("views", OLD, "--out", tmp_path / "chart.jpg")[0] == 2
    status, _, told = call("views", OLD, "--room", tmp_path / "none.toml")
    assert status == 3
    assert "limits of the C-arm" in told


def test_the_page_is_set_with_and_without_the_ct(written_phantom: Any, tmp_path: Path) -> None:
    page = tmp_path / "views.pdf"
    assert call("views", OLD, "--out", page, "--paper", "letter")[0] == 0
    first = page.read_bytes()
    assert first.startswith(b"%PDF")
    assert call("views", OLD, "--out", page, "--paper", "letter")[0] == 0
    assert page.read_bytes() == first
    status, _, told = call("views", OLD, "--out", tmp_path / "other.pdf", "--ct", written_phantom.ct)
    assert status == 3  # that plan was made on another CT
    assert "not the one that the plan" in told
    assert not (tmp_path / "other.pdf").exists()
