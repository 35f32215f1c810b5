"""The thin membrane of the atrial septum: rim, mid-surface, thickness."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from septal_planner.geometry.shapes import HeightPatch


@dataclass(frozen=True)
class Fossa:
    """The membrane (thin part, not the limbus crest). LPS, mm."""

    patch: HeightPatch                            # mid-surface of the wall over the fossa plane, a few mm beyond the rim
    thickness_mm: NDArray[np.float64]             # [v, u] on the patch grid, along the local normal; nan where not measured
    membrane: NDArray[np.bool_]                   # [v, u] inside the rim
    rim_lps: NDArray[np.float64]                  # (n, 3) closed, in order, first != last
    center_lps: NDArray[np.float64]               # on the mid-surface
    normal_lps: NDArray[np.float64]               # right atrium toward left, mean over the membrane
    area_mm2: float                               # on the surface
    superior_inferior_mm: float
    anterior_posterior_mm: float
    thickness_mean_mm: float
    thickness_min_mm: float
    thickness_sd_mm: float                        # standard uncertainty of the mean
    surface_sd_mm: float                          # standard uncertainty of the mid-surface position along the normal
    notes: tuple[str, ...] = ()


# def find_fossa(volume, landmarks, chambers, *, progress=None) -> Fossa      raises AnatomyNotFound
