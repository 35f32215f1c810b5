"""How each quantity answers to a small change of where, and along which way, the septum is crossed.

What has a closed form is worked out anew for every draw. The ways ahead and the room of the arc would take too long:
they are taken from maps over the septal surface and followed along their slopes (first order).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import map_coordinates

from septal_planner.geometry.frames import unit_vector
from septal_planner.geometry.planes import plane_axes
from septal_planner.puncture.approach import Approach
from septal_planner.puncture.paths import posterior_path_mm
from septal_planner.puncture.place import local_normals_lps
from septal_planner.puncture.requirements import (
    ROOF_FROM_MM,
    arc_clearance_mm,
    signed_room_mm,
    thickness_mm,
)

Array = NDArray[np.float64]

BEYOND_RIM_MM = 9.0   # three times the needle's usual spread
WAY_STEP_MM = 1.5
ROOM_STEP_MM = 2.0
ROOM_SLOPE_STEP_MM = 5.0
SHIFT_MM = 1.5        # over which slopes are taken, to either side: about the size of the doubts
TURN_RAD = float(np.radians(3.0))


@dataclass(frozen=True, eq=False)
class Grid:
    """Values (k, nv, nu) over the fossa's plane, evenly spaced."""

    u_mm: NDArray[np.float64]
    v_mm: NDArray[np.float64]
    values: NDArray[np.float64]

    def at(self, u_mm: Array, v_mm: Array) -> Array:
        """Values (k, ...) at (u, v), bilinear, nearest beyond the border; nan beside nan."""
        du, dv = self.u_mm[1] - self.u_mm[0], self.v_mm[1] - self.v_mm[0]
        where = np.stack([(v_mm.ravel() - self.v_mm[0]) / dv, (u_mm.ravel() - self.u_mm[0]) / du])
        found = [map_coordinates(layer, where, order=1, mode="nearest", output=np.float64) for layer in self.values]
        return np.stack(found).reshape(len(self.values), *u_mm.shape)


@dataclass(frozen=True, eq=False)
class Response:
    """Maps over the septal surface, a little beyond the rim. None where not assessed.

    `place`: distance to the rim (negative outside), thickness, local normal (3). `posterior` and `roof`: free path,
    cosine of its end, and slopes along a shift of the start (3), a turn of the crossing (2) and of the annular normal
    (2). `room`: of the arc; `room_slopes` along a shift of start (3) and end (3) and a turn of the crossing (2).
    Turns are about `across` (2, 3) and `valve_across` (2, 3), in radians.
    """

    place: Grid
    posterior: Grid | None
    roof: Grid | None
    room: Grid | None
    room_slopes: Grid | None
    across: NDArray[np.float64]
    valve_across: NDArray[np.float64]


def respond(approach: Approach) -> Response:
    """Maps of one approach; without a rim around the middle of the surface, and no distance to the rim."""
    fossa, crossing, normal = approach.fossa, approach.crossing_lps, approach.annulus.normal_lps
    across, valve_across = np.stack(plane_axes(crossing)), np.stack(plane_axes(normal))

    def place(points: Array) -> Array:
        rim = signed_room_mm(approach, points) if len(fossa.rim_lps) else np.full(len(points), np.nan)
        return np.stack([rim, thickness_mm(approach, points), *local_normals_lps(fossa, points).T])

    left = approach.chambers.distance.get("left_atrium")
    posterior = roof = room = room_slopes = None
    if left is not None:
        field = left

        def ahead(points: Array) -> Array:
            def path(shift: Array, turn: Array) -> Array:
                way = unit_vector(crossing + turn)
                return posterior_path_mm(points + shift, way, field, step_mm=0.5, longest_mm=120.0)[0]

            free, cosine = posterior_path_mm(points, crossing, field)
            return np.stack([free, cosine, *_slopes(path, across)])

        def above(points: Array) -> Array:
            start = points + ROOF_FROM_MM * crossing

            def path(shift: Array, turn: Array) -> Array:
                way = unit_vector(normal + turn)
                return posterior_path_mm(
                    start + shift, way, field, enter_within_mm=1.0, step_mm=0.5, longest_mm=100.0
                )[0]

            free, cosine = posterior_path_mm(start, normal, field, enter_within_mm=1.0, longest_mm=100.0)
            return np.stack([free, cosine, *_slopes(path, valve_across)])

        posterior = _over_surface(approach, ahead, WAY_STEP_MM)
        roof = _over_surface(approach, above, WAY_STEP_MM)
    if approach.structure_lps is not None and approach.wall is not None:
        end = approach.structure_lps

        def clearance(points: Array) -> Array:
            return arc_clearance_mm(approach, points, crossing, end)[None]

        def slopes(points: Array) -> Array:
            def start_or_way(shift: Array, turn: Array) -> Array:
                return arc_clearance_mm(approach, points + shift, unit_vector(crossing + turn), end)

            def goal(shift: Array, _turn: Array) -> Array:
                return arc_clearance_mm(approach, points, crossing, end + shift)

            return np.stack([*_slopes(start_or_way, across), *_slopes(goal, across[:0])])

        room = _over_surface(approach, clearance, ROOM_STEP_MM)
        room_slopes = _over_surface(approach, slopes, ROOM_SLOPE_STEP_MM)
    return Response(
        _over_surface(approach, place, 0.5), posterior, roof, room, room_slopes, across, valve_across
    )


def _slopes(function: Callable[[Array, Array], Array], across: ArrayLike) -> list[Array]:
    """Slopes of function(shift, turn) along three shifts and as many turns as `across` has; 0 where not known."""
    still = np.zeros(3)
    pairs = [(SHIFT_MM * e, still, SHIFT_MM) for e in np.eye(3)]
    pairs += [(still, TURN_RAD * e, TURN_RAD) for e in np.asarray(across)]
    found = [(function(s, t) - function(-s, -t)) / (2 * size) for s, t, size in pairs]
    return [np.nan_to_num(f, nan=0.0) for f in found]


def _over_surface(approach: Approach, function: Callable[[Array], Array], step_mm: float) -> Grid:
    """function(points (n, 3)) -> (k, n) on an even grid over the rim and BEYOND_RIM_MM around it."""
    patch, fossa = approach.fossa.patch, approach.fossa
    rim = patch.uvw(fossa.rim_lps if len(fossa.rim_lps) else fossa.center_lps[None])[:, :2]
    axes = []
    for low, high, ends in zip(rim.min(axis=0), rim.max(axis=0), (patch.u_mm, patch.v_mm), strict=True):
        low, high = max(low - BEYOND_RIM_MM, ends[0]), min(high + BEYOND_RIM_MM, ends[-1])
        axes.append(np.linspace(low, high, max(2, int(np.ceil((high - low) / step_mm)) + 1)))
    uu, vv = np.meshgrid(axes[0], axes[1])
    values = function(patch.points_lps(uu.ravel(), vv.ravel()))
    return Grid(axes[0], axes[1], values.reshape(-1, *uu.shape))
