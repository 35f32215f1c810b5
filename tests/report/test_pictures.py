"""Where things are drawn: every mark against positions worked out another way."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO
from typing import Any

import numpy as np
import pytest
import SimpleITK as sitk
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from septal_planner.inputs.landmarks import Landmarks
from septal_planner.pipeline import PlannedCase
from septal_planner.report.picture import Picture, Pictures
from septal_planner.report.picture_planes import PicturePlane, orientation_letters
from septal_planner.report.pictures import render_pictures, septum_window

PLANES = ("caval_long_axis", "short_axis", "four_chamber")


def as_itk(p: Picture) -> sitk.Image:
    """The picture as a one-slice image in the patient, so that ITK says which pixel shows a point."""
    right, down = np.array(p.right_lps), np.array(p.down_lps)
    image = sitk.Image(p.size_px[0], p.size_px[1], 1, sitk.sitkUInt8)
    image.SetSpacing((p.mm_per_px, p.mm_per_px, 1.0))
    # ITK's origin is the centre of the first pixel, half a pixel inside the corner
    image.SetOrigin((np.array(p.origin_lps) + p.mm_per_px / 2 * (right + down)).tolist())
    image.SetDirection(np.stack([right, down, np.cross(right, down)], axis=1).ravel().tolist())
    return image


def mark(p: Picture, role: str) -> NDArray[np.float64]:
    return np.array(next(m.points_mm for m in p.marks if m.role == role))


def name_at(p: Picture, text: str) -> NDArray[np.float64]:
    return np.array(next(m.points_mm[0] for m in p.marks if m.text == text))


@pytest.mark.parametrize("name", PLANES)
def test_target_mark_is_where_itk_finds_the_target(name: str, case: PlannedCase, pictures: Pictures) -> None:
    p = pictures.named(name)
    assert p is not None
    index = as_itk(p).TransformPhysicalPointToContinuousIndex(case.site.target_lps.tolist())
    np.testing.assert_allclose((np.array(index[:2]) + 0.5) * p.mm_per_px, mark(p, "target")[0], atol=2e-3)
    assert abs(index[2]) < 1e-3  # the plane goes through the target


@pytest.mark.parametrize("name", [*PLANES, "fossa_en_face"])
def test_a_bead_at_the_target_shows_under_its_mark(name: str, case: PlannedCase) -> None:
    k, j, i = np.indices(case.volume.hu.shape)
    m = case.volume.lps_from_index
    at = np.stack([i, j, k], axis=-1) @ m[:3, :3].T + m[:3, 3]
    bead = 1000.0 * np.exp(-np.sum((at - case.site.target_lps) ** 2, axis=-1) / (2 * 1.2**2)) - 150.0
    volume = replace(case.volume, hu=bead.astype(np.float32))
    p = render_pictures(volume, case.landmarks, case.chambers, case.fossa, case.mitral, case.site).named(name)
    assert p is not None
    grey = np.asarray(Image.open(BytesIO(p.png)), dtype=np.float64)
    assert grey.shape == (p.size_px[1], p.size_px[0])
    grey[grey < 0.3 * grey.max()] = 0
    row, column = np.indices(grey.shape)
    center = np.array([(grey * column).sum(), (grey * row).sum()]) / grey.sum()
    # a third of a voxel: the bead is sampled at 1 mm and, en face, on a curved surface
    np.testing.assert_allclose((center + 0.5) * p.mm_per_px, mark(p, "target")[0], atol=0.35)


def test_height_is_drawn_in_true_length_square_to_the_annular_plane(case: PlannedCase, pictures: Pictures) -> None:
    p = pictures.named("four_chamber")
    assert p is not None
    height, plane = mark(p, "height"), mark(p, "annular_plane")
    along, across = height[1] - height[0], plane[1] - plane[0]
    assert np.linalg.norm(along) == pytest.approx(abs(case.site.height_mm), abs=0.01)
    assert along @ across / np.linalg.norm(along) / np.linalg.norm(across) == pytest.approx(0, abs=1e-3)
    foot = plane[0] + (height[1] - plane[0]) @ across / (across @ across) * across
    np.testing.assert_allclose(foot, height[1], atol=0.01)
    assert next(m.text for m in p.marks if m.role == "height_text") == f"{case.site.height_mm:.1f}\u00a0mm"


def test_planes_stand_as_echo_shows_them(pictures: Pictures) -> None:
    # common practice, no source: left atrium nearest the gullet, so above; head to the right in the caval view; the
    # patient's left to the right in the other two; ventricle below atrium in the four-chamber view
    caval, short, four = (pictures.named(n) for n in PLANES)
    assert caval is not None
    assert short is not None
    assert four is not None
    assert "H" in caval.edges["right"]
    assert "F" in caval.edges["left"]
    assert name_at(caval, "left atrium")[1] < name_at(caval, "right atrium")[1]
    assert name_at(caval, "IVC")[0] < mark(caval, "target")[0, 0]
    assert short.edges["top"].startswith("P")
    assert name_at(short, "right atrium")[0] < name_at(short, "left atrium")[0]
    assert name_at(short, "left atrium")[1] < name_at(short, "aorta")[1]
    assert "L" in four.edges["right"]
    assert name_at(four, "left atrium")[1] < name_at(four, "left ventricle")[1]
    assert name_at(four, "right atrium")[0] < name_at(four, "left atrium")[0]


def test_outlines_lie_on_the_phantoms_true_walls(pictures: Pictures, quick_phantom: Any) -> None:
    # back from the picture into the patient, where the phantom's own closed form says how far the wall is
    for name in PLANES:
        p = pictures.named(name)
        assert p is not None
        lines = [np.array(m.points_mm) for m in p.marks if m.role == "left_atrium"]
        xy = np.concatenate(lines)
        points = np.array(p.origin_lps) + xy[:, :1] * np.array(p.right_lps) + xy[:, 1:] * np.array(p.down_lps)
        off = np.abs(quick_phantom.truth.signed_distance_mm("left_atrium", points))
        # 1 mm voxels; mouths of veins, where the pool is cut and no wall is, lie farther off
        assert np.median(off) < 0.5


def test_fossa_is_seen_from_the_right_atrium(case: PlannedCase, pictures: Pictures) -> None:
    p = pictures.named("fossa_en_face")
    assert p is not None
    # looking along the septal normal (right atrium toward left) with the head up, right = normal x up; LPS
    up = np.array([0, 0, 1.0]) - case.fossa.normal_lps[2] * case.fossa.normal_lps
    right = np.cross(case.fossa.normal_lps, up / np.linalg.norm(up))
    rim_mm = mark(p, "rim")[:-1]
    for axis, direction in ((0, right), (1, -up)):
        drawn, in_space = rim_mm[:, axis], case.fossa.rim_lps @ direction / np.linalg.norm(direction)
        # the same points, laid on the fossa's plane, which is off its mean normal by a little
        np.testing.assert_allclose(drawn - drawn.mean(), in_space - in_space.mean(), atol=0.6)
    assert "H" in p.edges["top"]
    assert p.edges["right"] == orientation_letters(right)


@pytest.mark.parametrize(
    ("direction", "letters"),
    [
        # DICOM PS3.3 C.7.6.2.1.1: x increases to the patient's left hand side, y to the posterior, z toward the head
        ((1, 0, 0), "L"), ((-1, 0, 0), "R"), ((0, 1, 0), "P"), ((0, -1, 0), "A"), ((0, 0, 1), "H"),
        ((0, 0, -1), "F"),
        ((2, 1, 0), "L/P"), ((-1, 0, 2), "H/R"), ((0.1, -1, 0.2), "A"), ((1.2, -1.1, 1), "L/A"),
    ],
)
def test_orientation_letters(direction: tuple[float, float, float], letters: str) -> None:
    assert orientation_letters(direction) == letters


@given(st.integers(0, 2**32 - 1))
def test_pixel_centres_project_onto_themselves(seed: int) -> None:
    rng = np.random.default_rng(seed)
    q, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    plane = PicturePlane.around(rng.normal(scale=200, size=3), q[0], q[1] + 0.3 * q[0], 10.0)
    points = plane.points_lps(0.5)
    got = plane.project(points)
    at = (np.arange(20) + 0.5) * 0.5
    np.testing.assert_allclose(got[..., 0], np.broadcast_to(at, (20, 20)), atol=1e-9)
    np.testing.assert_allclose(got[..., 1], np.broadcast_to(at[:, None], (20, 20)), atol=1e-9)
    np.testing.assert_allclose(plane.depth(points), 0, atol=1e-9)


def test_window_shows_wall_and_blood_unclipped(case: PlannedCase) -> None:
    low, high = septum_window(case.chambers)
    blood = case.chambers.mean_hu["left_atrium"]
    assert low < 100 < blood + 2 * case.chambers.sd_hu["left_atrium"] < high


def test_picture_without_its_landmark_is_left_out_and_said(case: PlannedCase) -> None:
    points = {k: v for k, v in case.landmarks.points_lps.items() if k not in ("aorta", "superior_vena_cava")}
    found = render_pictures(case.volume, Landmarks(points), case.chambers, case.fossa, case.mitral, case.site)
    assert found.named("short_axis") is None
    assert "no aorta point" in found.not_shown["short_axis"]
    assert {p.name for p in found.shown} == {"caval_long_axis", "four_chamber", "fossa_en_face"}


def test_marks_are_inside_where_it_matters(pictures: Pictures) -> None:
    for p in pictures.shown:
        for role in ("target", "rim", "height", "height_text", "name", "thickness_text", "height_line_text"):
            for m in p.marks:
                if m.role == role:
                    assert np.all(np.array(m.points_mm) >= 0), (p.name, role)
                    assert np.all(np.array(m.points_mm) <= p.size_mm), (p.name, role)
