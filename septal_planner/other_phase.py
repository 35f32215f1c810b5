"""A second CT of the same heart, at another phase: whether it belongs to the first, what is found in it, and what that
adds to a plan."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from septal_planner.anatomy.annulus import measure_annulus
from septal_planner.anatomy.chambers import segment_chambers
from septal_planner.anatomy.fossa import find_fossa
from septal_planner.errors import AnatomyNotFound, InputRefused
from septal_planner.geometry.measurement import Measurement
from septal_planner.inputs.landmark_checks import check_landmarks
from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.volume import Volume, content_sha256
from septal_planner.motion import Motion, PhaseFound, Shift, compare_phases
from septal_planner.pipeline import PlannedCase
from septal_planner.plan import with_motion
from septal_planner.plausibility import check_annulus, check_aorta, check_plausible, measured
from septal_planner.puncture.target import LANDMARK_SD_MM

SAME_POINT_MM = 0.01
# twice the joint doubt of two marks of 1 mm along each axis, rounded up
SPINE_MOVED_MM = 5.0


def check_pair(volume: Volume, landmarks: Landmarks, other: Volume, other_landmarks: Landmarks) -> list[str]:
    """Cautions about two CTs that shall show one heart at two phases. Raises InputRefused where they cannot: another
    frame of reference, the same images twice, or one set of landmarks for both."""
    frames = [
        (named, uid)
        for named, uid in (
            ("the CT of the plan", volume.frame_of_reference_uid or landmarks.frame_of_reference_uid),
            ("the CT of the other phase", other.frame_of_reference_uid or other_landmarks.frame_of_reference_uid),
        )
        if uid
    ]
    if len(frames) == 2 and frames[0][1] != frames[1][1]:
        raise InputRefused(
            f"The CT of the other phase ({other.source}) has the frame of reference {frames[1][1]}, the CT of the plan "
            f"({volume.source}) has {frames[0][1]}, so that how far anything moved cannot be told; give two phases of "
            "one acquisition."
        )
    same_series = volume.series_instance_uid is not None and volume.series_instance_uid == other.series_instance_uid
    same_phase = volume.phase_percent is not None and volume.phase_percent == other.phase_percent
    if (same_series and same_phase) or content_sha256(volume) == content_sha256(other):
        raise InputRefused(
            f"The CT of the other phase ({other.source}) is the CT of the plan itself; give another phase, in a folder "
            "of several by --other-series or --other-phase."
        )
    one, two = (marked.points_lps.get("mitral_annulus") for marked in (landmarks, other_landmarks))
    if one is not None and two is not None and _same_points(one, two):
        raise InputRefused(
            f"The landmarks of the other phase ({other_landmarks.source}) have the very mitral_annulus points of the "
            f"plan's ({landmarks.source}); mark them anew in the CT of the other phase."
        )
    said = [
        "Landmarks do not say at which phase they were marked: exchanged between the two CTs, they turn the motion "
        "around and make both heights wrong."
    ]
    if len(frames) < 2:
        said.append(
            "Whether both CTs lie in one frame of reference is not recorded: how far annulus and fossa move, and the "
            "tilt, hold only if they do; the heights and the change of area hold either way."
        )
    if volume.phase_percent is None or other.phase_percent is None:
        said.append(
            "The cardiac phase is not recorded in both CTs: which moments of the heartbeat are compared is not known."
        )
    elif same_phase:
        said.append(
            f"Both CTs are at {volume.phase_percent:g} % of the RR interval: what differs between them is doubt, or "
            "another heartbeat, rather than motion within one."
        )
    if "spine" in landmarks.points_lps and "spine" in other_landmarks.points_lps:
        bones = [marked.points_lps["spine"].mean(axis=0) for marked in (landmarks, other_landmarks)]
        moved = float(np.linalg.norm(bones[1] - bones[0]))
        if moved > SPINE_MOVED_MM:
            said.append(
                f"The spine point lies {moved:.0f} mm apart in the two CTs: it was marked at two places, or the "
                "patient moved, and the motion of annulus and fossa holds that as well."
            )
    return said


def check_other_landmarks(landmarks: Landmarks, volume: Volume) -> Landmarks:
    """`check_landmarks` of the other phase, whose faults name it. Raises InputRefused."""
    try:
        return check_landmarks(landmarks, volume)
    except InputRefused as problem:
        raise InputRefused(f"In the other phase: {problem}") from problem


def _same_points(one: NDArray[np.float64], two: NDArray[np.float64]) -> bool:
    """Whether two sets of points are one, in whatever order."""
    if one.shape != two.shape:
        return False
    gaps = np.linalg.norm(one[:, None] - two, axis=-1)
    return bool(max(gaps.min(axis=0).max(), gaps.min(axis=1).max()) < SAME_POINT_MM)


def find_in_phase(
    volume: Volume, landmarks: Landmarks, *, progress: Callable[[str], None] | None = None
) -> tuple[Landmarks, PhaseFound]:
    """The landmarks as checked, the mitral annulus and the fossa of the other phase, by the same steps as the plan's.

    A fossa that cannot be found is left out with the reason. Raises InputRefused for landmarks that do not fit this
    CT, AnatomyNotFound for an annulus that cannot be.
    """

    def say(text: str) -> None:
        if progress is not None:
            progress(f"Other phase: {text[:1].lower()}{text[1:]}")

    landmarks = check_other_landmarks(landmarks, volume)
    points = landmarks.points_lps
    septum = points["fossa"][0]
    try:
        mitral = measure_annulus(
            points["mitral_annulus"],
            atrium_point_lps=points["left_atrium"][0],
            aorta_point_lps=points["aorta"][0] if "aorta" in points else None,
            septum_point_lps=septum,
        )
        check_annulus(mitral)
        tricuspid = None
        if "tricuspid_annulus" in points:
            tricuspid = measure_annulus(
                points["tricuspid_annulus"], atrium_point_lps=points["right_atrium"][0], septum_point_lps=septum
            )
    except AnatomyNotFound as problem:
        raise AnatomyNotFound(f"In the other phase: {problem}") from problem
    try:
        chambers = segment_chambers(volume, landmarks, mitral, tricuspid, progress=say)
        check_aorta(chambers, landmarks)
        fossa = find_fossa(volume, landmarks, chambers, progress=say)
        check_plausible(measured(chambers, mitral, fossa))
    except AnatomyNotFound as problem:
        return landmarks, PhaseFound(mitral, None, volume.phase_percent, f"In the other phase: {problem}")
    return landmarks, PhaseFound(mitral, fossa, volume.phase_percent)


def add_other_phase(
    case: PlannedCase,
    other: Volume,
    other_landmarks: Landmarks,
    *,
    landmark_sd_mm: float = LANDMARK_SD_MM,
    progress: Callable[[str], None] | None = None,
) -> PlannedCase:
    """The planned case with the motion to another phase in its plan, measurements and cautions.

    Raises InputRefused for a CT or landmarks that cannot be another phase of the same heart, AnatomyNotFound for an
    annulus that cannot be; a fossa not found there is said, and the annulus reported all the same.
    """
    doubtful = check_pair(case.volume, case.landmarks, other, other_landmarks)
    marked, found = find_in_phase(other, other_landmarks, progress=progress)
    site = case.site
    fractions = None
    if site.superior_fraction is not None and site.anterior_fraction is not None:
        fractions = (site.superior_fraction, site.anterior_fraction)
    motion = compare_phases(
        PhaseFound(case.mitral, case.fossa, case.volume.phase_percent),
        found,
        height_mm=site.height_mm,
        height_sd_mm=site.height_sd_mm,
        fractions=fractions,
        asked_height=case.procedure.height,
        landmark_sd_mm=landmark_sd_mm,
    )
    lines = list_motion(motion)
    odd = [f"In the other phase: {note}" for note in (*other.notes, *marked.notes)]
    cautions = [
        *doubtful,
        *motion.notes,
        *_not_assessed(motion),
        *odd,
    ]
    plan = with_motion(
        case.plan,
        motion,
        other_volume=other,
        other_landmarks=marked,
        other_mitral=found.annulus,
        measurements=lines,
        cautions=cautions,
    )
    return replace(case, measurements=(*case.measurements, *lines), cautions=plan.cautions, plan=plan)


def _not_assessed(motion: Motion) -> list[str]:
    """One sentence and its reason for all that one reason keeps from being assessed."""
    by_reason: dict[str, list[str]] = {}
    for what, why in motion.not_assessed.items():
        by_reason.setdefault(why, []).append(what)
    said = {why: " and ".join(names) for why, names in by_reason.items()}
    return [f"{names[:1].upper()}{names[1:]}: not assessed. {why}" for why, names in said.items()]


def list_motion(motion: Motion) -> list[Measurement]:
    """Every number of the motion with its unit, one standard uncertainty and how it was got."""
    found = [
        *_list_shift("annulus", motion.annulus, "of the center of the mitral annulus"),
        Measurement(
            "motion: tilt of the annulus", motion.tilt_deg, "deg", motion.tilt_sd_deg, "between its two normals"
        ),
        Measurement(
            "motion: change of annular area",
            motion.area_change_percent / 100,
            "1",
            motion.area_change_sd_percent / 100,
            "of the area projected on its plane, against that of the plan's phase",
        ),
    ]
    if motion.fossa is not None:
        found += _list_shift("fossa", motion.fossa, "of the center of the membrane")
    if motion.other_height_mm is not None and motion.height_change_mm is not None:
        same = "of the same place on the fossa (superior and anterior fraction) above the annular plane of that phase"
        found += [
            Measurement(
                "motion: height in the other phase", motion.other_height_mm, "mm", motion.other_height_sd_mm, same
            ),
            Measurement(
                "motion: change of height",
                motion.height_change_mm,
                "mm",
                motion.height_change_sd_mm,
                "height in the other phase less that in the plan's phase",
            ),
        ]
    return found


def _list_shift(what: str, moved: Shift, of: str) -> list[Measurement]:
    along = "along the annular normal of the plan's phase, positive toward the left atrium"
    return [
        Measurement(f"motion: {what} moves", moved.distance_mm, "mm", moved.distance_sd_mm, of),
        Measurement(f"motion: {what} along", moved.along_mm, "mm", moved.along_sd_mm, along),
        Measurement(f"motion: {what} across", moved.across_mm, "mm", moved.across_sd_mm, "square to that normal"),
    ]
