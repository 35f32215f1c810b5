"""Walk the steps from a CT and landmarks to a plan, gathering on the way what must be said with it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner import cautions
from septal_planner.anatomy.annulus import Annulus, measure_annulus
from septal_planner.anatomy.chambers import LABELS, Chambers, segment_chambers
from septal_planner.anatomy.fossa import Fossa, find_fossa, label_membrane
from septal_planner.anatomy.opacification import Opacification, read_opacification
from septal_planner.fluoroscopy import carm
from septal_planner.fluoroscopy.shared_view import shared_edge_on_view
from septal_planner.geometry.frames import apply_affine
from septal_planner.geometry.measurement import Measurement
from septal_planner.geometry.planes import fit_plane
from septal_planner.inputs.landmark_checks import check_landmarks
from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.volume import Volume
from septal_planner.measurements import list_measurements
from septal_planner.plan import Plan, build_plan
from septal_planner.plan.crossing import crossing_as_found
from septal_planner.plausibility import check_annulus, check_aorta, check_plausible, measured
from septal_planner.puncture.catheter import SHEATH_ANGLE_DEG
from septal_planner.puncture.catheters import SteerableCatheter, steerable_catheter
from septal_planner.puncture.passage import Passage, compare, look_into, with_catheter
from septal_planner.puncture.procedures import Procedure
from septal_planner.puncture.procedures import procedure as procedure_named
from septal_planner.puncture.survey import Survey, Trial, chosen_site, survey_membrane
from septal_planner.puncture.target import (
    LANDMARK_SD_MM,
    Approach,
    PunctureSite,
    evaluate_on,
    prepare_approach,
    snap_on,
)
from septal_planner.puncture.tricuspid import DEFAULT_CATHETER, TricuspidReach, tricuspid_reach

Array = NDArray[np.float64]
Progress = Callable[[str], None]

DEFAULT_PROCEDURE = "edge-to-edge-degenerative"
SUPINE = ("HFS", "FFS")
RING_VIEWS = {"aortic_annulus": "aortic_edge_on", "old_ring": "old_ring_edge_on"}


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
    survey: Survey
    passage: Passage


def make_plan(
    volume: Volume,
    landmarks: Landmarks,
    *,
    procedure: str | Procedure = DEFAULT_PROCEDURE,
    target_lps: ArrayLike | None = None,
    compare_lps: Sequence[ArrayLike] = (),
    catheter: SteerableCatheter | None = None,
    catheters: Mapping[str, SteerableCatheter] | None = None,
    trial: Trial | None = None,
    sheath_angle_deg: float = SHEATH_ANGLE_DEG,
    landmark_sd_mm: float = LANDMARK_SD_MM,
    progress: Progress | None = None,
) -> PlannedCase:
    """Plan a puncture: check the landmarks, measure annuli, chambers and fossa, look the membrane over, choose the
    target or take the user's (3,), and work out the ways there and on, with their doubt, and the views.

    `compare_lps`: more points (3,) to be measured beside it; `catheter`: other than the procedure's own;
    `catheters`: from where each of these reaches (those built in unless given); `trial`: how the doubt is tried;
    `landmark_sd_mm`: the doubt of each landmark coordinate, one standard deviation. Raises UnknownProcedure,
    InputRefused for landmarks or a target that do not fit the CT, AnatomyNotFound for what cannot be found or cannot
    be.
    """
    wanted = _wanted(procedure)  # a wrong name is told before the long work
    found = find_anatomy(volume, landmarks, progress=progress)
    return plan_found(
        volume,
        found,
        procedure=wanted,
        target_lps=target_lps,
        compare_lps=compare_lps,
        catheter=catheter,
        catheters=catheters,
        trial=trial,
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
    procedure: str | Procedure = DEFAULT_PROCEDURE,
    target_lps: ArrayLike | None = None,
    compare_lps: Sequence[ArrayLike] = (),
    catheter: SteerableCatheter | None = None,
    catheters: Mapping[str, SteerableCatheter] | None = None,
    trial: Trial | None = None,
    sheath_angle_deg: float = SHEATH_ANGLE_DEG,
    landmark_sd_mm: float = LANDMARK_SD_MM,
    survey: Survey | None = None,
    progress: Progress | None = None,
) -> PlannedCase:
    """The plan on anatomy found in `volume` before; arguments and errors as of `make_plan`. A `survey` of the same
    anatomy and procedure saves making it again; its own catheter, trial, sheath angle and landmark doubt hold."""
    say = progress or (lambda _text: None)
    wanted = _wanted(procedure)
    landmarks, fossa, mitral, chambers = found.landmarks, found.fossa, found.mitral, found.chambers
    if survey is None:
        say("Looking the membrane over: every limit, the catheter's reach, and how likely each is met")
        approach = approach_of(found, wanted, sheath_angle_deg=sheath_angle_deg, landmark_sd_mm=landmark_sd_mm)
        survey = survey_membrane(approach, catheter=catheter, catheters=catheters, trial=trial)
    say("Choosing where to cross" if target_lps is None else "Measuring at the given target")
    given = None if target_lps is None else site_at(found, wanted, target_lps, approach=survey.approach)
    site = given or chosen_site(survey)
    passage = look_into(survey, site.target_lps)
    site = with_catheter(site, passage, survey.approach)
    others = compare(survey, [snap_on(survey.approach, point)[0] for point in compare_lps])
    tricuspid = tricuspid_of(found)
    views = find_views(volume.patient_position, fossa, mitral, found.tricuspid, landmarks.points_lps)
    shared = None
    if views is not None and found.tricuspid is not None:
        shared = shared_edge_on_view(mitral.normal_lps, found.tricuspid.normal_lps)
    read_first = cautions.read_first(volume, views is not None, found.contrast, fossa, site, survey)
    said = cautions.all_cautions(
        volume=volume, landmarks=landmarks, procedure=wanted, chambers=chambers, fossa=fossa, contrast=found.contrast,
        unusual=found.unusual, site=site, survey=survey, passage=passage, tricuspid=tricuspid,
        views_given=views is not None,
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
        cautions=said,
        contrast=found.contrast,
        read_first=read_first,
        landmark_sd_mm=landmark_sd_mm,
        crossing=crossing_as_found(survey, passage, others, tricuspid, shared),
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
        said,
        plan,
        survey,
        passage,
    )


def tricuspid_of(found: FoundAnatomy) -> TricuspidReach | None:
    """The way from the inferior vena cava to the tricuspid valve, with what metal lies in it; None without its
    annulus."""
    if found.tricuspid is None:
        return None
    chambers = found.chambers
    index = np.argwhere(chambers.labels == LABELS["metal"])[:, ::-1]
    return tricuspid_reach(
        np.asarray(found.landmarks.points_lps["inferior_vena_cava"]), found.tricuspid,
        steerable_catheter(DEFAULT_CATHETER), right_atrium=chambers.distance.get("right_atrium"),
        aorta=chambers.distance.get("aorta"), metal_lps=apply_affine(chambers.lps_from_index, index),
        beyond_ct=chambers.beyond_ct,
    )


def _wanted(procedure: str | Procedure) -> Procedure:
    """A procedure, given itself or by the name of one that comes with the program."""
    return procedure if isinstance(procedure, Procedure) else procedure_named(procedure)


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
    patient_position: str | None, fossa: Fossa, mitral: Annulus, tricuspid: Annulus | None,
    points_lps: Mapping[str, Array] | None = None,
) -> dict[str, carm.CArmView] | None:
    """C-arm views by name, or None where the CT says that the patient did not lie supine: the angles are about a
    patient lying as in the CT (SCCT 2019 consensus on CT for valve planning, table 6: propose none then). Of the
    landmarks `points_lps` (n, 3) an aortic annulus and an old ring have views too."""
    if patient_position is not None and patient_position not in SUPINE:
        return None
    views = {
        "fossa_en_face": carm.en_face_view(fossa.normal_lps),
        "fossa_profile": carm.profile_view(fossa.normal_lps),
        "mitral_edge_on": carm.edge_on_nearest_ap(mitral.normal_lps),
    }
    if tricuspid is not None:
        views["tricuspid_edge_on"] = carm.edge_on_nearest_ap(tricuspid.normal_lps)
    for name, points in (points_lps or {}).items():
        if name in RING_VIEWS:
            views[RING_VIEWS[name]] = carm.edge_on_nearest_ap(fit_plane(points)[1])
    return views
