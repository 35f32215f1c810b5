"""What is said of one puncture point: heights, distances, wall, reach, each with its doubt."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.anatomy.annulus import Annulus, height_mm
from septal_planner.anatomy.chambers import Chambers
from septal_planner.anatomy.fossa import Fossa
from septal_planner.anatomy.membrane import BRIDGED_RIM_SD_MM
from septal_planner.geometry import curves
from septal_planner.puncture import catheter
from septal_planner.puncture.approach import (
    END_SHARE,
    FREE_PATH_SHARE,
    LANDMARK_SD_MM,
    OUTLINE_SHARE,
    Approach,
    outline_sd_mm,
    prepare_approach,
)
from septal_planner.puncture.checks import Check, check
from septal_planner.puncture.clearance import CT_EDGE_MM, Room
from septal_planner.puncture.paths import posterior_path_mm
from septal_planner.puncture.place import fossa_fractions, zone
from septal_planner.puncture.procedures import Procedure
from septal_planner.puncture.valve_size import valve_sentence

Array = NDArray[np.float64]

COVERAGE_FACTOR = 2.0  # interval of about 95 % (JCGM 100:2008, 6.2.1 and table G.1)
SPOT_MM = 1.0  # radius over which the wall at the target is averaged
NO_RIM = "The rim of the membrane was not seen, so the target's place within it is not assessed."


@dataclass(frozen=True)
class PunctureSite:
    """A puncture point and all that is said of it. LPS, mm; `_sd_mm` one standard uncertainty; None: not
    assessed, the reason in `not_assessed` under the value's name without unit. `moved_mm` None for a computed target.
    `source`: "computed" or "user".
    """

    procedure: str
    target_lps: NDArray[np.float64]
    source: str
    moved_mm: float | None
    height_mm: float
    height_sd_mm: float
    height_interval_95_mm: tuple[float, float]
    height_above_coaptation_mm: float | None
    superior_fraction: float | None
    anterior_fraction: float | None
    zone: str | None
    wall_thickness_mm: float | None
    wall_thickness_sd_mm: float | None
    distance_to_aorta_mm: float | None
    distance_to_aorta_sd_mm: float | None
    distance_to_posterior_wall_mm: float | None
    distance_to_posterior_wall_sd_mm: float | None
    distance_to_rim_mm: float | None
    distance_to_rim_sd_mm: float | None
    membrane_height_range_mm: tuple[float, float] | None
    height_band_available: bool | None  # on this membrane; None without a height norm or a rim
    reach: catheter.Reach
    checks: tuple[Check, ...]
    notes: tuple[str, ...] = ()
    height_above_coaptation_sd_mm: float | None = None
    superior_fraction_sd: float | None = None
    anterior_fraction_sd: float | None = None
    not_assessed: Mapping[str, str] = field(default_factory=dict)


def evaluate_site(
    point_lps: ArrayLike,
    fossa: Fossa,
    annulus: Annulus,
    chambers: Chambers,
    landmarks_lps: Mapping[str, ArrayLike],
    procedure: Procedure,
    *,
    source: str = "user",
    moved_mm: float | None = None,
    sheath_angle_deg: float = catheter.SHEATH_ANGLE_DEG,
    landmark_sd_mm: float = LANDMARK_SD_MM,
) -> PunctureSite:
    """Everything said of a puncture at a mid-surface point (3,) for a procedure: `evaluate_on` for one point only.
    Raises AnatomyNotFound as `prepare_approach` does."""
    approach = prepare_approach(
        fossa, annulus, chambers, landmarks_lps, procedure, sheath_angle_deg=sheath_angle_deg,
        landmark_sd_mm=landmark_sd_mm,
    )
    return evaluate_on(approach, point_lps, source=source, moved_mm=moved_mm)


def evaluate_on(
    approach: Approach, point_lps: ArrayLike, *, source: str = "user", moved_mm: float | None = None
) -> PunctureSite:
    """Everything said of a puncture at a mid-surface point (3,).

    Height: signed distance from the annular plane; its doubt joins that of the plane (annulus points off by
    the landmarks' doubt along each axis) with that of the mid-surface seen along the annular normal; the interval
    is twice the joint standard uncertainty to either side (JCGM 100:2008). Distances join the doubt of the
    chamber's outline with that of the mid-surface.
    """
    p = np.asarray(point_lps, dtype=np.float64)
    fossa, annulus, chambers, procedure = approach.fossa, approach.annulus, approach.chambers, approach.procedure
    landmarks_lps, landmark_sd_mm = approach.landmarks_lps, approach.landmark_sd_mm
    crossing, ring = approach.crossing_lps, approach.plane_covariance
    height = float(height_mm(annulus, p))
    slant = abs(float(fossa.normal_lps @ annulus.normal_lps))
    height_sd = float(np.hypot(approach.height_sd_mm(p), slant * fossa.surface_sd_mm))
    why: dict[str, str] = {}
    notes: list[str] = []

    superior, anterior, superior_sd, anterior_sd, rim, rim_sd = _place_within_rim(p, fossa, why)
    thickness, thickness_sd = _wall_at(p, fossa, why)
    aorta, aorta_sd = _to_aorta(p, fossa, chambers, why)
    path, path_sd = _to_posterior_wall(p, crossing, chambers, why)
    span, available = approach.membrane_height_range_mm, approach.height_band_available
    if available is False and span is not None:
        notes.append(_band_sentence(procedure, span))
    fit = valve_sentence(procedure, landmarks_lps)
    if fit is not None:
        notes.append(fit)
    coaptation, coaptation_sd = None, None
    if "leaflet_coaptation" in landmarks_lps:
        marks = np.asarray(landmarks_lps["leaflet_coaptation"], dtype=np.float64).reshape(-1, 3)
        arm = p - marks.mean(axis=0)
        coaptation = float(arm @ annulus.normal_lps)
        tilt_sd = float(np.sqrt(max(arm @ ring[3:, 3:] @ arm, 0.0)))
        mark_sd = landmark_sd_mm / float(np.sqrt(len(marks)))
        coaptation_sd = float(np.sqrt(tilt_sd**2 + mark_sd**2 + (slant * fossa.surface_sd_mm) ** 2))
    else:
        why["height_above_coaptation"] = "No leaflet_coaptation point was marked."

    reach = _reach(approach, p)
    no_arc = reach.not_assessed[0] if reach.arc_turn_deg is None else "The way to the target is straight."
    lines = [
        ("superior_fraction", superior, superior_sd, "1", procedure.superior_fraction),
        ("anterior_fraction", anterior, anterior_sd, "1", procedure.anterior_fraction),
        ("distance_to_rim", rim, rim_sd, "mm", procedure.distance_to_rim),
        ("distance_to_aorta", aorta, aorta_sd, "mm", procedure.distance_to_aorta),
        ("distance_to_posterior_wall", path, path_sd, "mm", procedure.posterior_path),
        ("wall_thickness", thickness, thickness_sd, "mm", procedure.wall_thickness),
        ("entry_angle", reach.entry_angle_deg, reach.entry_angle_sd_deg, "deg", procedure.entry_angle),
        ("bend_radius", reach.bend_radius_mm, reach.bend_radius_sd_mm, "mm", procedure.bend_radius),
    ]
    if procedure.axis_tilt is not None:
        lines.append(("axis_tilt", reach.axis_tilt_deg, reach.axis_tilt_sd_deg, "deg", procedure.axis_tilt))
        if reach.arc_turn_deg is not None and approach.goal is not None and approach.goal.no_axis:
            why["axis_tilt"] = approach.goal.no_axis
    checks = [check(*line, why.get(line[0], no_arc)) for line in lines]
    if procedure.height is None:
        checks.insert(0, Check("height_above_mitral_annulus", None, "mm", None, None, "not assessed",
                               f"{procedure.title} has no published height to hold it against."))
    else:
        found = check("height_above_mitral_annulus", height, height_sd, "mm", procedure.height, "")
        checks.insert(0, replace(found, why=" ".join([found.why, *(n for n in notes if n != fit)])))
    return PunctureSite(
        procedure=procedure.name, target_lps=p, source=source, moved_mm=moved_mm,
        height_mm=height, height_sd_mm=height_sd,
        height_interval_95_mm=(height - COVERAGE_FACTOR * height_sd, height + COVERAGE_FACTOR * height_sd),
        height_above_coaptation_mm=coaptation, height_above_coaptation_sd_mm=coaptation_sd,
        superior_fraction=superior, superior_fraction_sd=superior_sd,
        anterior_fraction=anterior, anterior_fraction_sd=anterior_sd,
        zone=None if superior is None or anterior is None else zone(superior, anterior),
        wall_thickness_mm=thickness, wall_thickness_sd_mm=thickness_sd,
        distance_to_aorta_mm=aorta, distance_to_aorta_sd_mm=aorta_sd,
        distance_to_posterior_wall_mm=path, distance_to_posterior_wall_sd_mm=path_sd,
        distance_to_rim_mm=rim, distance_to_rim_sd_mm=rim_sd,
        membrane_height_range_mm=span, height_band_available=available,
        reach=reach, checks=tuple(checks), notes=tuple(notes), not_assessed=why,
    )


def _place_within_rim(
    p: Array, fossa: Fossa, why: dict[str, str]
) -> tuple[float | None, float | None, float | None, float | None, float | None, float | None]:
    """Superior and anterior fraction, their doubts, distance to the rim and its doubt."""
    if not len(fossa.rim_lps):
        reason = fossa.not_assessed.get("rim", NO_RIM)
        why.update(dict.fromkeys(("superior_fraction", "anterior_fraction", "zone", "distance_to_rim"), reason))
        return None, None, None, None, None, None
    superior, anterior = (float(x) for x in fossa_fractions(fossa, p))
    rim_sd = fossa.rim_sd_mm if fossa.rim_sd_mm is not None else fossa.surface_sd_mm
    extents = np.ptp(fossa.patch.uvw(fossa.rim_lps), axis=0)
    # each end of the extent is a rim point of its own
    sds = [
        float(END_SHARE * rim_sd / extent * np.hypot(1 - fraction, fraction))
        for fraction, extent in ((superior, extents[1]), (anterior, extents[0]))
    ]
    rim_sd = float(rim_sd) * OUTLINE_SHARE
    if fossa.rim_seen is not None and not fossa.rim_seen[int(np.argmin(np.linalg.norm(fossa.rim_lps - p, axis=1)))]:
        rim_sd = float(np.hypot(rim_sd, BRIDGED_RIM_SD_MM))
    return superior, anterior, sds[0], sds[1], float(curves.distance_to_closed(p, fossa.rim_lps)), float(rim_sd)


def _wall_at(p: Array, fossa: Fossa, why: dict[str, str]) -> tuple[float | None, float | None]:
    u, v, _ = fossa.patch.uvw(p)
    du, dv = (offset.ravel() for offset in np.meshgrid(*(2 * [np.arange(-SPOT_MM, SPOT_MM + 0.01, 0.25)])))
    spot = np.hypot(du, dv) <= SPOT_MM  # one profile alone is noise
    thickness = float(fossa.patch.sample(fossa.thickness_mm, u + du[spot], v + dv[spot]).mean())
    if fossa.thickness_mean_mm is None or not np.isfinite(thickness):
        why["wall_thickness"] = fossa.not_assessed.get(
            "thickness", "The thickness of the membrane could not be measured at the target."
        )
        return None, None
    return thickness, fossa.thickness_at_sd_mm if fossa.thickness_at_sd_mm is not None else fossa.thickness_sd_mm


def _to_aorta(p: Array, fossa: Fossa, chambers: Chambers, why: dict[str, str]) -> tuple[float | None, float | None]:
    if "aorta" not in chambers.distance:
        why["distance_to_aorta"] = _missing(chambers, "aorta")
        return None, None
    found = chambers.distance["aorta"]
    distance = float(found.at(p))
    away = np.array([float(found.at(p + e) - found.at(p - e)) / 2 for e in np.eye(3)])
    if chambers.beyond_ct(p - distance * away, CT_EDGE_MM):
        why["distance_to_aorta"] = (
            "The CT ends at the nearest part of the aorta that it shows, so the distance to the aorta is not assessed; "
            "a CT with a larger field of view would show it."
        )
        return None, None
    along = abs(float(away @ fossa.normal_lps))
    return distance, float(np.hypot(outline_sd_mm(chambers, "aorta"), along * fossa.surface_sd_mm))


def _to_posterior_wall(
    p: Array, crossing: Array, chambers: Chambers, why: dict[str, str]
) -> tuple[float | None, float | None]:
    if "left_atrium" not in chambers.distance:
        why["distance_to_posterior_wall"] = _missing(chambers, "left_atrium")
        return None, None
    along, cosine = posterior_path_mm(p[None], crossing, chambers.distance["left_atrium"])
    if not np.isfinite(along[0]):
        why["distance_to_posterior_wall"] = (
            "The crossing direction does not enter the left atrium within 15 mm of the target, or does not leave it "
            "within the part of the CT that was looked at."
        )
        return None, None
    if chambers.beyond_ct(p + along[0] * crossing, CT_EDGE_MM):
        why["distance_to_posterior_wall"] = (
            "The free path runs out of the CT before it meets the posterior wall, so it is not assessed; a CT with a "
            "larger field of view would show it."
        )
        return None, None
    # the path counts from the point named, wherever the membrane is
    sd = FREE_PATH_SHARE * outline_sd_mm(chambers, "left_atrium") / max(float(cosine[0]), 0.2)
    return float(along[0]), sd


def _reach(approach: Approach, p: Array) -> catheter.Reach:
    """The arc with its doubt."""
    room = None if approach.wall is None else Room(approach.wall, p)
    found = catheter.reach(
        p, approach.crossing_lps, approach.fossa.normal_lps, approach.annulus, approach.procedure,
        goal=approach.goal, left_atrium=approach.chambers.distance.get("left_atrium"),
        sheath_angle_deg=approach.sheath_angle_deg, room=room,
        outline_sd_mm=approach.chambers.outline_sd_mm.get("left_atrium"),
    )
    return catheter.with_doubt(
        found, p, approach.cava_axis_lps, approach.fossa.normal_lps, approach.annulus, approach.goal,
        approach.covariance, room=room,
    )


def _missing(chambers: Chambers, name: str) -> str:
    spoken = name.replace("_", " ")
    return chambers.not_assessed.get(
        name, f"The {spoken} was not found, so the distance to it is not assessed."
    )


def band_words(procedure: Procedure) -> str:
    low, high = (None, None) if procedure.height is None else (procedure.height.low, procedure.height.high)
    if low is not None and high is not None:
        return f"{low:g} to {high:g} mm"
    return f"{low:g} mm or more" if low is not None else f"{high:g} mm or less"


def _band_sentence(procedure: Procedure, span: tuple[float, float]) -> str:
    band = procedure.height_band_mm
    if band is not None and span[1] >= band[0] and span[0] <= band[1]:
        return (
            f"The height band asked for ({band_words(procedure)}) is reached on this septum only within "
            f"{procedure.distance_to_rim.low:g} mm of the rim: the membrane lies {span[0]:.0f} to "
            f"{span[1]:.0f} mm above the mitral annular plane."
        )
    return (
        f"The height band asked for ({band_words(procedure)}) is not available on this septum: the "
        f"membrane lies {span[0]:.0f} to {span[1]:.0f} mm above the mitral annular plane."
    )
