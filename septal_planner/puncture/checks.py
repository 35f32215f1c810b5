"""A value held against the range a procedure asks for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from septal_planner.puncture.procedures import Asked

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Check:
    """A value against the range asked for; `status`: "met", "borderline" (within its doubt of an end, or
    outside by no more than the tolerance), "not met", "not assessed" (value None). `why` names the source of
    the range.
    """

    name: str
    value: float | None
    unit: str
    low: float | None
    high: float | None
    status: str
    why: str

    def __post_init__(self) -> None:
        if self.status not in ("met", "borderline", "not met", "not assessed"):
            raise ValueError(f"{self.status!r} is not a status of a check")
        if (self.value is None) != (self.status == "not assessed"):
            raise ValueError(f"the check {self.name!r} has a value exactly when it is assessed")


def check(name: str, value: float | None, sd: float | None, unit: str, asked: Asked, why_not: str) -> Check:
    """A value with its standard uncertainty against the range asked for; `why_not` is said where value is
    None.
    """
    provenance = f"Range from: {asked.source} ({asked.flag})."
    if value is None:
        why = f"{why_not} {provenance}"
        return Check(name, None, unit, asked.low, asked.high, "not assessed", why)
    inside = min(
        value - asked.low if asked.low is not None else np.inf,
        asked.high - value if asked.high is not None else np.inf,
    )
    doubt = 0.0 if sd is None else sd
    if inside >= doubt:
        status = "met"
    elif inside >= -max(doubt, asked.tolerance):
        status = "borderline"
    else:
        status = "not met"
    return Check(name, value, unit, asked.low, asked.high, status, provenance)


def margin(asked: Asked, values: Array) -> Array:
    """How far inside the range (negative: outside), in tolerances."""
    low = values - asked.low if asked.low is not None else np.full_like(values, np.inf)
    high = asked.high - values if asked.high is not None else np.full_like(values, np.inf)
    return np.asarray(np.minimum(low, high) / asked.tolerance, dtype=np.float64)
