"""Doubt of a puncture by trial: how likely each limit is met, and how far every number may lie off.

Monte Carlo propagation (JCGM 101:2008): the sources of doubt_sources.py are drawn together, everything is worked out
for each draw, and what is said is the share of draws, or the range that holds 95 % of them.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.geometry.frames import unit_vector
from septal_planner.puncture.approach import FREE_PATH_SHARE, Approach
from septal_planner.puncture.arcs import angles_deg, arcs_between
from septal_planner.puncture.doubt_response import Response, respond
from septal_planner.puncture.doubt_sources import DRAWS, SOURCES, Doubts, Draws, draw, moved_directions
from septal_planner.puncture.membrane_map import MembraneMap, map_points
from septal_planner.puncture.requirements import QUANTITIES, ROOF_FROM_MM, doubtful_room_mm, inside_mm

Array = NDArray[np.float64]

AT_ONCE = 60_000  # points times draws worked on together
COVERED = (2.5, 97.5)  # percentiles of the interval
# never below zero: every error of what is near zero makes it larger, so that the draws lie above it, what is true not
NOT_BELOW_ZERO = ("entry_angle", "turn_angle", "axis_tilt", "tip_offset")


@dataclass(frozen=True, eq=False)
class ProbabilityMap:
    """Share of draws (n,) in which each limit, and all limits, are met at each mapped point. A limit not assessed on
    this membrane is absent; `all_met` is nan where one that counts is not assessed there.
    """

    points_lps: NDArray[np.float64]
    met: Mapping[str, NDArray[np.float64]]
    all_met: NDArray[np.float64]
    draws: int
    seed: int
    sources: tuple[str, ...]


@dataclass(frozen=True)
class Interval:
    """`value` as measured; mean, SD and 95 % interval over the draws. `met`: share of draws within the limit, None
    where nothing is asked. `known`: share of draws in which the value could be had.
    """

    value: float
    mean: float
    sd: float
    low: float
    high: float
    met: float | None
    known: float


@dataclass(frozen=True)
class SourceShare:
    """What one source of doubt does alone: SD of each quantity, range (95 %) of the smallest margin over all limits
    assessed there, in tolerances; `all_met_without`: share of draws that meet all limits were this source not there,
    None where one of them is not assessed.
    """

    source: str
    sd: Mapping[str, float]
    worst_low: float
    worst_high: float
    all_met_without: float | None

    @property
    def width(self) -> float:
        return self.worst_high - self.worst_low


@dataclass(frozen=True)
class PointDoubt:
    """The doubt of one puncture. `measured`: of what the CT shows at the point itself (landmarks and image alone);
    `expected`: of what the puncture made at the table will have, all sources; `all_met`: share of draws that meet all
    limits, None where one that counts is not assessed there; `tornado`: sources, widest first.
    """

    measured: Mapping[str, Interval]
    expected: Mapping[str, Interval]
    all_met: float | None
    tornado: tuple[SourceShare, ...]
    draws: int
    seed: int


def map_probability(
    approach: Approach, found: MembraneMap, doubts: Doubts | None = None, *, draws: int = DRAWS, seed: int = 0,
    sources: tuple[str, ...] = SOURCES, response: Response | None = None,
) -> ProbabilityMap:
    """How likely each limit is met at each point of a mapped membrane. `response` of the same approach saves making
    it again, and with the catheter by which the map was made is needed. The time grows with points times draws."""
    drawn = draw(approach, doubts, draws=draws, seed=seed, sources=sources)
    answer = response or respond(approach)
    counting = [layer for layer in found.layers if layer.counts]
    n = len(found.points_lps)
    met, every = {layer.name: np.zeros(n) for layer in counting}, np.zeros(n)
    block = max(1, AT_ONCE // max(n, 1))
    for lo in range(0, draws, block):
        values = values_of_draws(approach, answer, found.points_lps, drawn.some(slice(lo, lo + block)))
        together = np.ones((n, values["turn_angle"].shape[1]), dtype=np.bool_)
        for layer in counting:
            assert layer.asked is not None
            inside = inside_mm(layer.asked, values[layer.name]) >= 0
            met[layer.name] += inside.sum(axis=1)
            together &= inside
        every += together.sum(axis=1)
    every = every / draws if counting else np.full(n, np.nan)
    for name in met:
        met[name] = met[name] / draws
    for layer in counting:
        unknown = np.isnan(layer.values)
        met[layer.name][unknown] = np.nan
        every[unknown] = np.nan
    return ProbabilityMap(found.points_lps, met, every, draws, seed, tuple(sources))


def doubt_at(
    approach: Approach, point_lps: ArrayLike, doubts: Doubts | None = None, *, draws: int = DRAWS, seed: int = 0,
    response: Response | None = None, counting: Collection[str] | None = None,
) -> PointDoubt:
    """Intervals on every number at one mid-surface point (3,), the chance that all limits are met, and which source of
    doubt matters most. `counting`: `MembraneMap.counting` of the whole membrane, None: the limits assessed here."""
    answer = response or respond(approach)
    one = map_points(approach, point_lps, reach=None if answer.way is None else answer.way.over, counting=counting)
    every = not np.isnan(one.overall[0])

    def share_within(worst: Array) -> float | None:
        return float((worst >= 0).mean()) if every else None

    def trial(sources: tuple[str, ...]) -> tuple[dict[str, Array], Array]:
        drawn = draw(approach, doubts, draws=draws, seed=seed, sources=sources)
        values = {k: v[0] for k, v in values_of_draws(approach, answer, one.points_lps, drawn).items()}
        return values, _worst(one, values)

    measured, _ = trial(("landmarks", "image"))
    expected, worst = trial(SOURCES)
    bars = []
    for source in SOURCES:
        alone, worst_alone = trial((source,))
        _, worst_without = trial(tuple(s for s in SOURCES if s != source))
        low, high = np.percentile(worst_alone, COVERED)
        sd = {k: _sd(v) for k, v in alone.items() if np.isfinite(v).any()}
        bars.append(SourceShare(source, sd, float(low), float(high), share_within(worst_without)))
    bars.sort(key=lambda bar: -bar.width)
    return PointDoubt(
        measured=_intervals(approach, one, measured, holding_value=True), expected=_intervals(approach, one, expected),
        all_met=share_within(worst), tornado=tuple(bars), draws=draws, seed=seed,
    )


def values_of_draws(approach: Approach, response: Response, points_lps: Array, draws: Draws) -> dict[str, Array]:
    """Values (n, m) of every quantity of a puncture aimed at points (n, 3), in m draws; nan where not assessed."""
    fossa, annulus, chambers = approach.fossa, approach.annulus, approach.chambers
    marks, patch = approach.landmarks_lps, approach.fossa.patch
    crossing, valve, _ = moved_directions(approach, draws)
    center = annulus.center_lps + draws.center_lps
    aimed = patch.uvw(points_lps)
    shape = (len(points_lps), len(draws))
    u = aimed[:, None, 0] + draws.on_septum_mm[:, 0]
    v = aimed[:, None, 1] + draws.on_septum_mm[:, 1]
    # what the membrane as a whole is off by, and what the tip pushed it in by
    off = draws.shift_lps + draws.surface_mm[:, None] * fossa.normal_lps + draws.on_septum_mm[:, 2:] * patch.axis_w_lps
    p = patch.points_lps(u, v) + off
    values = {q.name: np.full(shape, np.nan) for q in QUANTITIES}
    values["height_above_mitral_annulus"] = np.einsum("nmi,mi->nm", p - center, valve)
    if "leaflet_coaptation" in marks:
        mark = np.asarray(marks["leaflet_coaptation"], dtype=np.float64).reshape(-1, 3).mean(axis=0)
        values["height_above_coaptation"] = np.einsum("nmi,mi->nm", p - mark - draws.coaptation_lps, valve)
    rim, bridged, thickness, *normal = response.place.at(u, v)
    values["distance_to_rim"] = rim + (1 - bridged) * draws.rim_mm + bridged * draws.bridge_mm
    extent = patch.uvw(fossa.rim_lps)
    for name, x, axis in (("anterior_fraction", u, 0), ("superior_fraction", v, 1)) if len(extent) else ():
        low = extent[:, axis].min() + draws.ends_mm[:, 2 * axis]
        high = extent[:, axis].max() + draws.ends_mm[:, 2 * axis + 1]
        values[name] = (x - low) / (high - low)
    if fossa.thickness_mean_mm is not None:
        values["wall_thickness"] = thickness + draws.thickness_mm
    values["entry_angle"] = angles_deg(crossing, np.stack(normal, axis=-1) + draws.fossa_normal + draws.spot_normal)
    values["turn_angle"] = np.broadcast_to(angles_deg(crossing, -valve), shape)
    if "aorta" in chambers.distance:
        values["distance_to_aorta"] = chambers.distance["aorta"].at(p) + draws.aorta_mm
    if "coronary_sinus" in marks:
        sinus = np.asarray(marks["coronary_sinus"], dtype=np.float64).reshape(-1, 3)
        values["distance_to_coronary_sinus"] = np.linalg.norm(
            p[:, :, None] - sinus - draws.sinus_lps[:, None], axis=-1
        ).min(axis=2)

    turned = (crossing - approach.crossing_lps) @ response.across.T
    # the free path counts from the point named, wherever the membrane is: only the shift against the atrium counts
    if response.posterior is not None:
        change = np.column_stack([
            np.ones(len(draws)), FREE_PATH_SHARE * draws.left_mm,
            off - draws.surface_mm[:, None] * fossa.normal_lps, turned,
        ])
        values["distance_to_posterior_wall"] = response.posterior.combined(u, v, change)
    if response.roof is not None:
        shift = off + ROOF_FROM_MM * (crossing - approach.crossing_lps)
        leaned = (valve - annulus.normal_lps) @ response.valve_across.T
        change = np.column_stack([np.ones(len(draws)), draws.left_mm, shift, leaned])
        values["distance_to_roof"] = response.roof.combined(u, v, change)
    aimed_along = None if approach.axis_lps is None else unit_vector(approach.axis_lps + draws.axis)
    if response.reach is not None:
        along = np.tile(response.reach.way.axis_lps, (len(draws), 1)) if aimed_along is None else aimed_along
        values.update(
            response.reach.values(u, v, off, crossing, draws.structure_lps, along, draws.left_mm, draws.shape)
        )
        return values
    if approach.structure_lps is not None:
        flat = p.reshape(-1, 3)
        end = approach.structure_lps + draws.structure_lps
        arcs = arcs_between(flat, np.tile(crossing, (shape[0], 1)), np.tile(end, (shape[0], 1)))
        values["arc_turn"], values["bend_radius"] = arcs.turn_deg.reshape(shape), arcs.radius_mm.reshape(shape)
        if aimed_along is not None:
            values["axis_tilt"] = angles_deg(arcs.end_direction_lps.reshape(*shape, 3), aimed_along)
        if response.room is not None and response.room_slopes is not None:
            change = np.concatenate([off, turned, draws.structure_lps], axis=1)
            along_slopes = response.room_slopes.combined(u, v, change)
            values["clearance"] = response.room.at(u, v)[0] + along_slopes + draws.left_mm
    return values


def _worst(one: MembraneMap, values: Mapping[str, Array]) -> Array:
    """Smallest margin (m,) over the limits that count and are assessed there, in tolerances; what is then not known in
    a draw counts as far outside."""
    worst = np.full(len(values["turn_angle"]), np.inf)
    for layer in one.layers:
        if layer.counts and layer.asked is not None and not np.isnan(layer.values[0]):
            margin = inside_mm(layer.asked, values[layer.name]) / layer.asked.tolerance
            worst = np.minimum(worst, np.nan_to_num(margin, nan=-10.0, posinf=np.inf, neginf=-np.inf))
    return worst


def _intervals(
    approach: Approach, one: MembraneMap, values: Mapping[str, Array], *, holding_value: bool = False
) -> dict[str, Interval]:
    """By quantity. `holding_value`: widened, where need be, to what was measured (a shape is looked up where it is
    drawn, and may differ a little from the one solved at the place itself), and what is never below zero to as much
    below that as above, and above as below."""
    found = {}
    for quantity in QUANTITIES:
        value = float(one.layer(quantity.name).values[0])
        if quantity.name == "distance_to_rim" and np.isfinite(value):
            # the map takes the doubt of a bridged rim off; here it is drawn
            value = float(doubtful_room_mm(approach, one.points_lps)[0][0])
        drawn = values[quantity.name]
        known = drawn[np.isfinite(drawn)]
        if not np.isfinite(value) or len(known) == 0:
            continue
        asked = one.layer(quantity.name).asked
        low, high = np.percentile(known, COVERED)
        if holding_value:
            low, high = min(low, value), max(high, value)
            if quantity.name in NOT_BELOW_ZERO:
                half = max(high - value, value - low)
                low, high = max(value - half, 0.0), value + half
        found[quantity.name] = Interval(
            value=value, mean=float(known.mean()), sd=_sd(known), low=float(low), high=float(high),
            met=None if asked is None else float((inside_mm(asked, drawn) >= 0).mean()),
            known=len(known) / len(drawn),
        )
    return found


def _sd(values: Array) -> float:
    known = values[np.isfinite(values)]
    return float(known.std(ddof=1)) if len(known) > 1 else 0.0
