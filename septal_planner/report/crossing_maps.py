"""The maps of a saved plan's membrane as they are printed: shapes as SVG, names and numbers beside them to be set over
it. Light is inside the limits and dark outside, so that a print in grey says the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from septal_planner.plan.crossing import CrossingFound, MapFound, QuantityMapped
from septal_planner.report.membrane_view import FINE_MM, MembraneView, Room
from septal_planner.report.picture import length_mm

Array = NDArray[np.float64]

WIDEST_MM, HIGHEST_MM = 104.0, 82.0          # of the large map on paper
SMALL_MM = (34.5, 32.0)
LETTER_MM = (0.62, 1.25)                     # half width of a letter and half height of a line at 6.5 pt
SCALE_MM = 5.0
# steps of the worst margin in tolerances, lightest first; below the last step is the darkest
MARGIN_STEPS = ((1.0, "#F8FBFA"), (0.0, "#DCEBE6"), (-1.0, "#B7C6C5"), (-2.0, "#9BACAE"), (-3.0, "#809398"))
DARKEST = "#687B82"
SHARE_STEPS = ((0.8, "#F8FBFA"), (0.6, "#DCEBE6"), (0.4, "#B7C6C5"), (0.2, "#9BACAE"), (0.05, "#809398"))
MET, NOT_MET = "#DCEBE6", "#97A6A9"
SHARE_LINES = (0.01, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 0.95)
INK = "#1B2A35"
HATCH = "#1B2A35"
MOST_LINES, MOST_SMALL = 9, 6
SHORTEST_BORDER = 3.0  # mm of the membrane: where two limits bind alike, islands are noise
SHORTEST_SMALL = 2.5  # mm of the membrane: shorter lines are noise on a small map
SHORT = {
    "height_above_mitral_annulus": "height", "height_above_coaptation": "height", "distance_to_rim": "rim",
    "distance_to_aorta": "aorta", "distance_to_posterior_wall": "posterior wall", "distance_to_roof": "roof",
    "distance_to_coronary_sinus": "coronary sinus", "wall_thickness": "wall thickness",
    "superior_fraction": "place up or down", "anterior_fraction": "place front or back", "entry_angle": "entry angle",
    "arc_turn": "turn of the bends", "bend_radius": "bend radius", "axis_tilt": "tilt", "clearance": "catheter's room",
    "tip_offset": "tip offset",
}


@dataclass
class Sheet:
    """One map being drawn. `k`: millimetres of paper per millimetre of the picture."""

    view: MembraneView
    k: float
    small: bool
    shapes: list[str] = field(default_factory=list)
    labels: list[dict[str, Any]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.room = Room(self.view.size_mm, 0.4 / self.k)
        w, h = self.view.size_mm
        edge = 3.6 / self.k / (1.3 if self.small else 1.0)
        for x, y in ((0.0, h / 2), (w, h / 2), (w / 2, 0.0), (w / 2, h)):  # letters at the edges
            self.room.take(x, y, (edge, edge))
        bar = SCALE_MM + 2.0 / self.k
        self.room.take(bar / 2, h - 2.2 / self.k, (bar / 2, 3.0 / self.k))

    def half(self, text: str, size: float = 6.5) -> tuple[float, float]:
        """Half width and height of a text of `size` points with a little air, in picture millimetres."""
        w, h = (v * size / 6.5 / self.k for v in LETTER_MM)
        return w * len(text) + 0.5 / self.k, h + 0.35 / self.k

    def fill(self, outlines: Sequence[Array], color: str) -> None:
        if outlines:
            self.shapes.append(f'<path d="{path_of(outlines, closed=True)}" fill="{color}" fill-rule="evenodd"/>')

    def line(
        self, lines: Sequence[Array], width_pt: float, *, color: str = INK, dash: str = "", closed: bool = False
    ) -> None:
        """Lines `width_pt` thick on paper; the dash is in points too."""
        if not lines:
            return
        to_mm = 0.3528 / self.k
        dashed = " ".join(f"{float(d) * to_mm:.3f}" for d in dash.split())
        extra = f' stroke-dasharray="{dashed}"' if dashed else ""
        self.shapes.append(
            f'<path d="{path_of(lines, closed=closed)}" fill="none" stroke="{color}" '
            f'stroke-width="{width_pt * to_mm:.3f}" stroke-linejoin="round"{extra}/>'
        )

    def hatch(self, outlines: Sequence[Array]) -> None:
        """Not assessed: hatched."""
        if outlines:
            self.shapes.append(
                f'<path d="{path_of(outlines, closed=True)}" fill="url(#hatch)" fill-rule="evenodd" stroke="{HATCH}" '
                f'stroke-width="{0.15 / self.k:.3f}"/>'
            )

    def put(self, kind: str, at: tuple[float, float], text: str, size: float = 6.5) -> None:
        self.labels.append({"kind": kind, "x": round(at[0], 3), "y": round(at[1], 3), "text": text, "size": size})

    def number(self, lines: Sequence[Array], text: str, *, bold: bool = False) -> None:
        """A number on the longest of some lines, where there is room for it."""
        size = 5.6 if self.small else 6.5
        for one in sorted(lines, key=length_mm, reverse=True)[:2]:
            middle = along(one, np.array([0.5, 0.4, 0.6, 0.3, 0.7, 0.22, 0.78, 0.14, 0.86]))
            at = self.room.first_free(middle, self.half(text, size))
            if at is not None:
                self.put("bold number" if bold else "number", at, text, size)
                return

    def done(self, title: str, caption: str = "", legend: Sequence[Sequence[str]] = ()) -> dict[str, Any]:
        """As crossing.typ takes it, the drawing under "svg"."""
        w, h = self.view.size_mm
        gap = 1.1 / self.k
        hatch = (
            f'<defs><pattern id="hatch" width="{gap:.3f}" height="{gap:.3f}" patternUnits="userSpaceOnUse">'
            f'<path d="M0 {gap:.3f}L{gap:.3f} 0" stroke="{HATCH}" stroke-width="{0.16 / self.k:.3f}"/></pattern></defs>'
        )
        self.line([self.view.rim_mm], 0.9 if self.small else 1.3, closed=True)
        svg = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w:.3f} {h:.3f}" width="{w:.3f}mm" '
            f'height="{h:.3f}mm">{hatch}{"".join(self.shapes)}</svg>'
        )
        return {
            "svg": svg, "title": title, "caption": caption, "legend": [list(row) for row in legend],
            "width": round(w * self.k, 3), "height": round(h * self.k, 3), "k": round(self.k, 5), "small": self.small,
            "edges": self.view.edges, "labels": self.labels, "bar": SCALE_MM,
        }


def along(line: Array, shares: Array) -> Array:
    """Points (n, 2) at shares (n,) of a line's length."""
    at = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    return np.stack([np.interp(shares * at[-1], at, line[:, i]) for i in (0, 1)], axis=-1)


def path_of(lines: Sequence[Array], *, closed: bool) -> str:
    """SVG path data of lines (n, 2)."""
    pieces = []
    for line in lines:
        points = [f"{x:.3f} {y:.3f}" for x, y in line.tolist()]
        pieces.append("M" + "L".join(points) + ("Z" if closed else ""))
    return "".join(pieces)


def scale_of(view: MembraneView, most_mm: tuple[float, float]) -> float:
    """Paper per picture so that the map fits."""
    return min(most_mm[0] / view.size_mm[0], most_mm[1] / view.size_mm[1])


def places_of(crossing: CrossingFound, target_lps: Sequence[float]) -> list[tuple[str, str, tuple[float, ...]]]:
    """Kind, name and place of what is marked: the target, candidates by rank, compared targets by letter."""
    named = [("target", "target", tuple(target_lps))]
    if crossing.choice is not None:
        named += [("candidate", str(i), c.target_mm) for i, c in enumerate(crossing.choice.candidates, 1)]
    return named + [("compared", letter_of(i), c.target_mm) for i, c in enumerate(crossing.compared)]


def letter_of(index: int) -> str:
    """A, B, to Z, then AA."""
    return ("" if index < 26 else letter_of(index // 26 - 1)) + "ABCDEFGHIJKLMNOPQRSTUVWXYZ"[index % 26]


def _put_places(sheet: Sheet, found: MapFound, places: Sequence[tuple[str, str, tuple[float, ...]]]) -> None:
    """The target, which comes first, and on the large map the others with their numbers and letters."""
    view = sheet.view
    axes = np.stack([found.axis_u, found.axis_v], axis=1)
    points = [view.at_uv((np.asarray(p) - np.asarray(found.origin_mm)) @ axes) for _, _, p in places]
    target = points[0]
    for (kind, _, _), at in reversed(list(zip(places, points, strict=True))):
        r = (1.9 if kind == "target" else 0.8) / sheet.k
        sheet.room.take(float(at[0]), float(at[1]), (r, r))
        if kind == "target":
            sheet.put(kind, (float(at[0]), float(at[1])), "")
        elif np.linalg.norm(at - target) > 0.1:
            sheet.put("spot", (float(at[0]), float(at[1])), "")
    if sheet.small:
        return
    turn = np.deg2rad([-45, -135, 45, 135, -90, 90, 0, 180])
    for (kind, name, _), at in zip(places, points, strict=True):
        if kind == "target":
            continue
        half = (1.75 / sheet.k, 1.75 / sheet.k)
        rings = [at + r / sheet.k * np.stack([np.cos(turn), np.sin(turn)], axis=-1) for r in (3.8, 5.0, 6.5, 8.0, 10.0)]
        beside = sheet.room.first_free(np.concatenate(rings), half)
        if beside is not None:
            sheet.line([np.array([at, beside])], 0.6)
            sheet.put(kind, beside, name, 7.5)


def worst_map(
    found: MapFound, view: MembraneView, places: Sequence[tuple[str, str, tuple[float, ...]]]
) -> dict[str, Any]:
    """The large map: steps of the worst margin, its lines, the limits' regions by name, and the places."""
    sheet = Sheet(view, scale_of(view, (WIDEST_MM, HIGHEST_MM)), small=False)
    known = np.array([v is not None for v in found.worst])
    levels: list[float] = []
    lines: dict[float, list[Array]] = {}
    if known.any():
        values = view.field(found.worst)
        sheet.fill([view.rim_mm], DARKEST)
        for step, color in reversed(MARGIN_STEPS):
            sheet.fill(view.areas(values, step), color)
        said = [v for v in found.worst if v is not None]
        levels = nice_levels(min(said), max(said), 1.0)
        lines = {level: view.lines(values, level) for level in levels}
    names = dict.fromkeys(b for b in found.binds if b)
    regions = []
    for name in names:
        share = view.share([b == name for b in found.binds])
        border = [line for line in view.lines(share, 0.5) if length_mm(line) > SHORTEST_BORDER]
        sheet.line(border, 0.8, color="#FFFFFF")
        sheet.line(border, 0.6, dash="2.2 1.6")
        regions.append((name, share))
    for level, those in lines.items():
        sheet.line(those, 2.0 if level == 0 else 0.55)
    if not known.all():
        sheet.hatch(view.areas(view.share(~known), 0.5))
    _put_places(sheet, found, places)
    unnamed = []
    for name, share in sorted(regions, key=lambda r: -float((r[1] > 0.5).sum())):
        text = SHORT.get(name, name.replace("_", " "))
        within = np.minimum(view.inside_mm, _depth(share > 0.5))[::3, ::3]
        order = np.argsort(-within, axis=None, kind="stable")
        points = np.stack(np.meshgrid(view.x_mm[::3], view.y_mm[::3]), axis=-1).reshape(-1, 2)[order]
        points = points[within.ravel()[order] > 0.35]
        at = sheet.room.first_free(points, sheet.half(text, 7.0))
        if at is None:
            unnamed.append(text)
        else:
            sheet.put("region", at, text, 7.0)
    for level in sorted(lines, key=abs):
        sheet.number(lines[level], f"{level:+g}".replace("-", "\u2212") if level else "0", bold=level == 0)
    caption = f"Binding too, in areas too small to name: {', '.join(unnamed)}." if unnamed else ""
    return sheet.done("Margin over all limits, in tolerances", caption)


def _depth(mask: NDArray[np.bool_]) -> Array:
    """How deep in an area each place of the fine grid lies, mm."""
    return np.asarray(distance_transform_edt(mask)) * FINE_MM


def nice_levels(low: float, high: float, step: float, most: int = MOST_LINES) -> list[float]:
    """Whole steps between two values, wider ones where there would be many; nought is always among them where it lies
    between."""
    for factor in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000):
        wide = step * factor
        first, last = int(np.ceil(low / wide - 1e-9)), int(np.floor(high / wide + 1e-9))
        if last - first < most:
            return [round(wide * i, 6) + 0.0 for i in range(first, last + 1)]
    return []


def chance_map(
    found: MapFound, view: MembraneView, places: Sequence[tuple[str, str, tuple[float, ...]]],
    most_mm: tuple[float, float],
) -> dict[str, Any] | None:
    """Share of draws in which all limits are met; None where no draws were asked for."""
    if found.all_met is None or all(v is None for v in found.all_met):
        return None
    sheet = Sheet(view, scale_of(view, most_mm), small=True)
    values = view.field(found.all_met)
    sheet.fill([view.rim_mm], DARKEST)
    for step, color in reversed(SHARE_STEPS):
        sheet.fill(view.areas(values, step), color)
    said = [v for v in found.all_met if v is not None]
    lines = {level: view.lines(values, level) for level in SHARE_LINES if min(said) < level <= max(said)}
    for those in lines.values():
        sheet.line(those, 0.5)
    unknown = np.array([v is None for v in found.all_met])
    if unknown.any():
        sheet.hatch(view.areas(view.share(unknown), 0.5))
    if max(said) >= 0.005:
        best = int(np.argmax([-1.0 if v is None else v for v in found.all_met]))
        x, y = view.at_uv([found.u_mm[best], found.v_mm[best]]).tolist()
        sheet.room.take(x, y, (0.8 / sheet.k, 0.8 / sheet.k))
        sheet.put("spot", (x, y), "")
    _put_places(sheet, found, places[:1])
    for level in sorted(lines, reverse=True):
        sheet.number(lines[level], f"{100 * level:g}")
    most = "under 1 %" if max(said) > 0 else "0 %"
    if max(said) >= 0.005:
        height = next((q.values[best] for q in found.quantities if q.name == "height_above_mitral_annulus"), None)
        margin = found.worst[best]
        most = f"{100 * max(said):.0f} % (small ring" + ("" if height is None else f", {height:.1f} mm high")
        most += ")" if margin is None else f", worst margin {margin:+.1f})".replace("-", "\u2212")
    return sheet.done("All limits met, % of trials", f"Highest on this membrane: {most}.")


def quantity_map(
    found: MapFound, view: MembraneView, mapped: QuantityMapped, title: str, unit: str,
    places: Sequence[tuple[str, str, tuple[float, ...]]],
) -> dict[str, Any]:
    """One quantity: light where its limit is met, lines of its value, the limit bold."""
    if all(v is None for v in mapped.values):
        return {"title": title, "why": mapped.why_not or "Not assessed on this membrane."}
    sheet = Sheet(view, scale_of(view, SMALL_MM), small=True)
    values = view.field(mapped.values)
    sheet.fill([view.rim_mm], NOT_MET)
    inside = np.full(values.shape, np.inf)
    for limit, sign in ((mapped.low, 1.0), (mapped.high, -1.0)):
        if limit is not None:
            inside = np.minimum(inside, sign * (values - limit))
    sheet.fill(view.areas(inside, 0.0), MET)
    said = [v for v in mapped.values if v is not None]
    step = {"mm": 1.0, "deg": 1.0}.get(mapped.unit, 0.1)
    limits = [v for v in (mapped.low, mapped.high) if v is not None and min(said) <= v <= max(said)]
    levels = nice_levels(min(said), max(said), step, MOST_SMALL)
    lines = {level: [o for o in view.lines(values, level) if length_mm(o) > SHORTEST_SMALL] for level in levels}
    for level, those in lines.items():
        if level not in limits:
            sheet.line(those, 0.45)
    bold = {limit: [o for o in view.lines(values, limit) if length_mm(o) > SHORTEST_SMALL] for limit in limits}
    for those in bold.values():
        sheet.line(those, 1.6)
    unknown = np.array([v is None for v in mapped.values])
    if unknown.any():
        sheet.hatch(view.areas(view.share(unknown), 0.5))
    _put_places(sheet, found, places[:1])
    for limit, those in bold.items():
        sheet.number(those, f"{limit:g}".replace("-", "\u2212"), bold=True)
    for level, those in lines.items():
        if level not in limits:
            sheet.number(those, f"{level:g}".replace("-", "\u2212"))
    return sheet.done(title, f"{min(said):.0f} to {max(said):.0f}{unit}")
