"""What is worked out of one anatomy, for each procedure and catheter: the survey of the membrane in its stages, and the
passage through each place that was looked at. What is lacking is told as the next step, to be done beside the window.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from septal_planner.pipeline import FoundAnatomy, approach_of
from septal_planner.puncture.choice import Candidate
from septal_planner.puncture.passage import Passage
from septal_planner.puncture.procedures import procedure as procedure_named
from septal_planner.puncture.reach_solver import CatheterReach
from septal_planner.puncture.survey import Survey, chosen_site
from septal_planner.puncture.target import Approach, PunctureSite
from septal_viewer.marks import Point

Array = NDArray[np.float64]
Kind = Literal["survey", "trial", "shares", "passage", "plan"]


@dataclass(frozen=True)
class Aim:
    """For which procedure, with which catheter ("": none), where to cross (None: where it is computed)."""

    procedure: str
    catheter: str
    target: Point | None = None

    @property
    def anywhere(self) -> Aim:
        """Of the whole membrane."""
        return Aim(self.procedure, self.catheter)


@dataclass(frozen=True, eq=False)
class Surveyed:
    """A survey as far as it has been worked out. `spare` (n,): of the catheter in its tightest limit at each point of
    the map, in tolerances, negative out of reach; None without a map or a catheter's way."""

    survey: Survey
    spare: NDArray[np.float64] | None

    @property
    def tried(self) -> bool:
        """Whether the doubt has been tried, or there is no map to try it on."""
        return self.survey.map is None or self.survey.probability is not None

    @property
    def whole(self) -> bool:
        """Whether nothing more is to be worked out."""
        return self.tried and (self.survey.map is None or bool(self.survey.shares))


@dataclass(frozen=True)
class FoundWithSurvey:
    """The anatomy, and the membrane surveyed for the procedure at hand as far as a target needs it; None with the
    reason where that could not be done."""

    found: FoundAnatomy
    aim: Aim
    surveyed: Surveyed | None
    problem: str = ""


@dataclass(frozen=True, eq=False)
class Here:
    """What is said of one site beyond itself: its margins and what binds it, the way of the catheter on from it, and,
    once that was tried, how likely each limit is met. `checked`: the site held against what the catheter does."""

    site: PunctureSite
    checked: PunctureSite
    place: Candidate | None
    reach: CatheterReach | None
    passage: Passage | None


@dataclass(frozen=True)
class Step:
    """What is to be worked out next."""

    kind: Kind
    aim: Aim


class Surveys:
    """Of one anatomy; another anatomy begins anew."""

    def __init__(self) -> None:
        self._of: dict[Aim, Surveyed] = {}
        self._sites: dict[Aim, PunctureSite] = {}
        self._passages: dict[Aim, Passage] = {}
        self._approach: Approach | None = None
        self._given_up: set[Step] = set()

    def of(self, aim: Aim) -> Surveyed | None:
        """For the procedure and catheter of an aim."""
        return self._of.get(aim.anywhere)

    def passage(self, aim: Aim) -> Passage | None:
        """All of one place to cross, once it was worked out."""
        return self._passages.get(aim)

    def take(self, aim: Aim, done: Surveyed) -> None:
        """Keep what was worked out; less than there is already is left aside."""
        there = self.of(aim)
        if there is None or not there.whole:
            self._of[aim.anywhere] = done
            self._approach = self._approach or done.survey.approach

    def take_passage(self, aim: Aim, passage: Passage) -> None:
        """Keep what was worked out of one place."""
        self._passages[aim] = passage

    def computed(self, aim: Aim) -> PunctureSite | None:
        """Where the procedure would cross; None until the membrane was surveyed for it."""
        if aim.anywhere not in self._sites:
            there = self.of(aim)
            if there is None:
                return None
            self._sites[aim.anywhere] = chosen_site(there.survey)
        return self._sites[aim.anywhere]

    def approach(self, found: FoundAnatomy, aim: Aim) -> Approach:
        """What all punctures of this anatomy share. Raises AnatomyNotFound."""
        there = self.of(aim)
        if there is not None:
            return there.survey.approach
        wanted = procedure_named(aim.procedure)
        if self._approach is None:
            self._approach = approach_of(found, wanted)
        elif self._approach.procedure != wanted:
            self._approach = self._approach.for_procedure(wanted)
        return self._approach

    def give_up(self, step: Step) -> None:
        """Not to be begun again: it was stopped, or cannot be done."""
        self._given_up.add(step)

    def gave_up(self, step: Step) -> bool:
        return step in self._given_up

    def try_again(self) -> None:
        """What was given up may be begun again."""
        self._given_up.clear()

    def lacking(self, aim: Aim, kinds: Iterable[Kind]) -> Step | None:
        """The first of these kinds of work that is not done for an aim, nor given up; later stages need the earlier."""
        there = self.of(aim)
        for kind in kinds:
            if kind == "survey":
                done = there is not None
            elif kind == "passage":
                if there is None:
                    return None
                done = aim in self._passages or (there.survey.map is not None and not there.tried)
            elif there is None:
                return None
            else:
                done = there.tried if kind == "trial" else there.whole
            step = Step(kind, aim if kind == "passage" else aim.anywhere)
            if not done:
                if step in self._given_up:
                    if kind == "survey":
                        return None
                    continue
                return step
        return None
