"""Values over the fossa's plane, looked up at very many places at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from septal_planner.anatomy.fossa import Fossa

Array = NDArray[np.float64]

BEYOND_RIM_MM = 9.0  # three times the needle's usual spread


@dataclass(frozen=True, eq=False)
class Grid:
    """Values (k, nv, nu) over the fossa's plane, evenly spaced."""

    u_mm: NDArray[np.float64]
    v_mm: NDArray[np.float64]
    values: NDArray[np.float64]

    def at(self, u_mm: Array, v_mm: Array) -> Array:
        """Values (k, ...) at (u, v), bilinear, nearest beyond the border; nan beside nan."""
        place = _Place.of(self, u_mm, v_mm)
        return np.stack([place.look_up(layer.ravel()) for layer in self.values])

    def combined(self, u_mm: Array, v_mm: Array, weights: Array) -> Array:
        """Sums (n, m) over the layers, looked up at (n, m) places, with weights (m, k) of each column."""
        nodes = self.values[0].size
        if len(u_mm) < nodes:
            return np.asarray(np.einsum("knm,mk->nm", self.at(u_mm, v_mm), weights))
        # summed for each column at the nodes first: so there is but one layer to look up
        summed = weights @ self.values.reshape(len(self.values), nodes)
        return _Place.of(self, u_mm, v_mm).look_up(summed.ravel(), nodes * np.arange(summed.shape[0]))


@dataclass(frozen=True, eq=False)
class _Place:
    """Where places lie on a grid: the node before, the row's length, and the share of the way to the next."""

    node: NDArray[np.intp]
    row: int
    right: NDArray[np.float64]
    up: NDArray[np.float64]

    @classmethod
    def of(cls, grid: Grid, u_mm: Array, v_mm: Array) -> _Place:
        found = []
        for axis, x in ((grid.u_mm, u_mm), (grid.v_mm, v_mm)):
            along = np.clip((x - axis[0]) / (axis[1] - axis[0]), 0.0, len(axis) - 1.0)
            before = np.minimum(along.astype(np.intp), len(axis) - 2)
            found.append((before, along - before))
        (column, right), (row, up) = found
        return cls(row * len(grid.u_mm) + column, len(grid.u_mm), right, up)

    def look_up(self, flat: Array, first: NDArray[np.intp] | None = None) -> Array:
        """Values at the places, of a layer that begins at `first` (broadcast against the places)."""
        node = self.node if first is None else self.node + first
        low = flat[node]
        low = low + self.right * (flat[node + 1] - low)
        node = node + self.row
        high = flat[node]
        high = high + self.right * (flat[node + 1] - high)
        return np.asarray(low + self.up * (high - low))


def surface_axes_mm(fossa: Fossa, step_mm: float, *, every: int = 1) -> tuple[Array, Array]:
    """Even places u and v over the rim and BEYOND_RIM_MM around it, as far as the surface is known; without a rim
    around the middle of the surface. `every`: so many that every such one leads from end to end, both included."""
    patch, axes = fossa.patch, []
    for low, high, ends in zip(*rim_box(fossa), (patch.u_mm, patch.v_mm), strict=True):
        low, high = max(low - BEYOND_RIM_MM, ends[0]), min(high + BEYOND_RIM_MM, ends[-1])
        steps = max(1, int(np.ceil((high - low) / step_mm)))
        axes.append(np.linspace(low, high, every * int(np.ceil(steps / every)) + 1))
    return axes[0], axes[1]


def rim_box(fossa: Fossa) -> tuple[Array, Array]:
    """Lowest and highest u and v (2,) of the rim; of the middle without one."""
    rim = fossa.patch.uvw(fossa.rim_lps if len(fossa.rim_lps) else fossa.center_lps[None])[:, :2]
    return rim.min(axis=0), rim.max(axis=0)


def over_surface(fossa: Fossa, function: Callable[[Array], Array], step_mm: float) -> Grid:
    """function(points (n, 3)) -> (k, n) on an even grid over the rim and BEYOND_RIM_MM around it."""
    u, v = surface_axes_mm(fossa, step_mm)
    uu, vv = np.meshgrid(u, v)
    values = function(fossa.patch.points_lps(uu.ravel(), vv.ravel()))
    return Grid(u, v, values.reshape(-1, *uu.shape))


def laid_over(fine: Grid, coarse: Grid) -> Grid:
    """The layers of both, the coarser ones at the places of the finer."""
    uu, vv = np.meshgrid(fine.u_mm, fine.v_mm)
    return Grid(fine.u_mm, fine.v_mm, np.concatenate([fine.values, coarse.at(uu, vv)]))
