"""Puncture sites on a heart of spheres, where every distance has a closed form."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from septal_planner.errors import AnatomyNotFound, InputRefused
from septal_planner.geometry import curves
from septal_planner.geometry.shapes import DistanceField
from septal_planner.puncture import ranking, survey, target
from septal_planner.puncture.checks import check
from septal_planner.puncture.procedures import Asked, procedure

ATRIUM, ATRIUM_RADIUS, MEMBRANE_RADIUS = np.array([0.0, 0.0, 22.0]), 30.0, 30.75
AORTA, AORTA_RADIUS = np.array([-18.0, 34.0, 40.0]), 13.0


def ray_out(start, direction):
    """Where a ray leaves the sphere cut at z = 0, by the quadratic formula."""
    q = start - ATRIUM
    b = q @ direction
    out = -b + np.sqrt(b * b - q @ q + ATRIUM_RADIUS**2)
    floor = -start[2] / direction[2] if direction[2] < 0 else np.inf
    return min(out, floor)


@pytest.mark.parametrize(
    "name", ["edge-to-edge-degenerative", "edge-to-edge-functional", "left-atrial-access"]
)
def test_every_figure_of_a_chosen_site_is_true(high_septum, name):
    site = survey.choose_target(*high_septum.common(), procedure(name))
    p = site.target_lps
    assert abs(np.linalg.norm(p - ATRIUM) - MEMBRANE_RADIUS) < 0.01
    u, v, _ = high_septum.fossa.patch.uvw(p)
    assert np.hypot(u, v) < 7.0
    assert site.height_mm == pytest.approx(p[2], abs=1e-6)
    assert site.height_interval_95_mm[0] < p[2] < site.height_interval_95_mm[1]
    assert site.distance_to_aorta_mm == pytest.approx(np.linalg.norm(p - AORTA) - AORTA_RADIUS, abs=0.05)
    out = ray_out(p, site.reach.crossing_direction)
    assert site.distance_to_posterior_wall_mm == pytest.approx(out, abs=0.1)
    assert site.distance_to_rim_mm == pytest.approx(7.0 - np.hypot(u, v), abs=0.2)
    assert site.wall_thickness_mm == pytest.approx(1.5)
    fractions = (site.superior_fraction, site.anterior_fraction)
    assert fractions == pytest.approx(((v + 7) / 14, (u + 7) / 14), abs=0.01)
    assert site.source == "computed"
    assert site.moved_mm is None


def test_chosen_site_keeps_to_an_attainable_band(high_septum):
    for name in ("edge-to-edge-degenerative", "edge-to-edge-functional"):
        asked = procedure(name)
        site = survey.choose_target(*high_septum.common(), asked)
        assert site.height_band_available is True
        assert asked.height.low <= site.height_mm <= asked.height.high
        assert site.notes == ()
        assert site.zone.endswith("posterior") or site.anterior_fraction < 0.5


def test_a_band_out_of_reach_is_said_plainly_and_a_site_still_given(low_septum):
    asked = procedure("edge-to-edge-degenerative")
    site = survey.choose_target(*low_septum.common(), asked)
    low, high = site.membrane_height_range_mm
    assert site.height_band_available is False
    assert site.notes[0] == (
        f"The height band asked for (40 to 50 mm) is not available on this septum: the membrane lies "
        f"{low:.0f} to {high:.0f} mm above the mitral annular plane."
    )
    height = next(c for c in site.checks if c.name == "height_above_mitral_annulus")
    assert height.status == "not met"
    assert site.notes[0] in height.why
    # as high as a slip of the needle still lands on the membrane: no height is gained at the rim's cost
    rim = curves.distance_to_closed(target.membrane_points(low_septum.fossa), low_septum.fossa.rim_lps)
    clear = min(ranking.NEEDLE_SLIP_MM, ranking.NEEDLE_SLIP_SHARE * float(rim.max()))
    assert site.distance_to_rim_mm >= clear - 1e-9
    assert high - clear - 1.0 < site.height_mm < high - clear + 0.3


def test_a_band_only_at_the_rim_is_said_too(low_septum):
    plain = survey.choose_target(*low_septum.common(), procedure("left-atrial-access"))
    top = plain.membrane_height_range_mm[1]
    asked = procedure("edge-to-edge-degenerative")
    narrow = replace(asked, height=replace(asked.height, low=top - 1.0, high=top + 5.0))
    site = survey.choose_target(*low_septum.common(), narrow)
    assert site.height_band_available is False
    assert "only within 2 mm of the rim" in site.notes[0]


def test_a_band_only_beside_the_aorta_is_said_too(high_septum):
    asked = procedure("edge-to-edge-degenerative")
    far = replace(asked, distance_to_aorta=replace(asked.distance_to_aorta, low=28.0, tolerance=1.0))
    site = survey.choose_target(*high_septum.common(), replace(far, height=replace(asked.height, low=45.0)))
    assert site.height_band_available is True
    assert site.height_mm < 45
    assert "would not keep clear" in site.notes[0]


def test_choice_beats_every_other_candidate_on_its_worst_safety_margin(high_septum):
    site = survey.choose_target(*high_septum.common(), procedure("left-atrial-access"))
    for name in ("distance_to_rim", "distance_to_aorta", "distance_to_posterior_wall", "wall_thickness"):
        assert next(c for c in site.checks if c.name == name).status == "met"


def test_snapping_goes_straight_to_the_surface(high_septum):
    fossa = high_septum.fossa
    rng = np.random.default_rng(0)
    for _ in range(20):
        u, v = rng.uniform(-4, 4, 2)
        p = fossa.patch.points_lps(u, v)
        inward = (ATRIUM - p) / np.linalg.norm(ATRIUM - p)
        off = rng.uniform(-8, 8)
        snapped, moved = target.snap_user_target(p + off * inward, fossa)
        assert moved == pytest.approx(abs(off), abs=0.02)
        assert np.linalg.norm(snapped - p) < 0.1


@settings(max_examples=25, deadline=None)
@given(st.floats(-12, 12), st.floats(-12, 12), st.floats(-5, 5))
def test_snapping_never_leaves_the_membrane(high_septum, u, v, w):
    patch = high_septum.fossa.patch
    p = patch.origin_lps + u * patch.axis_u_lps + v * patch.axis_v_lps + w * patch.axis_w_lps
    try:
        snapped, moved = target.snap_user_target(p, high_septum.fossa)
    except InputRefused:
        assert np.hypot(max(np.hypot(u, v) - 7, 0), max(abs(w) - 1, 0)) > 9
        return
    su, sv, _ = patch.uvw(snapped)
    assert np.hypot(su, sv) <= 7.0
    assert moved == pytest.approx(np.linalg.norm(snapped - p))


def test_a_target_off_the_septum_is_refused_with_its_distance(high_septum):
    p = high_septum.fossa.center_lps + 25 * high_septum.fossa.normal_lps
    with pytest.raises(InputRefused, match=r"^The target lies 25\.0 mm off the septum"):
        target.snap_user_target(p, high_septum.fossa)
    with pytest.raises(InputRefused, match="finite"):
        target.snap_user_target([1.0, np.nan, 2], high_septum.fossa)


def test_coaptation_moves_the_datum(high_septum):
    fossa, annulus, chambers, marks = high_septum.common()
    site = target.evaluate_site(
        fossa.center_lps, fossa, annulus, chambers, {**marks, "leaflet_coaptation": np.array([[3.0, 1, -8]])},
        procedure("edge-to-edge-functional"),
    )
    assert site.height_above_coaptation_mm == pytest.approx(site.height_mm + 8)
    bare = target.evaluate_site(fossa.center_lps, *high_septum.common(), procedure("edge-to-edge-functional"))
    assert bare.height_above_coaptation_mm is None


def test_missing_chambers_are_not_assessed_with_a_reason(high_septum):
    fossa, annulus, chambers, marks = high_septum.common()
    bare = replace(chambers, distance={}, not_assessed={"aorta": "No point was marked in the aorta."})
    site = survey.choose_target(fossa, annulus, bare, marks, procedure("left-atrial-access"))
    assert site.distance_to_aorta_mm is None
    assert site.distance_to_posterior_wall_mm is None
    by_name = {c.name: c for c in site.checks}
    assert by_name["distance_to_aorta"].status == "not assessed"
    assert by_name["distance_to_aorta"].why.startswith("No point was marked in the aorta.")
    assert "left atrium was not found" in by_name["distance_to_posterior_wall"].why
    assert by_name["bend_radius"].status == "not assessed"


def test_cava_landmarks_are_needed(high_septum):
    fossa, annulus, chambers, _ = high_septum.common()
    with pytest.raises(AnatomyNotFound, match="inferior_vena_cava needs two points"):
        survey.choose_target(fossa, annulus, chambers, {}, procedure("left-atrial-access"))


def test_posterior_path_of_rays_through_a_sphere(high_septum):
    field = high_septum.chambers.distance["left_atrium"]
    rng = np.random.default_rng(1)
    points = high_septum.fossa.patch.points_lps(rng.uniform(-5, 5, 40), rng.uniform(-5, 5, 40))
    d = np.array([0.8, -0.2, 0.1])
    d /= np.linalg.norm(d)
    path, cosine = target.posterior_path_mm(points, d, field)
    np.testing.assert_allclose(path, [ray_out(p, d) for p in points], atol=0.1)  # trilinear field of 0.8 mm
    ends = points + path[:, None] * d
    expected = (ends - ATRIUM) @ d / ATRIUM_RADIUS
    np.testing.assert_allclose(cosine, expected, atol=0.05)
    away, _ = target.posterior_path_mm(points, -d, field)
    assert np.isnan(away).all()


def test_blood_grazed_within_the_wall_is_not_the_chamber():
    # along x, by construction: wall, blood 0.1 (or 1) mm deep at x = 2 and none from 3 on, blood from x = 6 to 30
    x = np.arange(-2.0, 41.0)
    for touch, leaves in ((-0.1, 30.0), (-1.0, 3.0)):
        values = np.interp(x, [-2, 1, 2, 4, 6, 18, 30, 40], [4, 0.5, touch, 1.0, 0, -12, 0, 10])
        affine = np.eye(4)
        affine[:3, 3] = [-2.0, -2, -2]
        field = DistanceField(np.broadcast_to(values, (5, 5, len(x))).astype(np.float32), affine)
        path, _ = target.posterior_path_mm([-1.0, 0, 0], [1.0, 0, 0], field)
        assert path[0] == pytest.approx(leaves + 1.0, abs=0.02)


@pytest.mark.parametrize(
    ("value", "sd", "status"),
    [(12.0, 0.5, "met"), (10.2, 0.5, "borderline"), (9.8, 0.5, "borderline"), (7.5, 0.5, "borderline"),
     (6.9, 0.5, "not met"), (6.9, 4.0, "borderline"), (25.0, None, "not met"), (20.0, None, "met"),
     (None, None, "not assessed")],
)
def test_status_of_a_check(value, sd, status):
    asked = Asked(10.0, 20.0, 3.0, "an invented source", "memory")
    c = check("x", value, sd, "mm", asked, "It could not be measured.")
    assert c.status == status
    assert "an invented source" in c.why


@pytest.mark.parametrize(
    ("superior", "anterior", "words"),
    [(0.5, 0.1, "mid-posterior"), (0.9, 0.5, "superior-central"), (0.1, 0.9, "inferior-anterior")],
)
def test_zone_in_words(superior, anterior, words):
    assert target.zone(superior, anterior) == words
