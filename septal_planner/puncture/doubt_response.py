"""How each quantity answers to a small change of where, and along which way, the septum is crossed.

What has a closed form is worked out anew for every draw. The ways ahead, the room of the arc and a catheter's reach
would take too long: they are taken from maps over the septal surface and followed along their slopes (first order).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.geometry.frames import unit_vector
from septal_planner.geometry.planes import plane_axes
from septal_planner.puncture.approach import Approach
from septal_planner.puncture.catheter_way import CatheterWay
from septal_planner.puncture.doubt_reach import ReachResponse, respond_by_reach
from septal_planner.puncture.paths import posterior_path_mm
from septal_planner.puncture.place import local_normals_lps
from septal_planner.puncture.requirements import (
    ROOF_FROM_MM,
    arc_clearance_mm,
    doubtful_room_mm,
    thickness_mm,
)
from septal_planner.puncture.surface_grid import Grid, laid_over, over_surface

Array = NDArray[np.float64]

RIM_STEP_MM = 0.5
WALL_STEP_MM = 1.0    # of what is averaged over a spot as large
WAY_STEP_MM = 1.5
WAY_SLOPE_STEP_MM = 4.0
ROOM_STEP_MM = 2.0
ROOM_SLOPE_STEP_MM = 5.0
SHIFT_MM = 1.5        # over which slopes are taken, to either side: about the size of the doubts
TURN_RAD = float(np.radians(3.0))


@dataclass(frozen=True, eq=False)
class Response:
    """Maps over the septal surface, a little beyond the rim. None where not assessed.

    `place`: distance to the rim (negative outside), whether it was bridged there, thickness, local normal (3).
    `posterior` and `roof`: free path, one over the cosine of its end, and slopes along a shift of the start (3) and a
    turn of the crossing (2) or of the annular normal (2). `room`: of the arc; `room_slopes` along a shift of start (3),
    a turn of the crossing (2) and a shift of the end (3). `way` and `reach`: of a certain catheter, in place of the
    arc. Turns are about `across` (2, 3) and `valve_across` (2, 3), in radians.
    """

    place: Grid
    posterior: Grid | None
    roof: Grid | None
    room: Grid | None
    room_slopes: Grid | None
    across: NDArray[np.float64]
    valve_across: NDArray[np.float64]
    way: CatheterWay | None = None
    reach: ReachResponse | None = None


def respond(approach: Approach, *, way: CatheterWay | None = None) -> Response:
    """Maps of one approach; without a rim around the middle of the surface, and no distance to the rim. `way`: of the
    catheter that is reckoned with, None for the one arc."""
    fossa, crossing, normal = approach.fossa, approach.crossing_lps, approach.annulus.normal_lps
    across, valve_across = np.stack(plane_axes(crossing)), np.stack(plane_axes(normal))

    def rim(points: Array) -> Array:
        if not len(fossa.rim_lps):
            return np.full((2, len(points)), np.nan)
        return np.stack(doubtful_room_mm(approach, points))

    def wall(points: Array) -> Array:
        return np.stack([thickness_mm(approach, points), *local_normals_lps(fossa, points).T])

    left = approach.chambers.distance.get("left_atrium")
    posterior = roof = room = room_slopes = None
    if left is not None:
        field = left

        def ahead(points: Array) -> Array:
            return _path(*posterior_path_mm(points, crossing, field))

        def ahead_slopes(points: Array) -> Array:
            def path(shift: Array, turn: Array) -> Array:
                way = unit_vector(crossing + turn)
                return posterior_path_mm(points + shift, way, field, step_mm=0.5, longest_mm=120.0)[0]

            return np.stack(_slopes(path, across))

        def above(points: Array) -> Array:
            start = points + ROOF_FROM_MM * crossing
            return _path(*posterior_path_mm(start, normal, field, enter_within_mm=1.0, longest_mm=100.0))

        def above_slopes(points: Array) -> Array:
            start = points + ROOF_FROM_MM * crossing

            def path(shift: Array, turn: Array) -> Array:
                way = unit_vector(normal + turn)
                return posterior_path_mm(
                    start + shift, way, field, enter_within_mm=1.0, step_mm=0.5, longest_mm=100.0
                )[0]

            return np.stack(_slopes(path, valve_across))

        posterior, roof = (
            laid_over(over_surface(fossa, path, WAY_STEP_MM), over_surface(fossa, slopes, WAY_SLOPE_STEP_MM))
            for path, slopes in ((ahead, ahead_slopes), (above, above_slopes))
        )
    if way is None and approach.structure_lps is not None and approach.wall is not None:
        end = approach.structure_lps

        def clearance(points: Array) -> Array:
            return arc_clearance_mm(approach, points, crossing, end)[None]

        def slopes(points: Array) -> Array:
            def start_or_way(shift: Array, turn: Array) -> Array:
                return arc_clearance_mm(approach, points + shift, unit_vector(crossing + turn), end)

            def goal(shift: Array, _turn: Array) -> Array:
                return arc_clearance_mm(approach, points, crossing, end + shift)

            return np.stack([*_slopes(start_or_way, across), *_slopes(goal, across[:0])])

        room = over_surface(fossa, clearance, ROOM_STEP_MM)
        room_slopes = over_surface(fossa, slopes, ROOM_SLOPE_STEP_MM)
    on_it = laid_over(over_surface(fossa, rim, RIM_STEP_MM), over_surface(fossa, wall, WALL_STEP_MM))
    return Response(
        on_it, posterior, roof, room, room_slopes, across, valve_across, way,
        None if way is None else respond_by_reach(way),
    )


def _path(free: Array, cosine: Array) -> Array:
    return np.stack([free, 1 / np.maximum(cosine, 0.2)])


def _slopes(function: Callable[[Array, Array], Array], across: ArrayLike) -> list[Array]:
    """Slopes of function(shift, turn) along three shifts and as many turns as `across` has; 0 where not known."""
    still = np.zeros(3)
    pairs = [(SHIFT_MM * e, still, SHIFT_MM) for e in np.eye(3)]
    pairs += [(still, TURN_RAD * e, TURN_RAD) for e in np.asarray(across)]
    found = [(function(s, t) - function(-s, -t)) / (2 * size) for s, t, size in pairs]
    return [np.nan_to_num(f, nan=0.0) for f in found]
