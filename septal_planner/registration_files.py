"""What is made of a registration: a check by pictures alone, the plan drawn on every frame, and the files of it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, replace
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.errors import InputRefused
from septal_planner.fluoroscopy.follow import Followed, follow
from septal_planner.fluoroscopy.pose import CameraPose
from septal_planner.geometry import curves
from septal_planner.inputs.angiogram import Angiogram
from septal_planner.plan import Plan
from septal_planner.registered import PictureCheck, RegistrationFile, load_registration, save_registration
from septal_planner.registering import GivenFrame, RegisteredCase
from septal_planner.report import overlay
from septal_planner.report.overlay_dicom import write_burnt_in

DRAWN = re.compile(r"frame-\d+(-at-\d+\.png|-run\.dcm|\.png|\.dcm)")
PATCH_MM = 5.0  # half side of what is recognised, at the isocentre
CAPTURE_TRIES = 4
ALIKE = 0.2  # correlation of gradients below which two frames are taken not to show the same; no source
LOST = "The tracked point was lost in this frame: nothing is drawn"


def with_picture_check(
    case: RegisteredCase,
    hu: NDArray[np.generic],
    lps_from_index: NDArray[np.float64],
    *,
    tries: int = CAPTURE_TRIES,
    progress: Callable[[str], None] | None = None,
) -> RegisteredCase:
    """The case with what the pictures alone say added: see `compare_pictures` and `with_check`."""
    return with_check(case, compare_pictures(case, hu, lps_from_index, tries=tries, progress=progress))


def compare_pictures(
    case: RegisteredCase,
    hu: NDArray[np.generic],
    lps_from_index: NDArray[np.float64],
    *,
    tries: int = CAPTURE_TRIES,
    progress: Callable[[str], None] | None = None,
) -> PictureCheck:
    """What the pictures alone make of a registration: `hu` [k, j, i] is the CT planned on, by its affine in LPS. From
    how far off they lead back is measured by so many `tries` at each distance, where numba makes that quick enough.
    Raises InputRefused where the table moved."""
    from septal_planner.fluoroscopy.drr import attenuation, has_numba
    from septal_planner.fluoroscopy.image_refinement import capture, capture_words, refine, weakening

    frames = []
    for f, one in enumerate(case.frames):
        pixels = weakening(one.run.pixels(one.number), linear=one.run.linear, dark_is_high=one.run.dark_is_high)
        if f in case.registration.sightings.moved:
            raise InputRefused("Pictures cannot be compared where the table moved between frames; leave --images out.")
        frames.append((pixels, one.camera))
    target = np.array(case.plan.puncture.target_mm)
    body = attenuation(hu, lps_from_index)
    found = refine(body, frames, case.registration.iso_from_ct, target, progress=progress)
    tries = tries if has_numba() else 0
    measured = capture(body, frames, found.iso_from_ct, target, tries=tries, progress=progress)
    return PictureCheck.model_validate(
        {
            "moved_mm": found.moved_mm,
            "turned_deg": found.turned_deg,
            "likeness_before": found.likeness_before,
            "likeness_after": found.likeness_after,
            "capture_range": capture_words(measured),
            "capture": tuple(asdict(c) for c in measured if c.tried),
        }
    )


def with_check(case: RegisteredCase, check: PictureCheck) -> RegisteredCase:
    """The case with what the pictures said. The registration by points stays; where the two differ by more than its
    doubt explains, a caution says so."""
    cautions = list(case.document.cautions)
    bound = 3 * case.document.target.rms_mm + 2.0  # 2 mm: what the refinement itself is good for
    if check.likeness_after < ALIKE:
        cautions.append(
            f"Simulated and real frames hardly look alike (correlation {check.likeness_after:.2f}); what the pictures "
            "say of the registration means nothing here."
        )
    elif check.moved_mm > bound:
        cautions.append(
            f"The pictures alone would move the target by {check.moved_mm:.1f} mm, more than the {bound:.1f} mm that "
            "the "
            "doubt of both explains; look at the points again."
        )
    document = RegistrationFile.model_validate(
        case.document.model_dump() | {"cautions": tuple(cautions), "picture_check": check.model_dump()}
    )
    return replace(case, document=document)


def plan_shapes(
    plan: Plan, pixel: Callable[[NDArray[np.float64]], NDArray[np.float64]]
) -> list[overlay.Shape]:
    """What a plan draws on any frame, all but the target: `pixel` takes points (n, 3) of the CT, LPS mm, to column and
    row (n, 2)."""
    shapes: list[overlay.Shape] = []

    def add(role: str, points_lps: object, text: str = "", *, closed: bool = False) -> None:
        points = np.asarray(points_lps, dtype=np.float64).reshape(-1, 3)
        if len(points) > 1:
            shapes.append(overlay.Shape(role, pixel(points), text, closed))

    for name in ("mitral_annulus", "tricuspid_annulus", "aortic_annulus", "old_ring"):
        if name in plan.landmarks:
            words = name.replace("_", " ")
            add(words, curves.ring_curve(plan.landmarks[name]), words, closed=True)
    add("inferior cava", plan.landmarks["inferior_vena_cava"], "inferior cava")
    if plan.way_on_mm:
        add("catheter", plan.way_on_mm, "catheter path")
    add("fossa", plan.anatomy.fossa.rim_mm, "fossa", closed=True)
    return shapes


def drawing(case: RegisteredCase, f: int) -> overlay.Drawing:
    """The plan on frame f (from 0) of those given."""
    d, one = case.document, case.frames[f]
    shapes = plan_shapes(case.plan, lambda points: case.registration.pixel(points, f))
    arm = min(one.camera.size_px) / 160
    for pair in d.pairs:
        if pair.frame == f + 1:
            words = pair.name if pair.used else f"{pair.name} (left out)"
            shapes.append(overlay.Shape("pair", overlay.cross(pair.pixel, arm_px=arm), words))
    tip = one.points.needle_tip
    if tip is not None:
        shapes.append(overlay.Shape("pair", overlay.cross((tip.column, tip.row), arm_px=1.5 * arm), "needle tip"))
    ellipse = np.array(d.frames[f].target_ellipse_px)
    shapes.append(overlay.Shape("target", ellipse, "target, 95 %", closed=True))
    mm_per_px = one.camera.spacing_mm[1] / one.camera.magnification
    shapes.append(overlay.scale_bar(one.camera.size_px, mm_per_px))
    lines = [
        f"{one.camera.label}   frame {one.number} of {one.run.frame_count}",
        f"Error to expect at the target {d.total_rms_mm:.1f} mm RMS",
        "  = " + ", ".join(f"{line.name} {line.rms_mm:.1f}" for line in d.budget),
        f"  depth in this view +- {1.96 * d.frames[f].depth_sd_mm:.1f} mm (95 %)",
    ]
    banner = ""
    if d.exceeds_limit:
        banner = (
            f"THE ERROR TO EXPECT, {d.total_rms_mm:.1f} mm, EXCEEDS THE LIMIT OF {d.limit_mm:g} mm: "
            "DO NOT STEER BY THIS DRAWING"
        )
    elif any("different patients" in c for c in d.cautions):
        banner = "THE FRAMES NAME DIFFERENT PATIENTS: DO NOT USE BEFORE THAT IS CLEARED UP"
    return overlay.Drawing(one.camera.size_px, tuple(shapes), tuple(lines), banner)


def drawn_before(folder: Path) -> tuple[str, ...]:
    """The pictures of an earlier registration in a folder, as its file names them: drawn anew they may be fewer, and
    what is left of the old ones would look current. None where there is no such file, or none that is valid."""
    try:
        frames = load_registration(folder / "registration.json").frames
    except InputRefused:
        return ()
    return tuple(name for frame in frames for name in frame.drawn if DRAWN.fullmatch(name))


def write_registration(
    case: RegisteredCase, folder: Path, *, cine: bool = False, progress: Callable[[str], None] | None = None
) -> list[str]:
    """registration.json, and every frame with the plan on it as PNG and XA, and together as vector pages, into a folder
    that is there (use `output_folder.staged`, with `drawn_before` as outdated); the names written. Raises InputRefused
    where a frame cannot be decoded.
    """
    say = progress or (lambda _text: None)
    names, pages = ["registration.json"], []
    save_registration(case.document, folder / "registration.json")
    for f, one in enumerate(case.frames):
        say(f"Drawing on frame {f + 1} of {len(case.frames)}")
        shown = drawing(case, f)
        pixels = one.run.pixels(one.number)
        window = overlay.grey_window(pixels)
        grey = overlay.grey_8bit(pixels, dark_is_high=one.run.dark_is_high, window=window)
        pages.append((grey, shown))
        (folder / f"frame-{f + 1}.png").write_bytes(overlay.drawn_png(grey, shown))
        white, black = overlay.masks(shown)
        _write_xa(case, f, [overlay.burnt_in(grey, white, black)], folder / f"frame-{f + 1}.dcm", 1, (one.number,))
        for number, moved in _followed(one, shown):
            other = overlay.grey_8bit(one.run.pixels(number), dark_is_high=one.run.dark_is_high, window=window)
            (folder / f"frame-{f + 1}-at-{number}.png").write_bytes(overlay.drawn_png(other, moved))
        if cine and one.run.frame_count > 1:
            run = _run(one, shown, window, partial(_say_frame, say, f + 1, one.run.frame_count))
            _write_xa(case, f, run, folder / f"frame-{f + 1}-run.dcm", one.run.frame_count, ())
        names += case.document.frames[f].drawn
    (folder / "frames.pdf").write_bytes(overlay.drawn_pdf(pages, folder))
    return [*names, "frames.pdf"]


def _write_xa(
    case: RegisteredCase, f: int, frames: Sequence[NDArray[np.uint8]] | Iterator[NDArray[np.uint8]], path: Path,
    count: int, numbers: tuple[int, ...],
) -> None:
    c = case.frames[f].camera
    write_burnt_in(
        case.frames[f].run.path, frames, path, count=count, numbers=numbers,
        geometry=(c.primary_deg, c.secondary_deg, c.source_detector_mm, c.source_isocenter_mm, c.spacing_mm),
        told=f"Error to expect at the target {case.document.total_rms_mm:.1f} mm RMS",
    )


def _marked(one: GivenFrame) -> dict[int, NDArray[np.float64]]:
    """Where the tracked point is, by frame."""
    at = {t.frame: np.array([t.column, t.row]) for t in one.points.tracked}
    if at and one.number not in at:
        raise InputRefused(
            f"The tracked point of {one.run.path.name} is not marked in frame {one.number}, where the registration "
            "holds; mark it there too."
        )
    return at


def follow_tracked(
    run: Angiogram, camera: CameraPose, marked: Mapping[int, ArrayLike]
) -> dict[int, Followed]:
    """The tracked point through every frame of a run, from where it is `marked` (column, row) by frame."""
    half = max(6, round(PATCH_MM * camera.magnification / camera.spacing_mm[1]))
    return follow(run.pixels, run.frame_count, marked, patch_px=half, search_px=2 * half)


def _followed(one: GivenFrame, shown: overlay.Drawing) -> Iterator[tuple[int, overlay.Drawing]]:
    """The drawing moved along with the tracked point, for every frame but its own where that was marked."""
    at = _marked(one)
    for number, place in at.items():
        if number != one.number:
            yield number, shown.shifted(place - at[one.number])


def _say_frame(say: Callable[[str], None], which: int, count: int, number: int) -> None:
    say(f"Drawing on the run of frame {which}: {number} of {count}")


def _run(
    one: GivenFrame, shown: overlay.Drawing, window: tuple[float, float], say: Callable[[int], None]
) -> Iterator[NDArray[np.uint8]]:
    """Every frame of a run with the drawing in it, one at a time. Where a point is tracked the drawing follows it, and
    is left out of a frame in which that was lost."""
    at = _marked(one)
    places = {}
    if at:
        places = follow_tracked(one.run, one.camera, at)
    still = overlay.masks(shown)
    lost = overlay.masks(replace(shown, shapes=(), banner=LOST))
    for number, pixels in enumerate(one.run.frames(), 1):
        say(number)
        grey = overlay.grey_8bit(pixels, dark_is_high=one.run.dark_is_high, window=window)
        white, black = still
        if number in places and number != one.number:
            place = places[number].place_px
            white, black = lost if place is None else overlay.masks(shown.shifted(place - at[one.number]))
        yield overlay.burnt_in(grey, white, black)
