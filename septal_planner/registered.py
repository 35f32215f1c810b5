"""The saved registration: its schema, and how it is written and read.

Positions are LPS of the CT in mm, pixels (column, row) from 0 at the middle of the first, frames counted from 1.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from septal_planner.errors import InputRefused
from septal_planner.output_folder import write_whole

SCHEMA_VERSION = 1

Vector = tuple[float, float, float]
Pixel = tuple[float, float]
Row = tuple[float, float, float, float]
NotNegative = Annotated[float, Field(ge=0)]
Positive = Annotated[float, Field(gt=0)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, strict=True, protected_namespaces=())


class Software(_Part):
    name: str
    version: str


class FrameUsed(_Part):
    """One X-ray frame and what is drawn on it. `lateral_rms_mm` and `depth_sd_mm`: of the registration at the target,
    square to the ray through it and along it. `target_ellipse_px`: holds the target in 95 of 100 cases, motion
    included.
    """

    file: str
    sop_instance_uid: str
    frame: Annotated[int, Field(ge=1)]
    label: str
    primary_deg: float
    secondary_deg: float
    source_detector_mm: Positive
    source_isocenter_mm: Positive
    pixel_spacing_mm: tuple[float, float]
    table_shift_mm: Vector | None
    target_px: Pixel
    target_in_picture: bool
    target_ellipse_px: tuple[Pixel, ...]
    lateral_rms_mm: NotNegative
    depth_sd_mm: NotNegative
    drawn: tuple[str, ...]


class PairUsed(_Part):
    """`residual_mm`: from where the pair is drawn, at the isocentre; says nothing of the error elsewhere.
    `leave_one_out_mm`: the same without its point in the fit; null where the rest do not suffice."""

    name: str
    frame: Annotated[int, Field(ge=1)]  # in the order of `frames`
    ct_lps: Vector
    pixel: Pixel
    used: bool
    residual_mm: NotNegative
    leave_one_out_mm: NotNegative | None


class ErrorAt(_Part):
    """Root mean square error to expect of the registration alone, over a structure's points their mean and worst."""

    rms_mm: NotNegative
    worst_rms_mm: NotNegative
    by_trial_rms_mm: NotNegative


class BudgetLine(_Part):
    """`flag`: "computed", "seen" (read in the publication named) or "practice value, edit locally"."""

    name: str
    rms_mm: NotNegative
    source: str
    flag: str


class NeedleTip(_Part):
    """A tip located by two frames or more. `rms_mm`: of picks and registration; `total_rms_mm` and every `_sd` with
    breathing and heartbeat, heights with the doubt of the annular plane too, one standard uncertainty.
    `along_septum_mm`: of the distance to the target, what lies in the plane of the fossa; `off_surface_mm` what is
    square to it, positive toward the left atrium. `distance_to_rim_mm` in the plane of the fossa, negative outside.
    Null, and the reason in `not_assessed`, where there is no rim or no label image."""

    place_mm: Vector
    rms_mm: NotNegative
    total_rms_mm: NotNegative | None = None
    distance_to_target_sd_mm: NotNegative | None = None
    along_septum_mm: NotNegative | None = None
    along_septum_sd_mm: NotNegative | None = None
    superior_of_target_sd_mm: NotNegative | None = None
    anterior_of_target_sd_mm: NotNegative | None = None
    off_surface_sd_mm: NotNegative | None = None
    height_interval_95_mm: tuple[float, float] | None = None
    distance_to_rim_mm: float | None = None
    distance_to_rim_sd_mm: NotNegative | None = None
    superior_fraction_sd: NotNegative | None = None
    anterior_fraction_sd: NotNegative | None = None
    distance_to_aorta_mm: NotNegative | None = None
    distance_to_aorta_sd_mm: NotNegative | None = None
    distance_to_target_mm: NotNegative
    superior_of_target_mm: float
    anterior_of_target_mm: float
    off_surface_mm: float
    height_above_mitral_annulus_mm: float
    height_sd_mm: NotNegative
    height_against_plan_mm: float
    inside_rim: bool | None
    superior_fraction: float | None
    anterior_fraction: float | None
    zone: str | None
    not_assessed: dict[str, str]


class CaptureMeasured(_Part):
    """Of `tried` starts so far off, in random directions, how many came `back` to within 2 mm at the target."""

    off_mm: Positive
    off_deg: Positive
    back: Annotated[int, Field(ge=0)]
    tried: Annotated[int, Field(ge=1)]


class PictureCheck(_Part):
    """What simulated and real frames say, started from the registration by points and kept apart from it: how far they
    would move the target, and how alike they look (correlation of gradients, at most 1) before and after. `capture`:
    from how far off the same place was found again."""

    moved_mm: NotNegative
    turned_deg: NotNegative
    likeness_before: Annotated[float, Field(ge=-1, le=1)]
    likeness_after: Annotated[float, Field(ge=-1, le=1)]
    capture_range: str
    capture: tuple[CaptureMeasured, ...] = ()


class RegistrationFile(_Part):
    schema_version: Literal[1]
    software: Software
    coordinate_system: Literal["LPS"]
    unit: Literal["mm"]
    plan_sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    frames: tuple[FrameUsed, ...]
    iso_from_ct: tuple[Row, Row, Row, Row]
    turned_deg: NotNegative
    pick_sd_frame_mm: Positive
    pick_sd_ct_mm: NotNegative
    errors_enlarged_by: Annotated[float, Field(ge=1)]
    pairs: tuple[PairUsed, ...]
    residual_rms_mm: NotNegative
    target: ErrorAt
    fossa_rim: ErrorAt | None
    mitral_annulus: ErrorAt
    budget: tuple[BudgetLine, ...]
    total_rms_mm: NotNegative
    limit_mm: Positive
    exceeds_limit: bool
    needle_tip: NeedleTip | None
    cautions: tuple[str, ...]
    picture_check: PictureCheck | None = None


def registration_json_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of registration.json."""
    return RegistrationFile.model_json_schema()


def save_registration(document: RegistrationFile, path: Path) -> None:
    """Write registration.json whole or not at all. Raises InputRefused where that is not possible."""
    text = json.dumps(document.model_dump(mode="json"), indent=2, ensure_ascii=False, allow_nan=False)
    text = re.sub(r"\[\n\s+([-+0-9.eE,\s]+?)\n\s+\]", lambda m: f"[{' '.join(m[1].split())}]", text)
    write_whole(path, (text + "\n").encode())


def load_registration(path: Path) -> RegistrationFile:
    """Read registration.json. Raises InputRefused where it is missing or not valid."""
    try:
        return RegistrationFile.model_validate_json(Path(path).read_text("utf-8-sig"))
    except OSError as problem:
        raise InputRefused(f"The registration {path} cannot be read ({problem.strerror}); check the path.") from problem
    except (ValidationError, ValueError) as problem:
        raise InputRefused(
            f"The registration {path} is not valid; give a registration.json as `septal-planner register` writes it."
        ) from problem
