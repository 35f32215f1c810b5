"""A needle tip against a plan whose fossa is a circle and whose annulus a plane: every number by a closed form."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import SimpleITK as sitk
from scipy.spatial.transform import Rotation

from septal_planner.plan import Plan
from septal_planner.registered import NeedleTip
from septal_planner.tip_check import check_tip, labels_beside, tip_lines

DOCUMENT = json.loads((Path(__file__).parent / "old_plans" / "schema-1-phantom.json").read_text("utf-8"))
CENTER = np.array([-15.0, -150.0, 640.0])
RADIUS = 8.0
# a septum that faces left, back and up, its own superior and anterior directions by hand: head as far as it lies in the
# plane, and the cross product that points to the front
NORMAL = np.array([0.6, 0.64, 0.48])
SUPERIOR = (np.array([0.0, 0, 1]) - 0.48 * NORMAL) / np.sqrt(1 - 0.48**2)
ANTERIOR = np.cross(SUPERIOR, NORMAL)
ANTERIOR = ANTERIOR if ANTERIOR[1] < 0 else -ANTERIOR
ANNULUS_NORMAL = np.array([-0.48, 0.6, 0.64])
ANNULUS_CENTER = np.array([10.0, -160.0, 620.0])
SIZE = (40, 44, 36)
AORTA_CENTER, AORTA_RADIUS, VOXEL = np.array([-8.0, -175.0, 655.0]), 9.0, 1.25


def circle(center: np.ndarray, u: np.ndarray, v: np.ndarray, radius: float, count: int) -> list[list[float]]:
    t = np.arange(count) * 2 * np.pi / count
    points = center + radius * (np.cos(t)[:, None] * u + np.sin(t)[:, None] * v)
    return [[float(x) for x in p] for p in points]


def document() -> dict[str, Any]:
    d: dict[str, Any] = json.loads(json.dumps(DOCUMENT))
    d["anatomy"]["fossa"] |= {
        "center_mm": CENTER.tolist(), "normal": NORMAL.tolist(),
        "rim_mm": circle(CENTER, ANTERIOR, SUPERIOR, RADIUS, 720),
    }
    u = np.cross(ANNULUS_NORMAL, [1.0, 0, 0])
    u /= np.linalg.norm(u)
    d["landmarks"]["mitral_annulus"] = circle(ANNULUS_CENTER, u, np.cross(ANNULUS_NORMAL, u), 16.0, 12)
    d["landmarks"]["left_atrium"] = [(ANNULUS_CENTER + 20 * ANNULUS_NORMAL).tolist()]
    d["anatomy"]["mitral_annulus"] |= {"center_mm": ANNULUS_CENTER.tolist(), "normal": ANNULUS_NORMAL.tolist()}
    d["puncture"]["target_mm"] = (CENTER + 1.0 * SUPERIOR - 2.0 * ANTERIOR).tolist()
    d["landmark_sd_mm"] = 0.0
    turn = Rotation.from_euler("xyz", [10, -20, 30], degrees=True).as_matrix() * VOXEL
    grid = np.eye(4)
    grid[:3, :3], grid[:3, 3] = turn, AORTA_CENTER - turn @ (np.array(SIZE) / 2)
    d["labels"] |= {"size": list(SIZE), "lps_from_index": grid.tolist(), "file": "labels.nii.gz"}
    return d


@pytest.fixture(scope="module")
def plan() -> Plan:
    return Plan.model_validate_json(json.dumps(document()))


@pytest.fixture(scope="module")
def labels(plan: Plan) -> np.ndarray:
    """A ball of aorta on the oblique grid."""
    assert plan.labels is not None
    grid = np.array(plan.labels.lps_from_index)
    k, j, i = np.indices(SIZE[::-1])
    at = np.stack([i, j, k], axis=-1) @ grid[:3, :3].T + grid[:3, 3]
    return np.where(np.linalg.norm(at - AORTA_CENTER, axis=-1) <= AORTA_RADIUS, 3, 0).astype(np.uint8)


def tip_at(plan: Plan, superior: float, anterior: float, through: float, sd: float = 1.2, **more: Any) -> NeedleTip:
    place = CENTER + superior * SUPERIOR + anterior * ANTERIOR + through * NORMAL
    return check_tip(plan, place, np.eye(3) * sd**2, np.zeros((3, 3)), **more)


def test_place_on_the_map_and_distance_to_rim(plan: Plan) -> None:
    tip = tip_at(plan, 4.0, 3.0, 2.5)
    assert tip.inside_rim
    assert tip.distance_to_rim_mm == pytest.approx(RADIUS - 5.0, abs=1e-3)  # 720 chords of a circle
    assert tip.superior_fraction == pytest.approx(0.5 + 4 / (2 * RADIUS), abs=1e-4)
    assert tip.anterior_fraction == pytest.approx(0.5 + 3 / (2 * RADIUS), abs=1e-4)
    assert tip.zone == "superior-anterior"
    # alike in all directions: the same doubt along each axis, a fraction's over the extent
    assert tip.distance_to_rim_sd_mm == pytest.approx(1.2, rel=1e-6)
    assert tip.superior_fraction_sd == pytest.approx(1.2 / (2 * RADIUS), rel=1e-4)
    outside = tip_at(plan, 0.0, -11.0, 0.0)
    assert (outside.inside_rim, outside.zone) == (False, None)
    assert outside.distance_to_rim_mm == pytest.approx(-3.0, abs=1e-3)


def test_off_the_target_along_and_across_the_septum(plan: Plan) -> None:
    tip = tip_at(plan, 4.0, 2.0, -6.0)
    assert tip.superior_of_target_mm == pytest.approx(3.0)
    assert tip.anterior_of_target_mm == pytest.approx(4.0)
    assert tip.off_surface_mm == pytest.approx(-6.0)
    assert tip.along_septum_mm == pytest.approx(5.0)
    assert tip.distance_to_target_mm == pytest.approx(np.sqrt(61))
    for sd in (tip.superior_of_target_sd_mm, tip.anterior_of_target_sd_mm, tip.off_surface_sd_mm):
        assert sd == pytest.approx(1.2)


def test_doubt_is_larger_along_a_poorly_seen_direction(plan: Plan) -> None:
    place = CENTER + 1.0 * SUPERIOR + 5.0 * ANTERIOR
    covariance = 0.5**2 * np.eye(3) + (3.0**2 - 0.5**2) * np.outer(NORMAL, NORMAL)
    tip = check_tip(plan, place, covariance, np.eye(3) * (3**2 + 2**2) / 3)
    assert tip.off_surface_sd_mm == pytest.approx(np.sqrt(9 + 13 / 3))
    assert tip.superior_of_target_sd_mm == pytest.approx(np.sqrt(0.25 + 13 / 3))
    assert tip.rms_mm == pytest.approx(np.sqrt(9 + 2 * 0.25))
    assert tip.total_rms_mm == pytest.approx(np.sqrt(9 + 2 * 0.25 + 13))


def test_doubts_hold_by_trial(plan: Plan) -> None:
    rng = np.random.default_rng(7)
    place = CENTER + 3.0 * SUPERIOR + 4.5 * ANTERIOR
    root = np.linalg.qr(rng.normal(size=(3, 3)))[0] * [0.4, 0.7, 0.2]
    said = check_tip(plan, place, root @ root.T, np.zeros((3, 3)))
    trials = [check_tip(plan, p, np.eye(3), np.zeros((3, 3))) for p in place + rng.normal(size=(400, 3)) @ root.T]
    for value, sd in (
        ("distance_to_rim_mm", "distance_to_rim_sd_mm"), ("superior_fraction", "superior_fraction_sd"),
        ("distance_to_target_mm", "distance_to_target_sd_mm"), ("along_septum_mm", "along_septum_sd_mm"),
        ("height_above_mitral_annulus_mm", "height_sd_mm"),
    ):
        # 400 trials tell a spread to 3.5 %
        assert getattr(said, sd) == pytest.approx(np.std([getattr(t, value) for t in trials]), rel=0.12), value


def test_height_and_its_interval(plan: Plan) -> None:
    tip = tip_at(plan, -2.0, 3.0, 1.0)
    height = float((np.array(tip.place_mm) - ANNULUS_CENTER) @ ANNULUS_NORMAL)
    assert tip.height_above_mitral_annulus_mm == pytest.approx(height)
    assert tip.height_interval_95_mm == pytest.approx((height - 2.4, height + 2.4))
    assert tip.height_against_plan_mm == pytest.approx(height - DOCUMENT["puncture"]["height_above_mitral_annulus_mm"])


def test_the_planes_own_doubt_is_in_the_height(plan: Plan) -> None:
    """Of n even marks on a circle of radius r: sd^2 / n at its centre, and per mm aside 2 sd^2 / (n r^2)."""
    doubtful = plan.model_copy(update={"landmark_sd_mm": 1.0})
    place = ANNULUS_CENTER + 30 * ANNULUS_NORMAL + 24 * np.cross(ANNULUS_NORMAL, [1.0, 0, 0])
    aside = np.linalg.norm(24 * np.cross(ANNULUS_NORMAL, [1.0, 0, 0]))
    tip = check_tip(doubtful, place, np.eye(3) * 0.25, np.zeros((3, 3)))
    assert tip.height_sd_mm == pytest.approx(np.sqrt(0.25 + 1 / 12 + aside**2 * 2 / (12 * 16**2)), rel=0.01)


def test_distance_to_the_aorta_is_that_to_a_ball(plan: Plan, labels: np.ndarray, tmp_path: Path) -> None:
    image = sitk.GetImageFromArray(labels)
    sitk.WriteImage(image, str(tmp_path / "labels.nii.gz"))
    found = labels_beside(plan, tmp_path / "plan.json")
    assert found is not None
    assert np.array_equal(found, labels)
    tip = tip_at(plan, 0.0, 0.0, 0.0, labels=found)
    exact = np.linalg.norm(CENTER - AORTA_CENTER) - AORTA_RADIUS
    assert tip.distance_to_aorta_mm == pytest.approx(exact, abs=VOXEL)  # a ball of voxels is rough by as much
    assert tip.distance_to_aorta_sd_mm == pytest.approx(1.2)
    assert "distance_to_aorta" not in tip.not_assessed


def test_what_is_not_at_hand_is_said(plan: Plan, tmp_path: Path) -> None:
    assert labels_beside(plan, tmp_path / "plan.json") is None
    (tmp_path / "labels.nii.gz").write_bytes(b"no image")
    assert labels_beside(plan, tmp_path / "plan.json") is None
    sitk.WriteImage(sitk.Image(4, 4, 4, sitk.sitkUInt8), str(tmp_path / "labels.nii.gz"))
    assert labels_beside(plan, tmp_path / "plan.json") is None  # of another size
    fossa = plan.anatomy.fossa.model_copy(update={"rim_mm": (), "not_assessed": {"rim": "it is too dark."}})
    unseen = plan.model_copy(update={"anatomy": plan.anatomy.model_copy(update={"fossa": fossa})})
    tip = tip_at(unseen, 1.0, 1.0, 0.0)
    assert (tip.inside_rim, tip.distance_to_rim_mm, tip.superior_fraction, tip.zone) == (None, None, None, None)
    said = "\n".join(tip_lines(tip))
    assert "on the fossa: not assessed, it is too dark." in said
    assert "distance to the aorta: not assessed, the label image" in said


def test_words_for_the_console(plan: Plan, labels: np.ndarray) -> None:
    said = "\n".join(tip_lines(tip_at(plan, 4.0, 2.0, -6.0, labels=labels)))
    for words in (
        "+3.0 superior +- 2.4", "-6.0 toward the left atrium +- 2.4", "5.0 mm along the septum", "inside the rim, ",
        "superior fraction 0.75 +- 0.15", "95 % interval", "distance to the aorta",
    ):
        assert words in said, words
    near = "\n".join(tip_lines(tip_at(plan, 7.5, 0.0, 0.0)))
    assert "within its doubt it may lie outside" in near
    far = "\n".join(tip_lines(tip_at(plan, 0.0, -11.0, 0.0, sd=0.3)))
    assert "OUTSIDE THE RIM" in far
    assert "within its doubt" not in far
