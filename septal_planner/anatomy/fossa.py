"""The thin membrane of the atrial septum: rim, mid-surface, thickness.

The boundary traced is the membrane's: where the wall's thickness has risen half-way from the floor to the limbus. It is
not the limbus crest, which lies several millimetres farther out and is what cadaver series measure.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree

from septal_planner.anatomy.atria import WALL_HU
from septal_planner.anatomy.chambers import LABELS, Chambers
from septal_planner.anatomy.membrane import BRIDGED_RIM_SD_MM, Membrane, find_membrane
from septal_planner.anatomy.septal_wall import (
    TYPICAL_MM,
    WALL_SD_HU,
    SeptalWall,
    Side,
    bright_wall_hu,
    dips,
    measure_septal_wall,
    one_sided_surface,
    septal_axes,
)
from septal_planner.errors import AnatomyNotFound
from septal_planner.geometry.frames import apply_affine, unit_vector
from septal_planner.geometry.shapes import DistanceField, HeightPatch
from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.resample import sample_lps
from septal_planner.inputs.volume import Volume

__all__ = ["Fossa", "find_fossa", "label_membrane", "septal_axes"]

Array = NDArray[np.float64]
BLUR_SHARE = 0.08     # of a membrane's thickness, for a kernel that blurs or sharpens otherwise than taken
THICKNESS_AT_SD_MM = 0.375  # where one place is known worse, 1 mm is hardly told from 2: most membranes lie between
IMPLANT_HU = 400.0    # no patch of tissue or cloth (200 to 350 HU) is so bright; common practice, no source
CORE_MM = 6.0         # around the marked point: here the membrane should be
THICKEST_MEMBRANE_MM = 5.0  # mean and more than four SD of 1.8 mm, SD 0.7 (doi 10.1016/s0002-8703(05)80191-7)
UNSEEN_MM = 4.0       # farther from one atrium's blood than from the other's: the farther one's edge is not its wall
SEEN_SHARE = 0.6      # of the membrane, that must be seen from both sides
METAL_NEAR_MM = 5.0   # metal so near the surface at the marked point lies within the wall
MUSCLE_HU = (55.0, 130.0)  # with little or much contrast in it; common practice, no source


@dataclass(frozen=True)
class Fossa:
    """The membrane (thin part, not the limbus crest). LPS, mm. None: not assessed, the reason in `not_assessed`.

    Where the rim was not seen `rim_lps` is (0, 3), `membrane` False throughout, and `center_lps` the place on the
    surface nearest the marked point. `_sd`: one standard uncertainty.
    """

    patch: HeightPatch                            # mid-surface of the wall over the fossa plane, and beyond the rim
    thickness_mm: NDArray[np.float64]             # [v, u] on the patch grid, along the local normal
    membrane: NDArray[np.bool_]                   # [v, u] inside the rim
    rim_lps: NDArray[np.float64]                  # (n, 3) closed, in order, first != last
    center_lps: NDArray[np.float64]               # on the mid-surface
    normal_lps: NDArray[np.float64]               # right atrium toward left, mean over the membrane
    area_mm2: float | None                        # on the surface
    superior_inferior_mm: float | None
    anterior_posterior_mm: float | None
    thickness_mean_mm: float | None
    thickness_min_mm: float | None
    thickness_sd_mm: float | None                 # of the mean
    surface_sd_mm: float                          # of the mid-surface's position along the normal
    notes: tuple[str, ...] = ()
    seen_from: Literal["both", "left", "right"] = "both"  # whose blood showed the wall
    not_assessed: Mapping[str, str] = field(default_factory=dict)  # rim, center, area, extents, thickness -> sentence
    thickness_at_sd_mm: float | None = None       # of the thickness at one place
    thickness_min_sd_mm: float | None = None
    area_sd_mm2: float | None = None
    extent_sd_mm: float | None = None             # of either extent
    rim_sd_mm: float | None = None                # of the place of one rim point, in the septal plane
    center_sd_mm: float | None = None             # in the septal plane, along each axis
    rim_seen: NDArray[np.bool_] | None = None     # (n,) elsewhere it is bridged; None: all seen
    normal_sd_deg: float | None = None            # about each axis of the septal plane


def find_fossa(
    volume: Volume, landmarks: Landmarks, chambers: Chambers, *, progress: Callable[[str], None] | None = None
) -> Fossa:
    """Measure the septal wall around the `fossa` point and find its connected thin part.

    Where the blood on one side cannot be told from the wall, the surface comes from the other side alone, and rim and
    thickness are not assessed. Raises AnatomyNotFound when neither side shows the wall or the point is off the septum.
    """
    if progress:
        progress("Measuring the septal wall")
    point = landmarks.points_lps["fossa"][0]
    left, right = chambers.distance["left_atrium"], chambers.distance["right_atrium"]

    to_left, to_right = float(left.at(point)), float(right.at(point))

    def between(points: Array) -> Array:
        """Falls from the right side to the left; nought half-way, or, where one side's blood is not seen up to the
        marked point, just outside the other's."""
        if to_right > to_left + UNSEEN_MM:
            return left.at(points) - TYPICAL_MM / 2
        if to_left > to_right + UNSEEN_MM:
            return TYPICAL_MM / 2 - right.at(points)
        return left.at(points) - right.at(points)

    origin, normal = _start(point, between, to_left, to_right)
    wall = measure_septal_wall(
        volume, origin, normal, between, noise_hu=_noise_hu(volume, left, point), wall_hu=_muscle_hu(volume, chambers)
    )
    uu, vv = np.meshgrid(wall.patch.u_mm, wall.patch.v_mm)
    core = np.hypot(uu, vv) < CORE_MM
    seen_left, seen_right = wall.stands_out("left"), wall.stands_out("right")
    implant = _implant(volume, chambers, wall)
    if implant is not None:
        return _thick(wall, core, point, implant)
    if not dips(volume, wall):
        raise AnatomyNotFound(
            "No wall is seen between the blood of the two atria at the fossa point, where at least a thin dark line "
            "was expected: mark the fossa point on the thin membrane itself, or use a series of thinner slices."
        )
    thin = seen_left & seen_right & (wall.thickness_mm < THICKEST_MEMBRANE_MM)
    if _share_near(thin, uu, vv) >= SEEN_SHARE:
        mid = wall.patch.points_lps(uu, vv)
        off_left, off_right = left.at(mid), right.at(mid)
        seen = seen_left & seen_right & (np.abs(off_left - 2.0) < 7.0) & (np.abs(off_right - 2.0) < 7.0)
        gap = np.maximum(off_left + off_right, 8.0)
        blur = float(np.hypot(wall.sigma_mm, wall.along_mm))
        found = find_membrane(wall.patch, np.where(seen, wall.thickness_mm, gap), blur)
        if found is None:
            return _thick(
                wall, core, point,
                "No part of the wall around the fossa point is thinner than its surroundings, as after a patch, or the "
                "point is off the fossa: there is no thin membrane to measure; check the fossa point.",
            )
        if float(np.mean((seen_left & seen_right)[found.inside])) >= SEEN_SHARE:
            return _seen_from_both(wall, found)
    return _seen_from_one(volume, wall, point, core, seen_left, seen_right, left, right)


def _noise_hu(volume: Volume, left: DistanceField, point: Array) -> float:
    """Noise of one voxel, from the left atrium's blood within 20 mm of the point: what a blur of 2.5 mm takes away."""
    index = apply_affine(np.linalg.inv(volume.lps_from_index), point)
    reach = np.ceil(20.0 / np.linalg.norm(volume.lps_from_index[:3, :3], axis=0)).astype(int)
    lo = np.maximum(np.floor(index).astype(int) - reach, 0)
    hi = np.minimum(np.ceil(index).astype(int) + reach + 1, np.array(volume.hu.shape[::-1]))
    block = volume.hu[lo[2] : hi[2], lo[1] : hi[1], lo[0] : hi[0]].astype(np.float64)
    k, j, i = np.meshgrid(*(np.arange(lo[a], hi[a]) for a in (2, 1, 0)), indexing="ij")
    inside = left.at(apply_affine(volume.lps_from_index, np.stack([i, j, k], axis=-1))) < -3.0
    if inside.sum() < 100:
        return 20.0
    spacing = np.linalg.norm(volume.lps_from_index[:3, :3], axis=0)[::-1]
    weight = gaussian_filter(inside.astype(np.float64), 2.5 / spacing)
    smooth = gaussian_filter(np.where(inside, block, 0.0), 2.5 / spacing) / np.maximum(weight, 1e-3)
    rest = (block - smooth)[inside]
    return float(1.4826 * np.median(np.abs(rest - np.median(rest))))


def _share_near(mask: NDArray[np.bool_], uu: Array, vv: Array) -> float:
    """Largest share of a spot 3 mm in radius, centred within 4 mm of the marked point, that the mask covers."""
    step = float(uu[0, 1] - uu[0, 0])
    soft = gaussian_filter(mask.astype(np.float64), 1.5 / step)
    return float(soft[np.hypot(uu, vv) < 4.0].max())


def _implant(volume: Volume, chambers: Chambers, wall: SeptalWall) -> str | None:
    """What makes the wall at the marked point no membrane: metal in it, or tissue too bright."""
    uu, vv = np.meshgrid(wall.patch.u_mm, wall.patch.v_mm)
    core = np.hypot(uu, vv) < CORE_MM
    points = wall.patch.points_lps(uu[core], vv[core])
    if len(chambers.metal_lps) and int((cKDTree(points).query(chambers.metal_lps)[0] < METAL_NEAR_MM).sum()) > 10:
        raise AnatomyNotFound(
            "There is metal within the septal wall at the fossa point, as of an occluder: neither a membrane nor the "
            "middle of the wall can be measured there; mark the fossa point on a part of the septum without metal, or "
            "judge the crossing with imaging at the table."
        )
    bright = bright_wall_hu(volume, wall)
    if bright is None:
        return None
    if bright > IMPLANT_HU:
        raise AnatomyNotFound(
            f"The wall at the fossa point is {bright:.0f} HU bright, as the mesh of an occluder is: neither a membrane "
            "nor the middle of the wall can be measured there; mark the fossa point on a part of the septum without an "
            "implant, or judge the crossing with imaging at the table."
        )
    return (
        f"The wall at the fossa point is {bright:.0f} HU bright, which no muscle is, as after a patch or with an "
        "occluder in it: there is no thin membrane to measure, unless the fossa point lies off the septum."
    )


def _muscle_hu(volume: Volume, chambers: Chambers) -> float:
    """How bright muscle is in this scan: the left ventricle's wall, 3 to 6 mm outside its blood and away from all other
    blood; 100 where it is not seen, or too varied to be muscle."""
    if "left_ventricle" not in chambers.distance:
        return WALL_HU
    field = chambers.distance["left_ventricle"]
    k, j, i = np.nonzero((field.values_mm[::2, ::2, ::2] > 3.0) & (field.values_mm[::2, ::2, ::2] < 6.0))
    if len(k) > 20000:
        k, j, i = (a[:: len(k) // 20000 + 1] for a in (k, j, i))
    points = apply_affine(field.lps_from_index, 2.0 * np.stack([i, j, k], axis=-1))
    points = points[~chambers.beyond_ct(points, 2.0)]
    for name, other in chambers.distance.items():
        if name != "left_ventricle":
            points = points[other.at(points) > 4.0]
    if len(points) < 300:
        return WALL_HU
    hu = sample_lps(volume, points)
    tissue = hu[(hu > MUSCLE_HU[0] - 30) & (hu < MUSCLE_HU[1] + 30)]
    if len(tissue) < max(300, 0.3 * len(hu)):
        return WALL_HU
    level = float(np.median(tissue))
    for _ in range(5):  # the middle of the peak, whatever fat and blood lie beside it
        level = float(np.median(tissue[np.abs(tissue - level) < 35.0]))
    return float(np.clip(level, *MUSCLE_HU))


def _thick(wall: SeptalWall, core: NDArray[np.bool_], point: Array, why: str) -> Fossa:
    """Mid-surface half-way between both sides of a wall that has no thin part."""
    spread = float(np.median(wall.thickness_mm[core])) / 8
    sd = float(np.sqrt(0.3**2 + spread**2))
    return _without_rim(wall.patch, point, "both", sd, why, wall)


def _without_rim(
    patch: HeightPatch, point: Array, seen_from: Literal["both", "left", "right"], surface_sd_mm: float, why: str,
    wall: SeptalWall,
) -> Fossa:
    """A septal surface on which no membrane is told."""
    center, _ = patch.nearest(point)
    u, v, _ = patch.uvw(center)
    uu, vv = np.meshgrid(patch.u_mm, patch.v_mm)
    weight = np.exp(-0.5 * ((uu - u) ** 2 + (vv - v) ** 2) / 3.0**2)
    normal = unit_vector((patch.normals_lps(uu, vv) * weight[..., None]).sum(axis=(0, 1)))
    return Fossa(
        patch=patch, thickness_mm=np.full(uu.shape, np.nan), membrane=np.zeros(uu.shape, dtype=np.bool_),
        rim_lps=np.empty((0, 3)), center_lps=center, normal_lps=normal, area_mm2=None, superior_inferior_mm=None,
        anterior_posterior_mm=None, thickness_mean_mm=None, thickness_min_mm=None, thickness_sd_mm=None,
        surface_sd_mm=surface_sd_mm, seen_from=seen_from,
        not_assessed=dict.fromkeys(("rim", "center", "area", "extents", "thickness"), why),
        normal_sd_deg=4.0,
    )


def _seen_from_one(
    volume: Volume, wall: SeptalWall, point: Array, core: NDArray[np.bool_], seen_left: NDArray[np.bool_],
    seen_right: NDArray[np.bool_], left: DistanceField, right: DistanceField,
) -> Fossa:
    """The surface from the better side's edge, and why no more can be said."""
    shares = {"left": float(seen_left[core].mean()), "right": float(seen_right[core].mean())}
    level = {"left": float(np.median(wall.left_hu[core])), "right": float(np.median(wall.right_hu[core]))}
    side: Side = "left" if (shares["left"], level["left"]) >= (shares["right"], level["right"]) else "right"
    if shares[side] < SEEN_SHARE:
        raise AnatomyNotFound(
            f"The blood on either side of the septum is hardly brighter than the wall around the fossa point (left "
            f"{level['left']:.0f} and right {level['right']:.0f} HU, wall {wall.wall_hu:.0f}, noise "
            f"{wall.noise_hu:.0f}), so the septum cannot be seen in this scan: use a phase in which the left atrium "
            "is opacified."
        )
    dark = "right" if side == "left" else "left"
    field_of = {"left": left, "right": right}
    patch, sd = one_sided_surface(volume, wall, side, field_of[side].at)
    why = (
        f"The blood on the {dark} side of the septum cannot be told from the wall around the fossa point, so only the "
        f"wall's {side} surface is seen and its mid-surface is put half a typical membrane behind it; a phase with "
        f"contrast in the {dark} atrium would show the membrane, and whether the fossa point lies on it must be seen "
        "by echo."
    )
    return _without_rim(patch, point, side, sd, why, wall)


def _seen_from_both(wall: SeptalWall, found: Membrane) -> Fossa:
    """The membrane with its numbers and their doubt."""
    patch = wall.patch
    notes: list[str] = []
    if found.runs_on:
        notes.append(
            "The wall runs on thin beyond the fossa, so that its rim is not seen all around: the membrane is put where "
            "one of usual size has room, and its area and extents are estimates."
        )
    doubt = membrane_doubt(wall, found)
    thickness: dict[str, Any] = {
        "thickness_mean_mm": found.thickness_mean_mm, "thickness_min_mm": found.thickness_min_mm,
    }
    if doubt["thickness_at_sd_mm"] > THICKNESS_AT_SD_MM:
        thickness = dict.fromkeys(thickness)
        thickness["not_assessed"] = {
            "thickness": "The membrane's thickness at any one place is known only to within "
            f"{2 * doubt['thickness_at_sd_mm']:.1f} mm in this scan, which does not tell a thin membrane from a thick "
            "one: use a series of thinner slices or a softer kernel."
        }
        doubt |= dict.fromkeys(("thickness_sd_mm", "thickness_at_sd_mm", "thickness_min_sd_mm"))
    return Fossa(
        patch=patch, thickness_mm=found.thickness_mm, membrane=found.inside,
        rim_lps=patch.points_lps(found.outline_uv[:, 0], found.outline_uv[:, 1]),
        rim_seen=found.seen, center_lps=found.center_lps, normal_lps=found.normal_lps, area_mm2=found.area_mm2,
        superior_inferior_mm=found.superior_inferior_mm, anterior_posterior_mm=found.anterior_posterior_mm,
        notes=tuple(notes), **thickness, **doubt,
    )


def membrane_doubt(wall: SeptalWall, found: Membrane) -> dict[str, Any]:
    """Standard uncertainties of a membrane's numbers, as Fossa names them.

    From the image: noise carried through each profile's fit, blur and voxel at the rim, the doubt of the wall's own
    brightness (it scales a thin wall's thickness), and what blur carries in from the limbus. The factors on them were
    set on seeded trials of invented hearts and checked on others.
    """
    inside = found.inside
    contrast = max(float(np.median((np.minimum(wall.left_hu, wall.right_hu) - wall.wall_hu)[inside])), 30.0)
    residual = float(np.median(wall.residual_hu[inside]))
    blur = float(np.hypot(wall.sigma_mm, wall.along_mm))
    edge_sd = 0.15 + 0.8 * residual / contrast
    scale = found.thickness_mean_mm * float(np.hypot(WALL_SD_HU / contrast, BLUR_SHARE))
    at_sd = float(np.median(wall.thickness_sd_mm[inside]))
    spots = max(1.0, found.area_mm2 / (4 * np.pi * max(blur, 0.5) ** 2))  # that err independently
    carried = found.limbus_mm / float(np.sqrt(3.0))  # anywhere from none to twice the half taken off
    rim_sd = float(np.sqrt(0.12**2 + (0.3 * blur) ** 2 + (residual / contrast) ** 2))
    bridged = BRIDGED_RIM_SD_MM * (1.0 - found.seen_share)
    return {
        "surface_sd_mm": edge_sd,
        "thickness_sd_mm": 0.8 * float(np.sqrt(0.08**2 + scale**2 + carried**2 + at_sd**2 / spots)),
        "thickness_at_sd_mm": 0.75 * float(np.sqrt(0.1**2 + scale**2 + (0.8 * at_sd) ** 2)),
        "thickness_min_sd_mm": 0.65 * float(np.sqrt(0.1**2 + scale**2 + (0.5 * at_sd) ** 2)),
        "area_sd_mm2": found.rim_mm * float(np.hypot(0.5 * rim_sd, bridged)),
        "extent_sd_mm": float(np.hypot(rim_sd, 2.0 * bridged)),
        "rim_sd_mm": rim_sd,
        "center_sd_mm": float(np.hypot(0.7 * rim_sd, bridged)),
        "normal_sd_deg": float(np.degrees(np.hypot(edge_sd * 0.04, 0.5 * bridged / 8.0))),
    }


def _start(point: Array, between: Callable[[Array], Array], left_mm: float, right_mm: float) -> tuple[Array, Array]:
    """Point half-way between the atria nearest the marked one, and the direction from right to left there."""
    if max(left_mm, right_mm) > 15.0:
        raise AnatomyNotFound(
            f"The fossa point should lie between the atria, but {_lies(left_mm)} the left and "
            f"{_lies(right_mm)} the right atrium's blood: mark it on the thin membrane."
        )
    rng = np.arange(-6.0, 6.1, 2.0)
    cloud = point + np.stack(np.meshgrid(rng, rng, rng), axis=-1).reshape(-1, 3)
    cloud = cloud[np.linalg.norm(cloud - point, axis=1) <= 6.5]
    step = 1.0
    gradient = np.stack(
        [between(cloud + step * e) - between(cloud - step * e) for e in np.eye(3)], axis=1
    ).mean(axis=0)
    if np.linalg.norm(gradient) < 0.3:
        raise AnatomyNotFound(
            "No wall between the atria was found at the fossa point: "
            "check the left_atrium, right_atrium and fossa points."
        )
    normal = -unit_vector(gradient)
    steps = np.arange(-15.0, 15.01, 0.25)
    values = between(point + steps[:, None] * normal)
    crossing = np.flatnonzero((values[:-1] >= 0) & (values[1:] < 0))
    if not crossing.size:
        raise AnatomyNotFound(
            "The line across the septum at the fossa point does not run from the right atrium to the left: "
            "check the left_atrium, right_atrium and fossa points."
        )
    return point + steps[crossing[np.argmin(np.abs(steps[crossing]))]] * normal, normal


def _lies(distance_mm: float) -> str:
    return f"lies {distance_mm:.0f} mm from" if distance_mm > 0 else f"lies {-distance_mm:.0f} mm within"


def label_membrane(chambers: Chambers, fossa: Fossa) -> NDArray[np.uint8]:
    """Chambers' labels [k, j, i] with the voxels of the membrane's wall marked as well."""
    labels = chambers.labels.copy()
    if not len(fossa.rim_lps):
        return labels
    corners = fossa.rim_lps[:, None, :] + np.array([-3.0, 3.0])[:, None] * fossa.normal_lps
    inverse = np.linalg.inv(chambers.lps_from_index)
    index = apply_affine(inverse, corners.reshape(-1, 3))
    lo = np.clip(np.floor(index.min(axis=0)).astype(int) - 1, 0, None)
    hi = np.minimum(np.ceil(index.max(axis=0)).astype(int) + 2, np.array(labels.shape[::-1]))
    k, j, i = np.meshgrid(*(np.arange(lo[a], hi[a]) for a in (2, 1, 0)), indexing="ij")
    uvw = fossa.patch.uvw(apply_affine(chambers.lps_from_index, np.stack([i, j, k], axis=-1)))
    u, v, w = uvw[..., 0], uvw[..., 1], uvw[..., 2]
    inside = fossa.patch.sample(fossa.membrane.astype(np.float64), u, v) > 0.5
    rim = fossa.patch.uvw(fossa.rim_lps)
    thickest = float(np.median(fossa.patch.sample(fossa.thickness_mm, rim[:, 0], rim[:, 1])))  # limbus is no membrane
    half = np.clip(fossa.patch.sample(np.nan_to_num(fossa.thickness_mm), u, v), 0.7, max(thickest, 0.7)) / 2
    cosine = fossa.patch.normals_lps(u, v) @ fossa.patch.axis_w_lps
    wall = inside & (np.abs(w - fossa.patch.sample(fossa.patch.height_mm, u, v)) * cosine <= half)
    block = labels[lo[2] : hi[2], lo[1] : hi[1], lo[0] : hi[0]]
    block[wall] = LABELS["fossa_membrane"]
    return labels
