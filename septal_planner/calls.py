"""What the console program listens to: every command and option with its help, and why a call cannot be parsed."""

from __future__ import annotations

import argparse
import re
from pathlib import Path
from typing import NoReturn

from septal_planner import __version__
from septal_planner.call_numbers import (
    ANGLE_DEG,
    BLUR_MM,
    COMPONENT,
    DISTANCE_MM,
    DRAWS,
    LENGTH_MM,
    MOST_DRAWS,
    PERCENT,
    PHOTONS,
    PIXEL_MM,
    POSITION_MM,
    PRIMARY,
    RUNS,
    SD_MM,
    SECONDARY,
    SEED,
    SHARE,
    SPACING_MM,
    WHOLE,
)

CALL_IS_OFF = 2
DEFAULT_PROCEDURE = "edge-to-edge-degenerative"
SHEATH_ANGLE_DEG = 50.0
LANDMARK_SD_MM = 1.0
CAUTION = (
    "A planning aid, not a medical device: confirm every number with imaging at the table; local protocol and "
    "licensed practice come first."
)
EXITS = (
    "Exit status: 0 done; 2 the call's words are off; 3 an input cannot be read or is not fit, or the output "
    "folder cannot be written; 4 the anatomy could not be found or fails a plausibility check; 1 anything else; "
    "130 stopped by Ctrl-C. Nothing is left half written."
)


def build_parser() -> argparse.ArgumentParser:
    """Every command and option, each with its help."""
    parser = Parser(
        prog="septal-planner",
        description="Plan a transseptal puncture from a cardiac CT and landmarks, on paper. " + CAUTION,
        epilog=EXITS,
    )
    parser.add_argument("--version", action="version", version=f"septal-planner {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", dest="command", required=True)

    def add(name: str, text: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ". " + CAUTION)
        # numbers such as -1e1 or -5. are values, not options
        sub._negative_number_matcher = re.compile(r"^-(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?$")
        return sub

    demo = add("demo", "the whole job on a phantom made for it: CT as DICOM, landmarks, plan, printable PDF")
    demo.add_argument("--out", metavar="DIR", type=_path, default=Path("demo"), help="folder to write (default: demo)")

    inspect = add("inspect", "list every CT series under a path: geometry, phase, opacification, faults found")
    inspect.add_argument("path", metavar="PATH", type=_path, help="a folder, or one image file")
    inspect.add_argument(
        "--landmarks",
        metavar="FILE",
        type=_path,
        help="landmarks.json: also report the contrast in each chamber and across the septum, and what can be trusted",
    )
    inspect.add_argument(
        "--series", metavar="UID", help="with --landmarks: which series, where PATH holds more than one that would do"
    )
    _add_json(inspect)

    phantom = add("phantom", "write a phantom: CT as DICOM, landmarks.json and truth.json")
    phantom.add_argument("name", metavar="NAME", nargs="?", help="which phantom; --list names them")
    phantom.add_argument("--list", action="store_true", help="print the names and stop")
    phantom.add_argument("--out", metavar="DIR", type=_path, help="folder to write")
    phantom.add_argument("--seed", metavar="N", type=SEED, default=0, help="seed of every bit of noise (default: 0)")
    phantom.add_argument("--spacing", metavar="MM", type=SPACING_MM, help="voxel step (default: by size)")
    phantom.add_argument(
        "--size",
        choices=("quick", "standard", "full"),
        default="standard",
        help="quick: the heart at 1 mm; standard: the near thorax at 0.6 mm; full: 512x512x300 voxels "
        "(default: standard)",
    )
    phantom.add_argument(
        "--noise",
        metavar="MM",
        type=SD_MM,
        default=0.0,
        help="standard deviation of observer noise on every landmark coordinate (default: 0)",
    )
    phantom.add_argument(
        "--phase",
        metavar="PERCENT",
        type=PERCENT,
        help="phase of the RR interval, where the phantom has more than one (default: 70)",
    )

    plan = add("plan", "plan a puncture: plan.json, plan.pdf, labels.nii.gz and pictures")
    plan.add_argument("ct", metavar="CT", type=_path, help="a DICOM folder, or a NIfTI, NRRD or MetaImage file")
    plan.add_argument("landmarks", metavar="LANDMARKS", type=_path, help="landmarks.json, LPS millimetres")
    plan.add_argument("--out", metavar="DIR", type=_path, required=True, help="folder to write")
    plan.add_argument(
        "--procedure",
        metavar="NAME",
        default=DEFAULT_PROCEDURE,
        help=f"what the puncture is for (default: {DEFAULT_PROCEDURE}; an unknown name prints the list)",
    )
    plan.add_argument(
        "--target",
        metavar=("X", "Y", "Z"),
        nargs=3,
        type=POSITION_MM,
        action="append",
        help="your own puncture point, LPS millimetres, instead of a computed one; given several times, the first is "
        "planned and all are compared",
    )
    plan.add_argument(
        "--procedures", metavar="FILE", type=_path,
        help="your own procedures and what each asks, in a file like that of 'defaults procedures'",
    )
    plan.add_argument(
        "--catheter",
        metavar="NAME",
        help="which steerable catheter goes on from there (default: the procedure's; an unknown name prints the list)",
    )
    plan.add_argument(
        "--catheters", metavar="FILE", type=_path,
        help="your own catheters, in a file like that of 'defaults catheters'",
    )
    plan.add_argument(
        "--series", metavar="UID", help="which series, where the folder holds more than one that would do"
    )
    plan.add_argument(
        "--phase",
        metavar="PERCENT",
        type=PERCENT,
        help="which cardiac phase, %% of RR, where there are several; the nearest within 5 %% is taken",
    )
    plan.add_argument(
        "--sheath-angle",
        metavar="DEG",
        type=ANGLE_DEG,
        default=SHEATH_ANGLE_DEG,
        help="turn of the sheath from the caval axis toward the septum, degrees (default: 50)",
    )
    plan.add_argument(
        "--landmark-sd",
        metavar="MM",
        type=LENGTH_MM,
        default=LANDMARK_SD_MM,
        help="doubt of each landmark coordinate, one standard deviation (default: 1)",
    )
    doubt = plan.add_argument_group("how sure it is: draws of all that is not known before the puncture is made")
    doubt.add_argument(
        "--draws", metavar="N", type=DRAWS, default=2000,
        help=f"how many, up to {MOST_DRAWS}; 0 leaves the trial out (default: 2000)",
    )
    doubt.add_argument("--seed", metavar="N", type=SEED, default=0, help="seed of the draws (default: 0)")
    for option, default, what in (
        ("--needle-sd", 3.0, "where the needle lands against where it was aimed, along each axis, SD"),
        ("--tenting", 2.5, "how far the hole comes to lie from where the tip was set"),
        ("--tenting-sd", 1.25, "its SD"),
        ("--beat-sd", 2.3, "annulus against septum over the heartbeat, along the annular normal, SD"),
        ("--beat-across-sd", 1.0, "the same across it, SD"),
        ("--breath-sd", 1.0, "septum against the rest with breathing, along each axis, SD"),
    ):
        doubt.add_argument(
            option, metavar="MM", type=SD_MM, default=default, help=f"{what} (default: {default:g})"
        )
    doubt.add_argument(
        "--tenting-direction",
        metavar=("ANTERIOR", "SUPERIOR", "LEFT"),
        nargs=3,
        type=COMPONENT,
        default=(-0.6, -0.8, 0.0),
        help="where it is displaced to (default: -0.6 -0.8 0, back and down)",
    )
    other = plan.add_argument_group("a second phase of the same heart, to report the motion between the two")
    other.add_argument("--other-ct", metavar="CT2", type=_path, help="its CT; may be the same folder as CT")
    other.add_argument("--other-landmarks", metavar="LANDMARKS2", type=_path, help="the points, marked anew in it")
    other.add_argument(
        "--other-phase", metavar="PERCENT", type=PERCENT, help="which phase, where CT2 holds several; %% of RR"
    )
    other.add_argument("--other-series", metavar="UID", help="which series, where CT2 holds several")
    _add_paper(plan)
    plan.add_argument(
        "--with-identity", action="store_true", help="print the patient's name, ID and birth date on the PDF"
    )
    _add_json(plan)

    xray = add("xray", "simulated fluoroscopy at any angles with the plan drawn on it: a picture or a DICOM XA frame")
    xray.add_argument("plan", metavar="PLAN", type=_path, help="a plan.json")
    xray.add_argument("--primary", metavar="DEG", type=PRIMARY, required=True, help="LAO positive, RAO negative")
    xray.add_argument("--secondary", metavar="DEG", type=SECONDARY, required=True, help="cranial positive, else caudal")
    xray.add_argument("--out", metavar="FILE", type=_path, required=True, help=".png, or .dcm for an XA frame")
    xray.add_argument(
        "--ct", metavar="CT", type=_path, help="the CT planned on (default: ct, ct.nii.gz or the like beside PLAN)"
    )
    xray.add_argument("--series", metavar="UID", help="which series, where CT holds several")
    xray.add_argument("--without-ct", action="store_true", help="draw the plan's curves alone")
    xray.add_argument("--plain", action="store_true", help="draw nothing over the frame")
    xray.add_argument("--chambers", action="store_true", help="draw the outlines of the chambers too")
    xray.add_argument(
        "--sid", metavar="MM", type=DISTANCE_MM, default=1100.0, help="source to detector (default: 1100)"
    )
    xray.add_argument("--sod", metavar="MM", type=DISTANCE_MM, default=750.0, help="source to isocentre (default: 750)")
    xray.add_argument("--size", metavar="PX", type=WHOLE, default=1024, help="pixels a side (default: 1024)")
    xray.add_argument("--pixel", metavar="MM", type=PIXEL_MM, help="detector pixel (default: 300 mm over all pixels)")
    xray.add_argument(
        "--isocenter", metavar=("X", "Y", "Z"), nargs=3, type=POSITION_MM, help="LPS millimetres (default: the target)"
    )
    xray.add_argument("--blur", metavar="MM", type=BLUR_MM, default=0.0, help="detector blur, SD (default: 0)")
    xray.add_argument(
        "--photons", metavar="N", type=PHOTONS, help="of the bare beam in one pixel, for noise (default: no noise)"
    )
    xray.add_argument(
        "--scatter", metavar="SHARE", type=SHARE, default=0.0, help="scatter's share of all, up to 0.9 (default: 0)"
    )
    xray.add_argument("--seed", metavar="N", type=SEED, default=0, help="seed of the noise (default: 0)")

    views = add("views", "the C-arm views a plan proposes, with their doubt and the price of missing them, and a chart")
    views.add_argument("plan", metavar="PLAN", type=_path, help="a plan.json")
    views.add_argument("--out", metavar="FILE", type=_path, help="the chart of angles, .svg or .png, or a page, .pdf")
    views.add_argument(
        "--ct", metavar="CT", type=_path, help="the CT planned on, to show the chosen views on the page"
    )
    views.add_argument("--room", metavar="FILE", type=_path, help="limits of your C-arm (default: practice values)")
    views.add_argument(
        "--landmark-sd",
        metavar="MM",
        type=LENGTH_MM,
        help="doubt of each landmark coordinate, one standard deviation (default: as the plan was made)",
    )
    _add_paper(views)

    register = add("register", "lay the CT onto X-ray frames by points seen in both, and draw the plan on them")
    register.add_argument("plan", metavar="PLAN", type=_path, help="a plan.json")
    register.add_argument(
        "--frame",
        metavar=("XA", "POINTS"),
        nargs=2,
        type=_path,
        action="append",
        required=True,
        help="an X-ray run as DICOM XA, and the points file of one of its frames; once per frame",
    )
    register.add_argument("--out", metavar="DIR", type=_path, required=True, help="folder to write")
    register.add_argument(
        "--pick-sd",
        metavar="MM",
        type=LENGTH_MM,
        default=0.5,
        help="doubt of a point marked in a frame, at the isocentre, one standard deviation (default: 0.5)",
    )
    register.add_argument(
        "--ct-sd",
        metavar="MM",
        type=SD_MM,
        default=0.5,
        help="doubt of each coordinate of a point marked in the CT (default: 0.5)",
    )
    register.add_argument(
        "--breathing", metavar="MM", type=SD_MM, default=3.0, help="motion by breathing, RMS (default: 3)"
    )
    register.add_argument(
        "--heartbeat", metavar="MM", type=SD_MM, default=2.0, help="motion by heartbeat, RMS (default: 2)"
    )
    register.add_argument(
        "--limit", metavar="MM", type=LENGTH_MM, default=5.0, help="error above which a banner warns (default: 5)"
    )
    register.add_argument(
        "--images",
        metavar="CT",
        type=_path,
        help="the CT planned on: also say what the pictures alone, simulated against real, make of the registration",
    )
    register.add_argument("--cine", action="store_true", help="also draw on every frame of a run")
    _add_json(register)

    report = add("report", "write the printable plan again from a saved plan")
    report.add_argument("plan", metavar="PLAN", type=_path, help="a plan.json, with its pictures folder beside it")
    report.add_argument("--out", metavar="DIR", type=_path, required=True, help="folder to write")
    _add_paper(report)

    validate = add("validate", "plan every phantom and report the error of each measurement against the truth")
    validate.add_argument("--out", metavar="DIR", type=_path, help="folder for validation.json and validation.md")
    validate.add_argument(
        "--quick", action="store_true", help="small phantoms at 1 mm: a look, the bars are not promised there"
    )
    validate.add_argument(
        "--seeds",
        metavar="N",
        type=RUNS,
        default=0,
        help="also plan N times with 1 mm observer noise on all points and count how often the height interval "
        "holds the truth (default: 0)",
    )
    validate.add_argument(
        "--random",
        metavar="N",
        type=RUNS,
        default=0,
        help="also plan N random hearts and tell how the errors are spread (default: 0)",
    )
    validate.add_argument(
        "--trials",
        metavar="N",
        type=RUNS,
        default=0,
        help="also plan N times with other hearts, image noise and 1 mm observer noise, and count how often each 95 %% "
        "interval holds the truth (default: 0)",
    )
    _add_json(validate)

    view = add("view", "open the viewer: mark landmarks and a target on the CT, see every number follow, print it")
    view.add_argument("ct", metavar="CT", nargs="?", type=_path, help="a DICOM folder, or an image file")
    view.add_argument("landmarks", metavar="LANDMARKS", nargs="?", type=_path, help="landmarks.json, LPS millimetres")

    defaults = add("defaults", "print the values that come with the program, to be copied and edited to local practice")
    defaults.add_argument(
        "of", metavar="WHAT", choices=("procedures", "catheters", "room"),
        help="procedures (what each asks, for plan --procedures), catheters (for plan --catheters) or room (limits of "
        "the C-arm, for views --room)",
    )

    schema = add("schema", "print the JSON Schema of plan.json, or of registration.json")
    schema.add_argument(
        "of", metavar="FILE", nargs="?", choices=("plan", "registration"), default="plan",
        help="plan or registration (default: plan)",
    )
    return parser


def _add_json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print the result as JSON, for machines")


def _add_paper(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4", help="paper of the PDF (default: a4)")


def _path(text: str) -> Path:
    if not text.strip():  # a shell's variable that was not set would otherwise mean the folder one stands in
        raise argparse.ArgumentTypeError("the path is empty (this folder would be a dot)")
    return Path(text)


class Parser(argparse.ArgumentParser):
    """Says in one sentence, without the usage, why a call cannot be parsed."""

    def error(self, message: str) -> NoReturn:
        self.exit(CALL_IS_OFF, f"septal-planner: {on_one_line(message)}; `{self.prog} --help` says what goes.\n")


def on_one_line(text: str) -> str:
    """Names and texts of files may hold line breaks and control codes, which no terminal shall obey."""
    return "".join(c if c.isprintable() else "?" for c in " ".join(text.split()))
