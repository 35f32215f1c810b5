"""What metal does to a CT slice: beam hardening and photon starvation, by projecting the metal and back.

The line integrals of the metal alone in a slice, parallel beam over 180 degrees, are measured too small where they
are long (beam hardening, as a quadratic deficit: Brooks and Di Chiro 1976, doi 10.1088/0031-9155/21/3/004, from
memory) and noisier (Poisson counts). The error, not the metal, is reconstructed by filtered back-projection (Kak and
Slaney, Principles of Computerized Tomographic Imaging, chapter 3): dark bands along the lines that join metal, light
ones beside them, and fine streaks beyond."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from septal_phantoms.bodies import Array

ANGLES = 180
PIXEL_MM = 1.5
BIN_MM = 1.0
WATER_PER_MM = 0.02  # attenuation of water at the mean energy of a 120 kV beam, per mm
DENSER = 4.5  # the beam finds metal so much denser than its HU on a scale that ends at 3071 tell
DEFICIT = 0.2
STARVATION = 0.02  # standard deviation of a line integral through the chest alone
STRONGEST_HU = 500.0


def metal_streaks(
    index_kji: NDArray[np.intp], hu_mm3: Array, step_mm: Array, size: tuple[int, int, int], seed: int
) -> Array | None:
    """Error in HU that metal brings to each slice, on a coarser grid: [slices, nj, ni] float32 spread evenly over the
    volume from its first voxel to its last, or None without metal.

    `index_kji` (n, 3): voxels that hold metal; `hu_mm3` (n,): HU times the volume of metal in each; `step_mm` of
    (i, j, k); `size` (ni, nj, nk). Slices keep apart what they do not share: each is scanned alone."""
    if len(hu_mm3) == 0:
        return None
    extent = (np.array(size) - 1) * step_mm
    shape = [max(2, round(float(e / max(PIXEL_MM, s))) + 1) for e, s in zip(extent, step_mm, strict=True)]
    ni, nj, nk = shape
    thick = float(extent[2] / (nk - 1))
    slices = np.rint(index_kji[:, 0] * step_mm[2] / thick).astype(int)
    x, y = index_kji[:, 2] * step_mm[0] - extent[0] / 2, index_kji[:, 1] * step_mm[1] - extent[1] / 2
    bins = int(np.hypot(extent[0], extent[1]) / BIN_MM) + 8
    theta = (np.arange(ANGLES) + 0.5) * np.pi / ANGLES

    used = np.unique(slices)
    row = np.searchsorted(used, slices)
    path = np.zeros((len(used), ANGLES, bins))
    weight = DENSER * hu_mm3 / 1000.0 * WATER_PER_MM / (thick * BIN_MM)
    for n, (c, s) in enumerate(zip(np.cos(theta), np.sin(theta), strict=True)):
        at = (x * c + y * s) / BIN_MM + bins / 2
        low = np.floor(at).astype(int)
        for b, share in ((low, 1 - (at - low)), (low + 1, at - low)):
            path[:, n] += np.bincount(row * bins + b, weight * share, len(used) * bins).reshape(len(used), bins)
    spread = np.array([0.25, 0.5, 0.25])  # of the focal spot
    path = spread[0] * (np.roll(path, 1, -1) + np.roll(path, -1, -1)) + spread[1] * path

    error = -DEFICIT * path**2 / (1.0 + 0.3 * path)
    for n, k in enumerate(used):
        rng = np.random.Generator(np.random.Philox(key=[seed & (2**64 - 1), 2**42 + int(k)]))
        error[n] += STARVATION * np.sqrt(np.expm1(np.minimum(path[n], 8.0))) * rng.standard_normal(path[n].shape)

    frequency = np.fft.rfftfreq(2 * bins, BIN_MM)
    ramp = frequency * (0.5 + 0.5 * np.cos(2 * np.pi * frequency * BIN_MM))
    filtered = np.fft.irfft(np.fft.rfft(error, 2 * bins, axis=-1) * ramp, 2 * bins, axis=-1)[..., :bins]
    columns = filtered.reshape(len(used), -1).astype(np.float32)
    image = _back_projector(ni, nj, extent, theta, bins) @ columns.T
    out = np.zeros((nk, nj, ni), np.float32)
    out[used] = (image.T * (np.pi / ANGLES) / WATER_PER_MM * 1000.0).reshape(len(used), nj, ni)
    return np.asarray(STRONGEST_HU * np.tanh(out / STRONGEST_HU))


def _back_projector(ni: int, nj: int, extent_mm: Array, theta: Array, bins: int) -> sparse.csr_array:
    """Sparse matrix from filtered line integrals (angle, bin) to pixels, linear between bins."""
    x = np.linspace(-extent_mm[0] / 2, extent_mm[0] / 2, ni)[None, :]
    y = np.linspace(-extent_mm[1] / 2, extent_mm[1] / 2, nj)[:, None]
    at = (x[..., None] * np.cos(theta) + y[..., None] * np.sin(theta)).reshape(ni * nj, len(theta)) / BIN_MM + bins / 2
    low = np.floor(at).astype(np.int32)
    column = low + bins * np.arange(len(theta), dtype=np.int32)
    value = np.stack([1 - (at - low), at - low], -1).astype(np.float32).ravel()
    where = np.stack([column, column + 1], -1).ravel()
    start = np.arange(ni * nj + 1, dtype=np.int64) * (2 * len(theta))
    return sparse.csr_array((value, where, start), shape=(ni * nj, len(theta) * bins))


def streaks_in_slice(coarse: Array, k: int, size: tuple[int, int, int]) -> Array:
    """The error of slice `k` on the volume's own grid, [j, i], linear between the coarse grid's points."""

    def hat(n: int, at: Array) -> Array:
        return np.maximum(0.0, 1.0 - np.abs(at[:, None] - np.arange(n))).astype(np.float32)

    nk, nj, ni = coarse.shape
    plane = np.tensordot(hat(nk, np.array([k * (nk - 1) / max(1, size[2] - 1)]))[0], coarse, 1)
    return np.asarray(
        hat(nj, np.linspace(0, nj - 1, size[1])) @ plane @ hat(ni, np.linspace(0, ni - 1, size[0])).T, np.float32
    )
