"""The console program: parse, call, say what went wrong in one sentence. Imports that take time stay inside commands."""

from __future__ import annotations

import argparse
import os
import re
import signal
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

from septal_planner import __version__
from septal_planner.errors import AnatomyNotFound, InputRefused

if TYPE_CHECKING:
    from septal_phantoms import Phantom
    from septal_planner.pipeline import PlannedCase
    from septal_planner.plan import Plan

DONE, FAILED, CALL_IS_OFF, INPUT_REFUSED, ANATOMY_NOT_FOUND, INTERRUPTED = 0, 1, 2, 3, 4, 130
DEFAULT_PROCEDURE = "edge-to-edge-degenerative"
CAUTION = (
    "A planning aid, not a medical device: confirm every number with imaging at the table; local protocol and "
    "licensed practice come first."
)
EXITS = (
    "Exit status: 0 done; 2 the call's words are off; 3 an input cannot be read or is not fit, or the output folder "
    "cannot be written; 4 the anatomy could not be found or fails a plausibility check; 1 anything else; 130 stopped by Ctrl-C. "
    "Nothing is left half written."
)


class CallIsOff(Exception):
    """The words of the call do not fit together; one sentence."""


# ----------------------------------------------------------------------------------------------------- what it listens to


def build_parser() -> argparse.ArgumentParser:
    """Every command and option, each with its help."""
    parser = argparse.ArgumentParser(
        prog="septal-planner",
        description="Plan a transseptal puncture from a cardiac CT and landmarks, on paper. " + CAUTION,
        epilog=EXITS,
    )
    parser.add_argument("--version", action="version", version=f"septal-planner {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", dest="command", required=True)

    def add(name: str, run: Callable[[argparse.Namespace], int], text: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ". " + CAUTION)
        sub.set_defaults(run=run)
        # numbers such as -1e1 or -5. are values, not options
        sub._negative_number_matcher = re.compile(r"^-(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?$")
        return sub

    demo = add("demo", run_demo, "the whole job on a phantom made for it: CT as DICOM, landmarks, plan, printable PDF")
    demo.add_argument("--out", metavar="DIR", type=Path, default=Path("demo"), help="folder to write (default: demo)")

    inspect = add("inspect", run_inspect, "list every CT series under a path: geometry, phase, opacification, faults found")
    inspect.add_argument("path", metavar="PATH", type=Path, help="a folder, or one image file")
    _add_json(inspect)

    phantom = add("phantom", run_phantom, "write a phantom: CT as DICOM, landmarks.json and truth.json")
    phantom.add_argument("name", metavar="NAME", nargs="?", help="which phantom; --list names them")
    phantom.add_argument("--list", action="store_true", help="print the names and stop")
    phantom.add_argument("--out", metavar="DIR", type=Path, help="folder to write")
    phantom.add_argument("--seed", metavar="N", type=_whole, default=0, help="seed of every bit of noise (default: 0)")
    phantom.add_argument("--spacing", metavar="MM", type=_positive, help="voxel step (default: by size)")
    phantom.add_argument("--size", choices=("quick", "standard", "full"), default="standard",
                         help="quick: the heart at 1 mm; standard: the near thorax at 0.6 mm; full: 512x512x300 voxels (default: standard)")
    phantom.add_argument("--noise", metavar="MM", type=_not_negative, default=0.0,
                         help="standard deviation of observer noise on every landmark coordinate (default: 0)")

    plan = add("plan", run_plan, "plan a puncture: plan.json, plan.pdf, labels.nii.gz and pictures")
    plan.add_argument("ct", metavar="CT", type=Path, help="a DICOM folder, or a NIfTI, NRRD or MetaImage file")
    plan.add_argument("landmarks", metavar="LANDMARKS", type=Path, help="landmarks.json, LPS millimetres")
    plan.add_argument("--out", metavar="DIR", type=Path, required=True, help="folder to write")
    plan.add_argument("--procedure", metavar="NAME", default=DEFAULT_PROCEDURE,
                      help=f"what the puncture is for (default: {DEFAULT_PROCEDURE}; an unknown name prints the list)")
    plan.add_argument("--target", metavar=("X", "Y", "Z"), nargs=3, type=_finite,
                      help="your own puncture point, LPS millimetres, instead of a computed one")
    plan.add_argument("--series", metavar="UID", help="which series, where the folder holds more than one that would do")
    plan.add_argument("--sheath-angle", metavar="DEG", type=_angle, default=50.0,
                      help="turn of the sheath from the caval axis toward the septum, degrees (default: 50)")
    plan.add_argument("--landmark-sd", metavar="MM", type=_positive, default=1.0,
                      help="doubt of each landmark coordinate, one standard deviation (default: 1)")
    _add_paper(plan)
    plan.add_argument("--with-identity", action="store_true", help="print the patient's name, ID and birth date on the PDF")
    _add_json(plan)

    report = add("report", run_report, "write the printable plan again from a saved plan")
    report.add_argument("plan", metavar="PLAN", type=Path, help="a plan.json, with its pictures folder beside it")
    report.add_argument("--out", metavar="DIR", type=Path, required=True, help="folder to write")
    _add_paper(report)

    validate = add("validate", run_validate, "plan every phantom and report the error of each measurement against the truth")
    validate.add_argument("--out", metavar="DIR", type=Path, help="folder for validation.json and validation.md")
    validate.add_argument("--quick", action="store_true", help="small phantoms at 1 mm: a look, the bars are not promised there")
    validate.add_argument("--seeds", metavar="N", type=_whole, default=0,
                          help="also plan N times with 1 mm observer noise on all points and count how often the height "
                               "interval holds the truth (default: 0)")
    _add_json(validate)

    schema = add("schema", run_schema, "print the JSON Schema of plan.json")
    del schema
    return parser


def _add_json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print the result as JSON, for machines")


def _add_paper(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4", help="paper of the PDF (default: a4)")


def _finite(text: str) -> float:
    value = float(text)
    if not abs(value) < 1e6:
        raise argparse.ArgumentTypeError(f"{text} is not a position in millimetres")
    return value


def _positive(text: str) -> float:
    value = float(text)
    if not 0 < value < 1e6:
        raise argparse.ArgumentTypeError(f"{text} is not above zero")
    return value


def _not_negative(text: str) -> float:
    value = float(text)
    if not 0 <= value < 1e6:
        raise argparse.ArgumentTypeError(f"{text} is below zero or not a number")
    return value


def _angle(text: str) -> float:
    value = float(text)
    if not 0 <= value <= 180:
        raise argparse.ArgumentTypeError(f"{text} is not an angle from 0 to 180 degrees")
    return value


def _whole(text: str) -> int:
    value = int(text)
    if value < 0:
        raise argparse.ArgumentTypeError(f"{text} is below zero")
    return value


# ------------------------------------------------------------------------------------------------------------ what it says


class Progress:
    """One plain line on stderr as each step begins, with the seconds since the start; no terminal codes."""

    def __init__(self) -> None:
        self._start = time.monotonic()
        self._share = -1.0

    def __call__(self, text: str) -> None:
        print(f"[{time.monotonic() - self._start:5.1f} s] {text}", file=sys.stderr, flush=True)

    def share(self, text: str) -> Callable[[float], None]:
        """A listener for the share done (0 to 1) of a step, which speaks at each quarter."""
        last = [0]

        def listen(done: float) -> None:
            quarter = int(4 * done)
            if quarter > last[0]:
                last[0] = quarter
                self(f"{text}: {25 * quarter} %")

        return listen


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; the exit status. argparse itself exits with 2 where the call cannot be parsed."""
    try:
        _end_cleanly_when_terminated()
        arguments = build_parser().parse_args(argv)
        return int(arguments.run(arguments))
    except CallIsOff as problem:
        return _fail(CALL_IS_OFF, str(problem))
    except InputRefused as problem:
        return _fail(INPUT_REFUSED, str(problem))
    except AnatomyNotFound as problem:
        return _fail(ANATOMY_NOT_FOUND, str(problem))
    except KeyboardInterrupt:
        return _fail(INTERRUPTED, "Stopped before the end; nothing was left half written.")
    except BrokenPipeError:
        # the reader of our output has gone; keep Python from complaining once more at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FAILED
    except Exception as problem:
        if os.environ.get("SEPTAL_PLANNER_DEBUG") == "1":
            raise
        said = " ".join(str(problem).split()) or type(problem).__name__
        return _fail(
            FAILED,
            f"Something unforeseen went wrong ({type(problem).__name__}: {said}); run it again with "
            "SEPTAL_PLANNER_DEBUG=1 set to see where, and report that.",
        )


def _fail(status: int, sentence: str) -> int:
    if os.environ.get("SEPTAL_PLANNER_DEBUG") == "1" and sys.exc_info()[0] not in (None, KeyboardInterrupt):
        raise
    print(f"septal-planner: {sentence}", file=sys.stderr, flush=True)
    return status


def _end_cleanly_when_terminated() -> None:
    """Let SIGTERM end the program as Ctrl-C does, so that half-made folders are taken away."""

    def stop(_signal: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    try:
        signal.signal(signal.SIGTERM, stop)
    except ValueError:  # not the main thread: whoever called us handles signals
        return


# ------------------------------------------------------------------------------------------------------------ the commands


def run_demo(arguments: argparse.Namespace) -> int:
    """Phantom CT as DICOM, read back, planned, printed."""
    from septal_planner.output_folder import staged

    say = Progress()
    with staged(arguments.out) as folder:
        say("Making a phantom CT (an invented patient)")
        phantom = _make_phantom("normal", say, size="standard")
        _write_phantom(phantom, folder, say)
        case = _plan(folder / "ct", folder / "landmarks.json", say)
        pdf = _write_plan(case, folder, say, paper="a4", identity=False)
    del pdf
    print(summary(case.plan))
    site = case.plan.puncture
    true_height = float(phantom.truth.height_mm(site.target_mm)[0])
    print(f"True height of that point in the phantom: {true_height:.1f} mm.")
    _print_written(arguments.out, "plan.pdf", "plan.json", "labels.nii.gz", "pictures/", "ct/", "landmarks.json", "truth.json")
    return DONE


def run_plan(arguments: argparse.Namespace) -> int:
    """The main job."""
    from septal_planner.output_folder import staged
    from septal_planner.puncture.procedures import UnknownProcedure, procedure

    say = Progress()
    try:
        procedure(arguments.procedure)
    except UnknownProcedure as problem:
        raise CallIsOff(str(problem)) from problem
    with staged(arguments.out) as folder:
        case = _plan(
            arguments.ct, arguments.landmarks, say, procedure_name=arguments.procedure, target=arguments.target,
            series=arguments.series, sheath_angle_deg=arguments.sheath_angle, landmark_sd_mm=arguments.landmark_sd,
        )
        _write_plan(case, folder, say, paper=arguments.paper, identity=arguments.with_identity)
    if arguments.json:
        print((arguments.out / "plan.json").read_text("utf-8").rstrip())
        return DONE
    print(summary(case.plan))
    _print_written(arguments.out, "plan.pdf", "plan.json", "labels.nii.gz", "pictures/")
    return DONE


def run_inspect(arguments: argparse.Namespace) -> int:
    """What is there, and what of it could be planned on."""
    from septal_planner.inputs.series_summary import list_series

    found = list_series(arguments.path, progress=Progress())
    if arguments.json:
        import json

        print(json.dumps([series.as_json() for series in found], indent=1))
        return DONE
    for number, s in enumerate(found, 1):
        title = s.description or s.series_instance_uid or Path(s.folder).name
        print(f"{number}. {title} ({s.modality}, {s.slices} slices)" if s.slices else f"{number}. {title}")
        rows = [
            ("series", s.selector),
            ("size", None if s.size_ijk is None else " x ".join(map(str, s.size_ijk)) + " voxels"),
            ("spacing", None if s.spacing_mm is None else " x ".join(f"{x:.3g}" for x in s.spacing_mm) + " mm"),
            ("orientation", s.orientation if not s.tilt_deg else f"{s.orientation}, gantry tilted by {s.tilt_deg:g} degrees"),
            ("cardiac phase", "not recorded" if s.phase_percent is None else f"{s.phase_percent:g} % of the RR interval"),
            ("contrast agent", s.contrast_agent),
            ("opacification", None if s.opacification_hu is None else f"about {s.opacification_hu:.0f} HU in the brightest blood"),
            ("patient position", s.patient_position or "not recorded"),
        ]
        for name, value in rows:
            if value:
                print(f"   {name + ':':18}{value}")
        for note in s.notes:
            print(f"   {'note:':18}{note}")
        for fault in s.faults:
            print(f"   {'fault:':18}{fault}")
        print(f"   {'usable:':18}{'yes, as far as its headers tell' if s.usable else 'no'}")
    return DONE


def run_phantom(arguments: argparse.Namespace) -> int:
    """A phantom on disk, or the list of names."""
    import septal_phantoms

    if arguments.list:
        print("\n".join(septal_phantoms.NAMES))
        return DONE
    if arguments.name not in septal_phantoms.NAMES:
        asked = "Which phantom was not said" if arguments.name is None else f"There is no phantom named {arguments.name!r}"
        raise CallIsOff(f"{asked}; choose one of {', '.join(septal_phantoms.NAMES)}.")
    if arguments.out is None:
        raise CallIsOff("Where to write the phantom was not said; give a folder with --out DIR.")
    from septal_planner.output_folder import staged

    say = Progress()
    with staged(arguments.out) as folder:
        say(f"Making the phantom {arguments.name}")
        phantom = _make_phantom(
            arguments.name, say, size=arguments.size, spacing_mm=arguments.spacing, seed=arguments.seed, noise_mm=arguments.noise
        )
        _write_phantom(phantom, folder, say)
    size = " x ".join(str(n) for n in phantom.hu.shape[::-1])
    print(f"The phantom {phantom.name} (invented), {size} voxels, at {phantom.phase_percent:g} % of the RR interval.")
    _print_written(arguments.out, "ct/", "landmarks.json", "truth.json")
    return DONE


def run_report(arguments: argparse.Namespace) -> int:
    """The PDF again."""
    raise NotImplementedError


def run_validate(arguments: argparse.Namespace) -> int:
    """Phantoms against truth; ends with status 1 where a bar of the standard size is not met."""
    import json
    from contextlib import ExitStack

    from septal_planner import validation
    from septal_planner.output_folder import staged

    with ExitStack() as stack:
        folder = stack.enter_context(staged(arguments.out)) if arguments.out is not None else None
        results, coverage = validation.validate(quick=arguments.quick, seeds=arguments.seeds, progress=Progress())
        document = validation.as_document(results, coverage, quick=arguments.quick)
        if folder is not None:
            validation.write(document, folder)
    print(json.dumps(document, indent=1) if arguments.json else validation.as_markdown(document).rstrip())
    if not arguments.json and arguments.out is not None:
        _print_written(arguments.out, "validation.json", "validation.md")
    return DONE if document["passed"] or arguments.quick else FAILED


def run_schema(arguments: argparse.Namespace) -> int:
    """The JSON Schema of a plan."""
    import json

    from septal_planner.plan import Plan

    del arguments
    print(json.dumps(Plan.model_json_schema(), indent=1))
    return DONE


# --------------------------------------------------------------------------------------------------------------- the steps


def _make_phantom(
    name: str, say: Progress, *, size: str, spacing_mm: float | None = None, seed: int = 0, noise_mm: float = 0.0
) -> Phantom:
    import septal_phantoms

    try:
        return septal_phantoms.make(
            name, spacing_mm=spacing_mm, size=(512, 512, 300) if size == "full" else None, quick=size == "quick", seed=seed,
            landmark_noise_mm=noise_mm, progress=say.share("Making the phantom"),
        )
    except ValueError as problem:
        raise CallIsOff(str(problem)) from problem


def _write_phantom(phantom: Phantom, folder: Path, say: Progress) -> None:
    import septal_phantoms

    say("Writing its CT as DICOM")
    septal_phantoms.write_dicom(phantom, folder / "ct")
    septal_phantoms.write_landmarks(phantom, folder / "landmarks.json")
    septal_phantoms.write_truth(phantom, folder / "truth.json")


def _plan(
    ct: Path, landmarks: Path, say: Progress, *, procedure_name: str = DEFAULT_PROCEDURE, target: Sequence[float] | None = None,
    series: str | None = None, sheath_angle_deg: float = 50.0, landmark_sd_mm: float = 1.0,
) -> PlannedCase:
    from septal_planner.inputs.landmarks import read_landmarks
    from septal_planner.inputs.volume import read_volume
    from septal_planner.pipeline import make_plan

    marked = read_landmarks(landmarks)
    say("Reading the CT")
    volume = read_volume(ct, series_uid=series, progress=say)
    return make_plan(
        volume, marked, procedure=procedure_name, target_lps=target, sheath_angle_deg=sheath_angle_deg,
        landmark_sd_mm=landmark_sd_mm, progress=say,
    )


def _print_written(out: Path, *names: str) -> None:
    print(f"Written to {out}: {', '.join(names)}")
