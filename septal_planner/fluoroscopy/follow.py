"""Follow one marked thing (lead tip, catheter, ring marker) through the frames of a run by its look.

Normalised cross-correlation of a patch about the mark (J. P. Lewis, Fast Normalized Cross-Correlation, 1995; as
scikit-image has it), searched about the last place, the peak refined by a parabola. What no longer looks alike is lost,
and said to be: a place is never guessed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

LOST_BELOW = 0.6  # of a correlation of at most 1; chosen on simulated runs, no source


@dataclass(frozen=True)
class Followed:
    """Where the thing is in a frame, (column, row), and how alike it looks, 0 to 1; None where it was lost."""

    place_px: tuple[float, float] | None
    likeness: float


def follow(
    frame_of: Callable[[int], NDArray[np.generic]],
    count: int,
    marked: Mapping[int, ArrayLike],
    *,
    patch_px: int,
    search_px: int,
) -> dict[int, Followed]:
    """For each frame 1 to `count`, from where a person marked the thing, {frame: (column, row)}: at least one. Each
    frame is asked for once or twice, none is kept. `patch_px` and `search_px` are half sides. Raises ValueError where
    nothing was marked, or a mark lies outside.
    """
    if not marked:
        raise ValueError("nothing was marked to be followed")
    first = min(marked)
    found = {n: Followed((float(p[0]), float(p[1])), 1.0) for n, p in ((n, np.asarray(p)) for n, p in marked.items())}
    patch = _patch(frame_of(first), np.asarray(marked[first], dtype=np.float64), patch_px)
    for way in (range(first, count + 1), range(first, 0, -1)):
        last = np.asarray(marked[first], dtype=np.float64)
        for n in way:
            if n in marked:
                # a person's mark stands, and tells anew how the thing looks
                last = np.asarray(marked[n], dtype=np.float64)
                patch = _patch(frame_of(n), last, patch_px)
                continue
            place, likeness = _match(frame_of(n), patch, last, search_px)
            lost = likeness < LOST_BELOW
            found[n] = Followed(None if lost else (float(place[0]), float(place[1])), likeness)
            if not lost:
                last = place
    return found


def _patch(frame: NDArray[np.generic], at: Array, half: int) -> tuple[Array, Array]:
    """The values about a place, and the place within them (column, row)."""
    rows, columns = frame.shape
    c, r = (round(float(v)) for v in at)
    if not (0 <= c < columns and 0 <= r < rows):
        raise ValueError(f"the mark at column {at[0]:g}, row {at[1]:g} lies outside the picture")
    c0, r0 = max(c - half, 0), max(r - half, 0)
    values = np.asarray(frame[r0 : r + half + 1, c0 : c + half + 1], dtype=np.float64)
    return values, at - [c0, r0]


def _match(
    frame: NDArray[np.generic], patch: tuple[Array, Array], last: Array, search: int
) -> tuple[Array, float]:
    from skimage.feature import match_template

    values, within = patch
    rows, columns = frame.shape
    corner = np.rint(last - within).astype(int)  # of the patch, where it would be at the last place
    c0, r0 = max(corner[0] - search, 0), max(corner[1] - search, 0)
    c1 = min(corner[0] + values.shape[1] + search, columns)
    r1 = min(corner[1] + values.shape[0] + search, rows)
    window = np.asarray(frame[r0:r1, c0:c1], dtype=np.float64)
    if window.shape[0] < values.shape[0] or window.shape[1] < values.shape[1] or np.ptp(window) == 0:
        return last, 0.0
    likeness = match_template(window, values)
    r, c = np.unravel_index(int(np.argmax(likeness)), likeness.shape)
    place = np.array([c0 + c + _finer(likeness[r, :], int(c)), r0 + r + _finer(likeness[:, c], int(r))])
    return place + within, float(likeness[r, c])


def _finer(values: Array, at: int) -> float:
    """How far the peak of a parabola through three values lies from the middle one."""
    if not 0 < at < len(values) - 1:
        return 0.0
    a, b, c = (float(v) for v in values[at - 1 : at + 2])
    bend = a - 2 * b + c
    return 0.0 if bend >= 0 else float(np.clip(0.5 * (a - c) / bend, -0.5, 0.5))
