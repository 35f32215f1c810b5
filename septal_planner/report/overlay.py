"""The plan drawn on an X-ray frame: what is drawn, as shapes in pixels, and those as a picture, grey frame or page.

Every line has a dark edge, so that it is seen over bright and dark alike; colours are those of Okabe and Ito, told
apart by the colour-blind (jfly.uni-koeln.de/color). The target is an ellipse that holds it in 95 of 100 cases, never a
point.
"""

from __future__ import annotations

import base64
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from html import escape
from io import BytesIO
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image, ImageDraw, ImageFont

from septal_planner.report.pdf import FONTS

Array = NDArray[np.float64]
Colour = tuple[int, int, int]

COLOURS: dict[str, Colour] = {
    "fossa": (230, 159, 0),
    "mitral annulus": (86, 180, 233),
    "tricuspid annulus": (204, 121, 167),
    "aortic annulus": (232, 116, 59),
    "old ring": (255, 255, 255),
    "inferior cava": (120, 190, 250),
    "catheter": (0, 200, 145),
    "target": (240, 228, 66),
    "pair": (255, 255, 255),
    "scale": (255, 255, 255),
}
SMALLEST_SIDE_PX = 1024  # of the picture; a smaller frame is enlarged so that letters stay readable
CAUTION = (
    "Planning aid, not a medical device. Confirm with live imaging. The heart and the patient move; this drawing "
    "does not."
)


@dataclass(frozen=True)
class Shape:
    """A line of column and row (n, 2), closed or not, with a name beside it where `text` says one."""

    role: str
    points_px: Array
    text: str = ""
    closed: bool = False


@dataclass(frozen=True)
class Drawing:
    """All that is drawn on one frame. `banner` is empty where the error is within the limit."""

    size_px: tuple[int, int]  # columns, rows
    shapes: tuple[Shape, ...]
    lines: tuple[str, ...]  # told in the corner
    banner: str = ""

    def shifted(self, by_px: ArrayLike) -> Drawing:
        """The same with everything but scale and words moved by so many columns and rows (2,)."""
        by = np.asarray(by_px, dtype=np.float64)
        moved = tuple(s if s.role == "scale" else replace(s, points_px=s.points_px + by) for s in self.shapes)
        return replace(self, shapes=moved)


def scale_bar(size_px: tuple[int, int], mm_per_px: float, *, length_mm: float = 20.0) -> Shape:
    """So many mm at the isocentre, in the lower right corner."""
    columns, rows = size_px
    right, y = columns * 0.96, rows * 0.93
    return Shape(
        "scale", np.array([[right - length_mm / mm_per_px, y], [right, y]]), f"{length_mm:g} mm at the isocentre"
    )


def cross(center_px: ArrayLike, *, arm_px: float) -> Array:
    """One line (5, 2) that draws a cross."""
    x, y = np.asarray(center_px, dtype=np.float64)
    a = arm_px
    return np.array([[x - a, y - a], [x + a, y + a], [x, y], [x - a, y + a], [x + a, y - a]])


def grey_8bit(
    frame: NDArray[np.generic], *, dark_is_high: bool = False, window: tuple[float, float] | None = None
) -> NDArray[np.uint8]:
    """A frame as 8-bit grey, black low, over `window` or its own 0.5 to 99.5 percentile."""
    values = frame.astype(np.float32)
    low, high = window or grey_window(frame)
    grey = np.clip((values - low) * (255.0 / max(high - low, 1e-6)), 0, 255)
    return np.asarray(np.rint(255 - grey if dark_is_high else grey), dtype=np.uint8)


def grey_window(frame: NDArray[np.generic]) -> tuple[float, float]:
    low, high = np.percentile(frame.astype(np.float32), [0.5, 99.5])
    return float(low), float(high)


def named(drawing: Drawing, letter_px: float) -> list[tuple[Shape, tuple[float, float], float]]:
    """Shapes with a name, the lower left corner of its words (column, row) and their width, letters `letter_px` tall:
    beside the shape, within the picture, and clear of each other as far as there is room.
    """
    columns, rows = drawing.size_px
    font = ImageFont.truetype(str(FONTS / "OpenSans-Semibold.ttf"), 40)
    gap, tall = 0.4 * letter_px, 1.3 * letter_px
    taken: list[tuple[float, float, float, float]] = []
    words = [(line, 0.6 * letter_px, (n + 2.0) * 1.35 * letter_px) for n, line in enumerate(drawing.lines)]
    for line, x, y in words:
        taken.append((x, y - tall, x + font.getlength(line) * letter_px / 40, y))
    found = []
    for s in drawing.shapes:
        if not s.text:
            continue
        wide = font.getlength(s.text) * letter_px / 40
        p = s.points_px
        inside = ((p >= 0) & (p < [columns, rows])).all(axis=1)
        if not inside.any():
            continue
        p = p[inside]
        top, bottom = p[np.argmin(p[:, 1])], p[np.argmax(p[:, 1])]
        left, right = p[np.argmin(p[:, 0])], p[np.argmax(p[:, 0])]
        places = [
            (right[0] + gap, right[1] + tall / 2), (left[0] - gap - wide, left[1] + tall / 2),
            (top[0] - wide / 2, top[1] - gap), (bottom[0] - wide / 2, bottom[1] + gap + tall),
            (right[0] + gap, right[1] - gap), (left[0] - gap - wide, left[1] - gap),
            (right[0] + gap, right[1] + gap + tall), (left[0] - gap - wide, left[1] + gap + tall),
        ]
        if s.role == "scale":
            places = [(right[0] - wide, top[1] - gap)]
        within = [
            (min(max(float(x), gap), columns - gap - wide), min(max(float(y), tall), rows - gap)) for x, y in places
        ]

        def covered(at: tuple[float, float], wide: float = wide) -> float:
            """Area of what is written already that these words would cover."""
            x0, y0, x1, y1 = at[0], at[1] - tall, at[0] + wide, at[1]
            return sum(
                max(0.0, min(x1, b[2]) - max(x0, b[0])) * max(0.0, min(y1, b[3]) - max(y0, b[1])) for b in taken
            )

        at = min(within, key=covered)
        taken.append((at[0], at[1] - tall, at[0] + wide, at[1]))
        found.append((s, at, wide))
    return found


def drawn_png(grey: NDArray[np.uint8], drawing: Drawing) -> bytes:
    """PNG, in colour, enlarged by a whole number where the frame is small."""
    factor = max(1, -(-SMALLEST_SIDE_PX // min(grey.shape)))
    image = Image.fromarray(grey).resize((grey.shape[1] * factor, grey.shape[0] * factor), Image.Resampling.BICUBIC)
    image = image.convert("RGB")
    _draw(image, drawing, factor, colours=True)
    stream = BytesIO()
    image.save(stream, "PNG")
    return stream.getvalue()


def masks(drawing: Drawing) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Pixels (rows, columns) of the frame that are white, and that are black, where the drawing is burnt into grey."""
    size = drawing.size_px
    over_black, over_white = Image.new("L", size, 0), Image.new("L", size, 255)
    _draw(over_black, drawing, 1, colours=False)
    _draw(over_white, drawing, 1, colours=False)
    return np.asarray(over_black) > 127, np.asarray(over_white) < 128


def burnt_in(grey: NDArray[np.uint8], white: NDArray[np.bool_], black: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Grey values with the drawing in them."""
    out = grey.copy()
    out[black] = 0
    out[white] = 255
    return out


def _draw(image: Image.Image, drawing: Drawing, factor: int, *, colours: bool) -> None:
    canvas = ImageDraw.Draw(image)
    unit = max(1.0, min(image.size) / 1024)
    thick, edge = round(2 * unit), round(2 * unit) + max(2, round(2 * unit))
    font = ImageFont.truetype(str(FONTS / "OpenSans-Semibold.ttf"), max(11, round(20 * min(image.size) / 1024)))

    def colour(role: str) -> Colour | int:
        return COLOURS.get(role, (255, 255, 255)) if colours else 255

    black: Colour | int = (0, 0, 0) if colours else 0
    for width, halo in ((thick + edge, True), (thick, False)):
        for s in drawing.shapes:
            # the middle of the first pixel is 0 in the frame's own count
            p = (s.points_px + 0.5) * factor - 0.5
            line = [(float(x), float(y)) for x, y in (np.vstack([p, p[:1]]) if s.closed else p)]
            canvas.line(line, fill=black if halo else colour(s.role), width=width, joint="curve")

    def write(at: tuple[float, float], text: str, fill: Colour | int, anchor: str) -> None:
        edge_px = max(2, round(2 * unit))
        canvas.text(at, text, font=font, fill=fill, anchor=anchor, stroke_width=edge_px, stroke_fill=black)

    width, height = image.size
    for s, (x, y), _ in named(drawing, font.size / factor):
        write(((x + 0.5) * factor - 0.5, (y + 0.5) * factor - 0.5), s.text, colour(s.role), "lb")
    step = font.size * 1.35
    top = step * 0.6
    if drawing.banner:
        fill: Colour | int = (200, 0, 0) if colours else 255
        words = _wrapped(drawing.banner, font, width - 2 * step)
        canvas.rectangle((0, 0, width, step * (len(words) + 0.8)), fill=fill)
        for n, line_of_words in enumerate(words):
            canvas.text(
                (width / 2, step * (n + 0.4)), line_of_words, font=font, anchor="mt",
                fill=(255, 255, 255) if colours else 0,
            )
        top = step * (len(words) + 1.2)
    for n, told in enumerate(drawing.lines):
        write((step * 0.6, top + n * step), told, (255, 255, 255) if colours else 255, "lt")
    for n, told in enumerate(reversed(_wrapped(CAUTION, font, width - 2 * step))):
        write((step * 0.6, height - step * (n + 0.4)), told, (255, 255, 255) if colours else 255, "lb")


def _wrapped(text: str, font: ImageFont.FreeTypeFont, width: float) -> list[str]:
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if font.getlength(longer) > width and lines[-1]:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def drawn_svg(grey: NDArray[np.uint8], drawing: Drawing) -> str:
    """The frame with its drawing as vectors, SVG; one unit is a pixel of the frame."""
    columns, rows = drawing.size_px
    stream = BytesIO()
    Image.fromarray(grey).save(stream, "PNG", optimize=True)
    picture = base64.b64encode(stream.getvalue()).decode()
    unit = min(columns, rows) / 512
    size = 10 * unit
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f'viewBox="0 0 {columns} {rows}" width="{columns}" height="{rows}">',
        f'<image x="0" y="0" width="{columns}" height="{rows}" xlink:href="data:image/png;base64,{picture}"/>',
    ]

    def hexed(role: str) -> str:
        return "#{:02x}{:02x}{:02x}".format(*COLOURS.get(role, (255, 255, 255)))

    def words(x: float, y: float, text: str, fill: str, anchor: str = "start") -> None:
        common = f'x="{x:.2f}" y="{y:.2f}" font-family="Open Sans" font-weight="600" font-size="{size:.2f}" '
        common += f'text-anchor="{anchor}"'
        out.append(f'<text {common} fill="none" stroke="#000" stroke-width="{0.2 * size:.2f}">{escape(text)}</text>')
        out.append(f'<text {common} fill="{fill}">{escape(text)}</text>')

    for width, halo in ((2.2 * unit, True), (1.0 * unit, False)):
        for s in drawing.shapes:
            places = " ".join(f"{x + 0.5:.2f},{y + 0.5:.2f}" for x, y in s.points_px)
            tag = "polygon" if s.closed else "polyline"
            stroke = "#000" if halo else hexed(s.role)
            out.append(f'<{tag} points="{places}" fill="none" stroke="{stroke}" stroke-width="{width:.2f}"/>')
    for s, (x, y), _ in named(drawing, size):
        words(x, y - 0.25 * size, s.text, hexed(s.role))
    top = 1.4 * size
    if drawing.banner:
        font = ImageFont.truetype(str(FONTS / "OpenSans-Semibold.ttf"), 40)
        lines = _wrapped(drawing.banner, font, (columns - 2 * size) * 40 / size)
        tall = (len(lines) * 1.35 + 0.5) * size
        out.append(f'<rect x="0" y="0" width="{columns}" height="{tall:.2f}" fill="#c80000"/>')
        for n, line in enumerate(lines):
            words(columns / 2, (n + 0.9) * 1.35 * size, line, "#fff", "middle")
        top += (len(lines) * 1.35 + 0.6) * size
    for n, line in enumerate(drawing.lines):
        words(0.6 * size, top + n * 1.35 * size, line, "#fff")
    font = ImageFont.truetype(str(FONTS / "OpenSans-Semibold.ttf"), 40)
    for n, line in enumerate(reversed(_wrapped(CAUTION, font, (columns - 2 * size) * 40 / size))):
        words(0.6 * size, rows - (0.6 + 1.35 * n) * size, line, "#fff")
    return "\n".join([*out, "</svg>"])


def drawn_pdf(pages: Sequence[tuple[NDArray[np.uint8], Drawing]], scratch: Path) -> bytes:
    """One page a frame, lines and letters as vectors; `scratch` is a folder in which files may stand meanwhile."""
    import typst

    with tempfile.TemporaryDirectory(prefix=".unfinished-", dir=scratch) as folder:
        root = Path(folder)
        text = '#set page(width: 200mm, height: auto, margin: 5mm)\n#set text(font: "Open Sans")\n'
        text += "#set document(date: datetime(year: 2000, month: 1, day: 1))\n"
        for n, (grey, drawing) in enumerate(pages):
            (root / f"{n}.svg").write_text(drawn_svg(grey, drawing), "utf-8")
            text += ("#pagebreak()\n" if n else "") + f'#image("{n}.svg", width: 190mm, alt: "Plan on frame {n + 1}")\n'
        (root / "frames.typ").write_text(text, "utf-8")
        try:
            return bytes(
                typst.compile(
                    str(root / "frames.typ"), root=str(root), font_paths=[str(FONTS)], ignore_system_fonts=True
                )
            )
        finally:
            shutil.rmtree(root, ignore_errors=True)
