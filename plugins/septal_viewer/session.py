"""What is open and what has been done with it, without any window: panels and canvases watch its signals.

Whatever is refused is said as one sentence by `said`, and then nothing has changed. The long steps are done elsewhere
(`work`): `ask_for_anatomy` and `ask_for_plan` give what they need, `next_step` tells what lacks, `take_...` their
results.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from psygnal import Signal

from septal_planner.errors import AnatomyNotFound, InputRefused
from septal_planner.handing_on import PAPER
from septal_planner.inputs.volume import Volume, content_sha256
from septal_planner.pipeline import FoundAnatomy, PlannedCase, find_anatomy
from septal_planner.plan import Plan, load_plan
from septal_planner.puncture.procedures import load_procedures
from septal_viewer.choosing import MOST_CANDIDATES, NO_ANATOMY, Choosing, own_catheter
from septal_viewer.marks import Marks
from septal_viewer.opened import NO_CT
from septal_viewer.surveys import Aim, Surveyed
from septal_viewer.worker import STEPS, HandedOn, plan_job, spare_over, write_into

__all__ = ["MOST_CANDIDATES", "NO_ANATOMY", "PlanRequest", "Session"]


@dataclass(frozen=True)
class PlanRequest:
    """What the planner is asked: the whole plan for an aim, with what was surveyed for it so far."""

    volume: Volume
    found: FoundAnatomy
    aim: Aim
    surveyed: Surveyed | None
    revision: int


class Session(Choosing):
    """One CT, its landmarks, what was found, where to cross, and the plan of it. Positions are LPS, mm."""

    work_changed = Signal(str)  # what is being done beside the window, empty: nothing

    # ----------------------------------------------------------------------- done here; a window lets `work` do it

    def find_now(self) -> bool:
        """Find the anatomy here, which takes long."""
        asked = self.ask_for_anatomy()
        if asked is None:
            return False
        try:
            return self.take_found(find_anatomy(*asked[:2]))
        except (InputRefused, AnatomyNotFound) as problem:
            return self._refuse(str(problem))

    def work_out_now(self, *, all_of_it: bool = False) -> bool:
        """Survey the membrane here for the procedure and catheter at hand; with `all_of_it` try the doubt and the other
        catheters too, and do the same for the kept sites. Whether there is a site then."""
        while (step := self.next_step()) is not None and step.kind != "plan":
            if step.kind != "survey" and not all_of_it:
                break
            assert self.found is not None
            try:
                done = STEPS[step.kind](lambda _text: None, self.found, self.surveys.of(step.aim), step.aim)
            except (InputRefused, AnatomyNotFound) as problem:
                self.step_failed(step, str(problem))
                continue
            if isinstance(done, Surveyed):
                self.take_surveyed(self.found, step.aim, done)
            else:
                self.take_passage(self.found, step.aim, done)
        return self.site is not None

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
            aim = self.aim
            return PlanRequest(self.volume, self.found, aim, self.surveys.of(aim), self._revision)
        return None

    def take_case(self, case: PlannedCase, request: PlanRequest) -> bool:
        """The whole plan as asked for; left aside where target, procedure or anatomy are other by now."""
        if self.found is not request.found or self.aim != request.aim:
            return False
        self.case, self.site = case, case.site
        self.surveys.take_passage(request.aim, case.passage)
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
        """The whole plan made here."""
        request = self.ask_for_plan()
        if request is None:
            return None
        try:
            case = plan_job(lambda _text: None, request.volume, request.found, request.aim, request.surveyed)
        except (InputRefused, AnatomyNotFound) as problem:
            self._refuse(str(problem))
            return None
        self.surveys.take(request.aim, Surveyed(case.survey, spare_over(case.survey)))
        self.take_case(case, request)
        return case

    def save_plan(self, folder: Path | str, *, paper: str = PAPER, identity: bool = False) -> list[Path]:
        """The files of a plan, as the console writes them, all or none; their paths, or none after saying why. Takes
        seconds."""
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
        name = plan.puncture.procedure if known else self.procedure
        catheter = (plan.crossing.catheter if plan.crossing is not None else None) or ""
        if catheter not in self.catheters or catheter == own_catheter(name):
            catheter = ""
        others = replace(self.marks, target=target, procedure=name, catheter=catheter)
        if others.choice != self.marks.choice:
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

    def resume(self, marks: Marks, kept: Sequence[Aim] = (), frame_uid: str | None = None) -> bool:
        """Take up marks from an earlier session on the CT that is open; they count as not saved."""
        if self.volume is None:
            return self._refuse(NO_CT)
        try:
            self._check_belongs(marks.arrays(), frame_uid, "The kept work")
            known = load_procedures()
        except InputRefused as problem:
            return self._refuse(str(problem))
        if marks.procedure not in known:
            marks = replace(marks, procedure=self.procedure)
        if marks.catheter not in self.catheters:
            marks = replace(marks, catheter="")
        before = self.marks
        self._history.change(marks)
        self._frame_uid = frame_uid
        self._kept = tuple(
            replace(aim, catheter=own_catheter(aim.procedure)) if not aim.catheter and aim.procedure in known else aim
            for aim in kept
        )[:MOST_CANDIDATES]
        self._marked = self._next()
        if self._kept or marks.target is not None:
            self._chosen = self._next()
        if before != marks:
            self.landmarks_changed.emit()
        self._evaluate()
        self._evaluate_candidates()
        self.changed.emit()
        return True

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
