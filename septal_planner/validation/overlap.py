"""Labels against the phantom's closed forms: overlap and surface distance of the atria, and metal."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import septal_phantoms
from numpy.typing import NDArray
from scipy.ndimage import binary_erosion, gaussian_filter
from scipy.spatial import cKDTree
from skimage.measure import marching_cubes

from septal_planner.anatomy.chambers import LABELS, Chambers
from septal_planner.geometry.frames import apply_affine, spacing_mm
from septal_planner.validation.results import Row

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

NEAR_FOSSA_MM = 45.0
BLOOM_MM = 2.0  # this near to metal no CT shows where blood ends
METAL_REACH_MM = 5.0  # blooming and streaks may be labelled as metal so far from it
AT_ONCE = 200_000


def compare_chambers(chambers: Chambers, truth: septal_phantoms.Truth, bars: Mapping[str, float]) -> list[Row]:
    """Dice and mean surface distance of both atria within 45 mm of the fossa, all vessels taken out of both sides, and
    what blooms about metal too."""
    crop, lps_from_index = _near(chambers, truth.fossa.center)
    points = _voxel_points(crop.shape, lps_from_index)
    near = np.linalg.norm(points - truth.fossa.center, axis=1) <= NEAR_FOSSA_MM
    fields = {n: np.full(crop.size, 99.0) for n in ("left_atrium", "right_atrium", "vessels", "metal")}
    where = np.flatnonzero(near)
    for part in np.array_split(where, max(1, len(where) // AT_ONCE)):
        f = truth.fields_at(points[part])
        for name in ("left_atrium", "right_atrium"):
            fields[name][part] = f[name]
        vessels = [f[n] for n in ("left_vessels", "right_vessels", "coronary_sinus", "pulmonary_trunk")]
        fields["vessels"][part] = np.min(vessels, axis=0)
        fields["metal"][part] = truth.metal_distance_mm(points[part])
    use = (near & (fields["vessels"] >= 0) & (fields["metal"] > BLOOM_MM)).reshape(crop.shape)
    rows = []
    for name in ("left_atrium", "right_atrium"):
        spoken, impossible = name.replace("_", " "), truth.impossible.get(name)
        found = (crop == LABELS[name]) & use
        true = (fields[name] < 0).reshape(crop.shape) & use
        absent = name not in chambers.distance
        dice = None if absent else dice_of(found, true)
        distance = None
        if not absent and found.any():
            distance = mean_surface_distance_mm(found, true, spacing_mm(lps_from_index), keep=use)
        rows += [
            Row(f"{spoken} Dice", None, None, dice, bars.get(f"{spoken} Dice"), "1", at_least=True,
                impossible=impossible),
            Row(f"{spoken} mean surface distance", None, None, distance,
                bars.get(f"{spoken} mean surface distance"), "mm", impossible=impossible),
        ]  # fmt: skip
    return rows


def compare_metal(labels: NDArray[np.uint8], lps_from_index: Array, truth: septal_phantoms.Truth) -> list[Row]:
    """Share of the true metal that is labelled so, and volume labelled so far from any; nothing where there is neither.

    Within the labels' own box. Calcium and fillings may be labelled as metal, and need not be."""
    if "metal" not in LABELS:
        return []
    marked = labels == LABELS["metal"]
    kinds = any(body.is_metal for body in truth.solids)
    if not kinds and not marked.any():
        return []
    far, held, all_of_it = 0, 0, 0
    voxel_ml = float(np.prod(spacing_mm(lps_from_index))) / 1000.0
    for k in range(labels.shape[0]):
        points = _voxel_points((1, *labels.shape[1:]), lps_from_index, first=k)
        if kinds:
            inside = truth.metal_distance_mm(points).reshape(labels.shape[1:]) < 0
            held, all_of_it = held + int((inside & marked[k]).sum()), all_of_it + int(inside.sum())
        here = np.flatnonzero(marked[k].ravel())
        if here.size:
            x, y, z = points[here].T
            off = np.full(len(here), np.inf)
            for body in truth.solids:
                off = np.minimum(off, body.distance(x, y, z))
            far += int((off > METAL_REACH_MM).sum())
    rows = [Row("metal where there is none", None, None, far * voxel_ml, 0.1, "mL")]
    if all_of_it:
        rows.insert(0, Row("metal found", None, None, held / all_of_it, 0.8, "1", at_least=True))
    return rows


def dice_of(found: Mask, true: Mask) -> float:
    """Twice the common part over the sum of both; 0 for two empty masks."""
    total = int(found.sum() + true.sum())
    return 2.0 * int((found & true).sum()) / total if total else 0.0


def mean_surface_distance_mm(found: Mask, true: Mask, spacing: Array, *, keep: Mask) -> float:
    """Mean over both surfaces of the distance to the other one, mm. What lies at the edge of `keep` is left out:
    there both are cut by the same surface.

    Surfaces by marching cubes over masks smoothed by 0.7 voxels: between layers of voxels the distance would come
    out too small, since the nearest step of a staircase is nearer than its middle.
    """
    inner = _eroded(_eroded(keep))
    one, other = _surface(found, spacing), _surface(true, spacing)
    if one is None or other is None:
        return 99.0
    distances = []
    for vertices, to in ((one, other), (other, one)):
        i, j, k = np.rint(vertices / spacing).astype(int).T
        distances.append(cKDTree(to).query(vertices[inner[k, j, i]])[0])
    together = np.concatenate(distances)
    return float(together.mean()) if len(together) else 99.0


def _near(chambers: Chambers, center_lps: Array) -> tuple[NDArray[np.uint8], Array]:
    """The labels' box within 45 mm of a point, with its own affine."""
    index = apply_affine(np.linalg.inv(chambers.lps_from_index), center_lps)
    reach = np.ceil(NEAR_FOSSA_MM / spacing_mm(chambers.lps_from_index)).astype(int) + 1
    lo = np.maximum(np.floor(index).astype(int) - reach, 0)
    hi = np.minimum(np.ceil(index).astype(int) + reach + 1, np.array(chambers.labels.shape[::-1]))
    affine = chambers.lps_from_index.copy()
    affine[:3, 3] = apply_affine(chambers.lps_from_index, lo)
    return chambers.labels[lo[2] : hi[2], lo[1] : hi[1], lo[0] : hi[0]], affine


def _voxel_points(shape: tuple[int, ...], lps_from_index: Array, first: int = 0) -> Array:
    """Centers (n, 3) of the voxels of [k, j, i], slices counted from `first`."""
    k, j, i = np.indices(shape, dtype=np.float64)
    return apply_affine(lps_from_index, np.stack([i, j, k + first], axis=-1).reshape(-1, 3))


def _surface(mask: Mask, spacing: Array) -> Array | None:
    """Vertices (n, 3) in mm along i, j, k."""
    soft = gaussian_filter(mask.astype(np.float32), 0.7)
    if not soft.min() < 0.5 < soft.max():
        return None
    vertices = marching_cubes(soft, 0.5)[0]
    return np.asarray(vertices[:, ::-1] * spacing, dtype=np.float64)


def _eroded(mask: Mask) -> Mask:
    return np.asarray(binary_erosion(mask))
