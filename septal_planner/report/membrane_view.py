"""The mapped membrane as seen from the right atrium, head above: its grid in millimetres of a picture, areas and lines
of equal value on it, and where names find room.

Points of the picture are (x, y) in millimetres of the patient from its upper left corner, x to the right, y down.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import distance_transform_edt, gaussian_filter, map_coordinates
from skimage.measure import approximate_polygon, find_contours

from septal_planner.geometry.curves import distance_to_closed, inside_closed
from septal_planner.plan.crossing import MapFound
from septal_planner.report.picture import edge_letters, length_mm

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

FINE_MM = 0.1
MARGIN_MM = 1.0          # around the rim
THINNED_MM = 0.015
SMOOTH_MM = 0.4          # of the border between two areas known at points only
SHORTEST_MM = 0.8
KEPT_MM = 0.0005         # half of what a plan's values are rounded to: a value on the level counts as above it
_AROUND = tuple((i, j) for i in (-1, 0, 1) for j in (-1, 0, 1) if (i, j) != (0, 0))


@dataclass(frozen=True, eq=False)
class MembraneView:
    """Where everything of a map lies in its picture. `flip` is 1 where the patient's front is on the viewer's right,
    -1 where it is on the left. `x_mm` (nx,), `y_mm` (ny,): the fine grid; `inside_mm` (ny, nx): distance to the rim,
    negative outside it. `row`, `column` (n,) of the map's points in a grid `step_mm` apart whose first point lies at
    `first_mm`."""

    flip: float
    corner_uv: tuple[float, float]
    size_mm: tuple[float, float]
    step_mm: float
    first_mm: tuple[float, float]
    shape: tuple[int, int]
    row: NDArray[np.intp]
    column: NDArray[np.intp]
    rim_mm: NDArray[np.float64]
    x_mm: NDArray[np.float64]
    y_mm: NDArray[np.float64]
    inside_mm: NDArray[np.float64]
    edges: dict[str, str]

    def at_uv(self, uv_mm: ArrayLike) -> Array:
        """Picture points (..., 2) of points (..., 2) in the fossa's plane."""
        uv = np.asarray(uv_mm, dtype=np.float64)
        left, top = self.corner_uv
        return np.stack([self.flip * uv[..., 0] - left, top - uv[..., 1]], axis=-1)

    def field(self, values: Sequence[float | None]) -> Array:
        """Values (n,) of the map's points on the fine grid (ny, nx), carried on a little beyond them to the rim."""
        grid = np.full(self.shape, np.nan)
        grid[self.row, self.column] = np.array([np.nan if v is None else v for v in values], dtype=np.float64)
        return self._fine(_carried_on(grid), order=1)

    def share(self, here: ArrayLike) -> Array:
        """How much (0 to 1) of the surroundings on the fine grid belongs to an area known as yes or no at points."""
        grid = np.zeros(self.shape)
        known = np.zeros(self.shape, dtype=np.bool_)
        known[self.row, self.column] = True
        grid[self.row, self.column] = np.asarray(here, dtype=np.float64)
        nearest = distance_transform_edt(~known, return_distances=False, return_indices=True)
        smooth = gaussian_filter(self._fine(grid[tuple(nearest)], order=0), SMOOTH_MM / FINE_MM, mode="nearest")
        return np.asarray(smooth, dtype=np.float64)

    def _fine(self, grid: Array, *, order: int) -> Array:
        rows = (self.y_mm - self.first_mm[1]) / self.step_mm
        columns = (self.x_mm - self.first_mm[0]) / self.step_mm
        at = np.meshgrid(rows, columns, indexing="ij")
        return np.asarray(map_coordinates(grid, at, order=order, mode="nearest"), dtype=np.float64)

    def areas(self, field: Array, level: float) -> list[Array]:
        """Closed outlines (n, 2) of where the membrane's value is `level` or more; an outline within another is a
        hole."""
        above = np.minimum(field - (level - KEPT_MM), self.inside_mm)
        padded = np.pad(above, 1, constant_values=-1.0)
        return [self._points(line - 1) for line in find_contours(padded, 0.0) if len(line) > 3]

    def lines(self, field: Array, level: float) -> list[Array]:
        """Lines (n, 2) of that value within the rim, the longest last."""
        within = np.where(self.inside_mm >= 0, field, np.nan)
        found = [self._points(line) for line in find_contours(within, level - KEPT_MM)]
        return sorted((line for line in found if length_mm(line) > SHORTEST_MM), key=length_mm)

    def _points(self, line: Array) -> Array:
        mm = np.stack([self.x_mm[0] + FINE_MM * line[:, 1], self.y_mm[0] + FINE_MM * line[:, 0]], axis=-1)
        return np.asarray(approximate_polygon(mm, THINNED_MM), dtype=np.float64)


def membrane_view(found: MapFound, normal: ArrayLike) -> MembraneView:
    """The view of a saved map; `normal` (3,) of the fossa, right atrium toward left."""
    u_axis, v_axis = np.asarray(found.axis_u), np.asarray(found.axis_v)
    # u points forward; the viewer in the right atrium, looking along the normal, has forward on this side
    flip = 1.0 if np.cross(np.asarray(normal, dtype=np.float64), v_axis) @ u_axis > 0 else -1.0
    across, up = flip * np.asarray(found.u_mm), np.asarray(found.v_mm)
    rim = np.asarray(found.rim_uv_mm, dtype=np.float64).reshape(-1, 2) * [flip, 1.0]
    every = np.concatenate([rim, np.stack([across, up], axis=1)])
    left, top = float(every[:, 0].min()) - MARGIN_MM, float(every[:, 1].max()) + MARGIN_MM
    width = float(np.ceil((every[:, 0].max() + MARGIN_MM - left) / FINE_MM)) * FINE_MM
    height = float(np.ceil((top - every[:, 1].min() + MARGIN_MM) / FINE_MM)) * FINE_MM
    x, y, step = across - left, top - up, found.step_mm
    # the map's own grid, grown so that it covers the picture
    before = int(np.ceil(x.min() / step)), int(np.ceil(y.min() / step))
    first = float(x.min()) - before[0] * step, float(y.min()) - before[1] * step
    shape = (int(np.ceil((height - first[1]) / step)) + 1, int(np.ceil((width - first[0]) / step)) + 1)
    fine_x, fine_y = (
        np.arange(round(side / FINE_MM) + 1, dtype=np.float64) * np.float64(FINE_MM) for side in (width, height)
    )
    rim_mm = np.stack([rim[:, 0] - left, top - rim[:, 1]], axis=-1)
    points = np.stack(np.meshgrid(fine_x, fine_y), axis=-1)
    away = distance_to_closed(points, rim_mm)
    return MembraneView(
        flip=flip, corner_uv=(left, top), size_mm=(width, height), step_mm=step, first_mm=first, shape=shape,
        row=np.round((y - first[1]) / step).astype(np.intp), column=np.round((x - first[0]) / step).astype(np.intp),
        rim_mm=rim_mm, x_mm=fine_x, y_mm=fine_y, inside_mm=np.where(inside_closed(points, rim_mm), away, -away),
        edges=edge_letters(flip * u_axis, -v_axis),
    )


def _carried_on(grid: Array) -> Array:
    """A grid without gaps: straight on from the two nearest known cells of each direction, ring by ring, then the
    nearest value."""
    filled = grid.copy()
    if not np.isfinite(filled).any():
        return filled
    for _ in range(3):
        once = np.pad(filled, 2, constant_values=np.nan)
        guesses = []
        for i, j in _AROUND:
            near = once[2 + i : 2 + i + grid.shape[0], 2 + j : 2 + j + grid.shape[1]]
            far = once[2 + 2 * i : 2 + 2 * i + grid.shape[0], 2 + 2 * j : 2 + 2 * j + grid.shape[1]]
            guesses.append(np.where(np.isfinite(far), 2 * near - far, near))
        stack = np.stack(guesses)
        known = np.isfinite(stack)
        total = np.where(known, stack, 0.0).sum(axis=0)
        count = known.sum(axis=0)
        new = ~np.isfinite(filled) & (count > 0)
        filled[new] = total[new] / count[new]
    nearest = distance_transform_edt(~np.isfinite(filled), return_distances=False, return_indices=True)
    return np.asarray(filled[tuple(nearest)], dtype=np.float64)


# ---------------------------------------------------------------------------------------------------- room for names


class Room:
    """Which parts of a picture are taken; lengths in millimetres of the picture."""

    def __init__(self, size_mm: tuple[float, float], edge_mm: float) -> None:
        self.size_mm = size_mm
        self.edge_mm = edge_mm
        self.taken: list[tuple[float, float, float, float]] = []

    def free(self, x: float, y: float, half: tuple[float, float]) -> bool:
        w, h = half
        if not (w + self.edge_mm <= x <= self.size_mm[0] - w - self.edge_mm):
            return False
        if not (h + self.edge_mm <= y <= self.size_mm[1] - h - self.edge_mm):
            return False
        return all(abs(x - a) >= w + c or abs(y - b) >= h + d for a, b, c, d in self.taken)

    def take(self, x: float, y: float, half: tuple[float, float]) -> None:
        self.taken.append((x, y, *half))

    def first_free(self, points: ArrayLike, half: tuple[float, float]) -> tuple[float, float] | None:
        """The first of points (n, 2), best first, about which a box of that half width and height is free; it is taken
        then."""
        for x, y in np.asarray(points, dtype=np.float64).reshape(-1, 2).tolist():
            if self.free(x, y, half):
                self.take(x, y, half)
                return x, y
        return None
