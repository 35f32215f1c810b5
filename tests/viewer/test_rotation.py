"""Long-axis planes turned about a valve, and rings marked in them; truth is the ring's own formula."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.special import ellipe
from septal_viewer.rotation import (
    annulus_plane,
    live_annulus,
    live_curve,
    next_step,
    on_plane,
    ordered,
    starting_axis,
    turn_deg,
)

from septal_planner.geometry.planes import plane_axes

directions = st.tuples(*[st.floats(-1, 1) for _ in range(3)]).map(np.array)
places = st.tuples(*[st.floats(-200, 200) for _ in range(3)]).map(np.array)


def unit(v: Any) -> Any:
    assume(np.linalg.norm(v) > 0.1)
    return v / np.linalg.norm(v)


def ellipse(center: Any, axis: Any, a: float, b: float, angles: Any) -> Any:
    u, v = plane_axes(axis)
    return center + a * np.cos(angles)[:, None] * u + b * np.sin(angles)[:, None] * v


@given(places, directions, st.integers(1, 12), st.integers(-30, 30))
def test_planes_hold_the_axis_and_turn_evenly(center: Any, axis: Any, steps: int, step: int) -> None:
    axis = unit(axis)
    one, two = (annulus_plane(center, axis, s, steps=steps) for s in (step, step + 1))
    for plane in (one, two):
        np.testing.assert_allclose(plane.depth_mm(np.array([center, center + 30 * axis])), 0, atol=1e-9)
        assert plane.down_lps @ axis < -0.999  # atrium above
    between = np.degrees(np.arccos(np.clip(abs(one.normal_lps @ two.normal_lps), 0, 1)))
    assert between == pytest.approx(min(180 / steps, 180 - 180 / steps), abs=1e-4)
    assert turn_deg(step, steps) == pytest.approx((180 / steps * step) % 180, abs=1e-9)


@given(places, directions, st.integers(3, 8), st.floats(12, 25), st.floats(12, 25))
def test_two_marks_a_plane_make_a_ring_in_order(center: Any, axis: Any, steps: int, a: float, b: float) -> None:
    axis = unit(axis)
    angles = np.linspace(0, 2 * np.pi, 7200, endpoint=False)
    ring = ellipse(center, axis, a, b, angles)
    marked = np.empty((0, 3))
    for step in range(steps):
        assert next_step(marked, center, axis, steps=steps) == step
        plane = annulus_plane(center, axis, step, steps=steps)
        right = plane.uv_mm(ring)[:, 1]
        near = np.abs(plane.depth_mm(ring))
        for side in (right < 0, right > 0):  # the two hinge points of this cut
            marked = np.vstack([marked, ring[side][np.argmin(near[side])]])
    assert next_step(marked, center, axis, steps=steps) is None
    np.testing.assert_array_equal(on_plane(marked, annulus_plane(center, axis, 1, steps=steps), 0.05), [2, 3])
    put = ordered(marked, center, axis)
    np.testing.assert_array_equal(put[0], marked[0])
    u, v = plane_axes(axis)
    turn = np.unwrap(np.arctan2((put - center) @ v, (put - center) @ u))
    assert np.all(np.diff(turn) > 0)
    assert turn[-1] - turn[0] < 2 * np.pi
    np.testing.assert_array_equal(ordered(put, center, axis), put)


def test_the_live_annulus_of_an_ellipse() -> None:
    center, axis, a, b = np.array([10.0, -20.0, 30.0]), np.array([0.6, 0.0, 0.8]), 19.0, 15.0
    ring = ellipse(center, axis, a, b, np.linspace(0, 2 * np.pi, 12, endpoint=False))
    points = {"mitral_annulus": ring, "left_atrium": (center + 25 * axis)[None]}
    found, why = live_annulus("mitral_annulus", points)
    assert why == ""
    assert found is not None
    assert found.area_mm2 == pytest.approx(np.pi * a * b, rel=0.005)
    # perimeter by the complete elliptic integral (Abramowitz and Stegun 17.3.3, as in scipy)
    assert found.perimeter_mm == pytest.approx(4 * a * ellipe(1 - (b / a) ** 2), rel=0.003)
    assert found.septal_lateral_mm == pytest.approx(2 * b, rel=0.01)
    np.testing.assert_allclose(found.normal_lps, axis, atol=1e-6)
    curve = live_curve(ring)
    assert curve is not None
    np.testing.assert_allclose((curve - center) @ axis, 0, atol=1e-9)


def test_a_ring_begun_says_what_lacks() -> None:
    center, axis = np.zeros(3), np.array([0.0, 0.0, 1.0])
    ring = ellipse(center, axis, 19, 15, np.linspace(0, 2 * np.pi, 6, endpoint=False))
    assert live_curve(ring[:2]) is None
    assert live_curve(ring[[0, 0, 1]]) is None
    assert live_curve(ring[:3]) is not None
    found, why = live_annulus("mitral_annulus", {"mitral_annulus": ring})
    assert found is None
    assert "atrium" in why
    found, why = live_annulus("mitral_annulus", {"mitral_annulus": ring[:5], "left_atrium": [[0, 0, 25.0]]})
    assert found is None
    assert "found 5" in why
    assert ordered([], center, axis).shape == (0, 3)


def test_the_axis_starts_between_the_chambers_and_follows_the_ring() -> None:
    atrium, ventricle = np.array([[5.0, 40.0, 30.0]]), np.array([[25.0, -20.0, -30.0]])
    chambers = {"left_atrium": atrium, "left_ventricle": ventricle}
    assert starting_axis("mitral_annulus", {"left_atrium": atrium}) is None
    start = starting_axis("mitral_annulus", chambers)
    assert start is not None
    np.testing.assert_allclose(start.center_lps, [15.0, 10.0, 0.0])
    assert start.axis_lps @ (atrium - ventricle)[0] > 0
    center, axis = np.array([15.0, 8.0, 2.0]), np.array([-0.36, 0.8, 0.48])
    ring = ellipse(center, axis, 19, 15, np.linspace(0, 2 * np.pi, 8, endpoint=False))
    for known in (chambers, {"left_atrium": atrium}, {"left_ventricle": ventricle}):
        found = starting_axis("mitral_annulus", {**known, "mitral_annulus": ring})
        assert found is not None
        np.testing.assert_allclose(found.center_lps, center, atol=1e-9)
        np.testing.assert_allclose(found.axis_lps, axis, atol=1e-9)
    line = np.linspace(0, 1, 5)[:, None] * [10.0, 0, 0]
    fallen = starting_axis("mitral_annulus", {**chambers, "mitral_annulus": line})
    assert fallen is not None
    np.testing.assert_allclose(fallen.center_lps, start.center_lps)
