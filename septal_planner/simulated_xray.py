"""Simulated fluoroscopy of a saved plan: find its CT, make sure it is the one planned on, project it, draw the plan."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import SimpleITK as sitk

from septal_planner.errors import CallIsOff, InputRefused
from septal_planner.fluoroscopy.carm import PRACTICAL_LIMITS_DEG, label, view
from septal_planner.fluoroscopy.detector import Response, grey_values, intensities
from septal_planner.fluoroscopy.drr import Attenuation, attenuation, line_integrals
from septal_planner.fluoroscopy.materials import as_fluoroscopy_sees
from septal_planner.fluoroscopy.projection import Projection
from septal_planner.inputs.volume import IMAGE_SUFFIXES, Volume, content_sha256, is_image_file, read_volume
from septal_planner.inputs.voxels import quiet_sitk
from septal_planner.output_folder import write_whole
from septal_planner.pipeline import SUPINE
from septal_planner.plan import Plan, load_plan
from septal_planner.report.xray_dicom import BITS, xa_frame
from septal_planner.report.xray_marks import XrayMark, plan_marks, scale_bar, silhouettes
from septal_planner.report.xray_picture import bit_plane, draw_frame

Progress = Callable[[str], None]

# what fluoroscopy rooms use for the heart: common practice, no source
SOURCE_DETECTOR_MM = 1100.0
SOURCE_ISOCENTER_MM = 750.0
FIELD_MM = 300.0
SIZE_PX = 1024
SUFFIXES = (".png", ".dcm")
BLANK_GREY = 150
PRINTED_LETTERS = 1.6
NOTICE = "Simulated from the CT, not an exposure. Planning aid, not a medical device."


CLEAN = Response()


@dataclass(frozen=True)
class Wanted:
    """What is to be seen, and how. `isocenter_lps` None: the target. `pixel_mm` None: a detector 300 mm wide."""

    primary_deg: float
    secondary_deg: float
    source_detector_mm: float = SOURCE_DETECTOR_MM
    source_isocenter_mm: float = SOURCE_ISOCENTER_MM
    size_px: int = SIZE_PX
    pixel_mm: float | None = None
    isocenter_lps: tuple[float, float, float] | None = None
    drawn: bool = True
    chambers: bool = False
    response: Response = CLEAN


def write_xray(
    plan_path: Path,
    out: Path,
    wanted: Wanted,
    *,
    ct: Path | None = None,
    series: str | None = None,
    without_ct: bool = False,
    progress: Progress | None = None,
) -> tuple[str, ...]:
    """Write a frame as .png, the plan drawn over it, or as .dcm, the plan in an overlay plane; sentences that whoever
    looks at it must know. Raises CallIsOff, InputRefused.
    """
    say = progress or (lambda _text: None)
    if out.suffix.lower() not in SUFFIXES:
        raise CallIsOff(f"The frame is written as .png or .dcm, but {out.name} ends otherwise; name it so.")
    if without_ct and (ct is not None or series is not None):
        raise CallIsOff("Both a CT and --without-ct were given; leave one of them out.")
    if without_ct and (out.suffix.lower() == ".dcm" or not wanted.drawn):
        raise CallIsOff("Without the CT there is nothing but the plan's curves: write them as .png, and not --plain.")
    plan = load_plan(plan_path)
    frame = frame_of(plan, wanted)
    marks = _marks(plan, plan_path, frame, wanted) if wanted.drawn else ()
    if without_ct:
        seen = None
    else:
        volume = find_ct(plan, plan_path, ct=ct, series=series, progress=say)
        say("Following the rays")
        water_mm = line_integrals(as_fluoroscopy_sees(attenuation(volume.hu, volume.lps_from_index)), frame)
        seen = intensities(water_mm, wanted.response, pixel_mm=frame.pixel_mm)
    said = notes(plan, frame)
    say(f"Writing {out.name}")
    if out.suffix.lower() == ".dcm":
        assert seen is not None  # refused above
        overlay = bit_plane(frame.size_px, marks, lines=_lines(plan, frame)) if wanted.drawn else None
        write_whole(out, xa_frame(grey_values(seen, wanted.response, bits=BITS), overlay, frame, plan))
        return said
    if seen is None:
        grey = np.full(frame.size_px[::-1], BLANK_GREY, dtype=np.uint16)
    else:
        grey = grey_values(seen, wanted.response)
    lines = [*_lines(plan, frame)[1:], NOTICE if seen is not None else "The plan's curves alone: no CT behind them."]
    banner = next((sentence for sentence in said if "supine" in sentence), "")
    write_whole(out, draw_frame(grey, marks, title=_lines(plan, frame)[0], lines=lines, banner=banner))
    return said


def printed_picture(plan: Plan, body: Attenuation, wanted: Wanted, *, step_mm: float) -> bytes:
    """PNG of one view with the plan drawn over it, to be printed small: each pixel drawn as four, lines and letters
    large, no outlines of the chambers; always by the plane sweep, so that the same plan gives the same bytes whether
    numba is installed or not.
    """
    frame = frame_of(plan, wanted)
    water_mm = line_integrals(body, frame, engine="simpleitk", step_mm=step_mm)
    grey = grey_values(intensities(water_mm, wanted.response, pixel_mm=frame.pixel_mm), wanted.response)
    fine = frame_of(plan, replace(wanted, size_px=2 * wanted.size_px, pixel_mm=frame.pixel_mm[1] / 2))
    drawn = np.kron(grey, np.ones((2, 2), dtype=grey.dtype))
    marks = (*plan_marks(plan, fine), scale_bar(fine))
    return draw_frame(drawn, marks, title=_lines(plan, frame)[0], letters=PRINTED_LETTERS)


def has_ct_beside(plan_path: Path) -> bool:
    """Whether a CT lies where `find_ct` looks for one."""
    return _beside(plan_path) is not None


def frame_of(plan: Plan, wanted: Wanted) -> Projection:
    """The frame's geometry; raises CallIsOff where there is none such."""
    pixel = FIELD_MM / wanted.size_px if wanted.pixel_mm is None else wanted.pixel_mm
    try:
        return Projection(
            wanted.primary_deg,
            wanted.secondary_deg,
            plan.puncture.target_mm if wanted.isocenter_lps is None else wanted.isocenter_lps,
            wanted.source_detector_mm,
            wanted.source_isocenter_mm,
            (pixel, pixel),
            (wanted.size_px, wanted.size_px),
        )
    except ValueError as problem:
        raise CallIsOff(f"This frame cannot be: {problem}; correct the angles, distances or pixels.") from problem


def find_ct(
    plan: Plan, plan_path: Path, *, ct: Path | None = None, series: str | None = None, progress: Progress | None = None
) -> Volume:
    """The CT the plan was made on: `ct`, or what lies beside the plan as `ct` (a folder) or `ct.nii.gz` and the like.
    Raises InputRefused where there is none, or its content is not what was planned on.
    """
    say = progress or (lambda _text: None)
    where = ct if ct is not None else _beside(plan_path)
    if where is None:
        raise InputRefused(
            f"The plan {plan_path} does not hold the CT, and beside it there is neither a folder ct nor an image file "
            f"ct{IMAGE_SUFFIXES[1]}; give the CT it was made on with --ct PATH, or ask for its curves alone with "
            "--without-ct."
        )
    say("Reading the CT")
    phase = None
    if not is_image_file(where):
        phase = plan.ct.phase_percent if series is None else None
        series = series or plan.ct.series_instance_uid
    volume = read_volume(where, series_uid=series, phase_percent=phase, progress=progress)
    say("Making sure that it is the CT planned on")
    if content_sha256(volume) != plan.ct.content_sha256:
        raise InputRefused(
            f"The CT {where} is not the one that the plan {plan_path} was made on (its voxels or their place differ), "
            "so that what is drawn would lie elsewhere; give the CT that was planned on, or plan on this one."
        )
    return volume


def notes(plan: Plan, frame: Projection) -> tuple[str, ...]:
    """Sentences that whoever looks at this frame must know."""
    said = []
    if plan.ct.patient_position is not None and plan.ct.patient_position not in SUPINE:
        said.append(
            f"Patient not supine in the CT ({plan.ct.patient_position}): on the table the heart will lie otherwise; no "
            "view is proposed."
        )
    if not view(frame.primary_deg, frame.secondary_deg).reachable:
        most, steepest = PRACTICAL_LIMITS_DEG
        said.append(
            "These angles are beyond what a C-arm usually reaches with a patient on the table "
            f"({most:g} and {steepest:g} degrees)."
        )
    return tuple(said)


def _beside(plan_path: Path) -> Path | None:
    folder = plan_path.parent
    candidates = [folder / "ct", *(folder / f"ct{suffix}" for suffix in IMAGE_SUFFIXES)]
    return next((path for path in candidates if path.exists()), None)


def _marks(plan: Plan, plan_path: Path, frame: Projection, wanted: Wanted) -> tuple[XrayMark, ...]:
    try:
        marks = plan_marks(plan, frame)
    except ValueError as problem:
        raise CallIsOff(f"This frame cannot be: {problem}; move the isocentre or the source.") from problem
    outlines: tuple[XrayMark, ...] = ()
    if wanted.chambers:
        file = None if plan.labels is None else plan_path.parent / plan.labels.file
        if file is None or not file.is_file():
            raise InputRefused(
                f"The outlines of the chambers need the label image of the plan {plan_path} beside it, and there is "
                "none; leave --chambers out or put it there."
            )
        try:
            with quiet_sitk():
                image: Any = sitk.ReadImage(str(file), sitk.sitkUInt8)
            outlines = silhouettes(sitk.GetArrayFromImage(image), plan, frame)
        except (RuntimeError, ValueError) as problem:
            said = " ".join(str(problem).split())
            raise InputRefused(
                f"The label image {file} cannot be used ({said}); leave --chambers out or plan again."
            ) from problem
    return (*outlines, *marks, scale_bar(frame))


def _lines(plan: Plan, frame: Projection) -> tuple[str, ...]:
    place = "isocentre at the target" if frame.isocenter_lps == plan.puncture.target_mm else "isocentre off the target"
    return (
        label(frame.primary_deg, frame.secondary_deg),
        f"SID {frame.source_detector_mm:g}, SOD {frame.source_isocenter_mm:g} mm; {place}",
    )
