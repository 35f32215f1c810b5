"""Refine a registration from the pictures alone: turn and shift the CT until its simulated frames look like the real.

Likeness is the correlation of gradients (Penney et al., IEEE Trans Med Imaging 1998;17:586-595, from memory): spine,
ribs and metal make it, and the grey scale of the C-arm hardly matters. Coarse pictures first, finer ones after, each
climbed by Powell's method. It finds the nearest hill, and is worth what the start is worth.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import gaussian_filter, map_coordinates
from scipy.optimize import minimize
from scipy.spatial.transform import Rotation

from septal_planner.fluoroscopy.drr import Attenuation, line_integrals
from septal_planner.fluoroscopy.pose import CameraPose
from septal_planner.fluoroscopy.projection import Projection

Array = NDArray[np.float64]

# Longest side of the picture (pixels), CT voxel (mm), first step of shift (mm) and of turn (degrees)
LEVELS = ((64, 3.0, 6.0, 4.0), (128, 2.0, 2.0, 1.5), (192, 1.5, 0.7, 0.5))


# How far off starts are put to see from where the found place is found again: mm and degrees
CAPTURE_STARTS = ((10.0, 6.0), (20.0, 12.0))
BACK_MM = 2.0
CAPTURE_UNKNOWN = (
    "from how far off it finds back was not measured here; on simulated frames it did from 10 mm and 6 degrees"
)


@dataclass(frozen=True)
class Refined:
    """`iso_from_ct` (4x4), and the likeness, at most 1, before and after at the finest level."""

    iso_from_ct: Array
    likeness_before: float
    likeness_after: float
    moved_mm: float  # of the point it was turned about
    turned_deg: float


def coarser(body: Attenuation, voxel_mm: float) -> Attenuation:
    """The same body in blocks of voxels averaged, none smaller than asked by more than half."""
    size = np.linalg.norm(body.lps_from_index[:3, :3], axis=0)
    by = np.maximum(1, np.rint(voxel_mm / size)).astype(int)  # i, j, k
    i, j, k = by
    v = body.voxels
    kk, jj, ii = (n // b * b for n, b in zip(v.shape, (k, j, i), strict=True))
    blocks = v[:kk, :jj, :ii].reshape(kk // k, k, jj // j, j, ii // i, i).mean(axis=(1, 3, 5), dtype=np.float32)
    blocks = np.pad(np.rint(blocks).astype(np.int16), 1)
    m = body.lps_from_index.copy()
    m[:3, :3] = m[:3, :3] * by
    m[:3, 3] = body.lps_from_index[:3, 3] + body.lps_from_index[:3, :3] @ ((by - 1) / 2) - m[:3, :3].sum(axis=1)
    return Attenuation(blocks, m)


def weakening(frame: NDArray[np.generic], *, linear: bool, dark_is_high: bool = False) -> Array:
    """What a frame says of how far the rays were weakened, in some unit: the logarithm of values in proportion to the
    X-rays that came through (Pixel Intensity Relationship (0028,1040) LIN), the values themselves of others.
    """
    values = np.asarray(frame, dtype=np.float64)
    if dark_is_high:
        values = values.max() - values
    return -np.log(np.maximum(values, 0) + 1.0) if linear else -values


def refine(
    body: Attenuation,
    frames: Sequence[tuple[NDArray[np.generic], CameraPose]],
    iso_from_ct: ArrayLike,
    about_lps: ArrayLike,
    *,
    levels: Sequence[tuple[int, float, float, float]] = LEVELS,
    progress: Callable[[str], None] | None = None,
) -> Refined:
    """From a start near the truth (10 mm, 6 degrees) to the place where simulated and real frames are most alike,
    turning about a point of the CT (3,). Frames as `weakening` (rows, columns) gives them, with their cameras.
    """
    start = np.asarray(iso_from_ct, dtype=np.float64)
    about = np.asarray(about_lps, dtype=np.float64)
    x = np.zeros(6)
    before = after = 0.0
    for n, (side, voxel, shift, turn) in enumerate(levels, 1):
        if progress is not None:
            progress(f"Comparing simulated and real frames: step {n} of {len(levels)}")
        small = coarser(body, voxel)
        real = [_reduced(f, c, side) for f, c in frames]
        scale = np.array([turn] * 3 + [shift] * 3)

        def unlike(
            p: Array, scale: Array = scale, small: Attenuation = small, real: list[tuple[Array, Projection]] = real
        ) -> float:
            at = _moved(start, about, p * scale)
            placed = Attenuation(small.voxels, at @ small.lps_from_index)
            return -float(np.mean([_likeness(g, line_integrals(placed, frame)) for g, frame in real]))

        before = -unlike(np.zeros(6))
        found = minimize(
            unlike, x / scale, method="Powell", options={"xtol": 0.02, "ftol": 1e-5, "maxiter": 4, "maxfev": 500}
        )
        x, after = found.x * scale, -float(found.fun)
    return Refined(
        _moved(start, about, x), before, after, float(np.linalg.norm(x[3:])), float(np.linalg.norm(x[:3]))
    )


@dataclass(frozen=True)
class Capture:
    """Of `tried` starts so far off, in random directions, how many came `back` to within 2 mm."""

    off_mm: float
    off_deg: float
    back: int
    tried: int


def capture(
    body: Attenuation,
    frames: Sequence[tuple[NDArray[np.generic], CameraPose]],
    found: ArrayLike,
    about_lps: ArrayLike,
    *,
    tries: int,
    offs: Sequence[tuple[float, float]] = CAPTURE_STARTS,
    seed: int = 0,
    progress: Callable[[str], None] | None = None,
) -> tuple[Capture, ...]:
    """From how far off these frames lead back to the place that was found in them (4x4 as `Refined.iso_from_ct`): the
    coarsest level alone, which decides that, from seeded random starts. It tells how wide the hill is, not that it is
    the right one.
    """
    place = np.asarray(found, dtype=np.float64)
    about = np.asarray(about_lps, dtype=np.float64)
    there = place[:3, :3] @ about + place[:3, 3]
    rng = np.random.default_rng(seed)
    out = []
    for n, (off_mm, off_deg) in enumerate(offs):
        back = 0
        for k in range(tries):
            if progress is not None:
                progress(f"Trying from how far off the frames lead back: {n * tries + k + 1} of {len(offs) * tries}")
            turn, shift = rng.normal(size=(2, 3))
            off = np.concatenate([off_deg * turn / np.linalg.norm(turn), off_mm * shift / np.linalg.norm(shift)])
            again = refine(body, frames, _moved(place, about, off), about, levels=LEVELS[:1]).iso_from_ct
            back += bool(np.linalg.norm(again[:3, :3] @ about + again[:3, 3] - there) <= BACK_MM)
        out.append(Capture(off_mm, off_deg, back, tries))
    return tuple(out)


def capture_words(measured: Sequence[Capture]) -> str:
    """What was measured, as part of a sentence."""
    if not any(c.tried for c in measured):
        return CAPTURE_UNKNOWN
    said = (f"{c.back} of {c.tried} from {c.off_mm:g} mm and {c.off_deg:g} degrees off" for c in measured if c.tried)
    return "of starts in random directions found back in these frames: " + ", ".join(said)


def _moved(start: Array, about: Array, x: Array) -> Array:
    """Turned by x[:3] degrees about a point of the CT and shifted by x[3:] mm, both in the isocentre's axes."""
    pivot = start[:3, :3] @ about + start[:3, 3]
    r = Rotation.from_rotvec(np.deg2rad(x[:3])).as_matrix()
    m = np.eye(4)
    m[:3, :3] = r @ start[:3, :3]
    m[:3, 3] = r @ (start[:3, 3] - pivot) + pivot + x[3:]
    return m


def _reduced(frame: NDArray[np.generic], camera: CameraPose, side: int) -> tuple[Array, Projection]:
    """A frame made small, and the geometry of the small one."""
    values = np.asarray(frame, dtype=np.float64)
    by = max(values.shape) / side
    small = gaussian_filter(values, 0.5 * by) if by > 1 else values
    # of each pixel the middle: a grid `by` apart
    rows, columns = (int(n // by) for n in values.shape)
    if by > 1:
        r = (np.arange(rows) + 0.5) * by - 0.5
        c = (np.arange(columns) + 0.5) * by - 0.5
        small = _sampled(small, r, c)
    else:
        by = 1.0
    center = (camera.central_px + 0.5) / by - 0.5
    geometry = Projection(
        camera.primary_deg, camera.secondary_deg, (0.0, 0.0, 0.0), camera.source_detector_mm,
        camera.source_isocenter_mm, (camera.spacing_mm[0] * by, camera.spacing_mm[1] * by), (columns, rows),
        (float(center[0]), float(center[1])),
    )  # fmt: skip
    return small, geometry


def _sampled(values: Array, rows: Array, columns: Array) -> Array:
    at = np.meshgrid(rows, columns, indexing="ij")
    return np.asarray(map_coordinates(values, at, order=1, mode="nearest"))


def _likeness(real: Array, simulated: NDArray[np.float32]) -> float:
    """Mean correlation of the two gradients, -1 to 1."""
    total = 0.0
    smooth = gaussian_filter(np.asarray(simulated, dtype=np.float64), 0.5)
    for a, b in zip(np.gradient(real), np.gradient(smooth), strict=True):
        a, b = a - a.mean(), b - b.mean()
        size = float(np.sqrt((a * a).sum() * (b * b).sum()))
        total += float((a * b).sum()) / size if size > 0 else 0.0
    return total / 2
