"""What the process beside computes for page X-ray: frames read, frames simulated, views proposed, CT laid onto frames.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from septal_planner.errors import InputRefused
from septal_planner.fluoroscopy.detector import Response, grey_values, intensities
from septal_planner.fluoroscopy.drr import (
    PREVIEW_STEP_MM,
    SWEEP_STEP_MM,
    Attenuation,
    attenuation,
    line_integrals,
    thinned,
)
from septal_planner.fluoroscopy.limits import load_room
from septal_planner.fluoroscopy.pose import CameraPose
from septal_planner.fluoroscopy.projection import Projection
from septal_planner.fluoroscopy.recommendation import Recommendation
from septal_planner.inputs.angiogram import Angiogram, read_angiogram
from septal_planner.inputs.frame_points import FramePoints
from septal_planner.inputs.volume import Volume
from septal_planner.output_folder import staged
from septal_planner.plan import Plan, plan_as_json
from septal_planner.puncture.approach import LANDMARK_SD_MM
from septal_planner.registered import PictureCheck, RegistrationFile
from septal_planner.registering import Asked, RegisteredCase, given_frame, register_given
from septal_planner.registration_files import (
    compare_pictures,
    drawing,
    drawn_before,
    follow_tracked,
    plan_shapes,
    with_check,
    write_registration,
)
from septal_planner.report.overlay import Drawing, Shape, cross, grey_8bit
from septal_planner.report.view_chart import Shape as ChartShape
from septal_planner.report.view_chart import chart_shapes
from septal_planner.simulated_xray import FIELD_MM, SOURCE_DETECTOR_MM, SOURCE_ISOCENTER_MM
from septal_viewer.pairs import Pixel, points_file

Say = Callable[[str], None]
Array = NDArray[np.float64]
Given = Sequence[tuple[Path, FramePoints]]
Labels = NDArray[np.uint8] | None


VIEW_PX = 640
PREVIEW_THINNED, PREVIEW_PX = 2, 224


@dataclass(frozen=True)
class FramePicture:
    """One frame of a run, 8-bit grey (rows, columns), and the camera its header tells. `run` is without its header,
    which stays in the process that reads."""

    run: Angiogram
    number: int
    grey: NDArray[np.uint8]
    camera: CameraPose


@dataclass(frozen=True)
class OpenedFrames:
    """The frames that could be read, and one sentence for each that could not."""

    pictures: tuple[FramePicture, ...]
    faults: tuple[str, ...]


@dataclass(frozen=True)
class Shot:
    """A frame to be simulated: `key` names it, `iso_from_ct` (4x4) places the CT about the isocentre, `longest_px` of
    its own pixels along the longer side, `hasty` from a thinned CT."""

    key: tuple[Any, ...]
    camera: CameraPose
    iso_from_ct: Array
    longest_px: int
    hasty: bool = False


@dataclass(frozen=True)
class Simulated:
    """`grey` (rows, columns), a pixel of which is `by` of the camera's; `shapes`: the plan in the camera's pixels."""

    shot: Shot
    grey: NDArray[np.uint8]
    by: float
    shapes: tuple[Shape, ...]


@dataclass(frozen=True)
class ViewsFound:
    """What `septal-planner views` finds, and its chart."""

    found: Recommendation
    chart: tuple[ChartShape, ...]


@dataclass(frozen=True)
class Laid:
    """A registration as it is shown: per frame the drawing and where the CT lies about the isocentre (4x4), per pair
    where it is drawn (column, row)."""

    document: RegistrationFile
    drawings: tuple[Drawing, ...]
    iso_from_ct: tuple[Array, ...]
    drawn_px: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class LaidFiles:
    """What was written, and where."""

    laid: Laid
    folder: Path
    names: tuple[str, ...]


@dataclass(frozen=True)
class FollowedRun:
    """The tracked point of the run `path` through its frames, from where it was `marked` (column, row) by frame:
    `places` None where it was lost; `moved_mm` at the isocentre, against frame `number`."""

    path: Path
    number: int
    marked: dict[int, Pixel]
    places: dict[int, Pixel | None]
    moved_mm: dict[int, float]


def by_headers(plan: Plan) -> Array:
    """Where the CT lies about the isocentre as far as headers tell: not turned, the target at the isocentre."""
    m = np.eye(4)
    m[:3, 3] = -np.asarray(plan.puncture.target_mm)
    return m


def view_camera(primary_deg: float, secondary_deg: float) -> CameraPose:
    """The C-arm of a simulated view, as `septal-planner xray` has it unless told."""
    pixel = FIELD_MM / VIEW_PX
    return CameraPose(
        primary_deg, secondary_deg, SOURCE_DETECTOR_MM, SOURCE_ISOCENTER_MM, (pixel, pixel), (VIEW_PX, VIEW_PX)
    )


# --------------------------------------------------------------------------------------------------- in the process


def open_frames_job(say: Say, paths: Sequence[Path]) -> OpenedFrames:
    """The first frame of each file."""
    pictures, faults = [], []
    for path in paths:
        say(f"Reading {path.name}")
        try:
            pictures.append(frame_job(say, path, 1))
        except InputRefused as problem:
            faults.append(str(problem))
    return OpenedFrames(tuple(pictures), tuple(faults))


def frame_job(say: Say, path: Path, number: int) -> FramePicture:
    """One frame of a run. Raises InputRefused."""
    del say
    run = _run(path)
    g = run.geometry(number)
    camera = CameraPose(
        g.primary_deg, g.secondary_deg, g.source_detector_mm, g.source_isocenter_mm, g.spacing_mm, run.size_px
    )
    grey = grey_8bit(run.pixels(number), dark_is_high=run.dark_is_high)
    return FramePicture(replace(run, header=None), number, grey, camera)


_runs: dict[Path, Angiogram] = {}
_bodies: list[tuple[Volume, Attenuation, Attenuation]] = []


def _run(path: Path) -> Angiogram:
    if path not in _runs:
        _runs[path] = read_angiogram(path)
    return _runs[path]


def _body(volume: Volume, hasty: bool) -> Attenuation:
    """What X-rays meet in a CT, kept for the next frame."""
    if not _bodies or _bodies[0][0] is not volume:
        _bodies.clear()
        whole = attenuation(volume.hu, volume.lps_from_index)
        _bodies.append((volume, whole, thinned(whole, PREVIEW_THINNED)))
    _, whole, thin = _bodies[0]
    return thin if hasty else whole


def simulate_job(say: Say, volume: Volume, plan: Plan, shot: Shot) -> Simulated:
    """A frame as the CT would look in it, and the plan as it lies there."""
    del say
    camera, at = shot.camera, shot.iso_from_ct
    by = max(1.0, max(camera.size_px) / shot.longest_px)
    columns, rows = (int(np.ceil(n / by)) for n in camera.size_px)
    column, row = (camera.central_px + 0.5) / by - 0.5
    small = Projection(
        camera.primary_deg, camera.secondary_deg, (0.0, 0.0, 0.0), camera.source_detector_mm,
        camera.source_isocenter_mm, (camera.spacing_mm[0] * by, camera.spacing_mm[1] * by), (columns, rows),
        (float(column), float(row)),
    )  # fmt: skip
    body = _body(volume, shot.hasty)
    placed = Attenuation(body.voxels, at @ body.lps_from_index)
    response = Response()
    step = PREVIEW_STEP_MM if shot.hasty else SWEEP_STEP_MM
    seen = intensities(line_integrals(placed, small, step_mm=step), response, pixel_mm=small.pixel_mm)
    return Simulated(shot, grey_values(seen, response).astype(np.uint8), by, tuple(_shapes(plan, camera, at)))


def _shapes(plan: Plan, camera: CameraPose, at: Array) -> list[Shape]:
    def pixel(points: Array) -> Array:
        return camera.pixel(points @ at[:3, :3].T + at[:3, 3])

    try:
        shapes = plan_shapes(plan, pixel)
        place = pixel(np.asarray(plan.puncture.target_mm)[None])[0]
    except ValueError:  # a point behind the source
        return []
    arm = min(camera.size_px) / 60
    return [*shapes, Shape("target", cross(place, arm_px=arm), "target")]


def views_job(say: Say, plan: Plan) -> ViewsFound:
    """The C-arm views of a plan. Raises InputRefused."""
    from septal_planner.proposed_views import propose

    say("Looking for C-arm views")
    room = load_room()
    planes, found = propose(plan, room, landmark_sd_mm=LANDMARK_SD_MM)
    return ViewsFound(found, chart_shapes(planes, room, found))


def register_job(say: Say, plan: Plan, labels: Labels, given: Given, asked: Asked) -> Laid:
    """The CT laid onto frames by their points. `labels` [k, j, i] are the plan's. Raises InputRefused."""
    return _laid(_registered(say, plan, labels, given, asked))


def compare_job(
    say: Say, plan: Plan, labels: Labels, given: Given, asked: Asked, volume: Volume
) -> Laid:
    """The same with what the pictures alone say, simulated from the CT against the real. Raises InputRefused."""
    case = _registered(say, plan, labels, given, asked)
    return _laid(with_check(case, compare_pictures(case, volume.hu, volume.lps_from_index, progress=say)))


def write_registration_job(
    say: Say, plan: Plan, labels: Labels, given: Given, asked: Asked, folder: Path,
    compared: PictureCheck | Volume | None = None,
) -> LaidFiles:  # fmt: skip
    """The same, and its files in `folder`, all or none; with what the pictures said, or the CT to ask them."""
    case = _registered(say, plan, labels, given, asked)
    if isinstance(compared, Volume):
        compared = compare_pictures(case, compared.hu, compared.lps_from_index, progress=say)
    if compared is not None:
        case = with_check(case, compared)
    with staged(folder, outdated=drawn_before(folder)) as fresh:
        names = write_registration(case, fresh, cine=asked.cine, progress=say)
    return LaidFiles(_laid(case), folder, tuple(names))


def follow_job(say: Say, path: Path, number: int, marked: dict[int, Pixel]) -> FollowedRun:
    """The tracked point of a run through all its frames, from frame `number`, where the registration holds."""
    say(f"Following the tracked point through {path.name}")
    run = _run(path)
    g = run.geometry(number)
    camera = CameraPose(
        g.primary_deg, g.secondary_deg, g.source_detector_mm, g.source_isocenter_mm, g.spacing_mm, run.size_px
    )
    found = follow_tracked(run, camera, marked)
    places = {n: one.place_px for n, one in sorted(found.items())}
    at = np.asarray(marked.get(number, next(iter(marked.values()))))
    mm = np.array(g.spacing_mm)[::-1] / camera.magnification  # columns are across, their spacing comes second
    moved = {n: float(np.linalg.norm((np.asarray(p) - at) * mm)) for n, p in places.items() if p is not None}
    return FollowedRun(path, number, dict(marked), places, moved)


def _registered(say: Say, plan: Plan, labels: Labels, given: Given, asked: Asked) -> RegisteredCase:
    say("Reading the frames")
    plan = Plan.model_validate_json(plan_as_json(plan))  # as its file has it
    frames = [given_frame(_run(path), points, points_file(path), plan) for path, points in given]
    say("Registering")
    return register_given(plan, frames, asked=asked, labels=labels)


def _laid(case: RegisteredCase) -> Laid:
    found = case.registration
    places = []
    for f in range(len(case.frames)):
        m = found.iso_from_ct.copy()
        m[:3, 3] += found.placement.table_mm[0, f]
        places.append(m)
    drawn = found.sightings.pixels - found.residual_px()
    return Laid(
        case.document,
        tuple(drawing(case, f) for f in range(len(case.frames))),
        tuple(places),
        tuple((float(c), float(r)) for c, r in drawn),
    )


TABLE_JOBS: dict[str, Callable[..., Any]] = {
    "open_frames": open_frames_job,
    "frame": frame_job,
    "simulate": simulate_job,
    "views": views_job,
    "register": register_job,
    "compare": compare_job,
    "follow": follow_job,
    "write_registration": write_registration_job,
}
TABLE_TITLES = {
    "open_frames": "reading X-ray frames",
    "frame": "reading an X-ray frame",
    "simulate": "simulating a frame",
    "views": "looking for C-arm views",
    "register": "registering",
    "compare": "comparing simulated and real frames",
    "follow": "following the tracked point",
    "write_registration": "writing the registration",
}
