"""Runs of the planner over phantoms, two at a time, in an order that does not depend on which ends first."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from multiprocessing import get_context

import numpy as np
import septal_phantoms
from septal_phantoms.phantom import landmarks_of
from septal_phantoms.scans import scan_of

from septal_planner.errors import AnatomyNotFound, InputRefused
from septal_planner.inputs.landmarks import Landmarks
from septal_planner.pipeline import make_plan
from septal_planner.puncture.survey import Trial
from septal_planner.validation.comparison import EASY, EASY_BARS, HARD_BARS, compare, volume_of
from septal_planner.validation.drawn import drawn_with_interval
from septal_planner.validation.results import Coverage, PhantomResult, Row, Spread, Told, TrialCoverage, Trials
from septal_planner.validation.truths import told_with_interval

Progress = Callable[[str], None]

CASES: tuple[tuple[str, float | None], ...] = (
    *((name, None) for name in septal_phantoms.NAMES),
    ("normal", 35.0),
    ("rotated-heart", 35.0),
)
TRIAL_NOISE_MM = 1.0
WORKERS = 2


@dataclass(frozen=True)
class Job:
    """One phantom to be made and planned. `kind`: "bars" (a named phantom, then `seeds` again with observer noise),
    "random" (a random heart, exact points) or "trial" (image and points both vary)."""

    kind: str
    name: str
    phase_percent: float | None = None
    quick: bool = True
    seed: int = 0
    seeds: tuple[int, ...] = ()

    @property
    def title(self) -> str:
        if self.kind == "trial":
            return f"{self.name}, trial {self.seed}"
        return self.name if self.phase_percent is None else f"{self.name} at {self.phase_percent:g} %"


@dataclass(frozen=True)
class Outcome:
    """What one job found."""

    result: PhantomResult
    height_held: tuple[bool, ...] = ()
    refused: tuple[str, ...] = ()
    told: tuple[Told, ...] = ()


@dataclass(frozen=True)
class Validation:
    """All that one run found."""

    results: tuple[PhantomResult, ...]
    coverage: Coverage | None = None
    random: tuple[PhantomResult, ...] = ()
    spreads: tuple[Spread, ...] = ()
    trials: Trials | None = None
    quick: bool = field(default=False)

    @property
    def passed(self) -> bool:
        """Of the named phantoms and the height interval over them; random hearts and trials are told beside it."""
        return all(r.passed for r in self.results) and (self.coverage is None or self.coverage.passed)


def validate(
    *,
    quick: bool = False,
    seeds: int = 0,
    random: int = 0,
    trials: int = 0,
    cases: Iterable[tuple[str, float | None]] = CASES,
    workers: int = WORKERS,
    progress: Progress | None = None,
) -> Validation:
    """Plan each phantom, and `seeds` times more with 1 mm observer noise, in turn over the phantoms that can be
    measured; then `random` random hearts with exact points, and `trials` more plans in which image noise, observer
    noise of 1 mm and heart all vary."""
    cases = list(cases)
    able = [case for case in cases if not scan_of(*case)[0].impossible]
    noisy = {case: tuple(range(1 + number, 1 + seeds, len(able))) for number, case in enumerate(able)}
    jobs = [Job("bars", name, phase, quick, seeds=noisy.get((name, phase), ())) for name, phase in cases]
    jobs += [Job("random", f"random-{seed}", seed=seed) for seed in range(random)]
    jobs += trial_jobs(trials)
    outcomes = list(run_all(jobs, workers=workers, progress=progress))
    by_kind = {
        kind: [o for job, o in zip(jobs, outcomes, strict=True) if job.kind == kind]
        for kind in ("bars", "random", "trial")
    }
    coverage = None
    if seeds:
        held = [h for o in by_kind["bars"] for h in o.height_held]
        refused = tuple(r for o in by_kind["bars"] for r in o.refused)
        coverage = Coverage(TRIAL_NOISE_MM, len(held), sum(held), refused)
    drawn = tuple(o.result for o in by_kind["random"])
    return Validation(
        tuple(o.result for o in by_kind["bars"]),
        coverage,
        drawn,
        tuple(spreads_of(drawn)),
        trials_of([job for job in jobs if job.kind == "trial"], by_kind["trial"]) if trials else None,
        quick,
    )


def trial_jobs(trials: int) -> list[Job]:
    """Named phantoms that can be measured, in turn, and random hearts, one of each after the other."""
    named = [(name, phase) for name, phase in CASES if not scan_of(name, phase)[0].impossible]
    jobs = []
    for n in range(trials):
        if n % 2:
            jobs.append(Job("trial", f"random-{n // 2}", seed=n))
        else:
            name, phase = named[(n // 2) % len(named)]
            jobs.append(Job("trial", name, phase, seed=n))
    return jobs


def run_all(jobs: Sequence[Job], *, workers: int = WORKERS, progress: Progress | None = None) -> Iterator[Outcome]:
    """Outcomes in the order of the jobs; `workers` of them at a time, each in a process of its own with one thread."""
    say = progress or (lambda _text: None)
    if workers <= 1 or len(jobs) <= 1:
        for number, job in enumerate(jobs):
            say(f"Phantom {number + 1} of {len(jobs)}: {job.title}")
            yield run(job)
        return
    with ProcessPoolExecutor(workers, get_context("spawn"), initializer=_one_thread) as pool:
        for number, (job, outcome) in enumerate(zip(jobs, pool.map(run, jobs), strict=True)):
            say(f"Phantom {number + 1} of {len(jobs)}: {job.title}")
            yield outcome


def _one_thread() -> None:
    import SimpleITK as sitk

    sitk.ProcessObject.SetGlobalDefaultNumberOfThreads(1)


def run(job: Job) -> Outcome:
    """Make the phantom and plan it."""
    phantom = _made(job)
    noise = TRIAL_NOISE_MM if job.kind == "trial" else 0.0
    volume, truth = volume_of(phantom), phantom.truth
    may_refuse = next((truth.impossible[key] for key in ("whole", "fossa") if key in truth.impossible), None)
    start = time.monotonic()
    try:
        if job.kind == "trial":
            case = make_plan(volume, Landmarks(phantom.landmarks), landmark_sd_mm=noise, catheters={})
        else:
            case = make_plan(volume, Landmarks(phantom.landmarks), trial=Trial(draws=0), catheters={})
    except (AnatomyNotFound, InputRefused) as problem:
        seconds = time.monotonic() - start
        return Outcome(PhantomResult(job.title, seconds, (), str(problem), may_refuse))
    seconds = time.monotonic() - start
    if job.kind == "trial":
        told = (*told_with_interval(case, truth), *drawn_with_interval(case, truth))
        return Outcome(PhantomResult(job.title, seconds, ()), told=told)
    bars = EASY_BARS if job.name in EASY else HARD_BARS
    result = PhantomResult(job.title, seconds, tuple(compare(case, truth, bars)))
    held, refused = [], []
    for seed in job.seeds:
        try:
            held.append(_height_held(phantom, seed))
        except (AnatomyNotFound, InputRefused) as problem:
            held.append(False)
            refused.append(f"{job.title}, seed {seed}: {problem}")
    return Outcome(result, tuple(held), tuple(refused))


def _made(job: Job) -> septal_phantoms.Phantom:
    noise = TRIAL_NOISE_MM if job.kind == "trial" else 0.0
    if job.name.startswith("random-"):
        heart = int(job.name.removeprefix("random-"))
        return septal_phantoms.make_random(
            heart, quick=job.quick, landmark_noise_mm=noise, noise_seed=job.seed if job.kind == "trial" else None
        )
    return septal_phantoms.make(
        job.name, quick=job.quick, seed=job.seed, phase_percent=job.phase_percent, landmark_noise_mm=noise
    )


def _height_held(phantom: septal_phantoms.Phantom, seed: int) -> bool:
    truth = phantom.truth
    marked = landmarks_of(truth.heart, truth, seed, TRIAL_NOISE_MM)
    seen = {name: points for name, points in marked.items() if name in phantom.landmarks}
    case = make_plan(
        volume_of(phantom), Landmarks(seen), landmark_sd_mm=TRIAL_NOISE_MM, trial=Trial(draws=0), catheters={}
    )
    low, high = case.site.height_interval_95_mm
    return bool(low <= float(truth.height_mm(case.site.target_lps)[0]) <= high)


# ------------------------------------------------------------------------------------------------- over many phantoms


def spreads_of(results: Sequence[PhantomResult]) -> list[Spread]:
    """Median, 95th percentile and worst error of each measurement, in the order in which they are first seen. Where
    more is better the worst is the least, and the 95th percentile the fifth."""
    found: dict[str, list[tuple[Row, str]]] = {}
    for result in results:
        for row in result.rows:
            found.setdefault(row.name, []).append((row, result.phantom))
    out = []
    for name, rows in found.items():
        given = [(row.error, at) for row, at in rows if row.error is not None]
        first = rows[0][0]
        if not given:
            continue
        errors = np.array([error for error, _ in given])
        worst = int(np.argmin(errors) if first.at_least else np.argmax(errors))
        out.append(
            Spread(
                name,
                first.unit,
                hearts=len(rows),
                median=float(np.median(errors)),
                high=float(np.percentile(errors, 5 if first.at_least else 95)),
                worst=float(errors[worst]),
                worst_at=given[worst][1],
                not_assessed=len(rows) - len(given),
                bar=first.bar,
                beyond_bar=sum(1 for row, _ in rows if row.status == "not met"),
            )
        )
    return out


def trials_of(jobs: Sequence[Job], outcomes: Sequence[Outcome]) -> Trials:
    """Coverage of each measurement and of all together."""
    by_name: dict[str, list[tuple[Told, str]]] = {}
    by_kind: dict[str, list[tuple[Told, str]]] = {"named phantoms": [], "random hearts": []}
    for job, outcome in zip(jobs, outcomes, strict=True):
        kind = "random hearts" if job.name.startswith("random-") else "named phantoms"
        for told in outcome.told:
            by_name.setdefault(told.name, []).append((told, job.title))
            by_kind[kind].append((told, job.title))
    return Trials(
        len(jobs),
        TRIAL_NOISE_MM,
        tuple(_coverage(name, some) for name, some in by_name.items()),
        _coverage("all together", [one for some in by_name.values() for one in some]),
        tuple(_coverage(kind, some) for kind, some in by_kind.items() if some),
        tuple(
            f"{job.title}: {o.result.refused}"
            for job, o in zip(jobs, outcomes, strict=True)
            if o.result.refused is not None
        ),
    )


def _coverage(name: str, some: Sequence[tuple[Told, str]]) -> TrialCoverage:
    if not some:
        return TrialCoverage(name, 0, 0, 0.0, 0.0, "")
    off = np.array([abs(t.value - t.truth) / max(t.sd, 1e-9) for t, _ in some])
    worst = int(np.argmax(off))
    told, at = some[worst]
    where = f"{at}: {told.name} {told.value:.4g} +- {2 * told.sd:.3g}, truth {told.truth:.4g} {told.unit}"
    held = sum(t.held for t, _ in some)
    return TrialCoverage(name, len(some), held, float(np.sqrt(np.mean(off**2))), float(off[worst]), where)
