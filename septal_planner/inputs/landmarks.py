"""Named points marked by a person: read, write, check."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Landmarks:
    """`points_lps[name]` is (n, 3), LPS mm, names and counts as contract.md lists them."""

    points_lps: Mapping[str, NDArray[np.float64]]
    frame_of_reference_uid: str | None = None
    source: str = ""
    notes: tuple[str, ...] = ()                   # e.g. "mitral_annulus was not in order and has been reordered"


# def read_landmarks(path) -> Landmarks                       raises InputRefused
# def write_landmarks(path, landmarks) -> None
# def check_landmarks(landmarks, volume) -> Landmarks         frame of reference, inside, left/right not swapped, order; raises
