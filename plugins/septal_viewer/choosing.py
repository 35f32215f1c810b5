"""What was found in the CT that is open, and where to cross, without any window.

Nothing here surveys the membrane: what is lacking is told by `next_step`, done elsewhere (`work`), and taken in by
`take_surveyed` and `take_passage`. What is said of a single place costs little, and follows at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache

import numpy as np
from numpy.typing import ArrayLike
from psygnal import Signal

from septal_planner.errors import AnatomyNotFound, InputRefused
from septal_planner.inputs.landmarks import REQUIRED, Landmarks
from septal_planner.inputs.volume import Volume
from septal_planner.pipeline import FoundAnatomy, PlannedCase, site_at
from septal_planner.puncture.catheters import SteerableCatheter, load_catheters
from septal_planner.puncture.choice import Candidate
from septal_planner.puncture.passage import OF_ONE_ARC, Passage, compare, with_catheter
from septal_planner.puncture.procedures import UnknownProcedure
from septal_planner.puncture.procedures import procedure as procedure_named
from septal_planner.puncture.survey import Survey
from septal_planner.puncture.target import PunctureSite
from septal_viewer.guide import STEP, LandmarkState, states_of
from septal_viewer.marks import Marks, point
from septal_viewer.opened import NO_CT, Opened
from septal_viewer.surveys import Aim, FoundWithSurvey, Here, Step, Surveyed, Surveys

MOST_CANDIDATES = 4
TARGET_DECIMALS = 3  # a micrometre; what is asked of the planner is then what can be read off a plan
NO_ANATOMY = "The anatomy has not been found yet; mark the needed landmarks and find it first."
NO_SITE = "Where to cross is still being worked out for this procedure and catheter; wait for it."


class Choosing(Opened):
    """One CT, its landmarks, what was found, and where to cross. Positions are LPS, mm."""

    anatomy_changed = Signal()
    site_changed = Signal()
    survey_changed = Signal()  # what was worked out of the membrane
    candidates_changed = Signal()

    def __init__(self) -> None:
        super().__init__()
        self.found: FoundAnatomy | None = None
        self.case: PlannedCase | None = None  # the whole plan at the present target, where it was made
        self.site: PunctureSite | None = None
        self.here: Here | None = None  # as of the last `look_here`
        self.candidates: tuple[PunctureSite | None, ...] = ()  # None: its place is still being worked out
        self.surveys = Surveys()
        self.catheters: Mapping[str, SteerableCatheter] = load_catheters()
        self._kept: tuple[Aim, ...] = ()  # of each candidate
        self._heres: dict[Aim, Here] = {}  # of candidates as they were kept
        self._found_from: Landmarks | None = None
        self._asked: tuple[Volume, Landmarks] | None = None

    # ------------------------------------------------------------------------------------------- what is there

    @property
    def stale(self) -> bool:
        """Whether landmarks were changed since the anatomy was found."""
        return self.found is not None and not _same(self.landmarks(), self._found_from)

    def states(self) -> dict[str, LandmarkState]:
        """What is thought of each landmark."""
        return states_of(self.points_lps, self.volume, None if self.stale else self.found)

    @property
    def aim(self) -> Aim:
        """What is asked for now."""
        return Aim(self.procedure, self.marks.catheter or own_catheter(self.procedure), self.target_lps)

    @property
    def survey(self) -> Survey | None:
        """Of the procedure and catheter at hand, as far as it was worked out; None: not begun, or still in work."""
        there = self.surveys.of(self.aim)
        return None if there is None else there.survey

    @property
    def shown_site(self) -> PunctureSite | None:
        """The site held against what the catheter does at it, or did at the place just before, while it is moved."""
        site, here = self.site, self.here
        done = [] if here is None else [c for c in here.checked.checks if c.name.startswith("catheter_")]
        if site is None or not done:
            return site
        own = [c for c in site.checks if c.name not in OF_ONE_ARC and not c.name.startswith("catheter_")]
        return replace(site, checks=(*own, *done))

    @property
    def choices(self) -> tuple[Candidate, ...]:
        """The places that the program ranked for the procedure and catheter at hand, best first."""
        survey = self.survey
        return () if survey is None or survey.choice is None else survey.choice.candidates

    @property
    def pending(self) -> bool:
        """Whether the survey of the procedure and catheter at hand is still to come."""
        step = Step("survey", self.aim.anywhere)
        return self.found is not None and self.survey is None and not self.surveys.gave_up(step)

    @property
    def kept_sites(self) -> tuple[Aim, ...]:
        """What each candidate was kept for."""
        return self._kept

    # ------------------------------------------------------------------------------------------------- anatomy

    def ask_for_anatomy(self) -> tuple[Volume, Landmarks, Aim] | None:
        """What the search for the anatomy is given (`Work.start_find(*asked)`), or None after saying what lacks."""
        if self.volume is None:
            self._refuse(NO_CT)
            return None
        given = self.landmarks()
        lacking = [STEP[n] for n in REQUIRED if n not in given.points_lps]
        if lacking:
            names = ", ".join(s.title if s.least == 1 else f"{s.title} ({s.least} points)" for s in lacking)
            self._refuse(f"For a plan these landmarks are still needed: {names}; mark them first.")
            return None
        short = self.marks.incomplete()
        if short:
            self._note(f"Left out, since they lack points: {', '.join(STEP[n].title for n in short)}.")
        self._asked = (self.volume, given)
        return self.volume, given, self.aim.anywhere

    def take_found(self, result: FoundAnatomy | FoundWithSurvey) -> bool:
        """What was found with what `ask_for_anatomy` gave; a target set by hand is kept, another is computed as soon as
        the membrane is surveyed."""
        if self._asked is None or self._asked[0] is not self.volume:
            self._note("The anatomy that was found belongs to a CT that is no longer open; it was left aside.")
            return False
        self._found_from, self._asked, self.case = self._asked[1], None, None
        self.surveys, self._heres = Surveys(), {}
        if isinstance(result, FoundWithSurvey):
            self.found = result.found
            if result.surveyed is not None:
                self.surveys.take(result.aim, result.surveyed)
            elif result.problem:
                self.surveys.give_up(Step("survey", result.aim.anywhere))
                self._refuse(result.problem)
        else:
            self.found = result
        self.anatomy_changed.emit()
        self._evaluate()
        self._evaluate_candidates()
        self.changed.emit()
        return True

    # ------------------------------------------------------------------------------------------------- the survey

    def next_step(self) -> Step | None:
        """What is to be worked out next, the target at hand first; None where nothing lacks, or what lacks was given
        up."""
        if self.found is None:
            return None
        step = self.surveys.lacking(self.aim, ("survey", "trial", "passage", "shares"))
        if step is not None:
            return step
        plan, there = Step("plan", self.aim), self.surveys.of(self.aim)
        whole = there is not None and there.whole and self.site is not None
        if whole and self.case is None and not self.stale and not self.surveys.gave_up(plan):
            return plan
        for aim in self._kept:
            step = self.surveys.lacking(aim, ("survey", "trial", "passage"))
            if step is not None:
                return step
        return None

    def take_surveyed(self, found: FoundAnatomy, aim: Aim, done: Surveyed) -> bool:
        """The membrane of an anatomy as far as it was surveyed for an aim; left aside where the anatomy is another."""
        if found is not self.found:
            return False
        self.surveys.take(aim, done)
        if self.site is None and aim.anywhere == self.aim.anywhere:
            self._evaluate()
        if None in self.candidates:
            self._evaluate_candidates()
        self.survey_changed.emit()
        return True

    def take_passage(self, found: FoundAnatomy, aim: Aim, passage: Passage) -> bool:
        """All of one place to cross; left aside where the anatomy is another."""
        if found is not self.found:
            return False
        self.surveys.take_passage(aim, passage)
        self.survey_changed.emit()
        return True

    def step_failed(self, step: Step, sentence: str) -> None:
        """What was to be worked out cannot be."""
        self.surveys.give_up(step)
        if sentence:
            self._refuse(sentence)
        self.survey_changed.emit()

    def look_here(self) -> Here | None:
        """Margins and catheter at the site as it is now: some hundredths of a second, so not at every move of the
        mouse."""
        site, there = self.site, self.surveys.of(self.aim)
        passage = self.surveys.passage(self.aim)
        if site is None:
            self.here = None
        elif passage is not None:
            self.here = _here(site, passage, there)
        elif there is None:
            self.here = Here(site, site, None, None, None)
        elif self.here is None or self.here.site is not site or (self.here.place is None and there.survey.map):
            survey = there.survey
            place = next(iter(compare(survey, [site.target_lps])), None)
            reach = None if survey.way is None else survey.way.at(site.target_lps)
            values = {} if place is None else place.values
            known = Passage(place, None, reach if values else None, values, None, ())
            self.here = replace(_here(site, known, there), reach=reach, passage=None)
        return self.here

    # -------------------------------------------------------------------------------------------- where to cross

    def here_of(self, aim: Aim) -> Here | None:
        """What is known of a kept site."""
        passage = self.surveys.passage(aim)
        site = next((s for s, a in zip(self.candidates, self._kept, strict=True) if a == aim), None)
        if passage is not None and site is not None:
            return _here(site, passage, self.surveys.of(aim))
        return self._heres.get(aim)

    def move_target(self, point_lps: ArrayLike, *, dragging: bool = False) -> bool:
        """Put the target on the membrane's mid-surface nearest to a point; its numbers follow at once."""
        if self.found is None:
            return self._refuse(NO_ANATOMY)
        try:
            site = self._site_at(self.found, replace(self.aim, target=point(point_lps)))
        except (InputRefused, AnatomyNotFound) as problem:
            return self._refuse(str(problem))
        except ValueError:
            return self._refuse("The target needs three finite numbers.")
        assert site is not None
        x, y, z = np.round(site.target_lps, TARGET_DECIMALS).tolist()
        if self._history.change(replace(self.marks, target=(x, y, z)), drag="target" if dragging else None):
            self._chosen = self._next()
            self.case = None
            self.surveys.try_again()
        self.site = site
        self.site_changed.emit()
        self.changed.emit()
        return True

    def choose_target(self) -> bool:
        """Let the target be computed again."""
        if self.found is None:
            return self._refuse(NO_ANATOMY)
        return self._choose(replace(self.marks, target=None))

    def set_procedure(self, name: str) -> bool:
        """Plan for another procedure: a target set by hand stays, a computed one is computed anew."""
        try:
            procedure_named(name)
        except (UnknownProcedure, InputRefused) as problem:
            return self._refuse(str(problem))
        return self._choose(replace(self.marks, procedure=name))

    def set_catheter(self, name: str) -> bool:
        """Plan with another catheter; the procedure's own, or an empty name, goes with the procedure from then on."""
        if name and name not in self.catheters:
            return self._refuse(f"There is no catheter named {name!r}; choose one of the list.")
        return self._choose(replace(self.marks, catheter="" if name == own_catheter(self.procedure) else name))

    def _choose(self, marks: Marks) -> bool:
        if not self._history.change(marks):
            return False
        self._chosen = self._next()
        self._choice_went()
        self.changed.emit()
        return True

    def _choice_went(self) -> None:
        self.surveys.try_again()
        self._evaluate()
        self.survey_changed.emit()

    # -------------------------------------------------------------------------------------------- kept to compare

    def keep_candidate(self) -> bool:
        """Set the present site aside, to be compared."""
        if self.site is None:
            return self._refuse(NO_SITE if self.pending else NO_ANATOMY)
        if len(self.candidates) >= MOST_CANDIDATES:
            return self._refuse(f"{MOST_CANDIDATES} sites are kept already; drop one of them first.")
        if self.aim in self._kept:
            return self._refuse("This site is kept already.")
        if self.here is not None and self.here.site is self.site:
            self._heres[self.aim] = self.here
        self.candidates, self._kept = (*self.candidates, self.site), (*self._kept, self.aim)
        return self._candidates_are_other()

    def drop_candidate(self, index: int) -> bool:
        """Forget a kept site."""
        if not 0 <= index < len(self.candidates):
            return self._refuse(f"There is no kept site {index + 1}; there are {len(self.candidates)}.")
        self.candidates = self.candidates[:index] + self.candidates[index + 1 :]
        self._kept = self._kept[:index] + self._kept[index + 1 :]
        return self._candidates_are_other()

    def take_candidate(self, index: int) -> bool:
        """Go to a kept site, with its procedure and catheter."""
        if not 0 <= index < len(self._kept):
            return self._refuse(f"There is no kept site {index + 1}; there are {len(self.candidates)}.")
        aim = self._kept[index]
        catheter = "" if aim.catheter == own_catheter(aim.procedure) else aim.catheter
        return self._choose(
            replace(self.marks, procedure=aim.procedure, catheter=catheter, target=aim.target)
        )

    def take_choice(self, index: int) -> bool:
        """Go to one of the places that the program ranked; the first is the computed target."""
        if not 0 <= index < len(self.choices):
            return self._refuse(f"There is no place {index + 1} among those ranked for this procedure.")
        if index == 0:
            return self.target_lps is None or self.choose_target()
        return self.move_target(self.choices[index].point_lps)

    # --------------------------------------------------------------------------------------------------- inside

    def _reset(self) -> None:
        self.found = self.case = self.site = self.here = self._found_from = self._asked = None
        self.surveys, self._heres = Surveys(), {}
        self._kept, self.candidates = (), ()
        for signal in (self.anatomy_changed, self.site_changed, self.survey_changed, self.candidates_changed):
            signal.emit()

    def _site_at(self, found: FoundAnatomy, aim: Aim) -> PunctureSite | None:
        """None: it is computed, and not yet."""
        if aim.target is None:
            return self.surveys.computed(aim)
        wanted = procedure_named(aim.procedure)
        return site_at(found, wanted, aim.target, approach=self.surveys.approach(found, aim))

    def _evaluate(self) -> None:
        """The site for the marks there are; a target off the septum found is said, and computed instead."""
        self.case, self.site = None, None
        if self.found is not None:
            try:
                self.site = self._site_at(self.found, self.aim)
            except (InputRefused, AnatomyNotFound) as problem:
                self._refuse(str(problem))
                if self.target_lps is not None:
                    self._history.change(replace(self.marks, target=None))
                    try:
                        self.site = self._site_at(self.found, self.aim)
                        self._note("The target is computed instead; undo brings the one set by hand back.")
                    except (InputRefused, AnatomyNotFound):
                        pass
        self.site_changed.emit()

    def _evaluate_candidates(self) -> None:
        """The kept sites anew on another anatomy; one that is no longer on the septum goes, and is said."""
        sites, kept = [], []
        for aim in self._kept if self.found is not None else ():
            try:
                assert self.found is not None
                sites.append(self._site_at(self.found, aim))
                kept.append(aim)
            except (InputRefused, AnatomyNotFound, UnknownProcedure) as problem:
                self._note(f"A kept site was dropped: {problem}")
        if self.found is not None:
            self._kept = tuple(kept)
        self.candidates = tuple(sites)
        self.candidates_changed.emit()

    def _candidates_are_other(self) -> bool:
        self._chosen = self._next()
        self.candidates_changed.emit()
        self.changed.emit()
        return True


@cache
def own_catheter(procedure: str) -> str:
    """Name of the catheter that a procedure is planned with unless another is chosen; empty where it has none."""
    return procedure_named(procedure).catheter or ""


def _here(site: PunctureSite, passage: Passage, done: Surveyed | None) -> Here:
    held = any(c.name.startswith("catheter_") for c in site.checks)  # as that of a plan is
    checked = site if done is None or held else with_catheter(site, passage, done.survey.approach)
    return Here(site, checked, passage.target, passage.catheter, passage)


def _same(one: Landmarks, other: Landmarks | None) -> bool:
    """The same points in the same order of names."""
    if other is None or list(one.points_lps) != list(other.points_lps):
        return False
    return all(np.array_equal(p, other.points_lps[n]) for n, p in one.points_lps.items())
