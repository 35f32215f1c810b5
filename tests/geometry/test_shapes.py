"""Distance fields and height patches against analytic spheres and ellipsoids."""

import numpy as np
import pytest
from scipy.integrate import quad
from skimage.measure import marching_cubes, mesh_surface_area

from septal_planner.geometry.shapes import DistanceField, HeightPatch


def ellipsoid_area(a, b, c):
    """Surface of an ellipsoid by quadrature over one angle of the parametric area element, the other by
    periodic sum.
    """
    phi = np.arange(4000) * 2 * np.pi / 4000

    def ring(theta):
        s, k = np.sin(theta), np.cos(theta)
        du = (b * c * s * s * np.cos(phi)) ** 2 + (a * c * s * s * np.sin(phi)) ** 2 + (a * b * s * k) ** 2
        return np.sqrt(du).mean() * 2 * np.pi

    return quad(ring, 0, np.pi)[0]


def test_quadrature_knows_the_sphere_and_the_spheroid():
    assert ellipsoid_area(3, 3, 3) == pytest.approx(36 * np.pi, rel=1e-9)
    e = np.sqrt(1 - (2 / 4) ** 2)  # prolate spheroid, closed form
    assert ellipsoid_area(2, 2, 4) == pytest.approx(2 * np.pi * 4 * (1 + 2 / e * np.arcsin(e)), rel=1e-6)


@pytest.mark.parametrize("spacing", [(0.5, 0.5, 0.5), (0.4, 0.6, 0.5)])
def test_marching_cubes_of_an_ellipsoid_has_its_volume_and_area(spacing):
    # scikit-image on a smooth implicit function of the ellipsoid 12 x 9 x 7 mm, grid off centre and not cubic
    semi = np.array([12.0, 9.0, 7.0])
    axes = [np.arange(-h - 2.13, h + 2, s) for h, s in zip(semi, spacing, strict=True)]
    x, y, z = np.meshgrid(*axes, indexing="ij")
    q = np.sqrt((x / semi[0]) ** 2 + (y / semi[1]) ** 2 + (z / semi[2]) ** 2)
    vertices, faces, *_ = marching_cubes((q - 1) * 8, 0.0, spacing=spacing)
    tri = vertices[faces]
    volume = abs(np.einsum("ij,ij->i", tri[:, 0], np.cross(tri[:, 1], tri[:, 2])).sum() / 6)
    assert volume == pytest.approx(4 / 3 * np.pi * semi.prod(), rel=3e-3)
    assert mesh_surface_area(vertices, faces) == pytest.approx(ellipsoid_area(*semi), rel=5e-3)


def sphere_field(radius=10.0):
    lps_from_index = np.array([[0.5, 0.1, 0, -14], [0, 0.6, 0, -15], [0, 0, -0.7, 14], [0, 0, 0, 1.0]])
    k, j, i = np.meshgrid(np.arange(40), np.arange(50), np.arange(50), indexing="ij")
    p = np.stack([i, j, k], axis=-1) @ lps_from_index[:3, :3].T + lps_from_index[:3, 3]
    return DistanceField((np.linalg.norm(p, axis=-1) - radius).astype(np.float32), lps_from_index)


def test_distance_field_of_a_sphere_on_a_sheared_left_handed_grid():
    field = sphere_field()
    rng = np.random.default_rng(0)
    p = rng.uniform(-9, 9, (500, 3))
    p = p[np.linalg.norm(p, axis=1) > 3]
    # trilinear on a 0.7 mm grid
    np.testing.assert_allclose(field.at(p), np.linalg.norm(p, axis=1) - 10, atol=0.05)
    assert field.at(p[0]).shape == ()
    assert field.at(np.array([0.0, 0, 200])) > 100  # beyond the grid it goes on growing


def test_height_patch_of_a_sphere():
    radius = 30.0
    g = np.arange(-12, 12.01, 0.5)
    uu, vv = np.meshgrid(g, g)
    c, s = np.cos(0.4), np.sin(0.4)
    patch = HeightPatch(
        np.array([5.0, -100, 600]), np.array([c, s, 0]), np.array([0, 0, 1.0]), np.array([s, -c, 0]), g, g,
        radius - np.sqrt(radius**2 - uu**2 - vv**2),
    )
    middle = patch.origin_lps + radius * patch.axis_w_lps
    p = patch.points_lps([3.3, -5.1], [1.7, 2.2])
    np.testing.assert_allclose(np.linalg.norm(p - middle, axis=1), radius, atol=0.003)
    inward = (middle - p) / np.linalg.norm(middle - p, axis=1, keepdims=True)
    off_normal = np.cross(patch.normals_lps([3.3, -5.1], [1.7, 2.2]), inward)
    assert np.degrees(np.linalg.norm(off_normal, axis=1)).max() < 0.1
    np.testing.assert_allclose(patch.uvw(p)[:, :2], [[3.3, 1.7], [-5.1, 2.2]], atol=1e-9)
    off = p[0] + 4 * inward[0]
    nearest, distance = patch.nearest(off)
    assert distance == pytest.approx(4, abs=0.01)
    np.testing.assert_allclose(nearest, p[0], atol=0.1)
