"""Patient coordinates (DICOM LPS, mm) and voxel indices, and points between them.

Two frames only. `lps`: x to the patient's left, y to posterior, z to superior, millimetres (DICOM PS3.3 C.7.6.2.1.1).
`index`: continuous voxel index (i, j, k) = (column, row, slice), integers at voxel centres; the voxel array itself is
indexed `[k, j, i]` as SimpleITK hands it over. An affine is named for both frames: `lps_from_index` is 4x4.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def apply_affine(b_from_a: ArrayLike, points_a: ArrayLike) -> Array:
    """Points (..., 3) of frame a in frame b, by the 4x4 affine `b_from_a`."""
    m = np.asarray(b_from_a, dtype=np.float64)
    p = np.asarray(points_a, dtype=np.float64)
    return p @ m[:3, :3].T + m[:3, 3]


def unit_vector(v: ArrayLike) -> Array:
    """v (..., 3) scaled to length one. Raises ValueError where a vector is shorter than 1e-12."""
    a = np.asarray(v, dtype=np.float64)
    n = np.linalg.norm(a, axis=-1, keepdims=True)
    if np.any(n < 1e-12):
        raise ValueError("a vector of length zero has no direction")
    return np.asarray(a / n)


def spacing_mm(lps_from_index: ArrayLike) -> Array:
    """Distance between neighbouring voxel centres along i, j, k (3,), mm (for a sheared volume, along the shear)."""
    return np.asarray(np.linalg.norm(np.asarray(lps_from_index, dtype=np.float64)[:3, :3], axis=0))
