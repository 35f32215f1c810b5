"""Truths against brute force, limits with known answers, and published ranges."""

import numpy as np
import pytest
from scipy import ndimage
from scipy.spatial import cKDTree
from septal_phantoms import Truth
from septal_phantoms.assembly import build_heart
from septal_phantoms.catalogue import NAMES, shape_of
from septal_phantoms.septum import Septum
from septal_phantoms.truth import beam, measure_fossa, view_along

FOSSA = np.array([-12.3, -152.7, 641.9])
CASES = [(name, None) for name in NAMES] + [("normal", 35.0), ("rotated-heart", 35.0)]


@pytest.fixture(scope="module", params=CASES, ids=lambda c: f"{c[0]}-{c[1] or 70:g}")
def truth(request):
    return Truth(build_heart(shape_of(*request.param)[0], FOSSA))


def grid(center, half, step):
    axis = np.arange(-half, half + step / 2, step)
    z, y, x = np.meshgrid(axis, axis, axis, indexing="ij")
    return np.stack([x, y, z], -1).reshape(-1, 3) + center


def test_beam_is_dicoms():
    # DICOM PS3.3 C.8.7.5: positioner angles are longitude and latitude, (sin a cos b, -cos a cos b, sin b).
    np.testing.assert_allclose(beam(30, 20), [0.469846, -0.813798, 0.342020], atol=1e-6)
    np.testing.assert_allclose(beam(-33, -33), [-0.45677, -0.70337, -0.54464], atol=1e-5)
    assert view_along(beam(54, -15)) == pytest.approx((54, -15))
    assert view_along(-beam(-33, -33)) == pytest.approx((-33, -33))


def test_flat_septum_has_the_area_of_an_ellipse():
    s = Septum(np.zeros(3), *np.eye(3), 1e6, 6.5, 8.5, 2.0, 2.0, 0.0, 0.0)
    f = measure_fossa(s)
    assert f.area_mm2 == pytest.approx(np.pi * 6.5 * 8.5, rel=1e-6)
    assert f.thickness_mean_mm == pytest.approx(2.0)
    # On a sphere a round cap of arc radius r has area 2 pi R^2 (1 - cos(r/R)).
    cap = measure_fossa(Septum(np.zeros(3), *np.eye(3), 60.0, 8.0, 8.0, 2.0, 2.0, 0.0, 0.0))
    assert cap.area_mm2 == pytest.approx(2 * np.pi * 60**2 * (1 - np.cos(8 / 60)), rel=1e-6)


def test_membrane_edge_is_the_half_rise_of_the_wall(truth):
    s = truth.heart.septum
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    u, v = s.bu * np.cos(angle), s.bv * np.sin(angle)
    # The crest is the plateau just outside; farther out the wall changes again (groove behind, valves in
    # front).
    outward = np.stack([u, v]) / np.hypot(u, v)
    crest = s.thickness_uv(*(np.stack([u, v]) + 4.0 * outward))
    np.testing.assert_allclose(s.thickness_uv(u, v), (s.floor + crest) / 2, atol=0.02)
    np.testing.assert_allclose(truth.thickness_mm(truth.fossa.rim[::15]), s.thickness_uv(u, v), atol=1e-4)


def test_wall_along_the_normal_is_as_thick_as_said(truth):
    s = truth.heart.septum
    rng = np.random.default_rng(2)
    rho, phi = np.sqrt(rng.uniform(0, 0.8, 40)), rng.uniform(0, 2 * np.pi, 40)
    u, v = s.bu * rho * np.cos(phi), s.bv * rho * np.sin(phi)
    points, normal, wall = s.point(u, v), s.surface_normal(u, v), s.thickness_uv(u, v)
    np.testing.assert_allclose(truth.midsurface_distance_mm(points + 0.7 * normal), 0.7, atol=1e-5)
    e = 0.02
    assert (truth.label_at(points + (wall / 2 + e)[:, None] * normal) == 1).all()
    assert (truth.label_at(points - (wall / 2 + e)[:, None] * normal) == 2).all()
    for side in (-1, 1):
        assert (truth.label_at(points + side * (wall / 2 - e)[:, None] * normal) == 6).all()


def test_midsurface_distance_is_the_nearest_point_of_a_dense_sample(truth):
    s = truth.heart.septum
    uu, vv = np.meshgrid(np.arange(-16, 16, 0.05), np.arange(-16, 16, 0.05))
    tree = cKDTree(s.point(uu.ravel(), vv.ravel()))
    points = truth.fossa.center + np.random.default_rng(3).uniform(-4, 4, (80, 3))
    nearest = tree.query(points)[0]
    np.testing.assert_allclose(
        np.abs(truth.midsurface_distance_mm(points)), nearest, atol=0.036
    )  # half a diagonal of the sample


def test_chambers_are_apart_except_at_their_valves(truth):
    points = grid(FOSSA + np.array([24.0, -18.0, 0.0]), 78.0, 1.5)
    f = truth.fields_at(points)
    parts = [
        "left_atrium",
        "right_atrium",
        "aorta",
        "left_ventricle",
        "right_ventricle",
        "left_vessels",
        "right_vessels",
    ]
    parts += ["pulmonary_trunk"]
    joined = {
        ("left_atrium", "left_ventricle"),
        ("right_atrium", "right_ventricle"),
        ("aorta", "left_ventricle"),
        ("left_atrium", "left_vessels"),
        ("right_atrium", "right_vessels"),
        ("right_ventricle", "pulmonary_trunk"),
    }
    for n, one in enumerate(parts):
        for other in parts[n + 1 :]:
            both = (f[one] < 0) & (f[other] < 0)
            assert not both.any(), (one, other)
            if (one, other) not in joined and (other, one) not in joined:
                inside = points[f[one] < 0]
                near = cKDTree(inside).query(points[f[other] < 0], distance_upper_bound=1.0)[0]
                assert not np.isfinite(near).any(), (one, other)


def test_blood_runs_from_the_cavae_and_from_the_veins(truth):
    x, y, z = (np.arange(low, high, 1.5) for low, high in ((-75, 125), (-95, 80), (-65, 65)))
    shift = FOSSA
    f = truth.heart.fields(
        (x + shift[0])[None, None, :], (y + shift[1])[None, :, None], (z + shift[2])[:, None, None]
    )
    for chamber, vessels in (("left_atrium", "left_vessels"), ("right_atrium", "right_vessels")):
        _, count = ndimage.label(f[chamber] < 0)
        assert count == 1, chamber
        labels, _ = ndimage.label((f[chamber] < 0) | (f[vessels] < 0))
        sizes = np.bincount(labels.ravel())[1:]
        assert sizes.max() > 0.999 * sizes.sum(), vessels


def test_aorta_distance_is_the_nearest_labelled_point(truth):
    # A 0.5 mm lattice of labelled points lies at most half its diagonal, 0.43 mm, inside the surface.
    aorta = grid(truth.heart.root_base + 10 * truth.heart.root_axis, 20.0, 0.5)
    tree = cKDTree(aorta[truth.label_at(aorta) == 3])
    targets = np.vstack([truth.fossa.center, truth.fossa.rim[::30]])
    sampled, exact = tree.query(targets)[0], truth.aorta_distance_mm(targets)
    assert (exact <= sampled + 1e-9).all()
    assert (sampled - exact < 0.45).all()


def test_free_path_ends_where_the_labels_do(truth):
    p, d = truth.fossa.center, truth.fossa.normal
    path = truth.free_path_mm(p, d)
    s = np.arange(0, 90, 0.05)
    labels = truth.label_at(p + s[:, None] * d)
    assert labels[np.argmin(np.abs(s - path + 0.1))] == 1
    assert labels[np.argmin(np.abs(s - path - 0.1))] != 1
    first = np.argmax(labels == 1)
    assert (labels[first : np.argmin(np.abs(s - path + 0.1))] == 1).all()
    assert np.isnan(truth.free_path_mm(p, -d))


def test_signed_distance_of_the_atrium_is_the_nearest_labelled_point():
    t = Truth(build_heart(shape_of("normal", None)[0], FOSSA))
    lattice = grid(t.heart.la_body.center, 45.0, 0.75)
    inside = t.fields_at(lattice)["left_atrium"] < 0
    tree_in, tree_out = cKDTree(lattice[inside]), cKDTree(lattice[~inside])
    points = lattice[np.random.default_rng(4).choice(len(lattice), 4000, replace=False)]
    d = t.signed_distance_mm("left_atrium", points)
    sampled = np.where(
        t.fields_at(points)["left_atrium"] < 0, -tree_out.query(points)[0], tree_in.query(points)[0]
    )
    near = np.abs(sampled) < 5
    error = np.abs(d - sampled)[near]
    assert np.median(error) < 0.4  # half the diagonal of the lattice is 0.65 mm
    assert np.quantile(error, 0.95) < 0.9


def test_sizes_lie_within_published_ranges(truth):
    # Mitral annulus area 5-16 cm2, saddle 3-11 mm: Abdelghani et al. 2017, doi 10.1093/ehjci/jew132.
    assert 500 <= truth.mitral.area_mm2 <= 1600
    assert 3 <= truth.mitral.saddle_height_mm <= 11
    # Tricuspid annulus 8.6 +- 2.0 cm2: Addetia et al., JACC CVI 2019;12:401-12 (two standard deviations).
    assert 460 <= truth.tricuspid.area_mm2 <= 1260
    # Septum primum over the fossa 1.8 +- 0.7 mm: Am Heart J 1990, doi 10.1016/s0002-8703(05)80191-7.
    assert 0.4 <= truth.fossa.thickness_min_mm <= 3.2
    if truth.heart.septum.bulge > 10:
        return  # an aneurysm of the septum stretches its fossa beyond the usual
    # Fossa 17.2 +- 4.1 x 12.7 +- 3.8 mm: Yeshwanthi et al. 2024, doi 10.1002/ccd.31304 (two deviations).
    assert 9.0 <= truth.fossa.anterior_posterior_mm <= 25.4
    assert 5.1 <= truth.fossa.superior_inferior_mm <= 20.3


def test_orientations_of_the_normal_heart_agree_with_published_means():
    t = Truth(build_heart(shape_of("normal", None)[0], FOSSA))
    # Septum en face RAO 33 / CAU 33: Xiong et al., doi 10.4244/EIJ-D-19-00618.
    assert t.views["fossa_en_face"] == pytest.approx((-33, -33), abs=1.0)
    # Trace of the septum in the axial plane -60.6 +- 10.6 degrees: Fender et al. 2014.
    assert 50 < 90 + t.views["fossa_en_face"].primary_deg < 71.2
    # Mitral plane from its two published edge-on views, RAO 29.4 / CRA 20.1 and RAO 81.6 / CAU 56.7 (Blanke et al.,
    # J Cardiovasc Comput Tomogr 2015): their cross product (0.71167, -0.57220, -0.40756), 72.58 degrees from the
    # septum's.
    angle = np.degrees(np.arccos(t.mitral.normal @ -np.array([0.71167, -0.57220, -0.40756])))
    assert angle < 2
    assert np.degrees(np.arccos(t.mitral.normal @ t.fossa.normal)) == pytest.approx(72.58, abs=3)
    # The first of these two views lies on the plane's edge-on curve.
    assert t.mitral_edge_on_secondary_deg(-29.4) == pytest.approx(20.1, abs=4)
    d = beam(-20, float(t.mitral_edge_on_secondary_deg(-20.0)))
    assert abs(d @ t.mitral.normal) < 1e-12


def test_phases_move_the_annulus_and_the_septum():
    rest = Truth(build_heart(shape_of("normal", 70)[0], FOSSA))
    systole = Truth(build_heart(shape_of("normal", 35)[0], FOSSA))
    shift = (systole.mitral.center - rest.mitral.center) @ rest.mitral.normal
    # 3.6 +- 0.8 mm/m2 of body surface, about 6-7 mm: Alkadhi et al. 2009, doi 10.1097/RLI.0b013e3181994a73.
    assert -9 < shift < -4
    assert systole.volumes_ml["left_ventricle"] < 0.75 * rest.volumes_ml["left_ventricle"]
    assert systole.volumes_ml["left_atrium"] > rest.volumes_ml["left_atrium"]


def test_left_atrial_volumes():
    # Common practice, no source: 60-120 ml is an ordinary left atrium, above 150 a greatly enlarged one.
    volume = {
        n: Truth(build_heart(shape_of(n, None)[0], FOSSA)).volumes_ml
        for n in ("normal", "dilated-left-atrium")
    }
    assert 60 < volume["normal"]["left_atrium"] < 120
    assert volume["dilated-left-atrium"]["left_atrium"] > 150
