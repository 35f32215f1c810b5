"""The saved plan: its schema, and how it is built, written and read back.

Positions are DICOM patient coordinates (LPS), millimetres; angles degrees; directions unit vectors. A field
without a default is required, null where not assessed. Whatever is added gets a default, so that saved
plans load for ever.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import numpy as np
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from septal_planner import __version__
from septal_planner.errors import InputRefused
from septal_planner.output_folder import write_whole

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

SCHEMA_VERSION = 1
DECIMALS = 6

Vector = tuple[float, float, float]
Row = tuple[float, float, float, float]


def _is_unit(v: Vector) -> Vector:
    if abs(math.hypot(*v) - 1) > 1e-3:
        raise ValueError(f"is a direction of length {math.hypot(*v):.4f}, expected 1")
    return v


Direction = Annotated[Vector, AfterValidator(_is_unit)]
NotNegative = Annotated[float, Field(ge=0)]
Positive = Annotated[float, Field(gt=0)]
Angle = Annotated[float, Field(ge=0, le=180)]


class _Part(BaseModel):
    model_config = ConfigDict(
        extra="forbid", frozen=True, allow_inf_nan=False, strict=True, protected_namespaces=()
    )


class Software(_Part):
    name: str
    version: str


class CT(_Part):
    """What was planned on. No patient name, no file name: those can name a person."""

    series_instance_uid: str | None
    frame_of_reference_uid: str | None
    content_sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    phase_percent: float | None
    size: tuple[int, int, int]
    spacing_mm: Vector
    patient_position: str | None = None


class AtriumFound(_Part):
    """`volume_ml` is null where the CT ends inside the atrium."""

    volume_ml: NotNegative | None
    mean_hu: float


class AnnulusFound(_Part):
    """`normal` points toward the atrium; `area_mm2` projected on the plane, `perimeter_mm` in space."""

    center_mm: Vector
    normal: Direction
    area_mm2: Positive
    perimeter_mm: Positive
    septal_lateral_mm: Positive
    intercommissural_mm: Positive
    saddle_height_mm: NotNegative
    d_shape_area_mm2: Positive | None = None
    d_shape_perimeter_mm: Positive | None = None


class FossaFound(_Part):
    """The thin membrane, not the limbus crest; `normal` from the right atrium toward the left.

    `normal_sd_deg`: about each axis of the septal plane. `seen_from`: whose blood showed the wall. `not_assessed`: rim,
    area, extents, thickness and why; `rim_mm` is empty where the rim was not seen.
    """

    boundary: Literal["membrane"]
    center_mm: Vector
    normal: Direction
    area_mm2: Positive | None
    superior_inferior_mm: Positive | None
    anterior_posterior_mm: Positive | None
    thickness_mean_mm: Positive | None
    thickness_min_mm: NotNegative | None
    rim_mm: tuple[Vector, ...]
    seen_from: Literal["both", "left", "right"] = "both"
    normal_sd_deg: NotNegative | None = None
    not_assessed: dict[str, str] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _rim_goes_around_or_is_none(self) -> FossaFound:
        if len(self.rim_mm) < 3 and (self.rim_mm or "rim" not in self.not_assessed):
            raise ValueError("rim_mm needs three points or more, or none and the reason in not_assessed.rim")
        return self


class Opacification(_Part):
    """Mean and spread of the blood of one chamber."""

    mean_hu: float
    sd_hu: NotNegative


class BloodRead(_Part):
    """Blood around a landmark: mean, spread (SD), 5th and 95th percentile, noise (SD)."""

    mean_hu: float
    spread_hu: NotNegative
    low_hu: float
    high_hu: float
    noise_hu: NotNegative | None


class SeptumRead(_Part):
    """Across the septum at the fossa point: blood on either side, the darkest place between, noise (SD)."""

    left_hu: float
    right_hu: float
    wall_hu: float
    contrast_left_hu: float
    contrast_right_hu: float
    noise_hu: NotNegative
    contrast_to_noise: float


class ContrastRead(_Part):
    """What the scan shows at its landmarks, and in words what can be trusted in it."""

    blood: dict[str, BloodRead]
    septum: SeptumRead | None
    sentences: tuple[str, ...]


class Anatomy(_Part):
    left_atrium: AtriumFound
    right_atrium: AtriumFound
    mitral_annulus: AnnulusFound
    tricuspid_annulus: AnnulusFound | None
    fossa: FossaFound
    opacification: dict[str, Opacification] | None = None
    contrast: ContrastRead | None = None


class CheckMade(_Part):
    name: str
    value: float | None
    unit: str
    low: float | None
    high: float | None
    status: Literal["met", "borderline", "not met", "not assessed"]
    why: str

    @model_validator(mode="after")
    def _has_value_when_assessed(self) -> CheckMade:
        if (self.value is None) != (self.status == "not assessed"):
            raise ValueError(f"the check {self.name!r} must have a value exactly when it is assessed")
        return self


class Puncture(_Part):
    procedure: str
    target_mm: Vector
    target_source: Literal["computed", "user"]
    height_above_mitral_annulus_mm: float
    height_interval_95_mm: tuple[float, float]
    height_above_coaptation_mm: float | None
    superior_fraction: float | None
    anterior_fraction: float | None
    zone: str | None
    wall_thickness_mm: NotNegative | None
    distance_to_aorta_mm: float | None
    distance_to_posterior_wall_mm: NotNegative | None
    distance_to_rim_mm: float | None
    checks: tuple[CheckMade, ...]
    moved_mm: NotNegative | None = None
    membrane_height_range_mm: tuple[float, float] | None = None
    height_band_available: bool | None = None
    not_assessed: dict[str, str] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _interval_in_order(self) -> Puncture:
        if self.height_interval_95_mm[0] > self.height_interval_95_mm[1]:
            raise ValueError("height_interval_95_mm must be [low, high]")
        return self


class Band(_Part):
    """What the procedure asks of one quantity; `flag` says how well its source is known."""

    name: str
    low: float | None
    high: float | None
    tolerance: Positive
    unit: str
    source: str
    flag: str


class ProcedureProfile(_Part):
    name: str
    title: str
    height_datum: str
    target_structure: str
    bands: tuple[Band, ...]


class ReachFound(_Part):
    crossing_direction: Direction
    entry_angle_deg: Angle
    turn_angle_deg: Angle
    bend_radius_mm: Positive | None
    axis_tilt_deg: Angle | None
    clearance_mm: float | None
    reachable: bool | None
    limits: tuple[str, ...]
    sheath_angle_deg: Angle | None = None
    arc_turn_deg: NotNegative | None = None
    path_mm: tuple[Vector, ...] | None = None
    not_assessed: tuple[str, ...] = ()


class View(_Part):
    """DICOM positioner angles (0018,1510), LAO positive, and (0018,1511), cranial positive."""

    primary_deg: Annotated[float, Field(ge=-180, le=180)]
    secondary_deg: Annotated[float, Field(ge=-90, le=90)]
    label: str
    reachable: bool


class MeasurementMade(_Part):
    """`sd` is one standard uncertainty, null where not assessed; `unit` a UCUM code."""

    name: str
    value: float
    unit: str
    sd: NotNegative | None
    method: str


class Labels(_Part):
    """Where the label image is (a name beside the plan), and its grid: `size` i, j, k."""

    file: str
    lps_from_index: tuple[Row, Row, Row, Row]
    size: tuple[int, int, int]
    names: dict[str, int]


class ShiftFound(_Part):
    """How far a place moves; `along_mm` on the annular normal of the plan's phase, positive toward the left atrium,
    `across_mm` square to it; each `_sd` one standard uncertainty."""

    vector_mm: Vector
    distance_mm: NotNegative
    distance_sd_mm: NotNegative
    along_mm: float
    along_sd_mm: NotNegative
    across_mm: NotNegative
    across_sd_mm: NotNegative


class MotionFound(_Part):
    """From the plan's phase to that of `other_ct`; null: not assessed, the reason in `not_assessed`.

    `other_place_mm`: the same place on the fossa (superior and anterior fraction) on the other phase's mid-surface;
    `other_height_mm` its height above the mitral annular plane of that phase, `height_range_mm` over both.
    """

    other_ct: CT
    other_landmarks: dict[str, tuple[Vector, ...]]
    other_mitral_annulus: AnnulusFound
    annulus: ShiftFound
    fossa: ShiftFound | None
    tilt_deg: Angle
    tilt_sd_deg: NotNegative
    area_change_percent: float
    area_change_sd_percent: NotNegative
    other_place_mm: Vector | None
    other_height_mm: float | None
    other_height_interval_95_mm: tuple[float, float] | None
    height_change_mm: float | None
    height_change_sd_mm: NotNegative | None
    height_range_mm: tuple[float, float] | None
    meaning: str
    not_assessed: dict[str, str]


class Plan(_Part):
    schema_version: Literal[1]
    software: Software
    coordinate_system: Literal["LPS"]
    unit: Literal["mm"]
    ct: CT
    landmarks: dict[str, tuple[Vector, ...]]
    anatomy: Anatomy
    puncture: Puncture
    reach: ReachFound
    views: dict[str, View] | None
    cautions: tuple[str, ...]
    measurements: tuple[MeasurementMade, ...] = ()
    procedure_profile: ProcedureProfile | None = None
    labels: Labels | None = None
    read_first: tuple[str, ...] | None = None  # those of the cautions that bear on what is done at the table
    motion: MotionFound | None = None  # where a second phase was given


# -------------------------------------------------------------------------------------------- file and schema


def plan_json_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of plan.json."""
    return Plan.model_json_schema()


def plan_as_json(plan: Plan) -> str:
    """The text of plan.json: fields in the schema's order, numbers to 6 decimals."""
    text = json.dumps(_rounded(plan.model_dump(mode="json")), indent=2, ensure_ascii=False, allow_nan=False)
    # a point on one line reads better than on five; a line break never stands inside a JSON string
    return re.sub(r"\[\n\s+([-+0-9.eE,\s]+?)\n\s+\]", lambda m: f"[{' '.join(m[1].split())}]", text) + "\n"


def save_plan(plan: Plan, path: Path) -> None:
    """Write plan.json whole or not at all. Raises InputRefused where that is not possible."""
    write_whole(path, plan_as_json(plan).encode())


def load_plan(path: Path) -> Plan:
    """Read plan.json. Raises InputRefused where it is missing, not JSON, of a newer schema, or not valid."""
    again = "give a plan.json as `septal-planner plan` writes it"
    try:
        text = Path(path).read_text("utf-8-sig")
        document = json.loads(text)
    except OSError as problem:
        raise InputRefused(
            f"The plan {path} cannot be read ({problem.strerror}); check the path."
        ) from problem
    except (ValueError, RecursionError) as problem:
        said = " ".join(str(problem).split())
        raise InputRefused(f"The plan {path} is not valid JSON ({said}); {again}.") from problem
    version = document.get("schema_version") if isinstance(document, dict) else None
    if not isinstance(document, dict) or type(version) is not int or version < 1:
        raise InputRefused(f"The file {path} is not a plan: it has no schema_version of 1 or more; {again}.")
    if version > SCHEMA_VERSION:
        raise InputRefused(
            f"The plan {path} was written by a newer version of the program (schema {version}, this one reads "
            f"up to {SCHEMA_VERSION}); update the program to open it."
        )
    try:
        return Plan.model_validate_json(text.removeprefix("\ufeff"))
    except ValidationError as problem:
        raise InputRefused(f"The plan {path} is not valid: {_first_fault(problem)}; {again}.") from problem


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, DECIMALS) + 0.0  # + 0.0: no minus zero
    if isinstance(value, dict):
        return {k: _rounded(v) for k, v in value.items()}
    return [_rounded(v) for v in value] if isinstance(value, (list, tuple)) else value


def _first_fault(problem: ValidationError) -> str:
    faults = problem.errors(include_url=False, include_context=False)
    first = faults[0]
    where = ".".join(str(p) for p in first["loc"]) or "the whole"
    more = "" if len(faults) == 1 else f" (and {len(faults) - 1} more such)"
    if first["type"] == "extra_forbidden":
        return f"the key {where} is not known{more}"
    if first["type"] == "missing":
        return f"{where} is missing{more}"
    said = first["msg"].removeprefix("Value error, ").rstrip(".")
    return f"{where}: {said[:1].lower() + said[1:]}{more}"


# ---------------------------------------------------------------------------- from what was found and chosen


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
            "landmarks": {name: _plain(points) for name, points in landmarks.points_lps.items()},
            "anatomy": {
                **{name: _atrium(chambers, name) for name in ("left_atrium", "right_atrium")},
                "mitral_annulus": _annulus(mitral),
                "tricuspid_annulus": None if tricuspid is None else _annulus(tricuspid),
                "fossa": {
                    "boundary": "membrane",
                    "center_mm": _plain(fossa.center_lps),
                    "normal": _plain(fossa.normal_lps),
                    **_take(fossa, "area_mm2 superior_inferior_mm anterior_posterior_mm"),
                    **_take(fossa, "thickness_mean_mm thickness_min_mm"),
                    "rim_mm": _plain(fossa.rim_lps),
                    "seen_from": fossa.seen_from,
                    "normal_sd_deg": _plain(fossa.normal_sd_deg),
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
            else {n: _take(v, "primary_deg secondary_deg label reachable") for n, v in views.items()},
            "cautions": tuple(cautions),
            "measurements": tuple(_take(m, "name value unit sd method") for m in measurements),
            "procedure_profile": {
                **_take(procedure, "name title height_datum target_structure"),
                "bands": _bands(procedure),
            },
            "labels": {
                "file": labels_file,
                "lps_from_index": _plain(chambers.lps_from_index),
                "size": chambers.labels.shape[::-1],
                "names": dict(LABELS),
            },
            "read_first": None if read_first is None else tuple(read_first),
        }
    )


def contrast_as_read(contrast: ContrastOfScan) -> dict[str, Any]:
    """What was read of a scan's contrast, as the plan keeps it."""
    septum = contrast.septum
    return {
        "blood": {n: _take(b, "mean_hu spread_hu low_hu high_hu noise_hu") for n, b in contrast.blood.items()},
        "septum": septum and {
            **_take(septum, "left_hu right_hu wall_hu contrast_left_hu contrast_right_hu noise_hu"),
            **_take(septum, "contrast_to_noise"),
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
        "other_landmarks": {name: _plain(points) for name, points in other_landmarks.points_lps.items()},
        "other_mitral_annulus": _annulus(other_mitral),
        "annulus": _shift(motion.annulus),
        "fossa": None if motion.fossa is None else _shift(motion.fossa),
        **_take(motion, "tilt_deg tilt_sd_deg area_change_percent area_change_sd_percent"),
        "other_place_mm": _plain(motion.other_place_lps),
        "other_height_interval_95_mm": _plain(interval),
        **_take(motion, "other_height_mm height_change_mm height_change_sd_mm height_range_mm meaning"),
        "not_assessed": dict(motion.not_assessed),
    }
    more = tuple(MeasurementMade.model_validate(_take(m, "name value unit sd method")) for m in measurements)
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
        **_take(volume, "series_instance_uid frame_of_reference_uid phase_percent patient_position"),
        "content_sha256": content_sha256(volume),
        "size": volume.size_ijk,
        "spacing_mm": _plain(spacing_mm(volume.lps_from_index)),
    }


def _shift(found: Shift) -> dict[str, Any]:
    return {
        "vector_mm": _plain(found.vector_lps),
        **_take(found, "distance_mm distance_sd_mm along_mm along_sd_mm across_mm across_sd_mm"),
    }


_BAND_UNITS = {
    "height": "mm", "superior_fraction": "1", "anterior_fraction": "1", "distance_to_rim": "mm",
    "distance_to_aorta": "mm", "posterior_path": "mm", "wall_thickness": "mm", "entry_angle": "deg",
    "bend_radius": "mm", "axis_tilt": "deg",
}  # fmt: skip


def _bands(procedure: Procedure) -> tuple[dict[str, Any], ...]:
    asked = {name: getattr(procedure, name) for name in _BAND_UNITS}
    return tuple(
        {"name": name, **_take(a, "low high tolerance source flag"), "unit": _BAND_UNITS[name]}
        for name, a in asked.items()
        if a is not None
    )


def _puncture(site: PunctureSite) -> dict[str, Any]:
    return {
        **_take(site, "procedure height_interval_95_mm height_above_coaptation_mm superior_fraction"),
        **_take(site, "anterior_fraction zone wall_thickness_mm distance_to_aorta_mm distance_to_rim_mm"),
        **_take(
            site, "distance_to_posterior_wall_mm moved_mm membrane_height_range_mm height_band_available"
        ),
        "not_assessed": dict(site.not_assessed),
        "target_mm": _plain(site.target_lps),
        "target_source": site.source,
        "height_above_mitral_annulus_mm": float(site.height_mm),
        "checks": tuple(_take(c, "name value unit low high status why") for c in site.checks),
    }


def _reach(site: PunctureSite) -> dict[str, Any]:
    reach = site.reach
    return {
        **_take(reach, "crossing_direction entry_angle_deg turn_angle_deg bend_radius_mm axis_tilt_deg"),
        **_take(reach, "clearance_mm reachable limits sheath_angle_deg arc_turn_deg not_assessed"),
        "path_mm": _plain(reach.path_lps),
    }


def _atrium(chambers: Chambers, name: str) -> dict[str, float | None]:
    return {"volume_ml": _plain(chambers.volume_ml.get(name)), "mean_hu": float(chambers.mean_hu[name])}


def _annulus(ring: Annulus) -> dict[str, Any]:
    return {
        "center_mm": _plain(ring.center_lps),
        "normal": _plain(ring.normal_lps),
        **_take(ring, "area_mm2 perimeter_mm septal_lateral_mm intercommissural_mm saddle_height_mm"),
        **_take(ring, "d_shape_area_mm2 d_shape_perimeter_mm"),
    }


def _take(source: object, names: str) -> dict[str, Any]:
    return {name: _plain(getattr(source, name)) for name in names.split()}


def _plain(value: Any) -> Any:
    """Arrays and NumPy numbers as tuples and Python's own."""
    if isinstance(value, np.ndarray):
        return _plain(tuple(value.tolist()))
    if isinstance(value, (tuple, list)):
        return tuple(_plain(v) for v in value)
    return value.item() if isinstance(value, np.generic) else value
