"""What is open and what has been done with it, without any window: panels and canvases watch its signals.

Whatever is refused is said as one sentence by `said`, and then nothing has changed. The long steps are done elsewhere
(`work`): `ask_for_anatomy` and `ask_for_plan` give what they need, `take_...` their results.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike
from psygnal import Signal

from septal_planner.errors import AnatomyNotFound, InputRefused
from septal_planner.handing_on import PAPER
from septal_planner.inputs.landmarks import REQUIRED, Landmarks
from septal_planner.inputs.volume import Volume, content_sha256
from septal_planner.pipeline import (
    FoundAnatomy,
    PlannedCase,
    approach_of,
    find_anatomy,
    plan_found,
    site_at,
)
from septal_planner.plan import Plan, load_plan
from septal_planner.puncture.procedures import UnknownProcedure, load_procedures
from septal_planner.puncture.procedures import procedure as procedure_named
from septal_planner.puncture.survey import choose_on
from septal_planner.puncture.target import Approach, PunctureSite
from septal_viewer.guide import STEP, LandmarkState, states_of
from septal_viewer.marks import Marks, Point, point
from septal_viewer.opened import NO_CT, Opened
from septal_viewer.worker import FoundWithSites, HandedOn, write_into

MOST_CANDIDATES = 4
TARGET_DECIMALS = 3  # a micrometre; what is asked of the planner is then what can be read off a plan
NO_ANATOMY = "The anatomy has not been found yet; mark the needed landmarks and find it first."


@dataclass(frozen=True)
class PlanRequest:
    """What the planner is asked: the whole plan at the user's target, or at the computed one (None)."""

    volume: Volume
    found: FoundAnatomy
    procedure: str
    target_lps: Point | None
    revision: int


class Session(Opened):
    """One CT, its landmarks, what was found, and where to cross. Positions are LPS, mm."""

    anatomy_changed = Signal()
    site_changed = Signal()
    candidates_changed = Signal()
    work_changed = Signal(str)  # what is being done beside the window, empty: nothing

    def __init__(self) -> None:
        super().__init__()
        self.found: FoundAnatomy | None = None
        self.case: PlannedCase | None = None  # the whole plan at the present target, where it was made
        self.site: PunctureSite | None = None
        self.candidates: tuple[PunctureSite, ...] = ()
        self._kept: tuple[tuple[str, Point | None], ...] = ()  # procedure and target of each candidate
        self._found_from: Landmarks | None = None
        self._asked: tuple[Volume, Landmarks] | None = None
        self._approach: Approach | None = None
        self._computed: dict[str, PunctureSite] = {}  # the computed site of each procedure

    # ------------------------------------------------------------------------------------------- what is there

    @property
    def stale(self) -> bool:
        """Whether landmarks were changed since the anatomy was found."""
        return self.found is not None and not _same(self.landmarks(), self._found_from)

    def states(self) -> dict[str, LandmarkState]:
        """What is thought of each landmark."""
        return states_of(self.points_lps, self.volume, None if self.stale else self.found)

    # ------------------------------------------------------------------------------------------------- anatomy

    def ask_for_anatomy(self) -> tuple[Volume, Landmarks] | None:
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
        return self._asked

    def take_found(self, result: FoundAnatomy | FoundWithSites) -> bool:
        """What was found with what `ask_for_anatomy` gave; the target is then chosen, or kept if it was set by hand."""
        if self._asked is None or self._asked[0] is not self.volume:
            self._note("The anatomy that was found belongs to a CT that is no longer open; it was left aside.")
            return False
        self._found_from, self._asked, self.case = self._asked[1], None, None
        if isinstance(result, FoundWithSites):
            self.found, self._approach, self._computed = result.found, result.approach, dict(result.sites)
        else:
            self.found, self._approach, self._computed = result, None, {}
        self.anatomy_changed.emit()
        self._evaluate()
        self._evaluate_candidates()
        self.changed.emit()
        return True

    def find_now(self) -> bool:
        """Find the anatomy here, which takes long; a window lets `work` do it."""
        asked = self.ask_for_anatomy()
        if asked is None:
            return False
        try:
            return self.take_found(find_anatomy(*asked))
        except (InputRefused, AnatomyNotFound) as problem:
            return self._refuse(str(problem))

    # -------------------------------------------------------------------------------------------- where to cross

    def move_target(self, point_lps: ArrayLike, *, dragging: bool = False) -> bool:
        """Put the target on the membrane's mid-surface nearest to a point; everything said of it follows at once."""
        if self.found is None:
            return self._refuse(NO_ANATOMY)
        try:
            site = self._site_at(self.found, point(point_lps))
        except (InputRefused, AnatomyNotFound) as problem:
            return self._refuse(str(problem))
        except ValueError:
            return self._refuse("The target needs three finite numbers.")
        x, y, z = np.round(site.target_lps, TARGET_DECIMALS).tolist()
        if self._history.change(replace(self.marks, target=(x, y, z)), drag="target" if dragging else None):
            self._chosen = self._next()
            self.case = None
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

    def _choose(self, marks: Marks) -> bool:
        if not self._history.change(marks):
            return False
        self._chosen = self._next()
        self._evaluate()
        self.changed.emit()
        return True

    def keep_candidate(self) -> bool:
        """Set the present site aside, to be compared."""
        if self.site is None:
            return self._refuse(NO_ANATOMY)
        if len(self.candidates) >= MOST_CANDIDATES:
            return self._refuse(f"{MOST_CANDIDATES} sites are kept already; drop one of them first.")
        mark = (self.procedure, self.target_lps)
        if mark in self._kept:
            return self._refuse("This site is kept already.")
        self.candidates, self._kept = (*self.candidates, self.site), (*self._kept, mark)
        return self._candidates_are_other()

    def drop_candidate(self, index: int) -> bool:
        """Forget a kept site."""
        if not 0 <= index < len(self.candidates):
            return self._refuse(f"There is no kept site {index + 1}; there are {len(self.candidates)}.")
        self.candidates = self.candidates[:index] + self.candidates[index + 1 :]
        self._kept = self._kept[:index] + self._kept[index + 1 :]
        return self._candidates_are_other()

    def take_candidate(self, index: int) -> bool:
        """Go to a kept site, with its procedure."""
        if not 0 <= index < len(self._kept):
            return self._refuse(f"There is no kept site {index + 1}; there are {len(self.candidates)}.")
        name, target = self._kept[index]
        return self._choose(replace(self.marks, procedure=name, target=target))

    # -------------------------------------------------------------------------------------------------- handing on

    def ask_for_plan(self) -> PlanRequest | None:
        """What the whole plan is made from, or None after saying what lacks."""
        if self.volume is None:
            self._refuse(NO_CT)
        elif self.found is None:
            self._refuse(NO_ANATOMY)
        elif self.stale:
            self._refuse("Landmarks were changed after the anatomy was found; find the anatomy again first.")
        else:
            return PlanRequest(self.volume, self.found, self.procedure, self.target_lps, self._revision)
        return None

    def take_case(self, case: PlannedCase, request: PlanRequest) -> bool:
        """The whole plan as asked for; left aside where target, procedure or anatomy are other by now."""
        same = (request.found, request.procedure, request.target_lps)
        if self.found is not same[0] or (self.procedure, self.target_lps) != same[1:]:
            return False
        self.case, self.site = case, case.site
        self.site_changed.emit()
        return True

    def take_handed_on(self, done: HandedOn, request: PlanRequest) -> bool:
        """The plan is on disk: what was asked for is saved, what was changed since is not."""
        if request.volume is not self.volume:
            return False
        self.take_case(done.case, request)
        if not self.marks.incomplete():
            self._saved_marks = max(self._saved_marks, min(self._marked, request.revision))
        self._saved_choice = max(self._saved_choice, min(self._chosen, request.revision))
        self.changed.emit()
        return True

    def plan_now(self) -> PlannedCase | None:
        """The whole plan made here; a window lets `work` do it."""
        request = self.ask_for_plan()
        if request is None:
            return None
        try:
            case = plan_found(
                request.volume, request.found, procedure=request.procedure, target_lps=request.target_lps
            )
        except (InputRefused, AnatomyNotFound) as problem:
            self._refuse(str(problem))
            return None
        self.take_case(case, request)
        return case

    def save_plan(self, folder: Path | str, *, paper: str = PAPER, identity: bool = False) -> list[Path]:
        """The files of a plan, as the console writes them, all or none; their paths, or none after saying why. Takes
        seconds; a window lets `work` do it."""
        request = self.ask_for_plan()
        case = self.plan_now() if request is not None else None
        if request is None or case is None:
            return []
        try:
            paths = write_into(case, Path(folder), paper=paper, identity=identity)
        except InputRefused as problem:
            self._refuse(str(problem))
            return []
        self.take_handed_on(HandedOn(case, paths), request)
        return list(paths)

    def open_plan(self, path: Path | str) -> bool:
        """Landmarks, target and procedure of a saved plan, on the CT that is open; the anatomy is to be found anew."""
        if self.volume is None:
            return self._refuse(NO_CT)
        try:
            plan = load_plan(Path(path))
            self._check_same_ct(plan, str(path))
            self._check_belongs(plan.landmarks, plan.ct.frame_of_reference_uid, f"The landmarks of the plan {path}")
            known = plan.puncture.procedure in load_procedures()
        except InputRefused as problem:
            return self._refuse(str(problem))
        target = plan.puncture.target_mm if plan.puncture.target_source == "user" else None
        others = replace(
            self.marks, target=target, procedure=plan.puncture.procedure if known else self.procedure
        )
        if (others.target, others.procedure) != (self.target_lps, self.procedure):
            self._chosen = self._next()
        self._take_points(plan.landmarks, plan.ct.frame_of_reference_uid, others)
        self._saved_choice = self._chosen
        self._evaluate()
        if not known:
            self._note(
                f"The plan is for the procedure {plan.puncture.procedure!r}, which is not known here; "
                f"{self.procedure} is kept, choose another where that is not meant."
            )
        self.changed.emit()
        return True

    # ------------------------------------------------------------------------------------------------ kept work

    def resume(self, marks: Marks, kept: Sequence[tuple[str, Point | None]] = (), frame_uid: str | None = None) -> bool:
        """Take up marks from an earlier session on the CT that is open; they count as not saved."""
        if self.volume is None:
            return self._refuse(NO_CT)
        try:
            self._check_belongs(marks.arrays(), frame_uid, "The kept work")
            known = marks.procedure in load_procedures()
        except InputRefused as problem:
            return self._refuse(str(problem))
        if not known:
            marks = replace(marks, procedure=self.procedure)
        before = self.marks
        self._history.change(marks)
        self._frame_uid = frame_uid
        self._kept = tuple(kept)[:MOST_CANDIDATES]
        self._marked = self._next()
        if self._kept or marks.target is not None:
            self._chosen = self._next()
        if before != marks:
            self.landmarks_changed.emit()
        self._evaluate()
        self._evaluate_candidates()
        self.changed.emit()
        return True

    @property
    def kept_sites(self) -> tuple[tuple[str, Point | None], ...]:
        """Procedure and target (None: computed) of each candidate."""
        return self._kept

    # --------------------------------------------------------------------------------------------------- inside

    def _check_same_ct(self, plan: Plan, path: str) -> None:
        assert self.volume is not None
        theirs, ours = plan.ct.series_instance_uid, self.volume.series_instance_uid
        if theirs and ours:
            same = theirs == ours and plan.ct.phase_percent == self.volume.phase_percent
        else:
            same = plan.ct.size == self.volume.size_ijk and plan.ct.content_sha256 == content_sha256(self.volume)
        if not same:
            raise InputRefused(
                f"The plan {path} was made on another CT than the one that is open ({theirs or 'no series UID'}, open "
                f"is {ours or 'no series UID'}); nothing was changed, open that CT first."
            )

    def _reset(self) -> None:
        self.found = self.case = self.site = self._approach = self._found_from = self._asked = None
        self._kept, self.candidates = (), ()
        for signal in (self.anatomy_changed, self.site_changed, self.candidates_changed):
            signal.emit()

    def _choice_went(self) -> None:
        self._evaluate()

    def _site_at(self, found: FoundAnatomy, target: Point | None, name: str | None = None) -> PunctureSite:
        name = name or self.procedure
        if target is None and name in self._computed:
            return self._computed[name]
        wanted = procedure_named(name)
        if self._approach is None:
            self._approach = approach_of(found, wanted)
        elif self._approach.procedure != wanted:
            self._approach = self._approach.for_procedure(wanted)
        if target is None:
            return self._computed.setdefault(name, choose_on(self._approach))
        return site_at(found, wanted, target, approach=self._approach)

    def _evaluate(self) -> None:
        """The site for the marks there are; a target off the septum found is said, and computed instead."""
        self.case, self.site = None, None
        if self.found is not None:
            try:
                self.site = self._site_at(self.found, self.target_lps)
            except (InputRefused, AnatomyNotFound) as problem:
                self._refuse(str(problem))
                if self.target_lps is not None:
                    self._history.change(replace(self.marks, target=None))
                    try:
                        self.site = self._site_at(self.found, None)
                        self._note("The target is computed instead; undo brings the one set by hand back.")
                    except (InputRefused, AnatomyNotFound):
                        pass
        self.site_changed.emit()

    def _evaluate_candidates(self) -> None:
        """The kept sites anew on another anatomy; one that is no longer on the septum goes, and is said."""
        sites, kept = [], []
        for name, target in self._kept if self.found is not None else ():
            try:
                assert self.found is not None
                sites.append(self._site_at(self.found, target, name))
                kept.append((name, target))
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


def _same(one: Landmarks, other: Landmarks | None) -> bool:
    """The same points in the same order of names."""
    if other is None or list(one.points_lps) != list(other.points_lps):
        return False
    return all(np.array_equal(p, other.points_lps[n]) for n, p in one.points_lps.items())
