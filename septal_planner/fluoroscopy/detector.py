"""What a detector makes of the line integrals: intensity by Beer-Lambert, scatter, blur and noise, then grey values.

Grey values are as in the room: what weakens the beam is dark, metal darkest.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

# Water at 50 keV, about the mean energy of a copper-filtered 70 to 80 kV beam: 0.0227 per mm (NIST XCOM, doi
# 10.18434/T48G6X; from memory).
WATER_PER_MM = 0.0227


@dataclass(frozen=True)
class Response:
    """How a detector answers; the defaults are a clean picture. `blur_mm`: standard deviation on the detector;
    `photons`: of the unweakened beam in one pixel, which sets the noise, None: none; `scatter_share`: of the whole
    signal, spread evenly. `dark_percent`, `bright_percent`: how much of the picture may end wholly black or white.

    Raises ValueError for a negative or impossible number.
    """

    water_per_mm: float = WATER_PER_MM
    blur_mm: float = 0.0
    photons: float | None = None
    scatter_share: float = 0.0
    dark_percent: float = 0.5
    bright_percent: float = 2.0
    seed: int = 0

    def __post_init__(self) -> None:
        if not (self.water_per_mm > 0 and self.blur_mm >= 0 and 0 <= self.scatter_share < 1):
            raise ValueError("a detector's blur, scatter and attenuation are not negative, scatter below one")
        if self.photons is not None and not self.photons > 0:
            raise ValueError(f"noise needs photons, found {self.photons:g}")
        if not (0 <= self.dark_percent < 50 and 0 <= self.bright_percent < 50):
            raise ValueError("less than half of a picture may be cut to black, and less than half to white")


def intensities(
    water_mm: NDArray[np.floating], response: Response, *, pixel_mm: tuple[float, float]
) -> NDArray[np.float64]:
    """Share of the unweakened beam (rows, columns) that each pixel receives: exp(-mu x) (Beer-Lambert), then scatter,
    blur and counting noise. `water_mm` as `line_integrals` gives it; `pixel_mm` between rows, between columns. The same
    seed gives the same noise.
    """
    seen = np.exp(-response.water_per_mm * np.asarray(water_mm, dtype=np.float64))
    if response.scatter_share:
        # a veil as broad as the field: its share is that of scattered in all detected photons
        seen = seen + seen.mean() * response.scatter_share / (1 - response.scatter_share)
    if response.photons is not None:
        seen = np.random.default_rng(response.seed).poisson(seen * response.photons) / response.photons
    if response.blur_mm:
        seen = gaussian_filter(seen, [response.blur_mm / p for p in pixel_mm])
    return np.asarray(seen, dtype=np.float64)


def grey_values(
    seen: NDArray[np.floating], response: Response, *, bits: int = 8, window: tuple[float, float] | None = None
) -> NDArray[np.uint16]:
    """Grey values (rows, columns), 0 to 2**bits - 1, of intensities: on the scale of their logarithm, so that contrast
    does not depend on how thick the patient is. `window`: the line integrals (mm of water) shown white and black;
    None: from the share that may be cut. Raises ValueError where white and black are alike.
    """
    # a pixel without a photon is as dark as half a photon
    least = 0.5 / response.photons if response.photons is not None else np.finfo(np.float64).tiny
    depth = -np.log(np.maximum(seen, least)) / response.water_per_mm
    if window is None:
        hit = depth[depth > 1.0]  # bare beam beside the patient would take the window to itself
        share = [response.bright_percent, 100 - response.dark_percent]
        white, black = (float(x) for x in np.percentile(hit, share)) if hit.size else (0.0, 1.0)
        black = max(black, white + 1.0)
    else:
        white, black = window
    if not black > white:
        raise ValueError(f"a window shows the thinner part white, found {white:g} to {black:g} mm")
    top = 2**bits - 1
    return np.asarray(np.clip(np.rint((black - depth) / (black - white) * top), 0, top), dtype=np.uint16)
