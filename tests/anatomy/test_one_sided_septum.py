"""What is said of a septum between two levels of blood, when one level or the wall is not as it should be."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from septal_planner.anatomy.chambers import Chambers
from septal_planner.anatomy.fossa import Fossa, find_fossa
from septal_planner.errors import AnatomyNotFound
from septal_planner.geometry.shapes import DistanceField
from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.volume import Volume

SIDE = 64
ORIGIN = np.array([-40.0, -180.0, 600.0])
MIDDLE = ORIGIN + np.array([31.3, 31.7, 31.1])
NORMAL = np.array([0.46, 0.70, 0.545])
NORMAL = NORMAL / np.linalg.norm(NORMAL)
RADIUS = 8.0
# published mean membrane on CT, 1.04 mm, SD 0.44: doi 10.1186/s43044-020-00109-6
HALF_TYPICAL = 0.52


def scan(
    *, left: float = 400.0, right: float = 260.0, wall: float = 100.0, floor: float = 1.6, limbus: float = 7.0,
    noise: float = 10.0, pit_given_away_mm: float = 0.0,
) -> Fossa:
    """A plane septum through MIDDLE, a round membrane in it, drawn at 0.5 mm, blurred by 0.9 mm full width at half
    maximum and sampled at 1 mm. `pit_given_away_mm`: over the membrane both atria as segmented meet so far to the
    left of it."""
    affine = np.eye(4)
    affine[:3, 3] = ORIGIN
    step = np.arange(0, SIDE, 0.5)
    k, j, i = np.meshgrid(step, step, step, indexing="ij")
    d = np.stack([i, j, k], axis=-1) + ORIGIN - MIDDLE
    w = d @ NORMAL
    across = np.linalg.norm(d - w[..., None] * NORMAL, axis=-1)
    thick = floor + (limbus - floor) * np.clip((across - RADIUS) / 1.0 + 0.5, 0, 1)
    hu = np.where(w > thick / 2, left, np.where(w < -thick / 2, right, wall))
    fine = gaussian_filter(hu, 0.9 / 2.355 / 0.5)
    coarse = fine[::2, ::2, ::2] + np.random.default_rng(1).normal(0, noise, (SIDE,) * 3)
    w = w - pit_given_away_mm * (across < RADIUS)
    fields = {
        "left_atrium": DistanceField((thick / 2 - w)[::2, ::2, ::2].astype(np.float32), affine),
        "right_atrium": DistanceField((thick / 2 + w)[::2, ::2, ::2].astype(np.float32), affine),
    }
    chambers = Chambers(np.zeros((1, 1, 1), dtype=np.uint8), affine, fields, {}, {}, {}, {})
    volume = Volume(np.rint(coarse).astype(np.int16), affine)
    return find_fossa(volume, Landmarks({"fossa": MIDDLE[None] + 0.4 * NORMAL}), chambers)


def height_over_plane(fossa: Fossa) -> float:
    return float((fossa.center_lps - MIDDLE) @ NORMAL)


def tilt_deg(fossa: Fossa) -> float:
    return float(np.degrees(np.arccos(np.clip(fossa.normal_lps @ NORMAL, -1, 1))))


def test_seen_from_both_sides_it_is_measured() -> None:
    fossa = scan()
    assert fossa.seen_from == "both"
    assert fossa.not_assessed == {}
    assert fossa.area_mm2 == pytest.approx(np.pi * RADIUS**2, rel=0.1)
    assert fossa.thickness_mean_mm == pytest.approx(1.6, abs=0.3)
    assert abs(height_over_plane(fossa)) < 0.2
    assert tilt_deg(fossa) < 1.0
    for sd in (fossa.area_sd_mm2, fossa.extent_sd_mm, fossa.center_sd_mm, fossa.normal_sd_deg, fossa.thickness_sd_mm):
        assert sd is not None
        assert sd > 0


@pytest.mark.parametrize("right", [60.0, 98.0, 125.0])
def test_right_blood_like_the_wall_leaves_the_left_edge(right: float) -> None:
    fossa = scan(right=right)
    assert fossa.seen_from == "left"
    # the left edge stands at half the true thickness; half a typical one is taken off again
    assert height_over_plane(fossa) == pytest.approx(1.6 / 2 - HALF_TYPICAL, abs=0.2)
    assert abs(height_over_plane(fossa)) < 2 * fossa.surface_sd_mm
    assert tilt_deg(fossa) < 3.0
    assert len(fossa.rim_lps) == 0
    assert not fossa.membrane.any()
    for value in (fossa.area_mm2, fossa.thickness_mean_mm, fossa.thickness_min_mm, fossa.superior_inferior_mm):
        assert value is None
    assert set(fossa.not_assessed) == {"rim", "center", "area", "extents", "thickness"}
    assert "right side" in fossa.not_assessed["thickness"]
    assert "contrast in the right atrium" in fossa.not_assessed["thickness"]


def test_left_blood_like_the_wall_leaves_the_right_edge() -> None:
    fossa = scan(left=95.0, right=420.0)
    assert fossa.seen_from == "right"
    assert height_over_plane(fossa) == pytest.approx(-1.6 / 2 + HALF_TYPICAL, abs=0.2)


def test_what_noise_drowns_is_not_seen() -> None:
    # a contrast of 40 HU is seen at 5 HU of noise and not at 70
    assert scan(right=140.0, noise=5.0).seen_from == "both"
    assert scan(right=140.0, noise=70.0).seen_from == "left"


def test_neither_side_seen_ends_the_call() -> None:
    with pytest.raises(AnatomyNotFound, match=r"hardly brighter than the wall .* use a phase"):
        scan(left=110.0, right=105.0)


def test_a_thick_bright_wall_is_no_membrane() -> None:
    fossa = scan(wall=250.0, floor=4.0, limbus=4.0, right=380.0)
    assert fossa.thickness_mean_mm is None
    assert "no thin membrane" in fossa.not_assessed["thickness"]
    assert abs(height_over_plane(fossa)) < 0.4


def test_metal_brighter_than_both_bloods_ends_the_call() -> None:
    with pytest.raises(AnatomyNotFound, match="occluder"):
        scan(wall=1800.0, floor=3.0, limbus=3.0)


def test_a_wall_of_one_thickness_is_no_membrane() -> None:
    fossa = scan(floor=3.5, limbus=3.5)
    assert fossa.area_mm2 is None
    assert "thinner than its surroundings" in fossa.not_assessed["rim"]
    assert abs(height_over_plane(fossa)) < 0.3


def test_a_membrane_deep_in_a_thick_septum_is_found_though_its_pit_was_given_to_the_wrong_atrium() -> None:
    found = scan(floor=0.9, limbus=9.0, noise=25.0, pit_given_away_mm=4.5)
    assert found.seen_from == "both"
    assert abs(height_over_plane(found)) < 0.5
    assert found.area_mm2 == pytest.approx(np.pi * RADIUS**2, rel=0.15)


def test_a_shallow_dip_between_unlike_bloods_is_no_bright_wall() -> None:
    # blurred, a thin membrane between these stays brighter than the darker blood
    found = scan(left=400.0, right=215.0, floor=0.8, noise=25.0)
    assert found.not_assessed.get("rim") is None
    assert found.area_mm2 == pytest.approx(np.pi * RADIUS**2, rel=0.15)


def test_a_hole_in_the_septum_ends_the_call() -> None:
    with pytest.raises(AnatomyNotFound, match="No wall is seen between the blood of the two atria"):
        scan(floor=0.0)
