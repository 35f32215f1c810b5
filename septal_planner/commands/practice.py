"""Phantoms: written, planned as a demonstration, and all of them held against their truth."""

from __future__ import annotations

import argparse
import json
from contextlib import ExitStack
from pathlib import Path

import septal_phantoms

from septal_planner import validation
from septal_planner.commands.planning import PLAN_FILES, plan_files
from septal_planner.commands.telling import DONE, FAILED, Progress, print_written
from septal_planner.errors import CallIsOff
from septal_planner.handing_on import write_plan_files
from septal_planner.output_folder import staged
from septal_planner.summary import summary

DEMO_PROCEDURE = "edge-to-edge-functional"


def demo(arguments: argparse.Namespace) -> int:
    """Phantom CT as DICOM, read back, planned, printed."""
    say = Progress()
    with staged(arguments.out) as folder:
        say("Making a phantom CT (an invented patient)")
        made = make_phantom("normal", say, size="standard")
        write_phantom(made, folder, say)
        case = plan_files(folder / "ct", folder / "landmarks.json", say, procedure=DEMO_PROCEDURE)
        write_plan_files(case, folder, progress=say)
    print(summary(case.plan))
    true_height = float(made.truth.height_mm(case.site.target_lps)[0])
    print(f"\nTrue height of that point in the phantom: {true_height:.1f} mm.")
    print_written(arguments.out, *PLAN_FILES, "ct/", "landmarks.json", "truth.json")
    return DONE


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
        made = make_phantom(
            arguments.name,
            say,
            size=arguments.size,
            spacing_mm=arguments.spacing,
            seed=arguments.seed,
            noise_mm=arguments.noise,
            phase_percent=arguments.phase,
        )
        write_phantom(made, folder, say)
    size = " x ".join(str(n) for n in made.hu.shape[::-1])
    print(f"The phantom {made.name} (invented), {size} voxels, at {made.phase_percent:g} % of the RR interval.")
    print_written(arguments.out, "ct/", "landmarks.json", "truth.json")
    return DONE


def validate(arguments: argparse.Namespace) -> int:
    """Phantoms against truth; ends with status 1 where a named phantom of the standard size, or the height interval
    over them, misses its bar. Random hearts and trials are told, and change no status."""
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
        print_written(arguments.out, "validation.json", "validation.md")
    return DONE if document["passed"] or arguments.quick else FAILED


def make_phantom(
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


def write_phantom(made: septal_phantoms.Phantom, folder: Path, say: Progress) -> None:
    say("Writing its CT as DICOM")
    septal_phantoms.write_dicom(made, folder / "ct")
    septal_phantoms.write_landmarks(made, folder / "landmarks.json")
    septal_phantoms.write_truth(made, folder / "truth.json")
