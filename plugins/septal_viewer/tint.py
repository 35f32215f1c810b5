"""The membrane's quantity laid over the flat view that sees the fossa en face, with its lines and names."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from napari.utils.colormaps import ensure_colormap
from numpy.typing import NDArray
from scipy.interpolate import LinearNDInterpolator, NearestNDInterpolator

from septal_planner.anatomy.fossa import Fossa
from septal_planner.geometry.curves import inside_closed
from septal_viewer.crossing_layers import Labelled, class_places, class_shares
from septal_viewer.layers import class_colormap
from septal_viewer.looks import CLASSES, GREY, QUANTITY_COLORMAP
from septal_viewer.planes import Plane
from septal_viewer.shown_membrane import ShownMembrane
from septal_viewer.surfaces import Quantity

Array = NDArray[np.float64]

PIXEL_MM = 0.25
OPACITY = 0.62  # the CT is to be seen under it
PLANE = "en_face"


@dataclass(frozen=True, eq=False)
class TintLine:
    """A line (n, 3) of one value, with the value in words; `limit`: that of a limit, drawn thick."""

    points_lps: Array
    label: str
    limit: bool


@dataclass(frozen=True, eq=False)
class Tint:
    """`rgba` (rows, columns, 4), its first corner at `corner_lps` (3,), `pixel_mm` wide; rows and columns run along the
    plane it was made for, wherever that is shifted to."""

    rgba: NDArray[np.uint8]
    corner_lps: Array
    pixel_mm: float
    lines: tuple[TintLine, ...]
    names: tuple[Labelled, ...]
    legend: tuple[tuple[str, str], ...] = ()  # colour and words of each kind


def tint_of(shown: ShownMembrane, name: str, fossa: Fossa, plane: Plane, faded: bool = False) -> Tint:
    """A quantity of the membrane as the plane sees it; `faded` in shades of grey and without lines."""
    quantity = shown.named(name)
    uv = plane.uv_mm(shown.mesh.vertices_lps)
    low = uv.min(axis=0)
    rows, columns = (int(n) for n in np.ceil((uv.max(axis=0) - low) / PIXEL_MM) + 1)
    down, right = np.meshgrid(
        low[0] + PIXEL_MM * (np.arange(rows) + 0.5), low[1] + PIXEL_MM * (np.arange(columns) + 0.5), indexing="ij"
    )
    at = np.stack([down, right], axis=-1).reshape(-1, 2)
    between = NearestNDInterpolator if quantity.classes else LinearNDInterpolator
    values = np.asarray(between(uv, quantity.values)(at), dtype=np.float64)
    edge = plane.uv_mm(fossa.rim_lps) if len(fossa.rim_lps) else None
    inside = np.isfinite(LinearNDInterpolator(uv, uv[:, 0])(at)) if edge is None else inside_closed(at, edge)
    rgba = np.where(np.isfinite(values)[:, None], _colours(quantity, values, faded), _grey())
    rgba[:, 3] = np.where(inside, OPACITY, 0.0)
    lines = () if faded else tuple(
        TintLine(line, f"{level.value:g}".replace("-", "\u2212"), level.limit)
        for level in shown.levels(name) for line in level.lines if len(line) > 4
    )  # fmt: skip
    names = () if faded else tuple(class_places(shown.mesh, quantity))
    image = np.ascontiguousarray(np.round(255 * rgba).astype(np.uint8).reshape(rows, columns, 4))
    legend = () if faded or not quantity.classes else tuple(
        (CLASSES[k % len(CLASSES)], f"{k + 1}  {kind}, {100 * share:.0f} %")
        for k, (kind, share) in enumerate(zip(quantity.classes, class_shares(shown.mesh, quantity), strict=True))
    )  # fmt: skip
    return Tint(image, plane.lps(low), PIXEL_MM, lines, names, legend)


def _colours(quantity: Quantity, values: Array, faded: bool) -> Array:
    part = np.clip((np.nan_to_num(values) - quantity.low) / (quantity.high - quantity.low), 0.0, 1.0)
    colormap = "gray" if faded else class_colormap(len(quantity.classes)) if quantity.classes else QUANTITY_COLORMAP
    return np.asarray(ensure_colormap(colormap).map(part), dtype=np.float64).copy()


def _grey() -> Array:
    return np.array([int(GREY[i : i + 2], 16) / 255 for i in (1, 3, 5)] + [1.0])
