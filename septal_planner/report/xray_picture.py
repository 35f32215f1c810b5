"""A fluoroscopy frame as a picture with the plan drawn over it, and the drawing alone as a bit plane."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from septal_planner.report.xray_marks import XrayMark

FONTS = Path(__file__).parent / "fonts"
# told apart by the colour-blind too: Okabe and Ito, "Color universal design" (2008)
COLORS = {
    "fossa": "#F0E442", "target": "#FF6FBF", "mitral_annulus": "#56B4E9", "tricuspid_annulus": "#2FBF95",
    "inferior_vena_cava": "#8CBCE0", "superior_vena_cava": "#8CBCE0", "path": "#F2A6D0", "left_atrium": "#E69F00",
    "right_atrium": "#56B4E9", "aorta": "#D55E00", "left_ventricle": "#F0E442", "right_ventricle": "#2FBF95",
    "aortic_annulus": "#E8743B", "old_ring": "#FFFFFF",
}  # fmt: skip
INK = "#101418"


def draw_frame(
    grey: NDArray[np.uint16], marks: Sequence[XrayMark], *, title: str, lines: Sequence[str] = (), banner: str = "",
    letters: float = 1.0,
) -> bytes:
    """PNG of grey values (rows, columns), 0 to 255, with the marks, `title` and `lines` at the upper left, and a
    banner along the foot where there is one. Every line has a dark edge and every name a dark ground, to be read over
    bright and dark. `letters` makes lines and letters so many times as large, for a picture that is printed small.
    """
    picture = Image.fromarray(grey.astype(np.uint8)).convert("RGB")
    _draw(picture, marks, title, lines, banner, letters)
    stream = BytesIO()
    picture.save(stream, "PNG", optimize=True)
    return stream.getvalue()


def bit_plane(size_px: tuple[int, int], marks: Sequence[XrayMark], *, lines: Sequence[str] = ()) -> NDArray[np.bool_]:
    """The drawing alone, (rows, columns), for an overlay plane."""
    plane = Image.new("L", size_px, 0)
    pen = ImageDraw.Draw(plane)
    unit = _unit(size_px)
    for mark in marks:
        _shape(pen, mark, unit, 255, max(1, round(unit)))
    font = _font("Regular", unit)
    for text, at in _names(marks, size_px, font, pen):
        pen.text(at, text, font=font, fill=255)
    for n, text in enumerate(lines):
        pen.text((8 * unit, (8 + 17 * n) * unit), text, font=font, fill=255)
    return np.asarray(plane) > 127


def _draw(
    picture: Image.Image, marks: Sequence[XrayMark], title: str, lines: Sequence[str], banner: str, letters: float
) -> None:
    pen = ImageDraw.Draw(picture, "RGBA")
    unit = letters * _unit(picture.size)
    for mark in marks:
        edge = (0, 0, 0, 255 if mark.role == "scale" else 150)
        _shape(pen, mark, unit, edge, round(4.5 * unit))
        width = max(1, round((1 if mark.kind == "silhouette" else 2) * unit))
        _shape(pen, mark, unit, COLORS.get(mark.role, "#FFFFFF"), width)
    font = _font("Semibold", unit)
    for text, at in _names(marks, picture.size, font, pen):
        color = next((COLORS.get(m.role, "#FFFFFF") for m in marks if m.name == text), "#FFFFFF")
        _ground(pen, text, at, font, unit)
        pen.text(at, text, font=font, fill=color)
    big = _font("Bold", 1.5 * unit)
    at = (10 * unit, 8 * unit)
    _ground(pen, title, at, big, unit)
    pen.text(at, title, font=big, fill="#FFFFFF")
    for n, text in enumerate(lines):
        at = (10 * unit, (34 + 18 * n) * unit)
        _ground(pen, text, at, font, unit)
        pen.text(at, text, font=font, fill="#FFFFFF")
    if banner:
        width, height = picture.size
        pen.rectangle((0, height - 24 * unit, width, height), fill="#C2410C")
        pen.text((10 * unit, height - 21 * unit), banner, font=font, fill="#FFFFFF")


def _unit(size_px: tuple[int, int]) -> float:
    return max(0.6, min(size_px) / 700)


def _font(cut: str, unit: float) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(FONTS / f"OpenSans-{cut}.ttf"), max(9, round(13 * unit)))


def _ground(
    pen: ImageDraw.ImageDraw, text: str, at: tuple[float, float], font: ImageFont.FreeTypeFont, unit: float
) -> None:
    left, top, right, bottom = pen.textbbox(at, text, font=font)
    pen.rectangle((left - 3 * unit, top - 2 * unit, right + 3 * unit, bottom + 2 * unit), fill=(16, 20, 24, 165))


def _shape(pen: ImageDraw.ImageDraw, mark: XrayMark, unit: float, fill: object, width: int) -> None:
    ink: tuple[int, int, int, int] | str | int = fill  # type: ignore[assignment]
    points = [(float(x), float(y)) for x, y in mark.points_px]
    if mark.kind == "point":
        (x, y), r = points[0], (7 if mark.role == "target" else 4) * unit
        pen.ellipse((x - r, y - r, x + r, y + r), outline=ink, width=width)
        if mark.role == "target":
            for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
                pen.line([(x + dx * r, y + dy * r), (x + 2 * dx * r, y + 2 * dy * r)], fill=ink, width=width)
        return
    if mark.role == "scale":
        width += round(3 * unit)
    if mark.kind in ("closed", "silhouette"):
        points.append(points[0])
    pen.line(points, fill=ink, width=width, joint="curve")


def _names(
    marks: Sequence[XrayMark], size_px: tuple[int, int], font: ImageFont.FreeTypeFont, pen: ImageDraw.ImageDraw
) -> list[tuple[str, tuple[float, float]]]:
    """Where each name stands: beside its mark, in the picture, over no other name; one name once. A mark outside the
    picture has none.
    """
    placed: list[tuple[str, tuple[float, float]]] = []
    taken: list[tuple[float, float, float, float]] = []
    for mark in sorted(marks, key=lambda m: m.role != "target"):
        if not mark.name or mark.name in (name for name, _ in placed):
            continue
        inside = [(x, y) for x, y in mark.points_px if 0 <= x < size_px[0] and 0 <= y < size_px[1]]
        if not inside:
            continue
        box = pen.textbbox((0, 0), mark.name, font=font)
        width, height = box[2] - box[0], box[3]
        best = None
        for x, y in inside[:: max(1, len(inside) // 24)]:
            far = 0.8 * height
            for dx, dy in (
                (far, -height / 2), (-far - width, -height / 2), (-width / 2, far), (-width / 2, -far - height),
                (3 * far, far), (-3 * far - width, far), (3 * far, -far - height), (-3 * far - width, -far - height),
            ):  # fmt: skip
                left = min(max(x + dx, 4.0), size_px[0] - width - 4.0)
                top = min(max(y + dy, 4.0), size_px[1] - height - 4.0)
                here = (left - 4, top - 3, left + width + 4, top + height + 3)
                hits = sum(_overlap(here, other) for other in taken)
                # over another mark's line a name hides what it names
                hits += sum(0.2 * _within(here, m) for m in marks if m.kind != "silhouette")
                if best is None or hits < best[0]:
                    best = (hits, left, top, here)
        if best is not None:
            taken.append(best[3])
            placed.append((mark.name, (best[1], best[2])))
    return placed


def _overlap(one: tuple[float, float, float, float], two: tuple[float, float, float, float]) -> float:
    width = min(one[2], two[2]) - max(one[0], two[0])
    height = min(one[3], two[3]) - max(one[1], two[1])
    return max(width, 0.0) * max(height, 0.0)


def _within(box: tuple[float, float, float, float], mark: XrayMark) -> float:
    p = mark.points_px
    return float(((p[:, 0] > box[0]) & (p[:, 0] < box[2]) & (p[:, 1] > box[1]) & (p[:, 1] < box[3])).sum() * 200)
