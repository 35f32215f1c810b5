"""Exact line integrals of a CT along the rays of a fluoroscopy frame.

Two engines that agree: Joseph's method where numba is installed (extra `fast`), and a plane sweep of SimpleITK that is
always there. What lies beyond the CT is air.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib.util import find_spec
from typing import Any, Literal

import numpy as np
import SimpleITK as sitk
from numpy.typing import ArrayLike, NDArray

from septal_planner.fluoroscopy.carm import image_axes
from septal_planner.fluoroscopy.projection import Projection, detector_steps_lps
from septal_planner.geometry.frames import apply_affine, spacing_mm

Array = NDArray[np.float64]
Engine = Literal["auto", "numba", "simpleitk"]

SWEEP_STEP_MM = 0.5
PREVIEW_STEP_MM = 1.0
WATER = 1000  # value of water in `Attenuation.voxels`


@dataclass(frozen=True)
class Attenuation:
    """What X-rays meet, one layer of air around it: `voxels` [k, j, i] in thousandths of water's attenuation (air 0),
    placed by `lps_from_index` (4x4, of the padded array). Made by `attenuation`.
    """

    voxels: NDArray[np.int16]
    lps_from_index: Array


def attenuation(hu: NDArray[np.generic], lps_from_index: ArrayLike) -> Attenuation:
    """The attenuation of CT voxels hu [k, j, i], 1000 + HU and not below nought, with one voxel of air on every
    side.
    """
    k, j, i = hu.shape
    out = np.zeros((k + 2, j + 2, i + 2), dtype=np.int16)
    for slab, where in zip(hu, out[1:-1], strict=True):  # slice by slice: no second copy of the CT in float
        shifted = np.clip(np.rint(slab.astype(np.float32)) + WATER, 0, np.iinfo(np.int16).max)
        where[1:-1, 1:-1] = shifted.astype(np.int16)
    m = np.array(lps_from_index, dtype=np.float64)
    m[:3, 3] -= m[:3, :3].sum(axis=1)
    return Attenuation(out, m)


def thinned(body: Attenuation, factor: int = 2) -> Attenuation:
    """The same body in voxels `factor` times as large, the mean of those within: for previews, some times faster to
    cross. Raises ValueError for a factor below one.
    """
    if factor < 1:
        raise ValueError(f"voxels are put together one or more at a time, found {factor}")
    if factor == 1:
        return body
    inner = body.voxels[1:-1, 1:-1, 1:-1]
    padded = np.pad(inner, [(0, -n % factor) for n in inner.shape])
    k, j, i = (n // factor for n in padded.shape)
    total = np.zeros((k, j, i), dtype=np.int32)
    for c in range(factor):
        for b in range(factor):
            for a in range(factor):
                total += padded[c::factor, b::factor, a::factor]
    out = np.zeros((k + 2, j + 2, i + 2), dtype=np.int16)
    out[1:-1, 1:-1, 1:-1] = (total + factor**3 // 2) // factor**3
    m = body.lps_from_index.copy()
    m[:3, :3] *= factor
    # middle of the new voxel (1, 1, 1): that of the old ones 1 to factor along each axis
    m[:3, 3] = apply_affine(body.lps_from_index, np.full(3, (factor + 1) / 2)) - m[:3, :3].sum(axis=1)
    return Attenuation(out, m)


def has_numba() -> bool:
    """Whether the fast engine can be used."""
    return find_spec("numba") is not None


def line_integrals(
    body: Attenuation, frame: Projection, *, engine: Engine = "auto", step_mm: float = SWEEP_STEP_MM
) -> NDArray[np.float32]:
    """Millimetres of water (rows, columns) that weaken the ray to each pixel as much as the body does.

    `engine`: "numba" (Joseph), "simpleitk" (plane sweep, `step_mm` apart), "auto": the first that is installed. Raises
    ValueError for an unknown engine, ImportError for numba where it is not installed.
    """
    if engine not in ("auto", "numba", "simpleitk"):
        raise ValueError(f"the engines are auto, numba and simpleitk, found {engine!r}")
    if engine == "numba" or (engine == "auto" and has_numba()):
        total = _by_joseph(body, frame)
    else:
        total = _by_sweep(body, frame, step_mm)
    total /= WATER
    return total


def _lengths_mm(frame: Projection) -> Array:
    """From source to every pixel (rows, columns)."""
    c0, r0 = frame.central_px
    across = (np.arange(frame.size_px[0]) - c0) * frame.pixel_mm[1]
    down = (np.arange(frame.size_px[1]) - r0) * frame.pixel_mm[0]
    return np.asarray(np.sqrt(frame.source_detector_mm**2 + across[None, :] ** 2 + down[:, None] ** 2))


def _by_joseph(body: Attenuation, frame: Projection) -> NDArray[np.float32]:
    from septal_planner.fluoroscopy.joseph import integrate

    index_from_lps = np.linalg.inv(body.lps_from_index)
    first, column, row = detector_steps_lps(frame)
    turn = index_from_lps[:3, :3]
    return integrate(
        body.voxels, apply_affine(index_from_lps, frame.source_lps), apply_affine(index_from_lps, first),
        turn @ column, turn @ row, _lengths_mm(frame),
    )  # fmt: skip


def _by_sweep(body: Attenuation, frame: Projection, step_mm: float) -> NDArray[np.float32]:
    """Planes parallel to the detector, each read as the pixels' rays cross it."""
    k, j, i = body.voxels.shape
    corners = np.array([[a, b, c] for a in (0, i - 1) for b in (0, j - 1) for c in (0, k - 1)])
    beam, source = frame.beam_lps, frame.source_lps
    depths = (apply_affine(body.lps_from_index, corners) - source) @ beam
    low, high = max(float(depths.min()), 1.0), min(float(depths.max()), frame.source_detector_mm)
    columns, rows = frame.size_px
    total = np.zeros((rows, columns), dtype=np.float32)
    if high <= low:
        return total
    count = int(np.ceil((high - low) / min(step_mm, float(spacing_mm(body.lps_from_index).max()))))
    step = (high - low) / count
    image: Any = sitk.GetImageFromArray(body.voxels)  # in index space, which places a sheared CT too
    place = np.linalg.inv(body.lps_from_index)
    into: Any = sitk.AffineTransform(3)
    into.SetMatrix(place[:3, :3].ravel().tolist())
    into.SetTranslation(place[:3, 3].tolist())
    u, v = image_axes(frame.primary_deg, frame.secondary_deg)
    sweep: Any = sitk.ResampleImageFilter()
    sweep.SetInterpolator(sitk.sitkLinear)
    sweep.SetTransform(into)
    sweep.SetOutputPixelType(sitk.sitkFloat32)
    sweep.SetSize([columns, rows, 1])
    sweep.SetOutputDirection(np.stack([u, -v, np.cross(u, -v)], axis=1).ravel().tolist())
    first = detector_steps_lps(frame)[0] - source
    for n in range(count):
        share = (low + (n + 0.5) * step) / frame.source_detector_mm
        sweep.SetOutputSpacing([frame.pixel_mm[1] * share, frame.pixel_mm[0] * share, 1.0])
        sweep.SetOutputOrigin((source + first * share).tolist())
        plane = sweep.Execute(image)  # kept alive while its memory is read
        total += sitk.GetArrayViewFromImage(plane)[0]
    total *= (step * _lengths_mm(frame) / frame.source_detector_mm).astype(np.float32)
    return total
