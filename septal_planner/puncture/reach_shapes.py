"""Shapes a steerable catheter can take between a crossing point and a goal, many at once.

A shape is told by the tilt of its end against the wanted axis (two angles), for two bends by the first one's
deflection and the side of the second, and by where near the goal its tip is put. The rest - advance, plane, radii,
second deflection - follows in closed form. What the limits do not allow is brought to the nearest they do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from septal_planner.puncture.arc_chain import Chains
from septal_planner.puncture.arc_lengths import dot, one_bend, two_bends
from septal_planner.puncture.catheters import SteerableCatheter

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Task:
    """n crossings, each with its goal. `start`, `forward`, `goal`, `axis` (n, 3): LPS, mm, unit vectors; `side`, `up`
    (n, 3): unit vectors square to `forward`, `side` toward the axis; `longest_advance_mm` of the straight part."""

    start: NDArray[np.float64]
    forward: NDArray[np.float64]
    goal: NDArray[np.float64]
    axis: NDArray[np.float64]
    side: NDArray[np.float64]
    up: NDArray[np.float64]
    catheter: SteerableCatheter
    longest_advance_mm: float

    @classmethod
    def of(
        cls, start: Array, forward: Array, goal: Array, axis: Array, catheter: SteerableCatheter,
        longest_advance_mm: float,
    ) -> Task:
        goal, axis = np.broadcast_to(goal, start.shape), np.broadcast_to(axis, start.shape)
        toward = axis - dot(forward, axis)[:, None] * forward
        lost = dot(toward, toward) < 1e-16  # the axis lies along: any side will do
        if lost.any():
            spare = np.eye(3)[np.argmin(np.abs(forward[lost]), axis=1)]
            toward[lost] = spare - dot(forward[lost], spare)[:, None] * forward[lost]
        side = toward / np.sqrt(dot(toward, toward))[:, None]
        return cls(start, forward, goal, axis, side, np.cross(forward, side), catheter, longest_advance_mm)

    def at(self, index: NDArray[np.intp]) -> Task:
        """Some of the crossings."""
        return Task(
            self.start[index], self.forward[index], self.goal[index], self.axis[index], self.side[index],
            self.up[index], self.catheter, self.longest_advance_mm,
        )


@dataclass(frozen=True)
class Shapes:
    """q shapes for each of n crossings; arrays (n, q) or (n, q, 3). `deflection_rad` and `radius_mm` (n, q, m) for m
    bends; the second deflection's sign is the side. `normal` (n, q, m, 3): side each bend turns to; `tangent` (n, q, m,
    3): direction it begins with."""

    advance_mm: NDArray[np.float64]
    plane_rad: NDArray[np.float64]      # of the first bend about the forward direction, from the task's side
    deflection_rad: NDArray[np.float64]
    radius_mm: NDArray[np.float64]
    tangent: NDArray[np.float64]
    normal: NDArray[np.float64]
    end: NDArray[np.float64]            # direction of the tip
    tip: NDArray[np.float64]
    tilt_deg: NDArray[np.float64]
    offset_mm: NDArray[np.float64]

    def chains(self, task: Task, chosen: NDArray[np.bool_] | None = None) -> Chains:
        """The shapes `chosen` (n, q), or all of them, row by row, as chains of straight part, bends, straight end."""
        n, q = self.advance_mm.shape
        pick = np.ones((n, q), dtype=np.bool_) if chosen is None else chosen
        row = np.nonzero(pick)[0]
        bends = self.radius_mm.shape[2]
        turn, radius = np.abs(self.deflection_rad[pick]), self.radius_mm[pick]
        tangent, normal = np.empty((len(row), bends + 2, 3)), np.zeros((len(row), bends + 2, 3))
        curvature, length = np.zeros((len(row), bends + 2)), np.empty((len(row), bends + 2))
        tangent[:, 0], tangent[:, 1:-1], tangent[:, -1] = task.forward[row], self.tangent[pick], self.end[pick]
        normal[:, 1:-1], curvature[:, 1:-1] = self.normal[pick], 1 / radius
        length[:, 0], length[:, 1:-1] = self.advance_mm[pick], turn * radius
        length[:, -1] = task.catheter.straight_distal_mm.value
        return Chains(task.start[row], tangent, normal, curvature, length)

    def take(self, column: NDArray[np.intp]) -> Shapes:
        """One shape (n, 1) for each crossing, by its column (n,)."""
        row = np.arange(len(column))
        return Shapes(*(np.asarray(getattr(self, name))[row, column][:, None] for name in self.__dataclass_fields__))


def shapes(task: Task, tilt_rad: Array, shift_mm: Array, first_rad: Array, branch: Array) -> Shapes:
    """Shapes (n, q): `tilt_rad` (n, q, 2) of the end against the axis, `shift_mm` (n, q, 3) of the tip from the goal;
    for two bends the first deflection (n, q) and which of the two second ones (n, q, +1 or -1), else not looked at."""
    end = _tilted(task, tilt_rad)
    way = (task.goal - task.start)[:, None, :] + shift_mm
    if len(task.catheter.bends) == 1:
        return _one(task, end, way)
    turn, azimuth = turn_and_azimuth(task, end)
    t1 = np.clip(first_rad, 0.0, np.deg2rad(task.catheter.bends[0].deflection_deg.high))
    return _two(task, azimuth, t1, _second(task, turn, t1, branch), way)


def shapes_by_bends(task: Task, azimuth_rad: Array, first_rad: Array, second_rad: Array, shift_mm: Array) -> Shapes:
    """Shapes (n, q) of two bends told by both deflections and the azimuth of the end about the forward direction, from
    the task's side: smooth also where the two second deflections that give one end are nearly the same."""
    way = (task.goal - task.start)[:, None, :] + shift_mm
    one, two = (np.deg2rad(b.deflection_deg.high) for b in task.catheter.bends)
    return _two(task, azimuth_rad, np.clip(first_rad, 0.0, one), np.clip(second_rad, -two, two), way)


def _tilted(task: Task, tilt_rad: Array) -> Array:
    """The axis turned by two small angles, the first toward the forward direction."""
    x, y = tilt_frame(task)
    tau = np.hypot(tilt_rad[..., 0], tilt_rad[..., 1])
    k = np.sinc(tau / np.pi)[..., None]
    out = tilt_rad[..., :1] * x[:, None] + tilt_rad[..., 1:] * y[:, None]
    return np.asarray(np.cos(tau)[..., None] * task.axis[:, None] + k * out)


def tilt_frame(task: Task) -> tuple[Array, Array]:
    """Unit vectors (n, 3) square to the axis, the first toward the forward direction."""
    a = task.axis
    x = task.forward - dot(task.forward, a)[:, None] * a
    size = np.sqrt(dot(x, x))[:, None]
    x = np.where(size > 1e-8, x / np.maximum(size, 1e-12), task.side - dot(task.side, a)[:, None] * a)
    x = x / np.sqrt(dot(x, x))[:, None]
    return np.asarray(x), np.cross(a, x)


def turn_and_azimuth(task: Task, end: Array) -> tuple[Array, Array]:
    """Turn of `end` (n, q, 3) from the forward direction, and its angle about it from the side (rad)."""
    f, s, u = task.forward[:, None], task.side[:, None], task.up[:, None]
    x, y, z = dot(end, s), dot(end, u), dot(end, f)
    return np.arctan2(np.hypot(x, y), z), np.arctan2(y, x)


def _one(task: Task, end: Array, way: Array) -> Shapes:
    bend = task.catheter.bends[0]
    advance, radius = (0.0, task.longest_advance_mm), (bend.radius_mm.low, bend.radius_mm.high)
    turn, plane = turn_and_azimuth(task, end)
    turn = np.minimum(turn, np.deg2rad(bend.deflection_deg.high))
    f = np.broadcast_to(task.forward[:, None], end.shape)
    normal = np.cos(plane)[..., None] * task.side[:, None] + np.sin(plane)[..., None] * task.up[:, None]
    sine, cosine = np.sin(turn), np.cos(turn)
    end = cosine[..., None] * f + sine[..., None] * normal
    way = way - task.catheter.straight_distal_mm.value * end
    along, across = dot(way, f), dot(way, normal)
    aside = way - along[..., None] * f - across[..., None] * normal
    out, r, _ = one_bend(along, across, dot(aside, aside), sine, 1 - cosine, advance, radius)
    run = out[..., None] * f + r[..., None] * (sine[..., None] * f + (1 - cosine)[..., None] * normal)
    return _finished(task, out, plane, turn[..., None], r[..., None], f[..., None, :], normal[..., None, :], end, run)


def _second(task: Task, turn: Array, t1: Array, branch: Array) -> Array:
    """Second deflection that, after the first, turns the end so far from the forward direction:
    cos t1 cos t2 - sin t1 sin t2 cos(between) = cos(turn)."""
    between = np.deg2rad(task.catheter.bends[1].plane_deg.value)
    a, b = np.cos(t1), -np.sin(t1) * np.cos(between)
    share = np.clip(np.cos(turn) / np.maximum(np.hypot(a, b), 1e-12), -1.0, 1.0)
    t2 = np.arctan2(b, a) + branch * np.arccos(share)
    t2 = (t2 + np.pi) % (2 * np.pi) - np.pi
    most = np.deg2rad(task.catheter.bends[1].deflection_deg.high)
    return np.asarray(np.clip(t2, -most, most))


def _two(task: Task, azimuth: Array, t1: Array, t2: Array, way: Array) -> Shapes:
    one, two = task.catheter.bends
    radii = (one.radius_mm.low, one.radius_mm.high), (two.radius_mm.low, two.radius_mm.high)
    between = np.deg2rad(two.plane_deg.value)
    cb, sb = np.cos(between), np.sin(between)
    c1, s1 = np.cos(t1), np.sin(t1)
    c2, s2 = np.cos(t2), np.sin(t2)
    # in the frame of the first bend (side, up, forward), then turned about the forward direction to where it should be
    ex, ey = c2 * s1 + s2 * cb * c1, s2 * sb
    plane = azimuth - np.arctan2(ey, ex)
    cp, sp = np.cos(plane)[..., None], np.sin(plane)[..., None]
    f = np.broadcast_to(task.forward[:, None], (*t1.shape, 3))
    n1 = cp * task.side[:, None] + sp * task.up[:, None]
    square = cp * task.up[:, None] - sp * task.side[:, None]
    mid = c1[..., None] * f + s1[..., None] * n1
    turned = cb * (c1[..., None] * n1 - s1[..., None] * f) + sb * square
    n2 = np.where(t2 < 0, -1.0, 1.0)[..., None] * turned
    end = c2[..., None] * mid + s2[..., None] * turned
    way = way - task.catheter.straight_distal_mm.value * end
    u1 = s1[..., None] * f + (1 - c1)[..., None] * n1
    u2 = np.abs(s2)[..., None] * mid + (1 - c2)[..., None] * n2
    out, r1, r2, _ = two_bends(way, f, u1, u2, (0.0, task.longest_advance_mm), radii)
    run = out[..., None] * f + r1[..., None] * u1 + r2[..., None] * u2
    return _finished(
        task, out, plane, np.stack([t1, t2], axis=-1), np.stack([r1, r2], axis=-1), np.stack([f, mid], axis=-2),
        np.stack([n1, n2], axis=-2), end, run,
    )


def _finished(
    task: Task, out: Array, plane: Array, turns: Array, radii: Array, tangents: Array, normals: Array, end: Array,
    run: Array,
) -> Shapes:
    tip = task.start[:, None] + run + task.catheter.straight_distal_mm.value * end
    gap = tip - task.goal[:, None]
    axis = task.axis[:, None]
    across = np.cross(end, axis)
    tilt = np.degrees(np.arctan2(np.sqrt(dot(across, across)), dot(end, axis)))
    return Shapes(out, plane, turns, radii, tangents, normals, end, tip, tilt, np.sqrt(dot(gap, gap)))
