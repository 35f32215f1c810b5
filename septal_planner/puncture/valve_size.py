"""How much larger a round valve is than the ring or valve implanted before, in which it is to sit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from septal_planner.geometry import curves, planes
from septal_planner.puncture.procedures import Procedure


@dataclass(frozen=True)
class RingSize:
    """`area_mm2` projected on the ring's plane, `perimeter_mm` in space; of a ring's inside where that was marked."""

    area_mm2: float
    perimeter_mm: float

    @property
    def diameter_by_area_mm(self) -> float:
        """Of the circle of the same area."""
        return float(np.sqrt(4 * self.area_mm2 / np.pi))

    @property
    def diameter_by_perimeter_mm(self) -> float:
        """Of the circle of the same perimeter."""
        return self.perimeter_mm / float(np.pi)


@dataclass(frozen=True)
class Oversize:
    """Per cent by which a valve is larger than a ring; negative where it is smaller."""

    area_percent: float
    perimeter_percent: float


def ring_size(points_lps: ArrayLike) -> RingSize:
    """Size of a ring marked by points (n, 3) in order. Raises ValueError for points on one line."""
    curve = curves.ring_curve(points_lps, samples=720)
    center, normal, _ = planes.fit_plane(curve)
    flat = (curve - center) @ np.stack(planes.plane_axes(normal), axis=1)
    return RingSize(abs(curves.signed_area(flat)), curves.closed_length(curve))


def oversize(valve_diameter_mm: float, ring: RingSize) -> Oversize:
    """A round valve of that diameter, fully opened, against a ring: 100 (A / A_ring - 1) and 100 (P / P_ring - 1)."""
    area = np.pi / 4 * valve_diameter_mm**2
    return Oversize(
        float(100 * (area / ring.area_mm2 - 1)), float(100 * (np.pi * valve_diameter_mm / ring.perimeter_mm - 1))
    )


def valve_sentence(procedure: Procedure, landmarks_lps: Mapping[str, ArrayLike]) -> str | None:
    """How the valve the procedure names fits the ring marked, None where either is not there."""
    diameter = procedure.valve_diameter_mm
    if diameter is None or "old_ring" not in landmarks_lps:
        return None
    try:
        ring = ring_size(landmarks_lps["old_ring"])
    except ValueError:
        return None
    found = oversize(diameter, ring)
    return (
        f"A round valve of {diameter:g} mm, as was entered for this procedure, is {_larger(found.area_percent)} by area"
        f" and {_larger(found.perimeter_percent)} by perimeter than the old ring as it was marked ({ring.area_mm2:.0f}"
        f" mm2, {ring.perimeter_mm:.0f} mm around): arithmetic on the marks, no advice on which valve to use."
    )


def _larger(percent: float) -> str:
    return f"{abs(percent):.1f} % {'larger' if percent >= 0 else 'smaller'}"
