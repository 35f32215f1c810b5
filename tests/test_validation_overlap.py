"""Overlap and surface distance against SimpleITK's own filters, and metal."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
import SimpleITK as sitk
from numpy.typing import NDArray

from septal_planner.anatomy.chambers import LABELS
from septal_planner.validation.overlap import compare_chambers, compare_metal, dice_of, mean_surface_distance_mm

SPACING = np.array([0.8, 0.9, 1.1])
SHAPE = (60, 72, 80)


def ellipsoid(center: tuple[float, float, float], semi: tuple[float, float, float]) -> NDArray[np.bool_]:
    k, j, i = np.indices(SHAPE, dtype=float)
    p = [n * s - c for n, s, c in zip((i, j, k), SPACING, center, strict=True)]
    return np.asarray(sum((x / a) ** 2 for x, a in zip(p, semi, strict=True)) < 1)


ONE = ellipsoid((32.0, 32.0, 33.0), (20.0, 17.0, 18.0))
OTHER = ellipsoid((33.5, 31.0, 32.0), (21.0, 18.5, 17.0))


def image(mask: NDArray[np.bool_]) -> sitk.Image:
    out = sitk.GetImageFromArray(mask.astype(np.uint8))
    out.SetSpacing(SPACING.tolist())
    return out


def test_dice_is_simpleitks() -> None:
    measures = sitk.LabelOverlapMeasuresImageFilter()
    measures.Execute(image(ONE), image(OTHER))
    assert dice_of(ONE, OTHER) == pytest.approx(measures.GetDiceCoefficient(), abs=1e-12)
    assert dice_of(ONE, ONE) == 1
    assert dice_of(ONE & False, ONE & False) == 0


def test_surface_distance_is_that_of_simpleitks_distance_maps() -> None:
    keep = np.ones(SHAPE, dtype=bool)
    ours = mean_surface_distance_mm(ONE, OTHER, SPACING, keep=keep)
    # Maurer's signed distance to the boundary of one mask, read on the boundary voxels of the other, both ways
    means = []
    for a, b in ((ONE, OTHER), (OTHER, ONE)):
        distance = sitk.SignedMaurerDistanceMap(image(a), squaredDistance=False, useImageSpacing=True)
        contour = sitk.GetArrayFromImage(sitk.LabelContour(image(b))) > 0
        means.append(np.abs(sitk.GetArrayFromImage(distance)[contour]))
    assert ours == pytest.approx(float(np.concatenate(means).mean()), abs=0.35)  # both on voxels, less than half of one
    hausdorff = sitk.HausdorffDistanceImageFilter()
    hausdorff.Execute(image(ONE), image(OTHER))
    assert ours < hausdorff.GetHausdorffDistance()
    assert 0.5 * hausdorff.GetAverageHausdorffDistance() < ours


def test_surface_distance_of_spheres_is_the_difference_of_their_radii() -> None:
    spacing = np.array([0.5, 0.6, 0.7])
    k, j, i = np.indices((60, 70, 84), dtype=float)
    r = np.sqrt(((i - 42) * 0.5) ** 2 + ((j - 35) * 0.6) ** 2 + ((k - 30) * 0.7) ** 2)
    keep = np.ones(r.shape, dtype=bool)
    found = mean_surface_distance_mm(r < 14.0, r < 12.0, spacing, keep=keep)
    assert found == pytest.approx(2.0, abs=0.05)  # a tenth of a voxel
    assert mean_surface_distance_mm(r < 12.0, r < 12.0, spacing, keep=keep) == 0
    assert mean_surface_distance_mm(r < 12.0, r < 0.0, spacing, keep=keep) == 99.0


def labels_of(phantom: Any) -> NDArray[np.uint8]:
    k, j, i = np.indices(phantom.hu.shape, dtype=float)
    points = np.stack([i, j, k], -1).reshape(-1, 3) @ phantom.lps_from_index[:3, :3].T + phantom.lps_from_index[:3, 3]
    parts = [phantom.truth.label_at(part) for part in np.array_split(points, 12)]
    return np.asarray(np.concatenate(parts).reshape(phantom.hu.shape))


@dataclass
class Found:
    """What of the chambers a comparison reads."""

    labels: NDArray[np.uint8]
    lps_from_index: NDArray[np.float64]
    distance: dict[str, Any] = field(default_factory=lambda: {"left_atrium": None, "right_atrium": None})


def test_true_labels_have_no_error_and_swapped_ones_every() -> None:
    import septal_phantoms

    phantom = septal_phantoms.make("normal", spacing_mm=2.0, size=(72, 70, 64))
    labels = labels_of(phantom)
    rows = compare_chambers(Found(labels, phantom.lps_from_index), phantom.truth, {})  # type: ignore[arg-type]
    by_name = {row.name: row.error for row in rows}
    assert by_name["left atrium Dice"] == 1
    assert by_name["right atrium Dice"] == 1
    assert by_name["left atrium mean surface distance"] == 0
    swapped = np.choose(labels, [0, 2, 1, 3, 4, 5, 6, 7]).astype(np.uint8)
    rows = compare_chambers(Found(swapped, phantom.lps_from_index), phantom.truth, {})  # type: ignore[arg-type]
    assert {row.name: row.error for row in rows}["left atrium Dice"] == 0
    absent = Found(labels, phantom.lps_from_index, {"left_atrium": None})
    rows = compare_chambers(absent, phantom.truth, {})  # type: ignore[arg-type]
    assert {row.name: row.status for row in rows}["right atrium Dice"] == "not assessed"
    assert compare_metal(labels, phantom.lps_from_index, phantom.truth) == []


def test_metal_is_looked_for_where_it_is_and_where_it_is_not() -> None:
    import septal_phantoms

    phantom = septal_phantoms.make("mitral-ring", spacing_mm=1.5, size=(60, 60, 60))
    labels = labels_of(phantom)
    found, far = compare_metal(labels, phantom.lps_from_index, phantom.truth)
    assert (found.error, far.error) == (1.0, 0.0)
    assert found.passed
    assert far.passed
    none = np.where(labels == LABELS["metal"], 0, labels).astype(np.uint8)
    assert not compare_metal(none, phantom.lps_from_index, phantom.truth)[0].passed
    spoilt = labels.copy()
    spoilt[:4, :4, :4] = LABELS["metal"]
    far = compare_metal(spoilt, phantom.lps_from_index, phantom.truth)[1]
    assert far.error == pytest.approx(64 * 1.5**3 / 1000)
    assert not far.passed
