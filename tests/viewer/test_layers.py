"""Layers: a position read on napari's canvas is the plan's own, however the CT lies; landmarks there and back."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from napari.components import ViewerModel
from napari.layers import Layer
from septal_viewer import camera, layers, looks, planes, surfaces

from septal_planner.geometry.frames import apply_affine
from septal_planner.inputs.landmarks import POINT_COUNTS
from septal_planner.inputs.volume import Volume
from septal_planner.pipeline import FoundAnatomy, PlannedCase

# a layer is made for a flat canvas first, whatever canvas it goes to
oblique = pytest.mark.filterwarnings("ignore:Non-orthogonal slicing")
few = settings(max_examples=25)
numbers = st.floats(-500, 500)
point = st.tuples(numbers, numbers, numbers)


@st.composite
def some_landmarks(draw: st.DrawFn) -> dict[str, np.ndarray]:
    names = draw(st.lists(st.sampled_from(list(POINT_COUNTS)), unique=True, max_size=6))
    return {n: np.array(draw(st.lists(point, min_size=1, max_size=7))) for n in names}


# ---------------------------------------------------------------------------------------------------------------- CT


@oblique
@few
@given(
    seed=st.integers(0, 10**6), left=st.booleans(), sheared=st.booleans(),
    voxel=st.tuples(st.integers(0, 8), st.integers(0, 9), st.integers(0, 10)),
)
def test_the_canvas_position_of_a_voxel_is_its_place_in_the_patient(
    askew: Any, seed: int, left: bool, sheared: bool, voxel: tuple[int, int, int]
):
    hu = np.arange(9 * 10 * 11, dtype=np.int16).reshape(9, 10, 11)
    volume = Volume(hu, askew(seed, left, sheared))
    layer = Layer.create(*layers.ct_layer(volume))
    assert np.shares_memory(layer.data, hu)  # a full CT is not copied
    k, j, i = voxel
    lps = apply_affine(volume.lps_from_index, [i, j, k])
    np.testing.assert_allclose(layer.data_to_world((i, j, k)), lps, atol=1e-6)
    assert layer.data[tuple(np.rint(layer.world_to_data(lps)).astype(int))] == hu[k, j, i]


def test_the_viewer_reads_the_value_at_the_plans_position(quick_case: PlannedCase):
    """In napari's own viewer model, by the position of its cursor, for the target and every landmark."""
    model = ViewerModel(ndisplay=2)
    volume = quick_case.volume
    layer = model.add_layer(Layer.create(*layers.ct_layer(volume)))
    assert tuple(str(u) for u in layer.units) == ("millimeter",) * 3
    assert tuple(layer.axis_labels) == ("L", "P", "S")
    inverse = np.linalg.inv(volume.lps_from_index)
    places = [quick_case.site.target_lps, *[p[0] for p in quick_case.landmarks.points_lps.values()]]
    for lps in places:
        model.dims.point = tuple(lps)
        np.testing.assert_allclose(model.dims.point, lps, atol=1.0)  # the sliders go by voxels
        i, j, k = np.rint(apply_affine(inverse, lps)).astype(int)
        assert layer.get_value(tuple(lps), world=True) == volume.hu[k, j, i]


@oblique
@pytest.mark.parametrize(("seed", "left"), [(3, False), (4, True)])
def test_a_cut_through_a_ball_askew_is_drawn_where_the_ball_is(
    make_napari_viewer: Any, askew: Any, seed: int, left: bool
):
    """A real window: the CT lies oblique, mirrored and uneven; the bright ball on its cut plane and a point at the same
    LPS position come out at the same pixels, which are those that the projection gives."""
    affine = askew(seed, left, False)
    k, j, i = np.meshgrid(*[np.arange(40)] * 3, indexing="ij")
    center = apply_affine(affine, [25.0, 17.0, 22.0])
    p = apply_affine(affine, np.stack([i, j, k], axis=-1))
    volume = Volume(np.where(np.linalg.norm(p - center, axis=-1) < 5, 1000, 0).astype(np.int16), affine)
    viewer = make_napari_viewer(show=True, ndisplay=3)
    plane = planes.body_planes(center, volume)["coronal"]
    data, kept, kind = layers.ct_layer(volume, planes.WINDOWS["blood"])
    viewer.add_layer(Layer.create(data, {**kept, **layers.ct_cut(volume, plane)}, kind))
    px = viewer.screenshot(canvas_only=True, flash=False).shape[:2]
    state = camera.facing_camera(0, 0, center + [7.0, 0, 4.0], px, field_mm=60)
    for key, value in state.settings().items():
        setattr(viewer.scene.camera, key, value)
    ball = viewer.screenshot(canvas_only=True, flash=False)[..., :3].min(axis=-1)
    seen = np.argwhere(ball > 200)
    assert len(seen) > 50
    where = seen.mean(axis=0) + 0.5
    expected = camera.on_canvas(state, px, center)
    pixel_mm = 1 / state.zoom
    assert np.linalg.norm(where - expected) * pixel_mm < 1.0
    viewer.layers.clear()
    viewer.add_layer(Layer.create(*layers.landmark_layer("left_atrium", center)))
    for key, value in state.settings().items():
        setattr(viewer.scene.camera, key, value)
    shot = viewer.screenshot(canvas_only=True, flash=False)[..., 0]
    marker = np.argwhere(shot > 150).mean(axis=0) + 0.5
    assert np.linalg.norm(marker - expected) < 1.5


# ---------------------------------------------------------------------------------------------------------- landmarks


@few
@given(some_landmarks())
def test_landmarks_go_to_layers_and_back(points: dict[str, np.ndarray]):
    made = layers.landmark_layers(points)
    back = layers.landmarks_from_layers(made)
    assert set(back) == set(points)
    through = layers.landmarks_from_layers(Layer.create(*t) for t in made)
    for name, p in points.items():
        np.testing.assert_array_equal(back[name], p)
        np.testing.assert_allclose(through[name], p, atol=1e-9)


def test_landmarks_come_back_from_where_they_are_seen():
    """A layer moved, scaled or renamed by hand, and another's layer beside it."""
    made = Layer.create(*layers.landmark_layer("fossa", [[1.0, 2, 3]]))
    made.name, made.translate, made.scale = "mine", (10, 20, 30), (2, 2, 2)
    other = Layer.create(np.zeros((2, 3)), {"name": "fossa"}, "points")
    back = layers.landmarks_from_layers([made, other])
    assert list(back) == ["fossa"]
    np.testing.assert_allclose(back["fossa"], [[12, 24, 36]])
    data, kept, kind = layers.landmark_layer("fossa", [[1.0, 2, 3]])
    plain = (data, {**kept, "translate": (10, 20, 30), "scale": (2, 2, 2)}, kind)
    np.testing.assert_allclose(layers.landmarks_from_layers([plain])["fossa"], [[12, 24, 36]])


@oblique
@few
@given(seed=st.integers(0, 1000), at=point)
def test_plain_tuples_and_napari_agree_on_the_world(askew: Any, seed: int, at: tuple[float, float, float]):
    data, kept, kind = layers.landmark_layer("spine", [at])
    moved = {**kept, "translate": (5.0, -3.0, 2.0), "scale": (1.5, 1.0, 0.5), "affine": askew(seed, False, True)}
    plain = layers.landmarks_from_layers([(data, moved, kind)])["spine"]
    np.testing.assert_allclose(
        layers.landmarks_from_layers([Layer.create(data, moved, kind)])["spine"], plain, rtol=1e-6, atol=1e-6
    )


def test_every_landmark_has_its_own_look():
    assert set(looks.LANDMARKS) == set(POINT_COUNTS)
    assert len({(x.color, x.symbol) for x in looks.LANDMARKS.values()}) == len(looks.LANDMARKS)
    assert len({x.title for x in looks.LANDMARKS.values()}) == len(looks.LANDMARKS)


def test_colours_stay_apart_for_colour_blind_eyes():
    """Chambers, seen without the long or the middle cones: linear RGB by the matrices of Viénot, Brettel & Mollon 1999
    (doi 10.1002/(SICI)1520-6378(199908)24:4<243::AID-COL5>3.0.CO;2-3, matrices from memory), compared in lightness and
    chroma in CIELAB; 10 is several just noticeable differences."""
    from skimage.color import rgb2lab

    to_lms = np.array([[17.8824, 43.5161, 4.11935], [3.45565, 27.1554, 3.86714], [0.0299566, 0.184309, 1.46709]])
    protan = np.array([[0, 2.02344, -2.52581], [0, 1, 0], [0, 0, 1]])
    deutan = np.array([[1, 0, 0], [0.494207, 0, 1.24827], [0, 0, 1]])
    rgb = np.array([[int(x.color[i : i + 2], 16) / 255 for i in (1, 3, 5)] for x in looks.CHAMBERS.values()])
    for loss in (np.eye(3), protan, deutan):
        seen = ((rgb**2.2) @ to_lms.T @ loss.T @ np.linalg.inv(to_lms).T).clip(0, 1) ** (1 / 2.2)
        lab = rgb2lab(seen[None])[0]
        apart = np.linalg.norm(lab[:, None] - lab, axis=-1) + 100 * np.eye(len(lab))
        assert apart.min() > 10


# ------------------------------------------------------------------------------------------------- anatomy and site


def test_all_of_the_scene_goes_into_a_viewer_in_millimetres(quick_case: PlannedCase, quick_found: FoundAnatomy):
    model = ViewerModel(ndisplay=3)
    points = quick_case.landmarks.points_lps
    made = [
        layers.ct_layer(quick_case.volume, visible=False), *layers.anatomy_layers(quick_found),
        *layers.site_layers(quick_case.site, points, quick_case.mitral), *layers.landmark_layers(points),
    ]
    for t in made:
        layer = model.add_layer(Layer.create(*t))
        assert tuple(str(u) for u in layer.units) == ("millimeter",) * 3
        assert tuple(layer.axis_labels) == ("L", "P", "S")
    assert model.dims.ndim == 3
    names = [layer.name for layer in model.layers]
    assert len(set(names)) == len(names)
    things = {layer.metadata.get(layers.THING_KEY) for layer in model.layers}
    assert {"membrane", "rim", "mitral_annulus", "annular_plane", "left_atrium", "right_atrium", "aorta", "path",
            "height", "target"} <= things
    by_thing = {layer.metadata.get(layers.THING_KEY): layer for layer in model.layers}
    np.testing.assert_allclose(by_thing["target"].data_to_world(by_thing["target"].data[0]), quick_case.site.target_lps)
    assert by_thing["left_atrium"].opacity < 1
    assert not by_thing["left_ventricle"].visible
    height = by_thing["height"].metadata[layers.CURVE_KEY]
    assert np.linalg.norm(height[1] - height[0]) == pytest.approx(abs(quick_case.site.height_mm), abs=1e-6)
    foot = height[1] - quick_case.mitral.center_lps
    assert float(foot @ quick_case.mitral.normal_lps) == pytest.approx(0, abs=1e-6)


def test_the_catheter_comes_up_the_cava_through_the_target_to_the_valve(quick_case: PlannedCase):
    points, site = quick_case.landmarks.points_lps, quick_case.site
    path = layers.path_lps(site, points)
    np.testing.assert_allclose(path[0], points["inferior_vena_cava"][1])
    np.testing.assert_allclose(path[1], points["inferior_vena_cava"][0])
    at = int(np.argmin(np.linalg.norm(path - site.target_lps, axis=1)))
    np.testing.assert_allclose(path[at], site.target_lps, atol=1e-6)
    along = (path[at] - path[at - 1]) / np.linalg.norm(path[at] - path[at - 1])
    np.testing.assert_allclose(along, site.reach.crossing_direction, atol=1e-6)
    assert site.reach.path_lps is not None
    np.testing.assert_allclose(path[-1], site.reach.path_lps[-1])
    assert len(layers.path_lps(site, {})) > 2


def test_the_membrane_is_grey_where_a_quantity_is_not_assessed(quick_found: FoundAnatomy):
    mesh = surfaces.membrane_mesh(quick_found.fossa)
    values = mesh.vertices_lps[:, 2].copy()
    whole = surfaces.Quantity("q", "Some quantity", "mm", values, 600.0, 700.0)
    assert [t[1]["metadata"][layers.THING_KEY] for t in layers.membrane_layer(mesh, whole)] == ["membrane"]
    values[: len(values) // 2] = np.nan
    part = surfaces.Quantity("q", "Some quantity", "mm", values, 600.0, 700.0, "Not seen.")
    colored, grey = layers.membrane_layer(mesh, part)
    assert len(colored[0][1]) + len(grey[0][1]) == len(mesh.faces)
    assert np.isfinite(values[colored[0][1]]).all()
    assert grey[1]["metadata"]["why"] == "Not seen."
    values[:] = np.nan
    assert len(layers.membrane_layer(mesh, surfaces.Quantity("q", "Q", "mm", values, 0.0, 1.0, "Not seen."))) == 1


# --------------------------------------------------------------------------------------------------------- on a plane


@few
@given(st.floats(0.2, 2.0), st.tuples(st.floats(-40, 40), st.floats(-40, 40)))
def test_a_position_on_a_flat_canvas_is_a_place_on_the_plane(pixel: float, uv: tuple[float, float]):
    plane = planes.sized(planes.body_planes([4.0, 5.0, 6.0])["sagittal"], 90.0, 100.0)
    rows, columns, first = planes.grid_of(plane, pixel)
    layer = Layer.create(*layers.plane_image(np.zeros((rows, columns), np.float32), plane, pixel))
    row_column = layer.world_to_data(uv)
    np.testing.assert_allclose(first + pixel * np.array(row_column), uv, atol=1e-9)
    np.testing.assert_allclose(plane.uv_mm(plane.lps(uv)), uv, atol=1e-9)


def test_landmarks_near_a_plane_are_drawn_and_know_their_number():
    plane = planes.body_planes([0.0, 0, 0])["axial"]
    points = {"mitral_annulus": np.array([[5.0, 5, 0], [9, 9, 30], [1, 2, -4.9]]), "aorta": np.array([[0.0, 0, 9]])}
    (made,) = layers.plane_landmarks(plane, points, within_mm=5.0)
    layer = Layer.create(*made)
    assert layer.metadata[layers.LANDMARK_KEY] == "mitral_annulus"
    assert layer.metadata["index"] == [0, 2]
    np.testing.assert_allclose(layer.data, [[5, 5], [2, 1]])  # (down, right) is (posterior, left) here
    assert layer.size[0] > layer.size[1]


def test_lines_on_a_plane_become_shapes_even_when_there_are_none(quick_case: PlannedCase):
    plane = planes.body_planes(quick_case.site.target_lps, quick_case.volume)["axial"]
    made = layers.plane_outlines(planes.outline_on_plane(quick_case.chambers, plane))
    cut = planes.curve_on_plane(plane, quick_case.mitral.curve_lps, 2.0, closed=True)
    made += layers.plane_curve(cut, "mitral_annulus")
    made.append(layers.plane_lines("none", [], looks.SKY))
    model = ViewerModel()
    for t in made:
        model.add_layer(Layer.create(*t))
    assert model.dims.ndim == 2
