"""From what was found and chosen to the plan that is saved."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from septal_planner import __version__
from septal_planner.plan.parts import plain, take
from septal_planner.plan.schema import SCHEMA_VERSION, MeasurementMade, MotionFound, Plan

if TYPE_CHECKING:
    from septal_planner.anatomy.annulus import Annulus
    from septal_planner.anatomy.chambers import Chambers
    from septal_planner.anatomy.fossa import Fossa
    from septal_planner.anatomy.opacification import Opacification as ContrastOfScan
    from septal_planner.fluoroscopy.carm import CArmView
    from septal_planner.geometry.measurement import Measurement
    from septal_planner.inputs.landmarks import Landmarks
    from septal_planner.inputs.volume import Volume
    from septal_planner.motion import Motion, Shift
    from septal_planner.puncture.procedures import Procedure
    from septal_planner.puncture.target import PunctureSite


def build_plan(
    *,
    volume: Volume,
    landmarks: Landmarks,
    procedure: Procedure,
    mitral: Annulus,
    tricuspid: Annulus | None,
    chambers: Chambers,
    fossa: Fossa,
    site: PunctureSite,
    views: Mapping[str, CArmView] | None,
    measurements: Iterable[Measurement],
    cautions: Iterable[str],
    labels_file: str = "labels.nii.gz",
    contrast: ContrastOfScan | None = None,
    read_first: Iterable[str] | None = None,
    landmark_sd_mm: float | None = None,
    crossing: Mapping[str, Any] | None = None,
) -> Plan:
    """Everything found and chosen as the plan that is saved; only the CT's fingerprint is computed here."""
    from septal_planner.anatomy.chambers import LABELS

    return Plan.model_validate(
        {
            "schema_version": SCHEMA_VERSION,
            "software": {"name": "septal-planner", "version": __version__},
            "coordinate_system": "LPS",
            "unit": "mm",
            "ct": _ct(volume),
            "landmarks": {name: plain(points) for name, points in landmarks.points_lps.items()},
            "anatomy": {
                **{name: _atrium(chambers, name) for name in ("left_atrium", "right_atrium")},
                "mitral_annulus": _annulus(mitral),
                "tricuspid_annulus": None if tricuspid is None else _annulus(tricuspid),
                "fossa": {
                    "boundary": "membrane",
                    "center_mm": plain(fossa.center_lps),
                    "normal": plain(fossa.normal_lps),
                    **take(fossa, "area_mm2 superior_inferior_mm anterior_posterior_mm"),
                    **take(fossa, "thickness_mean_mm thickness_min_mm"),
                    "rim_mm": plain(fossa.rim_lps),
                    "seen_from": fossa.seen_from,
                    "normal_sd_deg": plain(fossa.normal_sd_deg),
                    "not_assessed": dict(fossa.not_assessed),
                },
                "opacification": {
                    name: {"mean_hu": float(mean), "sd_hu": float(chambers.sd_hu[name])}
                    for name, mean in chambers.mean_hu.items()
                },
                "contrast": None if contrast is None else contrast_as_read(contrast),
            },
            "puncture": _puncture(site),
            "reach": _reach(site),
            "views": None
            if views is None
            else {n: take(v, "primary_deg secondary_deg label reachable") for n, v in views.items()},
            "cautions": tuple(cautions),
            "measurements": tuple(take(m, "name value unit sd method") for m in measurements),
            "procedure_profile": {
                **take(procedure, "name title height_datum target_structure"),
                "bands": _bands(procedure),
            },
            "labels": {
                "file": labels_file,
                "lps_from_index": plain(chambers.lps_from_index),
                "size": chambers.labels.shape[::-1],
                "names": dict(LABELS),
            },
            "read_first": None if read_first is None else tuple(read_first),
            "landmark_sd_mm": landmark_sd_mm,
            "crossing": crossing,
        }
    )


def contrast_as_read(contrast: ContrastOfScan) -> dict[str, Any]:
    """What was read of a scan's contrast, as the plan keeps it."""
    septum = contrast.septum
    return {
        "blood": {n: take(b, "mean_hu spread_hu low_hu high_hu noise_hu") for n, b in contrast.blood.items()},
        "septum": septum and {
            **take(septum, "left_hu right_hu wall_hu contrast_left_hu contrast_right_hu noise_hu"),
            **take(septum, "contrast_to_noise"),
        },
        "sentences": contrast.sentences,
    }


def with_motion(
    plan: Plan,
    motion: Motion,
    *,
    other_volume: Volume,
    other_landmarks: Landmarks,
    other_mitral: Annulus,
    measurements: Iterable[Measurement],
    cautions: Iterable[str],
) -> Plan:
    """The plan with what a second phase shows added: its motion, more measurements and more cautions."""
    interval = None
    if motion.other_height_mm is not None and motion.other_height_sd_mm is not None:
        doubt = 2 * motion.other_height_sd_mm
        interval = (motion.other_height_mm - doubt, motion.other_height_mm + doubt)
    found = {
        "other_ct": _ct(other_volume),
        "other_landmarks": {name: plain(points) for name, points in other_landmarks.points_lps.items()},
        "other_mitral_annulus": _annulus(other_mitral),
        "annulus": _shift(motion.annulus),
        "fossa": None if motion.fossa is None else _shift(motion.fossa),
        **take(motion, "tilt_deg tilt_sd_deg area_change_percent area_change_sd_percent"),
        "other_place_mm": plain(motion.other_place_lps),
        "other_height_interval_95_mm": plain(interval),
        **take(motion, "other_height_mm height_change_mm height_change_sd_mm height_range_mm meaning"),
        "not_assessed": dict(motion.not_assessed),
    }
    more = tuple(MeasurementMade.model_validate(take(m, "name value unit sd method")) for m in measurements)
    return plan.model_copy(
        update={
            "motion": MotionFound.model_validate(found),
            "measurements": (*plan.measurements, *more),
            "cautions": tuple(dict.fromkeys([*plan.cautions, *cautions])),
        }
    )


def _ct(volume: Volume) -> dict[str, Any]:
    from septal_planner.geometry.frames import spacing_mm
    from septal_planner.inputs.volume import content_sha256

    return {
        **take(volume, "series_instance_uid frame_of_reference_uid phase_percent patient_position"),
        "content_sha256": content_sha256(volume),
        "size": volume.size_ijk,
        "spacing_mm": plain(spacing_mm(volume.lps_from_index)),
    }


def _shift(found: Shift) -> dict[str, Any]:
    return {
        "vector_mm": plain(found.vector_lps),
        **take(found, "distance_mm distance_sd_mm along_mm along_sd_mm across_mm across_sd_mm"),
    }


_BAND_UNITS = {
    "height": "mm", "superior_fraction": "1", "anterior_fraction": "1", "distance_to_rim": "mm",
    "distance_to_aorta": "mm", "posterior_path": "mm", "wall_thickness": "mm", "entry_angle": "deg",
    "bend_radius": "mm", "axis_tilt": "deg", "arc_turn": "deg", "clearance": "mm", "tip_offset": "mm",
    "distance_to_roof": "mm", "distance_to_coronary_sinus": "mm",
}  # fmt: skip


def _bands(procedure: Procedure) -> tuple[dict[str, Any], ...]:
    asked = {name: getattr(procedure, name) for name in _BAND_UNITS}
    return tuple(
        {"name": name, **take(a, "low high tolerance source flag"), "unit": _BAND_UNITS[name]}
        for name, a in asked.items()
        if a is not None
    )


def _puncture(site: PunctureSite) -> dict[str, Any]:
    return {
        **take(site, "procedure height_interval_95_mm height_above_coaptation_mm superior_fraction"),
        **take(site, "anterior_fraction zone wall_thickness_mm distance_to_aorta_mm distance_to_rim_mm"),
        **take(
            site, "distance_to_posterior_wall_mm moved_mm membrane_height_range_mm height_band_available"
        ),
        "not_assessed": dict(site.not_assessed),
        "target_mm": plain(site.target_lps),
        "target_source": site.source,
        "height_above_mitral_annulus_mm": float(site.height_mm),
        "checks": tuple(take(c, "name value unit low high status why") for c in site.checks),
    }


def _reach(site: PunctureSite) -> dict[str, Any]:
    reach = site.reach
    return {
        **take(reach, "crossing_direction entry_angle_deg turn_angle_deg bend_radius_mm axis_tilt_deg"),
        **take(reach, "clearance_mm reachable limits sheath_angle_deg arc_turn_deg not_assessed"),
        "path_mm": plain(reach.path_lps),
    }


def _atrium(chambers: Chambers, name: str) -> dict[str, float | None]:
    return {"volume_ml": plain(chambers.volume_ml.get(name)), "mean_hu": float(chambers.mean_hu[name])}


def _annulus(ring: Annulus) -> dict[str, Any]:
    return {
        "center_mm": plain(ring.center_lps),
        "normal": plain(ring.normal_lps),
        **take(ring, "area_mm2 perimeter_mm septal_lateral_mm intercommissural_mm saddle_height_mm"),
        **take(ring, "d_shape_area_mm2 d_shape_perimeter_mm"),
    }
