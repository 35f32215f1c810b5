"""Where to cross: candidate points on the membrane, heights, distances, their doubt, and the choice among
them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.anatomy.annulus import Annulus, height_mm, height_sd_mm
from septal_planner.anatomy.chambers import Chambers
from septal_planner.anatomy.fossa import Fossa
from septal_planner.errors import AnatomyNotFound, InputRefused
from septal_planner.geometry import curves
from septal_planner.geometry.frames import spacing_mm, unit_vector
from septal_planner.geometry.shapes import DistanceField
from septal_planner.puncture import catheter
from septal_planner.puncture.checks import Check, check, margin
from septal_planner.puncture.procedures import Asked, Procedure

Array = NDArray[np.float64]

FARTHEST_FROM_MEMBRANE_MM = 10.0
# Twice 3 mm, the spread of where a needle lands against where it was aimed (common practice, no source), or this share
# of the largest distance from the rim that the membrane offers: kept from the rim where the band is out of reach.
NEEDLE_SLIP_MM = 6.0
NEEDLE_SLIP_SHARE = 0.6
LEAST_FROM_RIM_MM = 1.0
CANDIDATE_STEP_MM = 0.5
KEEP_CLEAR = 0.5  # of the tolerance beyond each safety limit, where there is such a place
# one standard deviation, along each axis, of a point placed by a careful reader; common practice, no source
LANDMARK_SD_MM = 1.0
COVERAGE_FACTOR = 2.0  # interval of about 95 % (JCGM 100:2008, 6.2.1 and table G.1)


@dataclass(frozen=True)
class PunctureSite:
    """A puncture point and all that is said of it. LPS, mm; `_sd_mm` one standard uncertainty; None: not
    assessed, the reason in `checks` or `notes`. `moved_mm` None for a computed target. `source`: "computed"
    or "user".
    """

    procedure: str
    target_lps: NDArray[np.float64]
    source: str
    moved_mm: float | None
    height_mm: float
    height_sd_mm: float
    height_interval_95_mm: tuple[float, float]
    height_above_coaptation_mm: float | None
    superior_fraction: float
    anterior_fraction: float
    zone: str
    wall_thickness_mm: float | None
    wall_thickness_sd_mm: float | None
    distance_to_aorta_mm: float | None
    distance_to_aorta_sd_mm: float | None
    distance_to_posterior_wall_mm: float | None
    distance_to_posterior_wall_sd_mm: float | None
    distance_to_rim_mm: float
    distance_to_rim_sd_mm: float
    membrane_height_range_mm: tuple[float, float]
    height_band_available: bool | None  # on this membrane; None without a height norm
    reach: catheter.Reach
    checks: tuple[Check, ...]
    notes: tuple[str, ...] = ()


def fossa_fractions(fossa: Fossa, points_lps: ArrayLike) -> tuple[Array, Array]:
    """Superior and anterior fraction (...) of points (..., 3): position between the lowest and highest, and
    the most posterior and most anterior, rim points along the fossa's own superior and anterior axes. 0
    inferior or posterior, 1 superior or anterior; the whole extent of the rim, not the chord through the
    point.
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
    """Mid-surface points (n, 3) inside the rim on a grid of `step_mm` over the fossa's plane."""
    patch = fossa.patch
    u = np.arange(patch.u_mm[0], patch.u_mm[-1] + step_mm / 2, step_mm)
    v = np.arange(patch.v_mm[0], patch.v_mm[-1] + step_mm / 2, step_mm)
    uu, vv = np.meshgrid(u, v)
    rim_uv = patch.uvw(fossa.rim_lps)[:, :2]
    inside = curves.inside_closed(np.stack([uu, vv], axis=-1), rim_uv)
    inside &= patch.sample(fossa.membrane.astype(np.float64), uu, vv) > 0.5
    return patch.points_lps(uu[inside], vv[inside])


def snap_user_target(point_lps: ArrayLike, fossa: Fossa) -> tuple[Array, float]:
    """Nearest mid-surface point (3,) inside the rim to a point (3,), and the distance moved (mm).

    Raises InputRefused for a point farther than 10 mm from the membrane, AnatomyNotFound for a fossa without
    membrane. """
    p = np.asarray(point_lps, dtype=np.float64)
    if p.shape != (3,) or not np.all(np.isfinite(p)):
        raise InputRefused(
            f"The target needs three finite coordinates in mm, found {point_lps!r}; give x, y and z in LPS."
        )
    inside = membrane_points(fossa, step_mm=0.25)
    if len(inside) == 0:
        raise AnatomyNotFound("The fossa found has no membrane to put a target on; check the fossa landmark.")
    best, moved = fossa.patch.nearest(p)
    on_membrane = curves.inside_closed(fossa.patch.uvw(best)[:2], fossa.patch.uvw(fossa.rim_lps)[:, :2])
    if not on_membrane:
        distance = np.linalg.norm(inside - p, axis=1)
        best, moved = inside[int(np.argmin(distance))], float(distance.min())
    if moved > FARTHEST_FROM_MEMBRANE_MM:
        raise InputRefused(
            f"The target lies {moved:.1f} mm off the septum, expected {FARTHEST_FROM_MEMBRANE_MM:g} mm or "
            "less from the membrane of the fossa; give a point on it, in LPS millimetres of this CT."
        )
    return best, moved


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
    is twice the joint standard uncertainty to either side (JCGM 100:2008). Distances take the chamber outline
    as known to a voxel's uniform error. Raises AnatomyNotFound where the crossing direction cannot be had.
    """
    p = np.asarray(point_lps, dtype=np.float64)
    crossing = crossing_of(landmarks_lps, fossa, sheath_angle_deg=sheath_angle_deg)
    height = float(height_mm(annulus, p))
    slant = abs(float(fossa.normal_lps @ annulus.normal_lps))
    plane_sd = float(height_sd_mm(annulus, p, point_sd_mm=landmark_sd_mm))
    height_sd = float(np.hypot(plane_sd, slant * fossa.surface_sd_mm))
    superior, anterior = (float(x) for x in fossa_fractions(fossa, p))
    u, v, _ = fossa.patch.uvw(p)
    thickness = float(fossa.patch.sample(fossa.thickness_mm, u, v))
    rim = float(curves.distance_to_closed(p, fossa.rim_lps))
    grid_step = float(fossa.patch.u_mm[1] - fossa.patch.u_mm[0])
    rim_sd = float(np.hypot(fossa.surface_sd_mm, grid_step / np.sqrt(12)))
    notes: list[str] = []

    aorta, aorta_sd, why_aorta = None, None, _missing(chambers, "aorta")
    if "aorta" in chambers.distance:
        field = chambers.distance["aorta"]
        aorta, aorta_sd, why_aorta = float(field.at(p)), _outline_sd(field, fossa), ""
    path, path_sd, why_path = None, None, _missing(chambers, "left_atrium")
    if "left_atrium" in chambers.distance:
        field = chambers.distance["left_atrium"]
        along, cosine = posterior_path_mm(p[None], crossing, field)
        if np.isfinite(along[0]):
            path, why_path = float(along[0]), ""
            path_sd = _outline_sd(field, fossa) / max(float(cosine[0]), 0.2)
        else:
            why_path = "The crossing direction does not enter the left atrium within 15 mm of the target."

    span, available = _band_on_membrane(fossa, annulus, procedure)
    if available is False:
        notes.append(_band_sentence(procedure, span))
    coaptation = None
    if "leaflet_coaptation" in landmarks_lps:
        mark = np.asarray(landmarks_lps["leaflet_coaptation"], dtype=np.float64).reshape(-1, 3).mean(axis=0)
        coaptation = float((p - mark) @ annulus.normal_lps)

    reach = catheter.reach(
        p, crossing, fossa.normal_lps, annulus, procedure,
        structure_lps=structure_of(procedure, annulus, landmarks_lps),
        left_atrium=chambers.distance.get("left_atrium"), sheath_angle_deg=sheath_angle_deg,
    )
    no_arc = reach.not_assessed[0] if reach.arc_turn_deg is None else "The way to the target is straight."
    lines = [
        ("superior_fraction", superior, None, "1", procedure.superior_fraction, ""),
        ("anterior_fraction", anterior, None, "1", procedure.anterior_fraction, ""),
        ("distance_to_rim", rim, rim_sd, "mm", procedure.distance_to_rim, ""),
        ("distance_to_aorta", aorta, aorta_sd, "mm", procedure.distance_to_aorta, why_aorta),
        ("distance_to_posterior_wall", path, path_sd, "mm", procedure.posterior_path, why_path),
        ("wall_thickness", thickness if np.isfinite(thickness) else None, fossa.thickness_sd_mm, "mm",
         procedure.wall_thickness, "The thickness of the membrane could not be measured at the target."),
        ("entry_angle", reach.entry_angle_deg, None, "deg", procedure.entry_angle, ""),
        ("bend_radius", reach.bend_radius_mm, None, "mm", procedure.bend_radius, no_arc),
    ]
    if procedure.axis_tilt is not None:
        lines.append(("axis_tilt", reach.axis_tilt_deg, None, "deg", procedure.axis_tilt, no_arc))
    checks = [check(*line) for line in lines]
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
        height_above_coaptation_mm=coaptation,
        superior_fraction=superior, anterior_fraction=anterior, zone=zone(superior, anterior),
        wall_thickness_mm=thickness if np.isfinite(thickness) else None,
        wall_thickness_sd_mm=fossa.thickness_sd_mm if np.isfinite(thickness) else None,
        distance_to_aorta_mm=aorta, distance_to_aorta_sd_mm=aorta_sd,
        distance_to_posterior_wall_mm=path, distance_to_posterior_wall_sd_mm=path_sd,
        distance_to_rim_mm=rim, distance_to_rim_sd_mm=rim_sd,
        membrane_height_range_mm=span, height_band_available=available,
        reach=reach, checks=tuple(checks), notes=tuple(notes),
    )


def choose_target(
    fossa: Fossa,
    annulus: Annulus,
    chambers: Chambers,
    landmarks_lps: Mapping[str, ArrayLike],
    procedure: Procedure,
    *,
    sheath_angle_deg: float = catheter.SHEATH_ANGLE_DEG,
    landmark_sd_mm: float = LANDMARK_SD_MM,
) -> PunctureSite:
    """The membrane point that best meets the procedure, measured as `evaluate_site` does.

    Candidates lie on a 0.5 mm grid inside the rim, 1 mm or more from it. First come those that keep clear of
    rim, aorta and posterior wall; of these those within the height band or, where it is out of reach, nearest
    to it among those a slip of the needle farther from the rim; of these the one whose worst margin among the
    requirements that some site meets, as a fraction of the tolerance, is largest; ties go to the middle of the
    preferred zone. Raises AnatomyNotFound for a fossa without membrane. """
    points = membrane_points(fossa)
    if len(points) == 0:
        raise AnatomyNotFound("The fossa found has no membrane to put a target on; check the fossa landmark.")
    rim = curves.distance_to_closed(points, fossa.rim_lps)
    keep = rim >= min(LEAST_FROM_RIM_MM, float(rim.max()))
    points, rim = points[keep], rim[keep]
    crossing = crossing_of(landmarks_lps, fossa, sheath_angle_deg=sheath_angle_deg)

    clear = [margin(procedure.distance_to_rim, rim)]
    if "aorta" in chambers.distance:
        clear.append(margin(procedure.distance_to_aorta, chambers.distance["aorta"].at(points)))
    if "left_atrium" in chambers.distance:
        path, _ = posterior_path_mm(points, crossing, chambers.distance["left_atrium"])
        clear.append(np.where(np.isfinite(path), margin(procedure.posterior_path, path), -10.0))
    worst_clear = np.min(clear, axis=0)
    # by half a tolerance where there is such a place; where nothing keeps clear, what comes nearest to it
    pool = worst_clear >= min(KEEP_CLEAR, float(worst_clear.max()) - 0.05)

    height = height_mm(annulus, points)
    band = procedure.height_band_mm
    margins = list(clear)
    if band is not None and procedure.height is not None:
        off = np.maximum(np.maximum(band[0] - height, height - band[1]), 0.0)
        nearest = float(off[pool].min())
        if nearest > 0:
            # no gain in height is worth a puncture that one slip of the needle carries off the membrane
            pool &= rim >= min(NEEDLE_SLIP_MM, NEEDLE_SLIP_SHARE * float(rim[pool].max()))
            nearest = float(off[pool].min())
        pool &= off <= (nearest + 0.25 if nearest > 0 else 0.0)
        if off[pool].max() == 0.0:
            margins.append(margin(procedure.height, height))
    # beyond the limit, room for the needle's slip counts as well
    margins.append(rim / min(NEEDLE_SLIP_MM, float(rim.max())))
    superior, anterior = fossa_fractions(fossa, points)
    margins += [margin(procedure.superior_fraction, superior), margin(procedure.anterior_fraction, anterior)]
    thickness = fossa.patch.sample(fossa.thickness_mm, *np.moveaxis(fossa.patch.uvw(points)[:, :2], -1, 0))
    margins.append(np.where(np.isfinite(thickness), margin(procedure.wall_thickness, thickness), 0.0))
    structure = structure_of(procedure, annulus, landmarks_lps)
    if structure is not None:
        margins += _arc_margins(points, crossing, structure, annulus, procedure)
    # what no site can give does not choose between sites
    attainable = [m for m in margins if float(m[pool].max()) >= 0.0] or margins
    score = np.min([np.minimum(m, 1.0) for m in attainable], axis=0)
    middle = [_middle(procedure.superior_fraction), _middle(procedure.anterior_fraction)]
    from_zone = np.hypot(superior - middle[0], anterior - middle[1])
    order = np.lexsort((from_zone, -np.round(score, 3), ~pool))
    site = evaluate_site(
        points[order[0]], fossa, annulus, chambers, landmarks_lps, procedure, source="computed",
        sheath_angle_deg=sheath_angle_deg, landmark_sd_mm=landmark_sd_mm,
    )
    if band is not None and site.height_band_available and not band[0] <= site.height_mm <= band[1]:
        note = (
            f"The height band asked for ({_band_words(procedure)}) is reached on this septum only where the "
            "puncture would not keep clear of the rim, the aorta or the posterior wall, so the nearest place "
            "that does was taken."
        )
        site = replace(site, notes=(*site.notes, note))
    return site


def _arc_margins(
    points: Array, crossing: Array, structure: Array, annulus: Annulus, procedure: Procedure
) -> list[Array]:
    """Margins of bend radius and axis tilt of the arcs from many points, in closed form (see
    catheter.single_arc).
    """
    chord = structure - points
    length = np.linalg.norm(chord, axis=1)
    along = unit_vector(chord) @ crossing
    across = np.sqrt(np.maximum(1 - along**2, 1e-18))
    margins = [np.minimum(margin(procedure.bend_radius, length / (2 * across)), 1.0)]
    if procedure.axis_tilt is not None:
        end = 2 * along[:, None] * unit_vector(chord) - crossing
        tilt = np.degrees(np.arccos(np.clip(end @ -annulus.normal_lps, -1, 1)))
        margins.append(margin(procedure.axis_tilt, tilt))
    return margins


def _middle(asked: Asked) -> float:
    return ((0.0 if asked.low is None else asked.low) + (1.0 if asked.high is None else asked.high)) / 2


def _outline_sd(field: DistanceField, fossa: Fossa) -> float:
    """Mid-surface doubt and a uniform error of one voxel in the chamber's outline, together."""
    return float(np.hypot(fossa.surface_sd_mm, spacing_mm(field.lps_from_index).max() / np.sqrt(12)))


def _missing(chambers: Chambers, name: str) -> str:
    spoken = name.replace("_", " ")
    return chambers.not_assessed.get(
        name, f"The {spoken} was not found, so the distance to it is not assessed."
    )


def _band_on_membrane(
    fossa: Fossa, annulus: Annulus, procedure: Procedure
) -> tuple[tuple[float, float], bool | None]:
    """Lowest and highest point of the membrane (mm), and whether the height band is met on it far enough from
    the rim (None without a height norm). Raises AnatomyNotFound for a fossa without membrane.
    """
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


def _band_words(procedure: Procedure) -> str:
    low, high = (None, None) if procedure.height is None else (procedure.height.low, procedure.height.high)
    if low is not None and high is not None:
        return f"{low:g} to {high:g} mm"
    return f"{low:g} mm or more" if low is not None else f"{high:g} mm or less"


def _band_sentence(procedure: Procedure, span: tuple[float, float]) -> str:
    band = procedure.height_band_mm
    if band is not None and span[1] >= band[0] and span[0] <= band[1]:
        return (
            f"The height band asked for ({_band_words(procedure)}) is reached on this septum only within "
            f"{procedure.distance_to_rim.low:g} mm of the rim: the membrane lies {span[0]:.0f} to "
            f"{span[1]:.0f} mm above the mitral annular plane."
        )
    return (
        f"The height band asked for ({_band_words(procedure)}) is not available on this septum: the "
        f"membrane lies {span[0]:.0f} to {span[1]:.0f} mm above the mitral annular plane."
    )
