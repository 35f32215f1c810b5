"""Where to cross: candidate points on the membrane and the choice among them, or a given point put on the surface."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.anatomy.annulus import Annulus, height_mm
from septal_planner.anatomy.chambers import Chambers
from septal_planner.anatomy.fossa import Fossa
from septal_planner.errors import AnatomyNotFound, InputRefused
from septal_planner.geometry import curves
from septal_planner.geometry.frames import unit_vector
from septal_planner.puncture import catheter
from septal_planner.puncture.approach import LANDMARK_SD_MM, Approach, prepare_approach
from septal_planner.puncture.checks import margin
from septal_planner.puncture.paths import crossing_of, posterior_path_mm
from septal_planner.puncture.place import fossa_fractions, membrane_points, room_to_rim_mm, zone
from septal_planner.puncture.procedures import Asked, Procedure
from septal_planner.puncture.site import COVERAGE_FACTOR, PunctureSite, band_words, evaluate_on, evaluate_site

__all__ = [
    "COVERAGE_FACTOR", "LANDMARK_SD_MM", "Approach", "PunctureSite", "choose_on", "choose_target", "crossing_of",
    "evaluate_on", "evaluate_site", "fossa_fractions", "membrane_points", "posterior_path_mm", "prepare_approach",
    "snap_on", "snap_user_target", "zone",
]

Array = NDArray[np.float64]

FARTHEST_FROM_MEMBRANE_MM = 10.0
# Twice 3 mm, the spread of where a needle lands against where it was aimed (common practice, no source), or this share
# of the largest distance from the rim that the membrane offers: kept from the rim where the band is out of reach.
NEEDLE_SLIP_MM = 6.0
NEEDLE_SLIP_SHARE = 0.6
LEAST_FROM_RIM_MM = 1.0
KEEP_CLEAR = 0.5  # of the tolerance beyond each safety limit, where there is such a place
NO_CHOICE = (
    "The membrane's rim was not seen, so there was no choice among sites: the target is the place on the septal "
    "surface nearest the marked fossa point, and whether it lies on the thin membrane must be seen by echo."
)


def snap_user_target(point_lps: ArrayLike, fossa: Fossa) -> tuple[Array, float]:
    """Nearest mid-surface point (3,) inside the rim to a point (3,), and the distance moved (mm).

    Where no rim was seen, the nearest point of the surface. Raises InputRefused for a point farther than 10 mm from
    the membrane, AnatomyNotFound for a rim around nothing."""
    return _snap(point_lps, fossa, lambda: membrane_points(fossa, step_mm=0.25))


def snap_on(approach: Approach, point_lps: ArrayLike) -> tuple[Array, float]:
    """As `snap_user_target`, at little cost."""
    return _snap(point_lps, approach.fossa, lambda: approach.fine_points_lps)


def _snap(point_lps: ArrayLike, fossa: Fossa, points_inside: Callable[[], Array]) -> tuple[Array, float]:
    p = np.asarray(point_lps, dtype=np.float64)
    if p.shape != (3,) or not np.all(np.isfinite(p)):
        raise InputRefused(
            f"The target needs three finite coordinates in mm, found {point_lps!r}; give x, y and z in LPS."
        )
    has_rim = len(fossa.rim_lps) > 0
    if has_rim and len(points_inside()) == 0:
        raise AnatomyNotFound("The fossa found has no membrane to put a target on; check the fossa landmark.")
    best, moved = fossa.patch.nearest(p)
    if has_rim and not curves.inside_closed(fossa.patch.uvw(best)[:2], fossa.patch.uvw(fossa.rim_lps)[:, :2]):
        distance = np.linalg.norm(points_inside() - p, axis=1)
        best, moved = points_inside()[int(np.argmin(distance))], float(distance.min())
    if moved > FARTHEST_FROM_MEMBRANE_MM:
        raise InputRefused(
            f"The target lies {moved:.1f} mm off the septum, expected {FARTHEST_FROM_MEMBRANE_MM:g} mm or "
            "less from the membrane of the fossa; give a point on it, in LPS millimetres of this CT."
        )
    return best, moved


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
    """`choose_on` for one choice only. Raises AnatomyNotFound as `prepare_approach` does."""
    return choose_on(prepare_approach(
        fossa, annulus, chambers, landmarks_lps, procedure, sheath_angle_deg=sheath_angle_deg,
        landmark_sd_mm=landmark_sd_mm,
    ))


def choose_on(approach: Approach) -> PunctureSite:
    """The membrane point that best meets the procedure, measured as `evaluate_on` does.

    Candidates lie on a 0.5 mm grid inside the rim, 1 mm or more from it, and farther from where it was bridged.
    First come those that keep clear of
    rim, aorta and posterior wall; of these those within the height band or, where it is out of reach, nearest
    to it among those a slip of the needle farther from the rim; of these the one whose worst margin among the
    requirements that some site meets, as a fraction of the tolerance, is largest; ties go to the middle of the
    preferred zone. Where no rim was seen there is no choice: the fossa's center, which is then the place nearest the
    marked point, is taken and a note says so."""
    fossa, annulus, chambers, procedure = approach.fossa, approach.annulus, approach.chambers, approach.procedure
    if not len(fossa.rim_lps):
        site = evaluate_on(approach, fossa.center_lps, source="computed")
        return replace(site, notes=(*site.notes, NO_CHOICE))
    points, crossing = approach.candidates_lps, approach.crossing_lps
    rim = room_to_rim_mm(fossa, points)
    keep = rim >= min(LEAST_FROM_RIM_MM, float(rim.max()))
    points, rim = points[keep], rim[keep]

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
    if approach.structure_lps is not None:
        margins += _arc_margins(points, crossing, approach.structure_lps, approach.axis_lps, procedure)
    # what no site can give does not choose between sites
    attainable = [m for m in margins if float(m[pool].max()) >= 0.0] or margins
    score = np.min([np.minimum(m, 1.0) for m in attainable], axis=0)
    middle = [_middle(procedure.superior_fraction), _middle(procedure.anterior_fraction)]
    from_zone = np.hypot(superior - middle[0], anterior - middle[1])
    order = np.lexsort((from_zone, -np.round(score, 3), ~pool))
    site = evaluate_on(approach, points[order[0]], source="computed")
    if band is not None and site.height_band_available and not band[0] <= site.height_mm <= band[1]:
        note = (
            f"The height band asked for ({band_words(procedure)}) is reached on this septum only where the "
            "puncture would not keep clear of the rim, the aorta or the posterior wall, so the nearest place "
            "that does was taken."
        )
        site = replace(site, notes=(*site.notes, note))
    return site


def _arc_margins(
    points: Array, crossing: Array, structure: Array, axis: Array | None, procedure: Procedure
) -> list[Array]:
    """Margins of bend radius and axis tilt of the arcs from many points, in closed form (see
    catheter.single_arc).
    """
    chord = structure - points
    length = np.linalg.norm(chord, axis=1)
    along = unit_vector(chord) @ crossing
    across = np.sqrt(np.maximum(1 - along**2, 1e-18))
    margins = [np.minimum(margin(procedure.bend_radius, length / (2 * across)), 1.0)]
    if procedure.axis_tilt is not None and axis is not None:
        end = 2 * along[:, None] * unit_vector(chord) - crossing
        tilt = np.degrees(np.arccos(np.clip(end @ axis, -1, 1)))
        margins.append(margin(procedure.axis_tilt, tilt))
    return margins


def _middle(asked: Asked) -> float:
    return ((0.0 if asked.low is None else asked.low) + (1.0 if asked.high is None else asked.high)) / 2
