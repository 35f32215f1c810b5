"""Metal is taken out and kept apart; bright contrast in a vein and calcium are not metal."""

from __future__ import annotations

import numpy as np

from septal_planner.anatomy.metal import BLOOMING_MM, take_out_metal
from septal_planner.inputs.volume import Volume

BLOOD_HU = 400


def scan(spacing_mm: float = 0.8, size: int = 60) -> tuple[Volume, np.ndarray, np.ndarray]:
    """Even blood on a cubic grid, its voxel centres (k, j, i, 3) and their place along x, y, z."""
    affine = np.diag([spacing_mm, spacing_mm, spacing_mm, 1.0])
    hu = np.full((size, size, size), BLOOD_HU, dtype=np.int16)
    k, j, i = np.indices(hu.shape)
    return Volume(hu, affine), np.stack([i, j, k], axis=-1) * spacing_mm, affine


def with_wire(volume: Volume, points: np.ndarray, radius_mm: float, peak_hu: int) -> Volume:
    """A wire along z through the middle, with a skirt of a third of its brightness 0.8 mm around it."""
    away = np.hypot(points[..., 0] - 24.0, points[..., 1] - 24.0)
    hu = np.where(away < radius_mm, peak_hu, np.where(away < radius_mm + 0.8, peak_hu // 3, volume.hu))
    return Volume(hu.astype(np.int16), volume.lps_from_index)


def test_wire_is_found_and_filled_from_its_surroundings() -> None:
    volume, points, affine = scan()
    wired = with_wire(volume, points, 1.0, 3071)
    clean, metal = take_out_metal(wired, [[24.0, 24.0, 24.0]])
    assert metal.mask is not None
    away = np.hypot(points[..., 0] - 24.0, points[..., 1] - 24.0)
    assert np.array_equal(metal.mask, away < 1.0)
    assert np.abs(clean.hu[away < 1.0 + BLOOMING_MM].astype(int) - BLOOD_HU).max() <= 2
    found = metal.points_lps(affine)
    assert found.shape == (int(metal.mask.sum()), 3)
    assert np.hypot(found[:, 0] - 24.0, found[:, 1] - 24.0).max() < 1.0
    assert wired.hu.max() == 3071  # the given CT is left as it was


def test_calcium_and_undiluted_contrast_are_no_metal() -> None:
    volume, points, _ = scan()
    calcium = with_wire(volume, points, 2.0, 1400)  # 600 to 1400 HU: common practice, no source
    vein = with_wire(volume, points, 7.0, 3071)     # a superior cava full of undiluted contrast, clipped
    for given in (volume, calcium, vein):
        clean, metal = take_out_metal(given, [[24.0, 24.0, 24.0]])
        assert clean is given
        assert metal.mask is None
        assert metal.points_lps(given.lps_from_index).shape == (0, 3)
