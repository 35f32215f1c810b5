"""Planes: coordinates, what the CT shows on them, lines across them; against closed forms and DICOM's letters."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from septal_viewer import planes
from septal_viewer.planes import WINDOWS, Plane, Window

from septal_planner.geometry.frames import apply_affine
from septal_planner.geometry.shapes import DistanceField
from septal_planner.inputs.volume import Volume
from septal_planner.pipeline import PlannedCase

numbers = st.floats(-300, 300, allow_nan=False)
vectors = st.tuples(numbers, numbers, numbers)


@st.composite
def some_plane(draw: st.DrawFn) -> Plane:
    turn = Rotation.random(random_state=draw(st.integers(0, 2**31))).as_matrix()
    size = st.floats(20, 250)
    return Plane("some", "Some plane", np.array(draw(vectors)), turn[:, 0], turn[:, 1], draw(size), draw(size))


# ----------------------------------------------------------------------------------------------------- coordinates


@given(some_plane(), st.lists(vectors, min_size=1, max_size=5))
def test_a_point_is_its_place_on_the_plane_plus_its_depth(plane: Plane, points: list[tuple[float, float, float]]):
    p = np.array(points)
    again = plane.lps(plane.uv_mm(p)) + plane.depth_mm(p)[:, None] * plane.normal_lps
    np.testing.assert_allclose(again, p, atol=1e-9)
    np.testing.assert_allclose(plane.depth_mm(plane.lps(plane.uv_mm(p))), 0, atol=1e-9)


@given(some_plane(), st.floats(-50, 50), vectors)
def test_scrolling_changes_depth_only(plane: Plane, mm: float, point: tuple[float, float, float]):
    moved = planes.scroll(plane, mm)
    np.testing.assert_allclose(moved.uv_mm(point), plane.uv_mm(point), atol=1e-9)
    assert float(plane.depth_mm(point) - moved.depth_mm(point)) == pytest.approx(mm, abs=1e-9)


def test_a_plane_must_be_a_rectangle():
    x, y = np.eye(3)[:2]
    with pytest.raises(ValueError, match="square"):
        Plane("p", "P", np.zeros(3), x, x, 10, 10)
    with pytest.raises(ValueError, match="square"):
        Plane("p", "P", np.zeros(3), x, 2 * y, 10, 10)
    with pytest.raises(ValueError, match="width"):
        Plane("p", "P", np.zeros(3), x, y, 0, 10)


def test_body_planes_stand_as_radiology_shows_them():
    """Patient's right on the viewer's left, front above in axial, head above otherwise (common practice, no source);
    letters as DICOM PS3.3 C.7.6.1.1.1 has them."""
    made = planes.body_planes([10.0, 20.0, 30.0])
    assert {name: p.letters() for name, p in made.items()} == {
        "axial": {"left": "R", "right": "L", "top": "A", "bottom": "P"},
        "coronal": {"left": "R", "right": "L", "top": "H", "bottom": "F"},
        "sagittal": {"left": "A", "right": "P", "top": "H", "bottom": "F"},
    }
    # an axial picture is seen from the feet, a coronal one from the front
    np.testing.assert_allclose(made["axial"].normal_lps, [0, 0, 1])
    np.testing.assert_allclose(made["coronal"].normal_lps, [0, 1, 0])


@given(seed=st.integers(0, 10**6), left=st.booleans(), share=st.tuples(*[st.floats(0.1, 0.9)] * 3))
def test_body_planes_hold_the_whole_volume_and_the_cursor(
    askew: Any, seed: int, left: bool, share: tuple[float, float, float]
):
    volume = Volume(np.zeros((4, 5, 6), np.int16), askew(seed, left, False))
    cursor = apply_affine(volume.lps_from_index, np.array(share) * [5, 4, 3])
    corners = np.array(list(product((-0.5, 5.5), (-0.5, 4.5), (-0.5, 3.5))))
    outer = apply_affine(volume.lps_from_index, corners)
    for plane in planes.body_planes(cursor, volume).values():
        assert float(plane.depth_mm(cursor)) == pytest.approx(0, abs=1e-9)
        reach = np.abs(plane.uv_mm(outer)).max(axis=0)
        np.testing.assert_allclose(reach, [plane.height_mm / 2, plane.width_mm / 2], rtol=1e-9)


def test_the_picture_stays_put_while_the_cursor_moves(quick_volume: Volume):
    a, b = (planes.body_planes(c, quick_volume)["axial"] for c in ([0.0, -150, 640], [5.0, -140, 650]))
    np.testing.assert_allclose(a.uv_mm([1.0, 2, 3]), b.uv_mm([1.0, 2, 3]))


# ---------------------------------------------------------------------------------------------- planes of the septum


def test_septal_planes_go_through_what_they_are_named_for(quick_case: PlannedCase):
    found, target = quick_case, quick_case.site.target_lps
    made = planes.septal_planes(target, found.fossa.normal_lps, found.landmarks.points_lps, found.mitral)
    assert tuple(made) == planes.SEPTUM
    for plane in made.values():
        assert float(plane.depth_mm(target)) == pytest.approx(0, abs=1e-6)
    cava = found.landmarks.points_lps
    axis = cava["superior_vena_cava"][0] - cava["inferior_vena_cava"][0]
    assert float(made["caval"].normal_lps @ axis) == pytest.approx(0, abs=1e-6)
    assert float(made["short_axis"].depth_mm(found.landmarks.points_lps["aorta"][0])) == pytest.approx(0, abs=1e-6)
    four = made["four_chamber"]
    assert float(four.depth_mm(found.mitral.center_lps)) == pytest.approx(0, abs=1e-6)
    # the height in its true length: annular normal within the plane, atrium above
    np.testing.assert_allclose(-four.down_lps, found.mitral.normal_lps, atol=1e-6)
    en_face = made["en_face"]
    np.testing.assert_allclose(en_face.normal_lps, found.fossa.normal_lps, atol=1e-9)  # looked at from the right atrium
    assert en_face.down_lps[2] < 0


def test_only_planes_that_can_be_made_are_made(quick_case: PlannedCase):
    points = dict(quick_case.landmarks.points_lps)
    target, normal = quick_case.site.target_lps, quick_case.fossa.normal_lps
    assert planes.septal_planes(target, None, points, quick_case.mitral) == {}
    without = {n: p for n, p in points.items() if n not in ("aorta", "inferior_vena_cava")}
    assert tuple(planes.septal_planes(target, normal, without, None)) == ("en_face",)
    one = {**without, "inferior_vena_cava": points["inferior_vena_cava"][:1]}  # half marked
    assert tuple(planes.septal_planes(target, normal, one, quick_case.mitral)) == ("four_chamber", "en_face")
    assert tuple(planes.septal_planes(target, [0, 0, 1.0], {}, None)) == ("en_face",)  # septum lying flat


def test_the_normal_before_the_search_points_from_right_to_left(quick_case: PlannedCase):
    points = quick_case.landmarks.points_lps
    guess = planes.septal_normal_guess(points)
    assert guess is not None
    assert float(guess @ quick_case.fossa.normal_lps) > 0.5
    assert planes.septal_normal_guess({"left_atrium": points["left_atrium"]}) is None


@given(vectors, vectors)
def test_a_long_axis_plane_holds_the_valves_axis(axis: Any, across: Any):
    axis, across = np.array(axis), np.array(across)
    assume(np.linalg.norm(np.cross(axis, across)) > 1e-2 * max(1.0, np.linalg.norm(axis) * np.linalg.norm(across)))
    plane = planes.long_axis_plane([1.0, 2.0, 3.0], axis, across)
    unit = axis / np.linalg.norm(axis)
    np.testing.assert_allclose(-plane.down_lps, unit, atol=1e-6)
    assert float(plane.right_lps @ across) > 0
    np.testing.assert_allclose(plane.center_lps, [1, 2, 3], atol=1e-9)


# ---------------------------------------------------------------------------------------------------------- resample


@given(seed=st.integers(0, 10**6), left=st.booleans(), sheared=st.booleans(), pixel=st.floats(0.3, 1.5))
def test_a_plane_shows_the_ct_where_it_is(askew: Any, seed: int, left: bool, sheared: bool, pixel: float):
    """Trilinear interpolation is exact for values that are linear in space, whatever way the voxels lie."""
    affine = askew(seed, left, sheared)
    k, j, i = np.meshgrid(np.arange(20), np.arange(24), np.arange(28), indexing="ij")
    slope = np.random.default_rng(seed).uniform(-3, 3, 3)
    p = apply_affine(affine, np.stack([i, j, k], axis=-1))
    middle = p.reshape(-1, 3).mean(axis=0)
    volume = Volume(((p - middle) @ slope).astype(np.float32), affine)
    turn = Rotation.random(random_state=seed + 1).as_matrix()
    plane = Plane("some", "Some", middle, turn[:, 0], turn[:, 1], 30.0, 22.0)
    shown = planes.resample(volume, plane, pixel)
    rows, columns, first = planes.grid_of(plane, pixel)
    assert shown.shape == (rows, columns)
    uv = first + pixel * np.stack(np.meshgrid(np.arange(rows), np.arange(columns), indexing="ij"), axis=-1)
    at = plane.lps(uv)
    index = apply_affine(np.linalg.inv(affine), at)
    top = np.array([27, 23, 19])
    inside = np.all((index >= 0.001) & (index <= top - 0.001), axis=-1)
    beyond = np.any((index < -0.501) | (index > top + 0.501), axis=-1)
    assert inside.any()
    np.testing.assert_allclose(shown[inside], ((at - middle) @ slope)[inside], atol=2e-2)
    assert (shown[beyond] == -1024).all()


def test_new_voxels_are_never_shown_as_old_ones():
    """SimpleITK's copies are kept by the voxels' identity, which Python gives again."""
    plane = planes.body_planes([2.0, 2, 2])["axial"]
    for value in range(60):
        volume = Volume(np.full((5, 5, 5), value, np.int16), np.eye(4))
        assert planes.resample(volume, replace(plane, center_lps=np.array([2.0, 2, 2])), 90.0).max() in (value, -1024)
        assert planes.resample(volume, planes.sized(plane, 2, 2), 1.0).max() == value
        planes.forget(volume.hu)
        del volume


def test_the_grid_is_centred_on_the_plane():
    plane = planes.sized(planes.body_planes([0.0, 0, 0])["axial"], 11.0, 7.0)
    rows, columns, first = planes.grid_of(plane, 0.5)
    assert (rows, columns) == (14, 22)
    np.testing.assert_allclose(first + (np.array([rows, columns]) - 1) / 2 * 0.5, 0)


# -------------------------------------------------------------------------------------------------- lines across them


@given(some_plane(), some_plane())
def test_a_cross_line_lies_in_both_planes_and_ends_at_the_edge(plane: Plane, other: Plane):
    other = replace(other, name="other", center_lps=plane.center_lps + 0.05 * other.center_lps)
    for name, ends in planes.crosshair(plane, [other]):
        assert name == "other"
        at = plane.lps(ends)
        assert np.abs(other.depth_mm(at)).max() < 1e-4
        half = np.array([plane.height_mm, plane.width_mm]) / 2
        assert (np.abs(ends) <= half + 1e-6).all()
        np.testing.assert_allclose((np.abs(ends) / half).max(axis=1), 1, rtol=1e-6)


def test_cross_hair_of_body_planes_is_upright_with_a_gap():
    cursor = np.array([5.0, -3.0, 8.0])
    made = planes.body_planes(cursor)
    for name, plane in made.items():
        others = [p for n, p in made.items() if n != name]
        whole = planes.crosshair(plane, others)
        assert sorted(n for n, _ in whole) == sorted(p.name for p in others)
        for _, ends in whole:
            assert 0 in np.round(np.ptp(ends, axis=0), 9)
        pieces = planes.crosshair(plane, others, gap_mm=4.0, cursor_lps=cursor)
        assert len(pieces) == 4
        nearest = [np.linalg.norm(ends - plane.uv_mm(cursor), axis=1).min() for _, ends in pieces]
        np.testing.assert_allclose(nearest, 4.0)


def test_planes_that_do_not_meet_give_no_line():
    made = planes.body_planes([0.0, 0, 0])
    assert planes.crosshair(made["axial"], [planes.scroll(made["axial"], 5.0), made["axial"]]) == []
    assert planes.crosshair(made["axial"], [planes.scroll(made["coronal"], 500.0)]) == []


@given(st.floats(-9, 9), st.floats(0.5, 5))
def test_a_circle_square_to_a_plane_crosses_it_twice(offset: float, within: float):
    """Circle of radius 10 standing square on a plane `offset` from its centre: crossings at plus and minus
    sqrt(100 - offset^2)."""
    t = np.arange(720) * 2 * np.pi / 720
    circle = 10 * np.stack([np.cos(t), np.sin(t), 0 * t], axis=-1)
    plane = planes.scroll(planes.body_planes([0.0, 0, 0])["coronal"], offset)
    cut = planes.curve_on_plane(plane, circle, within, closed=True)
    x = np.sort(cut.crossings[:, 1])
    half = np.sqrt(100 - offset**2)
    np.testing.assert_allclose(x, [-half, half], atol=0.02)
    for piece in cut.near:
        y = np.sqrt(np.maximum(100 - piece[:, 1] ** 2, 0))
        assert (np.minimum(np.abs(y - offset), np.abs(-y - offset)) <= within + 0.2).all()
    if abs(offset) + within < 9.9:
        assert len(cut.near) == 2
    length = sum(np.abs(np.diff(piece[:, 1])).sum() for piece in cut.near)
    assert length > 0


def test_a_curve_in_the_plane_is_one_piece_and_one_far_away_none():
    t = np.arange(100) * 2 * np.pi / 100
    circle = 10 * np.stack([np.cos(t), np.sin(t), 0 * t], axis=-1)
    axial = planes.body_planes([0.0, 0, 0])["axial"]
    cut = planes.curve_on_plane(axial, circle, 1.0, closed=True)
    assert len(cut.near) == 1
    assert len(cut.near[0]) == 101
    far = planes.curve_on_plane(planes.scroll(axial, 30), circle, 1.0, closed=True)
    assert far.near == ()
    assert len(far.crossings) == 0
    assert planes.curve_on_plane(axial, np.empty((0, 3)), 1.0).near == ()


@pytest.mark.parametrize("seed", range(4))
def test_the_outline_of_a_ball_is_a_circle(askew: Any, seed: int):
    """Ball of radius 18 cut at depth d: a circle of radius sqrt(18^2 - d^2)."""
    center = np.array([3.0, -5.0, 7.0])
    affine = askew(seed, seed % 2 == 1, False)
    affine[:3, :3] /= np.linalg.norm(affine[:3, :3], axis=0)
    size = np.array([60, 60, 60])
    affine[:3, 3] = center - affine[:3, :3] @ (size - 1) / 2
    k, j, i = np.meshgrid(*[np.arange(60)] * 3, indexing="ij")
    p = apply_affine(affine, np.stack([i, j, k], axis=-1))
    field = DistanceField((np.linalg.norm(p - center, axis=-1) - 18).astype(np.float32), affine)
    turn = Rotation.random(random_state=seed).as_matrix()
    for depth in (0.0, 9.0):
        plane = Plane("p", "P", center + depth * np.cross(turn[:, 0], turn[:, 1]), turn[:, 0], turn[:, 1], 90.0, 80.0)
        (line,) = planes.field_outline(field, plane)
        np.testing.assert_allclose(np.linalg.norm(line, axis=1), np.sqrt(18**2 - depth**2), atol=0.1)
        np.testing.assert_allclose(line[0], line[-1])
    far = replace(plane, center_lps=center + 25 * np.cross(turn[:, 0], turn[:, 1]))
    assert planes.field_outline(field, far) == []


def test_outlines_of_the_heart_are_where_its_distance_is_nought(quick_case: PlannedCase):
    plane = planes.body_planes(quick_case.site.target_lps, quick_case.volume)["axial"]
    outlines = planes.outline_on_plane(quick_case.chambers, plane)
    assert {"left_atrium", "right_atrium", "aorta"} <= set(outlines)
    for name, lines in outlines.items():
        for line in lines:
            assert np.abs(quick_case.chambers.distance[name].at(plane.lps(line))).mean() < 0.15


# --------------------------------------------------------------------------------------------------------- small parts


@pytest.mark.parametrize(("width", "length"), [(200.0, 50.0), (90.0, 20.0), (60.0, 10.0), (21.0, 5.0), (2.0, 1.0)])
def test_the_scale_bar_fits_a_quarter(width: float, length: float):
    assert planes.scale_bar(width) == (length, f"{length:g} mm")


def test_windows_have_level_and_width():
    blood = WINDOWS["blood"]
    assert (blood.level_hu, blood.width_hu) == (250.0, 700.0)
    assert all(name == w.name for name, w in WINDOWS.items())
    with pytest.raises(ValueError, match="black"):
        Window("w", "W", 10.0, 10.0, "")
