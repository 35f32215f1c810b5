"""Chains of constant-curvature arcs in space: a steerable catheter as straight shaft, bends and straight end.

Forward form as in Webster & Jones, Int J Robot Res 2010;29:1661-83, doi 10.1177/0278364910368147, in its twist-free
variant: each piece bends about an axis square to its tangent and carries the frame along without turning it about the
tangent. The model has no weight, no friction and no tissue.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.geometry.frames import unit_vector

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Chains:
    """n chains of m pieces each, end to end.

    `start` (n, 3); `tangent`, `normal` (n, m, 3): unit vectors at the start of each piece, `normal` the side it bends
    to; `curvature_per_mm` (n, m), zero where straight; `length_mm` (n, m).
    """

    start: NDArray[np.float64]
    tangent: NDArray[np.float64]
    normal: NDArray[np.float64]
    curvature_per_mm: NDArray[np.float64]
    length_mm: NDArray[np.float64]

    @property
    def total_mm(self) -> Array:
        """Length (n,) of each chain."""
        return np.asarray(self.length_mm.sum(axis=1))


def arc_run(curvature_per_mm: ArrayLike, length_mm: ArrayLike) -> tuple[Array, Array, Array]:
    """How far (...,) an arc of that curvature and length gets along its tangent and toward its normal, and its turn in
    radians; broadcasts. A straight piece is not a case of its own."""
    length = np.asarray(length_mm, dtype=np.float64)
    turn = np.asarray(curvature_per_mm, dtype=np.float64) * length
    along = length * np.sinc(turn / np.pi)
    across = length * np.sinc(turn / (2 * np.pi)) * np.sin(turn / 2)
    return along, across, turn


def chains_from_inputs(
    start: ArrayLike, direction: ArrayLike, reference: ArrayLike, curvature_per_mm: ArrayLike, plane_rad: ArrayLike,
    length_mm: ArrayLike,
) -> Chains:
    """Chains from their inputs: pieces (n, m) of curvature (1/mm), bending plane (rad) and length (mm).

    Starts (n, 3) or (3,), unit-less directions likewise; `reference` (n, 3) or (3,) shows where plane angle 0 lies
    (its part square to the direction). A plane angle turns about the tangent, right-handed, from the frame carried
    along without twist. Raises ValueError where the reference lies along the direction.
    """
    k, phi, s = np.broadcast_arrays(
        *(np.atleast_2d(np.asarray(v, dtype=np.float64)) for v in (curvature_per_mm, plane_rad, length_mm))
    )
    n, m = k.shape
    t = np.broadcast_to(unit_vector(direction), (n, 3))
    ref = np.broadcast_to(np.asarray(reference, dtype=np.float64), (n, 3))
    x = unit_vector(ref - np.sum(ref * t, axis=1, keepdims=True) * t)
    tangent, normal = np.empty((n, m, 3)), np.empty((n, m, 3))
    for piece in range(m):
        y = np.cross(t, x)
        c, sn = np.cos(phi[:, piece, None]), np.sin(phi[:, piece, None])
        side, fixed = c * x + sn * y, -sn * x + c * y  # the bend turns about `fixed`
        tangent[:, piece], normal[:, piece] = t, side
        turn = (k[:, piece] * s[:, piece])[:, None]
        t, side = np.cos(turn) * t + np.sin(turn) * side, -np.sin(turn) * t + np.cos(turn) * side
        x = c * side - sn * fixed
    starts = np.broadcast_to(np.asarray(start, dtype=np.float64), (n, 3))
    return Chains(starts, tangent, normal, np.array(k), np.array(s))


def end_pose(chains: Chains) -> tuple[Array, Array]:
    """Tip (n, 3) and unit tangent there (n, 3)."""
    along, across, turn = arc_run(chains.curvature_per_mm, chains.length_mm)
    step = along[..., None] * chains.tangent + across[..., None] * chains.normal
    last = turn[:, -1, None]
    tangent = np.cos(last) * chains.tangent[:, -1] + np.sin(last) * chains.normal[:, -1]
    return chains.start + step.sum(axis=1), tangent


def points_at(chains: Chains, arc_length_mm: ArrayLike) -> Array:
    """Points (n, k, 3) at arc lengths (n, k) or (k,) from the start; beyond an end, the end."""
    s = np.broadcast_to(np.asarray(arc_length_mm, dtype=np.float64), (len(chains.start), np.shape(arc_length_mm)[-1]))
    out = np.repeat(chains.start[:, None, :], s.shape[1], axis=1)
    before = np.zeros(len(chains.start))
    for piece in range(chains.length_mm.shape[1]):
        length = chains.length_mm[:, piece]
        along, across, _ = arc_run(
            chains.curvature_per_mm[:, piece, None], np.clip(s - before[:, None], 0.0, length[:, None])
        )
        out += along[..., None] * chains.tangent[:, piece, None] + across[..., None] * chains.normal[:, piece, None]
        before = before + length
    return np.asarray(out)


def evenly(chains: Chains, count: int) -> tuple[Array, Array]:
    """Points (n, count, 3) spread evenly from start to tip of each chain, and their arc lengths (n, count)."""
    s = np.linspace(0.0, 1.0, count) * chains.total_mm[:, None]
    return points_at(chains, s), np.asarray(s)


def some(chains: Chains, index: slice | NDArray[np.intp]) -> Chains:
    """A part of them."""
    return Chains(
        chains.start[index], chains.tangent[index], chains.normal[index], chains.curvature_per_mm[index],
        chains.length_mm[index],
    )
