"""The order in which landmarks are marked, where to look for each, and what is thought of the points so far."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.errors import InputRefused
from septal_planner.inputs.landmark_checks import check_landmark, check_landmarks
from septal_planner.inputs.landmarks import POINT_COUNTS, REQUIRED, Landmarks
from septal_planner.inputs.resample import sample_lps
from septal_planner.inputs.volume import Volume
from septal_planner.pipeline import FoundAnatomy

Array = NDArray[np.float64]
State = Literal["missing", "placed", "doubtful"]

# Fat and lung lie below water's 0 HU by definition of the scale (Hounsfield 1973, doi 10.1259/0007-1285-46-552-1016);
# blood with or without contrast above it.
BLOOD_ABOVE_HU = 0.0
SPOT_MM = 2.0  # half the width of the cube whose mean is taken, so that noise does not decide
INTO_CHAMBER_MM = 1.0  # a point this far outside the chamber found is not in it
OFF_SEPTUM_MM = 10.0
BLOOD = (
    "left_atrium", "right_atrium", "left_ventricle", "right_ventricle", "aorta", "superior_vena_cava",
    "left_atrial_appendage", "coronary_sinus",
)  # fmt: skip


@dataclass(frozen=True)
class LandmarkStep:
    """One landmark of the list. `where`: one sentence on where to look; `plane`: the plane it is best seen in; `gives`:
    what is computed once it is there; `most` None for no upper limit."""

    name: str
    title: str
    where: str
    plane: str
    least: int
    most: int | None
    needed: bool
    gives: str


@dataclass(frozen=True)
class LandmarkState:
    """What is thought of the points of one landmark, and why, in one sentence."""

    state: State
    why: str


def _step(name: str, title: str, plane: str, where: str, gives: str) -> LandmarkStep:
    least, most = POINT_COUNTS[name]
    return LandmarkStep(name, title, where, plane, least, most, name in REQUIRED, gives)


# anatomy and echo habits: common practice, no source
STEPS: tuple[LandmarkStep, ...] = (
    _step(
        "left_atrium", "Left atrium", "axial",
        "In the middle of the left atrium, the chamber in front of the spine and gullet that takes in the lung veins.",
        "The outline and volume of the left atrium, and the free path behind the crossing.",
    ),
    _step(
        "right_atrium", "Right atrium", "axial",
        "In the middle of the right atrium, at the patient's right, between the two cavae; not in a streak of "
        "undiluted contrast.",
        "The outline of the right atrium, from which side the septum is reached.",
    ),
    _step(
        "inferior_vena_cava", "Inferior vena cava", "coronal",
        "Two points on the axis of the vein: the first just below the right atrium, the second 3 to 5 cm lower.",
        "The direction in which the sheath comes up, and with it entry angle, turn and bend.",
    ),
    _step(
        "fossa", "Fossa ovalis", "axial",
        "In the middle of the thin part of the wall between the atria, some way below the thick upper rim.",
        "The membrane, its rim and thickness, and every place at which to cross.",
    ),
    _step(
        "mitral_annulus", "Mitral annulus", "four_chamber",
        "Where the leaflets hinge on the wall, six points or more all around, two in each turned long-axis plane.",
        "The plane of the annulus, from which the height is measured, and its size.",
    ),
    _step(
        "aorta", "Aortic root", "axial",
        "In the blood of the aortic root, just above the valve, in front of the left atrium.",
        "The distance from the crossing to the aorta, and the short-axis plane.",
    ),
    _step(
        "left_ventricle", "Left ventricle", "four_chamber",
        "In the middle of the left ventricle, away from its muscles, beyond the mitral valve.",
        "A check that atrium and ventricle are not exchanged, and the valve's axis for turned planes.",
    ),
    _step(
        "right_ventricle", "Right ventricle", "axial",
        "In the middle of the right ventricle, behind the breastbone, beyond the tricuspid valve.",
        "The outline between right ventricle and right atrium.",
    ),
    _step(
        "superior_vena_cava", "Superior vena cava", "coronal",
        "In the vein above the right atrium, 2 cm or more from it.",
        "The upper end of the right atrium, and the plane through both cavae.",
    ),
    _step(
        "tricuspid_annulus", "Tricuspid annulus", "four_chamber",
        "Where the leaflets of the right valve hinge on the wall, six points or more all around.",
        "The border between right atrium and right ventricle, and the C-arm view on the edge of that ring.",
    ),
    _step(
        "leaflet_coaptation", "Leaflet coaptation", "four_chamber",
        "Where the mitral leaflets meet, best in a systolic phase; below the plane of the annulus when they tent.",
        "The height above the leaflets, which some books mean by height.",
    ),
    _step(
        "commissure_medial", "Medial commissure", "short_axis",
        "Where the two mitral leaflets meet at the ring, on the side of the septum and behind.",
        "With the lateral one, the line on which a medial, central or lateral target lies; else taken from the ring.",
    ),
    _step(
        "commissure_lateral", "Lateral commissure", "short_axis",
        "Where the two mitral leaflets meet at the ring, on the side of the appendage and in front.",
        "With the medial one, the line on which a medial, central or lateral target lies; else taken from the ring.",
    ),
    _step(
        "left_atrial_appendage", "Left atrial appendage", "axial",
        "In the mouth of the appendage, at the front and left of the left atrium, beside the left upper lung vein; "
        "three points or more around the mouth give its plane.",
        "The way from the crossing to the appendage, for procedures that go there; from three points on its axis too.",
    ),
    _step(
        "leak", "Leak", "short_axis",
        "In the gap beside the valve prosthesis, where echo showed the jet; two points, its mouth in the atrium and "
        "then one through it, give its direction.",
        "The way from the crossing to the leak, for procedures that close one.",
    ),
    _step(
        "coronary_sinus", "Coronary sinus", "axial",
        "In the mouth of the sinus, low at the back of the right atrium, near the inferior cava.",
        "A place that is shown in the pictures.",
    ),
    _step(
        "spine", "Spine", "axial",
        "In the middle of the body of the vertebra behind the left atrium.",
        "A bone to tell by whether two phases lie in the same place, and whether it lies over the target in a view.",
    ),
    _step(
        "aortic_annulus", "Aortic annulus", "short_axis",
        "At the lowest point of each of the three cusps of the aortic valve, where they hinge, three points or more.",
        "The C-arm views on the edge of that ring.",
    ),
    _step(
        "old_ring", "Old ring", "four_chamber",
        "On the metal of a ring or valve implanted before, three points or more all around.",
        "The C-arm views on the edge of that ring, and for a valve put into it the view for deployment.",
    ),
)  # fmt: skip

STEP = {step.name: step for step in STEPS}


def state_of(
    step: LandmarkStep,
    points: Mapping[str, ArrayLike],
    volume: Volume | None,
    found: FoundAnatomy | None = None,
) -> LandmarkState:
    """What is thought of one landmark among all `points` (name -> (n, 3), LPS). `found` only where it was found with
    these very points."""
    return states_of(points, volume, found, steps=(step,))[step.name]


def states_of(
    points: Mapping[str, ArrayLike],
    volume: Volume | None,
    found: FoundAnatomy | None = None,
    *,
    steps: tuple[LandmarkStep, ...] = STEPS,
) -> dict[str, LandmarkState]:
    """The state of every landmark by name."""
    marked = {name: np.asarray(p, dtype=np.float64).reshape(-1, 3) for name, p in points.items()}
    marked = {name: p for name, p in marked.items() if len(p)}
    together = _fault_of_all(marked, volume)
    return {step.name: _state(step, marked, volume, found, together) for step in steps}


def first_to_mark(states: Mapping[str, LandmarkState]) -> str | None:
    """The landmark to mark next: the first needed one that is missing, or else the first that is doubtful."""
    for step in STEPS:
        if step.needed and states[step.name].state == "missing":
            return step.name
    return next((s.name for s in STEPS if states[s.name].state == "doubtful"), None)


def _state(
    step: LandmarkStep,
    marked: dict[str, Array],
    volume: Volume | None,
    found: FoundAnatomy | None,
    together: str,
) -> LandmarkState:
    points = marked.get(step.name)
    if points is None:
        return LandmarkState("missing", "Needed for a plan." if step.needed else "Not needed; better with it.")
    n = len(points)
    if n < step.least:
        more = step.least - n
        return LandmarkState(
            "doubtful",
            f"{n} of {step.least} points {'is' if n == 1 else 'are'} there; mark {more} more.",
        )
    if volume is None:
        return LandmarkState("placed", "No CT is open to hold it against.")
    try:
        checked, notes = check_landmark(step.name, points, volume)
    except InputRefused as problem:
        return LandmarkState("doubtful", str(problem))
    dark = _not_blood(step, checked, volume)
    if dark:
        return LandmarkState("doubtful", dark)
    if step.name in together:
        return LandmarkState("doubtful", together)
    astray = _astray(step, checked, found)
    if astray:
        return LandmarkState("doubtful", astray)
    return LandmarkState("placed", " ".join(notes) or f"{n} point{'s' * (n != 1)} in place.")


def _fault_of_all(marked: dict[str, Array], volume: Volume | None) -> str:
    """What is wrong with the landmarks together (exchanged sides, one valve marked twice), or an empty text."""
    whole = {name: p for name, p in marked.items() if len(p) >= POINT_COUNTS[name][0]}
    if volume is None or any(name not in whole for name in REQUIRED):
        return ""
    alone = dict(whole)
    for name, p in whole.items():  # what is wrong with one alone is said there, and must not hide the rest
        try:
            check_landmark(name, p, volume)
        except InputRefused:
            if name in REQUIRED:
                return ""
            del alone[name]
    try:
        check_landmarks(Landmarks(alone), volume)
    except InputRefused as problem:
        return str(problem)
    return ""


def _not_blood(step: LandmarkStep, points: Array, volume: Volume) -> str:
    if step.name not in BLOOD:
        return ""
    offset = np.linspace(-SPOT_MM, SPOT_MM, 5)
    cube = np.stack(np.meshgrid(offset, offset, offset), axis=-1).reshape(-1, 3)
    mean = np.nanmean(sample_lps(volume, points[:, None, :] + cube), axis=1)
    darkest = float(mean.min())
    if darkest >= BLOOD_ABOVE_HU:
        return ""
    return (
        f"The CT around this point has {darkest:.0f} HU, which is fat or air and not blood; move it into the blood of "
        f"the {step.title.lower()}."
    )


def _astray(step: LandmarkStep, points: Array, found: FoundAnatomy | None) -> str:
    """Whether a point lies outside the chamber that was found from it, or the fossa point off the septum found."""
    if found is None:
        return ""
    if step.name == "fossa":
        off = found.fossa.patch.nearest(points[0])[1]
        if off > OFF_SEPTUM_MM:
            return f"The point lies {off:.0f} mm off the septum found; mark it on the membrane, then find it again."
    field = found.chambers.distance.get(step.name)
    if field is None or step.name in ("coronary_sinus", "left_atrial_appendage"):
        return ""
    outside = float(field.at(points).max())
    if outside > INTO_CHAMBER_MM:
        return (
            f"The point lies {outside:.0f} mm outside the {step.title.lower()} as it was found; check that it is in "
            "the chamber meant."
        )
    return ""
