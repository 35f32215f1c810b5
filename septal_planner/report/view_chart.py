"""The chart of C-arm angles: every plane's edge-on curve, what the arm reaches, and the views worth knowing, as SVG
for print and as PNG.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from septal_planner.fluoroscopy.limits import Room, Zone
from septal_planner.fluoroscopy.recommendation import Plane, Recommendation
from septal_planner.fluoroscopy.views import edge_on_curve

Array = NDArray[np.float64]
Point = tuple[float, float]

WIDTH, HEIGHT = 760.0, 560.0
LEFT, RIGHT, TOP, BOTTOM = 62.0, 34.0, 44.0, 52.0
PRIMARY, SECONDARY = (-90.0, 90.0), (-60.0, 60.0)
FONTS = Path(__file__).parent / "fonts"
INK, SOFT, RULE, REACHED, BLOCKED = "#1B2A35", "#55646F", "#C9D1D6", "#EEF3F4", "#D9C7BE"
LEGEND = (
    "A curve: that structure is seen as a line. A cross: two standard uncertainties to either side. "
    "Tinted: within the arm's limits."
)
ANCHORS = {"start": "ls", "middle": "ms", "end": "rs"}
# darker than over an X-ray, for white paper
LINES = ("#8A6D00", "#0072B2", "#00795C", "#B24A00", "#A03573")


@dataclass(frozen=True)
class Shape:
    """One thing drawn, in chart points: "line" and "area" take many points, "dot" and "text" one. `size`: thickness,
    radius or height of letters; `anchor`: of a text, "start", "middle" or "end".
    """

    kind: str
    points: tuple[Point, ...]
    color: str
    size: float = 1.0
    text: str = ""
    anchor: str = "start"
    bold: bool = False


def chart_shapes(planes: Sequence[Plane], room: Room, found: Recommendation, *, caution: str = "") -> tuple[Shape, ...]:
    """Everything on the chart, undermost first. The views of the best choice are numbered."""
    shapes = [_zone(room.arm, REACHED), *(_zone(z, BLOCKED) for z in room.blocked)]
    shapes += _axes()
    names: list[Shape] = []
    for plane, color in zip(planes, LINES * len(planes), strict=False):
        for piece in _pieces(edge_on_curve(plane.normal_lps, samples=721)):
            shapes.append(Shape("line", tuple(_at(*p) for p in piece), color, 2.2))
            if len(piece) > 20 and plane.name not in [n.text.partition(" edge")[0] for n in names]:
                # where the curve enters the chart, on a free line of its own
                x, y = _at(*piece[0])
                y = min(max(y, TOP + 14), HEIGHT - BOTTOM - 6)
                while any(abs(y - n.points[0][1]) < 17 and abs(x - n.points[0][0]) < 175 for n in names):
                    y += 18 if y < HEIGHT / 2 else -18
                names.append(Shape("text", ((x + 6, y),), color, 14.5, f"{plane.name} edge-on"))
    chosen = list(found.choices[0].candidates) if found.choices else []
    faces: list[Point] = []
    for c in found.candidates:
        x, y = _at(*c.angles_deg)
        if not _inside(c.angles_deg):
            continue
        if c.sd_deg is not None:
            for way in (0, 1):
                ends = [list(c.angles_deg), list(c.angles_deg)]
                ends[0][way] -= 2 * c.sd_deg[way]
                ends[1][way] += 2 * c.sd_deg[way]
                shapes.append(Shape("line", tuple(_clipped(e) for e in ends), SOFT, 0.8))
        shapes.append(Shape("dot", ((x, y),), INK if c.view.reachable else "#98A3AA", 6 if c in chosen else 3.2))
        if c.name.endswith("en face"):
            free = [b for b in (18, -9, 33, 48) if not any(abs(y + b - q) < 14 and abs(x - p) < 150 for p, q in faces)]
            below = free[0] if free else 18
            faces.append((x, y + below))
            shapes.append(Shape("text", ((x, y + below),), SOFT, 12.5, c.name, "middle"))
    shapes += names
    taken = [n.points[0] for n in names]
    for n, c in enumerate(chosen, 1):
        x, y = _at(*c.angles_deg)
        anchor, x = ("end", x - 11) if x > WIDTH - 200 else ("start", x + 11)
        while any(abs(y - q) < 18 and abs(x - p) < 190 for p, q in taken):
            y += 19
        taken.append((x, y))
        shapes.append(Shape("text", ((x, y + 5),), INK, 16, f"{n}  {c.view.label}", anchor, True))
    shapes.append(Shape("text", ((LEFT, 19),), INK, 17, "C-arm angles", bold=True))
    shapes.append(Shape("text", ((LEFT, 37),), SOFT, 11.5, LEGEND))
    if caution:
        shapes.append(Shape("text", ((WIDTH - RIGHT, HEIGHT - 6),), "#C2410C", 11.5, caution, "end"))
    return tuple(shapes)


def chart_svg(shapes: Sequence[Shape]) -> bytes:
    """The chart as SVG 1.1."""
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH:g}" height="{HEIGHT:g}" '
        f'viewBox="0 0 {WIDTH:g} {HEIGHT:g}" font-family="Open Sans, sans-serif">',
        f'<rect width="{WIDTH:g}" height="{HEIGHT:g}" fill="#FFFFFF"/>',
    ]
    for s in shapes:
        at = " ".join(f"{x:.2f},{y:.2f}" for x, y in s.points)
        x, y = s.points[0]
        if s.kind == "area":
            out.append(f'<polygon points="{at}" fill="{s.color}"/>')
        elif s.kind == "line":
            out.append(f'<polyline points="{at}" fill="none" stroke="{s.color}" stroke-width="{s.size:g}"/>')
        elif s.kind == "dot":
            out.append(f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{s.size:g}" fill="{s.color}" stroke="#FFFFFF"/>')
        else:
            weight = ' font-weight="bold"' if s.bold else ""
            out.append(
                f'<text x="{x:.2f}" y="{y:.2f}" font-size="{s.size:g}" fill="{s.color}" '
                f'text-anchor="{s.anchor}"{weight} stroke="#FFFFFF" stroke-width="3" paint-order="stroke">'
                f'{escape(s.text)}</text>'
            )
    return ("\n".join([*out, "</svg>"]) + "\n").encode()


def chart_png(shapes: Sequence[Shape], *, scale: float = 2.0) -> bytes:
    """The chart as PNG, `scale` pixels a point."""
    picture = Image.new("RGB", (round(WIDTH * scale), round(HEIGHT * scale)), "#FFFFFF")
    pen = ImageDraw.Draw(picture)
    for s in shapes:
        points = [(x * scale, y * scale) for x, y in s.points]
        (x, y), r = points[0], s.size * scale
        if s.kind == "area":
            pen.polygon(points, fill=s.color)
        elif s.kind == "line":
            pen.line(points, fill=s.color, width=max(1, round(r)), joint="curve")
        elif s.kind == "dot":
            pen.ellipse((x - r, y - r, x + r, y + r), fill=s.color, outline="#FFFFFF", width=round(scale))
        else:
            font = ImageFont.truetype(str(FONTS / f"OpenSans-{'Bold' if s.bold else 'Regular'}.ttf"), round(r))
            halo: dict[str, Any] = {"stroke_width": round(1.5 * scale), "stroke_fill": "#FFFFFF"}
            pen.text((x, y), s.text, font=font, fill=s.color, anchor=ANCHORS[s.anchor], **halo)
    stream = BytesIO()
    picture.save(stream, "PNG", optimize=True)
    return stream.getvalue()


def angles_at(x: float, y: float) -> Point:
    """Primary and secondary angle (degrees) of a place on the chart, in chart points, beyond its edges too."""
    across, down = (x - LEFT) / (WIDTH - LEFT - RIGHT), (y - TOP) / (HEIGHT - TOP - BOTTOM)
    return (
        PRIMARY[0] + across * (PRIMARY[1] - PRIMARY[0]), SECONDARY[1] - down * (SECONDARY[1] - SECONDARY[0])
    )


def place_of(primary_deg: float, secondary_deg: float) -> Point:
    """Chart points of two angles, brought to the chart's edge where they lie beyond it."""
    return _clipped((primary_deg, secondary_deg))


def _at(primary_deg: float, secondary_deg: float) -> Point:
    """Chart points; RAO to the left, cranial up."""
    x = LEFT + (primary_deg - PRIMARY[0]) / (PRIMARY[1] - PRIMARY[0]) * (WIDTH - LEFT - RIGHT)
    y = TOP + (SECONDARY[1] - secondary_deg) / (SECONDARY[1] - SECONDARY[0]) * (HEIGHT - TOP - BOTTOM)
    return float(x), float(y)


def _clipped(angles_deg: Sequence[float]) -> Point:
    return _at(float(np.clip(angles_deg[0], *PRIMARY)), float(np.clip(angles_deg[1], *SECONDARY)))


def _inside(angles_deg: Sequence[float]) -> bool:
    a, b = angles_deg
    return PRIMARY[0] <= a <= PRIMARY[1] and SECONDARY[0] <= b <= SECONDARY[1]


def _zone(zone: Zone, color: str) -> Shape:
    (a, b), (c, d) = zone.primary_deg, zone.secondary_deg
    return Shape("area", tuple(_clipped(p) for p in ((a, c), (b, c), (b, d), (a, d))), color)


def _pieces(curve: Array) -> list[Array]:
    """The parts of a curve (n, 2) on the chart."""
    inside = np.array([_inside(tuple(p)) for p in curve])
    edges = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(int), [0]])))
    return [curve[a:b] for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 1]


def _axes() -> list[Shape]:
    out = []
    for a in range(int(PRIMARY[0]), int(PRIMARY[1]) + 1, 30):
        out.append(Shape("line", (_at(a, SECONDARY[0]), _at(a, SECONDARY[1])), RULE, 1.2 if a == 0 else 0.6))
        said = "AP" if a == 0 else f"{'LAO' if a > 0 else 'RAO'} {abs(a)}"
        x, y = _at(a, SECONDARY[0])
        out.append(Shape("text", ((x, y + 18),), SOFT, 13, said, "middle"))
    for b in range(int(SECONDARY[0]), int(SECONDARY[1]) + 1, 20):
        out.append(Shape("line", (_at(PRIMARY[0], b), _at(PRIMARY[1], b)), RULE, 1.2 if b == 0 else 0.6))
        said = "0" if b == 0 else f"{'CRA' if b > 0 else 'CAU'} {abs(b)}"
        x, y = _at(PRIMARY[0], b)
        out.append(Shape("text", ((x - 6, y + 4),), SOFT, 13, said, "end"))
    return out
