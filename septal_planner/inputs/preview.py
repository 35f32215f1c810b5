"""One slice of each series, to be looked at before choosing among them."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from septal_planner.errors import InputRefused
from septal_planner.geometry.frames import spacing_mm
from septal_planner.inputs.dicom_geometry import place_series
from septal_planner.inputs.dicom_pixels import decode
from septal_planner.inputs.dicom_series import find_dicom
from septal_planner.inputs.image_file import read_image_file
from septal_planner.inputs.series_groups import group_series
from septal_planner.inputs.volume import is_image_file

Preview = tuple[NDArray[np.generic], tuple[float, float]]


def middle_slices(path: str | os.PathLike[str], *, longest: int = 160) -> dict[str, Preview]:
    """HU of the middle slice (rows, columns), every n-th pixel so that no side is longer than about `longest`, and the
    steps between its pixels in mm, by selector as `list_series` gives it. A series that cannot be shown is left out.
    Raises InputRefused where there is nothing to read.
    """
    one = Path(path)
    if is_image_file(one):
        try:
            volume = read_image_file(one)
        except InputRefused:
            return {}
        return {"": _thinned(volume.hu[len(volume.hu) // 2], volume.lps_from_index, longest)}
    found = {}
    for series in group_series(find_dicom(one, None).headers):
        if series.not_a_ct:
            continue
        geometry, _ = place_series(series.slices, series.where)
        if geometry is None:
            continue
        try:
            hu = decode([geometry.slices[len(geometry.slices) // 2]])[0]
        except InputRefused:
            continue
        found[series.selector] = _thinned(hu, geometry.lps_from_index, longest)
    return found


def _thinned(hu: NDArray[np.generic], lps_from_index: NDArray[np.float64], longest: int) -> Preview:
    n = max(1, -(-max(hu.shape) // longest))
    step = spacing_mm(lps_from_index)
    return np.ascontiguousarray(hu[::n, ::n]), (float(step[1]) * n, float(step[0]) * n)
