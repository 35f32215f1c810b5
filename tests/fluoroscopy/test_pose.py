"""The camera of a frame against closed forms and an independent construction from rotation matrices."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from septal_planner.fluoroscopy.pose import CameraPose, angle_between_deg


def camera(a=0.0, b=0.0, *, sid=1000.0, sod=750.0, pixel=0.2, size=(1024, 1024)):
    return CameraPose(a, b, sid, sod, (pixel, pixel), size)


def test_cone_beam_is_a_central_projection():
    # closed form: SID (X.u, X.v) / (SOD + X.d) with SID 1000, SOD 750, pixel 0.2, to four and three decimals
    c = camera(30.0, 20.0)
    np.testing.assert_allclose(c.detector_mm([10.0, -20.0, 30.0]), [-1.7149, 26.3131], atol=6e-5)
    np.testing.assert_allclose(
        (c.pixel([10.0, -20.0, 30.0]) - c.central_px) * [1, -1], [-8.575, 131.566], atol=6e-4
    )
    assert c.magnification == pytest.approx(4 / 3)


@pytest.mark.parametrize(("toward_detector", "magnified"), [(50.0, 1.25), (0.0, 4 / 3), (-50.0, 1000 / 700)])
def test_magnification_by_depth(toward_detector, magnified):
    c = camera()
    p = toward_detector * c.axes[2] + 10 * c.axes[0]
    assert c.detector_mm(p)[0] == pytest.approx(10 * magnified, abs=1e-6)


def test_ten_millimetres_at_the_isocentre_are_66_667_pixels():
    c = camera()
    assert (c.pixel([10.0, 0, 0]) - c.pixel([0.0, 0, 0]))[0] == pytest.approx(66.6667, abs=1e-4)


@given(
    st.floats(-90, 90), st.floats(-45, 45), st.floats(900, 1300), st.floats(650, 820),
    st.tuples(*[st.floats(-150, 150)] * 3),
)
def test_projection_is_a_line_from_source_to_detector(a, b, sid, sod, point):
    """Built from DICOM PS3.17 Z.2 rotations, the ray cut with the detector plane; to a millionth of a millimetre."""
    r = Rotation.from_euler("ZX", [a, -b], degrees=True)
    u, back, v = r.apply([[1, 0, 0], [0, -1, 0], [0, 0, 1]])
    source, middle = -sod * back, (sid - sod) * back
    p = np.array(point)
    t = ((middle - source) @ back) / ((p - source) @ back)
    hit = source + t * (p - source) - middle
    c = camera(a, b, sid=sid, sod=sod)
    np.testing.assert_allclose(c.detector_mm(p), [hit @ u, hit @ v], atol=1e-6)
    np.testing.assert_allclose(c.source_iso, source, atol=1e-9)
    ray = (p - source) / np.linalg.norm(p - source)
    np.testing.assert_allclose(c.rays_iso(c.pixel(p)), ray, atol=1e-9)


def test_head_is_up_and_left_is_right_in_ap():
    # DICOM PS3.3 C.8.7.5: 0/0 has the patient face the receptor
    c = camera()
    left, head = c.pixel([10.0, 0, 0]), c.pixel([0, 0, 10.0])
    assert left[0] > c.central_px[0]
    assert head[1] < c.central_px[1]


def test_pixels_of_unlike_sides():
    c = CameraPose(0, 0, 1000, 750, (0.4, 0.2), (800, 300))
    np.testing.assert_allclose(c.pixel([30.0, 0, 30.0]), [399.5 + 200, 149.5 - 100])
    assert c.holds([-0.4, 299.4])
    assert not c.holds([799.6, 10])


@pytest.mark.parametrize(
    "off", [dict(sid=700.0), dict(sod=0.0), dict(pixel=0.0), dict(size=(0, 4)), dict(a=200.0), dict(b=-91.0)]
)
def test_what_no_camera_has_is_refused(off):
    with pytest.raises(ValueError, match="found"):
        camera(**off)


def test_a_point_behind_the_source():
    with pytest.raises(ValueError, match="behind"):
        camera().pixel([0, 800.0, 0])


def test_angle_between_beams():
    assert angle_between_deg(camera(-30), camera(30)) == pytest.approx(60)
    assert angle_between_deg(camera(-60), camera(60)) == pytest.approx(60)
