"""The needle's way to the septum and the catheter's way on, in words, and the face of the needle's clock."""

from __future__ import annotations

from typing import Any

import numpy as np

from septal_planner.plan.crossing import CatheterFound, CrossingFound, NeedleFound, TricuspidFound
from septal_planner.puncture.catheters import HARDLY_BENT_DEG, load_catheters
from septal_planner.puncture.needle import PUBLISHED_CLOCK_HOURS, clock_words
from septal_planner.report.words import number

CLOCK_SOURCE = "Fender et al. 2014, 100 CTs"
FACE = (20.0, 15.5)  # half width and height of the clock's drawing
INK = "#1B2A35"
_SPARE = {
    "tilt_deg": ("Tilt against the target's axis", "deg"), "offset_mm": ("Offset from the device point", "mm"),
    "clearance_mm": ("Room of its body to the wall", "mm"), "advance_mm": ("Straight part pushed out", "mm"),
}  # fmt: skip

_REACHES = {
    "met": "reaches within all its limits", "not met": "does not reach within all its limits",
    "not assessed": "reaches; its room to the wall is not assessed",
}  # fmt: skip


def clock_point(hours: float, radius: float) -> tuple[float, float]:
    """(x, y), y down, of an hour on a clock's face about (0, 0)."""
    turn = np.deg2rad(30.0 * hours)
    return round(float(radius * np.sin(turn)), 4), round(float(-radius * np.cos(turn)), 4)


def clock_face(hours: float) -> dict[str, Any]:
    """The face as SVG, its middle at FACE: rim, published range, hand; and the words around it with their
    places."""
    rim = 11.5
    low, high = PUBLISHED_CLOCK_HOURS
    (ax, ay), (bx, by) = clock_point(low, rim), clock_point(high, rim)
    shapes = [
        f'<circle cx="0" cy="0" r="{rim}" fill="#FFFFFF" stroke="{INK}" stroke-width="0.5"/>',
        f'<path d="M0 0L{ax} {ay}A{rim} {rim} 0 0 1 {bx} {by}Z" fill="#CFE3DD" stroke="#55646F" stroke-width="0.3" '
        'stroke-dasharray="1 0.7"/>',
    ]
    for hour in range(1, 13):
        (x, y), (u, v) = clock_point(hour, rim), clock_point(hour, rim - (2.2 if hour % 3 == 0 else 1.2))
        shapes.append(f'<path d="M{x} {y}L{u} {v}" stroke="{INK}" stroke-width="{0.6 if hour % 3 == 0 else 0.35}"/>')
    tip, neck = clock_point(hours, rim - 1.4), clock_point(hours, rim - 4.4)
    left, right = clock_point(hours - 0.32, rim - 4.6), clock_point(hours + 0.32, rim - 4.6)
    shapes.append(f'<path d="M0 0L{neck[0]} {neck[1]}" stroke="{INK}" stroke-width="1"/>')
    shapes.append(f'<path d="M{tip[0]} {tip[1]}L{left[0]} {left[1]}L{right[0]} {right[1]}Z" fill="{INK}"/>')
    shapes.append(f'<circle cx="0" cy="0" r="1" fill="{INK}"/>')
    (cx, cy), (w, h) = FACE, (2 * FACE[0], 2 * FACE[1])
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{-cx} {-cy} {w} {h}" width="{w}mm" height="{h}mm">'
        f'{"".join(shapes)}</svg>'
    )
    words = [
        [cx, cy - rim - 1.9, "12 front"], [cx + rim + 4.6, cy, "3 left"], [cx, cy + rim + 2.2, "6 back"],
        [cx - rim - 4.8, cy, "9 right"],
    ]
    return {"svg": svg, "words": words, "size": [w, h]}


def needle_words(n: NeedleFound) -> dict[str, Any]:
    low, high = PUBLISHED_CLOCK_HOURS
    where = "within" if n.clock_as_published else "outside"
    slide = n.slide
    rows = [
        ["Angle of entry of a sheath so drawn, at the target", number(n.entry_angle_deg, "deg")],
        ["Angle of entry of it to the septum as a whole", number(n.entry_angle_mean_deg, "deg")],
        ["Shaft runs beside the caval axis by", number(n.shaft_from_cava_mm, "mm")],
        ["Least room of its centre line to the right atrial wall", _or_not(n.least_room_mm)],
        ["Slide down from the superior vena cava", "not assessed" if slide is None else number(slide.length_mm, "mm")],
    ]
    if slide is not None:
        rows += [
            ["Of it from the limbus to the target", _or_not(slide.limbus_to_target_mm)],
            ["Step into the fossa on the way", "not assessed" if slide.step_mm is None else (
                number(slide.step_mm, "mm") if slide.step_mm >= 0 else f"{number(-slide.step_mm, 'mm')} outward (bulge)"
            )],
        ]
    warn = ""
    if n.least_room_mm is not None and n.least_room_mm < 0:
        warn = "Drawn so, the sheath would lie outside the right atrium: it will lean on the wall and lie otherwise."
    return {
        "clock": clock_words(n.clock_hours), "hours": f"{n.clock_hours:.1f}", "face": clock_face(n.clock_hours),
        "published": f"{where} the published {low:g} to {high:g}",
        "source": f"Shaded: {low:g} to {high:g} o'clock, best direction in {CLOCK_SOURCE}.",
        "outside": not n.clock_as_published, "rows": rows, "warn": warn,
    }


def _or_not(value: float | None, unit: str = "mm") -> str:
    return "not assessed" if value is None else number(value, unit)


def reach_status(c: CatheterFound) -> str:
    """Not assessed: within all its limits but for its room to the wall, which is not known."""
    if not c.reachable:
        return "not met"
    return "not assessed" if c.clearance_mm is None else "met"


def catheter_words(c: CatheterFound, flag: str) -> dict[str, Any]:
    near = "" if c.nearest is None else f" to the {c.nearest}"
    inputs = [["Straight part pushed out", number(c.advance_mm, "mm")], _bends_toward(c)]
    first = 1 if not c.bend_planes_deg else None
    for i, (turn, radius) in enumerate(zip(c.deflections_deg, c.radii_mm, strict=True), 1):
        which = f"Bend {i}" if len(c.deflections_deg) > 1 else "Bend"
        # whither the first bend that is used bends is told already
        inputs.append([which, _bend(abs(turn) if first is None else turn, radius)])
        first = first if first is not None or abs(turn) < HARDLY_BENT_DEG else i
    left = [
        ["Tilt against the target's axis", number(c.tilt_deg, "deg")],
        ["Offset from the device point", number(c.offset_mm, "mm")],
        ["Least room of its body", "not assessed" if c.clearance_mm is None else number(c.clearance_mm, "mm") + near],
        ["Smallest radius used", "no bend" if c.smallest_radius_mm is None else number(c.smallest_radius_mm, "mm")],
        ["Length from the septum on", number(c.length_mm, "mm")],
        ["Usable length to spare", "not assessed: the length up to the septum is not known"
         if c.usable_spare_mm is None else number(c.usable_spare_mm, "mm")],
    ]
    return {
        "title": c.title, "status": reach_status(c), "reaches": _REACHES[reach_status(c)],
        "flag": f"Figures: {flag}." + (
            f" Without a verified source: {', '.join(c.unconfirmed)}." if c.unconfirmed else ""
        ),
        "why_not": list(c.why_not), "inputs": inputs, "left": left, "spare": spare_words(c),
    }


def _bends_toward(c: CatheterFound) -> list[str]:
    """Whither the first bend that is used bends, as seen where it begins."""
    used = next((i for i, turn in enumerate(c.deflections_deg) if abs(turn) >= HARDLY_BENT_DEG), 0)
    if not c.bend_planes_deg:  # of a plan saved without them
        return ["Plane of the first bend", _plane(c.plane_deg)]
    turned = c.plane_deg + c.bend_planes_deg[used] + (180.0 if c.deflections_deg[used] < 0 else 0.0)
    which = f"Bend {used + 1} bends" if len(c.deflections_deg) > 1 else "Bends"
    return [which, _plane((turned + 180.0) % 360.0 - 180.0)]


def _plane(plane_deg: float) -> str:
    """0 toward the target's axis, turned right-handed about the way it crosses."""
    if abs(plane_deg) < 0.5:
        return "straight toward the target's axis"
    side = "clockwise" if plane_deg > 0 else "anticlockwise"
    return f"{number(abs(plane_deg), 'deg')} {side} from the target's axis, looking along the catheter"


def _bend(turn_deg: float, radius_mm: float) -> str:
    if abs(turn_deg) < HARDLY_BENT_DEG:
        return "not bent"
    back = " to the other side" if turn_deg < 0 else ""
    return f"{number(abs(turn_deg), 'deg')}{back}, radius {number(radius_mm, 'mm')}"


def spare_words(c: CatheterFound) -> list[list[str]]:
    """What is to spare in each limit; of a bend that is not used there is nothing to say."""
    unused = [f"bend_{i}_" for i, turn in enumerate(c.deflections_deg, 1) if abs(turn) < HARDLY_BENT_DEG]
    return [_spare(key, value) for key, value in c.spare.items() if not key.startswith(tuple(unused))]


def _spare(key: str, value: float) -> list[str]:
    """Name, what is to spare, and the shape: of a limit that is just kept the one of what is borderline."""
    if key in _SPARE:
        name, unit = _SPARE[key]
    else:
        unit = "deg" if key.endswith("_deg") else "mm"
        parts = key.split("_")
        which = f"Bend {parts[1]}" if parts[0] == "bend" else parts[0].capitalize()
        name = f"{which}: {'turn' if unit == 'deg' else 'radius above its tightest'}"
    rounded = number(abs(value), unit)
    zero = rounded == number(0.0, unit)
    if zero:
        return [name, "none to spare", "borderline"]
    return [name, f"{rounded} to spare" if value > 0 else f"{rounded} beyond", "met" if value > 0 else "not met"]


def share_words(found: CrossingFound) -> list[dict[str, Any]]:
    """From how much of the membrane each catheter reaches, the plan's own first, then the largest share."""
    titles = {name: c.title for name, c in load_catheters().items()}
    if found.reach is not None:
        titles[found.reach.name] = found.reach.title
    order = sorted(found.reach_share.items(), key=lambda item: (item[0] != found.catheter, -item[1], item[0]))
    return [
        {"title": titles.get(name, name.replace("-", " ").capitalize()), "share": share,
         "text": f"{100 * share:.0f}\u00a0%" if share in (0.0, 1.0) or 0.005 <= share < 0.995
         else "under 1\u00a0%" if share < 0.5 else "over 99\u00a0%",
         "own": name == found.catheter}
        for name, share in order
    ]


def tricuspid_words(t: TricuspidFound) -> dict[str, Any]:
    c = t.catheter
    near = "" if c.nearest is None else f" to the {c.nearest}"
    rows = [
        ["Turn from the caval axis into the valve", number(t.turn_deg, "deg")],
        ["Tilt against the valve's axis", number(c.tilt_deg, "deg")],
        ["Offset from the device point", number(c.offset_mm, "mm")],
        ["Least room of its body", "not assessed" if c.clearance_mm is None else number(c.clearance_mm, "mm") + near],
        ["Smallest radius used", "no bend" if c.smallest_radius_mm is None else number(c.smallest_radius_mm, "mm")],
    ]
    if t.leads is None:
        leads = ["Leads across the valve: not looked for."]
    else:
        leads = list(t.leads) or ["No metal was found across the tricuspid annulus."]
    view = t.shared_view
    if view is None:
        shared = "C-arm view that shows both annuli edge-on: not given."
    else:
        off = (
            f"{number(view.mitral_off_deg, 'deg')} off for the mitral, {number(view.tricuspid_off_deg, 'deg')} for the "
            "tricuspid annulus"
        )
        beyond = "" if view.reachable else "; beyond the limits of a C-arm"
        shared = f"One view for both annuli edge-on: {view.label} ({off}{beyond})."
    return {
        "title": c.title, "status": reach_status(c), "reaches": _REACHES[reach_status(c)],
        "rows": rows, "spare": spare_words(c), "why_not": list(c.why_not), "leads": leads, "warn": bool(t.leads),
        "shared": shared, "not_assessed": list(t.not_assessed),
    }
