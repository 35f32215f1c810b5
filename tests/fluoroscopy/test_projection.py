"""Cone-beam geometry against numbers worked out by hand, DICOM's distances and OpenCV's camera model."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from septal_planner.fluoroscopy.projection import (
    Projection,
    detector_steps_lps,
    pixels_from_points,
    rays_from_pixels,
)


def frame(primary=30.0, secondary=20.0, **changes):
    asked = {
        "isocenter_lps": (5.0, -150.0, 640.0), "source_detector_mm": 1000.0, "source_isocenter_mm": 750.0,
        "pixel_mm": (0.2, 0.2), "size_px": (512, 512),
    }  # fmt: skip
    return Projection(primary, secondary, **(asked | changes))


def by_hand(x, primary_deg, secondary_deg, sid, sod):
    """Pure Python on the formulas U, V = SID (X.u, X.v) / (SOD + X.d), with no array library in between."""
    a, b = math.radians(primary_deg), math.radians(secondary_deg)
    d = (math.sin(a) * math.cos(b), -math.cos(a) * math.cos(b), math.sin(b))
    u = (math.cos(a), math.sin(a), 0.0)
    v = (-math.sin(a) * math.sin(b), math.cos(a) * math.sin(b), math.cos(b))
    depth = sod + math.fsum(p * q for p, q in zip(x, d, strict=True))
    return (
        sid * math.fsum(p * q for p, q in zip(x, u, strict=True)) / depth,
        sid * math.fsum(p * q for p, q in zip(x, v, strict=True)) / depth,
        depth,
    )


def test_a_point_lands_where_a_hand_calculation_puts_it():
    # closed form, SID (X.u, X.v) / (SOD + X.d): SID 1000, SOD 750, pitch 0.2 mm, X = (10, -20, 30) from the isocentre,
    # LAO 30 CRA 20
    f = frame()
    u, v, depth = by_hand((10, -20, 30), 30, 20, 1000, 750)
    assert (u, v, depth) == pytest.approx((-1.7149, 26.3131, 781.235), abs=6e-4)
    assert (u / 0.2, v / 0.2) == pytest.approx((-8.575, 131.566), abs=6e-4)
    c0, r0 = f.central_px
    column, row = pixels_from_points(f, np.array(f.isocenter_lps) + [10, -20, 30])
    assert (column - c0) * 0.2 == pytest.approx(u, abs=1e-6)
    assert (r0 - row) * 0.2 == pytest.approx(v, abs=1e-6)


def test_magnification_at_and_off_the_isocentre():
    # closed form, SID over the distance from the source: 1.33333 at the isocentre, 1.25 and 1.42857 at 50 mm
    # toward detector and source
    f = frame(0.0, 0.0)
    assert f.magnification == pytest.approx(4 / 3, abs=1e-12)
    assert f.isocenter_pixel_mm == pytest.approx((0.15, 0.15), abs=1e-12)
    iso = np.array(f.isocenter_lps)
    for y, wanted in ((0, 66.66666666666667), (-50, 62.5), (50, 71.42857142857143)):
        ends = pixels_from_points(f, iso + [[0, y, 0], [10, y, 0]])
        assert ends[1, 0] - ends[0, 0] == pytest.approx(wanted, abs=1e-6)
    at = pixels_from_points(f, iso + [40, 50, 0])[0] - f.central_px[0]
    assert at * 0.15 - 40 == pytest.approx(2.857143, abs=1e-6)


@pytest.mark.parametrize(("sid", "sod", "ratio"), [(1009, 720, 1.4014), (1148, 809.89, 1.4175), (1108, 788.27, 1.4056)])
def test_magnification_is_the_ratio_that_angiography_headers_print(sid, sod, ratio):
    # (0018,1110), (0018,1111) and (0018,1114) as three makers' systems wrote them
    assert frame(source_detector_mm=sid, source_isocenter_mm=sod).magnification == pytest.approx(ratio, abs=6e-5)


def test_picture_is_seen_as_by_someone_facing_the_patient():
    f = frame(0.0, 0.0)  # AP: patient's left to the right, head up
    iso = np.array(f.isocenter_lps)
    c, r = pixels_from_points(f, iso + [10, 0, 20])
    assert c > f.central_px[0]
    assert r < f.central_px[1]


def test_agrees_with_the_camera_of_opencv():
    cv2 = pytest.importorskip("cv2")
    rng = np.random.default_rng(4)
    for _ in range(50):
        f = frame(
            rng.uniform(-110, 110), rng.uniform(-50, 50), pixel_mm=(0.31, 0.154), center_px=(250.25, 301.75),
            source_detector_mm=rng.uniform(950, 1200), source_isocenter_mm=rng.uniform(700, 810),
        )  # fmt: skip
        points = np.array(f.isocenter_lps) + rng.normal(scale=40, size=(20, 3))
        # OpenCV's camera stands at the source and looks along the beam, so that it sees the mirror image of a frame,
        # which is looked at from beyond the detector
        _first, column, row = detector_steps_lps(f)
        axes = np.stack([-column / np.linalg.norm(column), row / np.linalg.norm(row), f.beam_lps])
        camera = np.array([[f.source_detector_mm / 0.154, 0, 0], [0, f.source_detector_mm / 0.31, 0], [0, 0, 1.0]])
        seen, _ = cv2.projectPoints(points, cv2.Rodrigues(axes)[0], -axes @ f.source_lps, camera, None)
        wanted = np.array([250.25, 301.75]) + seen[:, 0] * [-1, 1]
        np.testing.assert_allclose(pixels_from_points(f, points), wanted, atol=1e-6)


@given(
    st.floats(-180, 180), st.floats(-90, 90), st.floats(-300, 800), st.floats(-300, 800), st.floats(-700, 240)
)
def test_rays_meet_the_points_they_were_sent_to(primary, secondary, column, row, depth):
    f = frame(primary, secondary, pixel_mm=(0.3, 0.2), center_px=(200.0, 280.0))
    source, way = rays_from_pixels(f, [column, row])
    point = source + way * (750 + depth)
    np.testing.assert_allclose(pixels_from_points(f, point), [column, row], atol=1e-6)


@pytest.mark.parametrize(
    "off",
    [
        {"source_isocenter_mm": 1000.0}, {"source_isocenter_mm": 0.0}, {"pixel_mm": (0.0, 0.2)},
        {"size_px": (0, 5)}, {"isocenter_lps": (0.0, math.nan, 0.0)},
    ],
)  # fmt: skip
def test_impossible_geometry_is_refused(off):
    with pytest.raises(ValueError, match=r"isocentre|pixels|finite"):
        frame(**off)
    with pytest.raises(ValueError, match="180"):
        frame(200.0, 0.0)


def test_a_point_behind_the_source_is_refused():
    f = frame(0.0, 0.0)
    with pytest.raises(ValueError, match="behind"):
        pixels_from_points(f, f.source_lps - f.beam_lps)
