"""The sheath's truth against directions worked out by hand."""

import numpy as np
import pytest
from septal_phantoms.sheath import angle_between_deg, hour_of, turned_toward


def test_a_sheath_turns_by_its_own_angle_in_the_plane_of_cava_and_normal() -> None:
    way = turned_toward(np.array([0.0, 0.0, 2.0]), np.array([0.0, 3.0, 0.0]), 50.0)
    # cos 50 = 0.642788, sin 50 = 0.766044
    np.testing.assert_allclose(way, [0.0, 0.766044, 0.642788], atol=1e-6)
    assert angle_between_deg(way, np.array([0.0, 1.0, 0.0])) == pytest.approx(40.0)


@pytest.mark.parametrize(
    ("direction", "hour"), [((0, -1, 0), 0.0), ((1, 0, 0), 3.0), ((0, 1, 0), 6.0), ((-1, 0, 0), 9.0)]
)
def test_front_left_back_and_right_are_twelve_three_six_and_nine(direction, hour) -> None:
    # LPS, PS3.3 C.7.6.2.1.1: x to the patient's left, y to the back
    assert hour_of(np.array(direction, float), np.array([0.0, 0.0, 5.0])) == pytest.approx(hour)


def test_a_leaning_shaft_carries_its_hour_upright() -> None:
    # a shaft that leans to the left; what lies square to it and to the front stays at twelve
    assert hour_of(np.array([0.0, -1.0, 0.0]), np.array([0.5, 0.0, 1.0])) % 12 == pytest.approx(0.0, abs=1e-9)
    # along the lean, square to the shaft: to the left
    assert hour_of(np.array([1.0, 0.0, -0.5]), np.array([0.5, 0.0, 1.0])) == pytest.approx(3.0)
