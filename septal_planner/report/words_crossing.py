"""What the pages on the whole membrane and on the ways to and from the target say: where to cross, how sure, the way
there and on. Rounding happens here and in words.py."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np

from septal_planner.plan import Plan
from septal_planner.plan.crossing import CrossingFound, DoubtFound, MapFound, PlaceFound, QuantityMapped
from septal_planner.report.crossing_maps import (
    DARKEST,
    MARGIN_STEPS,
    SHORT,
    chance_map,
    letter_of,
    places_of,
    quantity_map,
    worst_map,
)
from septal_planner.report.membrane_view import membrane_view
from septal_planner.report.words import NAMES, asked, number
from septal_planner.report.words_way import catheter_words, needle_words, reach_status, share_words, tricuspid_words

QUANTITY_NAMES = NAMES | {
    "height_above_coaptation": "Height above leaflet coaptation", "distance_to_roof": "Free path to the roof",
    "distance_to_coronary_sinus": "Distance to the coronary sinus", "turn_angle": "Turn into the valve's axis",
    "arc_turn": "Turn of the bends", "bend_radius": "Smallest bend radius",
    "clearance": "Room of its centre line to the wall",
    "axis_tilt": "Tilt against the target's axis", "tip_offset": "Offset of the tip from the device point",
    "wall_thickness": "Wall thickness", "entry_angle": "Angle of entry",
}  # fmt: skip
SOURCE_NAMES = {
    "landmarks": "Marked points", "image": "CT image", "needle": "Where the needle lands",
    "tenting": "Tenting of the septum", "phase": "Heartbeat", "respiration": "Breathing",
}  # fmt: skip
SMALL_MAPS = ("height", "distance_to_aorta", "axis_tilt", "tip_offset", "clearance")
HEIGHT = "height_above_mitral_annulus"
STRAIGHT = 999.0
AT_ONCE = 4  # compared places side by side
AS_TARGET_MM = 0.05
OF_THE_ARC = ("arc_turn", "bend_radius", "axis_tilt", "clearance", "tip_offset")

# what the reasons of a plan begin to speak of, each said where the thing itself would stand
_SAID_ABOVE = ("map of the membrane", "How likely", "needle's way", "reach of a catheter")


def crossing_words(plan: Plan) -> dict[str, Any] | None:
    """Everything those pages say and draw, as plain lists and texts; None for a plan saved without it."""
    found = plan.crossing
    if found is None:
        return None
    return {
        "brief": _brief(plan, found),
        "maps": None if found.map is None else _maps(plan, found, found.map),
        "map_why": _reason(found, _SAID_ABOVE[0], "Not assessed."),
        "steps": _steps(),
        "candidates": _candidates(plan, found),
        "gives": list(found.choice.what_gives) if found.choice else [],
        "heights": _heights(found),
        "compared": _compared(plan, found),
        "doubt": None if found.doubt is None else _doubt(found, found.doubt),
        "doubt_why": _reason(
            found, _SAID_ABOVE[1], "Not assessed, because there is no map of the membrane." if found.map is None
            else "Not assessed: the plan was made without trials.",
        ),
        "needle": None if found.needle is None else needle_words(found.needle),
        "needle_why": _reason(found, _SAID_ABOVE[2], "Not assessed."),
        "catheter": None if found.reach is None else catheter_words(found.reach, found.flag),
        "catheter_why": _reason(found, _SAID_ABOVE[3], "Not assessed."),
        "shares": share_words(found),
        "tricuspid": None if found.tricuspid is None else tricuspid_words(found.tricuspid),
        "not_assessed": [w for w in found.not_assessed if not any(a in w for a in _SAID_ABOVE)],
    }


def _reason(found: CrossingFound, about: str, otherwise: str) -> str:
    return next((why for why in found.not_assessed if about in why), otherwise)


def percent(share: float | None) -> str:
    """A share of draws; never 0 or 100, which no number of draws can tell."""
    if share is None:
        return "–"
    if share < 0.005:
        return "under 1\u00a0%"
    if share >= 0.995:
        return "over 99\u00a0%"
    return f"{100 * share:.0f}\u00a0%"


def margin_words(worst: float | None) -> str:
    """How far inside or outside, in tolerances."""
    if worst is None:
        return "not assessed"
    if worst >= 0:
        return f"{worst:.1f} inside"
    return "under 0.1 outside" if worst > -0.05 else f"{-worst:.1f} outside"


def place_status(place: PlaceFound) -> str:
    if place.worst_margin is None:
        return "not assessed"
    return "met" if place.meets_all else "not met"


def _brief(plan: Plan, found: CrossingFound) -> list[dict[str, str]]:
    """The few facts of page one: what, the value, what is said below it, and the shape beside it."""
    doubt, target, needle, reach = found.doubt, found.target, found.needle, found.reach
    trials = {"what": "Trials that keep all limits", "value": "not assessed", "below": "", "status": ""}
    if doubt is not None and doubt.all_met is None:
        trials["below"] = "a limit is not assessed there"
    elif doubt is not None:
        one = ", with one plain arc" if one_arc(found, doubt) else ""
        trials |= {"value": percent(doubt.all_met), "below": f"of {doubt.draws} simulated punctures{one}"}
    cells = [trials]
    if target is None:
        cells.append({"what": "What binds", "value": "not assessed", "below": "no map of the membrane", "status": ""})
    else:
        far = ""
        if target.worst_margin is not None:
            much, side = margin_words(target.worst_margin).rsplit(" ", 1)
            far = f"{side} by {much} of its tolerance"
        cells.append({
            "what": "What binds", "value": SHORT.get(target.binds, target.binds.replace("_", " ")) or "nothing asked",
            "below": far, "status": place_status(target),
        })
    if needle is None:
        cells.append({"what": "Needle, seen from the feet", "value": "not assessed", "below": "", "status": ""})
    else:
        said = needle_words(needle)
        cells.append({
            "what": "Needle, seen from the feet", "value": said["clock"], "below": said["published"], "status": "",
        })
    if reach is None:
        cells.append({"what": "Catheter to its goal", "value": "not assessed", "below": "", "status": ""})
    else:
        ends = f"ends tilted {number(reach.tilt_deg, 'deg')}, {number(reach.offset_mm, 'mm')} off"
        ends += "; its room to the wall is not assessed" if reach_status(reach) == "not assessed" else ""
        cells.append({
            "what": "Catheter to its goal", "value": "reaches" if reach.reachable else "does not reach", "below": ends,
            "status": reach_status(reach),
        })
    return cells


def _heights(found: CrossingFound) -> str:
    if found.choice is None:
        return ""
    said, height = [], next((q for q in found.map.quantities if q.name == HEIGHT), None) if found.map else None
    if found.map is not None and height is not None:
        meet = [h for h, w in zip(height.values, found.map.worst, strict=True)
                if h is not None and w is not None and w >= 0]
        if meet:
            said.append(f"Heights at which every limit is met somewhere: {_span(min(meet), max(meet))}.")
    if found.choice.heights_mm is not None:
        said.append(
            "Heights to be had at a distance from rim, aorta and walls that leaves room for a needle that slips: "
            f"{_span(*found.choice.heights_mm)}."
        )
    return " ".join(said)


def _span(low_mm: float, high_mm: float) -> str:
    return f"{number(low_mm, 'mm', with_unit=False)} to {number(high_mm, 'mm')}"


def _steps() -> list[list[str]]:
    said = [[MARGIN_STEPS[0][1], f"{MARGIN_STEPS[0][0]:g} or more inside"]]
    for (high, _), (low, color) in pairwise(MARGIN_STEPS):
        near, far = sorted((abs(high), abs(low)))
        said.append([color, f"{near:g} to {far:g} {'inside' if low >= 0 else 'outside'}"])
    return [*said, [DARKEST, f"more than {-MARGIN_STEPS[-1][0]:g} outside"]]


def _maps(plan: Plan, found: CrossingFound, mapped: MapFound) -> dict[str, Any]:
    view = membrane_view(mapped, plan.anatomy.fossa.normal)
    places = places_of(found, plan.puncture.target_mm)
    by_name = {q.name: q for q in mapped.quantities}
    titles = {
        "distance_to_aorta": "To the aorta, mm", "axis_tilt": "Catheter: tilt, °", "tip_offset": "Catheter: offset, mm",
        "clearance": "Catheter: room, mm", "height_above_mitral_annulus": "Height, mm",
        "height_above_coaptation": "Height (coaptation), mm",
    }  # fmt: skip
    small = []
    for name in SMALL_MAPS:
        of = name
        if name == "height":
            from_leaflets = by_name.get("height_above_coaptation")
            asks = from_leaflets is not None and (from_leaflets.low, from_leaflets.high) != (None, None)
            of = "height_above_coaptation" if asks else "height_above_mitral_annulus"
        nothing = of not in by_name or (
            all(v is None for v in by_name[of].values) and (by_name[of].low, by_name[of].high) == (None, None)
        )
        if not nothing:
            unit = "°" if by_name[of].unit == "deg" else "\u00a0mm"
            one = quantity_map(mapped, view, by_name[of], titles[of], unit, places)
            limit = asked(by_name[of].low, by_name[of].high, by_name[of].unit)
            small.append(one | {"asked": "nothing asked" if limit == "no range" else f"asked: {limit}"})
    chance = chance_map(mapped, view, places, (62.0, 50.0))
    hatched = any(v is None for q in mapped.quantities for v in q.values if any(w is not None for w in q.values))
    return {
        "worst": worst_map(mapped, view, places), "chance": chance, "small": small,
        "hatched": hatched, "spacing": f"{mapped.step_mm:.1f}",
        "marks": [["target", "target of this plan"]]
        + ([["candidate", "candidate, by rank"]] if found.choice else [])
        + ([["compared", "target to compare"]] if found.compared else []),
    }


def chance_at(plan: Plan, found: CrossingFound, place: PlaceFound) -> float | None:
    """Share of draws that meet all limits at a place: the target's own, else that of the nearest point of the map."""
    away = np.linalg.norm(np.subtract(place.target_mm, plan.puncture.target_mm))
    if found.doubt is not None and away < AS_TARGET_MM:
        return found.doubt.all_met
    if found.map is None or found.map.all_met is None:
        return None
    axes = np.stack([found.map.axis_u, found.map.axis_v], axis=1)
    u, v = np.subtract(place.target_mm, found.map.origin_mm) @ axes
    nearest = np.argmin((np.asarray(found.map.u_mm) - u) ** 2 + (np.asarray(found.map.v_mm) - v) ** 2)
    return found.map.all_met[int(nearest)]


def _candidates(plan: Plan, found: CrossingFound) -> list[dict[str, str]]:
    if found.choice is None:
        return []
    return [
        {
            "rank": str(rank), "height": number(c.height_above_mitral_annulus_mm, "mm"), "zone": c.zone or "–",
            "margin": margin_words(c.worst_margin), "status": place_status(c), "says": c.sentence,
            "chance": percent(chance_at(plan, found, c)),
        }
        for rank, c in enumerate(found.choice.candidates, 1)
    ]


def value_status(value: float | None, quantity: QuantityMapped) -> str:
    """A value against the range asked for, its tolerance counting as borderline; empty where nothing is asked."""
    if quantity.low is None and quantity.high is None:
        return ""
    if value is None:
        return "not assessed"
    inside = _inside(value, quantity)
    return "met" if inside >= 0 else "borderline" if inside >= -(quantity.tolerance or 0.0) else "not met"


def _inside(value: float, quantity: QuantityMapped) -> float:
    low = np.inf if quantity.low is None else value - quantity.low
    return float(min(low, np.inf if quantity.high is None else quantity.high - value))


def _margin(value: float, quantity: QuantityMapped | None) -> str:
    """How far inside (+) or outside its limit, in its own unit and in tolerances; empty where nothing is asked."""
    if quantity is None or (quantity.low is None and quantity.high is None):
        return ""
    inside = _inside(value, quantity)
    own = number(inside, quantity.unit, sign=True)
    if not quantity.tolerance:
        return own
    return f"{own} ({number(inside / quantity.tolerance, 'mm', with_unit=False, sign=True)})"


def value_words(value: float | None, unit: str, *, with_unit: bool = True) -> str:
    if value is None:
        return "–"
    return "straight" if unit == "mm" and abs(value) >= STRAIGHT else number(value, unit, with_unit=with_unit)


def _compared(plan: Plan, found: CrossingFound) -> list[dict[str, Any]]:
    """Tables of the target and the places compared, a few at a time: names, and rows of what, asked, cells."""
    if not found.compared or found.map is None:
        return []
    every = [(letter_of(i), place) for i, place in enumerate(found.compared)]
    tables = []
    for start in range(0, len(every), AT_ONCE):
        columns = [("Target", found.target), *every[start : start + AT_ONCE]]
        shown = [(name, place) for name, place in columns if place is not None]
        rows: list[dict[str, Any]] = [
            {"what": "All limits", "asked": "", "cells": [
                [place_status(p), {"met": "met", "not met": "not met"}.get(place_status(p), "–")] for _, p in shown]},
            {"what": "Worst margin, in tolerances", "asked": "", "cells": [
                ["", margin_words(p.worst_margin)] for _, p in shown]},
            {"what": "What binds", "asked": "", "cells": [["", SHORT.get(p.binds, p.binds)] for _, p in shown]},
            {"what": "All limits met in so many trials", "asked": "", "cells": [
                ["", percent(chance_at(plan, found, p))] for _, p in shown]},
            {"what": "Zone", "asked": "", "cells": [["", p.zone or "–"] for _, p in shown]},
        ]
        for q in found.map.quantities:
            values = [p.values.get(q.name) for _, p in shown]
            cells = [[value_status(v, q), value_words(v, q.unit)] for v in values]
            range_asked = asked(q.low, q.high, q.unit)
            if all(text == "–" for _, text in cells) or (range_asked == "no range" and not q.name.startswith("height")):
                continue
            rows.append({
                "what": QUANTITY_NAMES.get(q.name, q.name), "asked": "" if range_asked == "no range" else range_asked,
                "cells": cells,
            })
        tables.append({"names": [name for name, _ in shown], "rows": rows})
    return tables


# ------------------------------------------------------------------------------------------------------------- how sure


def _doubt(found: CrossingFound, doubt: DoubtFound) -> dict[str, Any]:
    ranges = {q.name: q for q in found.map.quantities} if found.map else {}
    rows = []
    for name in doubt.expected:
        q, there, here = ranges.get(name), doubt.expected[name], doubt.measured.get(name)
        unit = q.unit if q else "mm"
        limit = asked(q.low, q.high, unit) if q else "no range"

        def span(low: float, high: float, unit: str = unit) -> str:
            return f"{value_words(low, unit, with_unit=False)} to {value_words(high, unit, with_unit=False)}"

        rows.append({
            "name": QUANTITY_NAMES.get(name, name.replace("_", " ").capitalize()),
            "here": value_words(there.value, unit), "here_span": "–" if here is None else span(here.low, here.high),
            "there": value_words(there.mean, unit), "there_span": span(there.low, there.high),
            "asked": "" if limit == "no range" else limit, "margin": _margin(there.value, q),
            "met": "" if there.met is None else percent(there.met), "share": there.met,
            "known": "" if there.known >= 0.9995 else f"could be had in {percent(there.known)} of trials",
        })
    missing = [
        f"{QUANTITY_NAMES.get(q.name, q.name)}: not assessed. {q.why_not}".strip()
        for q in ranges.values() if q.name not in doubt.expected and (q.why_not or (q.low, q.high) != (None, None))
    ]
    return {
        "all_met": None if doubt.all_met is None else percent(doubt.all_met),
        "draws": str(doubt.draws), "seed": str(doubt.seed), "rows": rows,
        "missing": missing, "taken": taken_words(doubt), "tornado": tornado(doubt),
        "one_arc": "Turn, bend, tilt and room are those of one plain arc here; the maps show the catheter's."
        if one_arc(found, doubt) else "",
    }


def one_arc(found: CrossingFound, doubt: DoubtFound) -> bool:
    """Whether the trials followed one plain arc where the target's own values are those of a catheter."""
    at = found.target.values if found.target else {}
    return any(
        n in doubt.expected and (v := at.get(n)) is not None and abs(v - doubt.expected[n].value) > 0.01
        for n in OF_THE_ARC
    )


def tornado(doubt: DoubtFound) -> dict[str, Any]:
    """Bars, widest first: name, left and right end as shares of the axis, what is said beside it. `zero`: where all
    limits are just met; `ticks`: whole tolerances."""
    bars = sorted(doubt.sources, key=lambda s: s.worst_low - s.worst_high)
    low = min([0.0, *(s.worst_low for s in bars)])
    high = max([0.0, *(s.worst_high for s in bars)])
    low, high = np.floor(low - 0.2), np.ceil(high + 0.2)
    step = next((s for s in (1, 2, 5, 10, 20, 50, 100) if (high - low) / s <= 10), 1000)

    def at(value: float) -> float:
        return round(float((value - low) / (high - low)), 5)

    def signed(value: float) -> str:
        return number(value, "mm", with_unit=False, sign=True).replace("+0.0", "0.0").replace("\u22120.0", "0.0")

    ticks = np.arange(np.ceil(low / step) * step, high + 0.01, step) + 0.0
    return {
        "zero": at(0.0),
        "ticks": [[at(t), f"{t:+g}".replace("+0", "0").replace("-", "\u2212")] for t in ticks.tolist()],
        "bars": [
            {
                "name": SOURCE_NAMES.get(s.source, s.source.capitalize()),
                "from": at(s.worst_low), "to": at(s.worst_high),
                "span": f"{signed(s.worst_low)} to {signed(s.worst_high)}", "without": percent(s.all_met_without),
                "height": "" if s.height_sd_mm is None else f"±\u00a0{number(2 * s.height_sd_mm, 'mm')}",
            }
            for s in bars
        ],
    }


def taken_words(doubt: DoubtFound) -> list[str]:
    """What was assumed of the table, in sentences."""
    t = doubt.taken

    def mm(value: float) -> str:
        return f"{value:g}\u00a0mm"

    ways = sorted(
        zip(t.tenting_direction, (("forward", "back"), ("up", "down"), ("to the left", "to the right")), strict=True),
        key=lambda pair: -abs(pair[0]),
    )
    toward = " and ".join(words[0] if part > 0 else words[1] for part, words in ways if abs(part) > 0.2)
    return [
        f"The needle lands {mm(t.needle_sd_mm)} (SD along each axis) from where it was aimed.",
        f"Tenting moves the hole by {mm(t.tenting_mm)}, SD {mm(t.tenting_sd_mm)}, {toward}.",
        f"Heartbeat moves annulus against septum by {mm(t.phase_along_mm)} (SD) along the valve's axis and "
        f"{mm(t.phase_across_mm)} across it.",
        f"Breathing moves them by {mm(t.respiration_sd_mm)} (SD) along each axis.",
        "Marked points and CT image: as doubted in this plan.",
    ]

