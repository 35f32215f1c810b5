"""What is said of one puncture point: heights, distances, wall, reach, each with its doubt."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.anatomy.annulus import Annulus, height_mm, height_sd_mm, ring_covariance
from septal_planner.anatomy.chambers import Chambers
from septal_planner.anatomy.fossa import Fossa
from septal_planner.anatomy.membrane import BRIDGED_RIM_SD_MM
from septal_planner.errors import AnatomyNotFound
from septal_planner.geometry import curves
from septal_planner.geometry.frames import spacing_mm, unit_vector
from septal_planner.geometry.propagation import block_diagonal
from septal_planner.geometry.shapes import DistanceField
from septal_planner.puncture import catheter
from septal_planner.puncture.checks import Check, check
from septal_planner.puncture.procedures import Procedure

Array = NDArray[np.float64]

CANDIDATE_STEP_MM = 0.5
# one standard deviation, along each axis, of a point placed by a careful reader; common practice, no source
LANDMARK_SD_MM = 1.0
COVERAGE_FACTOR = 2.0  # interval of about 95 % (JCGM 100:2008, 6.2.1 and table G.1)
OUTLINE_SHARE = 0.75  # of one rim point's doubt, left in the nearest place of a smooth outline through many
SPOT_MM = 1.0  # radius over which the wall at the target is averaged
CT_EDGE_MM = catheter.CT_EDGE_MM
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


def fossa_fractions(fossa: Fossa, points_lps: ArrayLike) -> tuple[Array, Array]:
    """Superior and anterior fraction (...) of points (..., 3): position between the lowest and highest, and
    the most posterior and most anterior, rim points along the fossa's own superior and anterior axes. 0
    inferior or posterior, 1 superior or anterior; the whole extent of the rim, not the chord through the
    point. The fossa must have a rim.
    """
    rim, p = fossa.patch.uvw(fossa.rim_lps), fossa.patch.uvw(points_lps)
    low, high = rim.min(axis=0), rim.max(axis=0)
    return (
        np.asarray((p[..., 1] - low[1]) / (high[1] - low[1])),
        np.asarray((p[..., 0] - low[0]) / (high[0] - low[0])),
    )


def zone(superior_fraction: float, anterior_fraction: float) -> str:
    """Thirds of the fossa in words, e.g. `mid-posterior`."""

    def third(fraction: float, words: tuple[str, str, str]) -> str:
        return words[0] if fraction < 1 / 3 else words[1] if fraction <= 2 / 3 else words[2]

    first = third(superior_fraction, ("inferior", "mid", "superior"))
    return f"{first}-{third(anterior_fraction, ('posterior', 'central', 'anterior'))}"


def membrane_points(fossa: Fossa, *, step_mm: float = CANDIDATE_STEP_MM) -> Array:
    """Mid-surface points (n, 3) inside the rim on a grid of `step_mm` over the fossa's plane; none without a rim."""
    patch = fossa.patch
    if not len(fossa.rim_lps):
        return np.empty((0, 3))
    u = np.arange(patch.u_mm[0], patch.u_mm[-1] + step_mm / 2, step_mm)
    v = np.arange(patch.v_mm[0], patch.v_mm[-1] + step_mm / 2, step_mm)
    uu, vv = np.meshgrid(u, v)
    rim_uv = patch.uvw(fossa.rim_lps)[:, :2]
    inside = curves.inside_closed(np.stack([uu, vv], axis=-1), rim_uv)
    inside &= patch.sample(fossa.membrane.astype(np.float64), uu, vv) > 0.5
    return patch.points_lps(uu[inside], vv[inside])


def crossing_of(landmarks_lps: Mapping[str, ArrayLike], fossa: Fossa, *, sheath_angle_deg: float) -> Array:
    """Crossing direction (3,) from the landmark `inferior_vena_cava` (near the atrial junction, then lower)
    and the mean septal normal. Raises AnatomyNotFound without two different points there.
    """
    marked = landmarks_lps.get("inferior_vena_cava", np.empty((0, 3)))
    cava = np.asarray(marked, dtype=np.float64).reshape(-1, 3)
    if len(cava) < 2 or np.linalg.norm(cava[0] - cava[1]) < 5.0:
        raise AnatomyNotFound(
            f"The landmark inferior_vena_cava needs two points 5 mm or more apart on the axis of the vessel, "
            f"found {len(cava)}; mark one near the atrial junction, then one lower."
        )
    return catheter.crossing_direction(cava[0] - cava[1], fossa.normal_lps, sheath_angle_deg=sheath_angle_deg)


def structure_of(
    procedure: Procedure, annulus: Annulus, landmarks_lps: Mapping[str, ArrayLike]
) -> NDArray[np.float64] | None:
    """The point (3,) the catheter has to get to, or None where the procedure has none or its landmark is
    missing.
    """
    if procedure.target_structure == "mitral_annulus":
        return annulus.center_lps
    if procedure.target_structure == "none" or procedure.target_structure not in landmarks_lps:
        return None
    marked = np.asarray(landmarks_lps[procedure.target_structure], dtype=np.float64).reshape(-1, 3)
    return np.asarray(marked.mean(axis=0))


def posterior_path_mm(
    points_lps: ArrayLike,
    direction_lps: ArrayLike,
    left_atrium: DistanceField,
    *,
    enter_within_mm: float = 15.0,
    step_mm: float = 0.25,
    longest_mm: float = 150.0,
) -> tuple[Array, Array]:
    """Free path (n,) from points (n, 3) along one direction (3,) until the left atrial blood pool ends, and
    the cosine (n,) of its incidence there; both nan where the ray does not enter the pool within
    `enter_within_mm`.

    The ray is marched and the last step solved linearly, so the path counts from the point, wall included.
    """
    p = np.asarray(points_lps, dtype=np.float64).reshape(-1, 3)
    d = unit_vector(direction_lps)
    t = np.arange(0.0, longest_mm + step_mm, step_mm)
    path, cosine = np.full(len(p), np.nan), np.full(len(p), np.nan)
    for lo in range(0, len(p), 256):
        f = left_atrium.at(p[lo : lo + 256, None, :] + t[None, :, None] * d)
        inside = f < 0
        enters = np.argmax(inside, axis=1)
        for i in range(len(f)):
            if not inside[i, enters[i]] or t[enters[i]] > enter_within_mm:
                continue
            after = np.flatnonzero(~inside[i, enters[i] :])
            if len(after) == 0:
                continue
            k = int(enters[i] + after[0])
            slope = (f[i, k] - f[i, k - 1]) / step_mm
            path[lo + i] = t[k - 1] - f[i, k - 1] / slope
            cosine[lo + i] = min(float(slope), 1.0)
    return path, cosine


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
    """Everything said of a puncture at a mid-surface point (3,) for a procedure.

    Height: signed distance from the annular plane; its doubt joins that of the plane (annulus points off by
    `landmark_sd_mm` along each axis) with that of the mid-surface seen along the annular normal; the interval
    is twice the joint standard uncertainty to either side (JCGM 100:2008). Distances join the doubt of the
    chamber's outline with that of the mid-surface. Raises AnatomyNotFound where the crossing direction cannot be had.
    """
    p = np.asarray(point_lps, dtype=np.float64)
    crossing = crossing_of(landmarks_lps, fossa, sheath_angle_deg=sheath_angle_deg)
    height = float(height_mm(annulus, p))
    slant = abs(float(fossa.normal_lps @ annulus.normal_lps))
    plane_sd = float(height_sd_mm(annulus, p, point_sd_mm=landmark_sd_mm))
    height_sd = float(np.hypot(plane_sd, slant * fossa.surface_sd_mm))
    ring = ring_covariance(annulus, point_sd_mm=landmark_sd_mm)[:6, :6]
    why: dict[str, str] = {}
    notes: list[str] = []

    superior, anterior, superior_sd, anterior_sd, rim, rim_sd = _place_within_rim(p, fossa, why)
    thickness, thickness_sd = _wall_at(p, fossa, why)
    aorta, aorta_sd = _to_aorta(p, fossa, chambers, why)
    path, path_sd = _to_posterior_wall(p, crossing, chambers, why)
    span, available = _band_on_membrane(fossa, annulus, procedure)
    if available is False and span is not None:
        notes.append(_band_sentence(procedure, span))
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

    reach = _reach(
        p, crossing, fossa, annulus, chambers, landmarks_lps, procedure, ring, sheath_angle_deg, landmark_sd_mm
    )
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
    checks = [check(*line, why.get(line[0], no_arc)) for line in lines]
    if procedure.height is None:
        checks.insert(0, Check("height_above_mitral_annulus", None, "mm", None, None, "not assessed",
                               f"{procedure.title} has no published height to hold it against."))
    else:
        found = check("height_above_mitral_annulus", height, height_sd, "mm", procedure.height, "")
        checks.insert(0, replace(found, why=" ".join([found.why, *notes])))
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
        float(rim_sd / extent * np.hypot(1 - fraction, fraction))
        for fraction, extent in ((superior, extents[1]), (anterior, extents[0]))
    ]
    rim_sd = float(rim_sd) * OUTLINE_SHARE
    if fossa.rim_seen is not None and not fossa.rim_seen[int(np.argmin(np.linalg.norm(fossa.rim_lps - p, axis=1)))]:
        rim_sd = float(np.hypot(rim_sd, BRIDGED_RIM_SD_MM))
    return superior, anterior, sds[0], sds[1], float(curves.distance_to_closed(p, fossa.rim_lps)), float(rim_sd)


def room_to_rim_mm(fossa: Fossa, points_lps: Array) -> Array:
    """Distance (n,) of points (n, 3) to the rim, less the doubt of where it was bridged."""
    room = curves.distance_to_closed(points_lps, fossa.rim_lps)
    if fossa.rim_seen is None or fossa.rim_seen.all():
        return room
    bridged = np.linalg.norm(points_lps[:, None, :] - fossa.rim_lps[~fossa.rim_seen], axis=-1).min(axis=1)
    return np.asarray(np.minimum(room, np.maximum(bridged - BRIDGED_RIM_SD_MM, 0.0)))


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
    return float(along[0]), outline_sd_mm(chambers, "left_atrium") / max(float(cosine[0]), 0.2)


def _reach(
    p: Array, crossing: Array, fossa: Fossa, annulus: Annulus, chambers: Chambers,
    landmarks_lps: Mapping[str, ArrayLike], procedure: Procedure, ring: Array, sheath_angle_deg: float,
    landmark_sd_mm: float,
) -> catheter.Reach:
    """The arc with its doubt; `ring` (6, 6) is the covariance of the annulus' center and normal."""
    structure = structure_of(procedure, annulus, landmarks_lps)
    left = chambers.distance.get("left_atrium")
    room = None
    if left is not None and structure is not None:
        room = catheter.Room.around(p, annulus, left, chambers.beyond_ct)
    found = catheter.reach(
        p, crossing, fossa.normal_lps, annulus, procedure, structure_lps=structure, left_atrium=left,
        sheath_angle_deg=sheath_angle_deg, room=room,
        outline_sd_mm=chambers.outline_sd_mm.get("left_atrium"),
    )
    n = fossa.normal_lps
    cava = np.asarray(landmarks_lps["inferior_vena_cava"], dtype=np.float64).reshape(-1, 3)
    normal_sd = np.radians(fossa.normal_sd_deg or 0.0)
    marks = 1.0
    if procedure.target_structure in landmarks_lps:
        marks = np.asarray(landmarks_lps[procedure.target_structure]).size / 3
    covariance = block_diagonal([
        2 * landmark_sd_mm**2 * np.eye(3), normal_sd**2 * (np.eye(3) - np.outer(n, n)), ring[3:, 3:],
        fossa.surface_sd_mm**2 * np.outer(n, n), landmark_sd_mm**2 / marks * np.eye(3),
    ])
    if procedure.target_structure == "mitral_annulus":
        covariance[12:, 12:], covariance[12:, 6:9], covariance[6:9, 12:] = ring[:3, :3], ring[:3, 3:], ring[3:, :3]
    return catheter.with_doubt(
        found, p, cava[0] - cava[1], n, annulus, structure, covariance, room=room
    )


def outline_sd_mm(chambers: Chambers, name: str) -> float:
    """Doubt of where this chamber's blood ends; a uniform error of one voxel where it was not assessed."""
    known = chambers.outline_sd_mm.get(name)
    if known is not None:
        return float(known)
    return float(spacing_mm(chambers.distance[name].lps_from_index).max() / np.sqrt(12))


def _missing(chambers: Chambers, name: str) -> str:
    spoken = name.replace("_", " ")
    return chambers.not_assessed.get(
        name, f"The {spoken} was not found, so the distance to it is not assessed."
    )


def _band_on_membrane(
    fossa: Fossa, annulus: Annulus, procedure: Procedure
) -> tuple[tuple[float, float] | None, bool | None]:
    """Lowest and highest point of the membrane (mm; None without a rim), and whether the height band is met on it far
    enough from the rim (None without a height norm or a rim). Raises AnatomyNotFound for a rim around nothing.
    """
    if not len(fossa.rim_lps):
        return None, None
    points = membrane_points(fossa)
    if len(points) == 0:
        raise AnatomyNotFound("The fossa found has no membrane to put a target on; check the fossa landmark.")
    heights, at_rim = height_mm(annulus, points), height_mm(annulus, fossa.rim_lps)
    span = (float(min(heights.min(), at_rim.min())), float(max(heights.max(), at_rim.max())))
    band = procedure.height_band_mm
    if band is None:
        return span, None
    rim = curves.distance_to_closed(points, fossa.rim_lps)
    far_enough = rim >= min(procedure.distance_to_rim.low or 0.0, float(rim.max()))
    return span, bool(np.any((heights >= band[0]) & (heights <= band[1]) & far_enough))


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
