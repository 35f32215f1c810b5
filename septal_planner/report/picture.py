"""A picture, what is drawn on it, and the small parts that make both.

A picture is grey values and marks apart: marks are polylines in millimetres from the picture's upper left corner, x
to the right, y down, so that whoever draws them needs the picture's own scale and nothing else. Where a picture is a
plane, its `origin_lps`, `right_lps` and `down_lps` place it in the patient.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from io import BytesIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from skimage.measure import approximate_polygon, find_contours

from septal_planner.report.picture_planes import orientation_letters

Array = NDArray[np.float64]
Point = tuple[float, float]
Vector = tuple[float, float, float]


@dataclass(frozen=True)
class Mark:
    """One thing drawn: `role` says what it is, `points_mm` (x, y) are from the upper left corner, a text is centred on
    its one point."""

    role: str
    points_mm: tuple[Point, ...]
    text: str = ""


@dataclass(frozen=True)
class Picture:
    """Grey values as PNG, and the marks to be drawn on them. `window_hu`: black and white of the grey scale."""

    name: str
    title: str
    caption: str
    png: bytes
    size_px: tuple[int, int]                        # width, height
    mm_per_px: float
    window_hu: tuple[float, float]
    edges: Mapping[str, str]                        # DICOM orientation letters at left, right, top, bottom
    marks: tuple[Mark, ...]
    origin_lps: Vector | None = None                # upper left corner; None where the picture follows a curved surface
    right_lps: Vector | None = None
    down_lps: Vector | None = None

    @property
    def size_mm(self) -> Point:
        """Width and height."""
        return self.size_px[0] * self.mm_per_px, self.size_px[1] * self.mm_per_px


@dataclass(frozen=True)
class Pictures:
    """The pictures there are, and for those there are not, one sentence why."""

    shown: tuple[Picture, ...]
    not_shown: Mapping[str, str] = field(default_factory=dict)

    def named(self, name: str) -> Picture | None:
        return next((p for p in self.shown if p.name == name), None)


def zero_lines(values: Array, step_mm: float, first_mm: float, *, longer_than_mm: float) -> list[Array]:
    """Lines (n, 2) of value nought in picture millimetres, thinned to 0.05 mm, the longest last. Samples are `step_mm`
    apart, the first one `first_mm` from the picture's edge; nan breaks a line."""
    found = find_contours(values, 0.0)
    lines = [approximate_polygon(np.asarray(c)[:, ::-1] * step_mm + first_mm, 0.05) for c in found]
    return sorted((line for line in lines if length_mm(line) > longer_than_mm), key=length_mm)


def length_mm(line: Array) -> float:
    return float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())


def edge_letters(right: Array, down: Array) -> dict[str, str]:
    return {
        "left": orientation_letters(-right), "right": orientation_letters(right),
        "top": orientation_letters(-down), "bottom": orientation_letters(down),
    }


def mark(role: str, points: Array, text: str = "") -> Mark:
    return Mark(role, tuple((round(float(x), 3), round(float(y), 3)) for x, y in points), text)


def vector(v: Array) -> Vector:
    x, y, z = (round(float(c), 6) for c in v)
    return x, y, z


def grey_values(hu: Array, window: tuple[float, float]) -> NDArray[np.uint8]:
    scaled = 255 * (hu - window[0]) / (window[1] - window[0])
    return np.asarray(np.clip(np.rint(scaled), 0, 255), dtype=np.uint8)


def png_of(grey: NDArray[np.uint8]) -> bytes:
    stream = BytesIO()
    Image.fromarray(grey).save(stream, "PNG", optimize=True)
    return stream.getvalue()
