"""One catheter's way to the target from anywhere on the septum, within what the procedure asks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.anatomy.fossa import Fossa
from septal_planner.geometry.frames import unit_vector
from septal_planner.puncture.approach import Approach
from septal_planner.puncture.arc_chain import evenly
from septal_planner.puncture.arcs import arcs_between
from septal_planner.puncture.body_clearance import BodyRoom
from septal_planner.puncture.catheters import HARDLY_BENT_DEG, SteerableCatheter
from septal_planner.puncture.clearance import AtrialWall
from septal_planner.puncture.procedures import Procedure
from septal_planner.puncture.reach_lattice import ReachLattice, reach_lattice
from septal_planner.puncture.reach_solver import CatheterReach, ReachLimits, ReachMap, reach_of, solve_reach
from septal_planner.puncture.reach_trials import Trials

Array = NDArray[np.float64]

LEAST_CLEARANCE_MM = 0.1  # of the body, however wide it is; ours
ANY_TILT_DEG = 180.0      # where the procedure has no axis to end along
WITHOUT_RANGE = (10.0, 1.5, 2.0)  # tolerances of tilt, offset and clearance where the procedure asks nothing
HELD_MAPS = 4             # solved before, kept to be asked for again


@dataclass(frozen=True, eq=False)
class CatheterWay:
    """A catheter, the septum it comes through, what it is to reach and what counts as reached. LPS, mm.

    `direction_lps`: of the crossing; `goal_lps`: the device point; `axis_lps`: along which the tip should end there,
    the approach's own, or that of one arc where it is not assessed. `on_axis`: whether tilt counts. `room` None: the
    left atrium was not found, and no clearance is assessed; `wall` tells where the CT cuts the atrium. `half_width_mm`:
    what clearances of the body and of its centre line differ by: half the outer diameter, less for a body wider than
    the procedure's range for a line expects, so that this range is kept just where the body keeps `limits`.
    """

    catheter: SteerableCatheter
    limits: ReachLimits
    fossa: Fossa
    room: BodyRoom | None
    wall: AtrialWall | None
    direction_lps: NDArray[np.float64]
    goal_lps: NDArray[np.float64]
    axis_lps: NDArray[np.float64]
    on_axis: bool
    half_width_mm: float
    _held: dict[bytes, ReachMap] = field(default_factory=dict, repr=False)

    @cached_property
    def lattice(self) -> ReachLattice:
        """The reach from all over the membrane, by which that from any point of it is found."""
        return reach_lattice(self.fossa, lambda points, beside: self.solve(points, beside=beside))

    def reach_map(self, points_lps: ArrayLike) -> ReachMap:
        """The reach from points (n, 3); the last few asked for are remembered."""
        p = np.ascontiguousarray(np.asarray(points_lps, dtype=np.float64).reshape(-1, 3))
        key = p.tobytes()
        if key not in self._held:
            found = self.solve(p, beside=self.lattice.beside(p))
            while len(self._held) >= HELD_MAPS:
                del self._held[next(iter(self._held))]
            self._held[key] = found
        return self._held[key]

    def solve(
        self, starts_lps: Array, *, direction_lps: ArrayLike | None = None, goal_lps: ArrayLike | None = None,
        axis_lps: ArrayLike | None = None, beside: Trials | None = None,
    ) -> ReachMap:
        """The reach from starts (n, 3), each by its own direction, to its own goal and axis, where they are told;
        `beside` as of `solve_reach`."""
        way = self.direction_lps if direction_lps is None else direction_lps
        goal = self.goal_lps if goal_lps is None else goal_lps
        axis = self.axis_lps if axis_lps is None else axis_lps
        return solve_reach(
            starts_lps, way, goal, axis, self.catheter, limits=self.limits, room=self.room, beside=beside
        )

    def over(self, points_lps: ArrayLike) -> Mapping[str, Array]:
        """Values (n,) of arc_turn, bend_radius, axis_tilt, clearance and tip_offset from points (n, 3), as a map of the
        membrane takes them (`requirements.ReachOver`)."""
        return self.values_of(self.reach_map(points_lps))

    def values_of(self, found: ReachMap) -> dict[str, Array]:
        """The same of a map that is solved: turn of all bends together (deg); tightest bend used (mm, infinite where
        none is); tilt (deg, nan where no axis is asked for); clearance of the centre line (mm, nan where not assessed);
        distance at which the tip ends from the device point (mm)."""
        turn = np.abs(found.deflection_deg)
        radius = np.where(turn > HARDLY_BENT_DEG, found.radius_mm, np.inf).min(axis=1)
        clearance = np.where(self.wall_seen(found), found.clearance_mm + self.half_width_mm, np.nan)
        return {
            "arc_turn": turn.sum(axis=1), "bend_radius": radius,
            "axis_tilt": found.tilt_deg if self.on_axis else np.full(len(turn), np.nan),
            "clearance": clearance, "tip_offset": found.offset_mm,
        }

    def wall_seen(self, found: ReachMap) -> NDArray[np.bool_]:
        """Whether (n,) the CT reaches as far as the wall that each body of a solved map comes nearest to, so that its
        clearance is assessed."""
        clearance = found.clearance_mm + self.catheter.outer_diameter_mm.value / 2  # of the centre line, as the edge's
        if self.wall is None or self.wall.edge is None:
            return np.isfinite(clearance)
        points, _ = evenly(found.chains, 100)
        begin = np.arange(len(points) + 1) * points.shape[1]
        return np.asarray(self.wall.to_edge_mm(points.reshape(-1, 3), begin) >= clearance)

    def at(self, point_lps: ArrayLike, *, length_before_mm: float | None = None) -> CatheterReach:
        """The reach from one point (3,) in full; `length_before_mm` as of `reach_of`."""
        found = self.reach_map(point_lps)
        return reach_of(
            found, 0, room=self.room, wall_seen=bool(self.wall_seen(found)[0]), length_before_mm=length_before_mm
        )


def catheter_way(approach: Approach, catheter: SteerableCatheter) -> CatheterWay | None:
    """The way of one catheter on one approach; None where the procedure has no single target or its landmark is
    missing."""
    if approach.goal is None:
        return None
    procedure = approach.procedure
    goal, axis = approach.goal, approach.goal.axis_lps
    if axis is None:  # as one arc from the middle of the membrane comes in
        arc = arcs_between(approach.fossa.center_lps, approach.crossing_lps, goal.point_lps)
        axis = -approach.annulus.normal_lps if np.isnan(arc.length_mm[0]) else arc.end_direction_lps[0]
        procedure = replace(procedure, axis_tilt=None)
    limits = limits_of(procedure, catheter)
    half = catheter.outer_diameter_mm.value / 2
    if procedure.clearance is not None and procedure.clearance.low is not None:
        half = min(half, procedure.clearance.low - limits.clearance_mm)
    return CatheterWay(
        catheter=catheter, limits=limits, fossa=approach.fossa, room=approach.body_room, wall=approach.wall,
        goal_lps=goal.point_lps, direction_lps=unit_vector(approach.crossing_lps), axis_lps=axis,
        on_axis=procedure.axis_tilt is not None, half_width_mm=half,
    )


def share_reached(approach: Approach, way: CatheterWay, points_lps: ArrayLike) -> float:
    """Share (by area) of the membrane, mapped at points (n, 3) even in the fossa's plane, from which the catheter
    reaches within every limit that is assessed; nan for no points."""
    reached = way.reach_map(points_lps).reachable
    if not len(reached):
        return float("nan")
    patch = approach.fossa.patch
    uvw = patch.uvw(np.asarray(points_lps, dtype=np.float64).reshape(-1, 3))
    area = 1 / np.maximum(np.abs(patch.normals_lps(uvw[:, 0], uvw[:, 1]) @ patch.axis_w_lps), 0.1)
    return float((area * reached).sum() / area.sum())


def limits_of(procedure: Procedure, catheter: SteerableCatheter) -> ReachLimits:
    """What counts as reached by this procedure's own ranges and tolerances. Its clearance is that of a line: half the
    catheter's width less is asked of the body."""
    tilt, room, offset = procedure.axis_tilt, procedure.clearance, procedure.tip_offset
    least = 0.0 if room is None or room.low is None else room.low
    of = [w if a is None else a.tolerance for a, w in zip((tilt, offset, room), WITHOUT_RANGE, strict=True)]
    return ReachLimits(
        tilt_deg=ANY_TILT_DEG if tilt is None or tilt.high is None else tilt.high,
        offset_mm=ReachLimits.offset_mm if offset is None or offset.high is None else offset.high,
        clearance_mm=max(least - catheter.outer_diameter_mm.value / 2, LEAST_CLEARANCE_MM),
        tolerances=(of[0], of[1], of[2]),
    )
