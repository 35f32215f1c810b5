"""What a person has set by hand, as one value that can be taken back: points, locks, target, procedure,
catheter."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field, replace
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.inputs.landmarks import POINT_COUNTS, Landmarks

Array = NDArray[np.float64]
Point = tuple[float, float, float]
Points = Mapping[str, tuple[Point, ...]]

STEPS_KEPT = 500

T = TypeVar("T")


@dataclass(frozen=True)
class Marks:
    """`points` by landmark name in the order of marking, LPS mm, as yet perhaps too few of one; `target` None: where to
    cross is computed; `catheter` empty: the procedure's own. Raises ValueError for a name not known, or a number that
    is not finite."""

    points: Points = field(default_factory=dict)
    locked: frozenset[str] = frozenset()
    target: Point | None = None
    procedure: str = ""
    catheter: str = ""

    def __post_init__(self) -> None:
        unknown = (set(self.points) | self.locked) - set(POINT_COUNTS)
        if unknown:
            raise ValueError(f"{min(unknown)!r} is not a landmark")
        rows = [p for each in self.points.values() for p in each] + ([self.target] if self.target else [])
        if any(len(p) != 3 or not np.all(np.isfinite(p)) for p in rows):
            raise ValueError("a point needs three finite numbers")

    @property
    def choice(self) -> tuple[Point | None, str, str]:
        """What is chosen: target, procedure, catheter."""
        return self.target, self.procedure, self.catheter

    def with_points(self, name: str, points: tuple[Point, ...]) -> Marks:
        """The points of one landmark exchanged; none take it away."""
        every = {**self.points, name: points}
        return replace(self, points={n: p for n, p in every.items() if p})

    def arrays(self) -> dict[str, Array]:
        """`points` as fresh arrays (n, 3)."""
        return {name: np.array(p, dtype=np.float64) for name, p in self.points.items()}

    def incomplete(self) -> tuple[str, ...]:
        """Landmarks with fewer points than they need."""
        return tuple(name for name, p in self.points.items() if len(p) < POINT_COUNTS[name][0])

    def landmarks(self, frame_of_reference_uid: str | None, source: str = "") -> Landmarks:
        """Those that are complete, as the planner takes them."""
        short = self.incomplete()
        whole = {name: p for name, p in self.arrays().items() if name not in short}
        return Landmarks(whole, frame_of_reference_uid, source=source)


def point(value: ArrayLike) -> Point:
    """Three finite numbers, exactly as given. Raises ValueError."""
    p = np.asarray(value, dtype=np.float64)
    if p.shape != (3,) or not np.all(np.isfinite(p)):
        raise ValueError("a point needs three finite numbers")
    x, y, z = p.tolist()
    return x, y, z


class History(Generic[T]):
    """Where the marks are, where they were, and where they were before taking back."""

    def __init__(self, marks: T) -> None:
        self.now = marks
        self._before: list[T] = []
        self._after: list[T] = []
        self._drag: Hashable = None

    @property
    def can_undo(self) -> bool:
        return bool(self._before)

    @property
    def can_redo(self) -> bool:
        return bool(self._after)

    def change(self, marks: T, *, drag: Hashable = None) -> bool:
        """Go on to other marks; whether they are other. Successive changes of one `drag` are one step."""
        if marks == self.now:
            return False
        if drag is None or drag != self._drag:
            self._before.append(self.now)
            del self._before[:-STEPS_KEPT]
        self._drag = drag
        self._after.clear()
        self.now = marks
        return True

    def end_drag(self) -> None:
        """What is dragged next is a step of its own."""
        self._drag = None

    def undo(self) -> bool:
        """One step back; whether there was one."""
        if not self._before:
            return False
        self._drag = None
        self._after.append(self.now)
        self.now = self._before.pop()
        return True

    def redo(self) -> bool:
        """One step forth again; whether there was one."""
        if not self._after:
            return False
        self._drag = None
        self._before.append(self.now)
        self.now = self._after.pop()
        return True
