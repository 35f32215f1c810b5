"""A view of one plane with its head: which plane it shows, how far it is zoomed, what the pointer does on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from qtpy.QtCore import QPointF, Qt, Signal  # type: ignore[attr-defined]
from qtpy.QtWidgets import QComboBox, QHBoxLayout, QLabel, QSizePolicy, QToolButton, QVBoxLayout, QWidget

from septal_planner.anatomy.chambers import Chambers
from septal_planner.inputs.volume import Volume
from septal_viewer.looks import CHAMBERS
from septal_viewer.overlay import Curve, Spot
from septal_viewer.plane_canvas import Key, Line, Mark, Picture, PlaneCanvas, Wash
from septal_viewer.planes import TITLES, Plane, crosshair, curve_on_plane, outline_on_plane, resample, sized
from septal_viewer.signs import plane_line
from septal_viewer.tint import PLANE as TINTED
from septal_viewer.tint import Tint

Array = NDArray[np.float64]

FIELD_MM = 170.0
LEAST_FIELD_MM, MOST_FIELD_MM = 15.0, 600.0
FINEST_PIXEL_MM = 0.4
HASTY_PIXEL_MM = 0.8
NEAR_MM = 2.0  # of a curve that runs close to the plane


@dataclass(frozen=True)
class Seen:
    """What all views share: the CT, the planes there are, the grey scale, and what is drawn."""

    volume: Volume | None
    planes: dict[str, Plane]
    low_hu: float
    high_hu: float
    cursor_lps: Array
    curves: Sequence[Curve] = ()
    spots: Sequence[Spot] = ()
    chambers: Chambers | None = None  # whose outlines are drawn
    shown: tuple[str, ...] = ()  # names of the planes in the views: their lines are the cross-hair
    tint: Tint | None = None  # of the membrane, where it is seen en face


class PlaneView(QWidget):
    """One of the three flat views. Positions in signals are LPS (3,)."""

    pointed = Signal(object, object, object)  # place, key of the mark under the pointer, modifiers
    dragged = Signal(object)
    released = Signal(object)
    scrolled = Signal(object, float)  # this view's plane, mm
    stepped = Signal(object)  # a way (3,) in space, from the arrow keys
    window_dragged = Signal(float, float)
    plane_chosen = Signal(str)
    enlarge = Signal()
    needs_picture = Signal()
    chosen = Signal()

    def __init__(self, names: Sequence[str], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.canvas = PlaneCanvas(self)
        self.anchor_lps: Array | None = None
        self.field_mm = FIELD_MM
        self.frozen = False  # while a mark is dragged here, the picture stays
        self._seen: Seen | None = None
        self._plane: Plane | None = None
        self.swatch = QLabel()
        self.swatch.setFixedSize(26, 12)
        self.names = QComboBox()
        self.names.setToolTip("Which plane this view shows")
        self.names.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.larger = QToolButton()
        self.larger.setText("⤢")
        self.larger.setToolTip("Show this view alone, and back again (G)")
        head = QHBoxLayout()
        head.setContentsMargins(4, 1, 2, 1)
        head.setSpacing(6)
        for widget in (self.swatch, self.names, self.larger):
            head.addWidget(widget, 1 if widget is self.names else 0)
        body = QVBoxLayout(self)
        body.setContentsMargins(1, 1, 1, 1)
        body.setSpacing(0)
        body.addLayout(head)
        body.addWidget(self.canvas, 1)
        self.offer(names, names[0])
        self.names.currentIndexChanged.connect(self._choose)
        self.larger.clicked.connect(self.enlarge)
        c = self.canvas
        c.pressed.connect(self._press)
        c.dragged.connect(lambda v, u: self._at(self.dragged, v, u))
        c.released.connect(lambda v, u: self._at(self.released, v, u))
        c.scrolled.connect(self._scroll)
        c.zoomed.connect(self._zoom)
        c.panned.connect(self._pan)
        c.window_dragged.connect(self.window_dragged)
        c.key_moved.connect(self._step)
        c.resized.connect(self.needs_picture)
        c.chosen.connect(self.chosen)

    # ------------------------------------------------------------------------------------------------- which plane

    def offer(self, names: Sequence[str], chosen: str) -> None:
        """The planes to choose from, and the one shown."""
        self.names.blockSignals(True)
        self.names.clear()
        for name in names:
            self.names.addItem(TITLES.get(name, name), name)
        self.names.setCurrentIndex(max(0, list(names).index(chosen) if chosen in names else 0))
        self.names.blockSignals(False)
        self._paint_swatch()

    @property
    def name(self) -> str:
        """Of the plane shown."""
        return str(self.names.currentData())

    @property
    def plane(self) -> Plane | None:
        """As it is shown, zoomed and shifted."""
        return self._plane

    def set_name(self, name: str) -> None:
        """Show another of the planes offered."""
        at = self.names.findData(name)
        if at >= 0:
            self.names.setCurrentIndex(at)

    def _choose(self) -> None:
        self._paint_swatch()
        self.plane_chosen.emit(self.name)

    def _paint_swatch(self) -> None:
        colour, dashes = plane_line(self.name)
        style = {Qt.PenStyle.DashLine: "dashed", Qt.PenStyle.DotLine: "dotted", Qt.PenStyle.DashDotLine: "dashed"}
        self.swatch.setStyleSheet(
            f"border: 0px; border-top: 3px {style.get(dashes, 'solid')} {colour.name()}; margin-top: 5px;"
        )
        self.swatch.setToolTip("The line of this plane in the other views")

    # ------------------------------------------------------------------------------------------------- picture

    def show_seen(self, seen: Seen, *, hasty: bool = False) -> None:
        """Cut the CT again and paint; `hasty` in coarser pixels, while something is dragged."""
        self._seen = seen
        base = seen.planes.get(self.name)
        if seen.volume is None or base is None:
            self._plane = None
            self.canvas.placeholder = self._why_empty(seen)
            self.canvas.set_picture(None)
            return
        w, h = max(self.canvas.width(), 10), max(self.canvas.height(), 10)
        if not (self.frozen and self._plane is not None):
            plane = sized(base, self.field_mm * w / h, self.field_mm)
            if self.anchor_lps is not None:
                plane = _centred(plane, self.anchor_lps)
            self._plane = plane
        plane = self._plane
        assert plane is not None
        pixel = max(HASTY_PIXEL_MM if hasty else FINEST_PIXEL_MM, plane.height_mm / h)
        hu = resample(seen.volume, plane, pixel)
        grey = np.clip((hu - seen.low_hu) * (255.0 / (seen.high_hu - seen.low_hu)), 0, 255).astype(np.uint8)
        rows, columns = grey.shape
        letters = plane.letters()
        self.canvas.set_picture(
            Picture(
                grey, columns * pixel, rows * pixel,
                (letters["left"], letters["right"], letters["top"], letters["bottom"]),
                self._lines(seen, plane), self._marks(seen, plane), tint=self._wash(seen, plane),
                legend=seen.tint.legend if seen.tint is not None and self.name == TINTED else (),
            )
        )

    def _why_empty(self, seen: Seen) -> str:
        if seen.volume is None:
            return "No CT is open."
        return {
            "caval": "The caval long axis needs both points of the inferior vena cava, and the septum.",
            "short_axis": "The short axis needs a point in the aorta, and the septum.",
            "four_chamber": "The four-chamber plane needs the mitral annulus, and the septum.",
            "annulus": "The long axis of the valve needs the left atrium, the left ventricle and a cross-hair between.",
        }.get(self.name, "This plane needs a point in each atrium first.")

    def _wash(self, seen: Seen, plane: Plane) -> Wash | None:
        if seen.tint is None or self.name != TINTED:
            return None
        return Wash(seen.tint.rgba, plane.uv_mm(seen.tint.corner_lps), seen.tint.pixel_mm)

    def _lines(self, seen: Seen, plane: Plane) -> list[Line]:
        lines: list[Line] = []
        for one in seen.tint.lines if seen.tint is not None and self.name == TINTED else ():
            lines.append(Line(plane.uv_mm(one.points_lps), *(("#FFFFFF", 2.6) if one.limit else ("#000000", 1.0)),
                              rim=one.limit))
        if seen.chambers is not None:
            for chamber, outlines in outline_on_plane(seen.chambers, plane).items():
                dashes = Qt.PenStyle.DotLine if "ventricle" in chamber else Qt.PenStyle.SolidLine
                lines += [Line(uv, CHAMBERS[chamber].color, 1.2, dashes) for uv in outlines]
        for curve in seen.curves:
            cut = curve_on_plane(plane, curve.points_lps, NEAR_MM if curve.within_mm is None else curve.within_mm,
                                 closed=curve.closed)
            lines += [Line(piece, curve.colour, curve.width, curve.dashes) for piece in cut.near]
        others = [seen.planes[n] for n in seen.shown if n != self.name and n in seen.planes]
        for name, ends in crosshair(plane, others, gap_mm=14.0 / self.canvas.px_per_mm, cursor_lps=seen.cursor_lps):
            colour, dashes = plane_line(name)
            lines.append(Line(ends, colour.name(), 1.2, dashes, rim=False))
        return lines

    def _marks(self, seen: Seen, plane: Plane) -> list[Mark]:
        marks = []
        if seen.tint is not None and self.name == TINTED:
            for one in seen.tint.lines:
                top = one.points_lps[int(np.argmin(plane.uv_mm(one.points_lps)[:, 0]))]
                marks.append(Mark(plane.uv_mm(top), "#FFFFFF", "", one.label, size=0.0))
            marks += [Mark(plane.uv_mm(p.at_lps), "#FFFFFF", "", p.label, size=0.0) for p in seen.tint.names]
        for spot in seen.spots:
            depth = float(plane.depth_mm(spot.at_lps))
            if abs(depth) > spot.within_mm:
                continue
            marks.append(
                Mark(
                    plane.uv_mm(spot.at_lps), spot.colour, spot.symbol, spot.label, spot.key, depth, spot.size,
                    spot.label_left,
                )
            )
        return marks

    # ------------------------------------------------------------------------------------------------- pointer and keys

    def _press(self, down: float, right: float, key: Key | None, modifiers: object) -> None:
        if self._plane is not None:
            self.pointed.emit(self._plane.lps(np.array([down, right])), key, modifiers)

    def _at(self, signal: object, down: float, right: float) -> None:
        if self._plane is not None:
            signal.emit(self._plane.lps(np.array([down, right])))  # type: ignore[attr-defined]

    def _scroll(self, mm: float) -> None:
        if self._plane is not None:
            self.scrolled.emit(self._plane, mm)

    def _step(self, down: float, right: float) -> None:
        if self._plane is not None:
            self.stepped.emit(down * self._plane.down_lps + right * self._plane.right_lps)

    def _zoom(self, factor: float) -> None:
        self.field_mm = float(np.clip(self.field_mm * factor, LEAST_FIELD_MM, MOST_FIELD_MM))
        self.needs_picture.emit()

    def _pan(self, down: float, right: float) -> None:
        if self._plane is not None:
            self.anchor_lps = self._plane.lps(np.array([down, right]))
            self.needs_picture.emit()

    def widget_place(self, point_lps: Array) -> QPointF:
        """Where a point (3,) stands on the canvas, in its logical pixels."""
        assert self._plane is not None
        return self.canvas.px(self._plane.uv_mm(point_lps))

    def keep_in_sight(self, point_lps: Array) -> bool:
        """Bring the anchor to a point that has left the middle of the view; whether it had."""
        if self._plane is None:
            self.anchor_lps = point_lps
            return True
        down, right = self._plane.uv_mm(point_lps)
        if abs(down) > 0.42 * self._plane.height_mm or abs(right) > 0.42 * self._plane.width_mm:
            self.anchor_lps = point_lps
            return True
        return False


def _centred(plane: Plane, anchor_lps: Array) -> Plane:
    """The plane with the anchor's foot as its centre."""
    return replace(plane, center_lps=plane.lps(plane.uv_mm(anchor_lps)))
