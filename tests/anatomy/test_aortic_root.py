"""Where the aorta begins, on domes and tubes in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from septal_planner.anatomy.chambers import LEAFLET_MM, _through_leaflets
from septal_planner.anatomy.pools import HINGES_BELOW, _hinge_axis, _root_below_leaflets

RADIUS = 12.0
CENTER = np.array([40.0, 41.0, 38.5])  # k, j, i


def axis_of(tilt_deg: float, turn_deg: float) -> np.ndarray:
    t, p = np.radians(tilt_deg), np.radians(turn_deg)
    return np.array([np.cos(t), np.sin(t) * np.cos(p), np.sin(t) * np.sin(p)])


@pytest.mark.parametrize("begun_off_deg", [0.0, 6.0, 13.0])
@pytest.mark.parametrize("missing", [0, 60])
def test_the_axis_of_a_paraboloid_is_found_whichever_way_the_aorta_leads_on(begun_off_deg: float, missing: int) -> None:
    # a paraboloid of revolution, height 8 - 6 (r / R)^2 above the plane of its hinges: its axis is known
    axis = axis_of(35.0, 70.0)
    first = np.cross(axis, [0.0, 0.0, 1.0])
    first /= np.linalg.norm(first)
    second = np.cross(axis, first)
    n = np.arange(400)
    turn, r = n * np.pi * (3 - np.sqrt(5)), RADIUS * np.sqrt((n + 0.5) / 400)  # even by area
    here = np.degrees(turn) % 360 >= missing  # where the leaflets were not seen
    at = (CENTER + (8 - 6 * (r / RADIUS) ** 2)[:, None] * axis + (r * np.cos(turn))[:, None] * first
          + (r * np.sin(turn))[:, None] * second)[here]
    b = np.radians(begun_off_deg)
    found, middle = _hinge_axis(at, np.cos(b) * axis + np.sin(b) * first, at.mean(axis=0))
    assert np.degrees(np.arccos(min(1.0, found @ axis))) < 2.0
    away = middle - CENTER
    assert np.linalg.norm(away - (away @ axis) * axis) < 1.0


def test_the_root_goes_down_to_the_hinges_and_no_further_than_a_voxel_or_two() -> None:
    # a tube of blood, aorta above a paraboloid and ventricle below it, a voxel dark between; then it bends away
    axis = axis_of(25.0, 40.0)
    k, j, i = np.indices((90, 84, 84))
    d = np.stack([k, j, i], axis=-1) - CENTER
    height = d @ axis
    aside = np.linalg.norm(d - height[..., None] * axis, axis=-1)
    dome = height - 8.0 + 6.0 * (aside / RADIUS) ** 2
    tube = (aside < RADIUS) & (height > -20.0)
    bend = np.where(height > 14.0, 0.5 * (height - 14.0), 0.0)[..., None] * np.cross(axis, [0.0, 0.0, 1.0])
    bent = d - bend
    tube |= (np.linalg.norm(bent - (bent @ axis)[..., None] * axis, axis=-1) < RADIUS) & (height > 14.0)
    aortic, ventricular = tube & (dome > 0.5), tube & (dome < -0.5)
    near = np.zeros_like(aortic)
    for axis_of_array in range(3):
        for step in (-2, -1, 1, 2):
            near |= np.roll(ventricular, step, axis=axis_of_array)
    root = _root_below_leaflets(aortic, ventricular, aortic & near)
    assert not np.any(root & ~ventricular)
    lowest = height[root].min()
    # the hinges, where dome and tube meet, lie 2 above the plane of height 0
    assert 2.0 - HINGES_BELOW - 1.0 < lowest < 2.0
    assert root[ventricular & (height > 1.5)].all()


def test_the_dark_line_of_leaflets_is_bridged_and_nothing_broader() -> None:
    step = 0.8
    affine = np.diag([step, step, step, 1.0])
    k, j, i = np.indices((60, 60, 60)) * step
    aside = np.hypot(j - 24.0, i - 24.0)
    gap = np.abs(k - 24.0 + aside / 3)
    tube = aside < 12.0
    thin, broad = tube & (gap > 0.8), tube & (gap > 3 * LEAFLET_MM)
    valve = np.array([24.0, 24.0, 22.0])
    bridged = _through_leaflets(thin, affine, valve)
    assert bridged[tube & (aside < 11.0) & (np.abs(k - 24.0) < 12.0)].all()
    assert not bridged[aside > 12.0 + step].any()
    assert np.array_equal(_through_leaflets(broad, affine, valve)[tube & (gap < 1.0)],
                          np.zeros(int((tube & (gap < 1.0)).sum()), dtype=np.bool_))
