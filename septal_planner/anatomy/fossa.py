"""The thin membrane of the atrial septum: rim, mid-surface, thickness.

The boundary traced is the membrane's: where the wall's thickness has risen half-way from the floor to the limbus. It is
not the limbus crest, which lies several millimetres farther out and is what cadaver series measure.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, median_filter
from skimage.draw import polygon2mask

from septal_planner.anatomy.atria import WALL_HU
from septal_planner.anatomy.chambers import LABELS, Chambers
from septal_planner.anatomy.wall import WallFit, blur_mm, fit_walls
from septal_planner.errors import AnatomyNotFound
from septal_planner.geometry.frames import apply_affine, unit_vector
from septal_planner.geometry.shapes import HeightPatch
from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.resample import sample_lps
from septal_planner.inputs.volume import Volume

Array = NDArray[np.float64]
# half width and step of the square of profiles: a first look for the wall's direction, then the measurement
FIRST_LOOK_MM = (15.0, 1.0)
MEASUREMENT_MM = (17.0, 0.5)
RIM_REACH_MM = 16.0
LEAST_OVER_MM = 0.8  # the least thickness is that of a spot this broad (one SD), not of one noisy profile
# A membrane's radius: half of 17.2 + 2 x 4.1 mm, the longer diameter and two SD in 97 autopsy hearts
# (doi 10.1002/ccd.31304); a thin wall that runs on farther is the fold between the atria's free walls, not the fossa.
LARGEST_RADIUS_MM = 12.7
W_MM = np.arange(-13.0, 13.01, 0.25)
ANGLES = 72


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
    not_assessed: Mapping[str, str] = field(default_factory=dict)  # rim, area, extents, thickness -> one sentence
    thickness_at_sd_mm: float | None = None       # of the thickness at one place
    thickness_min_sd_mm: float | None = None
    area_sd_mm2: float | None = None
    extent_sd_mm: float | None = None             # of either extent
    rim_sd_mm: float | None = None                # of the place of one rim point, in the septal plane
    center_sd_mm: float | None = None             # in the septal plane, along each axis
    normal_sd_deg: float | None = None            # about each axis of the septal plane


def septal_axes(normal_lps: Array) -> tuple[Array, Array, Array]:
    """Axes of the septal plane as unit vectors: toward anterior, toward superior, right atrium toward left.

    Superior is the head direction as far as it lies in the plane; anterior is across it, on the patient's front side.
    """
    normal = unit_vector(normal_lps)
    head = np.array([0.0, 0.0, 1.0])
    superior = unit_vector(head - (head @ normal) * normal)
    anterior = np.cross(superior, normal)
    if anterior[1] > 0:
        anterior = -anterior
    return anterior, superior, normal


def find_fossa(
    volume: Volume, landmarks: Landmarks, chambers: Chambers, *, progress: Callable[[str], None] | None = None
) -> Fossa:
    """Measure the septal wall around the `fossa` point and find its connected thin part.

    Raises AnatomyNotFound when the two sides cannot be told apart or no thin part surrounds the point.
    """
    if progress:
        progress("Measuring the septal wall")
    point = landmarks.points_lps["fossa"][0]
    left, right = chambers.distance["left_atrium"], chambers.distance["right_atrium"]

    def between(points: Array) -> Array:
        return left.at(points) - right.at(points)  # falls from the right side to the left, nought half-way

    origin, normal = _start(point, between, float(left.at(point)), float(right.at(point)))
    _, patch = _measure(volume, origin, normal, between, *FIRST_LOOK_MM)
    # once more, square to the wall now known: profiles that cross it obliquely see it too thick
    near = np.hypot(*np.meshgrid(patch.u_mm, patch.v_mm)) < 8.0
    uu, vv = np.meshgrid(patch.u_mm, patch.v_mm)
    normal = unit_vector(patch.normals_lps(uu[near], vv[near]).mean(axis=0))
    origin = patch.points_lps(0.0, 0.0)
    fit, patch = _measure(volume, origin, normal, between, *MEASUREMENT_MM)

    contrast = np.minimum(fit.near_hu, fit.far_hu) - WALL_HU
    uu, vv = np.meshgrid(patch.u_mm, patch.v_mm)
    core = np.hypot(uu, vv) < 6.0
    if float(np.median(contrast.reshape(uu.shape)[core])) < 40:
        raise AnatomyNotFound(
            "The blood on one side of the septum is no brighter than the wall itself around the fossa point, so the "
            "membrane cannot be seen in this scan: use a phase in which both atria are opacified."
        )
    mid = patch.points_lps(uu, vv)
    to_left, to_right = left.at(mid), right.at(mid)
    seen = (contrast.reshape(uu.shape) > 40) & (to_left < 9) & (to_right < 9)
    gap = np.maximum(to_left + to_right, 8.0)
    return _membrane(fit, patch, uu, vv, np.where(seen, fit.thickness_mm.reshape(uu.shape), gap))


def _start(point: Array, between: Callable[[Array], Array], left_mm: float, right_mm: float) -> tuple[Array, Array]:
    """Point half-way between the atria nearest the marked one, and the direction from right to left there."""
    if max(left_mm, right_mm) > 15.0:
        raise AnatomyNotFound(
            f"The fossa point should lie between the atria, but is {left_mm:.0f} mm from the left and "
            f"{right_mm:.0f} mm from the right atrium's blood: mark it on the thin membrane."
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


def _measure(
    volume: Volume, origin: Array, normal: Array, between: Callable[[Array], Array], half_width_mm: float,
    step_mm: float,
) -> tuple[WallFit, HeightPatch]:
    """Wall fit of profiles along `normal` over a square grid, and the mid-surface through their centres."""
    anterior, superior, normal = septal_axes(normal)
    u = np.arange(-half_width_mm, half_width_mm + 0.01, step_mm)
    uu, vv = np.meshgrid(u, u)
    plane = origin + uu[..., None] * anterior + vv[..., None] * superior
    coarse = W_MM[::4]
    values = between(plane[..., None, :] + coarse[:, None] * normal)
    change = (values[..., :-1] >= 0) & (values[..., 1:] < 0)
    distance = np.where(change, np.abs(coarse[:-1] + 0.5), 99.0)
    start = np.where(change.any(axis=-1), coarse[np.argmin(distance, axis=-1)] + 0.5, np.nan)
    start = _bridge(start, step_mm)
    points = plane[..., None, :] + (W_MM + start[..., None])[..., None] * normal
    hu = sample_lps(volume, points)
    hu = gaussian_filter(hu, (0.2 / step_mm, 0.2 / step_mm, 0))  # along the wall only: across it, blur thickens
    flat = hu.reshape(-1, W_MM.size)
    zero = np.zeros(flat.shape[0])
    sigma = blur_mm(flat, W_MM, zero, wall_hu=WALL_HU)
    fit = fit_walls(flat, W_MM, zero, wall_hu=WALL_HU, sigma_mm=sigma)
    center = fit.center_mm.reshape(uu.shape) + start
    doubtful = (np.abs(fit.center_mm) > 6).reshape(uu.shape)
    center = np.where(doubtful, start, center)
    height = gaussian_filter(median_filter(center, 3), 0.6 / step_mm)
    return fit, HeightPatch(origin, anterior, superior, normal, u, u, height)


def _bridge(values: Array, step_mm: float) -> Array:
    """Fill nan by the smoothed surroundings."""
    known = np.isfinite(values)
    if known.sum() < 0.2 * known.size:
        raise AnatomyNotFound(
            "The wall between the atria could not be followed around the fossa point: check that point."
        )
    weight = gaussian_filter(known.astype(np.float64), 2.2 / step_mm)
    smooth = gaussian_filter(np.where(known, values, 0.0), 2.2 / step_mm) / np.maximum(weight, 1e-3)
    return np.asarray(np.where(known & (np.abs(values - smooth) < 4), values, smooth))


def _membrane(fit: WallFit, patch: HeightPatch, uu: Array, vv: Array, wall_mm: Array) -> Fossa:
    """Thin part around the origin of the patch; `wall_mm` [v, u] is the wall's thickness across the plane."""
    normals = patch.normals_lps(uu, vv)
    cosine = np.clip(normals @ patch.axis_w_lps, 0.3, 1.0)
    thickness = gaussian_filter(_without_spikes(wall_mm * cosine), 0.15 / MEASUREMENT_MM[1])
    seed = _thinnest_near(thickness, uu, vv)
    notes: list[str] = []
    center = seed
    for _ in range(4):
        outline, seen = _rim(patch, thickness, center)
        mask = _inside(outline, uu, vv)
        if mask.any():
            # where a rim is not seen the outline is bridged: it must not walk off on its own bridge
            shift = np.array([uu[mask].mean(), vv[mask].mean()]) - seed
            center = seed + shift * min(1.0, (0.3 + 7.0 * seen**4) / max(float(np.linalg.norm(shift)), 1e-9))
    if not mask.any():
        raise AnatomyNotFound(
            "No part of the wall around the fossa point is thinner than its surroundings (a patch, an occluder or a "
            "point off the fossa): check the fossa point."
        )
    if seen < 0.6:
        notes.append(
            f"The fossa's rim was seen over {100 * seen:.0f} % of its circumference only; the rest is bridged, "
            "and its area and extents are estimates."
        )
    return _describe(patch, thickness, outline, fit, uu, vv, notes)


def _without_spikes(values: Array) -> Array:
    """Values that stand more than 1.5 mm off all their surroundings replaced by the median there; steep rises kept."""
    middle = median_filter(values, 5)
    return np.asarray(np.where(np.abs(values - median_filter(values, 3)) > 1.5, middle, values))


def _thinnest_near(thickness: Array, uu: Array, vv: Array) -> Array:
    near = np.hypot(uu, vv) < 6.0
    cost = np.where(near, gaussian_filter(thickness, 1.1 / MEASUREMENT_MM[1]) + 0.5 * np.hypot(uu, vv), np.inf)
    at = np.unravel_index(int(np.argmin(cost)), cost.shape)
    return np.array([uu[at], vv[at]])


def _rim(patch: HeightPatch, thickness: Array, center: Array) -> tuple[Array, float]:
    """Outline (ANGLES, 2) in (u, v) where thickness rises half-way from floor to limbus; share of it that was seen."""
    angle = np.arange(ANGLES) * 2 * np.pi / ANGLES
    r = np.arange(0.0, RIM_REACH_MM, 0.25)
    u = center[0] + np.cos(angle)[:, None] * r
    v = center[1] + np.sin(angle)[:, None] * r
    profile = patch.sample(thickness, u, v)
    floor = float(np.median(profile[:, r <= 3.0]))
    crest = float(np.median(np.minimum(profile[:, (r > 4) & (r < 16)].max(axis=1), 16.0)))
    half = floor + 0.5 * max(crest - floor, 1.5)
    above = profile > half
    first = np.where(above.any(axis=1), np.argmax(above, axis=1), 0)
    row = np.arange(ANGLES)
    before = np.maximum(first - 1, 0)
    rise = profile[row, first] - profile[row, before]
    radius = r[before] + 0.25 * np.clip((half - profile[row, before]) / np.maximum(rise, 1e-6), 0, 1)
    radius = np.where(above.any(axis=1), radius, RIM_REACH_MM)
    known = (first > 2) & (radius <= LARGEST_RADIUS_MM)
    if known.sum() < 12:
        return np.zeros((ANGLES, 2)), 0.0
    return _smooth_outline(center, angle, radius, known)


def _smooth_outline(center: Array, angle: Array, radius: Array, known: NDArray[np.bool_]) -> tuple[Array, float]:
    """Periodic radius of six waves at most, robust against rays that ran on over an unseen rim."""
    waves = np.arange(1, 7)
    basis = np.concatenate(
        [np.ones((ANGLES, 1)), np.cos(angle[:, None] * waves), np.sin(angle[:, None] * waves)], axis=1
    )
    stiff = np.concatenate([[0.0], waves**4 * 2e-3, waves**4 * 2e-3])
    start = float(np.median(radius[known]))
    # thin all the way to where hardly any fossa reaches: the rim, unseen, is put there; elsewhere as its surroundings
    radius = np.where(known, radius, np.where(radius > LARGEST_RADIUS_MM, LARGEST_RADIUS_MM, start))
    smooth = np.full(ANGLES, start)
    for n in range(12):
        scale = max(1.2, 4.0 - 0.5 * n)
        beyond = radius - smooth
        weight = np.where(known, 1.0, 0.1) / (1 + (beyond / (scale * np.where(beyond > 0, 1.0, 1.5))) ** 2) ** 2
        lhs = (basis * weight[:, None]).T @ basis + np.diag(stiff + 1e-6)
        smooth = basis @ np.linalg.solve(lhs, basis.T @ (weight * radius))
    smooth = np.clip(smooth, 1.5, RIM_REACH_MM)
    seen = float(np.mean(known & (np.abs(radius - smooth) < 1.5)))
    outline = center + np.stack([np.cos(angle), np.sin(angle)], axis=1) * smooth[:, None]
    return outline, seen


def _inside(outline: Array, uu: Array, vv: Array) -> NDArray[np.bool_]:
    du = uu[0, 1] - uu[0, 0]
    points = np.stack([(outline[:, 1] - vv[0, 0]) / du, (outline[:, 0] - uu[0, 0]) / du], axis=1)
    return np.asarray(polygon2mask(uu.shape, points))


def _describe(
    patch: HeightPatch, thickness: Array, outline: Array, fit: WallFit, uu: Array, vv: Array, notes: list[str]
) -> Fossa:
    """Numbers of the membrane within the outline."""
    membrane = _inside(outline, uu, vv)
    # area by a 0.1 mm raster of the outline times the surface's slope
    tiny = np.arange(patch.u_mm[0], patch.u_mm[-1], 0.1)
    tu, tv = np.meshgrid(tiny, tiny)
    within = _inside(outline, tu, tv)
    normals = patch.normals_lps(tu[within], tv[within])
    stretch = 1 / np.clip(normals @ patch.axis_w_lps, 0.2, 1.0)
    area = float(stretch.sum()) * 0.01
    middle = np.array([(tu[within] * stretch).sum(), (tv[within] * stretch).sum()]) / stretch.sum()
    local = patch.sample(thickness, tu[within], tv[within])
    rim = patch.points_lps(outline[:, 0], outline[:, 1])
    residual = float(np.median(fit.residual_hu.reshape(uu.shape)[_inside(outline, uu, vv)]))
    contrast = float(np.median((np.minimum(fit.near_hu, fit.far_hu) - WALL_HU)[_inside(outline, uu, vv).ravel()]))
    edge_sd = 0.15 + 0.8 * residual / max(contrast, 30.0)
    return Fossa(
        patch=patch,
        thickness_mm=thickness,
        membrane=membrane,
        rim_lps=rim,
        center_lps=patch.points_lps(middle[0], middle[1]),
        normal_lps=unit_vector((normals * stretch[:, None]).sum(axis=0)),
        area_mm2=area,
        superior_inferior_mm=_extent(patch, outline, 1),
        anterior_posterior_mm=_extent(patch, outline, 0),
        thickness_mean_mm=float((local * stretch).sum() / stretch.sum()),
        thickness_min_mm=float(gaussian_filter(thickness, LEAST_OVER_MM / MEASUREMENT_MM[1])[membrane].min()),
        thickness_sd_mm=float(np.hypot(0.2, edge_sd / 2)),
        surface_sd_mm=edge_sd,
        notes=tuple(notes),
    )


def _extent(patch: HeightPatch, outline: Array, axis: int) -> float:
    """Longest extent of the rim along one plane axis, in space."""
    a, b = outline[int(np.argmin(outline[:, axis]))], outline[int(np.argmax(outline[:, axis]))]
    d = patch.points_lps(b[0], b[1]) - patch.points_lps(a[0], a[1])
    across = patch.axis_v_lps if axis == 0 else patch.axis_u_lps
    return float(np.linalg.norm(d - (d @ across) * across))


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
    half = np.maximum(fossa.patch.sample(np.nan_to_num(fossa.thickness_mm), u, v) / 2, 0.35)
    wall = inside & (np.abs(w - fossa.patch.sample(fossa.patch.height_mm, u, v)) <= half)
    block = labels[lo[2] : hi[2], lo[1] : hi[1], lo[0] : hi[0]]
    block[wall] = LABELS["fossa_membrane"]
    return labels
