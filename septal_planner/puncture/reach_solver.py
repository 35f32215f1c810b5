"""Steering a catheter to a valve: advance, plane and deflections that end on the axis at the device point.

For every crossing point the shape is sought that keeps within the catheter's bends and clear of the walls, and has the
least tilt against the axis, then the least offset from the device point, among those whose offset is allowed. Where
there is none, the shape that falls short by least; where already the bends do not allow it, the walls left aside. See
reach_search for how.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.geometry.frames import unit_vector
from septal_planner.puncture import arc_chain
from septal_planner.puncture.body_clearance import BodyRoom
from septal_planner.puncture.catheters import HARDLY_BENT_DEG, SteerableCatheter
from septal_planner.puncture.reach_search import (
    STEP_MM,
    TOLERANCE,
    ReachLimits,
    best_beside,
    best_clear_of_walls,
    best_without_walls,
    clearance_along,
    put,
)
from septal_planner.puncture.reach_shapes import Shapes, Task
from septal_planner.puncture.reach_trials import Trials, trials_of

__all__ = ["CatheterReach", "ReachLimits", "ReachMap", "reach_of", "solve_reach"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ReachMap:
    """For each of n crossing points the shape found, its inputs and its spare in each limit (negative: beyond it).

    `plane_deg` turns the first bend about the crossing direction, 0 toward the axis into the valve, right-handed.
    `deflection_deg`, `radius_mm` (n, m) for m bends; the second deflection is negative to the other side.
    `clearance_mm`: to the wall, or to where the CT ends before it; nan where neither is known. `reachable`: within
    every limit; without a room, as far as the clearance is left out. `chains`: the shapes in LPS. `trials`: what a
    search nearby may begin with.
    """

    catheter: SteerableCatheter
    limits: ReachLimits
    reachable: NDArray[np.bool_]
    tilt_deg: NDArray[np.float64]
    offset_mm: NDArray[np.float64]
    clearance_mm: NDArray[np.float64]
    advance_mm: NDArray[np.float64]
    plane_deg: NDArray[np.float64]
    deflection_deg: NDArray[np.float64]
    radius_mm: NDArray[np.float64]
    length_mm: NDArray[np.float64]
    chains: arc_chain.Chains
    trials: Trials

    @property
    def spare_tilt_deg(self) -> Array:
        return np.asarray(self.limits.tilt_deg - self.tilt_deg)

    @property
    def spare_offset_mm(self) -> Array:
        return np.asarray(self.limits.offset_mm - self.offset_mm)

    @property
    def spare_clearance_mm(self) -> Array:
        return np.asarray(self.clearance_mm - self.limits.clearance_mm)

    @property
    def spare_advance_mm(self) -> Array:
        return np.asarray(self.limits.advance_mm - self.advance_mm)

    @property
    def spare_radius_mm(self) -> Array:
        """(n, m) above the tightest bend."""
        return np.asarray(self.radius_mm - np.array([b.radius_mm.low for b in self.catheter.bends]))

    @property
    def spare_deflection_deg(self) -> Array:
        """(n, m) to the largest deflection."""
        return np.asarray(
            np.array([b.deflection_deg.high for b in self.catheter.bends]) - np.abs(self.deflection_deg)
        )


@dataclass(frozen=True)
class CatheterReach:
    """One crossing point of a ReachMap, in full. `reachable`: within every limit that is assessed. `clearance_mm`: None
    where it is not. `nearest`: what the body comes closest to, `nearest_lps` (3,) where on its centre line; None
    without a clearance. `usable_spare_mm`: None where the length up to the septum is not known.
    `path_lps` (k, 3): the centre line, half a millimetre apart or less. `why_not`: one sentence per limit not kept."""

    catheter: SteerableCatheter
    reachable: bool
    tilt_deg: float
    offset_mm: float
    clearance_mm: float | None
    nearest: str | None
    nearest_lps: NDArray[np.float64] | None
    advance_mm: float
    plane_deg: float
    deflections_deg: tuple[float, ...]
    radii_mm: tuple[float, ...]
    smallest_radius_mm: float | None
    length_mm: float
    usable_spare_mm: float | None
    spare: dict[str, float]
    path_lps: NDArray[np.float64]
    why_not: tuple[str, ...]


def solve_reach(
    start_lps: ArrayLike, direction: ArrayLike, goal_lps: ArrayLike, axis: ArrayLike, catheter: SteerableCatheter,
    *, limits: ReachLimits | None = None, room: BodyRoom | None = None,
    beside: Trials | None = None,
) -> ReachMap:
    """The best shape from each crossing point (n, 3) along its direction (n, 3) or (3,) to the device point (n, 3) or
    (3,) with the tip along `axis` (n, 3) or (3,), into the valve. Without `room` the clearance is not looked at.

    `beside`: shapes (n, k) for each crossing, found before for others much alike (`ReachMap.trials`); the search then
    begins with them and costs little.
    """
    asked = limits or ReachLimits()
    start = np.atleast_2d(np.asarray(start_lps, dtype=np.float64))
    forward = np.broadcast_to(unit_vector(direction), start.shape).copy()
    goal = np.asarray(goal_lps, dtype=np.float64)
    task = Task.of(start, forward, goal, unit_vector(axis), catheter, asked.advance_mm)

    clearance = np.full(len(start), np.nan)
    if beside is not None:
        best = best_beside(task, asked, room, beside)
        if room is not None:
            clearance = clearance_along(room, best.chains(task), catheter, None)
    else:
        best, kept = best_without_walls(task, asked)
        if room is not None:
            clearance = clearance_along(room, best.chains(task), catheter, None)
            hit = np.flatnonzero(kept & (clearance < asked.wanted_clearance_mm))
            if len(hit):
                part = task.at(hit)
                freed = best_clear_of_walls(part, asked, room)
                clearance[hit] = clearance_along(room, freed.chains(part), catheter, None)
                best = put(best, hit, freed)
    clearance = np.where(np.isfinite(clearance), clearance, np.nan)
    return _map(task, asked, best, clearance, assessed=room is not None)


def _map(task: Task, limits: ReachLimits, found: Shapes, clearance: Array, *, assessed: bool) -> ReachMap:
    tilt, offset = found.tilt_deg[:, 0], found.offset_mm[:, 0]
    reachable = (tilt <= limits.tilt_deg + TOLERANCE) & (offset <= limits.offset_mm + TOLERANCE)
    if assessed:
        reachable &= ~(clearance < limits.clearance_mm - TOLERANCE)
    chains = found.chains(task)
    plane = (np.degrees(found.plane_rad[:, 0]) + 180) % 360 - 180
    return ReachMap(
        catheter=task.catheter, limits=limits, reachable=reachable, tilt_deg=tilt, offset_mm=offset,
        clearance_mm=clearance, advance_mm=found.advance_mm[:, 0], plane_deg=plane,
        deflection_deg=np.degrees(found.deflection_rad[:, 0]), radius_mm=found.radius_mm[:, 0],
        length_mm=chains.total_mm, chains=chains, trials=trials_of(task, found),
    )


def reach_of(
    found: ReachMap, index: int, *, room: BodyRoom | None = None, wall_seen: bool = True,
    length_before_mm: float | None = None,
) -> CatheterReach:
    """One crossing point of a map in full. `room` as it was solved with; `wall_seen`: whether the wall is what its body
    comes nearest to, not where the CT ends, so that its clearance is assessed; `length_before_mm`: of the catheter from
    where it enters the body to the crossing point, None where not known."""
    chain = arc_chain.some(found.chains, slice(index, index + 1))
    count = max(2, int(np.ceil(float(chain.total_mm[0]) / STEP_MM)) + 1)
    path = arc_chain.evenly(chain, count)[0][0]
    width = found.catheter.outer_diameter_mm.value
    clearance = float(found.clearance_mm[index]) if wall_seen and np.isfinite(found.clearance_mm[index]) else None
    nearest, place = (None, None) if room is None or clearance is None else room.nearest(path, path[0], width)[1:]
    turns, radii = np.abs(found.deflection_deg[index]), found.radius_mm[index]
    spare = {
        "tilt_deg": float(found.spare_tilt_deg[index]),
        "offset_mm": float(found.spare_offset_mm[index]),
        "advance_mm": float(found.spare_advance_mm[index]),
    }
    if clearance is not None:
        spare["clearance_mm"] = float(found.spare_clearance_mm[index])
    for number in range(len(radii)):
        name = f"bend_{number + 1}"
        spare[f"{name}_radius_mm"] = float(found.spare_radius_mm[index, number])
        spare[f"{name}_deflection_deg"] = float(found.spare_deflection_deg[index, number])
    usable = None
    if length_before_mm is not None:
        usable = found.catheter.usable_length_mm.value - length_before_mm - float(found.length_mm[index])
    bent = radii[turns > HARDLY_BENT_DEG]
    why = _why_not(found, index, clearance, nearest)
    if usable is not None and usable < 0:
        why = (*why, f"The catheter is {-usable:.0f} mm too short.")
    return CatheterReach(
        catheter=found.catheter, reachable=not why, tilt_deg=float(found.tilt_deg[index]),
        offset_mm=float(found.offset_mm[index]), clearance_mm=clearance, nearest=nearest, nearest_lps=place,
        advance_mm=float(found.advance_mm[index]), plane_deg=float(found.plane_deg[index]),
        deflections_deg=tuple(float(v) for v in found.deflection_deg[index]), radii_mm=tuple(float(v) for v in radii),
        smallest_radius_mm=float(bent.min()) if len(bent) else None, length_mm=float(found.length_mm[index]),
        usable_spare_mm=usable, spare=spare, path_lps=path, why_not=why,
    )


def _why_not(found: ReachMap, index: int, clearance: float | None, nearest: str | None) -> tuple[str, ...]:
    limits, tilt, offset = found.limits, float(found.tilt_deg[index]), float(found.offset_mm[index])
    why = []
    if tilt > limits.tilt_deg + TOLERANCE:
        why.append(f"The tip ends {tilt:.1f} degrees off the axis, more than the {limits.tilt_deg:g} allowed.")
    if offset > limits.offset_mm + TOLERANCE:
        why.append(f"The tip ends {offset:.2f} mm from the device point, more than the {limits.offset_mm:g} allowed.")
    if clearance is not None and clearance < limits.clearance_mm - TOLERANCE:
        where = "the wall" if nearest is None else f"the {nearest}"
        beyond = f"reaches {-clearance:.2f} mm into" if clearance < 0 else f"keeps {clearance:.2f} mm from"
        why.append(f"Its body {beyond} {where}, less than the {limits.clearance_mm:g} mm clearance asked for.")
    if clearance is None and found.clearance_mm[index] < limits.clearance_mm - TOLERANCE:
        why.append(
            "Its body comes nearer to the wall, or to where the CT ends before it, than the "
            f"{limits.clearance_mm:g} mm clearance asked for."
        )
    return tuple(why)
