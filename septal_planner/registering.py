"""From a saved plan, X-ray frames and points to a registration and its error, told in words and numbers.

The steps of `septal-planner register`, for whoever asks: the console program or the viewer. What is drawn and written
of it is in `registration_files`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from septal_planner import __version__
from septal_planner.errors import InputRefused
from septal_planner.fluoroscopy import open_doubts
from septal_planner.fluoroscopy import registration as reg
from septal_planner.fluoroscopy import target_error as tre
from septal_planner.fluoroscopy.pose import CameraPose
from septal_planner.fluoroscopy.reprojection import Noise, Sightings, sightings_of
from septal_planner.inputs.angiogram import Angiogram, read_angiogram
from septal_planner.inputs.frame_points import FramePoints, read_frame_points
from septal_planner.plan import Plan, load_plan, need_landmarks, plan_as_json
from septal_planner.registered import RegistrationFile
from septal_planner.tip_check import check_tip, labels_beside, tip_lines

Array = NDArray[np.float64]

# What the fossa moves while its drawing does not, RMS; edit to local practice with the options of the command
BREATHING_MM, HEARTBEAT_MM = 3.0, 2.0
# Wanted of guidance in the heart: within 5 mm (review, doi 10.1007/s11548-023-02998-9)
LIMIT_MM = 5.0
PRACTICE = "practice value, edit locally"
BREATHING_SOURCE = (
    "half of 6 mm: the diaphragm moves 10 to 15 mm in quiet breathing (from memory), the base of the heart 0.26 to 0.6 "
    "of that (Keegan et al., Magn Reson Med 2002;47; PMC4218740)"
)
HEARTBEAT_SOURCE = (
    "half of 4 mm: no series of the fossa itself was found; 2 to 5 mm expected, pulmonary vein mouths 0 to 4 "
    "(PMC5001956)"
)
# Error left in two dimensions where a catheter in the coronary sinus is followed: 1.99 +- 1.20 mm
FOLLOWED_MM = float(np.hypot(1.99, 1.20))
FOLLOWED_SOURCE = "a catheter in the coronary sinus as surrogate, 1.99 +- 1.20 mm (doi 10.1007/978-3-642-30618-1_10)"
TRIALS = 500


@dataclass(frozen=True)
class Asked:
    """What the call says of doubt and motion: one standard deviation of a pick, RMS of a motion, mm."""

    noise: Noise = field(default_factory=Noise)
    breathing_mm: float = BREATHING_MM
    heartbeat_mm: float = HEARTBEAT_MM
    limit_mm: float = LIMIT_MM
    cine: bool = False


@dataclass(frozen=True)
class GivenFrame:
    """One frame with its points, and the camera its header describes."""

    run: Angiogram
    points: FramePoints
    number: int
    camera: CameraPose


@dataclass(frozen=True)
class RegisteredCase:
    """All that was given and found."""

    plan: Plan
    frames: tuple[GivenFrame, ...]
    registration: reg.Registration
    document: RegistrationFile


def register_files(
    plan_path: Path,
    frames: Sequence[tuple[Path, Path]],
    *,
    asked: Asked | None = None,
    progress: Callable[[str], None] | None = None,
) -> RegisteredCase:
    """Read plan, frames and points, and register. Raises InputRefused with one sentence on whatever does not fit."""
    say = progress or (lambda _text: None)
    plan = load_plan(plan_path)
    say("Reading the frames")
    given = tuple(given_frame(read_angiogram(xa), read_frame_points(points), points, plan) for xa, points in frames)
    _refuse_twice([(one.run.sop_instance_uid, one.number) for one in given], [xa for xa, _points in frames])
    say("Registering")
    pointed = any(one.points.needle_tip is not None for one in given)
    return register_given(plan, given, asked=asked, labels=labels_beside(plan, plan_path) if pointed else None)


def register_given(
    plan: Plan,
    given: Sequence[GivenFrame],
    *,
    asked: Asked | None = None,
    labels: NDArray[np.uint8] | None = None,
) -> RegisteredCase:
    """The same from what has been read already (see `given_frame`); `labels` [k, j, i] are the plan's, which only a
    needle tip asks for. Raises InputRefused.
    """
    asked = asked or Asked()
    given = tuple(given)
    need_landmarks(
        plan, "mitral_annulus", "left_atrium", "inferior_vena_cava", without="it cannot be drawn on X-ray frames"
    )
    try:
        sightings = _sightings(given)
    except ValueError as problem:
        raise InputRefused(f"In the points given, {problem}; correct the points files.") from problem
    found = reg.register(sightings, asked.noise)
    return RegisteredCase(plan, given, found, _document(plan, given, found, asked, labels))


def _refuse_twice(told: Sequence[tuple[str, int]], files: Sequence[Path]) -> None:
    """One frame counted as two would make the error look smaller than it is."""
    for n, one in enumerate(told):
        if one in told[:n]:
            raise InputRefused(
                f"The frame {files[n]} is the same as {files[told.index(one)]}: given twice it would count as two "
                "views and the error look smaller than it is; give each frame once, with all its points in one file."
            )


def given_frame(run: Angiogram, points: FramePoints, points_file: Path, plan: Plan) -> GivenFrame:
    """A frame and its points, held against each other and the plan. Raises InputRefused."""
    uid, planned = points.frame_of_reference_uid, plan.ct.frame_of_reference_uid
    if uid and planned and uid != planned:
        raise InputRefused(
            f"The points {points_file} were marked in the frame of reference {uid}, but the plan is in {planned}: "
            "another "
            "CT; mark the points in the CT that was planned on."
        )
    number = points.number(run.frame_count, points_file)
    g = run.geometry(number)
    camera = CameraPose(
        g.primary_deg, g.secondary_deg, g.source_detector_mm, g.source_isocenter_mm, g.spacing_mm, run.size_px
    )
    places = [(p.name, p.column, p.row) for p in points.points]
    if points.needle_tip is not None:
        places.append(("needle_tip", points.needle_tip.column, points.needle_tip.row))
    places += [("tracked", t.column, t.row) for t in points.tracked]
    for name, column, row in places:
        if not camera.holds([column, row]):
            raise InputRefused(
                f"The point {name!r} of {points_file} lies at column {column:g}, row {row:g}, outside the picture of "
                f"{run.size_px[0]} columns and {run.size_px[1]} rows; correct it (pixels are counted from 0)."
            )
    return GivenFrame(run, points, number, camera)


def _sightings(given: Sequence[GivenFrame]) -> Sightings:
    pairs = [
        (p.name, p.ct_lps, f, (p.column, p.row)) for f, one in enumerate(given) for p in one.points.points
    ]
    moved = [one.points.table_moved for one in given]
    if moved[0]:
        raise ValueError("table_moved is set for the first frame, but the table moves against that one")
    return sightings_of([one.camera for one in given], pairs, table_moved=moved)


# ----------------------------------------------------------------------------------------------- what is told


def _document(
    plan: Plan, given: Sequence[GivenFrame], found: reg.Registration, asked: Asked, labels: NDArray[np.uint8] | None
) -> RegistrationFile:
    target = np.array(plan.puncture.target_mm)
    s = found.sightings
    at_target = _error_at(found, target)
    rim = np.array(plan.anatomy.fossa.rim_mm).reshape(-1, 3)
    ring = np.array(plan.landmarks["mitral_annulus"])
    budget = [
        ("registration", at_target["rms_mm"], "covariance of the fit", "computed"),
        ("breathing", asked.breathing_mm, BREATHING_SOURCE, PRACTICE),
        ("heartbeat", asked.heartbeat_mm, HEARTBEAT_SOURCE, PRACTICE),
    ]
    total = float(np.linalg.norm([rms for _, rms, _, _ in budget]))
    left_out = reg.at_isocenter_mm(s, reg.leave_one_out(found))
    residual = found.residual_mm()
    pairs = [
        {
            "name": s.names[s.point_of[m]],
            "frame": int(s.frame_of[m]) + 1,
            "ct_lps": _vector(s.points_lps[s.point_of[m]]),
            "pixel": (float(s.pixels[m, 0]), float(s.pixels[m, 1])),
            "used": bool(found.used[m]),
            "residual_mm": float(residual[m]),
            "leave_one_out_mm": None if np.isnan(left_out[m]) else float(left_out[m]),
        }
        for m in range(len(s.frame_of))
    ]
    frames = [_frame(one, f, found, target, asked) for f, one in enumerate(given)]
    tip, tip_cautions = _needle_tip(plan, given, found, asked, labels)
    return RegistrationFile.model_validate(
        {
            "schema_version": 1,
            "software": {"name": "septal-planner", "version": __version__},
            "coordinate_system": "LPS",
            "unit": "mm",
            "plan_sha256": hashlib.sha256(plan_as_json(plan).encode()).hexdigest(),
            "frames": tuple(frames),
            "iso_from_ct": tuple(tuple(float(v) for v in row) for row in found.iso_from_ct),
            "turned_deg": found.turned_deg,
            "pick_sd_frame_mm": found.noise.frame_mm,
            "pick_sd_ct_mm": found.noise.ct_mm,
            "errors_enlarged_by": float(np.sqrt(found.excess)),
            "pairs": tuple(pairs),
            "residual_rms_mm": reg.rms(residual[found.used]),
            "target": at_target,
            "fossa_rim": _error_at(found, rim) if len(rim) else None,
            "mitral_annulus": _error_at(found, ring),
            "budget": tuple(dict(zip(("name", "rms_mm", "source", "flag"), line, strict=True)) for line in budget),
            "total_rms_mm": total,
            "limit_mm": asked.limit_mm,
            "exceeds_limit": total > asked.limit_mm,
            "needle_tip": tip,
            "cautions": tuple(dict.fromkeys([*_cautions(plan, given, found, target), *tip_cautions])),
        }
    )


def followed_rms_mm(d: RegistrationFile) -> float:
    """Error to expect at the target, RMS, where the drawing follows a tracked point that moves as the fossa does: what
    following leaves stands in for breathing and heartbeat."""
    return float(np.hypot(d.target.rms_mm, FOLLOWED_MM))


def _error_at(found: reg.Registration, points_lps: Array) -> dict[str, float]:
    points = points_lps.reshape(-1, 3)
    each = tre.rms_mm(found.covariance_iso(points))
    trial = reg.by_trial(found, points, trials=TRIALS)
    return {
        "rms_mm": reg.rms(each),
        "worst_rms_mm": float(each.max()),
        "by_trial_rms_mm": float(np.sqrt((trial**2).sum(axis=-1).mean())),
    }


def _motion_covariance(asked: Asked) -> Array:
    """Breathing and heartbeat as alike in all directions: their real ones are not known of this patient."""
    return np.asarray(np.eye(3) * (asked.breathing_mm**2 + asked.heartbeat_mm**2) / 3)


def _frame(one: GivenFrame, f: int, found: reg.Registration, target: Array, asked: Asked) -> dict[str, object]:
    at, covariance = found.iso(target, f), found.covariance_iso(target, f)
    lateral, depth = tre.lateral_and_depth_mm(covariance, at, one.camera)
    center = one.camera.pixel(at)
    ellipse = tre.ellipse_px(center, tre.pixel_covariance(covariance + _motion_covariance(asked), at, one.camera))
    moved = f in found.sightings.moved
    return {
        "file": one.run.path.name,
        "sop_instance_uid": one.run.sop_instance_uid,
        "frame": one.number,
        "label": one.camera.label,
        "primary_deg": one.camera.primary_deg,
        "secondary_deg": one.camera.secondary_deg,
        "source_detector_mm": one.camera.source_detector_mm,
        "source_isocenter_mm": one.camera.source_isocenter_mm,
        "pixel_spacing_mm": one.camera.spacing_mm,
        "table_shift_mm": _vector(found.placement.table_mm[0, f]) if moved else None,
        "target_px": (float(center[0]), float(center[1])),
        "target_in_picture": bool(one.camera.holds(center)),
        "target_ellipse_px": tuple((round(float(x), 2), round(float(y), 2)) for x, y in ellipse),
        "lateral_rms_mm": lateral,
        "depth_sd_mm": depth,
        "drawn": tuple(_names(f, one, asked)),
    }


def _names(f: int, one: GivenFrame, asked: Asked) -> list[str]:
    """Files written of a frame."""
    names = [f"frame-{f + 1}.png", f"frame-{f + 1}.dcm"]
    names += [f"frame-{f + 1}-at-{t.frame}.png" for t in one.points.tracked if t.frame != one.number]
    if asked.cine and one.run.frame_count > 1:
        names.append(f"frame-{f + 1}-run.dcm")
    return names


def _cautions(plan: Plan, given: Sequence[GivenFrame], found: reg.Registration, target: Array) -> list[str]:
    said = open_doubts.cautions_about(found, target, say_frame=lambda f: f"frame {f + 1} ({given[f].camera.label})")
    for one in given:
        said += one.run.notes
    if len({one.run.who for one in given if one.run.who}) > 1:
        said.append("The frames name different patients in their headers; do not use this before that is cleared up.")
    if len({one.run.study_uid for one in given}) > 1:
        said.append("The frames come from different studies: the patient may have been moved between them.")
    if len({one.run.laterality for one in given}) > 1:
        said.append("The frames differ in their laterality (0020,0060); check that all show the heart.")
    said.append("The plan names no patient: check that frames and plan belong to the same one.")
    position = plan.ct.patient_position
    if position not in ("HFS", "FFS"):
        was = "not recorded" if position is None else position
        said.append(f"The patient's position in the CT was {was}, not supine; the heart lies otherwise at the table.")
    for one in given:
        if one.run.frame_count > 1:
            said.append(
                f"The drawing on {one.run.path.name} holds for frame {one.number}; in the others the heart has moved."
            )
        if one.points.tracked:
            said.append(
                f"Where the drawing follows the tracked point, breathing and heartbeat leave about {FOLLOWED_MM:.1f} "
                "mm "
                f"({FOLLOWED_SOURCE}) as long as fossa and tracked point move alike, which an atrial lead tip does not."
            )
    return said


def _needle_tip(
    plan: Plan, given: Sequence[GivenFrame], found: reg.Registration, asked: Asked, labels: NDArray[np.uint8] | None
) -> tuple[dict[str, object] | None, list[str]]:
    seen = {
        f: (one.points.needle_tip.column, one.points.needle_tip.row)
        for f, one in enumerate(given)
        if one.points.needle_tip is not None
    }
    if not seen:
        return None, []
    try:
        place, covariance = reg.located(found, dict(seen))
    except ValueError as problem:
        return None, [f"The needle tip was not located: {problem}."]
    tip = check_tip(plan, place, covariance, _motion_covariance(asked), labels=labels)
    return tip.model_dump(), [
        "The needle tip is placed in the heart of the CT, at rest: tenting is not in it, breathing and heartbeat only "
        "in its doubts."
    ]


def _vector(v: Array) -> tuple[float, float, float]:
    x, y, z = (float(c) for c in v)
    return x, y, z


def summary(case: RegisteredCase) -> str:
    """What the operator asks first, in a dozen lines."""
    d = case.document
    used = sum(p.used for p in d.pairs)
    lines = [
        f"Registered by {used} of {len(d.pairs)} pairs in {len(d.frames)} frame{'s' if len(d.frames) > 1 else ''}; the "
        f"patient lies turned by {d.turned_deg:.1f} degrees from the headers.",
        "",
        f"Error to expect at the target  {d.total_rms_mm:.1f} mm RMS, limit {d.limit_mm:g}"
        + (" - EXCEEDED: do not steer by the drawing" if d.exceeds_limit else ""),
        *(f"  {line.name:29}{line.rms_mm:.1f} mm   {line.source}" for line in d.budget),
        f"  registration at the rim      {_mm(d.fossa_rim)}",
        f"  registration at the annulus  {_mm(d.mitral_annulus)}",
        f"Residual of the pairs          {d.residual_rms_mm:.1f} mm (how well they agree; not an accuracy)",
        "",
        f"{'Frame':22}{'across':>10}{'depth (95 %)':>16}",
    ]
    for f in d.frames:
        lines.append(f"{f.label:22}{f.lateral_rms_mm:7.1f} mm{1.96 * f.depth_sd_mm:11.1f} mm")
    lines += ["", f"{'Pair':24}{'frame':>6}{'residual':>11}{'left out':>11}"]
    for p in d.pairs:
        other = "not assessed" if p.leave_one_out_mm is None else f"{p.leave_one_out_mm:.1f} mm"
        lines.append(f"{p.name:24}{p.frame:6}{p.residual_mm:8.1f} mm{other:>11}{'' if p.used else '   NOT USED'}")
    if d.needle_tip is not None:
        lines += ["", *tip_lines(d.needle_tip)]
    if d.picture_check is not None:
        c = d.picture_check
        lines += [
            "",
            f"The pictures alone would move the target by {c.moved_mm:.1f} mm and turn the patient by "
            f"{c.turned_deg:.1f} "
            f"degrees (likeness {c.likeness_before:.2f} before, {c.likeness_after:.2f} after; {c.capture_range})",
        ]
    lines += ["", "Cautions", *(f"  - {c}" for c in d.cautions)]
    return "\n".join(lines)


def _mm(error: object) -> str:
    rms, worst = getattr(error, "rms_mm", None), getattr(error, "worst_rms_mm", None)
    return "not assessed" if rms is None or worst is None else f"{rms:.1f} mm, worst {worst:.1f}"
