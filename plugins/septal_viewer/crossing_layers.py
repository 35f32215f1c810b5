"""What is drawn of where to cross, as plain tuples (data, settings, kind): lines of one value on the membrane, the
places ranked and kept, the ways of sheath and catheter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.puncture.choice import Candidate
from septal_planner.puncture.site import PunctureSite
from septal_viewer.contours import contour_lines, round_levels
from septal_viewer.layers import (
    AXES,
    THING_KEY,
    LayerData,
    line_layer,
    mesh_layer,
    path_lps,
)
from septal_viewer.looks import THINGS
from septal_viewer.surfaces import Mesh, Quantity, tube_mesh
from septal_viewer.surveys import Here

Array = NDArray[np.float64]

THIN_MM, THICK_MM = 0.25, 0.6
SHEATH_MM, CATHETER_MM = 2.4, 1.4
CLASS_SHARE = 0.02  # kinds with less of the membrane have no number on it


@dataclass(frozen=True)
class Level:
    """Lines (n, 3) on the membrane on which its quantity has a value; `limit` where that is the line of a limit."""

    value: float
    lines: tuple[Array, ...]
    limit: bool


@dataclass(frozen=True)
class Labelled:
    """A place (3,) with a letter, number or name beside it, as `thing` of `looks` is drawn; an empty thing: the words
    alone."""

    at_lps: Array
    label: str
    thing: str


def levels_of(mesh: Mesh, quantity: Quantity) -> tuple[Level, ...]:
    """Lines of round values on the membrane; none where the quantity is of kinds, or not assessed."""
    if quantity.classes or not quantity.assessed:
        return ()
    values = [v for v in round_levels(quantity.low, quantity.high) if quantity.line is None or v != quantity.line]
    made = [Level(v, tuple(contour_lines(mesh, quantity.values, v)), False) for v in values]
    if quantity.line is not None:
        made.append(Level(quantity.line, tuple(contour_lines(mesh, quantity.values, quantity.line)), True))
    return tuple(level for level in made if level.lines)


def level_layers(levels: Sequence[Level]) -> dict[str, LayerData | None]:
    """The thin lines as one surface, and the line of the limit, which is thick, as another."""
    made: dict[str, LayerData | None] = {}
    for key, limit, width in (("contours", False, THIN_MM), ("zero_line", True, THICK_MM)):
        lines = [line for level in levels if level.limit == limit for line in level.lines]
        mesh = _tubes(lines, width)
        made[key] = None if mesh is None else mesh_layer(
            mesh, THINGS[key].title, key, THINGS[key].color, 1.0, lit=False, blending="translucent_no_depth"
        )
    return made


def class_places(mesh: Mesh, quantity: Quantity) -> list[Labelled]:
    """The number of each kind, from 1, in the middle of where it is; kinds with hardly any room have none."""
    places: list[Labelled] = []
    if not quantity.classes or not quantity.assessed:
        return places
    a, b, c = (mesh.vertices_lps[mesh.faces[:, i]] for i in range(3))
    area, kinds = _areas(mesh), _kinds(mesh, quantity)
    for k, share in enumerate(class_shares(mesh, quantity)):
        here = kinds == k
        if share >= CLASS_SHARE:
            middle = np.average((a + b + c)[here] / 3, axis=0, weights=area[here])
            inside = (a + b + c)[here] / 3
            at = inside[np.argmin(np.linalg.norm(inside - middle, axis=1))]
            places.append(Labelled(at, str(k + 1), ""))
    return places


def class_shares(mesh: Mesh, quantity: Quantity) -> list[float]:
    """How much of the membrane each kind has."""
    area, kinds = _areas(mesh), _kinds(mesh, quantity)
    return [float(area[kinds == k].sum() / area.sum()) for k in range(len(quantity.classes))]


def _areas(mesh: Mesh) -> Array:
    a, b, c = (mesh.vertices_lps[mesh.faces[:, i]] for i in range(3))
    return np.asarray(np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2)


def _kinds(mesh: Mesh, quantity: Quantity) -> Array:
    """Of each triangle, as `layers.membrane_layer` colours it."""
    return np.asarray(np.sort(quantity.values[mesh.faces], axis=1)[:, 1])


def ranked_places(choices: Sequence[Candidate], kept: Sequence[PunctureSite | None]) -> list[Labelled]:
    """The places that the program ranked, by number, and those kept to compare, by letter."""
    ranked = [Labelled(c.point_lps, f"({c.rank})", "choice") for c in choices]
    return ranked + [
        Labelled(np.asarray(site.target_lps), chr(ord("A") + i), "candidate")
        for i, site in enumerate(kept) if site is not None
    ]


def places_layer(places: Sequence[Labelled]) -> LayerData | None:
    """All of them as one layer of points with their words."""
    if not places:
        return None
    looks = [THINGS.get(p.thing) for p in places]
    settings: dict[str, Any] = {
        "name": "Places on the membrane", "axis_labels": AXES, "units": ("mm",) * 3, "border_color": "black",
        "face_color": [("#FFFFFF" if look is None else look.color) for look in looks],
        "symbol": [("disc" if look is None else look.symbol) for look in looks],
        "size": [0.2 if look is None else 3.5 for look in looks], "metadata": {THING_KEY: "places"},
        "features": {"label": [p.label for p in places]}, "blending": "translucent_no_depth",
        "text": {"string": "{label}", "size": 11, "color": "white", "anchor": "upper_left"},
    }  # fmt: skip
    return np.stack([p.at_lps for p in places]), settings, "points"


def ways_lps(
    site: PunctureSite, points_lps: Mapping[str, ArrayLike], here: Here | None
) -> tuple[Array | None, Array]:
    """The sheath's way (n, 3) from the cava to the target, None until it was worked out, and the catheter's (m, 3) on
    from there; where no catheter is planned with, that of one sheath turn and one arc, from the cava on."""
    if here is None or here.site is not site or here.reach is None:
        return None, path_lps(site, points_lps)
    catheter = np.asarray(here.reach.path_lps, dtype=np.float64)
    needle = here.passage.needle if here.passage is not None else None
    if needle is not None:
        return np.asarray(needle.path_lps, dtype=np.float64), catheter
    cava = np.asarray(points_lps.get("inferior_vena_cava", np.empty((0, 3))), dtype=np.float64).reshape(-1, 3)
    target = np.asarray(site.target_lps, dtype=np.float64)
    before = target - 15.0 * np.asarray(site.reach.crossing_direction, dtype=np.float64)
    return np.concatenate([cava[::-1] if len(cava) == 2 else cava[:0], before[None], target[None]]), catheter


def way_layers(
    site: PunctureSite, points_lps: Mapping[str, ArrayLike], here: Here | None
) -> dict[str, LayerData | None]:
    """The ways of sheath and catheter."""
    sheath, catheter = ways_lps(site, points_lps, here)
    return {
        "sheath": None if sheath is None else line_layer(
            THINGS["sheath"].title, "sheath", sheath, width_mm=SHEATH_MM
        ),
        "path": line_layer(THINGS["path"].title, "path", catheter, width_mm=CATHETER_MM),
    }


def _tubes(lines: Sequence[Array], width_mm: float) -> Mesh | None:
    vertices, faces, count = [], [], 0
    for line in lines:
        closed = len(line) > 3 and np.allclose(line[0], line[-1])
        if np.linalg.norm(np.diff(line, axis=0), axis=1).sum() < 0.2:
            continue
        mesh = tube_mesh(line, width_mm / 2, closed=closed, sides=5)
        vertices.append(mesh.vertices_lps)
        faces.append(mesh.faces + count)
        count += len(mesh.vertices_lps)
    return Mesh(np.concatenate(vertices), np.concatenate(faces)) if vertices else None
