"""Reach by trying all inputs on a grid, then ever finer grids about the best: slow, and without any of the solver's
closed forms. Only forward kinematics, which is checked against other libraries by itself."""

import itertools

import numpy as np

from septal_planner.puncture import arc_chain

KEEP = 32


def _key(tilt, offset, clearance, limits):
    # the rule itself: least shortfall (mm, 0.25 mm a degree), then tilt, then offset
    short = (
        np.maximum(offset - limits.offset_mm, 0)
        + 0.25 * np.maximum(tilt - limits.tilt_deg, 0)
        + np.maximum(limits.clearance_mm - clearance, 0)
    )
    good = tilt + 1e-3 * offset
    return np.where(short > 1e-9, 1000 + short + 1e-4 * good, good)


def _evaluate(inputs, start, direction, goal, axis, catheter, limits, room, held):
    """Key, tilt, offset, clearance of inputs (n, k): advance, plane, then deflection and radius of each bend."""
    n, bends = len(inputs), len(catheter.bends)
    k, phi, s = np.zeros((n, bends + 2)), np.zeros((n, bends + 2)), np.zeros((n, bends + 2))
    s[:, 0], s[:, -1] = inputs[:, 0], catheter.straight_distal_mm.value
    for b in range(bends):
        k[:, b + 1] = np.where(inputs[:, 2 + 2 * b] < 0, -1, 1) / inputs[:, 3 + 2 * b]
        s[:, b + 1] = np.abs(inputs[:, 2 + 2 * b]) * inputs[:, 3 + 2 * b]
    phi[:, 1] = inputs[:, 1]
    if bends == 2:
        # planes are told in a frame carried without twist, where the first bend's plane stays at its angle
        phi[:, 2] = inputs[:, 1] + np.deg2rad(catheter.bends[1].plane_deg.value)
    side = np.eye(3)[np.argmin(np.abs(direction))]
    chains = arc_chain.chains_from_inputs(start, direction, side, k, phi, s)
    tip, end = arc_chain.end_pose(chains)
    tilt = np.degrees(np.arctan2(np.linalg.norm(np.cross(end, axis), axis=1), end @ axis))
    offset = np.linalg.norm(tip - goal, axis=1)
    clear = np.full(n, np.inf)
    least = _key(tilt, offset, clear, limits)
    if room is not None:
        todo = np.flatnonzero(least < held)
        todo = todo[np.argsort(least[todo], kind="stable")][:20_000]
        unknown = np.ones(n, dtype=bool)
        unknown[todo] = False
        for lo in range(0, len(todo), 4000):
            part = todo[lo : lo + 4000]
            points, _ = arc_chain.evenly(
                arc_chain.Chains(chains.start[part], chains.tangent[part], chains.normal[part],
                                 chains.curvature_per_mm[part], chains.length_mm[part]), 60)
            clear[part] = room.clearance_mm(points, start, catheter.outer_diameter_mm.value)
        least = np.where(unknown, np.inf, _key(tilt, offset, clear, limits))
    return least, tilt, offset, clear


def search(start, direction, goal, axis, catheter, limits, room, *, counts=None, levels=None, shrink=None):
    """Best key, tilt, offset and clearance found, and the inputs."""
    two = len(catheter.bends) == 2
    levels, shrink = levels or (26 if two else 16), shrink or (0.72 if two else 0.62)
    spans = [(0, limits.advance_mm), (-np.pi, np.pi)]
    for number, bend in enumerate(catheter.bends):
        top = np.deg2rad(bend.deflection_deg.high)
        spans += [(0 if number == 0 else -top, top), (bend.radius_mm.low, bend.radius_mm.high)]
    counts = counts or ([21, 30, 25, 13] if not two else [7, 18, 7, 5, 11, 5])
    low, high = np.array(spans).T
    axes = [np.linspace(a, b, c) for (a, b), c in zip(spans, counts, strict=True)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, len(spans))
    args = (start, direction, goal, axis, catheter, limits, room)
    key, *rest = _evaluate(grid, *args, np.inf)
    step = np.array([a[1] - a[0] if len(a) > 1 else 0 for a in axes])
    # starts far enough from one another
    chosen = []
    for i in np.argsort(key, kind="stable")[:6000]:
        if np.isfinite(key[i]) and all(np.abs((grid[i] - grid[j]) / step).max() > 1.5 for j in chosen):
            chosen.append(i)
            if len(chosen) == KEEP:
                break
    values = np.stack([key, *rest], axis=1)[chosen]
    points = grid[chosen]
    about = np.array(list(itertools.product(*[[-1, -0.5, 0, 0.5, 1] if len(spans) == 4 else [-1, 0, 1]] * len(spans))))
    for level in range(levels):
        for c in range(len(points)):
            tries = np.clip(points[c] + about * step, low, high)
            found = _evaluate(tries, *args, values[c, 0])
            best = int(np.argmin(found[0]))
            if found[0][best] < values[c, 0]:
                points[c], values[c] = tries[best], [f[best] for f in found]
        step = step * shrink
        if level in (3, 6):  # drop what is far behind
            order = np.argsort(values[:, 0], kind="stable")[: KEEP // (2 if level == 3 else 6)]
            points, values = points[order], values[order]
    best = int(np.argmin(values[:, 0]))
    return values[best], points[best]
