"""A round valve in an old ring: areas and perimeters in closed form."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.special import ellipe

from septal_planner.puncture import target
from septal_planner.puncture.procedures import procedure
from septal_planner.puncture.valve_size import RingSize, oversize, ring_size, valve_sentence

TURN = Rotation.from_euler("xyz", [20, 35, 50], degrees=True)


def ring(a, b, n):
    t = 2 * np.pi * np.arange(n) / n
    return TURN.apply(np.stack([a * np.cos(t), b * np.sin(t), 0 * t], axis=-1)) + [10.0, -150, 640]


def circle(area_mm2):
    return RingSize(area_mm2, float(np.sqrt(4 * np.pi * area_mm2)))


@pytest.mark.parametrize("n", [3, 5, 8, 12])
def test_a_valve_of_26_in_a_round_ring_of_24_5(n):
    # (26 / 24.5)^2 - 1 = 12.620 % by area, 26 / 24.5 - 1 = 6.122 % by perimeter; 471.435 mm2: geometry of the circle
    found = ring_size(ring(12.25, 12.25, n))
    assert found.area_mm2 == pytest.approx(471.435, rel=3e-3)
    fits = oversize(26.0, found)
    assert (fits.area_percent, fits.perimeter_percent) == pytest.approx((12.620, 6.122), abs=0.3)
    exact = oversize(26.0, circle(np.pi / 4 * 24.5**2))
    assert (exact.area_percent, exact.perimeter_percent) == pytest.approx((12.620, 6.122), abs=5e-4)


@pytest.mark.parametrize(
    ("valve_mm2", "ring_mm2", "area", "diameter"), [(531.0, 480.0, 10.625, 5.178), (409.0, 430.0, -4.884, -2.472)]
)
def test_areas_as_catalogues_give_them(valve_mm2, ring_mm2, area, diameter):
    # 100 (A / A_ring - 1), and its square root for the diameter: area = (1 + p)^2 - 1 for circles
    fits = oversize(circle(valve_mm2).diameter_by_area_mm, circle(ring_mm2))
    assert fits.area_percent == pytest.approx(area, abs=5e-4)
    assert fits.perimeter_percent == pytest.approx(diameter, abs=5e-4)
    assert (1 + fits.perimeter_percent / 100) ** 2 - 1 == pytest.approx(fits.area_percent / 100, abs=1e-9)


def test_an_oval_ring_is_larger_by_perimeter_than_by_area():
    # ellipse of 40 x 32 mm: pi a b, and 4 a E(e^2) by the complete elliptic integral (SciPy)
    found = ring_size(ring(20, 16, 24))
    assert found.area_mm2 == pytest.approx(np.pi * 20 * 16, rel=3e-4)
    assert found.perimeter_mm == pytest.approx(4 * 20 * ellipe(1 - (16 / 20) ** 2), rel=2e-4)
    assert found.diameter_by_area_mm == pytest.approx(35.7771, abs=6e-3)
    assert found.diameter_by_perimeter_mm == pytest.approx(36.1112, abs=6e-3)


def test_it_is_said_where_a_valve_was_entered_and_the_ring_marked(high_septum):
    fossa, annulus, chambers, marks = high_septum.common()
    own = {**marks, "old_ring": ring(12.25, 12.25, 12)}
    asked = replace(procedure("mitral-valve-in-ring"), valve_diameter_mm=26.0)
    assert valve_sentence(procedure("mitral-valve-in-ring"), own) is None  # none was entered
    assert valve_sentence(asked, marks) is None
    assert valve_sentence(asked, {"old_ring": np.outer(np.arange(3), [1.0, 2, 3])}) is None  # a line, no ring
    approach = target.prepare_approach(fossa, annulus, chambers, own, asked)
    site = target.evaluate_on(approach, fossa.center_lps)
    said = [n for n in site.notes if "round valve" in n]
    assert len(said) == 1
    assert "of 26 mm" in said[0]
    assert "12.6 % larger by area and 6.1 % larger by perimeter" in said[0]
    assert "no advice" in said[0]
    assert not any("round valve" in c.why for c in site.checks)
    small = valve_sentence(replace(asked, valve_diameter_mm=22.0), own)
    assert "smaller by area" in small
