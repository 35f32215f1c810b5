"""Blood pools: left and right atrium, ventricles, aorta.

Whose blood it is comes from shape: the atria as radial surfaces (atria.py), the rest by a watershed on the distance to
the wall, which parts pools at their narrowest place (valve, neck of a vein). Where blood ends comes from the CT itself,
half-way between this chamber's blood and muscle, at the CT's own resolution.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import SimpleITK as sitk
from numpy.typing import NDArray
from scipy.ndimage import (
    binary_closing,
    binary_dilation,
    binary_erosion,
    binary_fill_holes,
    gaussian_filter,
    grey_closing,
    label,
)
from skimage.segmentation import watershed

from septal_planner.anatomy.annulus import Annulus
from septal_planner.anatomy.atria import (
    WALL_HU,
    HeartGrid,
    find_left_atrium,
    find_right_atrium,
    mixed_blood_edge_hu,
)
from septal_planner.anatomy.gates import PlaneGate, RingGate, narrowest_plane
from septal_planner.errors import AnatomyNotFound
from septal_planner.geometry.frames import apply_affine, spacing_mm, unit_vector
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
}

ATRIA = ("left_atrium", "right_atrium")
GRID_MM = 1.0
MARGIN_MM = 60.0
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
    others = _ventricles_and_aorta(grid, seeds, mitral, mitral_gate, tricuspid_gate, left_field, left.edge_hu)
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
    return _outline(volume, grid, fields, edges, seeds["fossa"], not_assessed, notes)


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


@dataclass(frozen=True)
class _Found:
    fields: dict[str, NDArray[np.float32]]
    edges: dict[str, float]
    not_assessed: dict[str, str]
    notes: list[str]


def _ventricles_and_aorta(
    grid: HeartGrid, seeds: Mapping[str, Array], mitral: Annulus, mitral_gate: RingGate,
    tricuspid_gate: RingGate | PlaneGate, left_field: NDArray[np.float32], left_edge_hu: float,
) -> _Found:
    """Territories (mm outside, negative inside) of left ventricle, right ventricle and aorta by marker watershed."""
    not_assessed: dict[str, str] = {}
    notes: list[str] = []
    place = dict(seeds)
    if "left_ventricle" not in place:
        place["left_ventricle"] = mitral.center_lps - 25.0 * mitral.normal_lps
        notes.append("No left_ventricle point was given: one 25 mm below the mitral annulus was used.")
    if "right_ventricle" not in place:
        normal = tricuspid_gate.normal_lps
        place["right_ventricle"] = tricuspid_gate.center_lps - 18.0 * normal
        if isinstance(tricuspid_gate, RingGate):
            notes.append("No right_ventricle point was given: one 18 mm beyond the tricuspid annulus was used.")
    markers = np.zeros(grid.hu.shape, dtype=np.int32)
    names = ("left_ventricle", "right_ventricle", "aorta")
    found_edges: dict[str, float] = {}
    for name in names:
        if name not in place:
            not_assessed[name] = f"No {name} point was marked."
            continue
        place[name] = grid.settled(place[name])
        hu = grid.ball(place[name], 3.0)
        median = float(np.median(hu))
        if median < WALL_HU + 50:
            not_assessed[name] = f"The blood at the {name} point measures {median:.0f} HU, too close to muscle."
            continue
        found_edges[name] = mixed_blood_edge_hu(hu) if name == "right_ventricle" else (median + WALL_HU) / 2
    if "aorta" not in found_edges and "left_ventricle" in found_edges:
        del found_edges["left_ventricle"]
        not_assessed["left_ventricle"] = "Without an aorta point the left ventricle cannot be parted from the aorta."
    right_edge = mixed_blood_edge_hu(grid.ball(place["right_atrium"], 8.0))
    blood = (grid.hu > min(right_edge, left_edge_hu, *found_edges.values())) & (grid.hu < 3000)
    # closed leaflets are thinner than the blur and stay bright: cut the flood along dark lines as well
    spread = float(np.std(grid.ball(grid.settled(seeds["left_atrium"]), 4.0)))
    valley = grey_closing(grid.hu, size=(5, 5, 5)) - grid.hu
    blood &= (valley < max(50.0, 5.0 * spread)) | (left_field < 0)
    depth = _distance_inside(blood)
    numbers = {"left_atrium": 1, "right_atrium": 2} | {name: LABELS[name] for name in found_edges}
    markers[left_field < -4.0] = numbers["left_atrium"]
    inverse = np.linalg.inv(grid.lps_from_index)
    for name in ("right_atrium", *found_edges):
        i, j, k = np.rint(apply_affine(inverse, place[name])).astype(int)
        block = (slice(max(k - 2, 0), k + 3), slice(max(j - 2, 0), j + 3), slice(max(i - 2, 0), i + 3))
        markers[block] = np.where(blood[block], numbers[name], markers[block])
    # the valves are walls for the flood: a slab around each gate belongs to nobody's marker but parts the pools
    k, j, i = np.nonzero(blood)
    points = apply_affine(grid.lps_from_index, np.stack([i, j, k], axis=-1))
    for ring in (mitral_gate, tricuspid_gate):
        if isinstance(ring, RingGate):
            height, fraction = ring.position(points)
            slab = (np.abs(height) < 0.9) & (fraction < 1.15)
            blood[k[slab], j[slab], i[slab]] = False
        else:
            d = points - ring.center_lps
            slab = (np.abs(d @ ring.normal_lps) < 0.9) & (np.linalg.norm(d, axis=-1) < ring.reach_mm)
            blood[k[slab], j[slab], i[slab]] = False
    markers[~blood] = 0
    pools = watershed(-depth, markers, mask=blood)
    if "left_ventricle" in found_edges:
        # closed mitral leaflets tent into the ventricle: what lies between them and the hinge line is ventricular
        k, j, i = np.nonzero(pools == numbers["left_atrium"])
        below = mitral_gate.beyond(apply_affine(grid.lps_from_index, np.stack([i, j, k], axis=-1)))
        pools[k[below], j[below], i[below]] = numbers["left_ventricle"]
    out: dict[str, NDArray[np.float32]] = {}
    valve_z_mm = None
    if "aorta" in found_edges and "left_ventricle" in found_edges:
        aortic = pools == numbers["aorta"]
        meeting = binary_dilation(pools == numbers["left_ventricle"], iterations=2) & aortic
        if meeting.any():
            pools[_root_below_leaflets(aortic, pools == numbers["left_ventricle"], meeting)] = numbers["aorta"]
            valve_z_mm = float(grid.lps_from_index[2, 3] + np.nonzero(meeting)[0].mean() * GRID_MM)
    for name in found_edges:
        pool = pools == numbers[name]
        if name == "right_ventricle" and valve_z_mm is not None:
            # the pulmonary valve stands a little above the aortic one (common practice, no source)
            top = int((valve_z_mm + 15.0 - grid.lps_from_index[2, 3]) / GRID_MM)
            pool[max(top, 0) :] = False
        pool = binary_closing(pool, iterations=2) | pool  # over the leaflets that were cut
        pool = _around(pool & (grid.hu > right_edge), apply_affine(inverse, place[name])) & pool
        if pool.sum() < 500:
            not_assessed[name] = f"No blood pool of plausible size was found at the {name} point."
            continue
        out[name] = np.full(pool.shape, 50.0, dtype=np.float32)
        part = _box_of(pool, 3)
        out[name][part] = _signed_distance(pool[part], GRID_MM) - np.float32(1.0)
    if "right_ventricle" not in seeds and isinstance(tricuspid_gate, PlaneGate):
        # its flood keeps the others in bounds, but where it begins and ends nobody has said
        out.pop("right_ventricle", None)
        not_assessed["right_ventricle"] = "Neither a right_ventricle point nor a tricuspid_annulus was marked."
    return _Found(out, {n: found_edges[n] for n in out}, not_assessed, notes)


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
    axis = unit_vector(shaft.mean(axis=0) - center)
    along = (at - center) @ axis
    lateral = np.linalg.norm(at - center - along[:, None] * axis, axis=1)
    below = np.argwhere(ventricular)
    below = below[np.linalg.norm(below - center, axis=1) < 30]
    height = (below - center) @ axis
    aside = np.linalg.norm(below - center - height[:, None] * axis, axis=1)
    mine = below[(height > np.percentile(along, 3) - 1.5) & (aside < np.percentile(lateral, 98) + 2.0)]
    out = np.zeros_like(aortic)
    out[tuple(mine.T)] = True
    return out


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


def _signed_distance(mask: Mask, step_mm: float) -> NDArray[np.float32]:
    """Signed distance (mm, negative inside) to the faces between true and false voxels on an even grid."""
    outside = _distance_inside(~mask)
    inside = _distance_inside(mask)
    return np.asarray(np.where(mask, 0.5 - inside, outside - 0.5) * step_mm, dtype=np.float32)


def _outline(
    volume: Volume, grid: HeartGrid, fields: Mapping[str, NDArray[np.float32]], edges: Mapping[str, float],
    fossa_lps: Array, not_assessed: dict[str, str], notes: list[str],
) -> Chambers:
    """Blood of each territory at the CT's own resolution, its volume, brightness and distance field."""
    inverse = np.linalg.inv(volume.lps_from_index)
    found = _box_of(np.minimum.reduce(list(fields.values())) < 1.0, 0)
    corners = apply_affine(inverse, _corners_lps(found, grid.lps_from_index))
    lo, hi = np.floor(corners.min(axis=0)).astype(int), np.ceil(corners.max(axis=0)).astype(int) + 1
    crop = crop_index_box(volume, lo, hi)
    hu = crop.hu
    size = hu.shape[::-1]
    labels = np.zeros(hu.shape, dtype=np.uint8)
    nearest = np.full(hu.shape, np.inf, dtype=np.float32)
    for name, field in fields.items():
        territory = resample_to_grid(
            Volume(field, grid.lps_from_index), crop.lps_from_index, size, fill_hu=50.0
        ).astype(np.float32)
        mine = (territory < 0) & (territory < nearest) & np.greater(hu, edges[name])
        if name in ATRIA:
            # streaks, plain blood and noise deep inside an atrium are blood all the same
            mine |= (territory < -6.0) & (territory < nearest)
        np.minimum(nearest, territory, out=nearest)
        labels[mine] = LABELS[name]
    voxel_ml = abs(float(np.linalg.det(crop.lps_from_index[:3, :3]))) / 1000.0
    distance, volume_ml, mean_hu, sd_hu = {}, {}, {}, {}
    for name in fields:
        whole = labels == LABELS[name]
        if not whole.any():
            raise AnatomyNotFound(
                f"No blood was found for the {name.replace('_', ' ')}: check its landmark and its neighbours'."
            )
        box = _box_of(whole, 1)
        part = labels[box]
        mask = _largest(whole[box])
        part[whole[box] & ~mask] = 0
        if name in ATRIA:
            mask = mask | (binary_fill_holes(mask) & (part == 0))
            part[mask] = LABELS[name]
        values = hu[box][mask]
        volume_ml[name] = float(mask.sum()) * voxel_ml
        mean_hu[name], sd_hu[name] = float(values.mean(dtype=np.float64)), float(values.std(dtype=np.float64))
        start = crop.lps_from_index.copy()
        start[:3, 3] = apply_affine(start, [box[2].start, box[1].start, box[0].start])
        distance[name] = _distance_field(mask, start, fossa_lps)
    return Chambers(
        labels, crop.lps_from_index, distance, volume_ml, mean_hu, sd_hu, not_assessed, tuple(notes)
    )


def _box_of(mask: Mask, margin: int) -> tuple[slice, slice, slice]:
    """Slices [k, j, i] of the box around a mask that holds something, and a margin."""
    spans = [np.flatnonzero(mask.any(axis=axes)) for axes in ((1, 2), (0, 2), (0, 1))]
    k, j, i = (slice(max(int(a[0]) - margin, 0), int(a[-1]) + 1 + margin) for a in spans)
    return k, j, i


def _corners_lps(box: tuple[slice, slice, slice], lps_from_index: Array) -> Array:
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
    corners = _corners_lps(_box_of(mask, 0), lps_from_index)
    lo = np.maximum(np.minimum(corners.min(axis=0), around_lps) - 12.0, around_lps - 75.0)
    hi = np.minimum(np.maximum(corners.max(axis=0), around_lps) + 12.0, around_lps + 75.0)
    affine = np.diag([step, step, step, 1.0])
    affine[:3, 3] = lo
    size = tuple(int(n) + 1 for n in np.ceil((hi - lo) / step))
    part = resample_to_grid(Volume(np.asarray(mask, dtype=np.float32), lps_from_index), affine, size, fill_hu=0.0)
    return DistanceField(gaussian_filter(_signed_distance(part > 0.5, step), 0.6), affine)


__all__ = ["LABELS", "Chambers", "heart_grid", "segment_chambers"]
