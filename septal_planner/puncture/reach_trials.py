"""Trials of the reach search: where it begins, and what lies about the best so far."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.puncture.arc_lengths import dot
from septal_planner.puncture.reach_shapes import Shapes, Task, shapes, shapes_by_bends, tilt_frame, turn_and_azimuth

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Trials:
    """Unknowns (n, q, 6) of q shapes for each of n crossings: two of the end, three of the tip's shift (mm), the first
    deflection (rad); see reach_shapes. `by_bends`: the end's two are its azimuth and the second deflection, else its
    tilt against the axis (rad). `branch` (n, q) tells the second deflection where the end's two do not."""

    unknowns: NDArray[np.float64]
    branch: NDArray[np.float64]
    by_bends: bool = False

    def shapes(self, task: Task) -> Shapes:
        x = self.unknowns
        if self.by_bends:
            return shapes_by_bends(task, x[..., 0], x[..., 5], x[..., 1], x[..., 2:5])
        return shapes(task, x[..., :2], x[..., 2:5], x[..., 5], self.branch)

    def told_by_bends(self, task: Task) -> Trials:
        """The same shapes of two bends."""
        found = self.shapes(task)
        azimuth, deflection = turn_and_azimuth(task, found.end)[1], found.deflection_rad
        ends = np.stack([azimuth, deflection[..., 1]], axis=-1)
        unknowns = np.concatenate([ends, self.unknowns[..., 2:5], deflection[..., :1]], axis=-1)
        return Trials(unknowns, self.branch, by_bends=True)

    def take(self, columns: NDArray[np.intp]) -> Trials:
        """Those in the columns (n, k)."""
        row = np.arange(len(columns))[:, None]
        return Trials(self.unknowns[row, columns], self.branch[row, columns], self.by_bends)

    def rows(self, index: NDArray[np.intp]) -> Trials:
        """Of single trials (n, 1) those in the rows (m, k)."""
        return Trials(self.unknowns[index, 0], self.branch[index, 0], self.by_bends)

    def joined(self, others: Trials) -> Trials:
        """Both, one after the other."""
        unknowns = np.concatenate([self.unknowns, others.unknowns])
        return Trials(unknowns, np.concatenate([self.branch, others.branch]), self.by_bends)

    def regrouped(self, size: int) -> Trials:
        """The same in order, `size` to a row."""
        return Trials(self.unknowns.reshape(-1, size, 6), self.branch.reshape(-1, size), self.by_bends)


def first_grid(task: Task, tilts_deg: ArrayLike, around: int, firsts: int) -> tuple[Trials, NDArray[np.intp]]:
    """Every tilt in so many directions, with so many first deflections on both branches where there are two bends; and
    the group (q,) of each: trials of one group are alike, so that the best of each is worth following."""
    tau = np.deg2rad(np.asarray(tilts_deg, dtype=np.float64))
    psi = np.arange(around) * 2 * np.pi / around
    flat = [np.zeros((1, 2))] if (tau == 0).any() else []
    flat += [np.stack([t * np.cos(psi + 0.3 * i), t * np.sin(psi + 0.3 * i)], axis=-1)
             for i, t in enumerate(tau) if t > 0]
    tilt = np.concatenate(flat)
    toward = np.floor(np.arctan2(tilt[:, 1], tilt[:, 0]) / (np.pi / 2) + 0.5).astype(np.intp) % 4
    if len(task.catheter.bends) == 1:
        first, branch, group = np.zeros(len(tilt)), np.ones(len(tilt)), toward
    else:
        angles = np.linspace(0.0, np.deg2rad(task.catheter.bends[0].deflection_deg.high), firsts)
        both = np.stack(np.meshgrid(angles, [1.0, -1.0], indexing="ij"), axis=-1).reshape(-1, 2)
        third = np.minimum(3 * np.repeat(np.arange(firsts), 2) // firsts, 2) + 3 * (both[:, 1] > 0)
        first, branch = np.tile(both, (len(tilt), 1)).T
        group = np.tile(third, len(tilt))
        tilt = np.repeat(tilt, len(both), axis=0)
    n, q = len(task.start), len(tilt)
    unknowns = np.concatenate([tilt, np.zeros((q, 3)), first[:, None]], axis=1)
    return Trials(np.broadcast_to(unknowns, (n, q, 6)), np.broadcast_to(branch, (n, q))), group


def _spread(count: int, size: int, level: int) -> Array:
    """(count, size) evenly spread numbers from -1 to 1, others on each level; the first row is zero. An additive
    recurrence by powers of the generalised golden ratio."""
    ratio = 2.0
    for _ in range(50):
        ratio = (1 + ratio) ** (1 / (size + 1))
    step = ratio ** -np.arange(1.0, size + 1)
    at = np.arange(1, count)[:, None] + 97 * level
    return np.asarray(np.concatenate([np.zeros((1, size)), 2 * ((0.5 + at * step) % 1.0) - 1]))


def around(best: Trials, width: Array, last: Array, count: int, level: int) -> Trials:
    """Trials about the best so far (n, 1): within `width` (n, 1, 6) of it, and on along the `last` step (n, 1, 6)."""
    free = np.flatnonzero(width[0, 0] > 0)
    offsets = np.zeros((count, 6))
    offsets[:, free] = _spread(count, len(free), level)
    unknowns = best.unknowns + width * offsets
    unknowns[:, 1:3] = best.unknowns + last * np.array([[0.7], [1.6]])
    if width[..., 0].max() > 0 and not best.by_bends:
        # some with the tilt only shrunk, and one without any: there the least tilt lies, if anywhere
        less = np.minimum(1.0, width[..., :2] / np.deg2rad(10.0)) * np.abs(offsets[3::6, free[-1:]])
        unknowns[:, 3::6, :2] = best.unknowns[..., :2] * (1 - less)
        unknowns[:, -1, :2] = 0.0
    return Trials(unknowns, np.broadcast_to(best.branch, unknowns.shape[:2]), best.by_bends)


def trials_of(task: Task, found: Shapes) -> Trials:
    """The trials that are these shapes, to begin a search nearby with: by tilt for one bend, by bends for two."""
    shift = found.tip - task.goal[:, None]
    if len(task.catheter.bends) == 2:
        azimuth, deflection = turn_and_azimuth(task, found.end)[1], found.deflection_rad
        unknowns = [azimuth, deflection[..., 1], *np.moveaxis(shift, -1, 0), deflection[..., 0]]
        return Trials(np.stack(unknowns, axis=-1), np.ones(azimuth.shape), by_bends=True)
    x, y = tilt_frame(task)
    toward = dot(found.end, x[:, None]), dot(found.end, y[:, None])
    k = 1 / np.sinc(np.radians(found.tilt_deg) / np.pi)
    unknowns = [k * toward[0], k * toward[1], *np.moveaxis(shift, -1, 0), np.zeros(k.shape)]
    return Trials(np.stack(unknowns, axis=-1), np.ones(k.shape))
