"""One plan against the closed forms of the phantom it was made on: the error of each measurement beside its bar."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

import numpy as np
import septal_phantoms
from numpy.typing import NDArray
from septal_phantoms.truth import beam

from septal_planner.inputs.volume import Volume
from septal_planner.pipeline import PlannedCase
from septal_planner.validation.membrane import compare_membrane
from septal_planner.validation.overlap import compare_chambers, compare_metal
from septal_planner.validation.results import Row
from septal_planner.validation.rivals import compare_rivals
from septal_planner.validation.truths import volumes_within_ml
from septal_planner.validation.ways import compare_ways

Array = NDArray[np.float64]

EASY = ("normal", "dilated-left-atrium", "rotated-heart", "thin-membrane", "bulging-membrane", "small-fossa")
EASY_BARS: Mapping[str, float] = MappingProxyType({
    "annulus center": 0.5,
    "annulus normal": 0.5,
    "annulus projected area": 2.0,
    "annulus perimeter": 2.0,
    "left atrium Dice": 0.95,
    "right atrium Dice": 0.93,
    "left atrium mean surface distance": 0.5,
    "right atrium mean surface distance": 0.5,
    "fossa center": 2.0,
    "fossa normal": 3.0,
    "fossa area": 15.0,
    "fossa mean thickness": 0.4,
    "target off the mid-surface": 0.5,
    "target outside the membrane": 0.0,
    "height above the annulus": 0.5,
    "distance to the aorta": 1.0,
    "free path to the posterior wall": 1.5,
    "fossa en-face view": 3.0,
    "mitral edge-on view": 0.5,
    "left atrium volume": 10.0,
    "right atrium volume": 10.0,
    # all over the membrane what is asked at the target; the rim as near as the membrane's middle
    "height over the membrane, worst": 0.5,
    "aorta over the membrane, worst": 1.0,
    "free path over the membrane, worst": 1.5,
    "rim over the membrane, worst": 2.0,
    "entry angle over the membrane, worst": 3.0,
    "room of the catheter's body": 0.3,
    "entry angle": 3.0,
    "needle's clock direction": 3.0,
    "random points better than the choice": 0.0,
    "random points of a larger worst margin": 0.0,
})
# a scan that is hard in one way is asked a little less; where no bar stands the value is told, not held
TOLD_OF_HARD = (
    "left atrium mean surface distance", "right atrium mean surface distance", "room of the catheter's body",
    "rim over the membrane, worst", "entry angle over the membrane, worst", "free path over the membrane, worst",
    "random points better than the choice", "random points of a larger worst margin",
)  # fmt: skip
HARD_BARS: Mapping[str, float] = MappingProxyType({
    **{name: bar for name, bar in EASY_BARS.items() if name not in TOLD_OF_HARD},
    "left atrium Dice": 0.94,
    "right atrium Dice": 0.90,
    "fossa center": 2.5,
    "fossa normal": 5.0,
    "fossa area": 20.0,
    "fossa mean thickness": 0.6,
    "target off the mid-surface": 1.0,
    "height above the annulus": 1.0,
    "distance to the aorta": 1.5,
    "fossa en-face view": 5.0,
    "height over the membrane, worst": 1.0,
    "aorta over the membrane, worst": 1.5,
    "entry angle": 5.0,
    "needle's clock direction": 5.0,
})
# which of the phantom's impossibilities touch which row; the whole touches all
TOUCHED_BY: Mapping[str, tuple[str, ...]] = MappingProxyType({
    "fossa center": ("fossa",),
    "fossa normal": ("fossa",),
    "fossa area": ("area", "fossa"),
    "fossa mean thickness": ("thickness", "fossa"),
    "target off the mid-surface": ("fossa",),
    "target outside the membrane": ("fossa",),
    "height above the annulus": ("fossa",),
    "distance to the aorta": ("aorta", "fossa"),
    "free path to the posterior wall": ("posterior_path",),
    "fossa en-face view": ("fossa",),
    "left atrium volume": ("left_atrium_volume",),
    "right atrium volume": ("right_atrium_volume",),
})
IN_PLANE = 2.45  # 95 % of errors along two axes lie within so many of one axis' deviations (Rayleigh)


def volume_of(phantom: septal_phantoms.Phantom) -> Volume:
    """The phantom's CT as the planner takes it, without the way over files."""
    return Volume(
        phantom.hu,
        phantom.lps_from_index,
        source=f"phantom {phantom.name}",
        phase_percent=phantom.phase_percent,
        patient_position="HFS",
    )


def compare(
    case: PlannedCase, truth: septal_phantoms.Truth, bars: Mapping[str, float] = EASY_BARS
) -> list[Row]:
    """Every measurement, against the phantom's closed forms."""
    rows = [
        _row("annulus center", _distance(case.mitral.center_lps, truth.mitral.center), "mm", bars, truth),
        _row("annulus normal", _angle_deg(case.mitral.normal_lps, truth.mitral.normal), "deg", bars, truth),
        _share("annulus projected area", case.mitral.area_mm2, truth.mitral.area_mm2, None, bars, truth),
        _share("annulus perimeter", case.mitral.perimeter_mm, truth.mitral.perimeter_mm, None, bars, truth),
    ]
    rows += compare_chambers(case.chambers, truth, bars)
    rows += compare_volumes(case, truth, bars)
    rows += compare_metal(case.chambers.labels, case.chambers.lps_from_index, truth)
    rows += compare_fossa(case, truth, bars)
    rows += compare_site(case, truth, bars)
    rows += compare_membrane(case, truth, bars)
    rows += compare_ways(case, truth, bars)
    rows += compare_rivals(case, truth, bars)
    rows += compare_views(case, truth, bars)
    return rows


def compare_volumes(case: PlannedCase, truth: septal_phantoms.Truth, bars: Mapping[str, float]) -> list[Row]:
    """Volume of both atria; none can be told where the CT ends inside one."""
    shown = volumes_within_ml(truth, case.volume.lps_from_index, case.volume.size_ijk)
    rows = []
    for name in ("left_atrium", "right_atrium"):
        row = _share(
            f"{name.replace('_', ' ')} volume", case.chambers.volume_ml.get(name), truth.volumes_ml[name],
            case.chambers.volume_sd_ml.get(name), bars, truth,
        )  # fmt: skip
        if row.impossible is None and shown[name] < 0.995 * truth.volumes_ml[name]:
            row = replace(row, impossible="The CT ends inside it.")
        rows.append(row)
    return rows


def compare_fossa(case: PlannedCase, truth: septal_phantoms.Truth, bars: Mapping[str, float]) -> list[Row]:
    """Place, direction, size and thickness of the membrane."""
    fossa, true = case.fossa, truth.fossa
    center_sd = None
    if fossa.center_sd_mm is not None:
        center_sd = float(np.hypot(fossa.center_sd_mm, fossa.surface_sd_mm))
    normal_sd = fossa.normal_sd_deg
    known = "center" not in fossa.not_assessed and "rim" not in fossa.not_assessed
    center = _distance(fossa.center_lps, true.center) if known else None
    return [
        _row("fossa center", center, "mm", bars, truth, half=None if center_sd is None else IN_PLANE * center_sd),
        _row("fossa normal", _angle_deg(fossa.normal_lps, true.normal), "deg", bars, truth,
             half=None if normal_sd is None else IN_PLANE * normal_sd),
        _share("fossa area", fossa.area_mm2, true.area_mm2, fossa.area_sd_mm2, bars, truth),
        _difference("fossa mean thickness", fossa.thickness_mean_mm, true.thickness_mean_mm, fossa.thickness_sd_mm,
                    bars, truth, optional=bars is HARD_BARS),
    ]  # fmt: skip


def compare_site(
    case: PlannedCase, truth: septal_phantoms.Truth, bars: Mapping[str, float] = EASY_BARS
) -> list[Row]:
    """The target and what is measured at it."""
    site, surface_sd = case.site, case.fossa.surface_sd_mm
    target = site.target_lps
    outside: float | None = 0.0 if bool(truth.on_membrane(target)[0]) else 1.0
    if "rim" in case.fossa.not_assessed:
        outside = None  # the plan does not say that the target lies within it
    return [
        _row("target off the mid-surface", abs(float(truth.midsurface_distance_mm(target)[0])), "mm", bars, truth,
             half=2 * surface_sd),
        _row("target outside the membrane", outside, "times", bars, truth),
        _difference("height above the annulus", site.height_mm, float(truth.height_mm(target)[0]), site.height_sd_mm,
                    bars, truth),
        _difference("distance to the aorta", site.distance_to_aorta_mm, float(truth.aorta_distance_mm(target)[0]),
                    site.distance_to_aorta_sd_mm, bars, truth),
        _difference("free path to the posterior wall", site.distance_to_posterior_wall_mm,
                    truth.free_path_mm(target, site.reach.crossing_direction), site.distance_to_posterior_wall_sd_mm,
                    bars, truth),
    ]  # fmt: skip


def compare_views(
    case: PlannedCase, truth: septal_phantoms.Truth, bars: Mapping[str, float] = EASY_BARS
) -> list[Row]:
    """C-arm angles, as angles between beams."""
    views = case.views or {}
    rows = []
    if "fossa_en_face" in views:
        v = views["fossa_en_face"]
        off = _angle_deg(beam(v.primary_deg, v.secondary_deg), beam(*truth.views["fossa_en_face"]))
        sd = case.fossa.normal_sd_deg
        rows.append(_row("fossa en-face view", off, "deg", bars, truth, half=None if sd is None else IN_PLANE * sd))
    if "mitral_edge_on" in views:
        v = views["mitral_edge_on"]
        off = abs(90.0 - _angle_deg(beam(v.primary_deg, v.secondary_deg), truth.mitral.normal))
        rows.append(_row("mitral edge-on view", off, "deg", bars, truth))
    return rows


# ------------------------------------------------------------------------------------------------------------ rows


def _row(
    name: str, error: float | None, unit: str, bars: Mapping[str, float], truth: septal_phantoms.Truth, *,
    value: float | None = None, true: float | None = None, half: float | None = None, optional: bool = False,
) -> Row:  # fmt: skip
    keys = (*TOUCHED_BY.get(name, ()), "whole")
    impossible = next((truth.impossible[key] for key in keys if key in truth.impossible), None)
    return Row(name, value, true, error, bars.get(name), unit, False, half, impossible, optional)


def _share(
    name: str, value: float | None, true: float, sd: float | None, bars: Mapping[str, float],
    truth: septal_phantoms.Truth,
) -> Row:  # fmt: skip
    error = None if value is None else 100 * abs(value / true - 1)
    half = None if sd is None else 100 * 2 * sd / true
    return _row(name, error, "%", bars, truth, value=value, true=true, half=half)


def _difference(
    name: str, value: float | None, true: float, sd: float | None, bars: Mapping[str, float],
    truth: septal_phantoms.Truth, *, optional: bool = False,
) -> Row:  # fmt: skip
    half = None if sd is None else 2 * sd
    if not np.isfinite(true):  # there is none to be found, so any value is wrong
        error = None if value is None else 99.0
        return _row(name, error, "mm", bars, truth, value=value, half=half, optional=True)
    error = None if value is None else abs(value - true)
    return _row(name, error, "mm", bars, truth, value=value, true=true, half=half, optional=optional)


def _distance(a: Array, b: Array) -> float:
    return float(np.linalg.norm(np.asarray(a) - np.asarray(b)))


def _angle_deg(a: Array, b: Array) -> float:
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), np.dot(a, b))))
