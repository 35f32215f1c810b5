"""Left ventricle, right ventricle and aorta: the blood parted at its narrowest places.

A flood from one marker in each pool, deepest blood first (watershed on the distance to the wall), so that neighbours
meet where the way between them is narrowest: a valve, the neck of a vein. Closed leaflets are thinner than the
scanner's blur and stay bright, so the flood is cut along dark lines and along the valve gates as well.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import SimpleITK as sitk
from numpy.typing import NDArray
from scipy.ndimage import binary_closing, binary_dilation, binary_erosion, grey_closing, label
from skimage.segmentation import watershed

from septal_planner.anatomy.annulus import Annulus
from septal_planner.anatomy.atria import WALL_HU, HeartGrid, mixed_blood_edge_hu
from septal_planner.anatomy.gates import PlaneGate, RingGate
from septal_planner.geometry.frames import apply_affine, unit_vector

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Box = tuple[slice, slice, slice]
MARK = {"left_atrium": 1, "right_atrium": 2, "aorta": 3, "left_ventricle": 4, "right_ventricle": 5}
METAL_HU = 3000.0
FAR_MM = 50.0
# Voxels of about 1 mm. The flood of the aorta meets that of the ventricle two above the leaflets at most, whose own
# half breadth lies between; one more, since an aorta told too far is what does harm
HINGES_BELOW = 3.5
# of the dome's rim that much is looked at, in so many sectors
RIM_BREADTH = 2.0
SECTORS = 16
HINGE_TURNS = 5


@dataclass(frozen=True)
class Pools:
    """By chamber found: territory on the heart grid [k, j, i] (mm outside it, negative inside; reaching 1 mm into the
    wall) and the HU below which its blood ends. By chamber not found: why. And what must be said.
    """

    fields: dict[str, NDArray[np.float32]]
    edges: dict[str, float]
    not_assessed: dict[str, str]
    notes: tuple[str, ...]
    aorta_begins: str | None = None               # why the place of the aortic valve is not known; None: it is
    aortic_valve_lps: Array | None = None         # (3,) amid its leaflets; None where aorta and ventricle do not meet


def find_pools(
    grid: HeartGrid, seeds: Mapping[str, Array], mitral: Annulus, mitral_gate: RingGate,
    tricuspid_gate: RingGate | PlaneGate, left_field: NDArray[np.float32], left_edge_hu: float,
) -> Pools:
    """Territories of the ventricles and the aorta, the left atrium (`left_field`, mm beyond it) being known."""
    place, notes = _places(seeds, mitral, tricuspid_gate)
    edges, not_assessed = _edges(grid, place)
    place |= {name: grid.settled(place[name]) for name in edges}
    right_edge = mixed_blood_edge_hu(grid.ball(place["right_atrium"], 8.0))
    lowest = min(right_edge, left_edge_hu, *edges.values())
    blood = _floodable(grid, lowest, grid.settled(seeds["left_atrium"]), left_field)
    depth = _distance_inside(blood)
    _cut_at_gates(blood, grid, (mitral_gate, tricuspid_gate))
    pools = watershed(-depth, _markers(grid, blood, place, edges, left_field), mask=blood)

    if "left_ventricle" in edges:
        # closed mitral leaflets tent into the ventricle: what lies between them and the hinge line is ventricular
        k, j, i = np.nonzero(pools == MARK["left_atrium"])
        below = mitral_gate.beyond(apply_affine(grid.lps_from_index, np.stack([i, j, k], axis=-1)))
        pools[k[below], j[below], i[below]] = MARK["left_ventricle"]
    valve = _begin_aorta_at_hinges(pools) if {"aorta", "left_ventricle"} <= set(edges) else None

    step_mm = float(grid.lps_from_index[2, 2])
    inverse = np.linalg.inv(grid.lps_from_index)
    fields: dict[str, NDArray[np.float32]] = {}
    for name in edges:
        pool = pools == MARK[name]
        if name == "right_ventricle" and valve is not None:
            # the pulmonary valve stands a little above the aortic one (common practice, no source)
            pool[int(valve[2] + 15.0 / step_mm) :] = False
        pool = binary_closing(pool, iterations=2) | pool  # over the leaflets that were cut
        pool = _around(pool & (grid.hu > edges[name]), apply_affine(inverse, place[name])) & pool
        if pool.sum() < 500:
            not_assessed[name] = f"No blood pool of plausible size was found at the {name} point."
            continue
        fields[name] = np.full(pool.shape, FAR_MM, dtype=np.float32)
        part = box_of(pool, 3)
        fields[name][part] = signed_distance(pool[part], step_mm) - np.float32(1.0)
    if "right_ventricle" not in seeds and isinstance(tricuspid_gate, PlaneGate):
        # its flood keeps the others in bounds, but where it begins and ends nobody has said
        fields.pop("right_ventricle", None)
        not_assessed["right_ventricle"] = "Neither a right_ventricle point nor a tricuspid_annulus was marked."
    begins = _aortic_valve_unseen(grid, edges, grid.settled(seeds["left_atrium"]))
    return Pools(
        fields, {name: edges[name] for name in fields}, not_assessed, tuple(notes), begins,
        None if valve is None else apply_affine(grid.lps_from_index, valve),
    )


def _places(
    seeds: Mapping[str, Array], mitral: Annulus, tricuspid_gate: RingGate | PlaneGate
) -> tuple[dict[str, Array], list[str]]:
    """A point in each pool; the ventricles' derived from their valves where none was marked, which is said."""
    place, notes = dict(seeds), []
    if "left_ventricle" not in place:
        place["left_ventricle"] = mitral.center_lps - 25.0 * mitral.normal_lps
        notes.append("No left_ventricle point was given: one 25 mm below the mitral annulus was used.")
    if "right_ventricle" not in place:
        place["right_ventricle"] = tricuspid_gate.center_lps - 18.0 * tricuspid_gate.normal_lps
        if isinstance(tricuspid_gate, RingGate):
            notes.append("No right_ventricle point was given: one 18 mm beyond the tricuspid annulus was used.")
    return place, notes


def _edges(grid: HeartGrid, place: Mapping[str, Array]) -> tuple[dict[str, float], dict[str, str]]:
    """HU below which each pool's blood ends, and why a pool has none."""
    edges: dict[str, float] = {}
    not_assessed: dict[str, str] = {}
    for name in ("left_ventricle", "right_ventricle", "aorta"):
        if name not in place:
            not_assessed[name] = f"No {name} point was marked."
            continue
        hu = grid.ball(grid.settled(place[name]), 3.0)
        median = float(np.median(hu))
        if median < WALL_HU + 50:
            not_assessed[name] = f"The blood at the {name} point measures {median:.0f} HU, too close to muscle."
            continue
        edges[name] = mixed_blood_edge_hu(hu) if name == "right_ventricle" else (median + WALL_HU) / 2
    if "aorta" not in edges and "left_ventricle" in edges:
        del edges["left_ventricle"]
        not_assessed["left_ventricle"] = "Without an aorta point the left ventricle cannot be parted from the aorta."
    return edges, not_assessed


def _floodable(grid: HeartGrid, lowest_hu: float, left_lps: Array, left_field: NDArray[np.float32]) -> Mask:
    """Blood, cut along dark lines: closed leaflets (not inside the left atrium, which is already known)."""
    blood = (grid.hu > lowest_hu) & (grid.hu < METAL_HU)
    valley = grey_closing(grid.hu, size=(5, 5, 5)) - grid.hu
    blood &= (valley < _dark_line_hu(grid, left_lps)) | (left_field < 0)
    return np.asarray(blood)


def _dark_line_hu(grid: HeartGrid, left_lps: Array) -> float:
    """How far a line must dip below its surroundings to be a leaflet and not noise, which the left atrium shows."""
    return max(50.0, 5.0 * float(np.std(grid.ball(left_lps, 4.0))))


def _aortic_valve_unseen(grid: HeartGrid, edges: Mapping[str, float], left_lps: Array) -> str | None:
    """Why the aorta cannot be parted from the ventricle: even a leaflet as dark as muscle all through, which none is,
    would dip no deeper than noise does. The flood's border then lies anywhere in root and outflow tract."""
    if "aorta" not in edges:
        return None
    contrast = 2.0 * (edges["aorta"] - WALL_HU)  # the edge lies half-way from muscle to blood
    if _dark_line_hu(grid, left_lps) < 0.8 * contrast:
        return None
    return (
        f"The aortic valve cannot be seen in this scan (the aorta's blood is {contrast:.0f} HU brighter than muscle, "
        "too little for its noise), so where the aorta begins, and how far it is, is not known: use a phase or a "
        "kernel that shows the valve, and judge the aorta with imaging at the table."
    )


def _cut_at_gates(blood: Mask, grid: HeartGrid, gates: tuple[RingGate | PlaneGate, ...]) -> None:
    """Take a thin slab around each valve's gate out of the blood, in place."""
    k, j, i = np.nonzero(blood)
    points = apply_affine(grid.lps_from_index, np.stack([i, j, k], axis=-1))
    for gate in gates:
        if isinstance(gate, RingGate):
            height, fraction = gate.position(points)
            slab = (np.abs(height) < 0.9) & (fraction < 1.15)
        else:
            d = points - gate.center_lps
            slab = (np.abs(d @ gate.normal_lps) < 0.9) & (np.linalg.norm(d, axis=-1) < gate.reach_mm)
        blood[k[slab], j[slab], i[slab]] = False


def _markers(
    grid: HeartGrid, blood: Mask, place: Mapping[str, Array], edges: Mapping[str, float],
    left_field: NDArray[np.float32],
) -> NDArray[np.int32]:
    """Where each flood begins: the inside of the left atrium, a small block around every other point."""
    markers = np.zeros(blood.shape, dtype=np.int32)
    markers[left_field < -4.0] = MARK["left_atrium"]
    inverse = np.linalg.inv(grid.lps_from_index)
    for name in ("right_atrium", *edges):
        i, j, k = np.rint(apply_affine(inverse, place[name])).astype(int)
        block = (slice(max(k - 2, 0), k + 3), slice(max(j - 2, 0), j + 3), slice(max(i - 2, 0), i + 3))
        markers[block] = np.where(blood[block], MARK[name], markers[block])
    markers[~blood] = 0
    return markers


def _begin_aorta_at_hinges(pools: NDArray[np.int32]) -> Array | None:
    """Give the aorta its root below the leaflets' dome, in place; index (i, j, k) of the middle of the valve,
    None where they do not meet."""
    aortic, ventricular = pools == MARK["aorta"], pools == MARK["left_ventricle"]
    meeting = binary_dilation(ventricular, iterations=2) & aortic
    if not meeting.any():
        return None
    pools[_root_below_leaflets(aortic, ventricular, meeting)] = MARK["aorta"]
    return np.array([float(n.mean()) for n in np.nonzero(meeting)[::-1]])


def _root_below_leaflets(aortic: Mask, ventricular: Mask, meeting: Mask) -> Mask:
    """Ventricular voxels that lie in the aortic root: past the plane of the leaflets' hinges, under their dome.

    Closed leaflets dome into the aorta, so the flood meets along a dome; the root begins at its lowest rim.
    """
    at = np.argwhere(meeting).astype(np.float64)
    center = at.mean(axis=0)
    above = np.argwhere(aortic)
    away = np.linalg.norm(above - center, axis=1)
    shaft = above[(away > 15) & (away < 35)]
    if shaft.shape[0] < 50:
        return np.zeros_like(aortic)
    axis, center = _hinge_axis(at, unit_vector(shaft.mean(axis=0) - center), center)
    along = (at - center) @ axis
    lateral = np.linalg.norm(at - center - along[:, None] * axis, axis=1)
    below = np.argwhere(ventricular)
    below = below[np.linalg.norm(below - center, axis=1) < 30]
    height = (below - center) @ axis
    aside = np.linalg.norm(below - center - height[:, None] * axis, axis=1)
    mine = below[(height > np.percentile(along, 3) - HINGES_BELOW) & (aside < np.percentile(lateral, 98) + 2.0)]
    out = np.zeros_like(aortic)
    out[tuple(mine.T)] = True
    return out


def _hinge_axis(at: Array, axis: Array, center: Array) -> tuple[Array, Array]:
    """Axis and middle of the root from where the flood meets (n, 3), both about known: square to the plane of the
    dome's rim, through the middle of a circle along it. The way on into the aorta leaves the valve aslant, by 13
    degrees on some phantoms."""
    for _ in range(HINGE_TURNS):
        first = unit_vector(np.cross(axis, np.eye(3)[int(np.argmin(np.abs(axis)))]))
        second = np.cross(axis, first)
        x, y, z = ((at - center) @ e for e in (first, second, axis))
        r = np.hypot(x, y)
        sector = ((np.arctan2(y, x) / (2 * np.pi) + 0.5) * SECTORS).astype(np.intp) % SECTORS
        edge = np.full(SECTORS, -1.0)
        np.maximum.at(edge, sector, r)
        edge[edge < 0.6 * np.percentile(r, 90)] = np.inf  # no rim was met there
        rim = r > np.minimum(edge, np.percentile(r, 98) + 1.0)[sector] - RIM_BREADTH
        rim &= np.isfinite(edge)[sector]
        rows = np.array([[c[rim & (sector == n)].mean() for c in (x, y, z)] for n in np.unique(sector[rim])])
        if len(rows) < SECTORS // 2:
            break
        flat, one = rows[:, :2], np.ones(len(rows))
        slope = np.linalg.lstsq(np.column_stack([flat, one]), rows[:, 2])[0]
        circle = np.linalg.lstsq(np.column_stack([2 * flat, one]), (flat**2).sum(axis=1))[0]
        center = center + circle[0] * first + circle[1] * second
        axis = unit_vector(axis - slope[0] * first - slope[1] * second)
    return axis, center


def _around(mask: Mask, index: Array) -> Mask:
    """Connected part of a mask at an index (i, j, k), bridges up to two voxels wide cut."""
    core = binary_erosion(mask, iterations=1)
    regions, _ = label(core)
    k, j, i = np.nonzero(core)
    if not k.size:
        return mask
    nearest = int(np.argmin((i - index[0]) ** 2 + (j - index[1]) ** 2 + (k - index[2]) ** 2))
    return np.asarray(binary_dilation(regions == regions[k[nearest], j[nearest], i[nearest]], iterations=2))


def _distance_inside(mask: Mask) -> NDArray[np.float32]:
    """Distance (voxels) of each true voxel to the nearest false one."""
    image = sitk.GetImageFromArray(np.asarray(~mask, dtype=np.uint8))
    found = sitk.SignedMaurerDistanceMap(image, insideIsPositive=False, squaredDistance=False, useImageSpacing=False)
    return np.asarray(np.maximum(sitk.GetArrayFromImage(found), 0.0), dtype=np.float32)


def signed_distance(mask: Mask, step_mm: float) -> NDArray[np.float32]:
    """Signed distance (mm, negative inside) to the faces between true and false voxels on an even grid."""
    outside = _distance_inside(~mask)
    inside = _distance_inside(mask)
    return np.asarray(np.where(mask, 0.5 - inside, outside - 0.5) * step_mm, dtype=np.float32)


def box_of(mask: Mask, margin: int) -> Box:
    """Slices [k, j, i] of the box around a mask that holds something, and a margin."""
    spans = [np.flatnonzero(mask.any(axis=axes)) for axes in ((1, 2), (0, 2), (0, 1))]
    k, j, i = (slice(max(int(a[0]) - margin, 0), int(a[-1]) + 1 + margin) for a in spans)
    return k, j, i
