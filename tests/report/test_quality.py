"""The quality panel: outlines of the labels against the labels' own voxels, and what is said of them."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
import SimpleITK as sitk
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import distance_transform_edt
from skimage.draw import polygon2mask

from septal_planner.anatomy.chambers import LABELS
from septal_planner.inputs.volume import Volume
from septal_planner.pipeline import PlannedCase
from septal_planner.plan import load_plan
from septal_planner.report.pdf import write_quality
from septal_planner.report.picture import Picture, Pictures
from septal_planner.report.picture_files import load_pictures, save_pictures
from septal_planner.report.picture_planes import PicturePlane
from septal_planner.report.pictures import label_outlines
from septal_planner.report.quality import QUALITY_ORDER, quality_pictures
from septal_planner.report.words import label_legend

OLD_PLANS = Path(__file__).parents[1] / "old_plans"


def as_itk(labels: NDArray[np.uint8], lps_from_index: NDArray[np.float64]) -> sitk.Image:
    image = sitk.GetImageFromArray(labels)
    spacing = np.linalg.norm(lps_from_index[:3, :3], axis=0)
    image.SetSpacing(spacing.tolist())
    image.SetOrigin(lps_from_index[:3, 3].tolist())
    image.SetDirection((lps_from_index[:3, :3] / spacing).ravel().tolist())
    return image


def in_patient(p: Picture, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    assert p.origin_lps is not None
    right, down = np.array(p.right_lps), np.array(p.down_lps)
    return np.array(p.origin_lps) + points_mm[:, :1] * right + points_mm[:, 1:] * down


def test_three_planes_of_one_scale_stand_as_radiology_shows_them(case: PlannedCase, pictures: Pictures) -> None:
    shown = [p for p in pictures.shown if p.name in QUALITY_ORDER]
    assert [p.name for p in shown] == list(QUALITY_ORDER)
    assert len({p.size_mm for p in shown}) == 1
    # the patient's right on the viewer's left, front or head above (common practice, no source); letters of DICOM PS3.3
    # C.7.6.1.1.1
    edges = {p.name: "".join(p.edges[e] for e in ("left", "right", "top", "bottom")) for p in shown}
    assert edges == {"quality_axial": "RLAP", "quality_coronal": "RLHF", "quality_sagittal": "APHF"}
    for p in shown:
        at = next(m.points_mm[0] for m in p.marks if m.role == "place")
        np.testing.assert_allclose(in_patient(p, np.array([at]))[0], case.site.target_lps, atol=2e-3)


@pytest.mark.parametrize("name", QUALITY_ORDER)
def test_an_outline_takes_in_the_voxels_of_its_label_and_no_others(
    name: str, case: PlannedCase, pictures: Pictures
) -> None:
    """Filled by scikit-image, an outline covers what ITK's nearest neighbour finds of the label in that plane."""
    p = pictures.named(name)
    assert p is not None
    n = round(p.size_mm[0] / 0.5)
    at = (np.arange(n) + 0.5) * 0.5
    grid = np.stack(np.meshgrid(at, at), axis=-1)
    image = as_itk(case.labels, case.chambers.lps_from_index)
    lps = in_patient(p, grid.reshape(-1, 2))
    found = np.array([
        image.GetPixel(index) if all(0 <= v < s for v, s in zip(index, image.GetSize(), strict=True)) else 0
        for index in map(image.TransformPhysicalPointToIndex, lps.tolist())
    ]).reshape(n, n)  # fmt: skip
    for label in ("left_atrium", "right_atrium", "aorta", "left_ventricle"):
        inside = np.zeros((n, n), dtype=np.int64)
        for m in p.marks:
            if m.role == label:
                inside ^= polygon2mask((n, n), np.array(m.points_mm)[:, ::-1] / 0.5 - 0.5)  # a hole takes away
        truth = found == LABELS[label]
        if truth.sum() < 400:  # a sliver smaller than 1 cm2
            continue
        # smoothed by 0.6 of the 1 mm voxel: corners are rounded, so that what differs lies within a voxel of the edge
        deep = distance_transform_edt(truth) + distance_transform_edt(~truth)
        wrong = truth != (inside > 0)
        assert wrong.sum() < 0.1 * truth.sum(), label
        assert np.percentile(0.5 * deep[wrong], 99) <= 1.5, label
        assert inside.sum() == pytest.approx(truth.sum(), rel=0.05), label


@pytest.mark.parametrize("voxel_mm", [0.5, 1.5])
def test_outline_of_a_ball_is_its_circle(voxel_mm: float) -> None:
    n = round(50 / voxel_mm)
    affine = np.diag([voxel_mm, voxel_mm, voxel_mm, 1.0])
    affine[:3, 3] = -25.0
    k, j, i = np.indices((n, n, n))
    away = np.linalg.norm(np.stack([i, j, k], axis=-1) * voxel_mm - 25.0, axis=-1)
    labels = np.where(away < 15.0, LABELS["metal"], 0).astype(np.uint8)
    plane = PicturePlane.around((0, 9.0, 0), (0.6, 0, 0.8), (-0.8, 0, 0.6), 44.0)
    (line,) = label_outlines(plane, Volume(labels, affine))
    assert line.role == "metal"
    at = np.array(line.points_mm)
    # x2 + y2 = 2 x x0 + 2 y y0 + (r2 - x02 - y02), least squares (Kasa 1976, doi 10.1109/TIM.1976.6312298)
    (x, y, c), *_ = np.linalg.lstsq(np.column_stack([2 * at, np.ones(len(at))]), (at**2).sum(axis=1), rcond=None)
    radius = np.sqrt(c + x * x + y * y)
    off = np.abs(np.linalg.norm(at - [x, y], axis=1) - radius)
    # the circle 9 mm off the middle of a ball of 15 mm: radius 12 mm; voxel steps move it by a third of a voxel
    assert (x, y) == pytest.approx((22, 22), abs=voxel_mm / 3)
    assert radius == pytest.approx(12, abs=voxel_mm / 3)
    assert off.max() < voxel_mm


def test_a_thin_membrane_is_drawn(case: PlannedCase, pictures: Pictures) -> None:
    for name in QUALITY_ORDER:
        p = pictures.named(name)
        assert p is not None
        lines = [np.array(m.points_mm) for m in p.marks if m.role == "fossa_membrane"]
        assert lines
        place = np.array(next(m.points_mm[0] for m in p.marks if m.role == "place"))
        # the target lies on the membrane: its outline is nowhere farther than half the wall and a voxel
        assert np.linalg.norm(np.concatenate(lines) - place, axis=1).min() < 2.5


def test_where_the_ct_ends_is_hatched(case: PlannedCase) -> None:
    low = Volume(case.volume.hu[:, :, : case.volume.hu.shape[2] // 2], case.volume.lps_from_index)
    axial = quality_pictures(low, case.labels, case.chambers, case.site.target_lps)[0]
    grey = np.asarray(Image.open(BytesIO(axial.png)))
    n = round(axial.size_mm[0] / 0.4)
    at = (np.arange(n) + 0.5) * 0.4
    ends = case.volume.lps_from_index[0, 3] + case.volume.lps_from_index[0, 0] * (low.hu.shape[2] - 0.5)
    assert axial.origin_lps is not None
    beyond = axial.origin_lps[0] + at > ends + 0.4
    assert beyond.any()
    assert set(np.unique(grey[:, beyond])) == {30, 70}
    assert len(np.unique(grey[:, ~beyond])) > 50


def test_metal_and_an_unseen_membrane(unseen: PlannedCase, unseen_pictures: Pictures) -> None:
    shown = {p.name: {m.role for m in p.marks} for p in unseen_pictures.shown}
    assert "metal" in shown["quality_axial"]
    assert any("metal" in roles for name, roles in shown.items() if name not in QUALITY_ORDER)
    assert not any("fossa_membrane" in roles or "rim" in roles or "thickness" in roles for roles in shown.values())
    en_face = unseen_pictures.named("fossa_en_face")
    assert en_face is not None
    assert "Rim of the membrane: not assessed" in en_face.caption
    assert "left side only" in en_face.caption
    said = {role: words for role, _, words in label_legend(unseen.plan, unseen_pictures)}
    assert said["left_atrium"] == "cut by the CT's edge: volume not assessed"
    assert said["fossa_membrane"] == "outline not assessed"
    assert said["metal"] == "marked in these planes"
    assert said["right_atrium"].endswith("mL")


def test_a_chamber_that_was_not_found_is_said(case: PlannedCase, pictures: Pictures) -> None:
    seen = {n: o for n, o in (case.plan.anatomy.opacification or {}).items() if n != "aorta"}
    anatomy = case.plan.anatomy.model_copy(update={"opacification": seen})
    kept = tuple(m for m in case.plan.measurements if not m.name.startswith("aorta"))
    plan = case.plan.model_copy(update={"anatomy": anatomy, "measurements": kept})
    said = {role: words for role, _, words in label_legend(plan, pictures)}
    assert said["aorta"] == "not assessed"
    assert said["metal"] == "none in these planes"


def test_png_is_the_same_again_also_from_what_was_saved(case: PlannedCase, pictures: Pictures, tmp_path: Path) -> None:
    write_quality(case.plan, pictures, tmp_path / "a.png")
    save_pictures(pictures, case.plan, tmp_path / "pictures")
    write_quality(case.plan, load_pictures(tmp_path / "pictures", case.plan), tmp_path / "b.png")
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.png", "b.png", "pictures"]
    with Image.open(tmp_path / "a.png") as image:
        assert image.format == "PNG"
        assert image.width > 1200


def test_png_names_nobody(case: PlannedCase, pictures: Pictures, tmp_path: Path) -> None:
    named = replace(case.volume, identity={"name": "INVENTED^PERSON"})
    shown = quality_pictures(named, case.labels, case.chambers, case.site.target_lps)
    assert shown == tuple(p for p in pictures.shown if p.name in QUALITY_ORDER)


def test_an_old_plan_without_pictures_still_prints(tmp_path: Path) -> None:
    for path in OLD_PLANS.glob("*.json"):
        write_quality(load_plan(path), Pictures(()), tmp_path / "quality.png")
        assert (tmp_path / "quality.png").stat().st_size > 1000
