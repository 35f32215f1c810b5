"""The thin part of the septal wall: where its thickness has risen half-way from floor to limbus, and its size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, gaussian_filter1d, median_filter
from skimage.draw import polygon2mask

from septal_planner.geometry.frames import unit_vector
from septal_planner.geometry.shapes import HeightPatch

Array = NDArray[np.float64]
FIRST_RISE_MM = 1.0  # above the floor: more than the noise of one profile, less than any limbus
LEAST_RISE_MM = 2.5  # of a limbus above its membrane; common practice, no source
RIM_REACH_MM = 16.0
LEAST_OVER_MM = 1.2  # the least thickness is that of a spot this broad (one SD), not of one noisy profile
# A membrane's radius: half of 17.2 + 2 x 4.1 mm, the longer diameter and two SD in 97 autopsy hearts
# (doi 10.1002/ccd.31304); a thin wall that runs on farther is the fold between the atria's free walls, not the fossa.
LARGEST_RADIUS_MM = 12.7
# and half of the 17.2 mm alone, the mean longer diameter: where the rim is not seen it is bridged so far out
USUAL_RADIUS_MM = 8.6
# half of 4.1 mm, the spread of that diameter, and as much again for where its middle is
BRIDGED_RIM_SD_MM = 2.9
ANGLES = 72
RIM_SEEN_SHARE = 0.7  # below this the rim is bridged over too much to say which way the membrane faces
RUNS_ON_SHARE = 0.6  # is all that counts as seen then: at least two in five of the rim are taken as bridged
BEYOND_MM = 2.5  # after a lasting rise nothing farther than this can still be membrane
OWN_SHARE = 0.5  # of the breadth of the rise that is seen, at the least, is the wall's own


@dataclass(frozen=True)
class Membrane:
    """`outline_uv` (n, 2) on the patch and whether the rim was seen there (n,); sizes in space."""

    outline_uv: Array
    seen: NDArray[np.bool_]
    inside: NDArray[np.bool_]                     # [v, u]
    thickness_mm: Array                           # [v, u]
    center_lps: Array
    normal_lps: Array
    area_mm2: float
    superior_inferior_mm: float
    anterior_posterior_mm: float
    thickness_mean_mm: float
    thickness_min_mm: float
    rim_mm: float                                 # length of the rim
    limbus_mm: float                              # taken off the mean: what blur carries in from the limbus
    runs_on: bool = False                         # the wall runs on thin: the fossa is put where it has room

    @property
    def seen_share(self) -> float:
        """Of the rim, that was seen; where the wall runs on thin, a rise seen need not be the fossa's rim."""
        share = float(self.seen.mean())
        return min(share, RUNS_ON_SHARE) if self.runs_on else share


def find_membrane(patch: HeightPatch, thickness_mm: Array, blur_mm: float) -> Membrane | None:
    """Thin part of a wall around the origin of the patch, `thickness_mm` [v, u] along the local normal and blurred
    along the wall by `blur_mm`; None where nothing there is thinner than its surroundings."""
    step = float(patch.u_mm[1] - patch.u_mm[0])
    uu, vv = np.meshgrid(patch.u_mm, patch.v_mm)
    thickness = gaussian_filter(_without_spikes(thickness_mm), 0.15 / step)
    outline, seen, mask = _around(patch, thickness, _thinnest_near(thickness, uu, vv, step))
    runs_on = bool(seen.mean() < RIM_SEEN_SHARE)
    if runs_on:
        # the wall runs on thin: where in it a fossa has room must not hang on where in it the point was marked
        other = _around(patch, thickness, _where_a_fossa_has_room(thickness, uu, vv))
        if other[1].mean() > seen.mean() and other[2].any():
            outline, seen, mask = other
    if not (mask.any() and seen.any()):
        return None
    return _described(patch, thickness, outline, mask, seen, blur_mm, runs_on)


def _around(patch: HeightPatch, thickness: Array, seed: Array) -> tuple[Array, NDArray[np.bool_], NDArray[np.bool_]]:
    """Outline, where it was seen, and what lies inside, from rays about a center that starts at `seed` (2,)."""
    uu, vv = np.meshgrid(patch.u_mm, patch.v_mm)
    center = seed
    for _ in range(4):
        outline, seen = _rim(patch, thickness, center)
        mask = _inside(outline, uu, vv)
        if mask.any():
            # where a rim is not seen the outline is bridged: it must not walk off on its own bridge
            shift = np.array([uu[mask].mean(), vv[mask].mean()]) - seed
            farthest = 0.3 + 7.0 * float(seen.mean()) ** 8
            center = seed + shift * min(1.0, farthest / max(float(np.linalg.norm(shift)), 1e-9))
    return outline, seen, mask


def _where_a_fossa_has_room(thickness: Array, uu: Array, vv: Array) -> Array:
    """Center (2,) of a disc, as large as a larger membrane, moved from the marked point until as much thin wall lies
    on each side of it within the disc; the marked point stays in the membrane."""
    floor = np.percentile(thickness[np.hypot(uu, vv) < USUAL_RADIUS_MM], 25)
    thin = np.clip((floor + LEAST_RISE_MM - thickness) / LEAST_RISE_MM, 0.0, 1.0)
    center = np.zeros(2)
    for _ in range(30):
        weight = thin * (np.hypot(uu - center[0], vv - center[1]) < (USUAL_RADIUS_MM + LARGEST_RADIUS_MM) / 2)
        center = np.array([(weight * uu).sum(), (weight * vv).sum()]) / max(float(weight.sum()), 1e-9)
        center *= min(1.0, USUAL_RADIUS_MM / max(float(np.linalg.norm(center)), 1e-9))
    return center


def _without_spikes(values: Array) -> Array:
    """Values that stand more than 1.5 mm off all their surroundings replaced by the median there; steep rises kept."""
    middle = median_filter(values, 5)
    return np.asarray(np.where(np.abs(values - median_filter(values, 3)) > 1.5, middle, values))


def _thinnest_near(thickness: Array, uu: Array, vv: Array, step_mm: float) -> Array:
    near = np.hypot(uu, vv) < 6.0
    cost = np.where(near, gaussian_filter(thickness, 1.1 / step_mm) + 0.5 * np.hypot(uu, vv), np.inf)
    at = np.unravel_index(int(np.argmin(cost)), cost.shape)
    return np.array([uu[at], vv[at]])


def _rim(patch: HeightPatch, thickness: Array, center: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Outline (ANGLES, 2) in (u, v) where thickness rises half-way from floor to limbus; where it was seen."""
    angle = np.arange(ANGLES) * 2 * np.pi / ANGLES
    r = np.arange(0.0, RIM_REACH_MM, 0.25)
    u = center[0] + np.cos(angle)[:, None] * r
    v = center[1] + np.sin(angle)[:, None] * r
    profile = patch.sample(thickness, u, v)
    floor = float(np.median(profile[:, r <= 3.0]))
    half = _half_rise(profile, r, floor)
    above, first = _crossings(profile, half, floor)
    row = np.arange(ANGLES)
    before = np.maximum(first - 1, 0)
    rise = profile[row, first] - profile[row, before]
    radius = r[before] + 0.25 * np.clip((half[:, 0] - profile[row, before]) / np.maximum(rise, 1e-6), 0, 1)
    radius = np.where(above.any(axis=1), radius, RIM_REACH_MM)
    known = (first > 2) & (radius <= LARGEST_RADIUS_MM)
    if known.sum() < 12:
        return np.zeros((ANGLES, 2)), np.zeros(ANGLES, dtype=np.bool_)
    return _smooth_outline(center, angle, radius, known)


def _crossings(profile: Array, half: Array, floor: float) -> tuple[NDArray[np.bool_], NDArray[np.intp]]:
    """Where each ray rises past `half` (ANGLES, 1): which samples stand above, and the index of the crossing that parts
    what is thin from what is thick best. The first sample above would be noise's choice, always too near."""
    above = profile > half
    first = np.where(above.any(axis=1), np.argmax(above, axis=1), 0)
    lasting = above.copy()
    for shift in range(1, 4):
        lasting[:, :-shift] &= above[:, shift:]
    limit = np.where(lasting.any(axis=1), np.argmax(lasting, axis=1), first) + round(BEYOND_MM / 0.25)
    reach = half - floor
    thin_so_far = np.cumsum(np.clip(half - profile, -reach, reach), axis=1)
    allowed = np.arange(profile.shape[1]) < limit[:, None]
    best = np.argmax(np.where(allowed, thin_so_far, -np.inf), axis=1) + 1
    usable = above.any(axis=1) & (first > 2) & (best < profile.shape[1])
    return above, np.where(usable, np.minimum(best, profile.shape[1] - 1), first)


def _half_rise(profile: Array, r: Array, floor: float) -> Array:
    """Thickness (ANGLES, 1) half-way from the floor to the limbus in each direction. The limbus is what stands within
    4 mm beyond the first lasting rise, and no farther: beyond it the wall goes on to open into the groove."""
    noise = 1.4826 * float(np.median(np.abs(profile[:, r <= 3.0] - floor)))
    risen = profile > floor + max(FIRST_RISE_MM, 3.0 * noise)
    lasting = risen.copy()
    for shift in range(1, 5):
        lasting[:, :-shift] &= risen[:, shift:]
    at = np.argmax(lasting, axis=1)
    rises = lasting.any(axis=1) & (at > 2) & (r[at] <= LARGEST_RADIUS_MM - 1.0)
    if rises.sum() < 12:
        return np.full((len(profile), 1), floor + 0.5 * LEAST_RISE_MM)
    first = r[at][rises, None]
    crest = np.nanmedian(np.where((r > first + 1.25) & (r < first + 4.0), profile[rises], np.nan), axis=1)
    middle = float(np.median(crest))
    around = np.full(len(profile), middle)
    around[rises] = np.clip(crest, 0.6 * middle, 1.6 * middle)
    around = gaussian_filter1d(median_filter(around, 9, mode="wrap"), 2.0, mode="wrap")
    return np.asarray(floor + 0.5 * np.maximum(around - floor, LEAST_RISE_MM)[:, None])


def _smooth_outline(
    center: Array, angle: Array, radius: Array, known: NDArray[np.bool_]
) -> tuple[Array, NDArray[np.bool_]]:
    """Periodic radius of six waves at most, robust against rays that ran on over an unseen rim."""
    waves = np.arange(1, 7)
    basis = np.concatenate(
        [np.ones((ANGLES, 1)), np.cos(angle[:, None] * waves), np.sin(angle[:, None] * waves)], axis=1
    )
    stiff = np.concatenate([[0.0], waves**4 * 2e-3, waves**4 * 2e-3])
    start = float(np.median(radius[known]))
    # thin all the way to where hardly any fossa reaches: the rim, unseen, is put where it usually is, or as far out as
    # where it was seen; elsewhere as its surroundings
    radius = np.where(known, radius, np.where(radius > LARGEST_RADIUS_MM, max(start, USUAL_RADIUS_MM), start))
    smooth = np.full(ANGLES, start)
    for n in range(12):
        scale = max(1.2, 4.0 - 0.5 * n)
        beyond = radius - smooth
        weight = np.where(known, 1.0, 0.1) / (1 + (beyond / (scale * np.where(beyond > 0, 1.0, 1.5))) ** 2) ** 2
        lhs = (basis * weight[:, None]).T @ basis + np.diag(stiff + 1e-6)
        smooth = basis @ np.linalg.solve(lhs, basis.T @ (weight * radius))
    smooth = np.clip(smooth, 1.5, RIM_REACH_MM)
    seen = known & (np.abs(radius - smooth) < 1.5)
    outline = center + np.stack([np.cos(angle), np.sin(angle)], axis=1) * smooth[:, None]
    return outline, np.asarray(seen)


def _inside(outline: Array, uu: Array, vv: Array) -> NDArray[np.bool_]:
    du = uu[0, 1] - uu[0, 0]
    points = np.stack([(outline[:, 1] - vv[0, 0]) / du, (outline[:, 0] - uu[0, 0]) / du], axis=1)
    return np.asarray(polygon2mask(uu.shape, points))


def _described(
    patch: HeightPatch, thickness: Array, outline: Array, inside: NDArray[np.bool_], seen: NDArray[np.bool_],
    blur_mm: float, runs_on: bool,
) -> Membrane:
    """Numbers of the membrane within the outline."""
    # area by a 0.1 mm raster of the outline times the surface's slope
    tiny = np.arange(patch.u_mm[0], patch.u_mm[-1], 0.1)
    tu, tv = np.meshgrid(tiny, tiny)
    within = _inside(outline, tu, tv)
    normals = patch.normals_lps(tu[within], tv[within])
    stretch = 1 / np.clip(normals @ patch.axis_w_lps, 0.2, 1.0)
    middle = np.array([(tu[within] * stretch).sum(), (tv[within] * stretch).sum()]) / stretch.sum()
    local = patch.sample(thickness, tu[within], tv[within])
    step = float(patch.u_mm[1] - patch.u_mm[0])
    area = float(stretch.sum()) * 0.01
    rim = patch.points_lps(outline[:, 0], outline[:, 1])
    carried = _carried_in(patch, thickness, outline, blur_mm) / area
    return Membrane(
        outline_uv=outline,
        inside=inside,
        thickness_mm=thickness,
        seen=seen,
        center_lps=patch.points_lps(middle[0], middle[1]),
        normal_lps=_facing(patch, normals, stretch, runs_on),
        area_mm2=area,
        superior_inferior_mm=_extent(patch, outline, 1),
        anterior_posterior_mm=_extent(patch, outline, 0),
        thickness_mean_mm=float((local * stretch).sum() / stretch.sum()) - carried,
        thickness_min_mm=float(gaussian_filter(thickness, LEAST_OVER_MM / step)[inside].min()),
        rim_mm=float(np.linalg.norm(rim - np.roll(rim, -1, axis=0), axis=1).sum()),
        limbus_mm=carried,
        runs_on=runs_on,
    )


def _facing(patch: HeightPatch, normals: Array, stretch: Array, runs_on: bool) -> Array:
    """Mean normal by area; where the wall runs on thin, that of the wall around the marked point as far as a membrane
    may reach, since the outline may run up the folds beside it."""
    if runs_on:
        uu, vv = np.meshgrid(patch.u_mm, patch.v_mm)
        near = np.hypot(uu, vv) < LARGEST_RADIUS_MM
        normals = patch.normals_lps(uu[near], vv[near])
        stretch = 1 / np.clip(normals @ patch.axis_w_lps, 0.2, 1.0)
    return unit_vector((normals * stretch[:, None]).sum(axis=0))


def _carried_in(patch: HeightPatch, thickness: Array, outline: Array, blur_mm: float) -> float:
    """Volume (mm3) by which blur along the wall thickens the membrane at the foot of the limbus.

    A rise of height h, blurred as a Gaussian step of s, has slope h / (s sqrt(2 pi)) at its middle and lays h s /
    sqrt(2 pi) on each mm of rim within it; the wall's own rise is the narrower for the blur, in squares. The fit of
    thickness is not linear, so the truth lies anywhere between none of this and all: half of it is given.
    """
    middle = outline.mean(axis=0)
    away = outline - middle
    radius = np.linalg.norm(away, axis=1)
    away = away / np.maximum(radius, 1e-6)[:, None]

    def at(offset_mm: float) -> Array:
        place = outline + offset_mm * away
        return patch.sample(thickness, place[:, 0], place[:, 1])

    height = float(np.median(np.maximum.reduce([at(x) for x in (1.5, 2.5, 3.5)]))) - float(
        np.median(patch.sample(thickness, *(middle[:, None] + (outline - middle).T * 0.5)))
    )
    slope = float(np.median(at(0.5) - at(-0.5)))
    if height <= 0 or slope <= 0:
        return 0.0
    seen = height / (slope * np.sqrt(2 * np.pi))
    own = np.sqrt(max(seen**2 - blur_mm**2, (OWN_SHARE * seen) ** 2))
    length = float(np.linalg.norm(outline - np.roll(outline, -1, axis=0), axis=1).sum())
    return 0.5 * float(height * (seen - own) / np.sqrt(2 * np.pi)) * length


def _extent(patch: HeightPatch, outline: Array, axis: int) -> float:
    """Longest extent of the rim along one plane axis, in space."""
    a, b = outline[int(np.argmin(outline[:, axis]))], outline[int(np.argmax(outline[:, axis]))]
    d = patch.points_lps(b[0], b[1]) - patch.points_lps(a[0], a[1])
    across = patch.axis_v_lps if axis == 0 else patch.axis_u_lps
    return float(np.linalg.norm(d - (d @ across) * across))
