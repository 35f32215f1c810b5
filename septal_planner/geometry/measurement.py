"""A measured number with its unit, its doubt and how it was got."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Measurement:
    """value in `unit` (UCUM code: mm, mm2, mL, deg, HU, 1), `sd` one standard uncertainty, None if not assessed."""

    name: str
    value: float
    unit: str
    sd: float | None
    method: str

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise ValueError(f"{self.name} is not a finite number")
        if self.sd is not None and not (math.isfinite(self.sd) and self.sd >= 0):
            raise ValueError(f"the standard uncertainty of {self.name} must be finite and not negative")
