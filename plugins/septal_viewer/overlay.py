"""What is drawn over the cut: curves and marks in space, each with its own colour, dashes and shape."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from qtpy.QtCore import Qt

from septal_planner.pipeline import FoundAnatomy
from septal_planner.puncture.choice import Candidate
from septal_planner.puncture.site import PunctureSite
from septal_viewer.crossing_layers import ways_lps
from septal_viewer.looks import LANDMARKS, THINGS
from septal_viewer.rotation import VALVES, live_curve
from septal_viewer.surveys import Here

Array = NDArray[np.float64]
Key = tuple[str, int]

TARGET: Key = ("target", 0)
NEAR_MM = 4.0
DRAWN_POINTS = 90
BESIDE_MM = 1.0  # a ranked place as near to the target has no mark of its own

# beside a mark, where there is room for a few letters only
SHORT = {
    "left_atrium": "LA", "right_atrium": "RA", "fossa": "Fossa", "inferior_vena_cava": "IVC",
    "superior_vena_cava": "SVC", "aorta": "Ao", "left_ventricle": "LV", "right_ventricle": "RV",
    "left_atrial_appendage": "LAA", "coronary_sinus": "CS", "leaflet_coaptation": "Coaptation", "leak": "Leak",
    "spine": "Spine",
}  # fmt: skip


@dataclass(frozen=True)
class Curve:
    """A curve (n, 3), LPS, drawn where it runs within `within_mm` of the plane."""

    points_lps: Array
    colour: str
    dashes: Qt.PenStyle = Qt.PenStyle.SolidLine
    width: float = 1.8
    closed: bool = False
    within_mm: float | None = None


@dataclass(frozen=True)
class Spot:
    """A mark at a point (3,); `key` names what moves with it."""

    at_lps: Array
    colour: str
    symbol: str
    label: str = ""
    key: Key | None = None
    size: float = 6.0
    within_mm: float = NEAR_MM
    label_left: bool = False


def landmark_spots(
    points: Mapping[str, Array], locked: Collection[str], *, marking: bool, selected: str = ""
) -> list[Spot]:
    """Every landmark's points. Only while landmarks are marked can they be dragged, and unlocked ones only, and only
    then are their names beside them; the points of a ring are numbered while it is the one that is marked."""
    spots = []
    for name, at in points.items():
        look, short = LANDMARKS[name], SHORT.get(name, "")
        for i, point in enumerate(at):
            label = short if len(at) == 1 else f"{short} {i + 1}".strip()
            if not marking or (not short and name != selected):
                label = ""
            key = (name, i) if marking and name not in locked else None
            size = (5.0 if len(at) > 2 else 6.0) if marking else 3.5
            spots.append(Spot(point, look.color, look.symbol, label, key, size))
    return spots


def target_spots(
    site: PunctureSite | None, candidates: Sequence[PunctureSite | None], choices: Sequence[Candidate] = (), *,
    movable: bool,
) -> list[Spot]:  # fmt: skip
    """The target, the places that the program ranked, and the sites kept for comparison."""
    look = THINGS["choice"]
    spots = [
        Spot(np.asarray(c.point_lps), look.color, look.symbol, f"({c.rank})", None, 4.0, 3.0) for c in choices
        if site is None or np.linalg.norm(c.point_lps - site.target_lps) > BESIDE_MM
    ]
    look = THINGS["candidate"]
    spots += [
        Spot(np.asarray(c.target_lps), look.color, look.symbol, chr(ord("A") + i), None, 5.0, 3.0, label_left=True)
        for i, c in enumerate(candidates) if c is not None
    ]
    if site is not None:
        look = THINGS["target"]
        key = TARGET if movable else None
        spots.append(Spot(np.asarray(site.target_lps), look.color, look.symbol, "Target", key, 8.0, 6.0))
    return spots


def _stride(curve: Array) -> int:
    """Every which point is enough to draw a smooth curve."""
    return max(1, len(curve) // DRAWN_POINTS)


def anatomy_curves(
    found: FoundAnatomy | None, site: PunctureSite | None, points: Mapping[str, Array], here: Here | None = None, *,
    live: bool,
) -> list[Curve]:  # fmt: skip
    """Rim, annulus curves, the height and the ways of sheath and catheter. `live`: the annuli as marked now, not
    as they were found."""
    curves = []
    rings = {} if found is None else {"mitral_annulus": found.mitral.curve_lps}
    if found is not None and found.tricuspid is not None:
        rings["tricuspid_annulus"] = found.tricuspid.curve_lps
    if live or found is None:
        marked = {name: live_curve(points[name]) for name in VALVES if name in points}
        rings = {name: curve for name, curve in marked.items() if curve is not None}
    for name, curve in rings.items():
        dashes = Qt.PenStyle.SolidLine if name == "mitral_annulus" else Qt.PenStyle.DashLine
        curves.append(Curve(curve[:: _stride(curve)], THINGS[name].color, dashes, closed=True))
    if found is not None and len(found.fossa.rim_lps):
        rim = found.fossa.rim_lps
        curves.append(Curve(rim[:: _stride(rim)], THINGS["rim"].color, width=2.4, closed=True, within_mm=3.0))
    if site is not None and found is not None:
        foot = site.target_lps - site.height_mm * found.mitral.normal_lps
        ends = np.stack([site.target_lps, foot])
        curves.append(Curve(ends, THINGS["height"].color, width=1.8, within_mm=1.0))
    if site is not None:
        sheath, catheter = ways_lps(site, points, here)
        curves.append(Curve(catheter, THINGS["path"].color, Qt.PenStyle.DashLine, 2.0, within_mm=NEAR_MM))
        if sheath is not None:
            curves.append(Curve(sheath, THINGS["sheath"].color, Qt.PenStyle.DotLine, 2.4, within_mm=NEAR_MM))
    return curves
