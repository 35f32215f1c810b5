"""Line integrals by Joseph's method, compiled: doi 10.1109/TMI.1982.4307572. Importing it needs numba (extra `fast`).

Each ray is followed along the voxel axis it runs most along: one bilinear reading in every voxel plane it crosses,
times the length of the ray between two planes. Neighbouring rays are followed together, some planes at a time, so that
the voxels they share are read while they are in the nearest cache.
"""

from __future__ import annotations

import threading
from typing import Any

import numba
import numpy as np
from numba import float32, int32, uint64
from numpy.typing import NDArray

_ONE = 2.0**32
_SHARE = np.float32(2.0**-24)
_MARGIN = 1e-6  # voxels; more than the fixed-point steps drift over the longest ray
_ROWS, _COLUMNS, _PLANES = 16, 16, 16  # rays and planes followed together
_ONE_AT_A_TIME = threading.Lock()  # numba's plainest threading layer ends the process where two threads enter it


def _integrate(
    flat: Any, sizes: Any, strides: Any, source: Any, first: Any, column: Any, row: Any, lengths: Any, out: Any
) -> None:
    # all points in voxel index (i, j, k); the outermost voxels are air
    rows, columns = out.shape
    for band in numba.prange((rows + _ROWS - 1) // _ROWS):
        d = np.empty(3)
        most = _ROWS * _COLUMNS
        axis_of = np.empty(most, dtype=np.int64)
        nearest, farthest = np.empty(most, dtype=np.int64), np.empty(most, dtype=np.int64)
        start_of, step_of = np.empty((most, 2), dtype=np.int64), np.empty((most, 2), dtype=np.int64)
        total = np.empty(most, dtype=np.float32)
        scale = np.empty(most)
        for left in range(0, columns, _COLUMNS):
            wide = min(_COLUMNS, columns - left)
            high_row = min(_ROWS, rows - band * _ROWS)
            begin: Any = np.int64(1 << 40)
            end_plane: Any = np.int64(-1)
            for ray in range(high_row * wide):
                r, c = band * _ROWS + ray // wide, left + ray % wide
                m = 0
                for axis in range(3):
                    d[axis] = first[axis] + c * column[axis] + r * row[axis] - source[axis]
                    if abs(d[axis]) > abs(d[m]):
                        m = axis
                y, z = (m + 1) % 3, (m + 2) % 3
                step_y, step_z = d[y] / d[m], d[z] / d[m]
                start_y, start_z = source[y] - source[m] * step_y, source[z] - source[m] * step_z
                # planes between source and detector
                end = source[m] + d[m]
                low = max(0.0, min(source[m], end))
                high = min(sizes[m] - 1.0, max(source[m], end))
                # planes where the ray is inside the box of voxel centres
                for start, step, size in ((start_y, step_y, sizes[y]), (start_z, step_z, sizes[z])):
                    last = size - 1.0 - _MARGIN
                    if abs(step) < 1e-12:
                        if start < 0 or start > last:
                            high = -1.0
                    else:
                        one, two = (_MARGIN - start) / step, (last - start) / step
                        low = max(low, min(one, two))
                        high = min(high, max(one, two))
                n, past = np.int64(np.ceil(low)), np.int64(np.floor(high)) + 1
                axis_of[ray] = m
                nearest[ray], farthest[ray] = n, past
                total[ray] = 0.0
                scale[ray] = lengths[r, c] / abs(d[m])
                if past > n:
                    # positions in fixed point, 32 bits behind the point: no conversions to and fro, no check for an
                    # index below nought
                    start_of[ray, 0] = np.int64((start_y + n * step_y) * _ONE)
                    start_of[ray, 1] = np.int64((start_z + n * step_z) * _ONE)
                    step_of[ray, 0] = np.int64(np.rint(step_y * _ONE))
                    step_of[ray, 1] = np.int64(np.rint(step_z * _ONE))
                    begin, end_plane = min(begin, n), max(end_plane, past)
            for block in range(begin, end_plane, _PLANES):
                for ray in range(high_row * wide):
                    n, past = nearest[ray], min(farthest[ray], np.int64(block + _PLANES))
                    if past <= n:
                        continue
                    m = axis_of[ray]
                    stride_m = uint64(strides[m])
                    stride_y, stride_z = uint64(strides[(m + 1) % 3]), uint64(strides[(m + 2) % 3])
                    at_y, at_z = start_of[ray, 0], start_of[ray, 1]
                    move_y, move_z = step_of[ray, 0], step_of[ray, 1]
                    plane = uint64(n) * stride_m
                    found: Any = total[ray]
                    for _ in range(past - n):
                        at = plane + uint64(at_y >> 32) * stride_y + uint64(at_z >> 32) * stride_z
                        share_y = float32(int32((at_y >> 8) & 0xFFFFFF)) * _SHARE
                        share_z = float32(int32((at_z >> 8) & 0xFFFFFF)) * _SHARE
                        a, b = int32(flat[at]), int32(flat[at + stride_y])
                        e, g = int32(flat[at + stride_z]), int32(flat[at + stride_y + stride_z])
                        near = float32(a) + share_y * float32(b - a)
                        far = float32(e) + share_y * float32(g - e)
                        found += near + share_z * (far - near)
                        at_y += move_y
                        at_z += move_z
                        plane += stride_m
                    total[ray] = found
                    nearest[ray] = past
                    start_of[ray, 0], start_of[ray, 1] = at_y, at_z
            for ray in range(high_row * wide):
                out[band * _ROWS + ray // wide, left + ray % wide] = total[ray] * scale[ray]


def _compiled() -> Any:
    options: dict[str, Any] = {"parallel": True, "fastmath": True, "nogil": True}
    try:
        return numba.njit(**options, cache=True)(_integrate)
    except RuntimeError:  # no folder that can be written to keep the compiled code in
        return numba.njit(**options)(_integrate)


_kernel = _compiled()


def integrate(
    voxels: NDArray[np.int16],
    source_index: NDArray[np.float64],
    first_index: NDArray[np.float64],
    column_index: NDArray[np.float64],
    row_index: NDArray[np.float64],
    lengths_mm: NDArray[np.float64],
) -> NDArray[np.float32]:
    """Integrals (rows, columns), voxel value times mm, through `voxels` [k, j, i] whose outermost layer is air.

    `source_index` and the pixels `first + c * column + r * row` are voxel indices (i, j, k); `lengths_mm` (rows,
    columns) from source to pixel.
    """
    flat = np.ascontiguousarray(voxels).reshape(-1)
    k, j, i = voxels.shape
    out = np.zeros(lengths_mm.shape, dtype=np.float32)
    with _ONE_AT_A_TIME:
        _kernel(
            flat, np.array([i, j, k], dtype=np.int64), np.array([1, i, i * j], dtype=np.int64),
            source_index, first_index, column_index, row_index, lengths_mm, out,
        )  # fmt: skip
    return out
