"""Least squares over reprojections: from points of a CT and where X-ray frames show them to a rigid transform.

A point p of the CT (LPS, mm) lies at R (p - c) + s, plus the table's shift of its frame, in the isocentre's frame
`iso`, c being the middle of the points. Unknowns, in this order: rotation vector (radians, applied on the left of R),
s, and three for each frame whose table moved (mm). Everything runs over a leading axis of trials, so that a thousand
sets of noise cost little more than one.

Noise of two kinds is told apart, since it hurts differently: a frame's pick is off in that frame alone, a point marked
wrongly in the CT is off in all frames alike. The latter is carried through the projection into the covariance of the
residuals (generalised least squares, e.g. Kanatani, Statistical Optimization for Geometric Computation, 1996: from
memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from septal_planner.fluoroscopy.pose import CameraPose

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

# How far a patient may lie from where the headers have it: one standard deviation. Wide, so that they only hold what
# the points leave open; common practice, no source.
START_ROTATION_SD_DEG = 10.0
START_SHIFT_SD_MM = 100.0
TABLE_SHIFT_SD_MM = 50.0


@dataclass(frozen=True)
class Noise:
    """Doubt of a pick, one standard deviation per coordinate: of a frame's in mm at the isocentre, of a CT point's in
    mm.
    """

    frame_mm: float = 0.5
    ct_mm: float = 0.5

    def __post_init__(self) -> None:
        if not (self.frame_mm > 0 and self.ct_mm >= 0):
            raise ValueError(f"the doubt of a pick is above nought, found {self.frame_mm} and {self.ct_mm} mm")


@dataclass(frozen=True)
class Sightings:
    """Which point was seen in which frame, and where: M sightings of N points in F frames."""

    cameras: tuple[CameraPose, ...]
    table_moved: tuple[bool, ...]  # against the first frame; the first never has
    names: tuple[str, ...]
    points_lps: Array  # (N, 3)
    frame_of: Indices  # (M,)
    point_of: Indices  # (M,)
    pixels: Array  # (M, 2) column, row

    def __post_init__(self) -> None:
        n, m = len(self.names), len(self.frame_of)
        shapes = (self.points_lps.shape, self.point_of.shape, self.pixels.shape, len(self.table_moved))
        if shapes != ((n, 3), (m,), (m, 2), len(self.cameras)) or not m:
            raise ValueError(f"names, points, frames and pixels do not fit together: {n} names, {m} frames, {shapes}")
        if not (np.isfinite(self.points_lps).all() and np.isfinite(self.pixels).all()):
            raise ValueError("a position is not a finite number")
        if self.table_moved[0]:
            raise ValueError("the table moves against the first frame, which therefore cannot move")

    @property
    def detector_mm(self) -> Array:
        """The picks on their detectors (M, 2), mm right and up of the central ray."""
        return np.stack(
            [self.cameras[f].detector_from_pixel(p) for f, p in zip(self.frame_of, self.pixels, strict=True)]
        )

    @property
    def moved(self) -> tuple[int, ...]:
        """Frames with a table shift of their own, in the order of the unknowns."""
        return tuple(f for f, moved in enumerate(self.table_moved) if moved)

    @property
    def unknowns(self) -> int:
        return 6 + 3 * len(self.moved)

    def only(self, kept: NDArray[np.bool_]) -> Sightings:
        """Some of the sightings; points no longer seen stay in the list."""
        return Sightings(
            self.cameras, self.table_moved, self.names, self.points_lps, self.frame_of[kept], self.point_of[kept],
            self.pixels[kept],
        )

    @property
    def seen(self) -> Indices:
        """Points seen at all."""
        return np.unique(self.point_of)


@dataclass(frozen=True)
class Placement:
    """Where trials (T) put the patient: `rotation` (T, 3, 3), `shift_mm` (T, 3), `table_mm` (T, F, 3), about
    `middle_lps` (3,).
    """

    middle_lps: Array
    rotation: Array
    shift_mm: Array
    table_mm: Array

    def iso(self, points_lps: Array, frame: int | None = None) -> Array:
        """Points (n, 3) or (T, n, 3) in the isocentre's frame (T, n, 3), at the table position of a frame."""
        x = np.einsum("tij,...nj->tni", self.rotation, points_lps - self.middle_lps) + self.shift_mm[:, None]
        return np.asarray(x if frame is None else x + self.table_mm[:, None, frame])


class Reprojection:
    """Residuals of sightings and their derivatives, whitened by the noise of the picks."""

    def __init__(self, sightings: Sightings, noise: Noise) -> None:
        self.sightings, self.noise = sightings, noise
        s = sightings
        cameras = [s.cameras[f] for f in s.frame_of]
        self._axes = np.stack([c.axes for c in cameras])
        self._sid = np.array([c.source_detector_mm for c in cameras])
        self._sod = np.array([c.source_isocenter_mm for c in cameras])
        self._sd = noise.frame_mm * self._sid / self._sod
        self.picked = s.detector_mm
        rotation = np.full(3, np.deg2rad(START_ROTATION_SD_DEG))
        parts = [rotation, np.full(3, START_SHIFT_SD_MM), np.full(3 * len(s.moved), TABLE_SHIFT_SD_MM)]
        self._prior = 1 / np.concatenate(parts)

    def start(self) -> Placement:
        """As the headers have it: no rotation, and the shift that brings the points nearest to their rays (linear)."""
        s = self.sightings
        middle = s.points_lps[s.seen].mean(axis=0)
        y = s.points_lps[s.point_of] - middle
        u, d = self._axes[:, :2], self._axes[:, 2]
        # SID (u . (y + x)) = U (SOD + d . (y + x)) in the unknown shift x
        rows = self._sid[:, None, None] * u - self.picked[..., None] * d[:, None]
        right = self.picked * self._sod[:, None] - np.einsum("mij,mj->mi", rows, y)
        a, b = rows.reshape(-1, 3) / np.repeat(self._sod * self._sd, 2)[:, None], right.ravel() / np.repeat(
            self._sod * self._sd, 2
        )
        held = np.eye(3) / START_SHIFT_SD_MM
        x = np.linalg.lstsq(np.vstack([a, held]), np.concatenate([b, np.zeros(3)]), rcond=None)[0]
        return Placement(middle, np.eye(3)[None], x[None], np.zeros((1, len(s.cameras), 3)))

    def residuals(self, at: Placement, points_lps: Array, picked: Array) -> tuple[Array, Array, Array]:
        """Residuals (T, M, 2) in detector mm, their derivatives (T, M, 2, P) by the unknowns and (T, M, 2, 3) by the
        points of the CT. `points_lps` (T or 1, N, 3), `picked` (T or 1, M, 2).
        """
        s = self.sightings
        y = np.einsum("tij,tnj->tni", at.rotation, (points_lps - at.middle_lps)[:, s.point_of])
        x = y + at.shift_mm[:, None] + at.table_mm[:, s.frame_of]
        along = np.einsum("mij,tmj->tmi", self._axes, x)
        depth = np.maximum(self._sod + along[..., 2], 1.0)  # a wild trial may pass behind the source
        scale = self._sid / depth
        uv = scale[..., None] * along[..., :2]
        by_x = scale[..., None, None] * self._axes[None, :, :2] - (uv / depth[..., None])[..., None] * self._axes[
            None, :, None, 2
        ]
        by_rotation = np.cross(y[..., None, :], by_x)  # row . (w x y) = w . (y x row)
        parts = [by_rotation, by_x]
        for f in s.moved:
            parts.append(by_x * (s.frame_of == f)[None, :, None, None])
        by_point = np.einsum("tmij,tjk->tmik", by_x, at.rotation)
        return uv - picked, np.concatenate(parts, axis=-1), by_point

    def whitener(self, by_point: Array) -> Array:
        """(2M, 2M) by which residuals of one trial become independent and of unit variance."""
        m = len(self.sightings.frame_of)
        same = self.sightings.point_of[:, None] == self.sightings.point_of[None]
        shared = np.einsum("mik,njk->minj", by_point, by_point) * same[:, None, :, None]
        covariance = self.noise.ct_mm**2 * shared.reshape(2 * m, 2 * m) + np.diag(np.repeat(self._sd**2, 2))
        return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)))

    def fit(self, start: Placement | None = None, *, steps: int = 60) -> tuple[Placement, Array, float]:
        """The best placement (T = 1), the covariance of the unknowns (P, P) and the weighted sum of squares of its
        residuals (chi-square with 2M - P degrees of freedom). Levenberg-Marquardt.
        """
        at = start or self.start()
        points, picked = self.sightings.points_lps[None], self.picked[None]
        damping = 1e-3
        r, j, by_point = self.residuals(at, points, picked)
        for _ in range(steps):
            w = self.whitener(by_point[0])
            wr, wj = w @ r[0].ravel(), w @ j[0].reshape(-1, j.shape[-1])
            prior = self._from_start(at)[0]
            normal = wj.T @ wj + np.diag(self._prior**2)
            gradient = wj.T @ wr + self._prior * prior
            cost = float(wr @ wr + prior @ prior)
            while True:
                step = -np.linalg.solve(normal + damping * np.diag(np.diag(normal)), gradient)
                tried = self._moved(at, step[None])
                r_tried, j_tried, by_point_tried = self.residuals(tried, points, picked)
                wr_tried, prior_tried = w @ r_tried[0].ravel(), self._from_start(tried)[0]
                if float(wr_tried @ wr_tried + prior_tried @ prior_tried) <= cost or damping > 1e8:
                    break
                damping *= 10
            at, r, j, by_point = tried, r_tried, j_tried, by_point_tried
            damping = max(damping / 10, 1e-12)
            if float(np.abs(step * self._prior).max()) < 1e-7:
                break
        w = self.whitener(by_point[0])
        wr, wj = w @ r[0].ravel(), w @ j[0].reshape(-1, j.shape[-1])
        covariance = np.linalg.inv(wj.T @ wj + np.diag(self._prior**2))
        return at, covariance, float(wr @ wr)

    def refit(self, at: Placement, points_lps: Array, picked: Array, *, steps: int = 4) -> Placement:
        """The best placements (T) for trials of points (T, N, 3) and picks (T, M, 2) near the one they were made from:
        plain Gauss-Newton, whitened as there.
        """
        trials = len(picked)
        _, _, by_point = self.residuals(at, self.sightings.points_lps[None], self.picked[None])
        w = self.whitener(by_point[0])
        at = Placement(at.middle_lps, *(np.repeat(a, trials, axis=0) for a in (at.rotation, at.shift_mm, at.table_mm)))
        for _ in range(steps):
            r, j, _ = self.residuals(at, points_lps, picked)
            wr = r.reshape(trials, -1) @ w.T
            wj = np.einsum("ab,tbp->tap", w, j.reshape(trials, -1, j.shape[-1]))
            normal = np.einsum("tap,taq->tpq", wj, wj) + np.diag(self._prior**2)
            gradient = np.einsum("tap,ta->tp", wj, wr) + self._prior * self._from_start(at)
            at = self._moved(at, -np.linalg.solve(normal, gradient[..., None])[..., 0])
        return at

    def _from_start(self, at: Placement) -> Array:
        """How far placements lie from the headers' (T, P), in standard deviations."""
        turned = Rotation.from_matrix(at.rotation).as_rotvec()
        table = at.table_mm[:, list(self.sightings.moved)].reshape(len(turned), -1)
        return np.asarray(np.concatenate([turned, at.shift_mm, table], axis=1) * self._prior)

    def _moved(self, at: Placement, step: Array) -> Placement:
        rotation = Rotation.from_rotvec(step[:, :3]).as_matrix() @ at.rotation
        table = at.table_mm.copy()
        for n, f in enumerate(self.sightings.moved):
            table[:, f] += step[:, 6 + 3 * n : 9 + 3 * n]
        return Placement(at.middle_lps, rotation, at.shift_mm + step[:, 3:6], table)


def sightings_of(
    cameras: Sequence[CameraPose],
    pairs: Sequence[tuple[str, Sequence[float], int, Sequence[float]]],
    *,
    table_moved: Sequence[bool] | None = None,
) -> Sightings:
    """Sightings from (name, point of the CT in LPS mm, frame from 0, (column, row)). Raises ValueError where one name
    stands for two points, or is seen twice in a frame.
    """
    named: dict[str, Array] = {}
    seen: set[tuple[str, int]] = set()
    for name, point, frame, _ in pairs:
        p = np.asarray(point, dtype=np.float64)
        if name in named and np.linalg.norm(named[name] - p) > 1e-6:
            raise ValueError(f"the name {name!r} stands for two points of the CT")
        if (name, frame) in seen:
            raise ValueError(f"the point {name!r} is given twice for one frame")
        named[name] = p
        seen.add((name, frame))
    order = list(named)
    return Sightings(
        tuple(cameras),
        tuple(table_moved) if table_moved is not None else (False,) * len(cameras),
        tuple(order),
        np.array([named[n] for n in order]).reshape(-1, 3),
        np.array([frame for _, _, frame, _ in pairs], dtype=np.intp),
        np.array([order.index(name) for name, *_ in pairs], dtype=np.intp),
        np.array([pixel for *_, pixel in pairs], dtype=np.float64).reshape(-1, 2),
    )
