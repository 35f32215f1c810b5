"""The CT of a heart in its chest: what lies in each voxel, then point spread, metal and noise."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from septal_phantoms.bodies import Array, Vector, along, smooth_min, smooth_step
from septal_phantoms.heart import Heart
from septal_phantoms.implants import Solid
from septal_phantoms.metal import metal_streaks, streaks_in_slice
from septal_phantoms.scanner import add_noise, blur, occupancy, paint, sharpen
from septal_phantoms.scans import Scan
from septal_phantoms.thorax import paint_thorax

MIDLINE_MM = 12.3  # of the chest, left of the fossa
SLAB = 40
BLOCK = 48
HALO = 4
HU_PARTS = (
    "left_atrium",
    "right_atrium",
    "aorta",
    "left_ventricle",
    "left_vessels",
    "right_vessels",
    "pulmonary_trunk",
    "coronary_sinus",
)


def grid(lps_from_index: Array, i: Array, j: Array, k: Array) -> tuple[Array, Array, Array]:
    """LPS coordinates of a block of voxels given by its indices along each axis, float32: three short vectors
    shaped (1,1,ni), (1,nj,1), (nk,1,1) where the volume lies along the patient's axes, else three full blocks."""
    m = lps_from_index
    i, j, k = i[None, None, :], j[None, :, None], k[:, None, None]
    if np.array_equal(m[:3, :3], np.diag(np.diag(m[:3, :3]))):
        return tuple(
            np.asarray(m[n, 3] + m[n, n] * c, np.float32) for n, c in enumerate((i, j, k))
        )  # type: ignore[return-value]
    return tuple(
        np.asarray(m[n, 3] + m[n, 0] * i + (m[n, 1] * j + m[n, 2] * k), np.float32) for n in range(3)
    )  # type: ignore[return-value]


def render(
    heart: Heart,
    scan: Scan,
    solids: tuple[Solid, ...],
    lps_from_index: Array,
    size: tuple[int, int, int],
    seed: int,
    progress: Callable[[float], None] | None = None,
) -> NDArray[np.int16]:
    """The CT of `heart` with `solids` in its chest, int16 [k, j, i], slab by slab. Thick slices are the mean of
    thinner ones."""
    step = np.linalg.norm(lps_from_index[:3, :3], axis=0)
    cuts = max(1, round(float(step[2] / max(step[0], step[1], 0.8))))  # thin slices in each
    spacing = (float(step[0]), float(step[1]), float(step[2]) / cuts)
    voxel = float(np.cbrt(np.prod(spacing)))
    tissue_like = tuple(body for body in solids if not body.is_metal)
    metal = tuple(body for body in solids if body.is_metal)
    streaks = _streaks(metal, lps_from_index, step, size, seed)
    halo = max(HALO, int(np.ceil(3.0 / spacing[2]))) if metal else HALO
    out = np.empty(size[::-1], np.int16)
    for k0 in range(0, size[2], SLAB):
        k1 = min(k0 + SLAB, size[2])
        k = (np.arange(k0 * cuts - halo, k1 * cuts + halo) + 0.5) / cuts - 0.5
        slab = np.empty((len(k), size[1], size[0]), np.float32)
        for j in range(0, size[1], BLOCK):  # blocks small enough to stay in the processor's cache
            for i in range(0, size[0], BLOCK):
                block = (np.arange(i, min(i + BLOCK, size[0])), np.arange(j, min(j + BLOCK, size[1])), k)
                slab[:, j : j + BLOCK, i : i + BLOCK] = _render_block(
                    heart, scan, tissue_like, lps_from_index, block, voxel
                )
        bloom = _take_out(slab, metal, lps_from_index, k, voxel)
        blur(slab, spacing, scan.psf_fwhm_mm)
        for extra, fwhm_mm in bloom:
            blur(extra, spacing, fwhm_mm)
            slab += extra
        part = slab[halo : halo + (k1 - k0) * cuts]
        if cuts > 1:
            part = part.reshape(k1 - k0, cuts, size[1], size[0]).mean(1)
        if scan.overshoot > 0:
            sharpen(part, (spacing[0], spacing[1]), scan.overshoot)
        if streaks is not None:
            for n in range(k0, k1):
                part[n - k0] += streaks_in_slice(streaks, n, size)
        add_noise(part, spacing, seed, k0, scan.noise_hu, scan.noise_cutoff_per_mm)
        out[k0:k1] = np.clip(np.rint(part), -1024, 3071).astype(np.int16)
        if progress is not None:
            progress(k1 / size[2])
    return out


def _reach(body: Solid, lps_from_index: Array, low: Array, high: Array) -> list[slice] | None:
    """The indices (i, j, k) between `low` and `high` (not included) that the box of `body` covers; None for none."""
    corners = np.stack(np.meshgrid(*zip(body.low_lps, body.high_lps, strict=True), indexing="ij"), -1).reshape(-1, 3)
    index = np.linalg.solve(lps_from_index[:3, :3], (corners - lps_from_index[:3, 3]).T).T
    first = np.maximum(np.floor(index.min(0)), low).astype(int)
    last = np.minimum(np.ceil(index.max(0)) + 1, high).astype(int)
    return None if (first >= last).any() else [slice(a, b) for a, b in zip(first, last, strict=True)]


def _streaks(
    metal: tuple[Solid, ...], lps_from_index: Array, step: Array, size: tuple[int, int, int], seed: int
) -> Array | None:
    """What `metal` does to the slices it lies in (see metal.py)."""
    where, amount = [np.empty((0, 3), int)], [np.empty(0)]
    for body in metal:
        reach = _reach(body, lps_from_index, np.zeros(3), np.array(size))
        if reach is None:
            continue
        x, y, z = grid(lps_from_index, *(np.arange(r.start, r.stop) for r in reach))
        share = occupancy(body.distance(x, y, z), float(np.cbrt(np.prod(step))))
        hu = np.broadcast_to(body.hu(x, y, z), share.shape)
        found = share > 0
        where.append(np.argwhere(found) + [r.start for r in reach[::-1]])
        amount.append((share * hu)[found] * np.prod(step))
    return metal_streaks(np.concatenate(where), np.concatenate(amount), step, size, seed)


def _take_out(
    slab: Array, metal: tuple[Solid, ...], lps_from_index: Array, k: Array, voxel: float
) -> list[tuple[Array, float]]:
    """Empty the voxels of `slab` (at the slice indices `k`) that metal fills, in place; gives the HU of the metal
    there, on the slab's grid, each with the width of its point spread."""
    out = []
    for body in metal:
        step_k = (k[-1] - k[0]) / (len(k) - 1)
        own = lps_from_index.copy()
        own[:3, 3] += k[0] * own[:3, 2]
        own[:3, 2] *= step_k
        reach = _reach(body, own, np.zeros(3), np.array(slab.shape[::-1]))
        if reach is None:
            continue
        x, y, z = grid(own, *(np.arange(r.start, r.stop) for r in reach))
        share = occupancy(body.distance(x, y, z), voxel)
        at = tuple(reach[::-1])
        extra = np.zeros_like(slab)
        extra[at] = share * body.hu(x, y, z)
        slab[at] *= 1.0 - share
        out.append((extra, body.blooming_mm))
    return out


def _near_heart(heart: Heart, lps_from_index: Array, block: tuple[Array, Array, Array]) -> bool:
    """Whether any part of the heart or its vessels may reach a block: its fields at most every 4 mm, against
    a wide margin."""
    step = np.linalg.norm(lps_from_index[:3, :3], axis=0)
    coarse = [
        np.linspace(float(c.min()), float(c.max()), 2 + int(np.ptp(c) * s / 4.0))
        for c, s in zip(block, step, strict=True)
    ]
    f = heart.fields(*grid(lps_from_index, *coarse))
    names = [*HU_PARTS, "right_ventricle", "lv_muscle"]
    return bool(min(float(f[name].min()) for name in names) < 12.0)


def _render_block(
    heart: Heart,
    scan: Scan,
    solids: tuple[Solid, ...],
    lps_from_index: Array,
    block: tuple[Array, Array, Array],
    voxel: float,
) -> Array:
    """Noise-free, sharp HU of one block without metal, float32."""
    value = scan.hu
    x, y, z = grid(lps_from_index, *block)
    origin = heart.septum.center + np.array([MIDLINE_MM, 0.0, 0.0])
    hu = paint_thorax(x, y, z, origin, voxel, liver_hu=value["liver"], vessel_hu=value["lung_vessels"])
    if not _near_heart(heart, lps_from_index, block):
        return hu
    f = heart.fields(x, y, z)
    walls = f[HU_PARTS[0]]
    for name in HU_PARTS[1:]:
        walls = np.minimum(walls, f[name])
    hull = smooth_min(smooth_min(np.minimum(walls, f["lv_muscle"]), f["right_ventricle"], 10.0), walls, 6.0)
    paint(hu, hull - 5.5, value["fat"], voxel)
    paint(hu, f["coronary_sinus"] - 0.8, value["muscle"], voxel)
    thick = np.minimum(walls - 1.8, np.minimum(f["right_ventricle"] - 3.0, f["lv_muscle"]))
    tissue = np.minimum(thick, np.minimum(f["mitral_leaflets"], f["tricuspid_leaflets"]))
    paint(hu, tissue, value["muscle"], voxel)
    if "septal_fat" in f:
        paint(hu, f["septal_fat"], value["fat"] + 5.0, voxel)
    paint(hu, f["left_seams"], value["left_ventricle"], voxel)
    right_ventricle = _right_ventricle_hu(heart, scan, f, x, y, z)
    paint(hu, f["right_seam"], right_ventricle, voxel)
    for name in ("coronary_sinus", "pulmonary_trunk"):
        paint(hu, f[name], value[name], voxel)
    paint(hu, f["right_ventricle"], right_ventricle, voxel)
    paint(hu, f["right_whole"], _right_atrium_hu(heart, scan, f, x, y, z), voxel)
    paint(hu, f["left_whole"], value["left_atrium"], voxel)
    for name in ("left_ventricle", "aorta", "left_vessels"):
        paint(hu, f[name], value[name], voxel)
    within = np.maximum(f["mitral_leaflets"], np.minimum(f["left_ventricle"], 0.0))
    paint(hu, within, value["leaflets"], voxel)
    paint(hu, f["tricuspid_leaflets"], value["leaflets"], voxel)
    paint(hu, f["aortic_leaflets"], value["leaflets"] + 40.0, voxel)
    for body in solids:
        if all(c.min() < hi and c.max() > lo for c, lo, hi in zip((x, y, z), body.low_lps, body.high_lps, strict=True)):
            paint(hu, body.distance(x, y, z), body.hu(x, y, z), voxel)
    return hu


def _scattered(x: Array, y: Array, z: Array, wanted: Array) -> tuple[Array, Array, Array]:
    """The coordinates where `wanted`, as three flat arrays."""
    a, b, c = (np.broadcast_to(v, wanted.shape)[wanted] for v in (x, y, z))
    return a, b, c


def _right_ventricle_hu(heart: Heart, scan: Scan, f: dict[str, Array], x: Array, y: Array, z: Array) -> Array | float:
    """HU of the right ventricle's blood."""
    if scan.right_ventricle is None:
        return scan.hu["right_ventricle"]
    hu = np.full(f["right_ventricle"].shape, scan.hu["right_ventricle"], np.float32)
    wanted = np.minimum(f["right_ventricle"], f["right_seam"]) < 3.0
    hu[wanted] = scan.right_ventricle.hu(*_scattered(x, y, z, wanted), heart.septum.center)
    return hu


def _right_atrium_hu(heart: Heart, scan: Scan, f: dict[str, Array], x: Array, y: Array, z: Array) -> Array:
    """HU of the blood from the cavae to the tricuspid valve."""
    to_ivc = heart.cavae["inferior_vena_cava"]
    to_svc = heart.cavae["superior_vena_cava"]

    def near(pipe_mouth: Vector, out: Vector, pipe: Array, before: float, after: float) -> Array:
        """0 in the atrium to 1 in the cava, soft along its axis and across."""
        w = along(x, y, z, pipe_mouth, out)
        return smooth_step((w + before) / (before + after)) * smooth_step(1.0 - pipe / 8.0)

    wanted = f["right_whole"] < 3.0
    a, b, c = _scattered(x, y, z, wanted)
    center = heart.septum.center
    if scan.right_atrium is None:
        flow = 12.0 * np.sin(x * 0.13 + 0.7) * np.sin(y * 0.11) * np.sin(z * 0.09 + 0.4)
        right = scan.hu["right_atrium"] + flow
    else:
        right = np.full(wanted.shape, scan.hu["right_atrium"], np.float32)
        right[wanted] = scan.right_atrium.hu(a, b, c, center)
    if scan.plain_blood is None:
        share = near(to_ivc.mouth, to_ivc.out, f["inferior_vena_cava"], 8.0, 14.0)
        right = right + (scan.hu["inferior_vena_cava"] - right) * share
    superior: Array | float = scan.hu["superior_vena_cava"]
    if scan.superior_cava is not None:
        superior = np.full(wanted.shape, superior, np.float32)
        superior[wanted] = scan.superior_cava.hu(a, b, c, center)
    right = right + (superior - right) * near(to_svc.mouth, to_svc.out, f["superior_vena_cava"], 8.0, 14.0)
    if scan.plain_blood is not None:
        share = np.zeros(wanted.shape, np.float32)
        share[wanted] = scan.plain_blood.share(a, b, c, heart)
        plain = np.zeros(wanted.shape, np.float32)
        plain[wanted] = scan.plain_blood.hu.hu(a, b, c, center)
        right = right + (plain - right) * share
    return np.asarray(right)
