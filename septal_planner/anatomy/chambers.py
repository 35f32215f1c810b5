"""Blood pools: left and right atrium, ventricles, aorta.

Whose blood it is comes from shape: the atria as radial surfaces (atria.py), the rest parted at their narrowest places
(pools.py). Where blood ends comes from the CT itself, half-way between this chamber's blood and muscle, at the CT's own
resolution.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import binary_fill_holes, distance_transform_edt, gaussian_filter, label

from septal_planner.anatomy.annulus import Annulus
from septal_planner.anatomy.atria import (
    OUTSIDE_HU,
    WALL_HU,
    HeartGrid,
    find_left_atrium,
    find_right_atrium,
    mixed_blood_edge_hu,
)
from septal_planner.anatomy.gates import PlaneGate, RingGate, narrowest_plane
from septal_planner.anatomy.metal import Metal, take_out_metal
from septal_planner.anatomy.pools import Box, box_of, find_pools, signed_distance
from septal_planner.errors import AnatomyNotFound
from septal_planner.geometry.frames import apply_affine, spacing_mm
from septal_planner.geometry.shapes import DistanceField
from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.resample import crop_index_box, resample_to_grid
from septal_planner.inputs.volume import Volume

LABELS = {
    "left_atrium": 1,
    "right_atrium": 2,
    "aorta": 3,
    "left_ventricle": 4,
    "right_ventricle": 5,
    "fossa_membrane": 6,
    "metal": 7,
}

VOLUME_SHARES = {
    "left_atrium": (0.36, 0.022), "right_atrium": (0.36, 0.022), "left_ventricle": (0.22, 0.036),
    "right_ventricle": (0.22, 0.036), "aorta": (0.5, 0.08),
}  # fmt: skip
ATRIA = ("left_atrium", "right_atrium")
GRID_MM = 1.0
MARGIN_MM = 60.0
# Between the sides of a metal ring its slices are dark (beam hardening), as if no blood were there: so far above the
# hinge line, and as far across the ring, what the radial surface holds is blood all the same
RING_DARK_MM = 8.0
RING_DARK_SHARE = 0.95
ROOT_MM = 22.0     # about the middle of the aortic valve: its root and sinuses (half the width, from memory)
LEAFLET_MM = 2.0   # half of what a dark line there is bridged over
CUT_MM2 = 100.0  # a chamber that meets the CT's edge over more than this is cut by it
Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Progress = Callable[[str], None]


@dataclass(frozen=True)
class Chambers:
    """Labels on a crop of the CT grid, and for each chamber found a signed distance field (mm, negative inside)."""

    labels: NDArray[np.uint8]                     # [k, j, i]
    lps_from_index: NDArray[np.float64]           # of the crop
    distance: Mapping[str, DistanceField]         # by chamber name; a chamber not found is absent
    volume_ml: Mapping[str, float]
    mean_hu: Mapping[str, float]
    sd_hu: Mapping[str, float]
    not_assessed: Mapping[str, str]               # chamber -> reason, one sentence
    notes: tuple[str, ...] = ()
    # chamber -> one sentence where the CT ends inside it: it has no volume then, and no wall there
    cut: Mapping[str, str] = field(default_factory=dict)
    outline_sd_mm: Mapping[str, float] = field(default_factory=dict)  # standard uncertainty of the blood's edge
    volume_sd_ml: Mapping[str, float] = field(default_factory=dict)
    metal_lps: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 3)))  # (n, 3) voxel centres
    ct_lps_from_index: NDArray[np.float64] | None = None
    ct_size_ijk: tuple[int, int, int] | None = None

    def beyond_ct(self, points_lps: ArrayLike, margin_mm: float = 0.0) -> NDArray[np.bool_]:
        """Whether points (..., 3) lie outside the CT, or within `margin_mm` of its outermost voxel centres."""
        points = np.asarray(points_lps, dtype=np.float64)
        if self.ct_lps_from_index is None or self.ct_size_ijk is None:
            return np.zeros(points.shape[:-1], dtype=np.bool_)
        index = apply_affine(np.linalg.inv(self.ct_lps_from_index), points)
        rim = margin_mm / spacing_mm(self.ct_lps_from_index)
        return np.asarray(np.any((index < rim) | (index > np.array(self.ct_size_ijk) - 1 - rim), axis=-1))


def heart_grid(volume: Volume, landmarks: Landmarks) -> HeartGrid:
    """CT around the landmarks on an even 1 mm grid along the patient axes, lightly smoothed."""
    points = np.concatenate(list(landmarks.points_lps.values()))
    size = np.array(volume.hu.shape[::-1])
    corners = np.array([[i, j, k] for i in (0, size[0] - 1) for j in (0, size[1] - 1) for k in (0, size[2] - 1)])
    extent = apply_affine(volume.lps_from_index, corners)
    lo = np.maximum(points.min(axis=0) - MARGIN_MM, extent.min(axis=0))
    hi = np.minimum(points.max(axis=0) + MARGIN_MM, extent.max(axis=0))
    lps_from_index = np.diag([GRID_MM, GRID_MM, GRID_MM, 1.0])
    lps_from_index[:3, 3] = lo
    hu = resample_to_grid(volume, lps_from_index, tuple(int(n) + 1 for n in np.floor((hi - lo) / GRID_MM)))
    return HeartGrid(gaussian_filter(hu, 0.5), lps_from_index)


def segment_chambers(
    volume: Volume, landmarks: Landmarks, mitral: Annulus, tricuspid: Annulus | None, *,
    progress: Progress | None = None,
) -> Chambers:
    """Label the blood pools of a contrast CT from one point in each and the valve rings as gates.

    Veins, appendages and cavae are cut at their mouths; the right ventricle's outflow about the level of the aortic
    valve. Raises AnatomyNotFound when the left atrium cannot be told from muscle.
    """
    say = progress or (lambda _text: None)
    say("Finding the atria")
    volume, metal = take_out_metal(volume, np.concatenate(list(landmarks.points_lps.values())))
    grid = heart_grid(volume, landmarks)
    seeds = {name: points[0] for name, points in landmarks.points_lps.items()}
    notes: list[str] = []
    not_assessed: dict[str, str] = {}

    mitral_gate = RingGate.from_curve(mitral.curve_lps, mitral.center_lps, mitral.normal_lps)
    left = find_left_atrium(grid, seeds["left_atrium"], mitral_gate.beyond)
    left_field = grid.outside_field(left.surface, 0.0)

    tricuspid_gate: RingGate | PlaneGate
    if tricuspid is not None:
        tricuspid_gate = RingGate.from_curve(tricuspid.curve_lps, tricuspid.center_lps, tricuspid.normal_lps)
    else:
        tricuspid_gate = _derived_tricuspid_gate(grid, seeds, mitral, left_field)
        notes.append(
            "No tricuspid_annulus was marked: the right atrium ends at the narrowest place toward the ventricle, "
            "and its volume is an estimate."
        )
    say("Finding ventricles and aorta")
    others = find_pools(grid, seeds, mitral, mitral_gate, tricuspid_gate, left_field, left.edge_hu)
    not_assessed |= others.not_assessed
    notes.extend(others.notes)

    # the right atrium last: its contrast is the worst, so its neighbours tell where it cannot be
    left_side = [field for name, field in others.fields.items() if name != "right_ventricle"]
    neighbours = np.minimum.reduce([left_field - 1.0, *left_side])
    right = find_right_atrium(
        grid, seeds["right_atrium"], neighbours, tricuspid_gate.beyond, landmarks.points_lps["inferior_vena_cava"]
    )
    edges = {"left_atrium": left.edge_hu, "right_atrium": right.edge_hu} | others.edges
    fields = {
        "left_atrium": grid.outside_field(left.surface, left.margin_mm()),
        "right_atrium": grid.outside_field(right.surface, right.margin_mm()),
    } | others.fields

    say("Outlining the blood at full resolution")
    dark = grid.share_field(right.surface, right.dark)
    if others.aorta_begins is not None:
        not_assessed.setdefault("aorta", others.aorta_begins)
    ring = mitral_gate if _has_metal(mitral_gate, metal.points_lps(volume.lps_from_index)) else None
    found = _outline(
        volume, grid, fields, edges, dark, metal, seeds["fossa"], not_assessed, notes, ring, others.aortic_valve_lps
    )
    # labelled, so that one sees it, but no distance is measured to what has no known beginning
    known = {name: at for name, at in found.distance.items() if name not in not_assessed}
    return replace(found, distance=known)


def _derived_tricuspid_gate(
    grid: HeartGrid, seeds: Mapping[str, Array], mitral: Annulus, left_field: NDArray[np.float32]
) -> PlaneGate:
    """Narrowest right-heart section near the septal mitral hinge, the left atrium and left ventricle left out."""
    toward = seeds["right_atrium"]
    hinge = mitral.curve_lps[int(np.argmin(np.linalg.norm(mitral.curve_lps - seeds["fossa"], axis=1)))]
    blood = (grid.hu > mixed_blood_edge_hu(grid.ball(toward, 8.0))) & (left_field > 1.5)
    names = ("right_atrium", "inferior_vena_cava", "superior_vena_cava")
    atrial = np.stack([seeds[name] for name in names if name in seeds])
    return narrowest_plane(blood, grid.lps_from_index, hinge, mitral.normal_lps, toward - hinge, atrial)


def _outline(
    volume: Volume, grid: HeartGrid, fields: Mapping[str, NDArray[np.float32]], edges: Mapping[str, float],
    dark: NDArray[np.float32], metal: Metal, fossa_lps: Array, not_assessed: dict[str, str], notes: list[str],
    ring: RingGate | None, aortic_valve_lps: Array | None,
) -> Chambers:
    """Blood of each territory at the CT's own resolution, its volume, brightness and distance field. `ring`: the mitral
    gate where metal lies along it. `aortic_valve_lps` (3,): about it the aorta runs on through its leaflets."""
    inverse = np.linalg.inv(volume.lps_from_index)
    found = box_of(np.minimum.reduce(list(fields.values())) < 1.0, 0)
    corners = apply_affine(inverse, _corners_lps(found, grid.lps_from_index))
    lo, hi = np.floor(corners.min(axis=0)).astype(int), np.ceil(corners.max(axis=0)).astype(int) + 1
    crop = crop_index_box(volume, lo, hi)
    hu = crop.hu
    size = hu.shape[::-1]
    labels = np.zeros(hu.shape, dtype=np.uint8)
    nearest = np.full(hu.shape, np.inf, dtype=np.float32)
    for name, beyond_mm in fields.items():
        territory = resample_to_grid(
            Volume(beyond_mm, grid.lps_from_index), crop.lps_from_index, size, fill_hu=50.0
        ).astype(np.float32)
        mine = (territory < 0) & (territory < nearest) & np.greater(hu, edges[name])
        if name in ATRIA:
            # streaks, plain blood and noise deep inside an atrium are blood all the same
            mine |= (territory < -6.0) & (territory < nearest)
        if name == "left_atrium" and ring is not None:
            mine |= _over_ring(ring, crop, (territory < 0) & (territory < nearest))
        if name == "right_atrium":
            # where the contrast has not reached, its blood is told from fat and lung only
            unmixed = resample_to_grid(Volume(dark, grid.lps_from_index), crop.lps_from_index, size, fill_hu=0.0) > 0.5
            mine |= unmixed & (territory < 0) & (territory < nearest) & np.greater(hu, OUTSIDE_HU)
        np.minimum(nearest, territory, out=nearest)
        labels[mine] = LABELS[name]
    voxel_ml = abs(float(np.linalg.det(crop.lps_from_index[:3, :3]))) / 1000.0
    glare = None if metal.glare is None else metal.glare[_within(volume, crop)]
    distance, volume_ml, mean_hu, sd_hu = {}, {}, {}, {}
    outline_sd_mm, volume_sd_ml, cut = {}, {}, {}
    for name in fields:
        whole = labels == LABELS[name]
        if not whole.any():
            raise AnatomyNotFound(
                f"No blood was found for the {name.replace('_', ' ')}: check its landmark and its neighbours'."
            )
        box = box_of(whole, 1)
        part = labels[box]
        mask = _largest(whole[box])
        part[whole[box] & ~mask] = 0
        if name in ATRIA:
            mask = mask | (binary_fill_holes(mask) & (part == 0))
            part[mask] = LABELS[name]
        values = hu[box][mask if glare is None else mask & ~glare[box]]
        start = crop.lps_from_index.copy()
        start[:3, 3] = apply_affine(start, [box[2].start, box[1].start, box[0].start])
        if name == "aorta" and aortic_valve_lps is not None:
            mask = mask | (_through_leaflets(mask, start, aortic_valve_lps) & (part == 0))
            part[mask] = LABELS[name]
        volume_ml[name] = float(mask.sum()) * voxel_ml
        mean_hu[name], sd_hu[name] = float(values.mean(dtype=np.float64)), float(values.std(dtype=np.float64))
        distance[name] = _distance_field(mask, start, fossa_lps)
        outline_sd_mm[name] = _outline_sd_mm(mean_hu[name], sd_hu[name], spacing_mm(crop.lps_from_index))
        volume_sd_ml[name] = _volume_sd_ml(volume_ml[name], outline_sd_mm[name], name)
        if name in ATRIA and _area_at_edge_mm2(mask, start, volume) > CUT_MM2:
            spoken = name.replace("_", " ")
            cut[name] = (
                f"The CT ends inside the {spoken}, of which it shows {volume_ml.pop(name):.0f} mL: choose a series "
                "that shows all of it."
            )
            del volume_sd_ml[name]
    if metal.mask is not None:
        labels[metal.mask[_within(volume, crop)]] = LABELS["metal"]
    return Chambers(
        labels, crop.lps_from_index, distance, volume_ml, mean_hu, sd_hu, not_assessed, tuple(notes), cut,
        outline_sd_mm, volume_sd_ml, metal.points_lps(volume.lps_from_index), volume.lps_from_index, volume.size_ijk,
    )


def _has_metal(gate: RingGate, metal_lps: Array) -> bool:
    """Whether metal (n, 3) lies along the hinge line of a gate."""
    if not len(metal_lps):
        return False
    height, fraction = gate.position(metal_lps)
    return bool(np.any((np.abs(height) < RING_DARK_MM) & (np.abs(fraction - 1.0) < 0.3)))


def _over_ring(ring: RingGate, crop: Volume, within: Mask) -> Mask:
    """Which of the voxels `within` lie over the opening of a ring, closely above it."""
    k, j, i = np.nonzero(within)
    height, fraction = ring.position(apply_affine(crop.lps_from_index, np.stack([i, j, k], axis=-1)))
    over = (height > 0) & (height < RING_DARK_MM) & (fraction < RING_DARK_SHARE)
    out = np.zeros_like(within)
    out[k[over], j[over], i[over]] = True
    return out


def _through_leaflets(aorta: Mask, lps_from_index: Array, valve_lps: Array) -> Mask:
    """The aorta's blood [k, j, i] with what is no broader than its leaflets and lies between, about its valve: where
    they hang from the wall their dark line is as good as wall, and the root would seem to begin above it."""
    spacing = spacing_mm(lps_from_index)
    middle = apply_affine(np.linalg.inv(lps_from_index), valve_lps)
    low = np.maximum(np.floor(middle - ROOT_MM / spacing).astype(int), 0)[::-1]
    high = np.maximum(np.ceil(middle + ROOT_MM / spacing).astype(int) + 1, 0)[::-1]
    root = tuple(slice(int(a), int(b)) for a, b in zip(low, high, strict=True))
    out = aorta.copy()
    part = np.pad(aorta[root], margin := int(np.ceil(LEAFLET_MM / spacing.min())) + 1)
    if part.any() and not part.all():
        near = distance_transform_edt(~part, sampling=spacing[::-1]) <= LEAFLET_MM
        closed = distance_transform_edt(near, sampling=spacing[::-1]) > LEAFLET_MM
        out[root] |= closed[(slice(margin, -margin),) * 3]
    return out


def _within(volume: Volume, crop: Volume) -> Box:
    """Slices [k, j, i] of a volume that a crop of it holds."""
    i, j, k = np.rint(apply_affine(np.linalg.inv(volume.lps_from_index), crop.lps_from_index[:3, 3])).astype(int)
    nk, nj, ni = crop.hu.shape
    return slice(k, k + nk), slice(j, j + nj), slice(i, i + ni)


def _area_at_edge_mm2(mask: Mask, lps_from_index: Array, volume: Volume) -> float:
    """Area over which a chamber `mask` [k, j, i] meets the two outermost layers of the CT's voxels, about."""
    spacing = spacing_mm(volume.lps_from_index)
    first = np.rint(apply_affine(np.linalg.inv(volume.lps_from_index), lps_from_index[:3, 3])).astype(int)
    area = 0.0
    for axis in range(3):
        face = float(np.prod(np.delete(spacing, axis)))
        along = np.moveaxis(mask, 2 - axis, 0)
        at = first[axis] + np.arange(along.shape[0])
        for end in (at < 2, at > volume.size_ijk[axis] - 3):
            if end.any():
                area += float(along[end].any(axis=0).sum()) * face
    return area


def _outline_sd_mm(mean_hu: float, sd_hu: float, spacing: Array) -> float:
    """Standard uncertainty of where blood ends: our edge's own, the voxels', and that of unevenly bright blood, whose
    half-way mark lies too far in or out. Shares set on phantoms of other seeds than those they are checked on."""
    uneven = min(0.8 * sd_hu / max(mean_hu - WALL_HU, 1.0), 1.5)
    return float(np.sqrt(0.2**2 + (0.25 * spacing.max()) ** 2 + uneven**2))


def _volume_sd_ml(volume_ml: float, outline_sd_mm: float, name: str) -> float:
    """Standard uncertainty of a volume: its surface (a fifth more than the sphere's) times a share of the outline's,
    which does not err the same way all around, and a share for the mouths of its vessels, or where closed leaflets and
    the end of the picture bound it. Shares set on seeded trials of invented hearts and checked on others."""
    of_outline, of_ends = VOLUME_SHARES[name]
    surface_cm2 = 1.2 * 4.84 * volume_ml ** (2 / 3)
    return float(np.hypot(of_outline * surface_cm2 * outline_sd_mm / 10.0, of_ends * volume_ml))


def _corners_lps(box: Box, lps_from_index: Array) -> Array:
    """Outermost voxel centres (8, 3) of a box [k, j, i]."""
    i, j, k = ((part.start, part.stop - 1) for part in box[::-1])
    return apply_affine(lps_from_index, np.array([[a, b, c] for a in i for b in j for c in k], dtype=np.float64))


def _largest(mask: Mask) -> Mask:
    """The largest connected part."""
    regions, count = label(mask)
    if count <= 1:
        return mask
    sizes = np.bincount(regions.ravel())
    sizes[0] = 0
    return np.asarray(regions == int(np.argmax(sizes)))


def _distance_field(mask: Mask, lps_from_index: Array, around_lps: Array) -> DistanceField:
    """Signed distance (mm) on an even grid of about 0.7 mm, over the mask and on to the fossa, within 75 mm of it."""
    step = float(np.clip(spacing_mm(lps_from_index).min(), 0.7, 1.0))
    corners = _corners_lps(box_of(mask, 0), lps_from_index)
    lo = np.maximum(np.minimum(corners.min(axis=0), around_lps) - 12.0, around_lps - 75.0)
    hi = np.minimum(np.maximum(corners.max(axis=0), around_lps) + 12.0, around_lps + 75.0)
    affine = np.diag([step, step, step, 1.0])
    affine[:3, 3] = lo
    size = tuple(int(n) + 1 for n in np.ceil((hi - lo) / step))
    part = resample_to_grid(Volume(np.asarray(mask, dtype=np.float32), lps_from_index), affine, size, fill_hu=0.0)
    return DistanceField(gaussian_filter(signed_distance(part > 0.5, step), 0.6), affine)


__all__ = ["LABELS", "Chambers", "heart_grid", "segment_chambers"]
