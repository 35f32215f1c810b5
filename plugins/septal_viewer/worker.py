"""The process that computes beside the window: it takes one job after another and knows no window itself."""

from __future__ import annotations

import os
import queue
import signal
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from multiprocessing.shared_memory import SharedMemory
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from septal_planner.errors import AnatomyNotFound, InputRefused
from septal_planner.handing_on import write_plan_files
from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.preview import middle_slices
from septal_planner.inputs.series_summary import SeriesSummary, list_series
from septal_planner.inputs.volume import Volume, read_volume
from septal_planner.output_folder import abandon, staged
from septal_planner.pipeline import FoundAnatomy, PlannedCase, approach_of, find_anatomy, plan_found, site_at
from septal_planner.puncture.catheters import SteerableCatheter, steerable_catheter
from septal_planner.puncture.passage import Passage, look_into
from septal_planner.puncture.procedures import procedure as procedure_named
from septal_planner.puncture.survey import Survey, chosen_site, look_over, tried, with_shares
from septal_planner.puncture.target import PunctureSite
from septal_viewer.parcels import (
    Held,
    answer_for_nothing,
    as_sentence,
    fill,
    open_as_guest,
    pack,
    receive,
    send,
    unpack,
)
from septal_viewer.surveys import Aim, FoundWithSurvey, Surveyed
from septal_viewer.table_jobs import TABLE_JOBS

Say = Callable[[str], None]

BETWEEN_LINES_S = 0.1  # of progress lines that differ only after a colon


@dataclass(frozen=True)
class ListedSeries:
    """One series to choose from. `thumbnail` (rows, columns), HU of its middle slice, or None where it does not
    decode."""

    summary: SeriesSummary
    thumbnail: NDArray[np.generic] | None
    pixel_mm: tuple[float, float] | None  # rows, columns


@dataclass(frozen=True)
class PhantomCase:
    """An invented heart with its landmarks."""

    name: str
    volume: Volume
    landmarks: Landmarks


@dataclass(frozen=True)
class HandedOn:
    """A plan on disk: the case it is of, and the files written."""

    case: PlannedCase
    paths: tuple[Path, ...]


def list_job(say: Say, path: str) -> tuple[ListedSeries, ...]:
    """Every series under a path with a thumbnail."""
    summaries = list_series(path, progress=say)
    say("Drawing the thumbnails")
    pictures = middle_slices(path)
    return tuple(ListedSeries(s, *pictures.get(s.selector, (None, None))) for s in summaries)


def open_job(say: Say, path: str) -> Volume | tuple[ListedSeries, ...]:
    """The CT under a path where it is clear which; otherwise every series, to choose from."""
    try:
        return read_volume(path, progress=say)
    except InputRefused:
        return list_job(say, path)


def read_job(say: Say, path: str, series_uid: str | None, phase_percent: float | None) -> Volume:
    """One CT."""
    return read_volume(path, series_uid=series_uid, phase_percent=phase_percent, progress=say)


def read_phases_job(say: Say, path: str, selectors: tuple[str, ...]) -> tuple[Volume, ...]:
    """Several CTs, in the order named."""
    return tuple(read_volume(path, series_uid=selector, progress=say) for selector in selectors)


def phantom_job(say: Say, name: str, quick: bool) -> PhantomCase:
    """An invented heart as its DICOM files and landmarks.json would give it."""
    import septal_phantoms
    from septal_phantoms.dicom import frame_of_reference_uid, series_instance_uid

    from septal_planner.validation import volume_of

    say(f"Making the phantom {name} (an invented patient)")
    made = septal_phantoms.make(
        name, quick=quick, progress=lambda done: say(f"Making the phantom {name}: {100 * done:.0f} %")
    )
    frame = frame_of_reference_uid(made)
    volume = replace(
        volume_of(made), series_instance_uid=series_instance_uid(made), frame_of_reference_uid=frame
    )
    points = {n: np.array(np.round(p, 6).tolist()) for n, p in made.landmarks.items()}  # as its file has them
    return PhantomCase(name, volume, Landmarks(points, frame, source=f"phantom {name}"))


def find_job(say: Say, volume: Volume, landmarks: Landmarks, aim: Aim) -> FoundWithSurvey:
    """Chambers, annuli and fossa, and where the procedure at hand would cross."""
    found = find_anatomy(volume, landmarks, progress=say)
    try:
        return FoundWithSurvey(found, aim, survey_job(say, found, None, aim))
    except AnatomyNotFound as problem:
        return FoundWithSurvey(found, aim, None, str(problem))


def survey_job(say: Say, found: FoundAnatomy, before: Surveyed | None, aim: Aim) -> Surveyed:
    """The map of the membrane and the choice on it, without a trial, so that there is a target soon."""
    del before
    say("Looking the membrane over: every limit, and where the catheter reaches")
    survey = look_over(approach_of(found, procedure_named(aim.procedure)), catheter=_catheter(aim))
    if survey.way is not None:
        survey.way.lattice  # noqa: B018 (made here, or the window would make it at the first site it looks at)
    return Surveyed(survey, spare_over(survey))


def trial_job(say: Say, found: FoundAnatomy, before: Surveyed | None, aim: Aim) -> Surveyed:
    """How likely each limit is met over the membrane."""
    before = before or survey_job(say, found, None, aim)
    say("Trying the doubt: how likely each limit is met over the membrane")
    return replace(before, survey=tried(before.survey))


def shares_job(say: Say, found: FoundAnatomy, before: Surveyed | None, aim: Aim) -> Surveyed:
    """Of how much of the membrane each catheter reaches."""
    before = before or survey_job(say, found, None, aim)
    say("Trying the other catheters")
    return replace(before, survey=with_shares(before.survey))


def passage_job(say: Say, found: FoundAnatomy, before: Surveyed | None, aim: Aim) -> Passage:
    """All of one place to cross: the ways to it and on, and how likely each limit is met there."""
    before = before or survey_job(say, found, None, aim)
    say("Trying the doubt at this place")
    return look_into(before.survey, _site(found, before.survey, aim).target_lps)


def plan_job(
    say: Say, volume: Volume, found: FoundAnatomy, aim: Aim, surveyed: Surveyed | None
) -> PlannedCase:
    """The whole plan at a target, or at the computed one, on the survey there is, completed where it is not whole."""
    if surveyed is None or not surveyed.tried:
        surveyed = trial_job(say, found, surveyed, aim)
    if not surveyed.whole:
        surveyed = shares_job(say, found, surveyed, aim)
    return plan_found(
        volume, found, procedure=aim.procedure, target_lps=aim.target, survey=surveyed.survey, progress=say
    )


def hand_on_job(
    say: Say, volume: Volume, found: FoundAnatomy, aim: Aim, surveyed: Surveyed | None, folder: str, paper: str,
    identity: bool,
) -> HandedOn:  # fmt: skip
    """The plan's files in `folder`, all or none."""
    case = plan_job(say, volume, found, aim, surveyed)
    return HandedOn(case, write_into(case, Path(folder), paper=paper, identity=identity, say=say))


def spare_over(survey: Survey) -> NDArray[np.float64] | None:
    """What the catheter has to spare in its tightest limit at each point of the map (n,), in tolerances of that limit,
    negative out of reach: tilt, offset from the device point, and clearance, where it is assessed."""
    if survey.map is None or survey.way is None:
        return None
    reach = survey.way.reach_map(survey.map.points_lps)
    limits = reach.limits
    of = limits.tolerances or (limits.tilt_deg, limits.offset_mm, limits.clearance_mm)
    spare = (reach.spare_tilt_deg, reach.spare_offset_mm, reach.spare_clearance_mm)
    return np.asarray(np.fmin.reduce([each / tolerance for each, tolerance in zip(spare, of, strict=True)]))


def _catheter(aim: Aim) -> SteerableCatheter | None:
    return steerable_catheter(aim.catheter) if aim.catheter else None


def _site(found: FoundAnatomy, survey: Survey, aim: Aim) -> PunctureSite:
    if aim.target is None:
        return chosen_site(survey)
    return site_at(found, survey.approach.procedure, aim.target, approach=survey.approach)


def write_into(
    case: PlannedCase, folder: Path, *, paper: str, identity: bool = False, say: Say | None = None
) -> tuple[Path, ...]:
    """The files of a plan in `folder`, all or none; their paths. Raises InputRefused."""
    with staged(folder) as fresh:
        write_plan_files(case, fresh, paper=paper, identity=identity, progress=say)
        names = sorted(p.relative_to(fresh) for p in fresh.rglob("*") if p.is_file())
    return tuple(folder / name for name in names)


# what `Step.kind` names, each given the anatomy, what was surveyed before, and the aim
STEPS: dict[str, Callable[[Say, FoundAnatomy, Surveyed | None, Aim], Surveyed | Passage]] = {
    "survey": survey_job,
    "trial": trial_job,
    "shares": shares_job,
    "passage": passage_job,
}
JOBS: dict[str, Callable[..., Any]] = {
    **STEPS,
    "open": open_job,
    "list": list_job,
    "read": read_job,
    "read_phases": read_phases_job,
    "phantom": phantom_job,
    "find": find_job,
    "plan": plan_job,
    "hand_on": hand_on_job,
    **TABLE_JOBS,
}


def serve() -> None:
    """Take jobs from standard input until it ends. What libraries print goes to standard error."""
    answer_for_nothing()
    _end_cleanly_when_terminated()
    incoming = os.fdopen(os.dup(0), "rb")
    outgoing = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    _Worker(outgoing, _listen(incoming)).run()


def _end_cleanly_when_terminated() -> None:
    """What ends the window ends this process too (see `_listen`), so that a closed terminal need not."""
    if hasattr(signal, "SIGHUP"):
        signal.signal(signal.SIGHUP, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, lambda *_: _end())


def _end() -> None:
    """End at once, whatever is being computed, but undo first what is half written."""
    try:
        abandon()
    finally:
        os._exit(0)


def _listen(stream: IO[bytes]) -> queue.SimpleQueue[tuple[Any, ...]]:
    """Messages as they come; the process ends with the window's, whatever it is computing."""
    messages: queue.SimpleQueue[tuple[Any, ...]] = queue.SimpleQueue()

    def listen() -> None:
        try:
            while True:
                messages.put(receive(stream))
        except (EOFError, OSError):
            _end()

    threading.Thread(target=listen, daemon=True).start()
    return messages


class _Worker:
    def __init__(self, outgoing: IO[bytes], messages: queue.SimpleQueue[tuple[Any, ...]]) -> None:
        self._outgoing, self._messages = outgoing, messages
        self._held = Held()
        self._open: list[SharedMemory] = []  # under arrays that may still be in use
        self._last = ("", 0.0)

    def run(self) -> None:
        while True:
            message = self._messages.get()
            try:
                self._do(*message[1:])
            except BrokenPipeError:
                os._exit(0)

    def _do(self, name: str, text: bytes, sizes: tuple[int, ...], memory_name: str | None) -> None:
        memory = None
        if memory_name is not None:
            memory = open_as_guest(memory_name)
            self._open.append(memory)
        given = unpack(text, sizes, memory, self._held, keep=False)
        send(self._outgoing, ("taken",))
        self._held.keep(given)
        try:
            result = JOBS[name](self._say, *given)
        except BaseException as problem:
            send(self._outgoing, ("failed", *as_sentence(problem)))
        else:
            self._give(result)
        del given, memory
        self._close_unused()

    def _give(self, result: object) -> None:
        packed = pack(result, self._held)
        if packed.room:
            send(self._outgoing, ("need", packed.room))
            name = self._messages.get()[1]
            if name is None:
                packed = pack(result, self._held, beside=False)
            else:
                memory = open_as_guest(name)
                fill(packed, memory)
                memory.close()
        send(self._outgoing, ("done", packed.text, packed.sizes))
        self._held.keep(result)

    def _say(self, text: str) -> None:
        now = time.monotonic()
        step = text.partition(":")[0]
        if ":" in text and step == self._last[0] and now - self._last[1] < BETWEEN_LINES_S:
            return
        self._last = (step, now)
        send(self._outgoing, ("progress", text))

    def _close_unused(self) -> None:
        still = []
        for memory in self._open:
            try:
                memory.close()
            except BufferError:
                still.append(memory)
        self._open = still


if __name__ == "__main__":
    sys.exit("This file is started by the viewer; call septal-planner view instead.")
