"""The quality panel: outlines of every label over three planes of the CT, so that a person sees at a glance whether to
believe the segmentation.

Unlike the outlines in the pictures of the plan, which follow smooth surfaces, these follow the labels as they are
saved, voxel by voxel, over a field wide enough to show where they end.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from septal_planner.anatomy.chambers import Chambers
from septal_planner.inputs.resample import sample_lps
from septal_planner.inputs.volume import Volume
from septal_planner.report.picture import Picture, Pictures, edge_letters, grey_values, mark, png_of, vector
from septal_planner.report.picture_planes import PicturePlane
from septal_planner.report.pictures import label_outlines, septum_window

Array = NDArray[np.float64]

QUALITY_ORDER = ("quality_axial", "quality_coronal", "quality_sagittal")
QUALITY_TITLES = {"quality_axial": "Axial", "quality_coronal": "Coronal", "quality_sagittal": "Sagittal"}
# right and up in the picture (LPS), as radiology shows them: the patient's right on the viewer's left
STANDING = {
    "quality_axial": ((1.0, 0.0, 0.0), (0.0, -1.0, 0.0)),
    "quality_coronal": ((1.0, 0.0, 0.0), (0.0, 0.0, 1.0)),
    "quality_sagittal": ((0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),
}
PX_MM = 0.4
MARGIN_MM = 8.0
FIELD_MM = (90.0, 150.0)  # least and most
WIDEST_MM = 240.0
HATCH_PX, HATCH_GREY = 6, (70, 30)  # where the CT ends, lest it be taken for air


def with_quality_panel(
    pictures: Pictures, volume: Volume, labels: NDArray[np.uint8], chambers: Chambers, target_lps: Array
) -> Pictures:
    """The pictures of a plan and, after them, those of the quality panel."""
    return Pictures((*pictures.shown, *quality_pictures(volume, labels, chambers, target_lps)), pictures.not_shown)


def quality_pictures(
    volume: Volume, labels: NDArray[np.uint8], chambers: Chambers, target_lps: Array
) -> tuple[Picture, ...]:
    """Axial, coronal and sagittal plane through the target (3,), all of one scale, with the outline of each of `labels`
    [k, j, i] on the grid of `chambers`."""
    label_volume = Volume(labels, chambers.lps_from_index)
    centers = {}
    field = FIELD_MM[0]
    for name, (right, up) in STANDING.items():
        plane = PicturePlane.around(target_lps, right, up, WIDEST_MM)
        points = plane.points_lps(2.0)
        found = points[sample_lps(label_volume, points, order=0, fill_hu=0.0) > 0]
        at = plane.project(found if len(found) else target_lps[None])
        low, high = at.min(axis=0), at.max(axis=0)
        field = max(field, float((high - low).max()) + 2 * MARGIN_MM)
        middle = (low + high) / 2
        centers[name] = plane.origin_lps + middle[0] * plane.right_lps + middle[1] * plane.down_lps
    field = min(float(np.ceil(field / 10) * 10), FIELD_MM[1])
    planes = {n: PicturePlane.around(centers[n], right, up, field) for n, (right, up) in STANDING.items()}
    window = septum_window(chambers)
    return tuple(_picture(n, plane, volume, label_volume, target_lps, window) for n, plane in planes.items())


def _picture(
    name: str, plane: PicturePlane, volume: Volume, label_volume: Volume, target_lps: Array,
    window: tuple[float, float],
) -> Picture:
    hu = sample_lps(volume, plane.points_lps(PX_MM), fill_hu=np.nan)
    row, column = np.indices(hu.shape)
    hatch = np.where((row + column) // HATCH_PX % 2, *HATCH_GREY)
    beyond = np.isnan(hu)
    grey = np.where(beyond, hatch, grey_values(np.where(beyond, 0.0, hu), window)).astype(np.uint8)
    return Picture(
        name=name, title=QUALITY_TITLES[name], caption="Through the target; outlines of the labels as saved.",
        png=png_of(grey), size_px=(grey.shape[1], grey.shape[0]), mm_per_px=PX_MM, window_hu=window,
        edges=edge_letters(plane.right_lps, plane.down_lps),
        marks=(*label_outlines(plane, label_volume), mark("place", plane.project(target_lps)[None])),
        origin_lps=vector(plane.origin_lps), right_lps=vector(plane.right_lps), down_lps=vector(plane.down_lps),
    )
