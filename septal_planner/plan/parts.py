"""The kinds of values a saved plan is made of."""

from __future__ import annotations

import math
from typing import Annotated, Any

import numpy as np
from pydantic import AfterValidator, BaseModel, ConfigDict, Field

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


class Part(BaseModel):
    """Frozen, strict, finite numbers only, no unknown keys."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, allow_inf_nan=False, strict=True, protected_namespaces=()
    )


def take(source: object, names: str) -> dict[str, Any]:
    """The attributes named, by name, in plain values."""
    return {name: plain(getattr(source, name)) for name in names.split()}


def plain(value: Any) -> Any:
    """Arrays and NumPy numbers as tuples and Python's own."""
    if isinstance(value, np.ndarray):
        return plain(tuple(value.tolist()))
    if isinstance(value, (tuple, list)):
        return tuple(plain(v) for v in value)
    return value.item() if isinstance(value, np.generic) else value
