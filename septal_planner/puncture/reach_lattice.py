"""A catheter's reach from a lattice over the septal surface: solved once, so that any point between is told at little
cost, and the same whatever else was asked before."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from septal_planner.anatomy.fossa import Fossa
from septal_planner.puncture.reach_solver import ReachMap
from septal_planner.puncture.reach_trials import Trials
from septal_planner.puncture.surface_grid import rim_box, surface_axes_mm

Array = NDArray[np.float64]
# a catheter's reach from points (n, 3), beginning with trials (n, k) or (None) searched in full
Solve = Callable[[Array, Trials | None], ReachMap]

STEP_MM = 2.0
SLOPE_EVERY = 2      # place of the lattice is where slopes are taken
EVERY = 2            # place of the lattice within the rim is searched in full
NEIGHBOURS = 3       # whose shapes a search begins with


@dataclass(frozen=True, eq=False)
class ReachLattice:
    """Places of an even lattice in the fossa's plane, those within so many steps of the rim, each with the shape found
    from there. `place` (n,): which of the lattice's (nv nu), counted row by row."""

    u_mm: NDArray[np.float64]        # (nu,)
    v_mm: NDArray[np.float64]        # (nv,)
    place: NDArray[np.intp]
    points_lps: NDArray[np.float64]  # (n, 3)
    trials: Trials                   # (n, 1)
    tree: cKDTree

    def beside(self, points_lps: Array) -> Trials:
        """Trials (m, k) that a search from points (m, 3) begins with."""
        near = self.tree.query(points_lps, min(NEIGHBOURS, self.tree.n))[1]
        return self.trials.rows(np.asarray(near, dtype=np.intp).reshape(len(points_lps), -1))


def reach_lattice(fossa: Fossa, solve: Solve) -> ReachLattice:
    """The lattice over the box about the rim: every second place is searched in full, then what lies between, each
    beginning with the shapes of those next to it."""
    u, v = surface_axes_mm(fossa, STEP_MM, every=SLOPE_EVERY)
    ring = _rings(fossa, u, v)
    column, row = np.meshgrid(np.arange(len(u)), np.arange(len(v)))
    full = (ring == ring.min()) & ((column % EVERY == 0) & (row % EVERY == 0)).ravel()
    first = np.flatnonzero(full if full.any() else ring == ring.min())
    points = _points(fossa, u, v)[first]
    begun = ReachLattice(u, v, first, points, solve(points, None).trials, cKDTree(points))
    return _grown(begun, fossa, solve, np.setdiff1d(np.flatnonzero(ring == ring.min()), first))


def grown_beyond(lattice: ReachLattice, fossa: Fossa, solve: Solve) -> ReachLattice:
    """The same lattice to its ends, outward step by step, every place in order."""
    ring = _rings(fossa, lattice.u_mm, lattice.v_mm)
    for there in range(int(ring.min()) + 1, int(ring.max()) + 1):
        lattice = _grown(lattice, fossa, solve, np.flatnonzero(ring == there))
    order = np.argsort(lattice.place)
    points = lattice.points_lps[order]
    return ReachLattice(
        lattice.u_mm, lattice.v_mm, lattice.place[order], points, lattice.trials.rows(order[:, None]), cKDTree(points)
    )


def _grown(lattice: ReachLattice, fossa: Fossa, solve: Solve, new: NDArray[np.intp]) -> ReachLattice:
    if not len(new):
        return lattice
    added = _points(fossa, lattice.u_mm, lattice.v_mm)[new]
    points = np.concatenate([lattice.points_lps, added])
    trials = lattice.trials.joined(solve(added, lattice.beside(added)).trials)
    place = np.concatenate([lattice.place, new])
    return ReachLattice(lattice.u_mm, lattice.v_mm, place, points, trials, cKDTree(points))


def _points(fossa: Fossa, u_mm: Array, v_mm: Array) -> Array:
    uu, vv = np.meshgrid(u_mm, v_mm)
    return fossa.patch.points_lps(uu.ravel(), vv.ravel())


def _rings(fossa: Fossa, u_mm: Array, v_mm: Array) -> NDArray[np.intp]:
    """How many steps (nv nu,) each place lies beyond the box about the rim."""
    low, high = rim_box(fossa)
    uv = np.stack([a.ravel() for a in np.meshgrid(u_mm, v_mm)], axis=1)
    beyond = np.maximum(np.maximum(low - uv, uv - high).max(axis=1), 0.0)
    return np.asarray(np.ceil(beyond / STEP_MM), dtype=np.intp)
