"""Blood pools: left and right atrium, ventricles, aorta."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from septal_planner.geometry.shapes import DistanceField

LABELS = {"left_atrium": 1, "right_atrium": 2, "aorta": 3, "left_ventricle": 4, "right_ventricle": 5, "fossa_membrane": 6}


@dataclass(frozen=True)
class Chambers:
    """Labels on a crop of the CT grid, and for each chamber found a signed distance field (mm, negative inside)."""

    labels: NDArray[np.uint8]                     # [k, j, i]
    lps_from_index: NDArray[np.float64]           # of the crop
    distance: Mapping[str, DistanceField]         # by chamber name; a chamber not found is absent
    volume_ml: Mapping[str, float]
    mean_hu: Mapping[str, float]
    sd_hu: Mapping[str, float]
    not_assessed: Mapping[str, str]               # chamber -> reason, one sentence
    notes: tuple[str, ...] = ()


# def segment_chambers(volume, landmarks, mitral: Annulus, tricuspid: Annulus | None, *, progress=None) -> Chambers
