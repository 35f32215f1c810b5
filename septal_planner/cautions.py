"""What must be said with a plan: cautions gathered from every step, and those that bear on the table."""

from __future__ import annotations

from collections.abc import Sequence

from septal_planner.anatomy.chambers import Chambers
from septal_planner.anatomy.fossa import Fossa
from septal_planner.anatomy.opacification import Opacification
from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.volume import Volume
from septal_planner.plausibility import RANGES
from septal_planner.puncture.passage import Passage
from septal_planner.puncture.procedures import Procedure
from septal_planner.puncture.site import PunctureSite
from septal_planner.puncture.survey import Survey
from septal_planner.puncture.tricuspid import TricuspidReach

USUAL_CAUTIONS = (
    "This is a planning aid, not a medical device: confirm the puncture with imaging at the table; local protocol "
    "and licensed practice come first.",
    "The height is measured on the membrane at rest. The tip tents it before crossing, which moves the hole, mostly "
    "down and back, and echo measures the tented height: allow up to some 5 mm (common practice, no source); what the "
    "trials allow for it is told with them.",
    "Septum, annulus and atria move with the heartbeat and with breathing: every number holds for the phase of this "
    "CT only.",
    "Sheath and catheter are shapes of constant bends without weight, friction or tissue: they say what shape would be "
    "needed, not that an instrument takes it.",
)



NO_PLACE = "No place on this membrane meets all limits: the target is the least bad of those that keep clear of harm."


def all_cautions(
    *,
    volume: Volume,
    landmarks: Landmarks,
    procedure: Procedure,
    chambers: Chambers,
    fossa: Fossa,
    contrast: Opacification,
    unusual: Sequence[str],
    site: PunctureSite,
    survey: Survey,
    passage: Passage,
    tricuspid: TricuspidReach | None,
    views_given: bool,
) -> tuple[str, ...]:
    """Every caution, each once, the usual ones first."""
    return tuple(
        dict.fromkeys(
            [
                *USUAL_CAUTIONS,
                *_site_cautions(site, passage),
                *_crossing_cautions(site, survey, passage),
                *([] if tricuspid is None else [*tricuspid.cautions, *tricuspid.not_assessed]),
                *unusual,
                *_contrast_cautions(contrast, fossa, unusual),
                *_missing(landmarks, chambers, procedure),
                *_acquisition_cautions(volume, views_given),
                *volume.notes,
                *landmarks.notes,
                *chambers.notes,
                *_fossa_cautions(fossa),
                *fossa.notes,
                *read_first(volume, views_given, contrast, fossa, site, survey),
            ]
        )
    )


def _crossing_cautions(site: PunctureSite, survey: Survey, passage: Passage) -> list[str]:
    """What no place can give, and what of the ways is not assessed or not kept."""
    said = []
    if survey.choice is not None and not survey.choice.meets_all:
        said += [NO_PLACE] if site.source == "computed" else []
        said += survey.choice.what_gives
    if passage.catheter is not None:
        title = passage.catheter.catheter.title
        said += [f"{title}: {why}" for why in passage.catheter.why_not]
        if passage.catheter.catheter.unconfirmed:
            said.append(
                f"{title}: generic figures, no certain device; without a verified source are "
                f"{', '.join(passage.catheter.catheter.unconfirmed)}. Put in those of the instructions for use."
            )
    return [*said, *passage.not_assessed]


def _site_cautions(site: PunctureSite, passage: Passage) -> list[str]:
    said = list(site.notes)
    if site.source == "user" and site.moved_mm is not None:
        said.append(f"The target given was moved by {site.moved_mm:.1f} mm onto the mid-surface of the membrane.")
    said.extend(
        f"{name.replace('_', ' ').capitalize()}: not assessed. {site.not_assessed[name]}"
        for name in ("distance_to_posterior_wall", "distance_to_aorta")
        if "field of view" in site.not_assessed.get(name, "")
    )
    # a limit of the way is said once: of the catheter, or where none was tried of the one arc
    return [*said, *(site.reach.limits if passage.catheter is None else ()), *site.reach.not_assessed]


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


def read_first(
    volume: Volume, views_given: bool, contrast: Opacification, fossa: Fossa, site: PunctureSite, survey: Survey
) -> tuple[str, ...]:
    """The cautions that bear on what is done at the table: the height band, the membrane, the view angles, the scan."""
    no_choice = survey.choice is None or survey.choice.meets_all or site.source != "computed"
    no_place = [] if no_choice else [NO_PLACE]
    scan = set(contrast.for_the_table()) & set(_contrast_cautions(contrast, fossa, []))
    return tuple(
        dict.fromkeys([
            *site.notes, *no_place, *_fossa_cautions(fossa), *fossa.notes, *_view_cautions(volume, views_given),
            *sorted(scan),
        ])
    )  # fmt: skip
