"""What each procedure asks of a puncture, every number with where it comes from. The numbers are in
procedures.toml.
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, fields
from importlib.resources import files
from pathlib import Path
from typing import Any

from septal_planner.errors import InputRefused
from septal_planner.puncture.catheters import load_catheters

FLAGS = ("seen", "memory", "practice value, edit locally")
TARGET_STRUCTURES = ("mitral_annulus", "coaptation", "left_atrial_appendage", "leak", "none")


class UnknownProcedure(ValueError):
    """No procedure of that name."""


@dataclass(frozen=True)
class Asked:
    """A range a value should lie in, `low` or `high` None where open, `tolerance` in the value's own unit: a
    value outside by no more than that is borderline. `flag`: "seen" (read in the publication named), "memory"
    (from memory, not checked), or "practice value, edit locally" (no verified source).
    """

    low: float | None
    high: float | None
    tolerance: float
    source: str
    flag: str

    def __post_init__(self) -> None:
        if self.low is None and self.high is None:
            raise ValueError("a range needs a low or a high end")
        if self.low is not None and self.high is not None and not self.low < self.high:
            raise ValueError(f"the low end {self.low:g} is not below the high end {self.high:g}")
        if not self.tolerance > 0:
            raise ValueError(f"the tolerance must be above zero, found {self.tolerance:g}")
        if self.flag not in FLAGS:
            raise ValueError(f"the flag {self.flag!r} is not one of {', '.join(FLAGS)}")
        if not self.source.strip():
            raise ValueError("the source is empty")


@dataclass(frozen=True)
class Procedure:
    """`height` is None where the procedure has no height norm. `needs` names the landmarks without which its
    target cannot be reached for. `coaptation_share`: where along the coaptation line, 0 at the medial and 1 at the
    lateral commissure, for the target structure "coaptation" alone.
    """

    name: str
    title: str
    height_datum: str
    target_structure: str
    needs: tuple[str, ...]
    height: Asked | None              # mm above the datum
    superior_fraction: Asked
    anterior_fraction: Asked
    distance_to_rim: Asked            # mm
    distance_to_aorta: Asked          # mm
    posterior_path: Asked             # mm
    wall_thickness: Asked             # mm
    entry_angle: Asked                # deg
    bend_radius: Asked                # mm
    axis_tilt: Asked | None           # deg, against the axis of the target; None where there is no one target
    # asked over the whole membrane; None where nothing is asked
    clearance: Asked | None = None                    # mm, of the arc's own line to the wall
    arc_turn: Asked | None = None                     # deg
    distance_to_roof: Asked | None = None             # mm
    distance_to_coronary_sinus: Asked | None = None   # mm, to its marked ostium
    tip_offset: Asked | None = None                   # mm, of a catheter's tip from the device point
    catheter: str | None = None                       # name of the steerable catheter reckoned with unless told
    coaptation_share: float | None = None             # of the way along the coaptation line
    valve_diameter_mm: float | None = None            # of a round valve to be set against the landmark old_ring

    def __post_init__(self) -> None:
        if self.target_structure not in TARGET_STRUCTURES:
            raise ValueError(
                f"the target structure {self.target_structure!r} is not one of {', '.join(TARGET_STRUCTURES)}"
            )
        if (self.target_structure == "coaptation") != (self.coaptation_share is not None):
            raise ValueError("coaptation_share goes with the target structure 'coaptation', and only with it")
        if self.coaptation_share is not None and not 0 <= self.coaptation_share <= 1:
            raise ValueError(f"coaptation_share must lie between 0 and 1, found {self.coaptation_share:g}")
        if self.valve_diameter_mm is not None and not 0 < self.valve_diameter_mm < float("inf"):
            raise ValueError(f"valve_diameter_mm must be above zero, found {self.valve_diameter_mm:g}")

    @property
    def height_band_mm(self) -> tuple[float, float] | None:
        """Low and high end of the height band (infinite where open), or None without a height norm."""
        if self.height is None:
            return None
        low = -float("inf") if self.height.low is None else self.height.low
        high = float("inf") if self.height.high is None else self.height.high
        return low, high


_ASKED = tuple(f.name for f in fields(Procedure) if "Asked" in str(f.type))
_MAY_BE_NONE = tuple(f.name for f in fields(Procedure) if "Asked | None" in str(f.type))


def load_procedures(
    path: Path | str | None = None, *, catheters: Collection[str] | None = None
) -> dict[str, Procedure]:
    """All procedures by name, from `path` or the file that comes with the program.

    Each procedure's table stands over the table `defaults`; their catheters are among `catheters` (names of those that
    come with the program unless given). Raises InputRefused for a file that cannot be read, an unknown key or catheter,
    a number without source or flag, or ends the wrong way round."""
    try:
        if path is None:
            text = files("septal_planner.puncture").joinpath("procedures.toml").read_text("utf-8")
        else:
            text = Path(path).read_text("utf-8")
        table = tomllib.loads(text)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as problem:
        raise InputRefused(
            f"The procedure file {path} cannot be read ({problem}); correct it, or leave it away to use "
            "the one built in."
        ) from problem
    defaults = table.pop("defaults", {})
    there = load_catheters() if catheters is None else catheters
    found = {}
    for name, own in table.items():
        try:
            found[name] = _procedure_from(name, {**defaults, **own}, there)
        except (AttributeError, KeyError, TypeError, ValueError) as problem:
            what = f"{problem} is missing" if isinstance(problem, KeyError) else str(problem)
            raise InputRefused(
                f"The procedure {name!r} in {path or 'procedures.toml'} is not valid ({what}); correct it."
            ) from problem
    return found


def _procedure_from(name: str, table: Mapping[str, Any], catheters: Collection[str]) -> Procedure:
    known = {f.name for f in fields(Procedure)}
    extra = sorted(set(table) - known)
    if extra:
        raise ValueError(f"the key {extra[0]!r} is not known")
    own = table.get("catheter")
    if own is not None and own not in catheters:
        raise ValueError(f"there is no catheter named {own!r}; choose one of {', '.join(sorted(catheters))}")
    asked: dict[str, Asked | None] = {}
    for key in _ASKED:
        value = table.get(key)
        if value is None or value is False:  # false in the file: not asked of this procedure
            asked[key] = None
            continue
        try:
            asked[key] = Asked(**{"low": None, "high": None, **value})
        except (TypeError, ValueError) as problem:
            raise ValueError(f"{key}: {problem}") from problem
    missing = [k for k in _ASKED if asked[k] is None and k not in _MAY_BE_NONE]
    if missing:
        raise KeyError(missing[0])
    return Procedure(
        name=name,
        title=str(table["title"]),
        height_datum=str(table["height_datum"]),
        target_structure=str(table["target_structure"]),
        needs=tuple(table["needs"]),
        catheter=None if table.get("catheter") is None else str(table["catheter"]),
        coaptation_share=_number(table.get("coaptation_share")),
        valve_diameter_mm=_number(table.get("valve_diameter_mm")),
        **asked,  # type: ignore[arg-type]
    )


def _number(value: Any) -> float | None:
    return None if value is None or value is False else float(value)


def procedure(
    name: str, *, path: Path | str | None = None, catheters: Collection[str] | None = None
) -> Procedure:
    """The procedure of that name, of those that `load_procedures` reads. Raises UnknownProcedure, whose one sentence
    lists the names there are."""
    known = load_procedures(path, catheters=catheters)
    if name not in known:
        raise UnknownProcedure(
            f"There is no procedure named {name!r}; choose one of {', '.join(sorted(known))}."
        )
    return known[name]
