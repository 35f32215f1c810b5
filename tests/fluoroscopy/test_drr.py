"""Line integrals against closed-form chords, in oblique, anisotropic, sheared and cut volumes, by both engines."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from septal_planner.fluoroscopy import drr
from septal_planner.fluoroscopy.projection import Projection, pixels_from_points, rays_from_pixels

ENGINES = ["simpleitk", pytest.param("numba", marks=pytest.mark.skipif(not drr.has_numba(), reason="no numba"))]
VIEWS = [(0, 0), (90, 0), (-30, -25), (45, 40), (-33, 12)]


def frame(primary, secondary, *, size=128, width_mm=190.0, isocenter=(0.0, 0.0, 0.0)):
    pitch = width_mm / size
    return Projection(primary, secondary, isocenter, 1100.0, 750.0, (pitch, pitch), (size, size))


def ellipsoid_hu(size, affine, axes_lps, radii):
    """Water in air: each voxel by the share of it inside, from 4^3 places within."""
    k, j, i = np.indices(size[::-1], dtype=np.float32)
    index = np.stack([i, j, k], axis=-1)
    into = axes_lps / radii  # x @ into has length one on the surface
    matrix, shift = affine[:3, :3].T @ into, affine[:3, 3] @ into
    reach = np.linalg.norm((index @ matrix.astype(np.float32)) + shift.astype(np.float32), axis=-1)
    share = (reach < 1).astype(np.float64)
    near = np.abs(reach - 1) < 2 * np.abs(matrix).sum(axis=0).max()
    offsets = (np.arange(4) + 0.5) / 4 - 0.5
    within = np.stack(np.meshgrid(offsets, offsets, offsets), axis=-1).reshape(-1, 1, 3)
    edge = index[near].astype(np.float64) @ matrix + shift
    share[near] = np.mean([((edge + w @ matrix) ** 2).sum(axis=-1) <= 1 for w in within], axis=0)
    return np.rint(-1000 + 1000 * share).astype(np.int16)


def chord_mm(f, axes_lps, radii):
    """Length of each pixel's ray within the ellipsoid about the origin: a quadratic equation."""
    columns, rows = f.size_px
    c, r = np.meshgrid(np.arange(columns), np.arange(rows))
    source, way = rays_from_pixels(f, np.stack([c, r], axis=-1))
    s, w = source @ axes_lps / radii, way @ axes_lps / radii
    a, b, q = (w * w).sum(-1), (w * s).sum(-1), s @ s - 1
    return 2 * np.sqrt(np.maximum(b * b - a * q, 0)) / a


def about_origin(size, steps, turn=None):
    m = np.eye(4)
    m[:3, :3] = (np.eye(3) if turn is None else turn) @ np.diag(steps)
    m[:3, 3] = -m[:3, :3] @ ((np.array(size) - 1) / 2)
    return m


@pytest.fixture(scope="module")
def sphere():
    size = (236, 236, 190)
    affine = about_origin(size, (0.4, 0.4, 0.5))
    return drr.attenuation(ellipsoid_hu(size, affine, np.eye(3), np.full(3, 45.0)), affine), np.eye(3), np.full(3, 45.0)


@pytest.fixture(scope="module")
def oblique():
    # an ellipsoid turned against a volume that is itself turned, left-handed and of uneven steps
    size = (170, 180, 150)
    turn = Rotation.from_euler("xyz", [12, -8, 21], degrees=True).as_matrix() @ np.diag([1, 1, -1])
    affine = about_origin(size, (0.5, 0.45, 0.6), turn)
    axes = Rotation.from_euler("xyz", [25, 40, -15], degrees=True).as_matrix()
    radii = np.array([38.0, 24.0, 30.0])
    return drr.attenuation(ellipsoid_hu(size, affine, axes, radii), affine), axes, radii


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("body", ["sphere", "oblique"])
def test_chords_of_solids_known_by_formula(engine, body, request):
    made, axes, radii = request.getfixturevalue(body)
    for view in VIEWS:
        f = frame(*view)
        found, true = drr.line_integrals(made, f, engine=engine), chord_mm(f, axes, radii)
        hit = true > 10
        assert hit.sum() > 1000
        assert np.sqrt(np.mean((found - true)[hit] ** 2)) <= 0.1
        assert abs(np.mean((found - true)[hit])) <= 0.05
        assert found[true == 0].max() < 6  # only the half-filled voxels of the edge lie beyond it


def test_both_engines_agree_on_a_textured_body():
    if not drr.has_numba():
        pytest.skip("no numba")
    rng = np.random.default_rng(1)
    from scipy.ndimage import gaussian_filter

    hu = gaussian_filter(rng.normal(size=(60, 70, 80)), 2) * 4000 - 200
    body = drr.attenuation(hu, about_origin((80, 70, 60), (1.0, 1.0, 1.2)))
    for view in VIEWS:
        f = frame(*view, size=64)
        a, b = (drr.line_integrals(body, f, engine=e, step_mm=0.25) for e in ("numba", "simpleitk"))
        assert np.sqrt(np.mean((a - b) ** 2)) < 0.005 * a.mean()


@pytest.mark.parametrize("engine", ENGINES)
def test_a_sheared_volume_is_measured_where_it_lies(engine):
    # a slab 20 mm thick in z, in a grid sheared as a tilted gantry leaves it; AP rays through its middle
    size = (90, 90, 60)
    m = about_origin(size, (1.0, 1.0, 1.0))
    m[1, 2] = 0.35
    m[:3, 3] = -m[:3, :3] @ ((np.array(size) - 1) / 2)
    k, j, i = np.indices(size[::-1], dtype=np.float64)
    y = np.stack([i, j, k], -1) @ m[1, :3] + m[1, 3]
    inside = np.clip(10.5 - np.abs(y), 0, 1)
    body = drr.attenuation(np.rint(1000 * inside - 1000).astype(np.int16), m)
    f = frame(0, 0, size=33, width_mm=20)
    _source, way = rays_from_pixels(f, [16, 16])
    found = drr.line_integrals(body, f, engine=engine)[16, 16]
    assert found == pytest.approx(20 / abs(way[1]), abs=0.15)


@pytest.mark.parametrize("engine", ENGINES)
def test_tissue_cut_by_the_edge_of_the_ct_ends_there(engine):
    # 40 mm of water filling the whole volume: half a voxel of slope on each side gives N voxels in all
    body = drr.attenuation(np.zeros((40, 40, 40), dtype=np.int16), about_origin((40, 40, 40), (1.0, 1.0, 1.0)))
    f = frame(0, 0, size=21, width_mm=10)
    found = drr.line_integrals(body, f, engine=engine)
    assert found[10, 10] == pytest.approx(40, abs=0.02)
    outside = frame(0, 0, size=9, width_mm=10, isocenter=(300.0, 0.0, 0.0))
    assert not drr.line_integrals(body, outside, engine=engine).any()


def test_values_out_of_the_usual_are_kept_in_bounds():
    hu = np.array([[[-3024, -1000, 0], [31767, 40000, 12.4], [1.5, 2, 3]]] * 3, dtype=np.float32)
    body = drr.attenuation(hu, np.eye(4))
    assert body.voxels.shape == (5, 5, 5)
    np.testing.assert_array_equal(body.voxels[1, 1, 1:-1], [0, 0, 1000])
    np.testing.assert_array_equal(body.voxels[1, 2, 1:-1], [32767, 32767, 1012])
    np.testing.assert_allclose(body.lps_from_index[:3, 3], -1)
    with pytest.raises(ValueError, match="engines"):
        drr.line_integrals(body, frame(0, 0), engine="other")


@pytest.mark.parametrize("engine", ENGINES)
def test_a_bead_is_seen_where_its_place_projects(engine):
    # one bright voxel: the middle of its shadow lies where the pinhole geometry puts the voxel's centre
    rng = np.random.default_rng(5)
    size = (60, 50, 40)
    turn = Rotation.from_euler("xyz", [10, 20, -30], degrees=True).as_matrix()
    affine = about_origin(size, (1.0, 1.2, 0.9), turn)
    for view in VIEWS:
        i, j, k = (int(rng.integers(8, n - 8)) for n in size)
        hu = np.full(size[::-1], -1000, dtype=np.int16)
        hu[k, j, i] = 20_000
        f = frame(*view, size=256, width_mm=110)
        shadow = drr.line_integrals(drr.attenuation(hu, affine), f, engine=engine, step_mm=0.2).astype(float)
        rows, columns = np.indices(shadow.shape)
        middle = [(shadow * columns).sum() / shadow.sum(), (shadow * rows).sum() / shadow.sum()]
        wanted = pixels_from_points(f, affine[:3, :3] @ [i, j, k] + affine[:3, 3])
        np.testing.assert_allclose(middle, wanted, atol=0.1)


def test_a_thinned_body_throws_the_same_shadow(oblique):
    made, axes, radii = oblique
    small = drr.thinned(made)
    assert small.voxels.size < made.voxels.size / 7
    f = frame(-33, 12, size=64)
    found, true = drr.line_integrals(small, f), chord_mm(f, axes, radii)
    assert np.sqrt(np.mean((found - true)[true > 10] ** 2)) < 0.4
    assert abs((found - true)[true > 10].mean()) < 0.15
    # what it weighs, and where its middle lies, stay the same
    for body in (made, small):
        weight = body.voxels.sum(dtype=float) * abs(np.linalg.det(body.lps_from_index))
        k, j, i = np.nonzero(body.voxels)
        share = body.voxels[k, j, i].astype(float)
        middle = body.lps_from_index[:3, :3] @ [np.average(n, weights=share) for n in (i, j, k)]
        assert weight == pytest.approx(4 / 3 * np.pi * radii.prod() * 1000, rel=2e-3)
        np.testing.assert_allclose(middle + body.lps_from_index[:3, 3], 0, atol=0.02)
    assert drr.thinned(made, 1) is made
    with pytest.raises(ValueError, match="one or more"):
        drr.thinned(made, 0)
