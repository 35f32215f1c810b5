"""One puncture in depth: the needle's way to it, the catheter's way on from it, and how likely each limit is met."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from septal_planner.errors import AnatomyNotFound
from septal_planner.puncture.approach import Approach
from septal_planner.puncture.checks import check
from septal_planner.puncture.choice import Candidate, as_candidates
from septal_planner.puncture.device_point import why_no_device_point
from septal_planner.puncture.doubt import PointDoubt, doubt_at
from septal_planner.puncture.needle import NeedleApproach, curve_of, needle_approach
from septal_planner.puncture.reach_solver import CatheterReach
from septal_planner.puncture.site import PunctureSite
from septal_planner.puncture.survey import Survey, over

OF_ONE_ARC = ("bend_radius", "axis_tilt")


@dataclass(frozen=True, eq=False)
class Passage:
    """All of one target. None: not assessed, the reason in `not_assessed`."""

    target: Candidate | None       # its values over all quantities, and what binds it
    needle: NeedleApproach | None
    catheter: CatheterReach | None
    catheter_values: Mapping[str, float]  # as the map has them; empty without a catheter
    doubt: PointDoubt | None
    not_assessed: tuple[str, ...]


def look_into(survey: Survey, target_lps: ArrayLike) -> Passage:
    """Everything of a puncture at a mid-surface point (3,) beyond what `evaluate_on` says of it."""
    approach = survey.approach
    why: list[str] = []
    marks = approach.landmarks_lps
    needle = None
    try:
        if not 0 < approach.sheath_angle_deg < 180:
            raise AnatomyNotFound(
                f"A sheath that turns by {approach.sheath_angle_deg:g} degrees does not turn to any side; give an "
                "angle between 0 and 180."
            )
        needle = needle_approach(
            target_lps, approach.fossa, marks["inferior_vena_cava"], superior_cava_lps=marks.get("superior_vena_cava"),
            right_atrium=approach.chambers.distance.get("right_atrium"), curve=curve_of(approach.sheath_angle_deg),
        )
        why += needle.not_assessed
    except AnatomyNotFound as problem:
        why.append(f"The needle's way to the septum is not assessed: {problem}")
    reached, values = None, {}
    if survey.way is None:
        reason = "The procedure names no catheter, and none was chosen."
        if approach.goal is None:
            reason = why_no_device_point(approach.procedure)
        why.append(f"The reach of a catheter is not assessed: {reason[0].lower()}{reason[1:]}")
    else:
        reached = survey.way.at(target_lps)
        values = {name: float(found[0]) for name, found in survey.way.over(np.asarray(target_lps)[None]).items()}
    doubt, place = None, None
    if survey.map is None:
        why.append("The map of the membrane is not assessed, because its rim was not seen.")
    else:
        place = as_candidates(survey.approach, survey.map, np.asarray(target_lps)[None], reach=over(survey.way))[0]
        if survey.response is None:
            why.append("How likely the limits are met is not assessed: no draws were asked for.")
        else:
            trial = survey.trial
            doubt = doubt_at(
                approach, target_lps, trial.doubts, draws=trial.draws, seed=trial.seed, response=survey.response,
                counting=survey.map.counting,
            )
    return Passage(place, needle, reached, values, doubt, tuple(why))


def with_catheter(site: PunctureSite, passage: Passage, approach: Approach) -> PunctureSite:
    """The site held against what is asked of the way on by what the catheter does, in place of the one arc, which bends
    once and in one plane; the same where no catheter was tried."""
    if passage.catheter is None:
        return site
    values, measured = passage.catheter_values, {} if passage.doubt is None else passage.doubt.measured
    checks, procedure = [c for c in site.checks if c.name not in OF_ONE_ARC], approach.procedure
    no_axis = "" if approach.goal is None else approach.goal.no_axis
    for name, quantity, unit, asked in (
        ("catheter_tilt", "axis_tilt", "deg", procedure.axis_tilt),
        ("catheter_offset", "tip_offset", "mm", procedure.tip_offset),
        ("catheter_room", "clearance", "mm", procedure.clearance),
    ):
        if asked is not None:
            value = values[quantity]
            known = measured.get(quantity)
            why_not = "The left atrium was not found, or the CT ends nearer than its wall."
            if quantity == "axis_tilt" and no_axis:
                why_not = no_axis
            checks.append(check(
                name, value if np.isfinite(value) else None, None if known is None else known.sd, unit, asked, why_not
            ))
    return replace(site, checks=tuple(checks))


def compare(survey: Survey, targets_lps: Sequence[ArrayLike]) -> tuple[Candidate, ...]:
    """The points given (3,), measured and worded as candidates are, in the order given; none without a map."""
    if survey.map is None or not len(targets_lps):
        return ()
    return as_candidates(survey.approach, survey.map, np.asarray(targets_lps), reach=over(survey.way))
