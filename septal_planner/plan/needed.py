"""What a step asks of a plan that an early version may not have kept."""

from __future__ import annotations

from septal_planner.errors import InputRefused
from septal_planner.plan.schema import Plan


def need_landmarks(plan: Plan, *names: str, without: str) -> None:
    """Raise InputRefused where a plan lacks one of these landmarks; `without` it, in words, what cannot be done."""
    missing = [name for name in names if name not in plan.landmarks]
    if missing:
        raise InputRefused(
            f"The plan does not hold the landmarks {', '.join(missing)}, as those of an early version may not, and "
            f"without them {without}; plan again on the CT."
        )
