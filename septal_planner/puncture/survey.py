"""The whole membrane looked over for one procedure and one catheter: all that does not hang on where is crossed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from numpy.typing import ArrayLike

from septal_planner.anatomy.annulus import Annulus
from septal_planner.anatomy.chambers import Chambers
from septal_planner.anatomy.fossa import Fossa
from septal_planner.puncture.approach import LANDMARK_SD_MM, Approach, prepare_approach
from septal_planner.puncture.catheter import SHEATH_ANGLE_DEG
from septal_planner.puncture.catheter_way import CatheterWay, catheter_way, share_reached
from septal_planner.puncture.catheters import SteerableCatheter, load_catheters, steerable_catheter
from septal_planner.puncture.choice import Choice, choose_from_map
from septal_planner.puncture.doubt import ProbabilityMap, map_probability
from septal_planner.puncture.doubt_response import Response, respond
from septal_planner.puncture.doubt_sources import DRAWS, Doubts
from septal_planner.puncture.membrane_map import MembraneMap, map_membrane
from septal_planner.puncture.place import membrane_points
from septal_planner.puncture.procedures import Procedure
from septal_planner.puncture.requirements import ReachOver
from septal_planner.puncture.site import PunctureSite, band_words, evaluate_on

OTHERS_STEP_MM = 2.0  # of the grid on which catheters other than the procedure's own are tried
SEED = 0


@dataclass(frozen=True)
class Trial:
    """How the doubt is tried: so many draws (0: not at all) from this seed, of doubts so large."""

    draws: int = DRAWS
    seed: int = SEED
    doubts: Doubts = field(default_factory=Doubts)

    def __post_init__(self) -> None:
        if self.draws < 0 or self.seed < 0:
            raise ValueError("draws and seed must not be negative")


@dataclass(frozen=True, eq=False)
class Survey:
    """`map` and `choice` are None where no rim was seen; `way` where the procedure has no single target or its
    landmark is missing; `probability` and `response` where no draws were asked for either. `shares`: of the membrane,
    from where each catheter of `catheters` reaches, by name; empty without a way.
    """

    approach: Approach
    catheter: SteerableCatheter | None
    trial: Trial
    way: CatheterWay | None
    map: MembraneMap | None
    choice: Choice | None
    response: Response | None
    probability: ProbabilityMap | None
    shares: Mapping[str, float]


NO_CHOICE = (
    "The membrane's rim was not seen, so there was no choice among sites: the target is the place on the septal "
    "surface nearest the marked fossa point, and whether it lies on the thin membrane must be seen by echo."
)


def survey_membrane(
    approach: Approach,
    *,
    catheter: SteerableCatheter | None = None,
    catheters: Mapping[str, SteerableCatheter] | None = None,
    trial: Trial | None = None,
) -> Survey:
    """Map, choice and trial of one membrane for `approach.procedure` with a catheter (the procedure's own unless
    given), and the share of it from which each of `catheters` (those built in unless given) reaches."""
    return with_shares(tried(look_over(approach, catheter=catheter), trial), catheters)


def look_over(approach: Approach, *, catheter: SteerableCatheter | None = None) -> Survey:
    """Map and choice alone: all that a target needs."""
    own = catheter
    if own is None and approach.procedure.catheter is not None:
        own = steerable_catheter(approach.procedure.catheter)
    way = None if own is None else catheter_way(approach, own)
    found = map_membrane(approach, reach=over(way))
    choice = None if found is None else choose_from_map(approach, found, reach=over(way))
    return Survey(approach, own, Trial(draws=0), way, found, choice, None, None, {})


def tried(survey: Survey, trial: Trial | None = None) -> Survey:
    """The same with the doubt tried over its map."""
    asked = trial or Trial()
    if survey.map is None or not asked.draws:
        return replace(survey, trial=asked)
    response = respond(survey.approach, way=survey.way)
    probability = map_probability(
        survey.approach, survey.map, asked.doubts, draws=asked.draws, seed=asked.seed, response=response
    )
    return replace(survey, trial=asked, response=response, probability=probability)


def with_shares(survey: Survey, catheters: Mapping[str, SteerableCatheter] | None = None) -> Survey:
    """The same with the share of its map from which its own catheter and each of `catheters` (those built in unless
    given) reaches."""
    if survey.map is None:
        return survey
    approach, shares = survey.approach, dict[str, float]()
    if survey.way is not None:
        shares[survey.way.catheter.name] = share_reached(approach, survey.way, survey.map.points_lps)
    coarse = membrane_points(approach.fossa, step_mm=OTHERS_STEP_MM)
    for name, other in (load_catheters() if catheters is None else catheters).items():
        there = None if name in shares else catheter_way(approach, other)
        if there is not None and len(coarse):
            shares[name] = share_reached(approach, there, coarse)
    return replace(survey, shares=shares)


def over(way: CatheterWay | None) -> ReachOver | None:
    """What a map asks of a catheter's way."""
    return None if way is None else way.over


def chosen_site(survey: Survey) -> PunctureSite:
    """The best candidate, measured as `evaluate_on` does. Where no rim was seen there is no choice: the fossa's center,
    which is then the place nearest the marked point, is taken and a note says so."""
    approach, choice = survey.approach, survey.choice
    if choice is None:
        site = evaluate_on(approach, approach.fossa.center_lps, source="computed")
        return replace(site, notes=(*site.notes, NO_CHOICE))
    site = evaluate_on(approach, choice.candidates[0].point_lps, source="computed")
    band = approach.procedure.height_band_mm
    if band is not None and site.height_band_available and not band[0] <= site.height_mm <= band[1]:
        note = (
            f"The height band asked for ({band_words(approach.procedure)}) is reached on this septum only where the "
            "puncture would not keep clear of the rim, the aorta or the posterior wall, so the nearest place "
            "that does was taken."
        )
        site = replace(site, notes=(*site.notes, note))
    return site


def choose_on(approach: Approach) -> PunctureSite:
    """The chosen site alone: no trial, no other catheters."""
    return chosen_site(look_over(approach))


def choose_target(
    fossa: Fossa, annulus: Annulus, chambers: Chambers, landmarks_lps: Mapping[str, ArrayLike], procedure: Procedure, *,
    sheath_angle_deg: float = SHEATH_ANGLE_DEG, landmark_sd_mm: float = LANDMARK_SD_MM,
) -> PunctureSite:
    """`choose_on` for one choice only. Raises AnatomyNotFound as `prepare_approach` does."""
    return choose_on(prepare_approach(
        fossa, annulus, chambers, landmarks_lps, procedure, sheath_angle_deg=sheath_angle_deg,
        landmark_sd_mm=landmark_sd_mm,
    ))
