"""The 3-D camera against the C-arm's projection, against napari's own camera, and against pixels."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from septal_viewer.camera import (
    MIRRORED,
    PLAIN,
    CameraState,
    carm_angles,
    carm_camera,
    facing_camera,
    line_of_sight,
    on_canvas,
    state_of,
)

from septal_planner.fluoroscopy import carm

CENTER = np.array([12.0, -30.0, 105.0])
POINTS = CENTER + np.array([[0, 0, 0], [40, 0, 0], [0, 50, 0], [0, 0, 45], [-20, 30, 10], [25, -60, -30.0]])
primary = st.floats(-180, 180)
secondary = st.floats(-90, 90)
canvas = st.tuples(st.integers(200, 1200), st.integers(200, 1200))


@given(primary, secondary, canvas, st.floats(80, 300), st.floats(600, 900))
def test_the_source_camera_is_the_x_ray_picture(a: float, b: float, px: tuple[int, int], field: float, far: float):
    state = carm_camera(a, b, CENTER, px, field_mm=field, source_isocenter_mm=far)
    uv, _ = carm.project(
        POINTS, isocenter_lps=CENTER, primary_deg=a, secondary_deg=b, source_detector_mm=far, source_isocenter_mm=far
    )
    right_up = (on_canvas(state, px, POINTS) - np.array(px) / 2)[:, ::-1] * [1, -1] / state.zoom
    np.testing.assert_allclose(right_up, uv, atol=1e-6)


@given(primary, secondary, canvas)
def test_facing_the_patient_is_the_same_picture_from_afar(a: float, b: float, px: tuple[int, int]):
    state = facing_camera(a, b, CENTER, px)
    far = 1e7
    uv, _ = carm.project(
        POINTS, isocenter_lps=CENTER, primary_deg=a, secondary_deg=b, source_detector_mm=far, source_isocenter_mm=far
    )
    right_up = (on_canvas(state, px, POINTS) - np.array(px) / 2)[:, ::-1] * [1, -1] / state.zoom
    np.testing.assert_allclose(right_up, uv, atol=1e-2)


@given(primary, secondary)
def test_angles_come_back(a: float, b: float):
    for made in (carm_camera, facing_camera):
        state = made(a, b, CENTER, (600, 800))
        back = carm.vectors_from_angles(*carm_angles(state.angles_deg, state.orientation))
        np.testing.assert_allclose(back, carm.vectors_from_angles(a, b), atol=1e-6)


@given(primary, secondary)
def test_napari_looks_where_we_mean(a: float, b: float):
    """napari's own camera model says where it looks and what stands up."""
    from napari.components import Camera

    for made, sign in ((carm_camera, 1), (facing_camera, -1)):
        model = Camera()
        for key, value in made(a, b, CENTER, (600, 800)).settings().items():
            setattr(model, key, value)
        np.testing.assert_allclose(model.view_direction, sign * carm.vectors_from_angles(a, b), atol=1e-6)
        np.testing.assert_allclose(model.up_direction, carm.image_axes(a, b)[1], atol=1e-6)


def test_left_is_on_the_right_and_head_above_in_a_view_from_the_front():
    px = (600, 800)
    for made in (carm_camera, facing_camera):
        rows, columns = on_canvas(made(0, 0, CENTER, px), px, CENTER + np.array([[30, 0, 0], [0, 0, 30.0]])).T
        assert columns[0] > 400
        assert rows[0] == pytest.approx(300)
        assert rows[1] < 300
        assert columns[1] == pytest.approx(400)


def test_what_lies_near_the_source_is_magnified():
    """The source of an AP view is behind the patient: of two equal lengths the one at the back looks longer, as
    source-detector over source-object distance says (similar triangles)."""
    px = (700, 700)
    state = carm_camera(0, 0, CENTER, px, source_isocenter_mm=750.0)
    ends = np.array([[-20, 0, 0], [20, 0, 0.0]])
    lengths = [np.ptp(on_canvas(state, px, CENTER + ends + [0, y, 0])[:, 1]) for y in (-75.0, 0.0, 75.0)]
    np.testing.assert_allclose(np.array(lengths) / lengths[1], [750 / 825, 1.0, 750 / 675], rtol=1e-9)


@given(primary, secondary, canvas, st.tuples(st.floats(-40, 40), st.floats(-40, 40), st.floats(-40, 40)))
def test_what_is_seen_at_a_pixel_lies_on_its_line_of_sight(a: float, b: float, px: tuple[int, int], off: Any):
    for made in (carm_camera, facing_camera):
        state = made(a, b, CENTER, px)
        point = CENTER + off
        start, way = line_of_sight(state, px, on_canvas(state, px, point))
        assert np.linalg.norm(way) == pytest.approx(1)
        beside = (point - start) - ((point - start) @ way) * way
        assert np.linalg.norm(beside) < 1e-6
    _, straight = line_of_sight(carm_camera(a, b, CENTER, px), px, np.array(px) / 2)
    np.testing.assert_allclose(straight, carm.vectors_from_angles(a, b), atol=1e-6)


def test_the_state_is_read_back_from_napari():
    from napari.components import Camera

    for made in (carm_camera, facing_camera):
        model, state = Camera(), made(30, -10, CENTER, (500, 700))
        for key, value in state.settings().items():
            setattr(model, key, value)
        assert state_of(model) == state


def test_a_camera_that_cannot_be_is_refused():
    for zoom, fov, axes in ((0.0, 10.0, PLAIN), (1.0, 180.0, PLAIN), (1.0, 0.0, ("away", "down", "right"))):
        with pytest.raises(ValueError, match=r"camera|axes"):
            CameraState((0, 0, 0), zoom, (0, 0, 0), fov, axes)
    with pytest.raises(ValueError, match="behind"):
        on_canvas(carm_camera(0, 0, CENTER, (500, 500)), (500, 500), CENTER + [0, 800.0, 0])


@pytest.mark.parametrize(("made", "a", "b"), [
    (carm_camera, 0.0, 0.0), (carm_camera, -33.0, -12.0), (carm_camera, 50.0, 25.0), (facing_camera, -33.0, -12.0),
    (facing_camera, 90.0, 0.0),
])
def test_pixels_are_where_the_projection_puts_them(make_napari_viewer: Any, made: Any, a: float, b: float):
    """A real window draws three points; each is found in the picture where the C-arm's projection has it."""
    viewer = make_napari_viewer(show=True)
    viewer.dims.ndisplay = 3
    points = CENTER + np.array([[0, 0, 0], [35, 10, -20], [-25, -45, 40.0]])
    colors = np.array([[1, 0, 0, 1], [0, 1, 0, 1], [0, 0, 1, 1.0]])
    viewer.add_points(points, size=6, face_color=colors, border_width=0, units=("mm",) * 3)
    shot = viewer.screenshot(canvas_only=True, flash=False)
    px = shot.shape[:2]
    state = made(a, b, CENTER, px)
    for key, value in state.settings().items():
        setattr(viewer.scene.camera, key, value)
    shot = viewer.screenshot(canvas_only=True, flash=False).astype(float)
    expected = on_canvas(state, px, points)
    for channel in range(3):
        others = [c for c in range(3) if c != channel]
        seen = (shot[..., channel] > 128) & (shot[..., others].max(axis=-1) < 100)
        assert seen.any()
        middle = np.argwhere(seen).mean(axis=0) + 0.5
        assert np.linalg.norm(middle - expected[channel]) < 1.5
    assert viewer.scene.camera.orientation == (MIRRORED if made is carm_camera else PLAIN)
