"""Blood pools and fossa on the quick normal heart, against its closed forms; overlaps by SimpleITK's own filter."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import SimpleITK as sitk

from septal_planner.anatomy.annulus import Annulus, measure_annulus
from septal_planner.anatomy.chambers import LABELS, Chambers, segment_chambers
from septal_planner.anatomy.fossa import Fossa, find_fossa, label_membrane, septal_axes
from septal_planner.errors import AnatomyNotFound
from septal_planner.geometry.frames import apply_affine
from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.volume import Volume


@pytest.fixture(scope="module")
def volume(quick_phantom: Any) -> Volume:
    return Volume(quick_phantom.hu, quick_phantom.lps_from_index)


def rings(points: dict[str, Any]) -> tuple[Annulus, Annulus]:
    mitral = measure_annulus(
        points["mitral_annulus"], atrium_point_lps=points["left_atrium"][0], aorta_point_lps=points["aorta"][0]
    )
    return mitral, measure_annulus(points["tricuspid_annulus"], atrium_point_lps=points["right_atrium"][0])


@pytest.fixture(scope="module")
def chambers(volume: Volume, quick_phantom: Any) -> Chambers:
    return segment_chambers(volume, Landmarks(quick_phantom.landmarks), *rings(quick_phantom.landmarks))


@pytest.fixture(scope="module")
def fossa(volume: Volume, quick_phantom: Any, chambers: Chambers) -> Fossa:
    return find_fossa(volume, Landmarks(quick_phantom.landmarks), chambers)


def dice(chambers: Chambers, phantom: Any, name: str, reach_mm: float) -> float:
    k, j, i = np.indices(chambers.labels.shape)
    points = apply_affine(chambers.lps_from_index, np.stack([i, j, k], axis=-1))
    flat = points.reshape(-1, 3)
    counted = np.linalg.norm(points - phantom.truth.fossa.center, axis=-1) < reach_mm
    counted &= ~phantom.truth.vessel_at(flat).reshape(counted.shape)
    truth = (phantom.truth.label_at(flat).reshape(counted.shape) == LABELS[name]) & counted
    overlap = sitk.LabelOverlapMeasuresImageFilter()
    overlap.Execute(
        sitk.GetImageFromArray(truth.astype(np.uint8)),
        sitk.GetImageFromArray(((chambers.labels == LABELS[name]) & counted).astype(np.uint8)),
    )
    return float(overlap.GetDiceCoefficient())


@pytest.mark.parametrize(("name", "least"), [("left_atrium", 0.95), ("right_atrium", 0.93), ("aorta", 0.90)])
def test_pools_overlap_the_closed_forms(chambers: Chambers, quick_phantom: Any, name: str, least: float) -> None:
    assert dice(chambers, quick_phantom, name, 45.0) >= least


@pytest.mark.parametrize("name", ["left_atrium", "right_atrium"])
def test_volumes_are_cut_at_the_mouths(chambers: Chambers, quick_phantom: Any, name: str) -> None:
    # veins and appendages are cut by the surface carried across their mouths, the phantom's by planes
    assert chambers.volume_ml[name] == pytest.approx(quick_phantom.truth.volumes_ml[name], rel=0.06)


def test_jittered_points_do_not_make_a_chamber_leak(volume: Volume, quick_phantom: Any, chambers: Chambers) -> None:
    rng = np.random.default_rng(11)
    moved = {name: p + rng.normal(0, 2.0, p.shape) for name, p in quick_phantom.landmarks.items()}
    again = segment_chambers(volume, Landmarks(moved), *rings(moved))
    for name in ("left_atrium", "right_atrium"):
        assert again.volume_ml[name] == pytest.approx(chambers.volume_ml[name], rel=0.10)


def test_fossa_against_its_closed_form(fossa: Fossa, quick_phantom: Any) -> None:
    truth = quick_phantom.truth.fossa
    assert np.linalg.norm(fossa.center_lps - truth.center) < 2.0
    assert np.degrees(np.arccos(np.clip(fossa.normal_lps @ truth.normal, -1, 1))) < 3.0
    assert fossa.area_mm2 == pytest.approx(truth.area_mm2, rel=0.15)
    assert fossa.thickness_mean_mm == pytest.approx(truth.thickness_mean_mm, abs=0.4)
    uu, vv = np.meshgrid(fossa.patch.u_mm, fossa.patch.v_mm)
    middle = fossa.patch.points_lps(uu[fossa.membrane], vv[fossa.membrane])
    assert np.abs(quick_phantom.truth.midsurface_distance_mm(middle)).mean() < 0.5


def test_right_atrium_without_a_tricuspid_ring_is_an_estimate_and_said(
    volume: Volume, quick_phantom: Any, chambers: Chambers
) -> None:
    points = {n: p for n, p in quick_phantom.landmarks.items() if n not in ("tricuspid_annulus", "right_ventricle")}
    found = segment_chambers(volume, Landmarks(points), rings(quick_phantom.landmarks)[0], None)
    assert found.volume_ml["right_atrium"] == pytest.approx(chambers.volume_ml["right_atrium"], rel=0.25)
    assert any("tricuspid_annulus" in note and "estimate" in note for note in found.notes)


def test_without_an_aorta_point_it_is_not_assessed(volume: Volume, quick_phantom: Any) -> None:
    points = {n: p for n, p in quick_phantom.landmarks.items() if n != "aorta"}
    found = segment_chambers(volume, Landmarks(points), *rings(quick_phantom.landmarks))
    assert "aorta" not in found.distance
    assert "No aorta point" in found.not_assessed["aorta"]


def test_a_left_atrium_like_muscle_is_refused(volume: Volume, quick_phantom: Any) -> None:
    plain = replace(volume, hu=np.minimum(volume.hu, 120).astype(np.int16))
    with pytest.raises(AnatomyNotFound, match="cannot be told from muscle"):
        segment_chambers(plain, Landmarks(quick_phantom.landmarks), *rings(quick_phantom.landmarks))


def test_a_fossa_point_off_the_septum_is_refused(volume: Volume, quick_phantom: Any, chambers: Chambers) -> None:
    points = dict(quick_phantom.landmarks)
    points["fossa"] = points["fossa"] + np.array([[0.0, 0.0, 60.0]])
    with pytest.raises(AnatomyNotFound, match="fossa point"):
        find_fossa(volume, Landmarks(points), chambers)


def test_membrane_is_labelled_where_it_lies(fossa: Fossa, quick_phantom: Any, chambers: Chambers) -> None:
    labels = label_membrane(chambers, fossa)
    index = np.argwhere(labels == LABELS["fossa_membrane"])
    points = apply_affine(chambers.lps_from_index, index[:, ::-1])
    # a centre counted as wall lies in the true wall, whose thickness rises steeply at the rim, to one voxel (1 mm)
    off = np.abs(quick_phantom.truth.midsurface_distance_mm(points)) - quick_phantom.truth.thickness_mm(points) / 2
    assert off.max() < 1.0
    assert len(index) > 100


def test_septal_axes_name_their_directions() -> None:
    anterior, superior, normal = septal_axes(np.array([0.457, 0.703, 0.545]))
    assert anterior[1] < 0 < superior[2]
    axes = np.stack([anterior, superior, normal])
    assert np.abs(axes @ axes.T - np.eye(3)).max() < 1e-12
