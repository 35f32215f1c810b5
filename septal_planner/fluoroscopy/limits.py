"""What a C-arm reaches and what lies in its way: data of the room, read from carm_limits.toml or a file of the same
form.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from septal_planner.errors import InputRefused

Span = tuple[float, float]
_OWN = Path(__file__).with_name("carm_limits.toml")


@dataclass(frozen=True)
class Zone:
    """Views with both angles within, ends counted."""

    primary_deg: Span
    secondary_deg: Span
    why: str = ""

    def __post_init__(self) -> None:
        for (low, high), most in ((self.primary_deg, 180), (self.secondary_deg, 90)):
            if not -most <= low <= high <= most:
                raise ValueError(f"a range runs from low to high within {most} degrees, found {low} to {high}")

    def holds(self, primary_deg: float, secondary_deg: float) -> bool:
        slack = 1e-9
        return (
            self.primary_deg[0] - slack <= primary_deg <= self.primary_deg[1] + slack
            and self.secondary_deg[0] - slack <= secondary_deg <= self.secondary_deg[1] + slack
        )


@dataclass(frozen=True)
class Room:
    """One C-arm room. The last three weigh views against each other: `carm_limits.toml` tells how."""

    arm: Zone
    lateral_arm: Zone
    blocked: tuple[Zone, ...]
    in_the_way: tuple[Zone, ...]
    spine_half_width_mm: float
    another_view_deg: float
    in_the_way_deg: float
    turning_per_deg: float


def load_room(path: Path | None = None) -> Room:
    """The room of a file, or the one that comes with the program. Raises InputRefused."""
    file = path or _OWN
    try:
        d = tomllib.loads(file.read_text("utf-8"))
        return Room(
            _zone(d["range"]),
            _zone(d["lateral_arm"]),
            tuple(_zone(z) for z in d.get("blocked", [])),
            tuple(_zone(z) for z in d.get("in_the_way", [])),
            _not_negative(d["spine"]["half_width_mm"]),
            _not_negative(d["choice"]["another_view"]),
            _not_negative(d["choice"]["in_the_way"]),
            _not_negative(d["choice"]["turning"]),
        )
    except OSError as problem:
        raise InputRefused(
            f"The limits of the C-arm {file} cannot be read ({problem.strerror}); check the path."
        ) from problem
    except (ValueError, TypeError) as problem:
        raise InputRefused(f"The limits of the C-arm {file} are not valid: {problem}; correct the file.") from problem
    except KeyError as problem:
        raise InputRefused(
            f"The limits of the C-arm {file} lack {problem}; take the file that comes with the program as a pattern."
        ) from problem


def why_not(room: Room, primary_deg: float, secondary_deg: float, *, lateral: bool = False) -> str | None:
    """Why the (lateral) arm does not reach a view, None where it does."""
    arm = room.lateral_arm if lateral else room.arm
    if not arm.holds(primary_deg, secondary_deg):
        return "beyond the C-arm's limits"
    if lateral:
        return None
    return next((z.why for z in room.blocked if z.holds(primary_deg, secondary_deg)), None)


def _zone(table: dict[str, Any]) -> Zone:
    return Zone(_span(table["primary_deg"]), _span(table["secondary_deg"]), str(table.get("why", "")))


def _span(value: Any) -> Span:
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError(f"a range is [low, high], found {value!r}")
    low, high = (float(x) for x in value)
    return low, high


def _not_negative(value: Any) -> float:
    number = float(value)
    if not 0 <= number < 1e6:
        raise ValueError(f"expected a number not below nought, found {value!r}")
    return number
