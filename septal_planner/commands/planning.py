"""Look at a CT, plan on it, print a plan again."""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from septal_planner.commands.telling import DONE, Progress, print_written
from septal_planner.errors import CallIsOff, InputRefused
from septal_planner.handing_on import write_plan_files
from septal_planner.inputs.landmarks import Landmarks, read_landmarks
from septal_planner.inputs.volume import Volume, read_volume
from septal_planner.other_phase import add_other_phase, check_other_landmarks, check_pair
from septal_planner.output_folder import staged
from septal_planner.pipeline import PlannedCase, make_plan
from septal_planner.plan import load_plan, plan_json_schema
from septal_planner.proposed_views import recommended
from septal_planner.puncture.catheters import load_catheters
from septal_planner.puncture.doubt_sources import Doubts
from septal_planner.puncture.procedures import UnknownProcedure, procedure
from septal_planner.puncture.survey import Trial
from septal_planner.puncture.target import LANDMARK_SD_MM
from septal_planner.registered import registration_json_schema
from septal_planner.report.pdf import write_pdf, write_quality
from septal_planner.report.picture_files import load_pictures
from septal_planner.summary import summary

# what is asked, what bends, what turns: data, to be edited to local practice
DEFAULTS = {
    "procedures": files("septal_planner.puncture").joinpath("procedures.toml"),
    "catheters": files("septal_planner.puncture").joinpath("catheters.toml"),
    "room": files("septal_planner.fluoroscopy").joinpath("carm_limits.toml"),
}
PLAN_FILES = ("plan.pdf", "quality.png", "plan.json", "labels.nii.gz", "pictures/")


def plan(arguments: argparse.Namespace) -> int:
    """The main job."""
    try:
        doubts = Doubts(
            arguments.needle_sd, arguments.tenting, arguments.tenting_sd, tuple(arguments.tenting_direction),
            arguments.beat_sd, arguments.beat_across_sd, arguments.breath_sd,
        )
    except ValueError as problem:
        raise CallIsOff(f"The doubts given do not fit: {problem}; correct them.") from problem
    say = Progress()
    catheters = load_catheters(arguments.catheters)
    try:
        wanted = procedure(arguments.procedure, path=arguments.procedures, catheters=catheters)
    except UnknownProcedure as problem:
        raise CallIsOff(str(problem)) from problem
    other = _other_ct(arguments)
    chosen = catheters.get(arguments.catheter or wanted.catheter or "")
    if chosen is None and arguments.catheter is not None:
        raise CallIsOff(
            f"There is no catheter named {arguments.catheter!r}; choose one of {', '.join(sorted(catheters))}."
        )
    targets = arguments.target or []
    with staged(arguments.out) as folder:
        case = plan_files(
            arguments.ct,
            arguments.landmarks,
            say,
            series=arguments.series,
            phase_percent=arguments.phase,
            other=other,
            procedure=wanted,
            target_lps=targets[0] if targets else None,
            compare_lps=targets if len(targets) > 1 else (),
            catheter=chosen,
            catheters=catheters,
            trial=Trial(arguments.draws, arguments.seed, doubts),
            sheath_angle_deg=arguments.sheath_angle,
            landmark_sd_mm=arguments.landmark_sd,
        )
        write_plan_files(
            case, folder, paper=arguments.paper, identity=arguments.with_identity, progress=say
        )
    if arguments.json:
        print((arguments.out / "plan.json").read_text("utf-8").rstrip())
        return DONE
    print(summary(case.plan))
    print_written(arguments.out, *PLAN_FILES)
    return DONE


def report(arguments: argparse.Namespace) -> int:
    """The PDF again, from the plan and the pictures beside it."""
    saved = load_plan(arguments.plan)
    pictures = load_pictures(arguments.plan.parent / "pictures", saved)
    with staged(arguments.out) as folder:
        views = recommended(saved)
        page = None if views is None else views[1]
        write_pdf(saved, pictures, folder / "plan.pdf", paper=arguments.paper, views=page)
        write_quality(saved, pictures, folder / "quality.png")
    for why in dict.fromkeys(pictures.not_shown.values()):
        print(why)
    print_written(arguments.out, "plan.pdf", "quality.png")
    return DONE


def defaults(arguments: argparse.Namespace) -> int:
    """The values that come with the program, as the file that a copy to be edited starts from."""
    print(DEFAULTS[arguments.of].read_text("utf-8").rstrip())
    return DONE


def schema(arguments: argparse.Namespace) -> int:
    """The JSON Schema of a plan or a registration."""
    found = plan_json_schema() if arguments.of == "plan" else registration_json_schema()
    print(json.dumps(found, indent=1))
    return DONE


def plan_files(
    ct: Path,
    landmarks: Path,
    say: Progress,
    *,
    series: str | None = None,
    phase_percent: float | None = None,
    other: OtherCt | None = None,
    landmark_sd_mm: float = LANDMARK_SD_MM,
    **how: Any,
) -> PlannedCase:
    """Read, plan as `make_plan` with all that it is told beside, and add a second phase."""
    marked = read_landmarks(landmarks)
    say("Reading the CT")
    volume = read_volume(ct, series_uid=series, phase_percent=phase_percent, progress=say)
    second = None if other is None else other.read(say)
    if second is not None:
        # before the minute that planning may take
        check_pair(volume, marked, *second)
        check_other_landmarks(second[1], second[0])
    case = make_plan(volume, marked, landmark_sd_mm=landmark_sd_mm, progress=say, **how)
    if second is None:
        return case
    return add_other_phase(case, *second, landmark_sd_mm=landmark_sd_mm, progress=say)


@dataclass(frozen=True)
class OtherCt:
    """Where a second phase is."""

    ct: Path
    landmarks: Path
    series: str | None
    phase_percent: float | None

    def read(self, say: Progress) -> tuple[Volume, Landmarks]:
        """Its CT and its points as they were marked."""
        marked = read_landmarks(self.landmarks)
        say("Reading the CT of the other phase")
        try:
            volume = read_volume(self.ct, series_uid=self.series, phase_percent=self.phase_percent, progress=say)
        except InputRefused as problem:  # the readers name the options of the plan's own CT
            said = str(problem).replace("--series", "--other-series").replace("--phase", "--other-phase")
            raise InputRefused(f"In the other phase: {said}") from problem
        return volume, marked


def _other_ct(arguments: argparse.Namespace) -> OtherCt | None:
    """What the call says of a second phase; half of it is a slip."""
    given = (arguments.other_ct, arguments.other_landmarks)
    if all(path is not None for path in given):
        return OtherCt(*given, arguments.other_series, arguments.other_phase)
    if any(x is not None for x in (*given, arguments.other_series, arguments.other_phase)):
        lacking = "--other-ct" if arguments.other_ct is None else "--other-landmarks"
        raise CallIsOff(
            f"A second phase needs its CT and its own landmarks, but {lacking} is missing; give both --other-ct and "
            "--other-landmarks, or leave out every --other option."
        )
    return None
