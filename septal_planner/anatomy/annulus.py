"""Hinge line of an atrioventricular valve: plane, curve, diameters."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Annulus:
    """Everything in LPS, mm. `normal_lps` points to the atrium of its side."""

    points_lps: NDArray[np.float64]               # (n, 3) as marked, in order
    curve_lps: NDArray[np.float64]                # (m, 3) the periodic curve through them, densely sampled, closed (first != last)
    center_lps: NDArray[np.float64]
    normal_lps: NDArray[np.float64]
    area_mm2: float                               # projected on the plane
    perimeter_mm: float                           # in space
    septal_lateral_mm: float
    intercommissural_mm: float
    saddle_height_mm: float
    septal_lateral_axis_lps: NDArray[np.float64]  # unit, in the plane, toward the aorta/septum side
    d_shape_area_mm2: float
    d_shape_perimeter_mm: float


# def measure_annulus(points_lps, *, atrium_point_lps, aorta_point_lps=None, ...) -> Annulus
# def height_mm(annulus, points_lps) -> signed distance from the best-fit plane, atrial side positive
# def height_sd_mm(annulus, points_lps, *, point_sd_mm) -> one sd of that height from independent point error
