"""The needle's way against published views and clock ranges, plane geometry and closed-form surfaces."""

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from septal_planner.geometry.shapes import DistanceField, HeightPatch
from septal_planner.puncture import needle
from septal_planner.puncture.catheter import angle_deg, crossing_direction
from septal_planner.puncture.catheters import Figure

REFERENCE = Path(__file__).parents[1] / "reference"
PUBLISHED = tomllib.loads((REFERENCE / "published_views" / "views.toml").read_text("utf-8"))
VIEWS = PUBLISHED["right_heart"]


def beam(a_deg, b_deg):
    a, b = np.deg2rad([a_deg, b_deg])
    return np.array([np.sin(a) * np.cos(b), -np.cos(a) * np.cos(b), np.sin(b)])


def test_clock_of_the_mean_septum_is_as_published():
    # mean en-face view RAO 33 / CAU 33 (Xiong et al., doi 10.4244/EIJ-D-19-00618): 147 degrees from anterior, 4.9 h
    into_left = -beam(*VIEWS["septum_en_face"])
    assert needle.clock_hours(into_left) == pytest.approx(4.9, abs=1e-9)
    # an independent series of 100 CTs (Fender et al. 2014): the best needle direction lies between 4 and 6 o'clock
    low, high = needle.PUBLISHED_CLOCK_HOURS
    assert (low, high) == (4.0, 6.0)
    cava = beam(*VIEWS["inferior_cava_en_face"])
    crossing = crossing_direction(cava, into_left)
    assert low < needle.clock_hours(crossing, cava) < high
    # and the septal plane in an axial slice, 60.6 +- 10.6 degrees from sagittal, puts the normal at 90 + 60.6 degrees
    for sd in (-1, 0, 1):
        turn = np.deg2rad(PUBLISHED["septal_axial_angle"]["mean_deg"] + sd * PUBLISHED["septal_axial_angle"]["sd_deg"])
        assert low < needle.clock_hours([np.cos(turn), np.sin(turn), 0]) < high


@pytest.mark.parametrize(
    ("direction", "hours"), [((0, -1, 0), 12), ((1, 0, 0), 3), ((0, 1, 0), 6), ((-1, 0, 0), 9), ((1, 0, 5), 3)]
)
def test_the_hours_seen_from_below(direction, hours):
    # an axial CT slice is seen from below too, anterior up and the patient's left to the right: DICOM's LPS axes
    assert needle.clock_hours(direction) == pytest.approx(hours)


@given(st.floats(0, 360), st.floats(0, 70), st.floats(0, 360))
def test_a_tilted_shaft_carries_its_hour_without_turning(hour_deg, tilt_deg, toward_deg):
    # SciPy's shortest rotation from the body axis to the shaft takes the hour along
    toward = np.deg2rad(toward_deg)
    turn = Rotation.from_rotvec(np.deg2rad(tilt_deg) * np.array([-np.sin(toward), np.cos(toward), 0]))
    a = np.deg2rad(hour_deg)
    flat = np.array([np.sin(a), -np.cos(a), 0])
    got = needle.clock_hours(turn.apply(flat), turn.apply([0, 0, 1]))
    assert np.cos(np.deg2rad(30 * got - hour_deg)) == pytest.approx(1, abs=1e-9)


def test_a_direction_along_the_shaft_has_no_hour():
    with pytest.raises(ValueError, match="no hour"):
        needle.clock_hours([0, 0, 1])


def test_hours_in_words():
    assert [needle.clock_words(h) for h in (4.9, 4.4, 12.0, 0.1, 11.8, 0.5)] == [
        "5 o'clock", "half past 4", "12 o'clock", "12 o'clock", "12 o'clock", "half past 12"]


def _curve(angle, radius, straight):
    return needle.FixedCurve(*(Figure(v, "invented", "memory") for v in (angle, radius, straight)))


def test_the_sheath_of_a_right_angle():
    # plane geometry: up 100 mm, a quarter circle of 30 mm, 15 mm straight on
    path = needle.sheath_path([45, 0, 130], [0, 0, 1], [1, 0, 0], _curve(90, 30, 15), [0, 0, 0])
    np.testing.assert_allclose(path[0], [0, 0, 0], atol=1e-9)
    np.testing.assert_allclose(path[-1], [45, 0, 130], atol=1e-9)
    last = path[-1] - path[-2]
    np.testing.assert_allclose(last / np.linalg.norm(last), [1, 0, 0], atol=1e-9)
    bend = path[(path[:, 2] > 100.5) & (path[:, 0] < 29.5)]
    np.testing.assert_allclose(np.hypot(bend[:, 0] - 30, bend[:, 2] - 100), 30, atol=1e-9)
    assert np.linalg.norm(np.diff(path, axis=0), axis=1).sum() == pytest.approx(100 + 15 * np.pi + 15, rel=1e-3)


def test_the_approach_meets_the_septum_as_asked(high_septum):
    s = high_septum
    target = s.fossa.patch.points_lps(4.0, -3.0)
    found = needle.needle_approach(target, s.fossa, s.landmarks["inferior_vena_cava"])
    # the invented septum is a sphere about the atrium: its normal points to the middle
    radial = np.array([0.0, 0, 22]) - target
    assert angle_deg(found.local_normal_lps, radial) < 1.5
    cava = s.landmarks["inferior_vena_cava"][0] - s.landmarks["inferior_vena_cava"][1]
    assert angle_deg(found.crossing_direction, cava) == pytest.approx(50)
    assert found.entry_angle_deg == pytest.approx(angle_deg(cava, found.local_normal_lps) - 50, abs=1e-6)
    # local, not mean: the sphere's normal 5 mm from its middle differs by about 9 degrees
    assert abs(found.entry_angle_deg - found.entry_angle_mean_deg) > 2
    np.testing.assert_allclose(found.path_lps[-1], target, atol=1e-9)
    assert "not marked" in found.not_assessed[1]
    assert found.slide is None


def _dimple(u, v):
    return 3.0 * np.exp(-(u**2 + v**2) / 18)


def test_the_slide_falls_into_a_dimple(high_septum):
    s = high_septum
    g = np.arange(-20, 20.01, 0.5)
    uu, vv = np.meshgrid(g, g)
    thick = np.where(np.hypot(uu, vv) < 7, 1.0, 5.0)
    patch = HeightPatch(np.zeros(3), np.array([0.0, -1, 0]), np.array([0.0, 0, 1]), np.array([1.0, 0, 0]), g, g,
                        _dimple(uu, vv))
    t = np.arange(90) * 2 * np.pi / 90
    fossa = replace(s.fossa, patch=patch, thickness_mm=thick, rim_lps=patch.points_lps(7 * np.cos(t), 7 * np.sin(t)))
    target = patch.points_lps(0.0, 0.0)
    found = needle.slide_down(fossa, target, [0, 0, 60.0], [0, 0, -1])
    np.testing.assert_allclose(found.path_lps[0], [0, 0, 60])
    np.testing.assert_allclose(found.path_lps[-1], target, atol=1e-9)
    # arc length of the profile over 7 mm, and the right-hand face: 3 - 0.5 in the middle, -2.5 on the flat limbus
    z = np.linspace(0, 7, 4001)
    profile = np.sum(np.hypot(np.diff(z), np.diff(_dimple(0, z))))
    assert found.limbus_to_target_mm == pytest.approx(profile, abs=0.3)
    assert found.step_mm == pytest.approx(5.0, abs=0.05)
    z = np.linspace(0, 20, 4001)
    assert found.length_mm == pytest.approx(40 + np.sum(np.hypot(np.diff(z), np.diff(_dimple(0, z)))), abs=0.4)


def test_a_bulging_septum_has_no_step_down(high_septum):
    s = high_septum
    above = s.fossa.center_lps + 50 * s.fossa.patch.axis_v_lps
    found = needle.slide_down(s.fossa, s.fossa.center_lps, above, -s.fossa.patch.axis_v_lps)
    assert found.limbus_to_target_mm == pytest.approx(7.0, abs=0.4)
    # the sphere of 30.75 mm rises toward the left to either side
    assert found.step_mm == pytest.approx(-(30.75 - np.sqrt(30.75**2 - 49)), abs=0.2)


def test_room_in_a_right_atrium_of_known_shape(high_septum):
    s = high_septum
    center = s.fossa.center_lps - 30 * s.fossa.normal_lps - np.array([0, 0, 6.0])
    at = np.stack(np.meshgrid(*(3 * [np.arange(-40, 41.0)]), indexing="ij"), axis=-1)[..., ::-1]
    place = np.eye(4)
    place[:3, 3] = center - 40
    field = DistanceField((np.linalg.norm(at, axis=-1) - 34).astype(np.float32), place)
    found = needle.needle_approach(
        s.fossa.center_lps, s.fossa, s.landmarks["inferior_vena_cava"], right_atrium=field,
        superior_cava_lps=s.fossa.center_lps + 45 * s.fossa.patch.axis_v_lps,
    )
    cava = s.landmarks["inferior_vena_cava"]
    up = (cava[0] - cava[1]) / np.linalg.norm(cava[0] - cava[1])
    path = found.path_lps
    counted = path[((path - cava[0]) @ up > 0) & (np.linalg.norm(path - path[-1], axis=1) > 10)]
    truth = (34 - np.linalg.norm(counted - center, axis=1)).min()
    assert found.least_room_mm == pytest.approx(truth, abs=0.3)
    assert found.slide is not None
    assert found.not_assessed == ()
