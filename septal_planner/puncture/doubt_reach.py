"""How a catheter's reach answers to where it starts, how it crosses, and where its goal lies.

From each crossing the catheter is steered anew. The values are solved on a lattice over the septal surface, and their
slopes for all that moves besides along the surface; a shift of the start along it is looked up where it leads.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from septal_planner.geometry.frames import unit_vector
from septal_planner.geometry.planes import plane_axes
from septal_planner.puncture.catheter_way import CatheterWay
from septal_planner.puncture.reach_lattice import SLOPE_EVERY, grown_beyond
from septal_planner.puncture.reach_trials import Trials
from septal_planner.puncture.surface_grid import Grid, laid_over

Array = NDArray[np.float64]

OFF_MM = 2.0          # over which they are taken, to either side: about the size of the doubts
GOAL_MM = 1.0
TURN_RAD = float(np.radians(3.0))
NAMES = ("arc_turn", "curvature", "axis_tilt", "clearance", "tip_offset", "spare")


@dataclass(frozen=True, eq=False)
class ReachResponse:
    """Grids by name (NAMES; curvature: one over the bend radius; spare: smallest of the three limits' spares in
    tolerances, no more than 1, as the search has it) of the value, its slopes along a shift of the start
    off the surface (1) and toward u and v at one place of the surface (2), half its second derivative off the surface
    (1), and its slopes along a shift of the goal (3) and turns of the crossing (2) and of the axis (2)."""

    grids: dict[str, Grid]
    way: CatheterWay
    across: NDArray[np.float64]       # (2, 3) to the crossing
    axis_across: NDArray[np.float64]  # (2, 3) to the axis

    def values(
        self, u_mm: Array, v_mm: Array, off_lps: Array, crossing: Array, goal_lps: Array, axis: Array, left_mm: Array,
        shape: Array,
    ) -> dict[str, Array]:
        """Values (n, m) of arc_turn, bend_radius, axis_tilt, clearance and tip_offset for places (n, m) of the surface
        from which the start of m draws is off by (m, 3); their crossing and axis (m, 3), shift of the goal (m, 3) and
        of the atrium's outline (m,), and what the shape itself is off by (m, 4).

        What is left open by a shape that keeps everything with a tolerance to spare jumps from place to place; the
        smallest spare does not. So each of the three is brought to no less than that, and the least of them to it. What
        the shape is off by for that breaks no limit, and where one is broken nothing was left open."""
        patch = self.way.fossa.patch
        u_off, v_off, w_off = (off_lps @ a for a in (patch.axis_u_lps, patch.axis_v_lps, patch.axis_w_lps))
        change = np.column_stack([
            np.ones(len(left_mm)), w_off, u_off, v_off, w_off**2, goal_lps,
            (crossing - self.way.direction_lps) @ self.across.T, (axis - self.way.axis_lps) @ self.axis_across.T,
        ])
        u, v = u_mm + u_off, v_mm + v_off
        found = {name: grid.combined(u, v, change) for name, grid in self.grids.items()}
        curvature = np.maximum(found["curvature"], 0.0)
        limits = self.way.limits
        assert limits.tolerances is not None
        least_room = limits.clearance_mm + self.way.half_width_mm
        spares = [
            (limits.tilt_deg - np.maximum(found["axis_tilt"], 0.0)) / limits.tolerances[0],
            (limits.offset_mm - np.maximum(found["tip_offset"], 0.0)) / limits.tolerances[1],
            (found["clearance"] - least_room) / limits.tolerances[2],
        ]
        least = np.fmin(np.fmin(spares[0], spares[1]), spares[2])  # what is not assessed does not count
        known = np.minimum(found["spare"], 1.0)
        bound = np.where(known < 1.0, np.minimum(least, known), least)
        tilt, offset, room = (np.where(s == least, np.maximum(bound, known), np.maximum(s, known)) for s in spares)
        radius = np.where(curvature > 1e-9, 1 / np.maximum(curvature, 1e-9), np.inf)
        tightest = min(bend.radius_mm.low for bend in self.way.catheter.bends)
        return {
            "arc_turn": np.maximum(found["arc_turn"] + shape[:, 0], 0.0),
            "bend_radius": np.where(radius >= tightest, np.maximum(radius + shape[:, 1], tightest), radius),
            "axis_tilt": _left_open(limits.tilt_deg - tilt * limits.tolerances[0], shape[:, 2], limits.tilt_deg),
            "clearance": least_room + room * limits.tolerances[2] + left_mm,
            "tip_offset": _left_open(limits.offset_mm - offset * limits.tolerances[1], shape[:, 3], limits.offset_mm),
        }


def respond_by_reach(way: CatheterWay) -> ReachResponse:
    """The response of one catheter, on its lattice grown to where the needle may land."""
    patch = way.fossa.patch
    lattice = grown_beyond(way.lattice, way.fossa, lambda points, beside: way.solve(points, beside=beside))
    u, v = lattice.u_mm, lattice.v_mm
    base = Grid(u, v, _values(way, lattice.points_lps, lattice.trials).reshape(-1, len(v), len(u)))

    rows, columns = (np.arange(0, len(axis), SLOPE_EVERY) for axis in (v, u))
    nodes = (rows[:, None] * len(u) + columns).ravel()
    across, axis_across = np.stack(plane_axes(way.direction_lps)), np.stack(plane_axes(way.axis_lps))
    start, own = lattice.points_lps[nodes], lattice.trials.rows(nodes[:, None])
    n, still = len(nodes), np.zeros(3)
    moves = [(OFF_MM * patch.axis_w_lps, still, still, still)]
    moves += [(still, GOAL_MM * e, still, still) for e in np.eye(3)]
    moves += [(still, still, TURN_RAD * e, still) for e in across]
    moves += [(still, still, still, TURN_RAD * e) for e in axis_across]
    both = [tuple(sign * part for part in move) for move in moves for sign in (1.0, -1.0)]
    shift, goal, turn, lean = (np.repeat(np.stack(part), n, axis=0) for part in zip(*both, strict=True))
    found = _values(
        way, np.tile(start, (len(both), 1)) + shift, own.rows(np.tile(np.arange(n), len(both))[:, None]),
        direction_lps=unit_vector(way.direction_lps + turn), goal_lps=way.goal_lps + goal,
        axis_lps=unit_vector(way.axis_lps + lean),
    ).reshape(len(NAMES), len(moves), 2, n)
    size = np.array([OFF_MM, *3 * [GOAL_MM], *4 * [TURN_RAD]])
    slopes = np.nan_to_num((found[:, :, 0] - found[:, :, 1]) / (2 * size[:, None]), nan=0.0)
    here = base.values.reshape(len(NAMES), -1)[:, nodes]
    bent = np.nan_to_num((found[:, 0, 0] + found[:, 0, 1] - 2 * here) / (2 * OFF_MM**2), nan=0.0)
    # a shift in the fossa's plane is looked up where it leads, which is off the surface as that rises
    uvw = patch.uvw(start)
    normal = patch.normals_lps(uvw[:, 0], uvw[:, 1])
    rise_u, rise_v = (-(normal @ a) / (normal @ patch.axis_w_lps) for a in (patch.axis_u_lps, patch.axis_v_lps))
    off = slopes[:, 0]
    layers = np.stack([off, -off * rise_u, -off * rise_v, bent, *np.moveaxis(slopes[:, 1:], 1, 0)], axis=1)
    grids = {}
    for k, name in enumerate(NAMES):
        coarse = Grid(u[columns], v[rows], layers[k].reshape(-1, len(rows), len(columns)))
        grids[name] = laid_over(Grid(u, v, base.values[k : k + 1]), coarse)
    return ReachResponse(grids, way, across, axis_across)


def _left_open(values: Array, off: Array, limit: float) -> Array:
    """Values (n, m), none below zero, off by (m,) as far as what is within the limit stays there."""
    return np.asarray(np.maximum(np.where(values <= limit, np.minimum(values + off, limit), values), 0.0))


def _values(way: CatheterWay, points: Array, beside: Trials, **moved: Array) -> Array:
    """(NAMES, n)."""
    solved = way.solve(points, beside=beside, **moved)
    found, tolerances = way.values_of(solved), way.limits.tolerances
    assert tolerances is not None
    spares = (solved.spare_tilt_deg, solved.spare_offset_mm, solved.spare_clearance_mm)
    least = np.fmin.reduce([s / t for s, t in zip(spares, tolerances, strict=True)])
    found["spare"] = np.minimum(least, 1.0)
    found["curvature"] = 1 / found["bend_radius"]
    return np.stack([found[name] for name in NAMES])
