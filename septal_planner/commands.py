"""What each command of the console program does; each takes the parsed arguments and returns the exit status."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import septal_phantoms

from septal_planner import validation
from septal_planner.anatomy.opacification import Opacification, read_opacification
from septal_planner.errors import CallIsOff, InputRefused
from septal_planner.fluoroscopy.carm import label
from septal_planner.fluoroscopy.detector import Response
from septal_planner.fluoroscopy.limits import load_room
from septal_planner.handing_on import write_plan_files
from septal_planner.inputs.landmark_checks import check_landmarks
from septal_planner.inputs.landmarks import Landmarks, read_landmarks
from septal_planner.inputs.series_summary import list_series
from septal_planner.inputs.volume import Volume, read_volume
from septal_planner.other_phase import add_other_phase, check_other_landmarks, check_pair
from septal_planner.output_folder import staged
from septal_planner.pipeline import PlannedCase, make_plan
from septal_planner.plan import contrast_as_read, load_plan, plan_json_schema
from septal_planner.proposed_views import (
    check_suffix,
    chosen_frames,
    doubt_of_marks,
    propose,
    recommended,
    views_summary,
    write_chart,
)
from septal_planner.puncture.catheters import load_catheters
from septal_planner.puncture.doubt_sources import Doubts
from septal_planner.puncture.procedures import UnknownProcedure, procedure
from septal_planner.puncture.survey import Trial
from septal_planner.puncture.target import LANDMARK_SD_MM
from septal_planner.registered import registration_json_schema
from septal_planner.report.pdf import write_pdf, write_quality
from septal_planner.report.picture import Picture
from septal_planner.report.picture_files import load_pictures
from septal_planner.simulated_xray import Wanted, find_ct, write_xray
from septal_planner.summary import summary

DONE, FAILED = 0, 1
KINDS = {"classic": "one file a slice", "enhanced": "enhanced multi-frame", "image file": "image file"}
DEMO_PROCEDURE = "edge-to-edge-functional"
MOST_PIXELS = 4096
VIEWER_NEEDS = ("napari", "qtpy", "PySide6", "superqt", "vispy", "psygnal")
PLAN_FILES = ("plan.pdf", "quality.png", "plan.json", "labels.nii.gz", "pictures/")


class Progress:
    """One plain line on stderr as each step begins, with the seconds since the start; no terminal codes. Of lines that
    differ only after a colon ("slice 17 of 300") one a second is enough."""

    def __init__(self) -> None:
        self._start = time.monotonic()
        self._last = ("", 0.0)

    def __call__(self, text: str) -> None:
        now = time.monotonic()
        step = text.partition(":")[0]
        if ":" in text and step == self._last[0] and now - self._last[1] < 1.0:
            return
        self._last = (step, now)
        print(f"[{now - self._start:5.1f} s] {text}", file=sys.stderr, flush=True)

    def share(self, text: str) -> Callable[[float], None]:
        """A listener for the share done (0 to 1) of a step, which speaks at each quarter."""
        last = [0]

        def listen(done: float) -> None:
            quarter = int(4 * done)
            if quarter > last[0]:
                last[0] = quarter
                self(f"{text}: {25 * quarter} %")

        return listen


def demo(arguments: argparse.Namespace) -> int:
    """Phantom CT as DICOM, read back, planned, printed."""
    say = Progress()
    with staged(arguments.out) as folder:
        say("Making a phantom CT (an invented patient)")
        made = _make_phantom("normal", say, size="standard")
        _write_phantom(made, folder, say)
        case = _plan(folder / "ct", folder / "landmarks.json", say, procedure=DEMO_PROCEDURE)
        write_plan_files(case, folder, progress=say)
    print(summary(case.plan))
    true_height = float(made.truth.height_mm(case.site.target_lps)[0])
    print(f"\nTrue height of that point in the phantom: {true_height:.1f} mm.")
    _print_written(arguments.out, *PLAN_FILES, "ct/", "landmarks.json", "truth.json")
    return DONE


def plan(arguments: argparse.Namespace) -> int:
    """The main job."""
    say = Progress()
    try:
        wanted = procedure(arguments.procedure)
    except UnknownProcedure as problem:
        raise CallIsOff(str(problem)) from problem
    other = _other_ct(arguments)
    catheters = load_catheters(arguments.catheters)
    chosen = catheters.get(arguments.catheter or wanted.catheter or "")
    if chosen is None and arguments.catheter is not None:
        raise CallIsOff(
            f"There is no catheter named {arguments.catheter!r}; choose one of {', '.join(sorted(catheters))}."
        )
    try:
        doubts = Doubts(
            arguments.needle_sd, arguments.tenting, arguments.tenting_sd, tuple(arguments.tenting_direction),
            arguments.beat_sd, arguments.beat_across_sd, arguments.breath_sd,
        )
    except ValueError as problem:
        raise CallIsOff(f"The doubts given do not fit: {problem}; correct them.") from problem
    targets = arguments.target or []
    with staged(arguments.out) as folder:
        case = _plan(
            arguments.ct,
            arguments.landmarks,
            say,
            series=arguments.series,
            phase_percent=arguments.phase,
            other=other,
            procedure=arguments.procedure,
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
    _print_written(arguments.out, *PLAN_FILES)
    return DONE


def inspect(arguments: argparse.Namespace) -> int:
    """What is there, and what of it could be planned on."""
    if arguments.series is not None and arguments.landmarks is None:
        raise CallIsOff("A series was named but no landmarks; give them with --landmarks FILE, or leave --series out.")
    say = Progress()
    found = list_series(arguments.path, progress=say)
    contrast = None
    if arguments.landmarks is not None:
        marked = read_landmarks(arguments.landmarks)
        volume = read_volume(arguments.path, series_uid=arguments.series, progress=say)
        contrast = read_opacification(volume, check_landmarks(marked, volume))
    if arguments.json:
        series = [series.as_json() for series in found]
        read = None if contrast is None else contrast_as_read(contrast)
        print(json.dumps(series if read is None else {"series": series, "contrast": read}, indent=1))
        return DONE
    for number, s in enumerate(found, 1):
        title = s.description or s.series_instance_uid or Path(s.folder).name
        unit = "frames" if s.kind == "enhanced" else "slices"
        print(f"{number}. {title} ({s.modality}, {s.slices} {unit})" if s.slices else f"{number}. {title}")
        size = "" if s.size_ijk is None else " x ".join(map(str, s.size_ijk)) + " voxels"
        spacing = "" if s.spacing_mm is None else " x ".join(f"{x:.3g}" for x in s.spacing_mm) + " mm"
        tilted = f", gantry tilted by {s.tilt_deg:g} degrees" if s.tilt_deg else ""
        phase = "not clear" if any(note.startswith("The cardiac phase") for note in s.notes) else "not recorded"
        if s.phase_percent is not None:
            phase = f"{s.phase_percent:g} % of the RR interval, from {s.phase_source}"
        bright = "" if s.opacification_hu is None else f"about {s.opacification_hu:.0f} HU in the brightest blood"
        rows = [
            ("series", s.selector),
            ("kind", KINDS[s.kind]),
            ("size", size),
            ("spacing", spacing),
            ("orientation", s.orientation and s.orientation + tilted),
            ("cardiac phase", phase),
            ("contrast agent", s.contrast_agent),
            ("opacification", bright),
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
    if contrast is not None:
        print("\n" + contrast_summary(contrast))
    elif any(s.usable for s in found):
        print("\nA landmarks file (--landmarks FILE) gives the contrast of each chamber and across the septum.")
    return DONE


def contrast_summary(contrast: Opacification) -> str:
    """What the scan shows of the blood at its landmarks, as a small table and sentences."""
    lines = [f"{'Blood at the landmark':24}{'mean':>8}{'spread':>8}{'5 to 95 %':>15}{'noise':>8}   HU"]
    for name, b in contrast.blood.items():
        noise = "-" if b.noise_hu is None else f"{b.noise_hu:.0f}"
        span = f"{b.low_hu:.0f} to {b.high_hu:.0f}"
        title = name.replace("_", " ").capitalize()
        lines.append(f"{title:24}{b.mean_hu:8.0f}{b.spread_hu:8.0f}{span:>15}{noise:>8}")
    s = contrast.septum
    if s is not None:
        lines += [
            "",
            f"Across the septum at the fossa point: left {s.left_hu:.0f}, wall {s.wall_hu:.0f}, right {s.right_hu:.0f} "
            f"HU; contrast {s.contrast_left_hu:.0f} left, {s.contrast_right_hu:.0f} right, "
            f"{s.contrast_to_noise:.1f} times the noise",
        ]
    return "\n".join([*lines, "", *(f"  - {sentence}" for sentence in contrast.sentences)])


def phantom(arguments: argparse.Namespace) -> int:
    """A phantom on disk, or the list of names."""
    if arguments.list:
        print("\n".join(septal_phantoms.NAMES))
        return DONE
    if arguments.name not in septal_phantoms.NAMES:
        named = arguments.name is not None
        said = f"There is no phantom named {arguments.name!r}" if named else "Which phantom was not said"
        raise CallIsOff(f"{said}; choose one of {', '.join(septal_phantoms.NAMES)}.")
    if arguments.out is None:
        raise CallIsOff("Where to write the phantom was not said; give a folder with --out DIR.")
    say = Progress()
    with staged(arguments.out) as folder:
        say(f"Making the phantom {arguments.name}")
        made = _make_phantom(
            arguments.name,
            say,
            size=arguments.size,
            spacing_mm=arguments.spacing,
            seed=arguments.seed,
            noise_mm=arguments.noise,
            phase_percent=arguments.phase,
        )
        _write_phantom(made, folder, say)
    size = " x ".join(str(n) for n in made.hu.shape[::-1])
    print(f"The phantom {made.name} (invented), {size} voxels, at {made.phase_percent:g} % of the RR interval.")
    _print_written(arguments.out, "ct/", "landmarks.json", "truth.json")
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
    _print_written(arguments.out, "plan.pdf", "quality.png")
    return DONE


def xray(arguments: argparse.Namespace) -> int:
    """One simulated frame of a saved plan."""
    if not 16 <= arguments.size <= MOST_PIXELS:
        raise CallIsOff(f"A frame has 16 to {MOST_PIXELS} pixels a side, found --size {arguments.size}; give another.")
    wanted = Wanted(
        arguments.primary,
        arguments.secondary,
        source_detector_mm=arguments.sid,
        source_isocenter_mm=arguments.sod,
        size_px=arguments.size,
        pixel_mm=arguments.pixel,
        isocenter_lps=None if arguments.isocenter is None else tuple(arguments.isocenter),
        drawn=not arguments.plain,
        chambers=arguments.chambers,
        response=Response(
            blur_mm=arguments.blur,
            photons=arguments.photons,
            scatter_share=arguments.scatter,
            seed=arguments.seed,
        ),
    )
    said = write_xray(
        arguments.plan,
        arguments.out,
        wanted,
        ct=arguments.ct,
        series=arguments.series,
        without_ct=arguments.without_ct,
        progress=Progress(),
    )
    for sentence in said:
        print(sentence)
    print(f"Written: {arguments.out}, the simulated view {label(arguments.primary, arguments.secondary)}")
    return DONE


def views(arguments: argparse.Namespace) -> int:
    """Which angles to look from, as a table and a chart."""
    if arguments.out is not None:
        check_suffix(arguments.out)
    room = load_room(arguments.room)
    saved = load_plan(arguments.plan)
    doubt = doubt_of_marks(saved) if arguments.landmark_sd is None else arguments.landmark_sd
    planes, found = propose(saved, room, landmark_sd_mm=doubt)
    if arguments.out is not None:
        frames: tuple[Picture, ...] = ()
        if arguments.out.suffix.lower() == ".pdf":
            frames = chosen_frames(saved, arguments.plan, found, ct=arguments.ct, progress=Progress())
        write_chart(planes, room, found, arguments.out, frames=frames, paper=arguments.paper)
    print(views_summary(found))
    if arguments.out is not None:
        print(f"Written: {arguments.out}")
    return DONE


def register(arguments: argparse.Namespace) -> int:
    """CT onto X-ray frames, with the error to expect."""
    from septal_planner import registering, registration_files
    from septal_planner.fluoroscopy.reprojection import Noise

    say = Progress()
    asked = registering.Asked(
        noise=Noise(arguments.pick_sd, arguments.ct_sd),
        breathing_mm=arguments.breathing,
        heartbeat_mm=arguments.heartbeat,
        limit_mm=arguments.limit,
        cine=arguments.cine,
    )
    with staged(arguments.out) as folder:
        case = registering.register_files(arguments.plan, arguments.frame, asked=asked, progress=say)
        if arguments.images is not None:
            volume = find_ct(case.plan, arguments.plan, ct=arguments.images, progress=say)
            say("Comparing simulated and real frames")
            case = registration_files.with_picture_check(case, volume.hu, volume.lps_from_index)
        names = registration_files.write_registration(case, folder, cine=arguments.cine, progress=say)
    if arguments.json:
        print((arguments.out / "registration.json").read_text("utf-8").rstrip())
        return DONE
    print(registering.summary(case))
    _print_written(arguments.out, *names)
    return DONE


def validate(arguments: argparse.Namespace) -> int:
    """Phantoms against truth; ends with status 1 where a bar of the standard size is not met."""
    with ExitStack() as stack:
        folder = stack.enter_context(staged(arguments.out)) if arguments.out is not None else None
        found = validation.validate(
            quick=arguments.quick,
            seeds=arguments.seeds,
            random=arguments.random,
            trials=arguments.trials,
            progress=Progress(),
        )
        document = validation.as_document(found)
        if folder is not None:
            validation.write(document, folder)
    print(json.dumps(document, indent=1) if arguments.json else validation.as_markdown(document).rstrip())
    if not arguments.json and arguments.out is not None:
        _print_written(arguments.out, "validation.json", "validation.md")
    return DONE if document["passed"] or arguments.quick else FAILED


def view(arguments: argparse.Namespace) -> int:
    """The viewer's window, until it is closed. It comes with an extra of its own, not with the console program."""
    try:
        from septal_viewer.view import open_viewer

        open_viewer(arguments.ct, arguments.landmarks)
    except ImportError as problem:
        missing = (problem.name or "").partition(".")[0]
        if missing not in VIEWER_NEEDS and type(problem).__name__ != "QtBindingsNotFoundError":
            raise
        raise InputRefused(
            f"The viewer cannot start without napari and PySide6 ({problem}); install them with: "
            "pip install 'septal-planner[viewer]'."
        ) from problem
    return DONE


def schema(arguments: argparse.Namespace) -> int:
    """The JSON Schema of a plan or a registration."""
    found = plan_json_schema() if arguments.of == "plan" else registration_json_schema()
    print(json.dumps(found, indent=1))
    return DONE


# ------------------------------------------------------------------------------------------ the steps


def _make_phantom(
    name: str,
    say: Progress,
    *,
    size: str,
    spacing_mm: float | None = None,
    seed: int = 0,
    noise_mm: float = 0.0,
    phase_percent: float | None = None,
) -> septal_phantoms.Phantom:
    try:
        return septal_phantoms.make(
            name,
            spacing_mm=spacing_mm,
            size=(512, 512, 300) if size == "full" else None,
            quick=size == "quick",
            seed=seed,
            landmark_noise_mm=noise_mm,
            phase_percent=phase_percent,
            progress=say.share("Making the phantom"),
        )
    except ValueError as problem:
        raise CallIsOff(str(problem)) from problem


def _write_phantom(made: septal_phantoms.Phantom, folder: Path, say: Progress) -> None:
    say("Writing its CT as DICOM")
    septal_phantoms.write_dicom(made, folder / "ct")
    septal_phantoms.write_landmarks(made, folder / "landmarks.json")
    septal_phantoms.write_truth(made, folder / "truth.json")


def _plan(
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


def _print_written(out: Path, *names: str) -> None:
    print(f"Written to {out}: {', '.join(names)}")
