"""Triangles against closed forms (balls, tori), and the numbers on the membrane against those of a puncture there."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from septal_viewer import surfaces
from septal_viewer.surfaces import Mesh, Quantity

from septal_planner.geometry.frames import apply_affine
from septal_planner.geometry.shapes import DistanceField
from septal_planner.pipeline import FoundAnatomy, site_at
from septal_planner.puncture.procedures import procedure


def enclosed_mm3(mesh: Mesh) -> float:
    """Volume by the divergence theorem, positive where faces are counter-clockwise seen from outside."""
    a, b, c = (mesh.vertices_lps[mesh.faces[:, i]] - mesh.vertices_lps.mean(axis=0) for i in range(3))
    return float(np.einsum("ni,ni->n", a, np.cross(b, c)).sum() / 6)


def area_mm2(mesh: Mesh) -> float:
    a, b, c = (mesh.vertices_lps[mesh.faces[:, i]] for i in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)


def is_closed(mesh: Mesh) -> bool:
    """Whether every edge is used once each way."""
    edges = np.concatenate([mesh.faces[:, [0, 1]], mesh.faces[:, [1, 2]], mesh.faces[:, [2, 0]]])
    forth = {tuple(e) for e in edges.tolist()}
    return len(forth) == len(edges) and all((b, a) in forth for a, b in forth)


def ball(affine: Any, shape: tuple[int, int, int], center: Any, radius: float) -> DistanceField:
    k, j, i = np.meshgrid(*[np.arange(n) for n in shape], indexing="ij")
    p = apply_affine(affine, np.stack([i, j, k], axis=-1))
    return DistanceField((np.linalg.norm(p - center, axis=-1) - radius).astype(np.float32), affine)


@pytest.mark.parametrize(("seed", "left"), [(0, False), (1, True), (2, False), (3, True)])
def test_a_ball_in_a_grid_askew_is_a_ball_in_space(seed: int, left: bool):
    turn = Rotation.random(random_state=seed).as_matrix()
    affine = np.eye(4)
    affine[:3, :3] = turn @ np.diag([0.7, 0.9, 1.2]) @ np.diag([1, 1, -1 if left else 1])
    shape = (44, 58, 74)
    center = np.array([31.0, -12.0, 240.0])
    affine[:3, 3] = center - affine[:3, :3] @ (np.array(shape[::-1]) - 1) / 2
    mesh = surfaces.field_mesh(ball(affine, shape, center, 20.0))
    np.testing.assert_allclose(np.linalg.norm(mesh.vertices_lps - center, axis=1), 20, atol=0.1)
    assert is_closed(mesh)
    assert enclosed_mm3(mesh) == pytest.approx(4 / 3 * np.pi * 20**3, rel=0.02)
    normals = surfaces.vertex_normals(mesh)
    outward = (mesh.vertices_lps - center) / 20
    assert (np.einsum("ni,ni->n", normals, outward) > 0.97).all()


def test_what_runs_out_of_its_grid_is_closed_there():
    affine = np.eye(4)
    mesh = surfaces.field_mesh(ball(affine, (30, 30, 30), np.array([0.0, 15, 15]), 10.0), step_mm=1.0)
    assert is_closed(mesh)
    assert enclosed_mm3(mesh) == pytest.approx(2 / 3 * np.pi * 10**3, rel=0.15)
    assert mesh.vertices_lps[:, 0].min() > -1.0


def test_nothing_gives_no_triangles():
    empty = surfaces.field_mesh(ball(np.eye(4), (10, 10, 10), np.array([0.0, 0, 90]), 5.0))
    assert len(empty.faces) == len(empty.vertices_lps) == 0


def test_chambers_hold_the_volume_that_was_measured(quick_found: FoundAnatomy):
    """Within 3 %: the atria's volumes come from voxels, not from these triangles."""
    meshes = surfaces.chamber_meshes(quick_found.chambers)
    assert set(meshes) == set(quick_found.chambers.distance)
    for name in ("left_atrium", "right_atrium"):
        assert enclosed_mm3(meshes[name]) / 1000 == pytest.approx(quick_found.chambers.volume_ml[name], rel=0.03)
        assert len(meshes[name].faces) < 30000


# ---------------------------------------------------------------------------------------------------------- membrane


def test_the_membrane_has_its_rim_area_and_side(quick_found: FoundAnatomy):
    fossa = quick_found.fossa
    mesh = surfaces.membrane_mesh(fossa)
    assert fossa.area_mm2 is not None
    assert area_mm2(mesh) == pytest.approx(fossa.area_mm2, rel=0.03)
    np.testing.assert_allclose(mesh.vertices_lps[: len(fossa.rim_lps)], fossa.rim_lps)
    on_surface = fossa.patch.uvw(mesh.vertices_lps)
    height = fossa.patch.sample(fossa.patch.height_mm, on_surface[:, 0], on_surface[:, 1])
    np.testing.assert_allclose(on_surface[:, 2], height, atol=1e-6)
    a, b, c = (mesh.vertices_lps[mesh.faces[:, i]] for i in range(3))
    assert (np.cross(b - a, c - a) @ fossa.normal_lps > 0).all()


def test_where_no_rim_was_seen_the_septum_around_the_point_is_shown(quick_found: FoundAnatomy):
    why = "The rim was not seen (invented for this test)."
    fossa = replace(
        quick_found.fossa, rim_lps=np.empty((0, 3)), thickness_mean_mm=None,
        not_assessed={"rim": why, "thickness": why},
    )
    mesh = surfaces.membrane_mesh(fossa)
    u, v = (fossa.patch.uvw(mesh.vertices_lps) - fossa.patch.uvw(fossa.center_lps))[:, :2].T
    assert np.hypot(u, v).max() <= surfaces.WITHOUT_RIM_MM + 1e-6
    found = surfaces.membrane_quantities(mesh, fossa, quick_found.mitral, quick_found.chambers)
    assert {name: q.assessed for name, q in found.items()} == {
        "height": True, "thickness": False, "aorta": True, "rim": False,
    }
    assert found["rim"].why == found["thickness"].why == why
    assert np.isnan(found["rim"].values).all()


def test_colours_say_what_the_plan_says_of_a_puncture_there(quick_found: FoundAnatomy):
    """Every tenth vertex well within the rim, measured as a puncture there."""
    mesh = surfaces.membrane_mesh(quick_found.fossa)
    found = surfaces.membrane_quantities(mesh, quick_found.fossa, quick_found.mitral, quick_found.chambers)
    inner = np.flatnonzero(found["rim"].values > 1.0)
    for vertex in inner[:: max(1, len(inner) // 6)]:
        site = site_at(quick_found, procedure("edge-to-edge-degenerative"), mesh.vertices_lps[vertex])
        off = float(np.linalg.norm(site.target_lps - mesh.vertices_lps[vertex]))
        assert off < 0.2
        assert found["height"].values[vertex] == pytest.approx(site.height_mm, abs=off + 1e-6)
        assert found["thickness"].values[vertex] == pytest.approx(site.wall_thickness_mm, abs=0.1)
        assert found["aorta"].values[vertex] == pytest.approx(site.distance_to_aorta_mm, abs=off + 1e-6)
        assert found["rim"].values[vertex] == pytest.approx(site.distance_to_rim_mm, abs=off + 1e-6)
    for q in found.values():
        seen = q.values[np.isfinite(q.values)]
        assert q.low <= seen.min() <= seen.max() <= q.high
        assert q.unit == "mm"


def test_without_an_aorta_its_distance_is_not_assessed_with_the_reason(quick_found: FoundAnatomy):
    distance = {n: f for n, f in quick_found.chambers.distance.items() if n != "aorta"}
    chambers = replace(quick_found.chambers, distance=distance, not_assessed={"aorta": "No aorta point was marked."})
    mesh = surfaces.membrane_mesh(quick_found.fossa)
    q = surfaces.membrane_quantities(mesh, quick_found.fossa, quick_found.mitral, chambers)["aorta"]
    assert not q.assessed
    assert q.why == "No aorta point was marked."


def test_where_the_ct_ends_at_the_aorta_its_distance_is_not_assessed(quick_found: FoundAnatomy):
    """As `site_at` says of the same CT: cut just before the aorta."""
    chambers = quick_found.chambers
    mesh = surfaces.membrane_mesh(quick_found.fossa)
    assert chambers.ct_lps_from_index is not None
    assert chambers.ct_size_ijk is not None
    away = chambers.distance["aorta"].at(mesh.vertices_lps)
    start = mesh.vertices_lps[int(np.argmin(away))]
    slope = np.array([(chambers.distance["aorta"].at(start + e) - chambers.distance["aorta"].at(start - e)) / 2
                      for e in np.eye(3)])
    edge = apply_affine(np.linalg.inv(chambers.ct_lps_from_index), start - away.min() * slope)
    size = np.array(chambers.ct_size_ijk)
    axis = int(np.argmin(edge / size))  # the front of the patient
    moved = chambers.ct_lps_from_index.copy()
    shift = np.zeros(3)
    shift[axis] = edge[axis]
    moved[:3, 3] = apply_affine(chambers.ct_lps_from_index, shift)
    cut = replace(chambers, ct_lps_from_index=moved)
    q = surfaces.membrane_quantities(mesh, quick_found.fossa, quick_found.mitral, cut)["aorta"]
    assert np.isnan(q.values[int(np.argmin(away))])
    assert "CT ends" in q.why


def test_a_scale_or_a_hole_without_sense_is_refused():
    with pytest.raises(ValueError, match="scale"):
        Quantity("q", "Q", "mm", np.zeros(2), 1.0, 1.0)
    with pytest.raises(ValueError, match="reason"):
        Quantity("q", "Q", "mm", np.array([1.0, np.nan]), 0.0, 2.0)
    with pytest.raises(ValueError, match="vertices"):
        Mesh(np.zeros((3, 3)), np.array([[0, 1, 3]]))


# ------------------------------------------------------------------------------------------------------- plain shapes


@settings(max_examples=20)
@given(st.floats(5, 30), st.floats(0.2, 2.0), st.integers(0, 1000))
def test_a_closed_tube_is_a_torus(large: float, small: float, seed: int):
    """Volume 2 pi^2 R r^2, less what an octagon lacks of a circle (Pappus)."""
    turn = Rotation.random(random_state=seed).as_matrix()
    t = np.arange(180) * 2 * np.pi / 180
    ring = large * np.stack([np.cos(t), np.sin(t), 0 * t], axis=-1) @ turn.T + [10, 20, 30]
    mesh = surfaces.tube_mesh(ring, small, closed=True)
    assert is_closed(mesh)
    octagon = 8 * np.sin(2 * np.pi / 8) / 2 / np.pi
    assert enclosed_mm3(mesh) == pytest.approx(2 * np.pi**2 * large * small**2 * octagon, rel=5e-3)


@settings(max_examples=40)
@given(st.lists(st.tuples(*[st.floats(-20, 20)] * 3), min_size=2, max_size=8), st.floats(0.2, 2.0))
def test_any_line_gives_a_closed_tube_around_it(points: list[tuple[float, float, float]], radius: float):
    curve = np.array(points)
    if np.linalg.norm(np.diff(curve, axis=0), axis=1).max() < 1e-6:
        return
    mesh = surfaces.tube_mesh(curve, radius)
    assert is_closed(mesh)
    assert np.isfinite(mesh.vertices_lps).all()
    nearest = np.linalg.norm(mesh.vertices_lps[:, None] - curve, axis=-1).min(axis=1)
    np.testing.assert_allclose(nearest.max(), radius, rtol=1e-6)


def test_a_straight_tube_is_a_prism():
    mesh = surfaces.tube_mesh([[0, 0, 0], [0, 0, 5.0], [0, 0, 10]], 2.0, sides=64)
    assert enclosed_mm3(mesh) == pytest.approx(np.pi * 4 * 10, rel=0.005)
    with pytest.raises(ValueError, match="two different points"):
        surfaces.tube_mesh([[1, 1, 1.0], [1, 1, 1]], 1.0)


@given(st.integers(0, 10**6), st.floats(0, 15))
def test_a_line_meets_a_ball_where_geometry_says(seed: int, miss: float):
    """Distance to the nearer side of a ball of radius 12 passed at `miss`: D - sqrt(144 - miss^2)."""
    rng = np.random.default_rng(seed)
    center = rng.uniform(-50, 50, 3)
    n = 24
    lps_from_index = np.eye(4) * 1.2
    lps_from_index[3, 3] = 1
    lps_from_index[:3, 3] = center - 1.2 * (n - 1) / 2
    mesh = surfaces.field_mesh(ball(lps_from_index, (n, n, n), center, 12.0), step_mm=1.0)
    turn = Rotation.random(random_state=seed).as_matrix()
    start = center - 100 * turn[:, 2] + miss * turn[:, 0]
    hit = surfaces.first_hit(mesh, start, turn[:, 2])
    if miss > 12.1:
        assert hit is None
    elif miss < 11:
        assert hit is not None
        expected = start + (100 - np.sqrt(144 - miss**2)) * turn[:, 2]
        assert np.linalg.norm(hit - expected) < 0.35


def test_every_place_of_the_membrane_can_be_pointed_at(quick_found: FoundAnatomy):
    mesh = surfaces.membrane_mesh(quick_found.fossa)
    for face in mesh.faces[::40]:
        middle = mesh.vertices_lps[face].mean(axis=0)
        hit = surfaces.first_hit(mesh, middle - 80 * quick_found.fossa.normal_lps, quick_found.fossa.normal_lps)
        assert hit is not None
        assert np.linalg.norm(hit - middle) < 1e-6
    assert surfaces.first_hit(surfaces.Mesh(np.empty((0, 3)), np.empty((0, 3), int)), [0, 0, 0], [0, 0, 1]) is None


def test_the_disc_of_a_ring_lies_on_its_plane():
    t = np.arange(60) * 2 * np.pi / 60
    saddle = np.stack([10 * np.cos(t), 10 * np.sin(t), 2 * np.cos(2 * t)], axis=-1) + [5, 5, 5]
    disc = surfaces.disc_mesh([5.0, 5, 5], [0, 0, 2.0], saddle, margin=1.2)
    np.testing.assert_allclose(disc.vertices_lps[:, 2], 5)
    assert area_mm2(disc) == pytest.approx(1.44 * np.pi * 100, rel=0.01)


def test_light_is_between_nought_and_one_and_from_the_front(quick_found: FoundAnatomy):
    mesh = surfaces.chamber_meshes(quick_found.chambers)["left_atrium"]
    light = surfaces.shade(mesh)
    assert light.min() >= 0.5
    assert light.max() <= 1.0
    front = surfaces.vertex_normals(mesh)[:, 1] < -0.8
    back = surfaces.vertex_normals(mesh)[:, 1] > 0.8
    assert light[front].mean() > light[back].mean() + 0.1
