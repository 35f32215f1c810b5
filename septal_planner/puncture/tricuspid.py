"""From the inferior vena cava through the right atrium to the tricuspid valve."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from septal_planner.anatomy.annulus import Annulus, height_mm
from septal_planner.errors import AnatomyNotFound
from septal_planner.geometry.frames import unit_vector
from septal_planner.geometry.shapes import DistanceField
from septal_planner.puncture.arc_chain import evenly
from septal_planner.puncture.body_clearance import NEAR_ENTRY_MM, BodyRoom, body_room, outline_of
from septal_planner.puncture.catheter import angle_deg
from septal_planner.puncture.catheters import SteerableCatheter
from septal_planner.puncture.clearance import CT_EDGE_MM
from septal_planner.puncture.leads import LeadCrossing, lead_crossings, lead_sentences
from septal_planner.puncture.reach_solver import CatheterReach, ReachLimits, ReachMap, reach_of, solve_reach

Array = NDArray[np.float64]
BeyondCt = Callable[[Array, float], NDArray[np.bool_]]

# Two bends: one carries the tip from the caval axis to the middle of the annulus, the other along its axis. The same as
# that of edge-to-edge repair, so that one catheter serves both valves, drawn back into the right atrium in between.
DEFAULT_CATHETER = "large-guide-two-plane"
LOOKED_BEYOND_MM = 40.0  # along the caval axis, above and below the upper landmark, for where the atrium begins
STEP_MM = 0.25


@dataclass(frozen=True)
class TricuspidReach:
    """`entry_lps` (3,): where the caval axis enters the right atrium, or the upper landmark where that was not found.
    `turn_deg`: caval axis against the axis into the ventricle. `reach`: the shape found; its clearance counts from 10
    mm beyond the entry. `leads`: metal through the annulus. None: not assessed, see `not_assessed`."""

    entry_lps: NDArray[np.float64]
    direction: NDArray[np.float64]
    turn_deg: float
    reach: CatheterReach
    leads: tuple[LeadCrossing, ...] | None
    cautions: tuple[str, ...]
    not_assessed: tuple[str, ...]


def tricuspid_reach(
    cava_lps: ArrayLike, annulus: Annulus, catheter: SteerableCatheter, *, right_atrium: DistanceField | None = None,
    aorta: DistanceField | None = None, metal_lps: ArrayLike | None = None, limits: ReachLimits | None = None,
    goal_lps: ArrayLike | None = None, beyond_ct: BeyondCt | None = None,
) -> TricuspidReach:
    """Reach from the inferior vena cava to the middle of the tricuspid annulus (or `goal_lps` (3,)), along its axis.

    `cava_lps` (2, 3): on the vessel's axis, near the atrial junction, then lower. `metal_lps` (n, 3): voxel centres of
    the CT's metal, empty where there is none, None where it was not looked for. `beyond_ct` tells which points (n, 3)
    lie within so many mm of the CT's edge: where that is nearer than the wall, or hardly farther, the clearance is not
    assessed. Raises AnatomyNotFound without two different points in the cava."""
    cava = np.asarray(cava_lps, dtype=np.float64).reshape(-1, 3)
    if len(cava) < 2 or np.linalg.norm(cava[0] - cava[1]) < 5.0:
        raise AnatomyNotFound(
            f"The landmark inferior_vena_cava needs two points 5 mm or more apart on the axis of the vessel, found "
            f"{len(cava)}; mark one near the atrial junction, then one lower."
        )
    up = unit_vector(cava[0] - cava[1])
    goal = annulus.center_lps if goal_lps is None else np.asarray(goal_lps, dtype=np.float64)
    not_assessed: list[str] = []
    room: BodyRoom | None = None
    entry = cava[0]
    if right_atrium is None:
        not_assessed.append("The clearance in the right atrium is not assessed, because the atrium was not found.")
    else:
        found = _entry(right_atrium, cava[0], up)
        entry = cava[0] if found is None else found
        room = body_room(
            right_atrium, annulus, aorta=aorta, name="right_atrium", mouth_lps=found,
            mouth_axis=None if found is None else up,
        )
    solved = solve_reach(entry, up, goal, -annulus.normal_lps, catheter, limits=limits, room=room)
    wall_seen = True
    if right_atrium is not None and beyond_ct is not None:
        wall_seen = _wall_seen(solved, right_atrium, annulus, beyond_ct)
        if not wall_seen:
            not_assessed.append(
                "The clearance in the right atrium is not assessed, because the CT ends nearer than its wall."
            )
    leads: tuple[LeadCrossing, ...] | None = None
    cautions: tuple[str, ...] = ()
    if metal_lps is None:
        not_assessed.append("Leads across the tricuspid annulus are not assessed, because metal was not looked for.")
    else:
        leads = lead_crossings(metal_lps, annulus)
        cautions = lead_sentences(leads)
    return TricuspidReach(
        entry_lps=entry, direction=up, turn_deg=angle_deg(up, -annulus.normal_lps),
        reach=reach_of(solved, 0, room=room, wall_seen=wall_seen), leads=leads, cautions=cautions,
        not_assessed=tuple(not_assessed),
    )


def _wall_seen(solved: ReachMap, right_atrium: DistanceField, annulus: Annulus, beyond_ct: BeyondCt) -> bool:
    """Whether the wall is what the body of the one shape solved for comes nearest to, not where the CT cuts the
    atrium."""
    outline = outline_of(right_atrium)[0]
    edge = outline[beyond_ct(outline, CT_EDGE_MM)]
    path = evenly(solved.chains, 100)[0][0]
    counts = (height_mm(annulus, path) >= 0) & (np.linalg.norm(path - path[0], axis=1) >= NEAR_ENTRY_MM)
    if not len(edge) or not counts.any():
        return True
    to_wall = float(solved.clearance_mm[0]) + solved.catheter.outer_diameter_mm.value / 2
    # the field takes the cut for a wall, so that the two are equally far where the cut is the nearer
    return not float(cKDTree(edge).query(path[counts])[0].min()) < to_wall + CT_EDGE_MM


def _entry(right_atrium: DistanceField, near_lps: Array, up: Array) -> Array | None:
    """Where the caval axis enters the atrium's blood (3,), None where it does not near the landmark."""
    t = np.arange(-LOOKED_BEYOND_MM, LOOKED_BEYOND_MM + STEP_MM, STEP_MM)
    value = right_atrium.at(near_lps + t[:, None] * up)
    enters = np.flatnonzero((value[:-1] >= 0) & (value[1:] < 0))
    if not len(enters):
        return None
    i = int(enters[np.argmin(np.abs(t[enters]))])
    return np.asarray(near_lps + (t[i] + STEP_MM * value[i] / (value[i] - value[i + 1])) * up)
