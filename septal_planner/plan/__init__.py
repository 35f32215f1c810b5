"""What is kept: the saved plan, its schema, and how it is built, written and read back."""

from septal_planner.plan.build import build_plan, contrast_as_read, with_motion
from septal_planner.plan.file import as_saved, load_plan, plan_as_json, plan_json_schema, save_plan
from septal_planner.plan.needed import need_landmarks
from septal_planner.plan.schema import (
    SCHEMA_VERSION,
    CheckMade,
    MotionFound,
    Plan,
    ShiftFound,
)

__all__ = [
    "SCHEMA_VERSION", "CheckMade", "MotionFound", "Plan", "ShiftFound", "as_saved", "build_plan", "contrast_as_read",
    "load_plan", "need_landmarks", "plan_as_json", "plan_json_schema", "save_plan", "with_motion",
]
