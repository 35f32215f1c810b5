"""What binds a puncture and what would have to give, in sentences."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from septal_planner.puncture.approach import Approach
from septal_planner.puncture.catheter import height_needed_mm
from septal_planner.puncture.membrane_map import Layer, MembraneMap
from septal_planner.puncture.procedures import Asked
from septal_planner.puncture.ranking import keeping_clear, ranking_of
from septal_planner.puncture.requirements import inside_mm

Array = NDArray[np.float64]

STRAIGHT_END_MM = 15.0  # of a catheter beyond its bend; practice value, edit locally, no source


def tilt_for_height_deg(
    height_mm: float, radius_mm: float, elevation_deg: float, *, straight_mm: float = STRAIGHT_END_MM
) -> float | None:
    """Least tilt (degrees) against the valve's axis of a tip that starts at so much height above the annular plane,
    pointing `elevation_deg` away from the valve, bends with that radius in one plane and has a straight end: 0 where
    the height suffices, None where even a tip along the plane needs more. From plane trigonometry, as
    `height_needed_mm`."""
    e = np.deg2rad(elevation_deg)

    def needed(tilt: float) -> float:
        return float(radius_mm * (np.cos(e) - np.sin(tilt)) + straight_mm * np.cos(tilt))

    if height_mm >= needed(0.0):
        return 0.0
    if height_mm < needed(np.pi / 2):
        return None
    return float(np.degrees(brentq(lambda tilt: needed(tilt) - height_mm, 0.0, np.pi / 2, xtol=1e-12)))


def what_gives(
    approach: Approach, found: MembraneMap, values: Mapping[str, float], heights_mm: tuple[float, float] | None
) -> tuple[str, ...]:
    """Why no point meets all limits, one sentence each: what the membrane offers of each limit that no point meets,
    what a height that is not there costs, and which limits stand against each other."""
    said = []
    ranking = ranking_of(found)
    clear = keeping_clear(found, ranking.slip_mm)
    pool = clear >= min(0.0, float(clear.max()))
    unmet = [layer for layer in found.layers if ranking.best_there_is.get(layer.name, 0.0) < 0]
    for layer in unmet:
        assert layer.asked is not None
        unit, asked = layer.quantity.unit, range_words(layer.asked, layer.quantity.unit)
        low, high = np.nanmin(layer.values), np.nanmax(layer.values)
        clear_low, clear_high = np.nanmin(layer.values[pool]), np.nanmax(layer.values[pool])
        name = _capital(layer.quantity.spoken)
        there = "only nearer to the rim or to the structures around" if np.any(layer.fraction >= 0) else "nowhere"
        if layer.quantity.asked == "height":
            which = "not available on this septum" if there == "nowhere" else f"available on this septum {there}"
            said.append(
                f"{name} asked for ({asked}) is {which}: the membrane offers {low:.0f} to {high:.0f} mm, and "
                f"{clear_low:.0f} to {clear_high:.0f} mm where the puncture keeps clear."
            )
            if heights_mm is not None:
                said += _cost_of_height(approach, layer, heights_mm)
        else:
            said.append(
                f"{name} asked for ({asked}) is met {there} on this membrane: where the puncture keeps clear it lies "
                f"between {_number(clear_low, unit)} and {_number(clear_high, unit)}."
            )
    if not unmet:
        against = [
            layer for layer in found.layers
            if layer.counts and layer.asked is not None and inside_mm(layer.asked, values[layer.name]) < 0
        ]
        names = " and ".join(layer.quantity.spoken for layer in against) or "the limits"
        said.append(
            f"Each limit alone is met somewhere on this membrane, but not all at one place: at the least bad point "
            f"{names} would have to give."
        )
    return tuple(said)


def range_words(asked: Asked, unit: str) -> str:
    """The range in words, e.g. `40 to 50 mm`, `10 mm or more`."""
    of = {"deg": " degrees", "1": ""}.get(unit, f" {unit}")
    if asked.low is not None and asked.high is not None:
        return f"{asked.low:.3g} to {asked.high:.3g}{of}"
    return f"{asked.low:.3g}{of} or more" if asked.low is not None else f"{asked.high:.3g}{of} or less"


def sentence_of(found: MembraneMap, index: int) -> str:
    """What binds a point, in words."""
    binding = found.layers[int(found.binding[index])]
    counting = [layer for layer in found.layers if layer.counts]
    outside = [layer for layer in counting if layer.fraction[index] < 0]
    unknown = [layer.quantity.spoken for layer in counting if np.isnan(layer.fraction[index])]
    if unknown and not outside:
        are = "is" if len(unknown) == 1 else "are"
        names = _capital(" and ".join(unknown))
        return f"{names} {are} not assessed here, so it cannot be said whether all limits are met."
    if unknown:
        binding = min(outside, key=lambda layer: float(layer.fraction[index]))
    assert binding.asked is not None
    value, unit, fraction = float(binding.values[index]), binding.quantity.unit, float(binding.fraction[index])
    asked = range_words(binding.asked, unit)
    if not outside:
        return (
            f"All limits are met; the nearest is {binding.quantity.spoken}, {_number(value, unit)} where {asked} is "
            f"asked, {fraction:.1f} of its tolerance inside."
        )
    also = [
        f"{layer.quantity.spoken} ({_number(layer.values[index], layer.quantity.unit)})"
        for layer in outside if layer is not binding
    ]
    return (
        f"Not all limits are met: {binding.quantity.spoken} is {_number(value, unit)} where {asked} is asked, "
        f"{-fraction:.1f} of its tolerance outside"
        + (f"; outside too: {', '.join(also)}" if also else "")
        + (f"; not assessed here: {', '.join(unknown)}." if unknown else ".")
    )


def _cost_of_height(approach: Approach, layer: Layer, heights_mm: tuple[float, float]) -> list[str]:
    """What too little height costs a catheter of the procedure's own bend."""
    asked, radius = layer.asked, approach.procedure.bend_radius.low
    if asked is None or asked.low is None or heights_mm[1] >= asked.low or radius is None:
        return []
    goal, normal = approach.goal, approach.annulus.normal_lps
    if approach.procedure.axis_tilt is None or layer.name != "height_above_mitral_annulus":
        return []
    if goal is None or goal.axis_lps is None or not np.allclose(goal.axis_lps, -normal):
        return []  # it ends along another axis than that along which heights are measured
    level = float((goal.point_lps - approach.annulus.center_lps) @ normal)  # of the device point, above the plane
    along = float(np.clip(approach.crossing_lps @ normal, -1.0, 1.0))
    elevation = float(np.degrees(np.arcsin(along)))
    needed = level + height_needed_mm(radius, STRAIGHT_END_MM, elevation)[0]
    with_bend = (
        f"A bend of {radius:g} mm with a straight end of {STRAIGHT_END_MM:g} mm that crosses {abs(elevation):.0f} "
        f"degrees {'away from' if elevation >= 0 else 'toward'} the annular plane"
    )
    tilt = tilt_for_height_deg(heights_mm[1] - level, radius, elevation)
    if tilt == 0.0:
        return [f"{with_bend} needs {needed:.0f} mm to end along the valve's axis: the height by itself costs no tilt."]
    if tilt is None:
        return [f"{with_bend} cannot end within the valve at all from {heights_mm[1]:.0f} mm or less."]
    return [
        f"{with_bend} needs {needed:.0f} mm to end along the valve's axis; from {heights_mm[1]:.0f} mm it ends tilted "
        f"by {tilt:.0f} degrees or more."
    ]


def _number(value: ArrayLike, unit: str) -> str:
    v = float(np.asarray(value))
    if unit == "1":
        return f"{v:.2f}"
    return f"{v:.0f} degrees" if unit == "deg" else f"{v:.1f} {unit}"


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]
