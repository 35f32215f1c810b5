"""A small picture of the membrane seen from the right atrium, with the sites that are compared on it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from napari.utils.colormaps import ensure_colormap
from numpy.typing import ArrayLike, NDArray
from qtpy.QtCore import QPointF, QRectF, Qt
from qtpy.QtGui import QColor, QImage, QPainter, QPaintEvent, QPen, QPolygonF
from qtpy.QtWidgets import QSizePolicy, QWidget
from skimage.measure import find_contours

from septal_planner.anatomy.fossa import Fossa
from septal_planner.puncture.membrane_map import MembraneMap
from septal_viewer.looks import GREEN, GREY, QUANTITY_COLORMAP, YELLOW
from septal_viewer.painting import painting
from septal_viewer.plane_canvas import draw_shape

Array = NDArray[np.float64]

HEIGHT_PX = 150
TOLERANCES = 5.0
EDGE_MM = 2.0


class SmallMap(QWidget):
    """Colours: worst margin over all limits, from dark (outside) to bright; the white line is that of all limits."""

    def __init__(self) -> None:
        super().__init__()
        self._rim: Array = np.empty((0, 2))
        self._image: QImage | None = None
        self._bytes: NDArray[np.uint8] | None = None
        self._box = QRectF()  # of the image, [front, head] mm
        self._zero: list[Array] = []
        self._spots: list[tuple[Array, str]] = []
        self._of: MembraneMap | None = None
        self._told = ""
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.setFixedHeight(HEIGHT_PX)

    def tell(self, fossa: Fossa | None, found: MembraneMap | None, sites: Sequence[tuple[ArrayLike, str]]) -> None:
        """The membrane, its map where there is one, and sites (3,) with their letters, an empty one the target."""
        if fossa is None:
            return
        self._rim = fossa.patch.uvw(fossa.rim_lps)[:, :2] if len(fossa.rim_lps) else np.empty((0, 2))
        self._spots = [(fossa.patch.uvw(np.asarray(p, dtype=np.float64))[:2], letter) for p, letter in sites]
        if found is not self._of:
            self._of = found
            self._draw_map(found)
        self.setToolTip(
            "Seen from the right atrium: front to the right, head up. "
            + (f"Colour: worst margin over all limits, {self._told} tolerances; white line: 0." if self._told else "")
        )
        self.update()

    def _draw_map(self, found: MembraneMap | None) -> None:
        self._image, self._zero, self._told = None, [], ""
        if found is None or not np.isfinite(found.overall).any():
            return
        u, v, grid = found.on_grid(found.overall)
        low = max(-TOLERANCES, float(np.floor(np.nanmin(grid))))
        high = max(low + 1, float(np.ceil(np.nanmax(grid))))
        self._told = f"{low:g} to {high:g}".replace("-", "\u2212")
        rgba = ensure_colormap(QUANTITY_COLORMAP).map(np.clip((np.nan_to_num(grid) - low) / (high - low), 0, 1))
        rgba = np.asarray(rgba, dtype=np.float64).reshape(*grid.shape, 4).copy()
        rgba[..., 3] = np.isfinite(grid)
        self._bytes = np.ascontiguousarray((255 * rgba[::-1]).astype(np.uint8))  # head up
        rows, columns = grid.shape
        self._image = QImage(self._bytes.data, columns, rows, 4 * columns, QImage.Format.Format_RGBA8888)
        half = found.step_mm / 2
        self._box = QRectF(u[0] - half, v[0] - half, u[-1] - u[0] + 2 * half, v[-1] - v[0] + 2 * half)
        for line in find_contours(np.where(np.isfinite(grid), grid, np.nan), 0.0):
            self._zero.append(np.stack([u[0] + line[:, 1] * found.step_mm, v[0] + line[:, 0] * found.step_mm], axis=-1))

    def paintEvent(self, event: QPaintEvent) -> None:
        del event
        with painting(self) as painter:
            self._paint_on(painter)

    def _paint_on(self, painter: QPainter) -> None:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.fillRect(self.rect(), QColor("#000000"))
        around = np.concatenate([self._rim, *(s[0][None] for s in self._spots)]) if len(self._rim) else np.zeros((0, 2))
        if not len(around):
            painter.setPen(QColor(GREY))
            painter.drawText(self.rect(), Qt.AlignmentFlag.AlignCenter, "The rim was not seen.")
            return
        low, high = around.min(axis=0) - EDGE_MM, around.max(axis=0) + EDGE_MM
        scale = min(self.width() / (high[0] - low[0]), self.height() / (high[1] - low[1]))
        middle = (low + high) / 2

        def px(uv: Array) -> QPointF:
            right, up = scale * (uv - middle)
            return QPointF(self.width() / 2 + float(right), self.height() / 2 - float(up))

        if self._image is not None:
            b = self._box
            corners = px(np.array([b.left(), b.bottom()])), px(np.array([b.right(), b.top()]))
            painter.drawImage(QRectF(*corners), self._image)
        painter.setPen(QPen(QColor(GREEN), 2))
        painter.drawPolygon(QPolygonF([px(p) for p in self._rim]))
        for pen in (QPen(QColor("#000000"), 3.5), QPen(QColor("#FFFFFF"), 2)):
            painter.setPen(pen)
            for line in self._zero:
                painter.drawPolyline(QPolygonF([px(p) for p in line]))
        for uv, letter in self._spots:
            at = px(uv)
            for pen in (QPen(QColor(0, 0, 0, 220), 3.6), QPen(QColor("#FFFFFF" if letter else YELLOW), 1.9)):
                painter.setPen(pen)
                draw_shape(painter, "star", at, 5.5 if letter else 7.0)
            for dx, colour in ((1, "#000000"), (0, "#FFFFFF")):
                painter.setPen(QColor(colour))
                painter.drawText(QPointF(at.x() + 8 + dx, at.y() - 4 + dx), letter or "Now")
        painter.setPen(QColor("#FFFFFF"))
        for text, flag in (("H", Qt.AlignmentFlag.AlignTop), ("F", Qt.AlignmentFlag.AlignBottom)):
            painter.drawText(self.rect().adjusted(0, 1, 0, -1), flag | Qt.AlignmentFlag.AlignHCenter, text)
        for text, flag in (("P", Qt.AlignmentFlag.AlignLeft), ("A", Qt.AlignmentFlag.AlignRight)):
            painter.drawText(self.rect().adjusted(4, 0, -4, 0), flag | Qt.AlignmentFlag.AlignVCenter, text)
