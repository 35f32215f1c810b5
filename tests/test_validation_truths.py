"""The truths against which intervals are held: worked shapes, and a plan whose points are exact."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from septal_phantoms.annuli import make_saddle, measure_saddle

from septal_planner.pipeline import PlannedCase
from septal_planner.validation.truths import WITHOUT_TRUTH, ring_values, told_with_interval, true_values


def ring(a: float, b: float, height: float = 0.0) -> dict[str, float]:
    saddle = make_saddle(
        np.array([1.0, 2.0, 3.0]), np.array([0.3, -0.5, 0.8]), np.array([1.0, 0.2, 0.1]),
        intercommissural=2 * a, septal_lateral=2 * b, flatten=0.0, height=height,
    )  # fmt: skip
    return ring_values(measure_saddle(saddle))


def test_widths_of_an_ellipse_are_its_axes() -> None:
    # closed form for 40 x 32 mm: pi a b = 1005.310 mm2, 4 a E(1 - b2 / a2) = 113.4467 mm (complete elliptic integral)
    values = ring(20.0, 16.0)
    assert values["intercommissural diameter"] == pytest.approx(40.0, abs=1e-3)
    assert values["septal-lateral diameter"] == pytest.approx(32.0, abs=1e-3)
    assert values["annulus area"] == pytest.approx(1005.310, abs=1e-3)
    assert values["annulus perimeter"] == pytest.approx(113.4467, abs=1e-4)


def test_d_of_an_ellipse_is_cut_by_the_chord_of_published_length() -> None:
    # chord of 40 / 1.44 mm (Noack et al. 2019, doi 10.1093/ejcts/ezz096): on x = 20 cos t, y = 16 sin t it lies at
    # cos t = 1 / 1.44; the segment beyond it has the area 20 * 16 * (phi - sin phi cos phi), cos phi = sin t
    values = ring(20.0, 16.0)
    t = np.arccos(1 / 1.44)
    phi = np.pi / 2 - t
    segment = 20.0 * 16.0 * (phi - np.sin(phi) * np.cos(phi))
    assert values["D-shape area"] == pytest.approx(np.pi * 320 - segment, rel=1e-3)
    at = np.linspace(t, np.pi - t, 20001)
    arc = np.hypot(20 * np.sin(at), 16 * np.cos(at)).mean() * (np.pi - 2 * t)
    assert values["D-shape perimeter"] == pytest.approx(113.4467 - arc + 40 / 1.44, rel=1e-3)


@pytest.fixture(scope="module")
def case(quick_case: PlannedCase) -> PlannedCase:
    return quick_case


def test_every_number_with_a_doubt_has_a_truth(case: PlannedCase, quick_phantom: Any) -> None:
    told = {t.name for t in told_with_interval(case, quick_phantom.truth)}
    lacking = {m.name for m in case.measurements if m.sd is not None} - told
    assert {name for name in lacking if not name.endswith(WITHOUT_TRUTH)} == set()
    assert len(told) >= 30


def test_with_exact_points_the_truth_is_close_to_what_is_found(case: PlannedCase, quick_phantom: Any) -> None:
    # points are exact, so what hangs on them alone agrees far better than its doubt says
    true = true_values(case, quick_phantom.truth)
    found = {m.name: m.value for m in case.measurements}
    for name in ("height above mitral annulus", "height above leaflet coaptation"):
        assert found[name] == pytest.approx(true[name], abs=0.02)
    for name in ("annulus area", "annulus perimeter", "septal-lateral diameter", "intercommissural diameter",
                 "D-shape area", "D-shape perimeter"):  # fmt: skip
        assert found[f"mitral {name}"] == pytest.approx(true[f"mitral {name}"], rel=0.01), name
    for name in ("turn angle", "axis tilt", "entry angle"):
        assert found[name] == pytest.approx(true[name], abs=3.0), name
    assert found["bend radius"] == pytest.approx(true["bend radius"], abs=0.5)
    assert found["superior fraction"] == pytest.approx(true["superior fraction"], abs=0.06)
    assert found["anterior fraction"] == pytest.approx(true["anterior fraction"], abs=0.06)


def test_volume_shown_is_the_whole_where_the_ct_shows_it_all(case: PlannedCase, quick_phantom: Any) -> None:
    true, whole = true_values(case, quick_phantom.truth), quick_phantom.truth.volumes_ml
    for name in ("left atrium", "right atrium", "left ventricle"):
        assert true[f"{name} volume"] == pytest.approx(whole[name.replace(" ", "_")], rel=0.005)
    assert true["aorta volume"] < whole["aorta"]
