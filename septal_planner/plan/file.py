"""plan.json: written whole, read back with every fault told."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from septal_planner.errors import InputRefused
from septal_planner.output_folder import write_whole
from septal_planner.plan.schema import SCHEMA_VERSION, Plan

DECIMALS = 6


def plan_json_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of plan.json."""
    return Plan.model_json_schema()


def plan_as_json(plan: Plan) -> str:
    """The text of plan.json: fields in the schema's order, numbers to 6 decimals."""
    text = json.dumps(_rounded(plan.model_dump(mode="json")), indent=2, ensure_ascii=False, allow_nan=False)
    # a point on one line reads better than on five; a line break never stands inside a JSON string
    return re.sub(r"\[\n\s+((?:[-+0-9.eE,\s]|null)+?)\n\s+\]", lambda m: f"[{' '.join(m[1].split())}]", text) + "\n"


def as_saved(plan: Plan) -> Plan:
    """The plan as it comes back from its file, its numbers rounded: what is made of this is made alike later."""
    return Plan.model_validate_json(plan_as_json(plan))


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
    where = ".".join(str(p) for p in first["loc"])
    more = "" if len(faults) == 1 else f" (and {len(faults) - 1} more such)"
    if first["type"] == "extra_forbidden":
        return f"the key {where} is not known{more}"
    if first["type"] == "missing":
        return f"{where} is missing{more}"
    said = first["msg"].removeprefix("Value error, ").rstrip(".")
    said = said[:1].lower() + said[1:]
    return f"{where}: {said}{more}" if where else f"{said}{more}"
