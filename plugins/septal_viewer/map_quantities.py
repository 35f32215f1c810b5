"""The map of the membrane as quantities on the triangles that are shown: values, margins, likelihood, reach."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import Delaunay, cKDTree

from septal_planner.anatomy.fossa import Fossa
from septal_planner.puncture.membrane_map import Layer, MembraneMap
from septal_viewer.surfaces import Mesh, Quantity
from septal_viewer.surveys import Surveyed

Array = NDArray[np.float64]

# names of limits where there is room for a word or two
SHORT = {
    "height_above_mitral_annulus": "Height", "height_above_coaptation": "Height (coaptation)",
    "distance_to_rim": "To the rim", "distance_to_aorta": "To the aorta",
    "distance_to_posterior_wall": "To posterior wall", "distance_to_roof": "To the roof",
    "distance_to_coronary_sinus": "To coronary sinus", "wall_thickness": "Wall thickness",
    "superior_fraction": "Up in fossa", "anterior_fraction": "Forward in fossa", "entry_angle": "Entry angle",
    "turn_angle": "Turn to the valve", "arc_turn": "Turn of bends", "bend_radius": "Bend radius",
    "axis_tilt": "Axis tilt", "clearance": "Clearance", "tip_offset": "Tip offset",
}  # fmt: skip
SHOWN_ALREADY = ("height_above_mitral_annulus", "wall_thickness", "distance_to_aorta", "distance_to_rim")
UNITS = {"deg": "°", "1": "%"}
STRAIGHT_MM = 200.0  # a radius this large, and any larger one, ends the colour scale
TOLERANCES = 5.0  # worst margins farther outside than this end the colour scale
NOT_WORKED_OUT = "It is still being worked out."


class Onto:
    """Carries numbers from a map's points to places on the same membrane, linearly within the map's own triangles, from
    the nearest point outside them."""

    def __init__(self, found: MembraneMap, fossa: Fossa, places_lps: ArrayLike) -> None:
        uv = fossa.patch.uvw(np.asarray(places_lps, dtype=np.float64))[:, :2]
        own = np.stack([found.u_mm, found.v_mm], axis=-1)
        self.nearest: NDArray[np.intp] = np.asarray(cKDTree(own).query(uv)[1], dtype=np.intp)
        net = Delaunay(own)
        at = net.find_simplex(uv)
        part = np.einsum("nij,nj->ni", net.transform[at, :2], uv - net.transform[at, 2])
        self._corners = net.simplices[at]
        self._weights = np.concatenate([part, 1 - part.sum(axis=1, keepdims=True)], axis=1)
        self._outside = (at < 0) | ~np.isfinite(self._weights).all(axis=1)

    def carried(self, values: ArrayLike) -> Array:
        """Values (n,) of the map at the places (m,); nan where the nearest point has none."""
        v = np.asarray(values, dtype=np.float64)
        near = v[self.nearest]
        corners = v[self._corners]
        ok = np.isfinite(corners).all(axis=1) & ~self._outside
        between = np.where(ok, (np.where(ok[:, None], corners * self._weights, 0.0)).sum(axis=1), near)
        return np.where(np.isfinite(near), between, near)


def map_quantities(mesh: Mesh, fossa: Fossa, done: Surveyed) -> dict[str, Quantity]:
    """What a survey lets the membrane be coloured by: "worst", "binds", "all_met", "spare", then every quantity of the
    map that is not shown otherwise; empty without a map."""
    found = done.survey.map
    if found is None:
        return {}
    onto = Onto(found, fossa, mesh.vertices_lps)
    return {q.name: q for q in (
        _worst(found, onto), _binds(found, onto), _all_met(done, onto), *_spare(done, onto),
        *(_values(layer, onto) for layer in found.layers if layer.name not in SHOWN_ALREADY),
    )}  # fmt: skip


def _worst(found: MembraneMap, onto: Onto) -> Quantity:
    values = onto.carried(found.overall)
    low = max(-TOLERANCES, _floor(values, 1.0))
    return Quantity(
        "worst", "Worst margin over all limits", "tolerances", values, low, max(_ceil(values, 1.0), low + 1.0),
        "A limit that counts is not assessed there.", line=0.0, says="inside all limits",
    )  # fmt: skip


def _binds(found: MembraneMap, onto: Onto) -> Quantity:
    binding = np.where(np.isfinite(found.overall) & (found.binding >= 0), found.binding, -1)
    there = [i for i in np.unique(binding).tolist() if i >= 0]
    place = {i: k for k, i in enumerate(there)}
    of_map = np.array([place.get(int(i), np.nan) for i in binding], dtype=np.float64)
    values = of_map[onto.nearest]
    names = tuple(SHORT.get(found.layers[i].name, found.layers[i].name) for i in there)
    return Quantity(
        "binds", "Limit that binds", "", values, -0.5, max(len(names), 1) - 0.5,
        "A limit that counts is not assessed there.", classes=names,
    )  # fmt: skip


def _all_met(done: Surveyed, onto: Onto) -> Quantity:
    title, likely = "Likelihood that all limits are met", done.survey.probability
    if likely is None:
        return Quantity("all_met", title, "%", np.full(len(onto.nearest), np.nan), 0.0, 100.0, NOT_WORKED_OUT)
    values = 100 * onto.carried(likely.all_met)
    top = min(100.0, max(10.0, _ceil(values, 10.0)))
    why = "A limit that counts is not assessed there."
    return Quantity("all_met", title, "%", values, 0.0, top, why)


def _spare(done: Surveyed, onto: Onto) -> Sequence[Quantity]:
    if done.spare is None:
        return ()
    values = onto.carried(done.spare)
    low = max(-TOLERANCES, _floor(values, 1.0))
    return [Quantity(
        "spare", "What the catheter has to spare in its tightest limit", "tolerances", values, low,
        max(_ceil(values, 1.0), low + 1.0), "The catheter's way is not assessed there.", line=0.0,
        says="within the catheter's reach",
    )]  # fmt: skip


def _values(layer: Layer, onto: Onto) -> Quantity:
    unit, of_map = layer.quantity.unit, layer.values
    if unit == "1":
        of_map = 100 * of_map
    if layer.name == "bend_radius":
        of_map = np.minimum(of_map, STRAIGHT_MM)
    values = onto.carried(of_map)
    spoken = layer.quantity.spoken.removeprefix("the ")
    low = _floor(values, 1.0)
    return Quantity(
        layer.name, spoken[0].upper() + spoken[1:], UNITS.get(unit, unit), values, low,
        max(_ceil(values, 1.0), low + 1.0), layer.why_not or "It is not assessed there.",
    )  # fmt: skip


def _floor(values: Array, step: float) -> float:
    finite = values[np.isfinite(values)]
    return step * float(np.floor(finite.min() / step)) if len(finite) else 0.0


def _ceil(values: Array, step: float) -> float:
    finite = values[np.isfinite(values)]
    return step * float(np.ceil(finite.max() / step)) if len(finite) else step
