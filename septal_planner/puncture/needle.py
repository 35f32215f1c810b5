"""How the needle comes to the septum: the sheath in the right atrium, its clock direction, the slide down, the entry.

The sheath is taken as a shaft along the caval axis, a fixed curve and a straight end, without weight or friction; where
it leans on the atrial wall it will lie otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.anatomy.fossa import Fossa
from septal_planner.geometry import curves
from septal_planner.geometry.frames import unit_vector
from septal_planner.geometry.shapes import DistanceField
from septal_planner.puncture import arc_chain
from septal_planner.puncture.catheter import SHEATH_ANGLE_DEG, angle_deg, crossing_direction
from septal_planner.puncture.catheters import Figure

Array = NDArray[np.float64]

# between 4 and 6 o'clock in 100 CTs before ablation: Fender et al., Atrial septal angulation varies widely, 2014
PUBLISHED_CLOCK_HOURS = (4.0, 6.0)
SPOT_MM = 2.0          # radius over which the local normal is averaged: about the sheath's own half width
NEAR_TARGET_MM = 10.0  # here the sheath is meant to touch the septum
ABOVE_RIM_MM = 8.0     # of the limbus looked at for the step down into the fossa
PATH_STEP_MM = 1.0


@dataclass(frozen=True)
class FixedCurve:
    """A sheath's or needle's fixed curve: turn, radius of the centre line, straight end beyond it."""

    angle_deg: Figure
    radius_mm: Figure
    straight_mm: Figure

    def __post_init__(self) -> None:
        if not 0 < self.angle_deg.value < 180:
            raise ValueError(f"a fixed curve turns by 0 to 180 degrees, found {self.angle_deg.value:g}")
        if not self.radius_mm.value > 0:
            raise ValueError("the radius of a fixed curve must be above zero")


_PRACTICE = "practice value, confirm locally"
TYPICAL_CURVE = FixedCurve(
    Figure(SHEATH_ANGLE_DEG, "fixed curves of 45 to 135 degrees, typically 50 to 55; from memory", _PRACTICE),
    Figure(30.0, "no verified figure", _PRACTICE),
    Figure(15.0, "no verified figure", _PRACTICE),
)


def curve_of(sheath_angle_deg: float) -> FixedCurve:
    """The typical curve, turned by the angle (degrees, above 0 and below 180) that a plan reckons with. Raises
    ValueError for another."""
    if sheath_angle_deg == TYPICAL_CURVE.angle_deg.value:
        return TYPICAL_CURVE
    angle = Figure(sheath_angle_deg, "the sheath's angle as given by the user", "given by the user")
    return replace(TYPICAL_CURVE, angle_deg=angle)


@dataclass(frozen=True)
class Slide:
    """The way down from the superior vena cava along the septum into the fossa. `path_lps` (n, 3) from the landmark to
    the target; `limbus_to_target_mm` on the surface, None where the rim is not met; `step_mm`: how far toward the left
    the tip falls from the limbus into the fossa, negative where the fossa bulges out instead."""

    path_lps: NDArray[np.float64]
    length_mm: float
    limbus_to_target_mm: float | None
    step_mm: float | None


@dataclass(frozen=True)
class NeedleApproach:
    """The way of the sheath. `path_lps` (n, 3): its centre line from the inferior vena cava to the target.
    `clock_hours`: where the needle's pointer is turned, seen from the feet, 12 anterior and 3 to the patient's
    left. `entry_angle_deg`: crossing direction against the local normal, `entry_angle_mean_deg` against the mean one.
    `shaft_from_cava_mm`: how far beside the caval axis the shaft has to run; `least_room_mm`: least distance of the
    centre line to the right atrial wall, negative outside it. None: not assessed, the reason in `not_assessed`."""

    path_lps: NDArray[np.float64]
    crossing_direction: NDArray[np.float64]
    local_normal_lps: NDArray[np.float64]
    clock_hours: float
    clock_as_published: bool
    entry_angle_deg: float
    entry_angle_mean_deg: float
    shaft_from_cava_mm: float
    least_room_mm: float | None
    slide: Slide | None
    not_assessed: tuple[str, ...] = ()


def clock_hours(direction_lps: ArrayLike, shaft_lps: ArrayLike = (0.0, 0.0, 1.0)) -> float:
    """Hour (above 0, to 12) of a direction (3,) seen from the feet: 12 anterior, 3 to the patient's left, 6
    posterior.

    Where the shaft (3,) does not run along the body, the part of the direction square to it is carried to the body axis
    without turning about the shaft, as a stiff shaft carries it to its hub. Raises ValueError for a direction along the
    shaft, which has no hour."""
    up, d = unit_vector(shaft_lps), unit_vector(direction_lps)
    across = d - (d @ up) * up
    if np.linalg.norm(across) < 1e-9:
        raise ValueError("a direction along the shaft points to no hour")
    z = np.array([0.0, 0.0, 1.0])
    axis, cosine = np.cross(up, z), float(up @ z)
    if cosine > -1 + 1e-12:  # Rodrigues' rotation that takes the shaft to the body axis
        across = across + np.cross(axis, across) + np.cross(axis, np.cross(axis, across)) / (1 + cosine)
    hours = float(np.degrees(np.arctan2(across[0], -across[1]))) / 30.0 % 12.0
    return hours if hours > 0 else 12.0


def clock_words(hours: float) -> str:
    """Nearest half hour in words: `5 o'clock`, `half past 4`."""
    halves = round(hours * 2) % 24
    hour = halves // 2 or 12
    return f"half past {hour}" if halves % 2 else f"{hour} o'clock"


def local_normal(fossa: Fossa, point_lps: ArrayLike, *, spot_mm: float = SPOT_MM) -> Array:
    """Unit normal (3,) of the septal surface about a point (3,), right atrium toward left, averaged over a disc."""
    u, v, _ = fossa.patch.uvw(point_lps)
    du, dv = (offset.ravel() for offset in np.meshgrid(*(2 * [np.linspace(-spot_mm, spot_mm, 9)])))
    spot = np.hypot(du, dv) <= spot_mm + 1e-9
    return unit_vector(fossa.patch.normals_lps(u + du[spot], v + dv[spot]).mean(axis=0))


def sheath_path(
    target_lps: ArrayLike, cava_axis_lps: ArrayLike, direction: ArrayLike, curve: FixedCurve, below_lps: ArrayLike
) -> Array:
    """Centre line (n, 3) of the sheath that ends at the target (3,) along the crossing `direction` (3,), its shaft
    along the caval axis (3,), from the level of the point `below_lps` (3,) on.

    The curve lies in the plane of both directions and turns by the angle between them."""
    target, up, d = np.asarray(target_lps, dtype=np.float64), unit_vector(cava_axis_lps), unit_vector(direction)
    turn = np.deg2rad(angle_deg(up, d))
    radius, end = curve.radius_mm.value, curve.straight_mm.value
    side = d - (d @ up) * up
    if np.linalg.norm(side) < 1e-9:
        side = np.cross(up, np.eye(3)[int(np.argmin(np.abs(up)))])
    side = unit_vector(side)
    bend = target - end * d - radius * (np.sin(turn) * up + (1 - np.cos(turn)) * side)
    shaft = max(float((bend - np.asarray(below_lps, dtype=np.float64)) @ up), 0.0)
    chains = arc_chain.chains_from_inputs(
        bend - shaft * up, up, side, [[0.0, 1 / radius, 0.0]], [[0.0, 0.0, 0.0]], [[shaft, radius * turn, end]]
    )
    count = int(np.ceil(float(chains.total_mm[0]) / PATH_STEP_MM)) + 1
    path, _ = arc_chain.evenly(chains, count)
    return np.asarray(path[0])


def slide_down(fossa: Fossa, target_lps: ArrayLike, superior_cava_lps: ArrayLike, down_lps: ArrayLike) -> Slide:
    """The slide of the tip from the superior cava's landmark (3,) to the target (3,): straight to the septal surface
    measured, then on it, along the direction `down_lps` (3,) as it runs there."""
    target, above = np.asarray(target_lps, dtype=np.float64), np.asarray(superior_cava_lps, dtype=np.float64)
    patch = fossa.patch
    down_uv = np.array([unit_vector(down_lps) @ patch.axis_u_lps, unit_vector(down_lps) @ patch.axis_v_lps])
    down_uv = down_uv / np.linalg.norm(down_uv) if np.linalg.norm(down_uv) > 1e-6 else np.array([0.0, -1.0])
    at = patch.uvw(target)[:2]
    # back from the target to the edge of what was measured
    room = [
        (edge - a) / -step
        for a, step, ends in zip(at, down_uv, (patch.u_mm, patch.v_mm), strict=True)
        for edge in (ends[0], ends[-1])
        if abs(step) > 1e-9 and (edge - a) / -step > 0
    ]
    back = np.arange(0.0, min(room, default=0.0), 0.25)
    uv = at - back[:, None] * down_uv
    surface = patch.points_lps(uv[:, 0], uv[:, 1])
    lengths = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(surface, axis=0), axis=1))])
    path = np.concatenate([above[None], surface[::-1]])
    length = float(np.linalg.norm(above - surface[-1]) + lengths[-1])
    limbus, step = None, None
    if len(fossa.rim_lps):
        inside = curves.inside_closed(uv, patch.uvw(fossa.rim_lps)[:, :2])
        leaves = np.flatnonzero(~inside)
        if inside[0] and len(leaves):
            first = int(leaves[0])
            limbus = float(lengths[first])
            thickness = np.nan_to_num(patch.sample(fossa.thickness_mm, uv[:, 0], uv[:, 1]))
            right_side = patch.sample(patch.height_mm, uv[:, 0], uv[:, 1]) - thickness / 2
            over = (back >= back[first]) & (back <= back[first] + ABOVE_RIM_MM)
            step = float(right_side[0] - right_side[over].min())
    return Slide(path, length, limbus, step)


def needle_approach(
    target_lps: ArrayLike, fossa: Fossa, cava_lps: ArrayLike, *, superior_cava_lps: ArrayLike | None = None,
    right_atrium: DistanceField | None = None, curve: FixedCurve = TYPICAL_CURVE,
) -> NeedleApproach:
    """The sheath's way to a target (3,) on the septum, turned straight toward the septum there.

    `cava_lps` (2, 3): on the axis of the inferior vena cava, near the atrial junction, then lower. Raises
    AnatomyNotFound where the cava runs straight at the septum."""
    target = np.asarray(target_lps, dtype=np.float64)
    cava = np.asarray(cava_lps, dtype=np.float64).reshape(-1, 3)
    up = unit_vector(cava[0] - cava[1])
    normal = local_normal(fossa, target)
    crossing = crossing_direction(up, normal, sheath_angle_deg=curve.angle_deg.value)
    path = sheath_path(target, up, crossing, curve, cava[1])
    hours = clock_hours(crossing, up)
    aside = path[0] - cava[1]
    aside = aside - (aside @ up) * up

    not_assessed: list[str] = []
    room, slide = None, None
    if right_atrium is None:
        not_assessed.append("The sheath's room in the right atrium is not assessed, because the atrium was not found.")
    else:
        within = ((path - cava[0]) @ up > 0) & (np.linalg.norm(path - target, axis=1) > NEAR_TARGET_MM)
        if within.any():
            room = -float(right_atrium.at(path[within]).max())
        else:
            not_assessed.append(
                "The sheath's room in the right atrium is not assessed, because all of it there runs near the septum."
            )
    if superior_cava_lps is None:
        not_assessed.append("The slide down from the superior vena cava is not assessed, because it is not marked.")
    else:
        above = np.asarray(superior_cava_lps, dtype=np.float64).reshape(-1, 3)[0]
        slide = slide_down(fossa, target, above, cava[0] - above)
    return NeedleApproach(
        path_lps=path, crossing_direction=crossing, local_normal_lps=normal, clock_hours=hours,
        clock_as_published=PUBLISHED_CLOCK_HOURS[0] <= hours <= PUBLISHED_CLOCK_HOURS[1],
        entry_angle_deg=angle_deg(crossing, normal), entry_angle_mean_deg=angle_deg(crossing, fossa.normal_lps),
        shaft_from_cava_mm=float(np.linalg.norm(aside)), least_room_mm=room, slide=slide,
        not_assessed=tuple(not_assessed),
    )
