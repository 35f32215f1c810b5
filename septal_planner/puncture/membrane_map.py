"""The membrane as a map: at every point how far inside or outside each limit of the procedure it lies."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.puncture.approach import Approach
from septal_planner.puncture.place import membrane_grid_mm, room_to_rim_mm
from septal_planner.puncture.procedures import Asked
from septal_planner.puncture.requirements import (
    OF_THE_CATHETER,
    QUANTITIES,
    Quantity,
    ReachOver,
    asked_of,
    inside_mm,
    measure_points,
)

Array = NDArray[np.float64]

SPACING_MM = 0.5
FINEST_MM = 0.25


@dataclass(frozen=True, eq=False)
class Layer:
    """One quantity over the membrane. `margin` (n,) in `unit` and `fraction` (n,) in tolerances are positive inside the
    range asked for; nan where nothing is asked or the value is not assessed there, `why_not` if nowhere. `counts`:
    whether it is held against a range: one is asked, and the value is assessed anywhere on the membrane.
    """

    quantity: Quantity
    asked: Asked | None
    values: NDArray[np.float64]    # (n,)
    margin: NDArray[np.float64]    # (n,)
    fraction: NDArray[np.float64]  # (n,)
    counts: bool
    why_not: str = ""

    @property
    def name(self) -> str:
        return self.quantity.name


@dataclass(frozen=True, eq=False)
class MembraneMap:
    """`overall` (n,): the smallest fraction of all limits, positive inside them all; nan where a limit assessed
    elsewhere on the membrane is not assessed there. `binding` (n,): which layer that is. `widest_mm`: the largest
    distance from the rim there is, nan of single points.
    """

    points_lps: NDArray[np.float64]       # (n, 3) on the mid-surface
    u_mm: NDArray[np.float64]             # (n,) toward anterior, in the fossa's plane
    v_mm: NDArray[np.float64]             # (n,) toward superior
    step_mm: float                        # of u and v
    layers: tuple[Layer, ...]
    overall: NDArray[np.float64]
    binding: NDArray[np.intp]
    widest_mm: float = np.nan

    @property
    def counting(self) -> frozenset[str]:
        """Names of the limits that count: what single points of this membrane are held against too."""
        return frozenset(layer.name for layer in self.layers if layer.counts)

    def layer(self, name: str) -> Layer:
        """Raises KeyError for a name that is not one of QUANTITIES."""
        for found in self.layers:
            if found.name == name:
                return found
        raise KeyError(name)

    def binding_name(self, index: int) -> str:
        return self.layers[int(self.binding[index])].name

    def on_grid(self, values: ArrayLike) -> tuple[Array, Array, Array]:
        """Axes u (nu,), v (nv,) and values (nv, nu) on an even grid over the fossa's plane, nan off the membrane: for
        pictures and contour lines."""
        column = np.round((self.u_mm - self.u_mm.min()) / self.step_mm).astype(np.intp)
        row = np.round((self.v_mm - self.v_mm.min()) / self.step_mm).astype(np.intp)
        grid = np.full((row.max() + 1, column.max() + 1), np.nan)
        grid[row, column] = np.asarray(values, dtype=np.float64)
        u = self.u_mm.min() + self.step_mm * np.arange(grid.shape[1])
        v = self.v_mm.min() + self.step_mm * np.arange(grid.shape[0])
        return u, v, grid


def map_membrane(
    approach: Approach, *, spacing_mm: float = SPACING_MM, reach: ReachOver | None = None
) -> MembraneMap | None:
    """Every requirement over the membrane, neighbouring points `spacing_mm` apart on the surface; None where no
    rim was seen, so that there is nothing to choose from. `reach`: of a certain catheter, in place of the one arc; the
    procedure's ranges of bend radius and turn are then not asked, since no shape goes beyond the catheter's own."""
    step = _plane_step(approach, spacing_mm)
    u, v = membrane_grid_mm(approach.fossa, step_mm=step)
    if len(u) == 0:
        return None
    found = map_points(approach, approach.fossa.patch.points_lps(u, v), step_mm=step, reach=reach)
    return replace(found, widest_mm=float(room_to_rim_mm(approach.fossa, approach.fine_points_lps).max()))


def map_points(
    approach: Approach, points_lps: ArrayLike, *, step_mm: float = np.nan, reach: ReachOver | None = None,
    counting: Collection[str] | None = None,
) -> MembraneMap:
    """The same at any mid-surface points (n, 3). `counting`: `MembraneMap.counting` of the whole membrane, so that a
    limit which counts on it and is not assessed at any of these points leaves them without a margin; None: the limits
    that are assessed at any of these points."""
    p = np.asarray(points_lps, dtype=np.float64).reshape(-1, 3)
    values, why = measure_points(approach, p, reach=reach)
    layers = []
    for quantity in QUANTITIES:
        found = values[quantity.name]
        asked = asked_of(approach.procedure, quantity)
        if reach is not None and quantity.name in OF_THE_CATHETER:
            asked = None
        margin = np.full(len(p), np.nan) if asked is None else inside_mm(asked, found)
        fraction = margin if asked is None else margin / asked.tolerance
        counts = bool(np.isfinite(fraction).any()) if counting is None else quantity.name in counting
        layers.append(Layer(
            quantity, asked, found, margin, fraction, counts and asked is not None, why.get(quantity.name, "")
        ))
    overall, binding = worst_of(layers)
    uvw = approach.fossa.patch.uvw(p)
    return MembraneMap(p, uvw[:, 0], uvw[:, 1], step_mm, tuple(layers), overall, binding)


def worst_of(layers: list[Layer] | tuple[Layer, ...]) -> tuple[Array, NDArray[np.intp]]:
    """Smallest fraction (n,) over the layers that count, and which layer it is; nan, and that layer, where one of them
    is not assessed."""
    counting = [i for i, layer in enumerate(layers) if layer.counts]
    if not counting:
        n = len(layers[0].values)
        return np.full(n, np.nan), np.full(n, -1, dtype=np.intp)
    table = np.stack([layers[i].fraction for i in counting])
    order = np.where(np.isnan(table), -np.inf, table)
    which = np.argmin(order, axis=0)
    return table[which, np.arange(table.shape[1])], np.asarray(counting, dtype=np.intp)[which]


def _plane_step(approach: Approach, spacing_mm: float) -> float:
    """Step in the fossa's plane, so that neighbours on the surface are `spacing_mm` apart as a root mean square."""
    patch = approach.fossa.patch
    slope_v, slope_u = np.gradient(patch.height_mm, patch.v_mm, patch.u_mm)
    slopes = np.stack([slope_u, slope_v])[:, approach.fossa.membrane]
    if slopes.size == 0:
        return spacing_mm
    return max(spacing_mm / float(np.sqrt(1 + (slopes**2).mean())), FINEST_MM)
