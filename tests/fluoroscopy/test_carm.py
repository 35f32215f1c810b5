"""C-arm geometry against DICOM's words, published views and plain linear algebra."""

import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from septal_planner.fluoroscopy import carm

REFERENCE = Path(__file__).parents[1] / "reference"
BEAMS = tomllib.loads((REFERENCE / "dicom_ps3_3_c_8_7_5" / "beam_vectors.toml").read_text("utf-8"))["beam"]
VIEWS = tomllib.loads((REFERENCE / "published_views" / "views.toml").read_text("utf-8"))


def swapped(a_deg, b_deg):
    """The same two rotations in the other order, as some published code has it."""
    a, b = np.deg2rad(a_deg), np.deg2rad(b_deg)
    return np.array([np.sin(a), -np.cos(a) * np.cos(b), np.cos(a) * np.sin(b)])


def mitral_normal():
    d1 = carm.vectors_from_angles(*VIEWS["mitral_edge_on"]["septal_lateral"])
    d2 = carm.vectors_from_angles(*VIEWS["mitral_edge_on"]["trigone_to_trigone"])
    n = np.cross(d1, d2)
    return n / np.linalg.norm(n)


def angle(u, v):
    return np.degrees(np.arccos(np.clip(u @ v / np.linalg.norm(u) / np.linalg.norm(v), -1, 1)))


@pytest.mark.parametrize("beam", BEAMS)
def test_beam_vectors_are_those_of_the_standard(beam):
    d = carm.vectors_from_angles(beam["primary_deg"], beam["secondary_deg"])
    np.testing.assert_allclose(d, beam["direction_lps"], atol=6e-7)  # printed to six digits


@pytest.mark.parametrize("beam", BEAMS)
def test_beam_vectors_are_rotations_primary_last(beam):
    # DICOM PS3.17 Z.2: primary about the patient's long axis, secondary about the axis it carries along
    r = Rotation.from_euler("ZX", [beam["primary_deg"], -beam["secondary_deg"]], degrees=True)
    d = carm.vectors_from_angles(beam["primary_deg"], beam["secondary_deg"])
    np.testing.assert_allclose(d, r.apply([0, -1, 0]), atol=1e-12)


@pytest.mark.parametrize(
    ("a", "b", "off_deg"), [(20, 20, 1.67), (30, 20, 3.14), (40, 30, 8.33), (45, 45, 16.84)]
)
def test_the_other_order_of_rotations_is_told_apart(a, b, off_deg):
    wrong = swapped(a, b)
    assert angle(wrong, carm.vectors_from_angles(a, b)) == pytest.approx(off_deg, abs=0.006)
    back = carm.angles_from_vector(wrong)
    assert np.hypot(back[0] - a, back[1] - b) > 1


@given(st.floats(-179.9, 179.9), st.floats(-89.9, 89.9))
def test_angles_come_back_from_the_vector(a, b):
    back = carm.angles_from_vector(carm.vectors_from_angles(a, b))
    assert back == pytest.approx((a, b), abs=1e-9)


@given(st.floats(-180, 180), st.floats(-90, 90))
def test_image_axes_are_right_handed_with_the_view(a, b):
    u, v = carm.image_axes(a, b)
    np.testing.assert_allclose(np.cross(u, v), carm.vectors_from_angles(a, b), atol=1e-12)


def test_edge_on_curve_of_a_simple_normal():
    # en face LAO 45 / CAU 45; values from tan b = (n_y cos a - n_x sin a) / n_z, worked out separately
    b = carm.edge_on_secondary_deg([0.5, -0.5, -np.sqrt(0.5)], [-40, -30, 0, 20, 45])
    np.testing.assert_allclose(b, [4.9811, 14.5108, 35.2644, 42.1863, 45.0], atol=5e-5)


def test_mitral_plane_from_two_published_views():
    # Blanke et al. 2015 (see views.toml): the plane both views lie in, and its curve
    d1 = carm.vectors_from_angles(*VIEWS["mitral_edge_on"]["septal_lateral"])
    d2 = carm.vectors_from_angles(*VIEWS["mitral_edge_on"]["trigone_to_trigone"])
    assert angle(d1, d2) == pytest.approx(88.351, abs=5e-4)
    n = mitral_normal()
    np.testing.assert_allclose(n, [0.71167, -0.57220, -0.40756], atol=6e-6)
    en_face = carm.en_face_view(n)
    assert (en_face.primary_deg, en_face.secondary_deg) == pytest.approx((51.200, -24.052), abs=6e-4)
    b = carm.edge_on_secondary_deg(n, [-60, -45, -30, -20, 0, -29.4, -81.6])
    np.testing.assert_allclose(b, [-39.016, -13.603, 18.921, 35.832, 54.539, 20.1, -56.7], atol=6e-4)
    nearest = carm.edge_on_nearest_ap(n)
    assert (nearest.label, nearest.reachable) == ("RAO 31 CRA 17", True)


def test_septum_and_cava_of_published_views():
    # Xiong et al. (see views.toml): angles between the axes the en-face views look along
    septum = carm.vectors_from_angles(*VIEWS["right_heart"]["septum_en_face"])
    cava = carm.vectors_from_angles(*VIEWS["right_heart"]["inferior_cava_en_face"])
    assert angle(septum, cava) == pytest.approx(104.529, abs=6e-4)
    mitral = mitral_normal()
    assert angle(mitral, septum) == pytest.approx(72.580, abs=6e-4)
    assert angle(mitral, -septum) == pytest.approx(107.420, abs=6e-4)
    assert angle(cava, mitral) == pytest.approx(85.432, abs=6e-4)


def test_published_septal_view_agrees_with_the_axial_septal_angle():
    # two independent series: RAO 33 puts the septum's trace 57 degrees from sagittal, Fender et al. measured
    # 60.6 (10.6)
    d = carm.vectors_from_angles(*VIEWS["right_heart"]["septum_en_face"])
    trace = 90 - np.degrees(np.arctan2(abs(d[0]), abs(d[1])))
    other = VIEWS["septal_axial_angle"]
    assert abs(trace - other["mean_deg"]) < other["sd_deg"]


def test_twenty_thousand_random_planes_are_seen_edge_on():
    rng = np.random.default_rng(2)
    normals = rng.normal(size=(20_000, 3))
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    worst = 0.0
    for n, a in zip(normals, rng.uniform(-180, 180, 20_000), strict=True):
        d = carm.vectors_from_angles(a, carm.edge_on_secondary_deg(n, a))
        worst = max(worst, abs(float(d @ n)))
    assert worst < 1e-12


@pytest.mark.parametrize("limits", [(60.0, 40.0), (90.0, 45.0), (20.0, 40.0)])
def test_nearest_edge_on_view_beats_a_search_over_all_angles(limits):
    rng = np.random.default_rng(3)
    a = np.linspace(-limits[0], limits[0], 20_001)
    for _ in range(60):
        n = rng.normal(size=3)
        n /= np.linalg.norm(n)
        found = carm.edge_on_nearest_ap(n, limits_deg=limits)
        d = carm.vectors_from_angles(found.primary_deg, found.secondary_deg)
        assert abs(d @ n) < 1e-9
        b = carm.edge_on_secondary_deg(n, a)
        allowed = np.abs(b) <= limits[1]
        assert found.reachable == allowed.any()
        if found.reachable:
            best = (np.cos(np.deg2rad(a)) * np.cos(np.deg2rad(b)))[allowed].max()
            assert -d[1] >= best - 1e-9


def test_nearest_edge_on_view_of_special_planes():
    assert carm.edge_on_nearest_ap([0, 0, 1]).label == "AP"
    assert carm.edge_on_nearest_ap([1, 0, 0]).label == "AP"
    coronal = carm.edge_on_nearest_ap([0, 1, 0])
    assert not coronal.reachable
    assert abs(coronal.primary_deg) == pytest.approx(90)
    assert not carm.edge_on_nearest_ap(carm.vectors_from_angles(15, 0)).reachable


def test_en_face_view_looks_from_the_front_whichever_way_the_normal_points():
    septum = carm.vectors_from_angles(-33, -33)
    for n in (septum, -septum):
        v = carm.en_face_view(n)
        assert (v.label, v.reachable) == ("RAO 33 CAU 33", True)
    assert not carm.en_face_view([1, 0, 0]).reachable


@pytest.mark.parametrize(
    ("a", "b", "expected"),
    [(0, 0, "AP"), (0.3, -0.4, "AP"), (30, 0, "LAO 30"), (-33.2, 12.4, "RAO 33 CRA 12"), (0, 20, "AP CRA 20"),
     (-0.4, -5.6, "AP CAU 6")],
)
def test_labels(a, b, expected):
    assert carm.label(a, b) == expected


def test_projection_by_similar_triangles():
    # worked out separately; source-detector 1000 mm, source-isocentre 750 mm
    uv, depth = carm.project(
        [10, -20, 30], isocenter_lps=[0, 0, 0], primary_deg=30, secondary_deg=20, source_detector_mm=1000,
        source_isocenter_mm=750,
    )
    assert depth == pytest.approx(781.235, abs=6e-4)
    np.testing.assert_allclose(uv, [-1.7149, 26.3131], atol=6e-5)
    with pytest.raises(ValueError, match="behind"):
        carm.project([0, 800, 0], isocenter_lps=[0, 0, 0], primary_deg=0, secondary_deg=0,
                     source_detector_mm=1000, source_isocenter_mm=750)
