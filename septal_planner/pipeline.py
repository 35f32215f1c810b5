"""Walk the steps from a CT and landmarks to a plan, gathering on the way what must be said with it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.anatomy.annulus import Annulus, measure_annulus
from septal_planner.anatomy.chambers import Chambers, segment_chambers
from septal_planner.anatomy.fossa import Fossa, find_fossa, label_membrane
from septal_planner.anatomy.opacification import Opacification, read_opacification
from septal_planner.fluoroscopy import carm
from septal_planner.geometry.measurement import Measurement
from septal_planner.inputs.landmark_checks import check_landmarks
from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.volume import Volume
from septal_planner.measurements import list_measurements
from septal_planner.plan import Plan, build_plan
from septal_planner.plausibility import RANGES, check_annulus, check_aorta, check_plausible, measured
from septal_planner.puncture.catheter import SHEATH_ANGLE_DEG
from septal_planner.puncture.procedures import Procedure
from septal_planner.puncture.procedures import procedure as procedure_named
from septal_planner.puncture.target import (
    LANDMARK_SD_MM,
    Approach,
    PunctureSite,
    choose_on,
    evaluate_on,
    prepare_approach,
    snap_on,
)

Array = NDArray[np.float64]
Progress = Callable[[str], None]

DEFAULT_PROCEDURE = "edge-to-edge-degenerative"
SUPINE = ("HFS", "FFS")

USUAL_CAUTIONS = (
    "This is a planning aid, not a medical device: confirm the puncture with imaging at the table; local protocol "
    "and licensed practice come first.",
    "The height is measured on the membrane at rest. The tip tents it before crossing, which moves the hole, mostly "
    "down and back, and echo measures the tented height: allow some 5 mm (common practice, no source).",
    "Septum, annulus and atria move with the heartbeat and with breathing: every number holds for the phase of this "
    "CT only.",
    "The catheter is one sheath turn and one arc without weight, friction or tissue: it says what shape would be "
    "needed, not that an instrument takes it.",
)


@dataclass(frozen=True)
class FoundAnatomy:
    """What was found in one CT with its landmarks, whatever the procedure and the target."""

    landmarks: Landmarks  # as checked: in order
    mitral: Annulus
    tricuspid: Annulus | None
    chambers: Chambers
    fossa: Fossa
    contrast: Opacification
    unusual: tuple[str, ...]  # values outside published ranges, as cautions


@dataclass(frozen=True)
class PlannedCase:
    """Everything found and chosen for one CT. `views` is None where the patient was not supine."""

    volume: Volume
    landmarks: Landmarks  # as checked: in order
    procedure: Procedure
    mitral: Annulus
    tricuspid: Annulus | None
    chambers: Chambers
    fossa: Fossa
    site: PunctureSite
    views: Mapping[str, carm.CArmView] | None
    labels: NDArray[np.uint8]  # [k, j, i] on the grid of `chambers`, membrane included
    measurements: tuple[Measurement, ...]
    cautions: tuple[str, ...]
    plan: Plan  # the same as it is saved


def make_plan(
    volume: Volume,
    landmarks: Landmarks,
    *,
    procedure: str = DEFAULT_PROCEDURE,
    target_lps: ArrayLike | None = None,
    sheath_angle_deg: float = SHEATH_ANGLE_DEG,
    landmark_sd_mm: float = LANDMARK_SD_MM,
    progress: Progress | None = None,
) -> PlannedCase:
    """Plan a puncture: check the landmarks, measure annuli, chambers and fossa, choose the target or take the user's
    (3,), and work out reach and views.

    `landmark_sd_mm` is the doubt of each landmark coordinate, one standard deviation. Raises UnknownProcedure,
    InputRefused for landmarks or a target that do not fit the CT, AnatomyNotFound for what cannot be found or cannot
    be.
    """
    procedure_named(procedure)  # a wrong name is told before the long work
    found = find_anatomy(volume, landmarks, progress=progress)
    return plan_found(
        volume,
        found,
        procedure=procedure,
        target_lps=target_lps,
        sheath_angle_deg=sheath_angle_deg,
        landmark_sd_mm=landmark_sd_mm,
        progress=progress,
    )


def find_anatomy(volume: Volume, landmarks: Landmarks, *, progress: Progress | None = None) -> FoundAnatomy:
    """What does not depend on the procedure or the target, and takes nearly all the time: checked landmarks, annuli,
    chambers and fossa. Raises InputRefused for landmarks that do not fit the CT, AnatomyNotFound."""
    say = progress or (lambda _text: None)
    say("Checking the landmarks")
    landmarks = check_landmarks(landmarks, volume)
    points = landmarks.points_lps
    contrast = read_opacification(volume, landmarks)

    say("Measuring the valve rings")
    mitral = measure_annulus(
        points["mitral_annulus"],
        atrium_point_lps=points["left_atrium"][0],
        aorta_point_lps=points["aorta"][0] if "aorta" in points else None,
        septum_point_lps=points["fossa"][0],
    )
    check_annulus(mitral)
    tricuspid = None
    if "tricuspid_annulus" in points:
        tricuspid = measure_annulus(
            points["tricuspid_annulus"], atrium_point_lps=points["right_atrium"][0], septum_point_lps=points["fossa"][0]
        )
    chambers = segment_chambers(volume, landmarks, mitral, tricuspid, progress=progress)
    check_aorta(chambers, landmarks)
    fossa = find_fossa(volume, landmarks, chambers, progress=progress)
    unusual = tuple(check_plausible(measured(chambers, mitral, fossa)))
    return FoundAnatomy(landmarks, mitral, tricuspid, chambers, fossa, contrast, unusual)


def plan_found(
    volume: Volume,
    found: FoundAnatomy,
    *,
    procedure: str = DEFAULT_PROCEDURE,
    target_lps: ArrayLike | None = None,
    sheath_angle_deg: float = SHEATH_ANGLE_DEG,
    landmark_sd_mm: float = LANDMARK_SD_MM,
    progress: Progress | None = None,
) -> PlannedCase:
    """The plan on anatomy found in `volume` before; arguments and errors as of `make_plan`."""
    say = progress or (lambda _text: None)
    wanted = procedure_named(procedure)
    landmarks, fossa, mitral, chambers = found.landmarks, found.fossa, found.mitral, found.chambers
    say("Choosing where to cross" if target_lps is None else "Measuring at the given target")
    approach = approach_of(found, wanted, sheath_angle_deg=sheath_angle_deg, landmark_sd_mm=landmark_sd_mm)
    site = choose_on(approach) if target_lps is None else site_at(found, wanted, target_lps, approach=approach)
    views = find_views(volume.patient_position, fossa, mitral, found.tricuspid)
    read_first = _read_first(volume, views is not None, found.contrast, fossa, site)
    cautions = tuple(
        dict.fromkeys(
            [
                *USUAL_CAUTIONS,
                *_site_cautions(site),
                *found.unusual,
                *_contrast_cautions(found.contrast, fossa, found.unusual),
                *_missing(landmarks, chambers, wanted),
                *_acquisition_cautions(volume, views is not None),
                *volume.notes,
                *landmarks.notes,
                *chambers.notes,
                *_fossa_cautions(fossa),
                *fossa.notes,
                *read_first,
            ]
        )
    )
    measurements = tuple(
        list_measurements(mitral, found.tricuspid, chambers, fossa, site, landmark_sd_mm=landmark_sd_mm)
    )
    plan = build_plan(
        volume=volume,
        landmarks=landmarks,
        procedure=wanted,
        mitral=mitral,
        tricuspid=found.tricuspid,
        chambers=chambers,
        fossa=fossa,
        site=site,
        views=views,
        measurements=measurements,
        cautions=cautions,
        contrast=found.contrast,
        read_first=read_first,
        landmark_sd_mm=landmark_sd_mm,
    )
    return PlannedCase(
        volume,
        landmarks,
        wanted,
        mitral,
        found.tricuspid,
        chambers,
        fossa,
        site,
        views,
        label_membrane(chambers, fossa),
        measurements,
        cautions,
        plan,
    )


def approach_of(
    found: FoundAnatomy,
    wanted: Procedure,
    *,
    sheath_angle_deg: float = SHEATH_ANGLE_DEG,
    landmark_sd_mm: float = LANDMARK_SD_MM,
) -> Approach:
    """What all punctures of this anatomy share: built once, another target or procedure then costs little."""
    return prepare_approach(
        found.fossa,
        found.mitral,
        found.chambers,
        found.landmarks.points_lps,
        wanted,
        sheath_angle_deg=sheath_angle_deg,
        landmark_sd_mm=landmark_sd_mm,
    )


def site_at(
    found: FoundAnatomy,
    wanted: Procedure,
    target_lps: ArrayLike,
    *,
    sheath_angle_deg: float = SHEATH_ANGLE_DEG,
    landmark_sd_mm: float = LANDMARK_SD_MM,
    approach: Approach | None = None,
) -> PunctureSite:
    """Everything said of a puncture at the place on the membrane nearest to a point (3,). With an `approach` of the
    same anatomy it takes some hundredths of a second, and the approach's own sheath angle and landmark doubt hold.
    Raises InputRefused for a point off the septum."""
    if approach is None:
        approach = approach_of(found, wanted, sheath_angle_deg=sheath_angle_deg, landmark_sd_mm=landmark_sd_mm)
    elif approach.procedure != wanted:
        approach = approach.for_procedure(wanted)
    snapped, moved_mm = snap_on(approach, target_lps)
    return evaluate_on(approach, snapped, source="user", moved_mm=moved_mm)


def find_views(
    patient_position: str | None, fossa: Fossa, mitral: Annulus, tricuspid: Annulus | None
) -> dict[str, carm.CArmView] | None:
    """C-arm views by name, or None where the CT says that the patient did not lie supine: the angles are about a
    patient lying as in the CT (SCCT 2019 consensus on CT for valve planning, table 6: propose none then)."""
    if patient_position is not None and patient_position not in SUPINE:
        return None
    views = {
        "fossa_en_face": carm.en_face_view(fossa.normal_lps),
        "fossa_profile": carm.profile_view(fossa.normal_lps),
        "mitral_edge_on": carm.edge_on_nearest_ap(mitral.normal_lps),
    }
    if tricuspid is not None:
        views["tricuspid_edge_on"] = carm.edge_on_nearest_ap(tricuspid.normal_lps)
    return views


# ---------------------------------------------------------------------------------------------------- what must be said


def _site_cautions(site: PunctureSite) -> list[str]:
    said = list(site.notes)
    if site.source == "user" and site.moved_mm is not None:
        said.append(f"The target given was moved by {site.moved_mm:.1f} mm onto the mid-surface of the membrane.")
    said.extend(
        f"{name.replace('_', ' ').capitalize()}: not assessed. {site.not_assessed[name]}"
        for name in ("distance_to_posterior_wall", "distance_to_aorta")
        if "field of view" in site.not_assessed.get(name, "")
    )
    # a limit of the way is said once, by the reach
    return [*said, *site.reach.limits, *site.reach.not_assessed]


def _fossa_cautions(fossa: Fossa) -> list[str]:
    """What of the membrane was not assessed, several values with one reason in one sentence."""
    reasons: dict[str, list[str]] = {}
    for name, why in fossa.not_assessed.items():
        reasons.setdefault(why, []).append(name)
    return [f"Fossa {', '.join(names)}: not assessed. {why}" for why, names in reasons.items()]


def _missing(landmarks: Landmarks, chambers: Chambers, procedure: Procedure) -> list[str]:
    """What was not assessed, and why."""
    points = landmarks.points_lps
    said = [
        f"{name.replace('_', ' ').capitalize()}: not assessed. {why}" for name, why in chambers.not_assessed.items()
    ]
    said += [
        f"{name.replace('_', ' ').capitalize()} volume: not assessed. {why}"
        for name, why in chambers.cut.items()
        if why not in chambers.notes
    ]
    if "tricuspid_annulus" not in points:
        said.append("Tricuspid annulus: not assessed. No tricuspid_annulus points were marked.")
    if "leaflet_coaptation" not in points:
        said.append(
            "Height above the leaflet coaptation, which some books mean: not assessed. No leaflet_coaptation point "
            "was marked."
        )
    said.extend(
        f"{procedure.title} asks for the landmark {name}, which was not marked: the way to it is not assessed."
        for name in procedure.needs
        if name not in points
    )
    return said


def _acquisition_cautions(volume: Volume, views_given: bool) -> list[str]:
    said = []
    if volume.phase_percent is None:
        said.append(
            "The cardiac phase of this CT is not recorded: the annulus and the height may differ in another phase."
        )
    return [*said, *_view_cautions(volume, views_given)]


def _view_cautions(volume: Volume, views_given: bool) -> list[str]:
    if not views_given:
        return [
            f"The patient lay {volume.patient_position} in the CT, not supine: no C-arm angles are given, since the "
            "heart lies differently at the table."
        ]
    if volume.patient_position is None:
        return [
            "How the patient lay in the CT is not recorded: the C-arm angles hold only if it was supine, as at the "
            "table."
        ]
    return []


def _contrast_cautions(contrast: Opacification, fossa: Fossa, unusual: Sequence[str]) -> list[str]:
    """Reasons to doubt the scan, without those that another caution gives already."""
    said_already = set()
    if fossa.seen_from != "both":
        said_already |= {"left side dark", "right side dark"}
    if any(RANGES["left_atrium_hu"].name in c for c in unusual):
        said_already.add("left atrium weak")
    return [s.text for s in contrast.statements if s.bears != "trust" and s.kind not in said_already]


def _read_first(
    volume: Volume, views_given: bool, contrast: Opacification, fossa: Fossa, site: PunctureSite
) -> tuple[str, ...]:
    """The cautions that bear on what is done at the table: the height band, the membrane, the view angles, the scan."""
    scan = set(contrast.for_the_table()) & set(_contrast_cautions(contrast, fossa, []))
    return tuple(
        dict.fromkeys([
            *site.notes, *_fossa_cautions(fossa), *fossa.notes, *_view_cautions(volume, views_given), *sorted(scan),
        ])
    )  # fmt: skip
