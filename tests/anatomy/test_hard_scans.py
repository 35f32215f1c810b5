"""Atria on scans that are bad in one way each, against closed forms; overlaps by SimpleITK's own filter."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import septal_phantoms
import SimpleITK as sitk

from septal_planner.anatomy.annulus import measure_annulus
from septal_planner.anatomy.chambers import LABELS, Chambers, segment_chambers
from septal_planner.geometry.frames import apply_affine
from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.volume import Volume


def found_in(phantom: Any, noise_mm: float = 0.0, seed: int = 0) -> Chambers:
    rng = np.random.default_rng(seed)
    points = {name: p + noise_mm * rng.standard_normal(p.shape) for name, p in phantom.landmarks.items()}
    mitral = measure_annulus(
        points["mitral_annulus"], atrium_point_lps=points["left_atrium"][0], aorta_point_lps=points["aorta"][0]
    )
    tricuspid = measure_annulus(points["tricuspid_annulus"], atrium_point_lps=points["right_atrium"][0])
    return segment_chambers(Volume(phantom.hu, phantom.lps_from_index), Landmarks(points), mitral, tricuspid)


def dice(chambers: Chambers, phantom: Any, name: str) -> float:
    k, j, i = np.indices(chambers.labels.shape)
    points = apply_affine(chambers.lps_from_index, np.stack([i, j, k], axis=-1))
    near = np.linalg.norm(points - phantom.truth.fossa.center, axis=-1) < 45.0
    flat = points[near]
    counted = ~phantom.truth.vessel_at(flat)
    truth = (phantom.truth.label_at(flat) == LABELS[name]) & counted
    overlap = sitk.LabelOverlapMeasuresImageFilter()
    overlap.Execute(
        sitk.GetImageFromArray(truth.astype(np.uint8)[None, None]),
        sitk.GetImageFromArray(((chambers.labels[near] == LABELS[name]) & counted).astype(np.uint8)[None, None]),
    )
    return float(overlap.GetDiceCoefficient())


@pytest.mark.parametrize("name", ["pale-right-atrium", "unmixed-beside-fossa", "streaked-right-atrium", "early-phase"])
def test_atria_hold_where_contrast_is_bad(name: str) -> None:
    phantom = septal_phantoms.make(name, quick=True)
    chambers = found_in(phantom)
    assert dice(chambers, phantom, "left_atrium") >= 0.94
    assert dice(chambers, phantom, "right_atrium") >= 0.90


def test_landmarks_off_by_two_millimetres_make_nothing_leak() -> None:
    phantom = septal_phantoms.make("sharp-thick-streaked", quick=True)
    for seed in (1, 2, 3):
        volumes = found_in(phantom, 2.0, seed).volume_ml
        for name in ("left_atrium", "right_atrium"):
            assert volumes[name] == pytest.approx(phantom.truth.volumes_ml[name], rel=0.10)


def test_lead_is_metal_and_the_atrium_runs_on_around_it() -> None:
    phantom = septal_phantoms.make("pacing-lead", quick=True)
    chambers = found_in(phantom)
    k, j, i = np.nonzero(chambers.labels == LABELS["metal"])
    points = apply_affine(chambers.lps_from_index, np.stack([i, j, k], axis=-1))
    assert len(points) > 50
    assert np.percentile(phantom.truth.metal_distance_mm(points), 95) < 1.0
    assert len(chambers.metal_lps) >= len(points)
    # within the atrium the lead is no hole: its distance field passes through it
    inside = phantom.truth.heart.ra_body.field(*chambers.metal_lps.T) < -5.0
    assert np.mean(chambers.distance["right_atrium"].at(chambers.metal_lps[inside]) < 0) > 0.9
    assert dice(chambers, phantom, "right_atrium") >= 0.90


def test_slices_dark_between_the_sides_of_a_ring_are_no_wall() -> None:
    phantom = septal_phantoms.make("mitral-ring", quick=True)
    left = found_in(phantom).distance["left_atrium"]
    saddle = phantom.truth.heart.mitral
    # over the opening there is blood down to the closed form's hinge plane, the ring itself left out
    across, up = np.meshgrid(np.linspace(-0.7, 0.7, 15), np.linspace(2.5, 12.0, 20))
    for axis in (saddle.axes[0], saddle.axes[1]):
        points = saddle.origin + across[..., None] * saddle.b * axis + up[..., None] * saddle.axes[2]
        assert np.all(phantom.truth.fields_at(points.reshape(-1, 3))["left_atrium"] < 0)
        assert left.at(points).max() < 0
    # and what is nearest to the middle is the valve below, not a dark line above it
    middle = saddle.origin + np.linspace(5.0, 10.0, 6)[:, None] * saddle.axes[2]
    assert np.all(left.at(middle) < -0.6 * np.linspace(5.0, 10.0, 6))


def test_an_atrium_the_ct_cuts_has_no_volume() -> None:
    phantom = septal_phantoms.make("cut-left-atrium", quick=True)
    chambers = found_in(phantom)
    assert "left_atrium" not in chambers.volume_ml
    assert "ends inside the left atrium" in chambers.cut["left_atrium"]
    top = phantom.lps_from_index[2, 3] + phantom.lps_from_index[2, 2] * (phantom.hu.shape[0] - 1)
    assert chambers.beyond_ct([[0.0, -160.0, top + 1.0]])[0]
    assert found_in(septal_phantoms.make("normal", quick=True)).cut == {}
