"""A phantom: the CT it would give, the points an observer would mark, and the truth."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from septal_phantoms.assembly import build_heart
from septal_phantoms.heart import Heart
from septal_phantoms.implants import IMPLANTS
from septal_phantoms.render import MIDLINE_MM, render
from septal_phantoms.scans import NAMES, Scan, scan_of
from septal_phantoms.thorax import SPINE_Y
from septal_phantoms.truth import Truth

FOSSA_LPS = np.array(
    [-12.3, -152.7, 641.9]
)  # off every grid, so that nothing falls on voxel centers by design


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

    `spacing_mm`: voxel steps along the volume's axes; unless told the scan's own (0.6 for a plain one), no finer
    than 1.0 when `quick`. `size`: voxels (ni, nj, nk); unless told the heart and the near thorax, or the heart
    alone when `quick`; never beyond a scan's field of view. `seed` fixes every bit of noise.
    `landmark_noise_mm`: standard deviation per coordinate of Gaussian observer noise on all points.
    `phase_percent`: of the RR interval (70 unless told). `progress` is called with the share done. Raises
    ValueError for an unknown name or phase, or a grid that is no grid."""
    scan, phase = scan_of(name, phase_percent)
    return make_scanned(
        name,
        scan,
        phase,
        spacing_mm=spacing_mm,
        size=size,
        quick=quick,
        seed=seed,
        landmark_noise_mm=landmark_noise_mm,
        progress=progress,
    )


def make_scanned(
    name: str,
    scan: Scan,
    phase: float,
    *,
    spacing_mm: float | tuple[float, float, float] | None = None,
    size: tuple[int, int, int] | None = None,
    quick: bool = False,
    seed: int = 0,
    landmark_noise_mm: float = 0.0,
    progress: Callable[[float], None] | None = None,
) -> Phantom:
    """The phantom of any scan of any heart, under any name; the rest as `make` has it."""
    own = scan.spacing_mm
    step = spacing_mm if spacing_mm is not None else (tuple(max(1.0, s) for s in own) if quick else own)
    spacing = (
        (float(step),) * 3
        if isinstance(step, int | float)
        else (float(step[0]), float(step[1]), float(step[2]))
    )
    if min(spacing) <= 0:
        raise ValueError(f"Voxel steps must be above zero, not {spacing}.")
    middle = np.array([24.0, -18.0, 0.0] if quick else [24.0, -6.0, 1.0])
    extent = np.array([142.0, 140.0, 128.0] if quick else [164.0, 166.0, 136.0])
    if scan.field_of_view_mm is not None:
        low, high = np.array(scan.field_of_view_mm)
        low, high = np.maximum(low, middle - extent / 2), np.minimum(high, middle + extent / 2)
        middle, extent = (low + high) / 2, high - low
    whole = (round(extent[0] / spacing[0]), round(extent[1] / spacing[1]), round(extent[2] / spacing[2]))
    if size is None:
        size = whole
    elif scan.field_of_view_mm is not None:
        size = (min(size[0], whole[0]), min(size[1], whole[1]), min(size[2], whole[2]))
    if min(size) < 8:
        raise ValueError(f"A phantom needs at least 8 voxels along each axis, not {size}.")
    heart = build_heart(scan.shape, FOSSA_LPS)
    lps_from_index = np.eye(4)
    lps_from_index[:3, :3] = scan.axes * spacing
    half_way = lps_from_index[:3, :3] @ ((np.array(size) - 1) / 2)
    lps_from_index[:3, 3] = np.round(FOSSA_LPS + middle - half_way, 1)
    solids = tuple(body for kind in scan.implants for body in IMPLANTS[kind](heart))
    hu = render(heart, scan, solids, lps_from_index, size, seed, progress)
    truth = Truth(heart, impossible=scan.impossible, has_membrane=scan.membrane, solids=solids)
    marked = {
        what: points
        for what, points in landmarks_of(heart, truth, seed, landmark_noise_mm).items()
        if _shown(points, lps_from_index, size)
    }  # a small CT does not show them all
    return Phantom(name, hu, lps_from_index, marked, truth, phase, seed, landmark_noise_mm)


def _shown(points_lps: NDArray[np.float64], lps_from_index: NDArray[np.float64], size: tuple[int, int, int]) -> bool:
    """Whether all the points lie between the centers of the outermost voxels."""
    index = np.linalg.solve(lps_from_index[:3, :3], (points_lps - lps_from_index[:3, 3]).T).T
    return bool(np.all((index >= 0) & (index <= np.array(size) - 1)))


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
