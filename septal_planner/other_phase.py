"""A second CT of the same heart, at another phase: whether it belongs to the first, and what is found in it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from septal_planner.anatomy.annulus import measure_annulus
from septal_planner.anatomy.chambers import segment_chambers
from septal_planner.anatomy.fossa import find_fossa
from septal_planner.errors import AnatomyNotFound, InputRefused
from septal_planner.inputs.landmark_checks import check_landmarks
from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.volume import Volume, content_sha256
from septal_planner.motion import PhaseFound
from septal_planner.plausibility import check_annulus, check_aorta, check_plausible, measured

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
    one, two = landmarks.points_lps["mitral_annulus"], other_landmarks.points_lps["mitral_annulus"]
    if one.shape == two.shape and bool(np.all(np.linalg.norm(one - two, axis=1) < SAME_POINT_MM)):
        raise InputRefused(
            f"The landmarks of the other phase ({other_landmarks.source}) have the very mitral_annulus points of the "
            f"plan's ({landmarks.source}); mark them anew in the CT of the other phase."
        )
    said = []
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

    landmarks = check_landmarks(landmarks, volume)
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
