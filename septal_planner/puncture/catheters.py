"""What steerable catheters can bend, every number with where it comes from. The numbers are in catheters.toml."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from septal_planner.errors import InputRefused

FLAGS = ("seen", "definition", "memory", "practice value, confirm locally", "given by the user")
MM_PER_FRENCH = 1 / 3  # definition of the French scale
HARDLY_BENT_DEG = 0.5   # a bend used less has no radius or direction to speak of


class UnknownCatheter(ValueError):
    """No catheter of that name."""


@dataclass(frozen=True)
class Figure:
    """One number of a catheter with its source and flag ("seen", "definition", "memory", "given by the user", or
    "practice value, confirm locally" where there is no verified source)."""

    value: float
    source: str
    flag: str

    def __post_init__(self) -> None:
        if not (isinstance(self.value, int | float) and 0 <= self.value < float("inf")):
            raise ValueError(f"a number of zero or more is needed, found {self.value!r}")
        _sourced(self.source, self.flag)


@dataclass(frozen=True)
class Span:
    """A range of a catheter with its source and flag."""

    low: float
    high: float
    source: str
    flag: str

    def __post_init__(self) -> None:
        if not 0 <= self.low <= self.high < float("inf"):
            raise ValueError(f"the low end {self.low:g} is not between zero and the high end {self.high:g}")
        _sourced(self.source, self.flag)


@dataclass(frozen=True)
class Bend:
    """One steerable part. `radius_mm`: of the centre line, above zero; `deflection_deg`: from straight to the largest,
    no more than 180; `plane_deg`: from the plane of the bend before it (0 for the first, which is turned freely).
    """

    radius_mm: Span
    deflection_deg: Span
    plane_deg: Figure

    def __post_init__(self) -> None:
        if not self.radius_mm.low > 0:
            raise ValueError(f"a bend radius must be above zero, found {self.radius_mm.low:g}")
        if self.deflection_deg.low != 0 or not 0 < self.deflection_deg.high <= 180:
            raise ValueError(
                f"a deflection runs from 0 to no more than 180 degrees, found {self.deflection_deg.low:g} to "
                f"{self.deflection_deg.high:g}"
            )
        if self.plane_deg.value > 180:
            raise ValueError(f"the angle between two planes is 180 degrees or less, found {self.plane_deg.value:g}")


@dataclass(frozen=True)
class SteerableCatheter:
    """A generic steerable catheter: straight shaft, one or two bends, straight end."""

    name: str
    title: str
    outer_diameter_mm: Figure
    straight_distal_mm: Figure
    usable_length_mm: Figure
    bends: tuple[Bend, ...]

    def __post_init__(self) -> None:
        if len(self.bends) not in (1, 2):
            raise ValueError(f"a catheter has one bend or two, found {len(self.bends)}")
        if self.bends[0].plane_deg.value != 0:
            raise ValueError("the first bend is turned freely and has no plane of its own")
        if not self.outer_diameter_mm.value > 0:
            raise ValueError("the outer diameter must be above zero")

    @property
    def unconfirmed(self) -> tuple[str, ...]:
        """Names of the figures without a verified source, to be confirmed locally before a case."""
        named: list[tuple[str, Figure | Span]] = [
            ("outer diameter", self.outer_diameter_mm),
            ("straight end", self.straight_distal_mm),
            ("usable length", self.usable_length_mm),
        ]
        for number, bend in enumerate(self.bends, 1):
            which = f" of bend {number}" if len(self.bends) > 1 else ""
            named += [(f"radius{which}", bend.radius_mm), (f"deflection{which}", bend.deflection_deg)]
            if number > 1:
                named.append((f"plane{which}", bend.plane_deg))
        return tuple(name for name, figure in named if figure.flag not in ("seen", "definition"))


def _sourced(source: str, flag: str) -> None:
    if flag not in FLAGS:
        raise ValueError(f"the flag {flag!r} is not one of {', '.join(FLAGS)}")
    if not source.strip():
        raise ValueError("the source is empty")


def load_catheters(path: Path | str | None = None) -> dict[str, SteerableCatheter]:
    """All catheters by name, from `path` or the file that comes with the program.

    Raises InputRefused for a file that cannot be read, an unknown key, a number without source or flag, or one that
    is not possible."""
    try:
        if path is None:
            text = files("septal_planner.puncture").joinpath("catheters.toml").read_text("utf-8")
        else:
            text = Path(path).read_text("utf-8")
        table = tomllib.loads(text)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as problem:
        raise InputRefused(
            f"The catheter file {path} cannot be read ({problem}); correct it, or leave it away to use the one "
            "built in."
        ) from problem
    found = {}
    for name, own in table.items():
        try:
            found[name] = _catheter_from(name, own)
        except (KeyError, TypeError, ValueError) as problem:
            what = f"{problem} is missing" if isinstance(problem, KeyError) else str(problem)
            raise InputRefused(
                f"The catheter {name!r} in {path or 'catheters.toml'} is not valid ({what}); correct it."
            ) from problem
    return found


def _catheter_from(name: str, table: Mapping[str, Any]) -> SteerableCatheter:
    if not isinstance(table, Mapping):
        raise TypeError("a table was expected")
    known = {"title", "outer_diameter_mm", "straight_distal_mm", "usable_length_mm", "bend"}
    extra = sorted(set(table) - known)
    if extra:
        raise ValueError(f"the key {extra[0]!r} is not known")
    figures = {}
    for key in ("outer_diameter_mm", "straight_distal_mm", "usable_length_mm"):
        try:
            figures[key] = Figure(**table[key])
        except (TypeError, ValueError) as problem:
            raise ValueError(f"{key}: {problem}") from problem
    bends = tuple(_bend_from(number, bend) for number, bend in enumerate(table["bend"], 1))
    return SteerableCatheter(name=name, title=str(table["title"]), bends=bends, **figures)


def _bend_from(number: int, table: Mapping[str, Any]) -> Bend:
    extra = sorted(set(table) - {"radius_mm", "deflection_deg", "plane_deg"})
    if extra:
        raise ValueError(f"the key {extra[0]!r} of bend {number} is not known")
    free = {"value": 0.0, "source": "the first bend is turned freely", "flag": "definition"}
    try:
        plane = Figure(**table["plane_deg"]) if number > 1 else Figure(**table.get("plane_deg", free))
        return Bend(Span(**table["radius_mm"]), Span(**{"low": 0.0, **table["deflection_deg"]}), plane)
    except (TypeError, ValueError) as problem:
        raise ValueError(f"bend {number}: {problem}") from problem


def steerable_catheter(name: str, *, path: Path | str | None = None) -> SteerableCatheter:
    """The catheter of that name. Raises UnknownCatheter, whose one sentence lists the names there are."""
    known = load_catheters(path)
    if name not in known:
        raise UnknownCatheter(f"There is no catheter named {name!r}; choose one of {', '.join(sorted(known))}.")
    return known[name]
