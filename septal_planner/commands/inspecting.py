"""What a path holds, and what can be trusted in it."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from septal_planner.anatomy.opacification import Opacification, read_opacification
from septal_planner.commands.telling import DONE, Progress
from septal_planner.errors import CallIsOff
from septal_planner.inputs.landmark_checks import check_landmarks
from septal_planner.inputs.landmarks import read_landmarks
from septal_planner.inputs.series_summary import list_series
from septal_planner.inputs.volume import read_volume
from septal_planner.plan import contrast_as_read

KINDS = {"classic": "one file a slice", "enhanced": "enhanced multi-frame", "image file": "image file"}


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
