"""Checking on the table: a needle tip that was located in the CT's space, held against a saved plan.

Where it sits on the fossa map, how far off the target, how high above the mitral annulus, how far from rim and aorta;
each with the doubt of where the tip is. Tenting is in none of it: the membrane is that of the CT, at rest.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import SimpleITK as sitk
from numpy.typing import ArrayLike, NDArray

from septal_planner.anatomy.annulus import height_sd_mm, measure_annulus
from septal_planner.anatomy.septal_wall import septal_axes
from septal_planner.geometry import curves
from septal_planner.geometry.frames import apply_affine
from septal_planner.inputs.voxels import quiet_sitk
from septal_planner.motion import length_sd
from septal_planner.plan import Plan
from septal_planner.puncture.place import zone
from septal_planner.puncture.target import LANDMARK_SD_MM
from septal_planner.registered import NeedleTip

Array = NDArray[np.float64]
NO_LABELS = "the label image of the plan is not beside it"


def check_tip(
    plan: Plan,
    place_lps: ArrayLike,
    covariance: ArrayLike,
    motion_covariance: ArrayLike,
    *,
    labels: NDArray[np.uint8] | None = None,
) -> NeedleTip:
    """A tip at a place (3,) with its covariance (3, 3) from picks and registration, and that (3, 3) of how far the
    heart is off its place in the CT by breathing and heartbeat. `labels` [k, j, i] are the plan's, None where not at
    hand.

    First order: the doubt of a number is that of the place along the number's gradient; to a height that of the annular
    plane is added, to a distance from rim or target nothing of the CT's own.
    """
    place, own = np.asarray(place_lps, dtype=np.float64), np.asarray(covariance, dtype=np.float64)
    whole = own + np.asarray(motion_covariance, dtype=np.float64)
    target = np.array(plan.puncture.target_mm)
    anterior, superior, through = septal_axes(np.array(plan.anatomy.fossa.normal))
    off = place - target
    flat = np.stack([anterior, superior])
    height, height_sd = _height(plan, place, whole)
    missing: dict[str, str] = {}
    aorta = _aorta_mm(plan, place, labels, missing)
    return NeedleTip.model_validate(
        {
            "place_mm": _vector(place),
            "rms_mm": float(np.sqrt(np.trace(own))),
            "total_rms_mm": float(np.sqrt(np.trace(whole))),
            "distance_to_target_mm": float(np.linalg.norm(off)),
            "distance_to_target_sd_mm": length_sd(off, whole),
            "along_septum_mm": float(np.linalg.norm(flat @ off)),
            "along_septum_sd_mm": length_sd(flat @ off, flat @ whole @ flat.T),
            "superior_of_target_mm": float(off @ superior),
            "superior_of_target_sd_mm": _sd(superior, whole),
            "anterior_of_target_mm": float(off @ anterior),
            "anterior_of_target_sd_mm": _sd(anterior, whole),
            "off_surface_mm": float(off @ through),
            "off_surface_sd_mm": _sd(through, whole),
            "height_above_mitral_annulus_mm": height,
            "height_sd_mm": height_sd,
            "height_interval_95_mm": (height - 2 * height_sd, height + 2 * height_sd),
            "height_against_plan_mm": height - plan.puncture.height_above_mitral_annulus_mm,
            **_on_the_map(plan, place, whole, flat, missing),
            "distance_to_aorta_mm": None if aorta is None else aorta[0],
            "distance_to_aorta_sd_mm": None if aorta is None else _sd(aorta[1], whole),
            "not_assessed": missing,
        }
    )


def _height(plan: Plan, place: Array, covariance: Array) -> tuple[float, float]:
    """Height above the mitral annular plane, and its doubt: of the place, and of the plane's marked points."""
    ring = plan.anatomy.mitral_annulus
    normal = np.array(ring.normal)
    height = float((place - np.array(ring.center_mm)) @ normal)
    marked = measure_annulus(plan.landmarks["mitral_annulus"], atrium_point_lps=plan.landmarks["left_atrium"][0])
    point_sd = LANDMARK_SD_MM if plan.landmark_sd_mm is None else plan.landmark_sd_mm
    plane = float(height_sd_mm(marked, place, point_sd_mm=point_sd))
    return height, float(np.hypot(_sd(normal, covariance), plane))


def _on_the_map(plan: Plan, place: Array, covariance: Array, flat: Array, missing: dict[str, str]) -> dict[str, Any]:
    """Fractions, zone, and distance to the rim in the plane of the fossa, positive inside."""
    rim = np.array(plan.anatomy.fossa.rim_mm).reshape(-1, 3)
    if not len(rim):
        missing["rim"] = plan.anatomy.fossa.not_assessed.get("rim", "the rim of the fossa was not seen in the CT")
        nothing = ("inside_rim", "distance_to_rim_mm", "distance_to_rim_sd_mm", "zone")
        return dict.fromkeys((*nothing, *(f"{a}_fraction{s}" for a in ("superior", "anterior") for s in ("", "_sd"))))
    edge, here = rim @ flat.T, flat @ place
    inside = bool(curves.inside_closed(here[None], edge)[0])
    room = float(curves.distance_to_closed(here, edge))
    step = 0.01 * np.eye(2)
    toward = curves.distance_to_closed(here + step, edge) - curves.distance_to_closed(here - step, edge)
    gradient = toward / max(float(np.linalg.norm(toward)), 1e-12)
    low, high = edge.min(axis=0), edge.max(axis=0)
    anterior, superior = (here - low) / (high - low)
    sd = [_sd(axis, covariance) / w for axis, w in zip(flat, high - low, strict=True)]
    return {
        "inside_rim": inside,
        "distance_to_rim_mm": room if inside else -room,
        "distance_to_rim_sd_mm": _sd(gradient, flat @ covariance @ flat.T),
        "superior_fraction": float(superior),
        "superior_fraction_sd": float(sd[1]),
        "anterior_fraction": float(anterior),
        "anterior_fraction_sd": float(sd[0]),
        "zone": zone(float(superior), float(anterior)) if inside else None,
    }


def _aorta_mm(
    plan: Plan, place: Array, labels: NDArray[np.uint8] | None, missing: dict[str, str]
) -> tuple[float, Array] | None:
    """Distance to the nearest voxel of the aorta, as a box, and the unit vector from it to the place."""
    if labels is None or plan.labels is None:
        missing["distance_to_aorta"] = NO_LABELS
        return None
    grid = np.array(plan.labels.lps_from_index)
    index = np.argwhere(labels == plan.labels.names.get("aorta", 255))[:, ::-1].astype(np.float64)
    if not len(index):
        missing["distance_to_aorta"] = "the aorta was not found in the CT"
        return None
    at = apply_affine(np.linalg.inv(grid), place)
    way = place - apply_affine(grid, np.clip(at, index - 0.5, index + 0.5))
    apart = np.linalg.norm(way, axis=1)
    n = int(np.argmin(apart))
    distance = float(apart[n])
    return distance, way[n] / distance if distance > 1e-9 else np.array([1.0, 0.0, 0.0])


def labels_beside(plan: Plan, plan_path: Path) -> NDArray[np.uint8] | None:
    """The plan's label image [k, j, i] that lies beside it; None where there is none, it cannot be read or is not of
    the plan's size."""
    file = None if plan.labels is None else plan_path.parent / plan.labels.file
    if plan.labels is None or file is None or not file.is_file():
        return None
    try:
        with quiet_sitk():
            image: Any = sitk.ReadImage(str(file), sitk.sitkUInt8)
    except RuntimeError:
        return None
    labels = np.asarray(sitk.GetArrayFromImage(image), dtype=np.uint8)
    return labels if labels.shape[::-1] == plan.labels.size else None


def tip_lines(tip: NeedleTip) -> list[str]:
    """What the operator asks of the tip, in lines for the console; +-: two standard uncertainties."""

    def pm(sd: float | None) -> str:
        return "" if sd is None else f" +- {2 * sd:.1f}"

    lines = [
        f"Needle tip  {tip.distance_to_target_mm:.1f} mm from the target{pm(tip.distance_to_target_sd_mm)}: "
        f"{tip.superior_of_target_mm:+.1f} superior{pm(tip.superior_of_target_sd_mm)}, "
        f"{tip.anterior_of_target_mm:+.1f} anterior{pm(tip.anterior_of_target_sd_mm)}, "
        f"{tip.off_surface_mm:+.1f} toward the left atrium{pm(tip.off_surface_sd_mm)}",
    ]
    if tip.along_septum_mm is not None:
        lines.append(f"            {tip.along_septum_mm:.1f} mm along the septum{pm(tip.along_septum_sd_mm)}")
    lines.append(f"            {_map_words(tip)}")
    interval = tip.height_interval_95_mm
    told = pm(tip.height_sd_mm) if interval is None else f", 95 % interval {interval[0]:.1f} to {interval[1]:.1f}"
    lines.append(
        f"            height above the mitral annulus {tip.height_above_mitral_annulus_mm:.1f} mm{told}; "
        f"{tip.height_against_plan_mm:+.1f} against the plan"
    )
    if tip.distance_to_aorta_mm is None:
        why = tip.not_assessed.get("distance_to_aorta", "the registration was written without it")
        lines.append(f"            distance to the aorta: not assessed, {why}")
    else:
        lines.append(
            f"            distance to the aorta {tip.distance_to_aorta_mm:.1f} mm{pm(tip.distance_to_aorta_sd_mm)}"
        )
    return lines


def _map_words(tip: NeedleTip) -> str:
    if tip.inside_rim is None:
        return f"on the fossa: not assessed, {tip.not_assessed.get('rim', 'its rim was not seen')}"
    said = f"inside the rim, {tip.zone}" if tip.inside_rim else "OUTSIDE THE RIM"
    room, sd = tip.distance_to_rim_mm, tip.distance_to_rim_sd_mm
    if room is not None and sd is not None:
        said += f", {abs(room):.1f} mm from it +- {2 * sd:.1f}"
        if abs(room) < 2 * sd:
            said += f": within its doubt it may lie {'outside' if tip.inside_rim else 'inside'}"
    if tip.superior_fraction_sd is not None and tip.anterior_fraction_sd is not None:
        said += (
            f"; superior fraction {tip.superior_fraction:.2f} +- {2 * tip.superior_fraction_sd:.2f}, anterior "
            f"{tip.anterior_fraction:.2f} +- {2 * tip.anterior_fraction_sd:.2f}"
        )
    return said


def _sd(gradient: Array, covariance: Array) -> float:
    return float(np.sqrt(max(float(gradient @ covariance @ gradient), 0.0)))


def _vector(v: Array) -> tuple[float, float, float]:
    x, y, z = (float(c) for c in v)
    return x, y, z
