"""How far annulus and fossa move between two phases of the heartbeat, and what that does to the height.

Everything runs from the phase of the plan to the other one, in one patient frame (LPS, mm). A phase is a percentage of
the RR interval or not known; it has no other name here, since what is called systole holds both the smallest mitral
annulus and one of its largest (3-D echo: area 7.4 to 9.8 cm2 within it, doi 10.1155/2020/3261714, table 3).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.anatomy.annulus import Annulus, height_sd_mm, ring_covariance
from septal_planner.anatomy.annulus import height_mm as height_above_mm
from septal_planner.anatomy.fossa import Fossa
from septal_planner.geometry import curves
from septal_planner.puncture.checks import check
from septal_planner.puncture.procedures import Asked
from septal_planner.puncture.target import COVERAGE_FACTOR, LANDMARK_SD_MM

Array = NDArray[np.float64]

# Annular excursion toward the apex of 12 mm and more in the healthy (cardiac MR, doi 10.1186/s12968-021-00711-w, table
# 4), 12 to 15 mm on echo (from memory); beyond this, more than the heartbeat moved.
FARTHEST_ANNULUS_MM = 20.0
# The heart as a whole moves 4 to 6 mm to the left, back and down from end-diastole to end-systole in 17 CTs
# (OncoTargets Ther 2013, OTT.S52101); the ring moves along its axis, hardly across it.
FARTHEST_ACROSS_MM = 10.0
# The aorto-mitral angle differs by 1.3 degrees on average between the phases of 32 CTs (129.7, SD 10.5, and 131.0, SD
# 9.4; doi 10.4244/EIJY15M11_10); 10 degrees are ours, beyond what marking alone gives.
LARGEST_TILT_DEG = 10.0
# 7.4 to 9.8 cm2 in controls (3-D echo, doi 10.1155/2020/3261714, table 3)
LARGEST_AREA_CHANGE_PERCENT = 33.0
# no dedicated series found; some 2 to 5 mm expected (common practice, no source)
FARTHEST_FOSSA_MM = 10.0


@dataclass(frozen=True)
class PhaseFound:
    """What was found in the CT of one phase. `no_fossa` says in one sentence why there is no fossa."""

    annulus: Annulus
    fossa: Fossa | None
    phase_percent: float | None = None  # of the RR interval; None: not recorded
    no_fossa: str = ""

    def __post_init__(self) -> None:
        if (self.fossa is None) != bool(self.no_fossa):
            raise ValueError("a phase has a fossa or the reason why not")


@dataclass(frozen=True)
class Shift:
    """Displacement of a place. LPS, mm; `_sd` one standard uncertainty. `along_mm`: along the annular normal of the
    plan's phase, positive toward the left atrium; `across_mm`: square to it."""

    vector_lps: NDArray[np.float64]
    distance_mm: float
    distance_sd_mm: float
    along_mm: float
    along_sd_mm: float
    across_mm: float
    across_sd_mm: float


@dataclass(frozen=True)
class Motion:
    """From the plan's phase to the other one. None: not assessed, the reason in `not_assessed`. `other_place_lps` is
    the same place on the fossa in the other phase: same superior and anterior fraction, on its mid-surface."""

    phase_percent: float | None
    other_phase_percent: float | None
    annulus: Shift
    tilt_deg: float
    tilt_sd_deg: float
    area_change_percent: float
    area_change_sd_percent: float
    fossa: Shift | None
    height_mm: float
    height_sd_mm: float
    other_place_lps: NDArray[np.float64] | None
    other_height_mm: float | None
    other_height_sd_mm: float | None
    height_change_mm: float | None
    height_change_sd_mm: float | None
    height_range_mm: tuple[float, float] | None
    meaning: str
    not_assessed: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


def compare_phases(
    plan: PhaseFound,
    other: PhaseFound,
    *,
    height_mm: float,
    height_sd_mm: float,
    fractions: tuple[float, float] | None,
    asked_height: Asked | None = None,
    landmark_sd_mm: float = LANDMARK_SD_MM,
) -> Motion:
    """Motion from the plan's phase to another of the same heart in the same frame.

    `height_mm` and its standard uncertainty are those of the plan's target, `fractions` its (superior, anterior)
    place on the fossa, None where that is not assessed; `asked_height` what the procedure asks. Annulus points of
    both phases are taken to be off by independent errors of `landmark_sd_mm` along each axis (first-order
    propagation); the doubt of the fossa's centre and surface is its own. The doubt of a length counts also what lies
    across it as far as the length is no longer than its doubt: no motion at all is then within two standard
    uncertainties of what noise alone gives.
    """
    a, b = plan.annulus, other.annulus
    first = ring_covariance(a, point_sd_mm=landmark_sd_mm)
    second = ring_covariance(b, point_sd_mm=landmark_sd_mm)
    both = first + second
    annulus = shift(b.center_lps - a.center_lps, both[:3, :3], a.normal_lps)
    cosine = float(np.clip(a.normal_lps @ b.normal_lps, -1, 1))
    tilt = float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a.normal_lps, b.normal_lps)), cosine)))
    tilt_sd = float(np.degrees(length_sd(b.normal_lps - a.normal_lps, both[3:6, 3:6])))
    ratio = b.area_mm2 / a.area_mm2
    area_sd = ratio * float(np.hypot(np.sqrt(first[6, 6]) / a.area_mm2, np.sqrt(second[6, 6]) / b.area_mm2))

    missing: dict[str, str] = {}
    moved = _fossa_shift(plan, other, missing)
    place, place_sd = _same_place(plan, other, fractions, missing)
    there: dict[str, float | None] = dict.fromkeys(("height", "sd", "change", "change_sd"))
    span = None
    notes = _implausible(annulus, tilt, 100 * (ratio - 1), moved)
    if place is not None and other.fossa is not None:
        height, sd = _height(b, other.fossa, place, place_sd, landmark_sd_mm)
        there = {
            "height": height,
            "sd": sd,
            "change": height - height_mm,
            "change_sd": float(np.hypot(sd, height_sd_mm)),
        }
        span = (min(height_mm, height), max(height_mm, height))
        notes += _beyond_rim(other, place)
    return Motion(
        phase_percent=plan.phase_percent,
        other_phase_percent=other.phase_percent,
        annulus=annulus,
        tilt_deg=tilt,
        tilt_sd_deg=tilt_sd,
        area_change_percent=100 * (ratio - 1),
        area_change_sd_percent=100 * area_sd,
        fossa=moved,
        height_mm=height_mm,
        height_sd_mm=height_sd_mm,
        other_place_lps=place,
        other_height_mm=there["height"],
        other_height_sd_mm=there["sd"],
        height_change_mm=there["change"],
        height_change_sd_mm=there["change_sd"],
        height_range_mm=span,
        meaning=_meaning(plan, other, (height_mm, height_sd_mm), there, asked_height, missing),
        not_assessed=missing,
        notes=tuple([*notes, *_between(span)]),
    )


def shift(vector_lps: ArrayLike, covariance_mm2: ArrayLike, axis_lps: ArrayLike) -> Shift:
    """A displacement (3,) with its covariance (3, 3), split along and across a unit axis (3,)."""
    v, c, n = (np.asarray(x, dtype=np.float64) for x in (vector_lps, covariance_mm2, axis_lps))
    flat = np.eye(3) - np.outer(n, n)
    return Shift(
        vector_lps=v,
        distance_mm=float(np.linalg.norm(v)),
        distance_sd_mm=length_sd(v, c),
        along_mm=float(v @ n),
        along_sd_mm=float(np.sqrt(n @ c @ n)),
        across_mm=float(np.linalg.norm(flat @ v)),
        across_sd_mm=length_sd(flat @ v, flat @ c @ flat),
    )


def length_sd(vector: ArrayLike, covariance: ArrayLike) -> float:
    """One standard uncertainty of the length of a vector (n,) with covariance (n, n): that along it, and, since a
    length near nought feels errors across it as well, that across it by (doubt / length)^2, at most whole."""
    v, c = np.asarray(vector, dtype=np.float64), np.asarray(covariance, dtype=np.float64)
    whole, square = float(np.trace(c)), float(v @ v)
    if square <= whole:
        return float(np.sqrt(max(whole, 0.0)))
    along = float(v @ c @ v) / square
    return float(np.sqrt(along + (whole - along) * whole / square))


def place_at(fossa: Fossa, superior_fraction: float, anterior_fraction: float) -> NDArray[np.float64]:
    """The point (3,) on the mid-surface with these fractions of the rim's extents, the inverse of `fossa_fractions`.

    Raises ValueError for a fossa whose rim was not seen.
    """
    if not len(fossa.rim_lps):
        raise ValueError("a fossa without a rim has no fractions")
    rim = fossa.patch.uvw(fossa.rim_lps)
    low, high = rim.min(axis=0), rim.max(axis=0)
    u = low[0] + anterior_fraction * (high[0] - low[0])
    v = low[1] + superior_fraction * (high[1] - low[1])
    return np.asarray(fossa.patch.points_lps(u, v))


def said_phase(percent: float | None) -> str:
    """A phase in words: always a percentage of the RR interval, or that it is not recorded."""
    return "a phase not recorded" if percent is None else f"{percent:g} % of the RR interval"


# ------------------------------------------------------------------------------------------------------------ the parts


def _center_covariance(fossa: Fossa, center_sd_mm: float) -> Array:
    """Of the fossa's centre (3, 3), mm2: in the septal plane, and along its normal."""
    n = fossa.normal_lps
    return np.asarray(center_sd_mm**2 * (np.eye(3) - np.outer(n, n)) + fossa.surface_sd_mm**2 * np.outer(n, n))


def _cannot_be_placed(plan: PhaseFound, other: PhaseFound) -> str:
    """Why the fossae of both phases cannot be laid on each other, or an empty text."""
    if other.fossa is None or plan.fossa is None:
        return other.no_fossa or plan.no_fossa
    for fossa, which in ((plan.fossa, "plan's"), (other.fossa, "other")):
        if not len(fossa.rim_lps) or fossa.center_sd_mm is None:
            return (
                f"The fossa's rim could not be seen in the {which} phase, so that neither its centre nor the same "
                "place on it is known there."
            )
    return ""


def _fossa_shift(plan: PhaseFound, other: PhaseFound, missing: dict[str, str]) -> Shift | None:
    why = _cannot_be_placed(plan, other)
    if why:
        missing["fossa motion"] = why
        return None
    covariance = np.zeros((3, 3))
    for fossa in (plan.fossa, other.fossa):
        assert fossa is not None
        assert fossa.center_sd_mm is not None
        covariance += _center_covariance(fossa, fossa.center_sd_mm)
    assert plan.fossa is not None
    assert other.fossa is not None
    return shift(other.fossa.center_lps - plan.fossa.center_lps, covariance, plan.annulus.normal_lps)


def _same_place(
    plan: PhaseFound, other: PhaseFound, fractions: tuple[float, float] | None, missing: dict[str, str]
) -> tuple[Array | None, float]:
    """The place on the other phase's mid-surface, and the doubt of its correspondence in the septal plane (mm)."""
    why = _cannot_be_placed(plan, other)
    if not why and fractions is None:
        why = "Where on the fossa the target of the plan lies is not assessed, so that the same place cannot be told."
    if why or fractions is None:
        missing["height in the other phase"] = why
        return None, 0.0
    assert plan.fossa is not None
    assert other.fossa is not None
    doubt = float(np.hypot(plan.fossa.center_sd_mm or 0.0, other.fossa.center_sd_mm or 0.0))
    return place_at(other.fossa, *fractions), doubt


def _height(
    annulus: Annulus, fossa: Fossa, place_lps: Array, place_sd_mm: float, landmark_sd_mm: float
) -> tuple[float, float]:
    """Height and its standard uncertainty: of the plane, of the surface along its normal, of the place in its plane."""
    cosine = float(np.clip(abs(fossa.normal_lps @ annulus.normal_lps), 0, 1))
    plane = float(height_sd_mm(annulus, place_lps, point_sd_mm=landmark_sd_mm))
    surface, within = cosine * fossa.surface_sd_mm, float(np.sqrt(1 - cosine**2)) * place_sd_mm
    return float(height_above_mm(annulus, place_lps)), float(np.sqrt(plane**2 + surface**2 + within**2))


# ------------------------------------------------------------------------------------------------------------- in words


def _implausible(annulus: Shift, tilt_deg: float, area_percent: float, fossa: Shift | None) -> list[str]:
    said = []
    if annulus.distance_mm > FARTHEST_ANNULUS_MM:
        said.append(
            f"The annulus moves {annulus.distance_mm:.0f} mm between the two phases, more than a heartbeat moves it "
            "(12 mm and more in the healthy on cardiac MR, doi 10.1186/s12968-021-00711-w): check the landmarks of "
            "both phases, and whether the patient or the breath moved between the two CTs."
        )
    if annulus.across_mm > FARTHEST_ACROSS_MM or tilt_deg > LARGEST_TILT_DEG:
        said.append(
            f"The annulus moves {annulus.across_mm:.0f} mm across its axis and tilts by {tilt_deg:.0f} degrees between "
            "the two phases, more than a heartbeat does (4 to 6 mm along each axis for the whole heart, OncoTargets "
            "Ther 2013, OTT.S52101; an angle of 1 degree on average, doi 10.4244/EIJY15M11_10): check the points of "
            "both, and that both CTs show one heart."
        )
    if abs(area_percent) > LARGEST_AREA_CHANGE_PERCENT:
        said.append(
            f"The annular area differs by {abs(area_percent):.0f} % between the two phases, more than the third "
            "published (7.4 to 9.8 cm2 by 3-D echo, doi 10.1155/2020/3261714): check the mitral_annulus points of both."
        )
    if fossa is not None and fossa.distance_mm > FARTHEST_FOSSA_MM:
        said.append(
            f"The fossa moves {fossa.distance_mm:.0f} mm between the two phases, more than expected (some 2 to 5 mm, "
            "common practice, no source): check both fossa points, and whether the patient or the breath moved."
        )
    return said


def _beyond_rim(other: PhaseFound, place_lps: Array) -> list[str]:
    fossa = other.fossa
    assert fossa is not None
    uv, rim = fossa.patch.uvw(place_lps)[:2], fossa.patch.uvw(fossa.rim_lps)[:, :2]
    if bool(curves.inside_closed(uv, rim)):
        return []
    return [
        "The same place on the fossa lies outside the rim of the membrane in the other phase: the two outlines differ, "
        "and its height there is less sure than its interval says."
    ]


def _between(span: tuple[float, float] | None) -> list[str]:
    known = "" if span is None else f" of {span[0]:.1f} to {span[1]:.1f} mm"
    return [
        "Two phases are two moments of the heartbeat: positions and heights between them are not known, and may lie "
        f"outside the range{known} found in these two."
    ]


def _meaning(
    plan: PhaseFound,
    other: PhaseFound,
    here: tuple[float, float],
    there: Mapping[str, float | None],
    asked: Asked | None,
    missing: Mapping[str, str],
) -> str:
    """What a plan made at one phase means at the other, in plain words."""
    here_said, there_said = _at(plan, other)
    height, sd, change, change_sd = there["height"], there["sd"], there["change"], there["change_sd"]
    if height is None or sd is None or change is None or change_sd is None:
        why = missing.get("height in the other phase", "")
        return f"What the height of {here[0]:.1f} mm {here_said} is {there_said} was not assessed. {why}".strip()
    doubt = COVERAGE_FACTOR * change_sd
    if abs(change) <= doubt:
        differs = f"a difference of {abs(change):.1f} mm, which its doubt of {doubt:.1f} mm does not tell from none"
    else:
        differs = f"{abs(change):.1f} mm {'higher' if change > 0 else 'lower'}, give or take {doubt:.1f} mm"
    said = (
        f"The place planned {here[0]:.1f} mm above the mitral annular plane {here_said} lies {height:.1f} mm above it "
        f"{there_said}: {differs}."
    )
    if asked is None:
        return said
    was = check("height", here[0], here[1], "mm", asked, "").status
    becomes = check("height", height, sd, "mm", asked, "").status
    if was == becomes:
        return f"{said} The height asked for is {was} at both."
    return f"{said} The height asked for is {was} {here_said} and {becomes} {there_said}."


def _at(plan: PhaseFound, other: PhaseFound) -> tuple[str, str]:
    here, there = plan.phase_percent, other.phase_percent
    here_said = "at the plan's phase (not recorded)" if here is None else f"at {said_phase(here)}"
    if there is None:
        return here_said, "at the phase of the other CT (not recorded)"
    return here_said, f"at {said_phase(there) if here is None else f'{there:g} %'}"
