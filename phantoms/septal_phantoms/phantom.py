"""A phantom: the CT it would give, the points an observer would mark, and the truth."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from septal_phantoms.bodies import Array, Vector, along, smooth_min, smooth_step
from septal_phantoms.catalogue import NAMES, build_heart, shape_of
from septal_phantoms.heart import Heart
from septal_phantoms.scanner import add_noise, blur, paint
from septal_phantoms.thorax import SPINE_Y, paint_thorax
from septal_phantoms.truth import Truth

FOSSA_LPS = np.array(
    [-12.3, -152.7, 641.9]
)  # off every grid, so that nothing falls on voxel centers by design
MIDLINE_MM = 12.3  # of the chest, left of the fossa
NOISE_SD_HU = 18.0
SLAB = 40
BLOCK = 48
HALO = 4

HU = {
    "left_atrium": 380.0,
    "left_vessels": 400.0,
    "left_ventricle": 360.0,
    "aorta": 370.0,
    "right_atrium": 230.0,
    "right_ventricle": 240.0,
    "pulmonary_trunk": 260.0,
    "coronary_sinus": 150.0,
    "superior_vena_cava": 300.0,
    "inferior_vena_cava": 120.0,
}
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
HU_MYOCARDIUM, HU_LEAFLET, HU_EPICARDIAL_FAT = 105.0, 112.0, -95.0


@dataclass(frozen=True)
class Phantom:
    """`hu` int16 [k, j, i]; `lps_from_index` 4x4 (i, j, k, 1); `landmarks` name -> (n, 3) LPS mm."""

    name: str
    hu: NDArray[np.int16]
    lps_from_index: NDArray[np.float64]
    landmarks: Mapping[str, NDArray[np.float64]]
    truth: Truth
    phase_percent: float
    seed: int
    landmark_noise_mm: float


def make(
    name: str,
    *,
    spacing_mm: float | tuple[float, float, float] | None = None,
    size: tuple[int, int, int] | None = None,
    quick: bool = False,
    seed: int = 0,
    landmark_noise_mm: float = 0.0,
    phase_percent: float | None = None,
    progress: Callable[[float], None] | None = None,
) -> Phantom:
    """Build the phantom `name` (one of `NAMES`).

    `spacing_mm`: voxel steps (x, y, z); 0.6 unless told, 1.0 when `quick`. `size`: voxels (ni, nj, nk);
    unless told the heart and the near thorax, or the heart alone when `quick`. `seed` fixes every bit of
    noise. `landmark_noise_mm`: standard deviation per coordinate of Gaussian observer noise on all points.
    `phase_percent`: of the RR interval (70 unless told). `progress` is called with the share done. Raises
    ValueError for an unknown name or phase, or a grid that is no grid."""
    shape, phase = shape_of(name, phase_percent)
    step = spacing_mm if spacing_mm is not None else (1.0 if quick else 0.6)
    spacing = (
        (float(step),) * 3
        if isinstance(step, int | float)
        else (float(step[0]), float(step[1]), float(step[2]))
    )
    if min(spacing) <= 0:
        raise ValueError(f"Voxel steps must be above zero, not {spacing}.")
    if size is None:
        extent = (142.0, 140.0, 128.0) if quick else (164.0, 166.0, 136.0)
        size = (round(extent[0] / spacing[0]), round(extent[1] / spacing[1]), round(extent[2] / spacing[2]))
    if min(size) < 8:
        raise ValueError(f"A phantom needs at least 8 voxels along each axis, not {size}.")
    heart = build_heart(shape, FOSSA_LPS)
    middle = FOSSA_LPS + ((24.0, -18.0, 0.0) if quick else (24.0, -6.0, 1.0))
    lps_from_index = np.diag([*spacing, 1.0])
    lps_from_index[:3, 3] = np.round(middle - (np.array(size) - 1) / 2 * spacing, 1)
    hu = render(heart, lps_from_index, size, seed, progress)
    truth = Truth(heart)
    low, high = lps_from_index[:3, 3], lps_from_index[:3, 3] + (np.array(size) - 1) * spacing
    marked = {
        what: points
        for what, points in landmarks_of(heart, truth, seed, landmark_noise_mm).items()
        if np.all((points >= low) & (points <= high))
    }  # a small CT does not show them all
    return Phantom(name, hu, lps_from_index, marked, truth, phase, seed, landmark_noise_mm)


def render(
    heart: Heart,
    lps_from_index: Array,
    size: tuple[int, int, int],
    seed: int,
    progress: Callable[[float], None] | None = None,
) -> NDArray[np.int16]:
    """The CT of `heart` in its chest, int16 [k, j, i], slab by slab."""
    spacing = tuple(float(lps_from_index[n, n]) for n in range(3))
    voxel = float(np.cbrt(np.prod(spacing)))
    x, y, z = (
        np.asarray(
            lps_from_index[n, 3]
            + spacing[n] * np.arange(-HALO if n == 2 else 0, size[n] + (HALO if n == 2 else 0)),
            np.float32,
        )
        for n in range(3)
    )
    out = np.empty(size[::-1], np.int16)
    for k0 in range(0, size[2], SLAB):
        k1 = min(k0 + SLAB, size[2])
        slab = np.empty((k1 - k0 + 2 * HALO, size[1], size[0]), np.float32)
        for j in range(0, size[1], BLOCK):  # blocks small enough to stay in the processor's cache
            for i in range(0, size[0], BLOCK):
                slab[:, j : j + BLOCK, i : i + BLOCK] = _render_block(
                    heart,
                    x[None, None, i : i + BLOCK],
                    y[None, j : j + BLOCK, None],
                    z[k0 : k1 + 2 * HALO, None, None],
                    voxel,
                )
        blur(slab, (spacing[0], spacing[1], spacing[2]))
        part = slab[HALO : HALO + k1 - k0]
        add_noise(part, (spacing[0], spacing[1], spacing[2]), seed, k0, NOISE_SD_HU)
        out[k0:k1] = np.clip(np.rint(part), -1024, 3071).astype(np.int16)
        if progress is not None:
            progress(k1 / size[2])
    return out


def _near_heart(heart: Heart, x: Array, y: Array, z: Array) -> bool:
    """Whether any part of the heart or its vessels may reach a block: its fields at most every 4 mm, against
    a wide margin."""
    coarse = [
        np.linspace(float(c.min()), float(c.max()), 2 + int(np.ptp(c) / 4.0), dtype=np.float32)
        for c in (x, y, z)
    ]
    f = heart.fields(coarse[0][None, None, :], coarse[1][None, :, None], coarse[2][:, None, None])
    names = [*HU_PARTS, "right_ventricle", "lv_muscle"]
    return bool(min(float(f[name].min()) for name in names) < 12.0)


def _render_block(heart: Heart, x: Array, y: Array, z: Array, voxel: float) -> Array:
    """Noise-free, sharp HU of one block, float32."""
    origin = heart.septum.center + np.array([MIDLINE_MM, 0.0, 0.0])
    hu = paint_thorax(x, y, z, origin, voxel)
    if not _near_heart(heart, x, y, z):
        return hu
    f = heart.fields(x, y, z)
    walls = f[HU_PARTS[0]]
    for name in HU_PARTS[1:]:
        walls = np.minimum(walls, f[name])
    hull = smooth_min(smooth_min(np.minimum(walls, f["lv_muscle"]), f["right_ventricle"], 10.0), walls, 6.0)
    paint(hu, hull - 5.5, HU_EPICARDIAL_FAT, voxel)
    paint(hu, f["coronary_sinus"] - 0.8, HU_MYOCARDIUM, voxel)
    thick = np.minimum(walls - 1.8, np.minimum(f["right_ventricle"] - 3.0, f["lv_muscle"]))
    paint(
        hu, np.minimum(thick, np.minimum(f["mitral_leaflets"], f["tricuspid_leaflets"])), HU_MYOCARDIUM, voxel
    )
    flow = 12.0 * np.sin(x * 0.13 + 0.7) * np.sin(y * 0.11) * np.sin(z * 0.09 + 0.4)
    to_ivc = heart.cavae["inferior_vena_cava"]
    to_svc = heart.cavae["superior_vena_cava"]

    def near(pipe_mouth: Vector, out: Vector, field: Array, before: float, after: float) -> Array:
        """0 in the atrium to 1 in the cava, soft along its axis and across."""
        w = along(x, y, z, pipe_mouth, out)
        return smooth_step((w + before) / (before + after)) * smooth_step(1.0 - field / 8.0)

    right = HU["right_atrium"] + flow
    right = right + (HU["inferior_vena_cava"] - right) * near(
        to_ivc.mouth, to_ivc.out, f["inferior_vena_cava"], 8.0, 14.0
    )
    right = right + (HU["superior_vena_cava"] - right) * near(
        to_svc.mouth, to_svc.out, f["superior_vena_cava"], 8.0, 14.0
    )
    paint(hu, f["left_seams"], HU["left_ventricle"], voxel)
    paint(hu, f["right_seam"], HU["right_ventricle"], voxel)
    for name in ("coronary_sinus", "pulmonary_trunk", "right_ventricle"):
        paint(hu, f[name], HU[name], voxel)
    paint(hu, f["right_whole"], right, voxel)
    paint(hu, f["left_whole"], HU["left_atrium"], voxel)
    for name in ("left_ventricle", "aorta", "left_vessels"):
        paint(hu, f[name], HU[name], voxel)
    paint(hu, np.maximum(f["mitral_leaflets"], np.minimum(f["left_ventricle"], 0.0)), HU_LEAFLET, voxel)
    paint(hu, f["tricuspid_leaflets"], HU_LEAFLET, voxel)
    paint(hu, f["aortic_leaflets"], HU_LEAFLET + 40.0, voxel)
    return hu


def landmarks_of(heart: Heart, truth: Truth, seed: int, noise_mm: float) -> dict[str, NDArray[np.float64]]:
    """The points an observer would mark; exact, or with Gaussian noise of `noise_mm` per coordinate on all
    of them."""
    n, m = heart.septum.normal, heart.mitral
    ivc, svc, laa = (
        heart.cavae["inferior_vena_cava"],
        heart.cavae["superior_vena_cava"],
        heart.veins["left_atrial_appendage"],
    )
    lower = ivc.path[1] + 0.75 * (ivc.path[2] - ivc.path[1])
    coaptation = m.origin - m.axes[2] * (heart.mitral_tent + 0.3) + 0.1 * m.b * m.axes[1]
    points = {
        "left_atrium": heart.la_body.center,
        "right_atrium": heart.ra_body.center - 4.0 * n,
        "left_ventricle": heart.lv_body.center,
        "right_ventricle": heart.tricuspid.origin - 18.0 * heart.tricuspid.axes[2],
        "aorta": heart.root_base + 16.0 * heart.root_axis,
        "fossa": truth.fossa.center,
        "mitral_annulus": truth.mitral.points(16),
        "tricuspid_annulus": truth.tricuspid.points(12),
        "inferior_vena_cava": np.stack([ivc.mouth, lower]),
        "superior_vena_cava": svc.path[1] + 0.4 * (svc.path[2] - svc.path[1]),
        "left_atrial_appendage": laa.path[1],
        "coronary_sinus": heart.coronary_sinus.path[-2],
        "leaflet_coaptation": coaptation,
        "spine": heart.septum.center + np.array([MIDLINE_MM, SPINE_Y, 0.0]),
    }
    rng = np.random.Generator(np.random.Philox(key=[seed & (2**64 - 1), 2**40]))
    out = {}
    for name, p in points.items():
        exact = np.atleast_2d(np.asarray(p, float))
        out[name] = exact + noise_mm * rng.standard_normal(exact.shape)
    return out


__all__ = ["NAMES", "Phantom", "make"]
