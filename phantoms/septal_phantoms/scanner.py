"""From distances to a CT: occupancy of voxels, point spread, and textured noise."""

from __future__ import annotations

import numpy as np
import scipy.fft
from scipy import ndimage

from septal_phantoms.bodies import Array

PSF_FWHM_MM = 0.9
SIGMA_PER_FWHM = 1 / 2.3548200450309493


def occupancy(distance: Array, voxel_mm: float) -> Array:
    """Share of a voxel inside a body whose surface is `distance` mm away (negative inside): linear across
    one voxel."""
    return np.clip(0.5 - distance * (1.0 / voxel_mm), 0.0, 1.0)


def paint(hu: Array, distance: Array, value: Array | float, voxel_mm: float) -> None:
    """Lay a body of `value` HU over `hu` in place, mixed by occupancy at its edge."""
    share = occupancy(distance, voxel_mm)
    hu += share * (value - hu)


def blur(hu: Array, spacing_mm: tuple[float, float, float], fwhm_mm: float = PSF_FWHM_MM) -> None:
    """Point spread: a Gaussian of full width at half maximum `fwhm_mm` in every direction, in place. `hu` is
    [k, j, i]."""
    for axis, step in zip((2, 1, 0), spacing_mm, strict=True):
        ndimage.gaussian_filter1d(
            hu, fwhm_mm * SIGMA_PER_FWHM / step, axis=axis, output=hu, mode="nearest", truncate=4.0
        )


def sharpen(hu: Array, spacing_mm: tuple[float, float], share: float) -> None:
    """The overshoot of a sharp reconstruction kernel at edges, within each slice, in place: `share` of what a
    Gaussian of 1.2 mm full width at half maximum takes away is added on again."""
    sigma = [0.0, *(1.2 * SIGMA_PER_FWHM / step for step in (spacing_mm[1], spacing_mm[0]))]
    hu += share * (hu - ndimage.gaussian_filter(hu, sigma, mode="nearest"))


def noise_slice(
    shape: tuple[int, int], spacing_mm: tuple[float, float], seed: int, k: int, cutoff_per_mm: float = 0.55
) -> Array:
    """One slice of noise with standard deviation 1 and a band-limited power spectrum (ramp at low
    frequencies, smooth roll-off about `cutoff_per_mm`), [j, i] float32; the same bits for the same seed and slice."""
    rng = np.random.Generator(np.random.Philox(key=[seed & (2**64 - 1), k]))
    white = rng.standard_normal(shape, dtype=np.float32)
    spectrum = scipy.fft.rfft2(white)
    fj = scipy.fft.fftfreq(shape[0], spacing_mm[1])[:, None]
    fi = scipy.fft.rfftfreq(shape[1], spacing_mm[0])[None, :]
    f = np.sqrt(fj * fj + fi * fi)  # per mm
    gain = np.sqrt(f + 0.03) * np.exp(-((f / cutoff_per_mm) ** 2))
    full = np.ones_like(fi) * 2.0  # the half spectrum stands for both halves
    full[0, 0] = 1.0
    power = float(np.sqrt((gain**2 * full).sum() / (full.sum() * shape[0])))
    return np.asarray(scipy.fft.irfft2(spectrum * (gain / power).astype(np.float32), s=shape), np.float32)


def add_noise(
    hu: Array,
    spacing_mm: tuple[float, float, float],
    seed: int,
    first_slice: int,
    sd_hu: float = 18.0,
    cutoff_per_mm: float = 0.55,
) -> None:
    """Add noise of standard deviation `sd_hu` to slices numbered from `first_slice`, in place."""
    for n in range(hu.shape[0]):
        hu[n] += sd_hu * noise_slice(hu.shape[1:], spacing_mm[:2], seed, first_slice + n, cutoff_per_mm)
