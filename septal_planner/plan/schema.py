"""The saved plan: what stands in plan.json.

Positions are DICOM patient coordinates (LPS), millimetres; angles degrees; directions unit vectors. A field
without a default is required, null where not assessed. Whatever is added gets a default, so that saved
plans load for ever.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from septal_planner.inputs.landmarks import POINT_COUNTS, REQUIRED
from septal_planner.plan.crossing import CrossingFound
from septal_planner.plan.parts import Angle, Direction, NotNegative, Part, Positive, Row, Vector

SCHEMA_VERSION = 1


class Software(Part):
    name: str
    version: str


class CT(Part):
    """What was planned on. No patient name, no file name: those can name a person."""

    series_instance_uid: str | None
    frame_of_reference_uid: str | None
    content_sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    phase_percent: float | None
    size: tuple[int, int, int]
    spacing_mm: Vector
    patient_position: str | None = None


class AtriumFound(Part):
    """`volume_ml` is null where the CT ends inside the atrium."""

    volume_ml: NotNegative | None
    mean_hu: float


class AnnulusFound(Part):
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


class FossaFound(Part):
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


class Opacification(Part):
    """Mean and spread of the blood of one chamber."""

    mean_hu: float
    sd_hu: NotNegative


class BloodRead(Part):
    """Blood around a landmark: mean, spread (SD), 5th and 95th percentile, noise (SD)."""

    mean_hu: float
    spread_hu: NotNegative
    low_hu: float
    high_hu: float
    noise_hu: NotNegative | None


class SeptumRead(Part):
    """Across the septum at the fossa point: blood on either side, the darkest place between, noise (SD)."""

    left_hu: float
    right_hu: float
    wall_hu: float
    contrast_left_hu: float
    contrast_right_hu: float
    noise_hu: NotNegative
    contrast_to_noise: float


class ContrastRead(Part):
    """What the scan shows at its landmarks, and in words what can be trusted in it."""

    blood: dict[str, BloodRead]
    septum: SeptumRead | None
    sentences: tuple[str, ...]


class Anatomy(Part):
    left_atrium: AtriumFound
    right_atrium: AtriumFound
    mitral_annulus: AnnulusFound
    tricuspid_annulus: AnnulusFound | None
    fossa: FossaFound
    opacification: dict[str, Opacification] | None = None
    contrast: ContrastRead | None = None


class CheckMade(Part):
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


class Puncture(Part):
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


class Band(Part):
    """What the procedure asks of one quantity; `flag` says how well its source is known."""

    name: str
    low: float | None
    high: float | None
    tolerance: Positive
    unit: str
    source: str
    flag: str


class ProcedureProfile(Part):
    name: str
    title: str
    height_datum: str
    target_structure: str
    bands: tuple[Band, ...]


class ReachFound(Part):
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


class View(Part):
    """DICOM positioner angles (0018,1510), LAO positive, and (0018,1511), cranial positive."""

    primary_deg: Annotated[float, Field(ge=-180, le=180)]
    secondary_deg: Annotated[float, Field(ge=-90, le=90)]
    label: str
    reachable: bool


class MeasurementMade(Part):
    """`sd` is one standard uncertainty, null where not assessed; `unit` a UCUM code."""

    name: str
    value: float
    unit: str
    sd: NotNegative | None
    method: str


class Labels(Part):
    """Where the label image is (a name beside the plan), and its grid: `size` i, j, k."""

    file: str
    lps_from_index: tuple[Row, Row, Row, Row]
    size: tuple[int, int, int]
    names: dict[str, int]


class ShiftFound(Part):
    """How far a place moves; `along_mm` on the annular normal of the plan's phase, positive toward the left atrium,
    `across_mm` square to it; each `_sd` one standard uncertainty."""

    vector_mm: Vector
    distance_mm: NotNegative
    distance_sd_mm: NotNegative
    along_mm: float
    along_sd_mm: NotNegative
    across_mm: NotNegative
    across_sd_mm: NotNegative


class MotionFound(Part):
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


class Plan(Part):
    """Whoever planned had the landmarks that a plan needs, and so has whoever reads it. A plan without measurements is
    of an early version, which need not have kept them: there `need_landmarks` asks where they are used."""

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
    landmark_sd_mm: NotNegative | None = None  # doubt of each landmark coordinate that was reckoned with
    crossing: CrossingFound | None = None  # the whole membrane, the ways to the target and on from it, their doubt

    @model_validator(mode="after")
    def _landmarks_are_whole(self) -> Plan:
        for name, points in self.landmarks.items():
            fewest = POINT_COUNTS[name][0] if name in POINT_COUNTS else 1
            if len(points) < fewest:
                raise ValueError(f"landmarks.{name} must be {fewest} or more, found {len(points)}")
        missing = [name for name in REQUIRED if name not in self.landmarks]
        if missing and self.measurements:
            raise ValueError(f"landmarks lack {', '.join(missing)}, without which nothing can be planned")
        return self

    @property
    def way_on_mm(self) -> tuple[Vector, ...] | None:
        """The way on from the target: that of the catheter where one was tried, else of one arc; None without a
        single goal."""
        tried = None if self.crossing is None else self.crossing.reach
        return self.reach.path_mm if tried is None else tried.path_mm
