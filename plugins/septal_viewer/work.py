"""Long steps beside the window: a second process does one at a time, and its news is fetched by a timer.

Nothing here needs a window. The process is started by name, not forked from the caller's main file, so that no
script, notebook or napari is run twice.
"""

from __future__ import annotations

import contextlib
import queue
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from multiprocessing.shared_memory import SharedMemory
from pathlib import Path
from typing import IO, Any

from septal_planner.handing_on import PAPER
from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.volume import Volume
from septal_planner.pipeline import FoundAnatomy
from septal_viewer.events import Cancelled, Done, Event, Failed, Progress, Refused
from septal_viewer.parcels import Held, as_sentence, fill, make_room, pack, receive, send, unpack
from septal_viewer.sampling import take_in
from septal_viewer.surveys import Aim, Step, Surveyed
from septal_viewer.table_jobs import TABLE_TITLES

__all__ = ["Cancelled", "Done", "Event", "Failed", "Progress", "Refused", "Work"]

# what is worked out unasked, and gives way to what is asked for
UNASKED = ("list", "survey", "trial", "shares", "passage", "plan", "simulate")
# what writes into a folder of the person's: it is asked to end, and undoes first what it has begun there
WRITING = ("hand_on", "write_registration")
UNDONE_WITHIN_S = 60.0  # a file on its way to a slow disk is waited for
LARGE_BYTES = 1_000_000
_START = "from septal_viewer.worker import serve; serve()"

TITLES = {
    "open": "opening the CT",
    "list": "looking for CT series",
    "read": "reading the CT",
    "read_phases": "reading the phases",
    "phantom": "making the phantom",
    "find": "finding the anatomy",
    "survey": "looking the membrane over",
    "trial": "trying the doubt",
    "shares": "trying the other catheters",
    "passage": "trying the doubt at the target",
    "plan": "planning",
    "hand_on": "writing the plan",
    **TABLE_TITLES,
}


class _Job:
    def __init__(self, name: str) -> None:
        self.name = name
        self.given_up = False


class Work:
    """One job at a time in a process beside. Every method returns at once; call `poll` often, `close` at the end.

    Each `start_...` returns whether the job was begun; where another runs, the reason comes as a `Refused` event.
    """

    def __init__(self, *, warm: bool = True) -> None:
        """`warm`: start the process now, so that the first job need not wait for it."""
        self._events: queue.SimpleQueue[tuple[_Job | None, Event]] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._job: _Job | None = None
        self._helper: _Helper | None = None
        self._closed = False
        if warm:
            self._in_thread(self._ready)

    # -------------------------------------------------------------------------------------------- jobs

    def start_open(self, path: Path | str) -> bool:
        """Done gives the Volume where it is clear which is meant, else tuple[ListedSeries, ...] to choose from."""
        return self._start("open", str(path))

    def start_list(self, path: Path | str) -> bool:
        """Done gives tuple[ListedSeries, ...]."""
        return self._start("list", str(path))

    def start_read(
        self, path: Path | str, *, series_uid: str | None = None, phase_percent: float | None = None
    ) -> bool:
        """Done gives the Volume. `series_uid` as ListedSeries.summary.selector."""
        return self._start("read", str(path), series_uid or None, phase_percent)

    def start_read_phases(self, path: Path | str, selectors: Sequence[str]) -> bool:
        """Done gives tuple[Volume, ...], the phases in the order named."""
        return self._start("read_phases", str(path), tuple(selectors))

    def start_phantom(self, name: str = "normal", *, quick: bool = True) -> bool:
        """Done gives a PhantomCase."""
        return self._start("phantom", name, quick)

    def start_find(self, volume: Volume, landmarks: Landmarks, aim: Aim) -> bool:
        """Done gives FoundWithSurvey, for `Session.take_found`."""
        return self._start("find", volume, landmarks, aim)

    def start_step(self, step: Step, found: FoundAnatomy, surveyed: Surveyed | None) -> bool:
        """One step of what `Session.next_step` tells, but the plan: Done gives Surveyed, or the Passage of a place."""
        return self._start(step.kind, found, surveyed, step.aim)

    def start_plan(self, volume: Volume, found: FoundAnatomy, aim: Aim, surveyed: Surveyed | None = None) -> bool:
        """Done gives the PlannedCase."""
        return self._start("plan", volume, found, aim, surveyed)

    def start_hand_on(
        self, volume: Volume, found: FoundAnatomy, aim: Aim, surveyed: Surveyed | None, folder: Path | str, *,
        paper: str = PAPER, identity: bool = False,
    ) -> bool:  # fmt: skip
        """Done gives HandedOn(case, paths)."""
        return self._start("hand_on", volume, found, aim, surveyed, str(folder), paper, identity)

    def start_job(self, name: str, *given: object) -> bool:
        """Any job of `worker.JOBS` by its name; Done gives what that job returns."""
        return self._start(name, *given)

    # ------------------------------------------------------------------------------------------- state

    @property
    def busy(self) -> bool:
        """Whether a job runs, or has ended without its end having been fetched."""
        return self._job is not None

    @property
    def job(self) -> str | None:
        """Name of the job that runs."""
        job = self._job
        return None if job is None else job.name

    @property
    def asked(self) -> bool:
        """Whether a job runs that was asked for, not only what is worked out unasked."""
        return self.job is not None and self.job not in UNASKED

    def make_way(self) -> None:
        """Give up what was begun unasked, for something that was asked for; no `Cancelled` comes of it."""
        if self.busy and not self.asked:
            self.cancel()
            self.poll()

    def poll(self) -> list[Event]:
        """What happened since the last call, in order."""
        news: list[Event] = []
        with contextlib.suppress(queue.Empty):
            while True:
                job, event = self._events.get_nowait()
                if isinstance(event, Refused):
                    news.append(event)
                elif job is self._job and job is not None:
                    news.append(event)
                    if not isinstance(event, Progress):
                        self._job = None
        return news

    def wait(self, timeout_s: float = 60.0) -> list[Event]:
        """All events until the job ends; for scripts and tests, a window polls. Raises TimeoutError."""
        news, end = self.poll(), time.monotonic() + timeout_s
        while self.busy:
            if time.monotonic() > end:
                raise TimeoutError(f"The job {self.job} did not end within {timeout_s:g} s.")
            time.sleep(0.01)
            news += self.poll()
        return news

    def cancel(self) -> bool:
        """Give up the running job at once; whether there was one. `Cancelled` comes with the next poll."""
        job = self._job
        if job is None or job.given_up:
            return False
        job.given_up = True
        self._events.put((job, Cancelled(job.name)))
        with self._lock:
            helper, self._helper = self._helper, None
        if helper is not None:
            helper.end(job.name in WRITING)
        self._in_thread(self._ready)
        return True

    def close(self) -> None:
        """End the process; nothing can be started any more."""
        self._closed = True
        job, self._job = self._job, None
        if job is not None:
            job.given_up = True
        with self._lock:
            helper, self._helper = self._helper, None
        if helper is not None:
            helper.end(job is not None and job.name in WRITING)

    # ------------------------------------------------------------------------------------------ inside

    def _start(self, name: str, *given: object) -> bool:
        running = self._job
        if running is not None or self._closed:
            doing = "the viewer is closing" if running is None else f"the viewer is still {TITLES[running.name]}"
            self._events.put(
                (None, Refused(name, f"This was not begun because {doing}; wait for it, or cancel it first."))
            )
            return False
        job = self._job = _Job(name)
        self._in_thread(lambda: self._run(job, given))
        return True

    def _in_thread(self, do: Any) -> None:
        threading.Thread(target=do, daemon=True, name="septal-viewer-work").start()

    def _ready(self) -> _Helper | None:
        """The process, started where none is there."""
        with self._lock:
            if self._closed:
                return None
            if self._helper is None or not self._helper.alive:
                with contextlib.suppress(OSError):
                    self._helper = _Helper()
            return self._helper

    def _run(self, job: _Job, given: tuple[object, ...]) -> None:
        helper = self._ready()
        if helper is None:
            end: Event = Failed(
                job.name,
                f"The process that computes could not be started with {sys.executable or 'no Python'}; check the "
                "installation, or use the console program.",
            )
        elif job.given_up:
            return
        else:
            try:
                end = helper.do(job.name, given, lambda text: self._events.put((job, Progress(job.name, text))))
                if isinstance(end, Done) and not job.given_up:
                    _take_in(end.result)
            except (EOFError, OSError):
                end = Failed(
                    job.name,
                    "The process that computes ended by itself, most often because memory ran out; nothing you marked "
                    "is lost, close other programs and try again.",
                    helper.last_words(),
                )
                self._bury(helper)
            except Exception as problem:
                end = Failed(job.name, *as_sentence(problem))
                self._bury(helper)
        if not job.given_up:
            self._events.put((job, end))


    def _bury(self, helper: _Helper) -> None:
        """End a process that failed; the next job gets another, even where this one is not quite gone."""
        with self._lock:
            if self._helper is helper:
                self._helper = None
        helper.kill()


def _take_in(result: object) -> None:
    """Make CTs that have come ready to be cut, here and not in the window, which would stand still meanwhile."""
    for one in result if isinstance(result, tuple) else (result,):
        volume = getattr(one, "volume", one)
        if isinstance(volume, Volume) and volume.hu.nbytes > LARGE_BYTES:
            take_in(volume.hu)


class _Helper:
    """The process, seen from the window's side; `do` blocks and runs in a thread of its own."""

    def __init__(self) -> None:
        self._held = Held()
        self._stderr: IO[bytes] = tempfile.TemporaryFile()  # noqa: SIM115 (closed with the process)
        hidden = getattr(subprocess, "CREATE_NO_WINDOW", 0)  # on Windows, or a console would flash up
        # -P: a file beside the CT must not be taken for a library
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-c", _START],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._stderr,
            creationflags=hidden,
        )

    @property
    def alive(self) -> bool:
        return self._process.poll() is None

    def do(self, name: str, given: tuple[object, ...], progress: Any) -> Event:
        """One job to its end. Raises EOFError or OSError where the process is gone."""
        into, out = self._process.stdin, self._process.stdout
        assert into is not None
        assert out is not None
        packed = pack(given, self._held)
        memory = make_room(packed.room) if packed.room else None
        if memory is None and packed.room:
            packed = pack(given, self._held, beside=False)
        try:
            if memory is not None:
                fill(packed, memory)
            send(into, ("job", name, packed.text, packed.sizes, None if memory is None else memory.name))
            message = receive(out)
        finally:
            _end(memory)  # the other side has opened it by now, and keeps it as long as it needs
        self._held.keep(given)
        del packed
        memory = None
        try:
            while True:
                message = receive(out)
                if message[0] == "progress":
                    progress(message[1])
                elif message[0] == "need":
                    memory = make_room(message[1])
                    send(into, ("room", None if memory is None else memory.name))
                elif message[0] == "failed":
                    return Failed(name, message[1], message[2])
                else:
                    result = unpack(message[1], message[2], memory, self._held, keep=True)
                    self._held.keep(result)
                    return Done(name, result)
        finally:
            _end(memory)

    def end(self, writing: bool) -> None:
        """End the process, at once or, where it is `writing`, when it has undone that. Returns at once."""
        if not writing:
            self.kill()
            return
        # a process that is asked hears the end of its input; so it does where the window goes before it
        threading.Thread(target=self._close, args=(self._process.stdin,), daemon=True).start()
        threading.Thread(target=self._bury, args=(UNDONE_WITHIN_S,), daemon=True).start()

    def kill(self) -> None:
        with contextlib.suppress(OSError):
            self._process.kill()
        threading.Thread(target=self._bury, daemon=True).start()

    @staticmethod
    def _close(stream: IO[bytes] | None) -> None:
        if stream is not None:
            with contextlib.suppress(OSError):
                stream.close()

    def _bury(self, within_s: float | None = None) -> None:
        try:
            self._process.wait(within_s)
        except subprocess.TimeoutExpired:
            self.kill()
            return
        for stream in (self._process.stdin, self._process.stdout):
            self._close(stream)
        self._stderr.close()

    def last_words(self) -> str:
        try:
            size = self._stderr.seek(0, 2)
            self._stderr.seek(max(0, size - 4000))
            return self._stderr.read().decode("utf-8", "replace")
        except (OSError, ValueError):
            return ""


def _end(memory: SharedMemory | None) -> None:
    if memory is not None:
        memory.close()
        with contextlib.suppress(FileNotFoundError):
            memory.unlink()
