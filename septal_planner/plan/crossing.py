"""What is saved of the whole membrane and of the ways to and from the target: map, candidates, doubt, reach.

Lists over the map are in one order, null where not assessed there. Values are rounded to a thousandth; a radius of
1000 mm stands for that and everything straighter.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any, Literal

import numpy as np
from pydantic import Field, model_validator

from septal_planner.plan.parts import Angle, Direction, NotNegative, Part, Positive, Vector, plain, take

if TYPE_CHECKING:
    from septal_planner.fluoroscopy.shared_view import SharedView
    from septal_planner.puncture.choice import Candidate
    from septal_planner.puncture.doubt import Interval, PointDoubt
    from septal_planner.puncture.membrane_map import MembraneMap
    from septal_planner.puncture.needle import NeedleApproach
    from septal_planner.puncture.passage import Passage
    from septal_planner.puncture.reach_solver import CatheterReach
    from septal_planner.puncture.survey import Survey
    from septal_planner.puncture.tricuspid import TricuspidReach

Share = Annotated[float, Field(ge=0, le=1)]
Values = tuple[float | None, ...]
STRAIGHT_MM = 1000.0
THOUSANDTHS = 3
PATH_POINTS = 60


class QuantityMapped(Part):
    """One quantity over the membrane. `low`, `high`, `tolerance`: the range asked for, null where none is; `met`: share
    of draws within it."""

    name: str
    unit: str
    spoken: str
    low: float | None
    high: float | None
    tolerance: Positive | None
    values: Values
    met: Values | None
    why_not: str


class MapFound(Part):
    """`u_mm` toward the front, `v_mm` toward the head, in the fossa's plane; `worst`: smallest margin over all limits
    in tolerances, positive inside them all; `binds`: name of that limit; `all_met`: share of draws that meet all."""

    origin_mm: Vector
    axis_u: Direction
    axis_v: Direction
    step_mm: Positive
    rim_uv_mm: tuple[tuple[float, float], ...]
    u_mm: tuple[float, ...]
    v_mm: tuple[float, ...]
    worst: Values
    binds: tuple[str, ...]
    all_met: Values | None
    quantities: tuple[QuantityMapped, ...]

    @model_validator(mode="after")
    def _lists_are_alike(self) -> MapFound:
        lists: list[Any] = [self.u_mm, self.v_mm, self.worst, self.binds, *(q.values for q in self.quantities)]
        lists += [q.met for q in self.quantities if q.met is not None]
        lists += [] if self.all_met is None else [self.all_met]
        if len({len(x) for x in lists}) != 1:
            raise ValueError("the lists of the map must be of one length")
        return self


class PlaceFound(Part):
    """A place to cross. `worst_margin` in tolerances, positive inside all limits; `values` by quantity, null where not
    assessed."""

    target_mm: Vector
    worst_margin: float | None
    binds: str
    meets_all: bool
    keeps_clear: bool
    height_above_mitral_annulus_mm: float
    zone: str | None
    values: dict[str, float | None]
    sentence: str


class ChoiceFound(Part):
    """Candidates, best first. `heights_mm`: lowest and highest to be had where the puncture keeps clear; `what_gives`:
    why no place meets all limits."""

    meets_all: bool
    heights_mm: tuple[float, float] | None
    what_gives: tuple[str, ...]
    candidates: tuple[PlaceFound, ...]


class IntervalFound(Part):
    """Value, and mean, standard deviation and 95 % interval over the draws; `met`: share within the limit; `known`:
    share in which the value could be had."""

    value: float
    mean: float
    sd: NotNegative
    low: float
    high: float
    met: Share | None
    known: Share


class SourceFound(Part):
    """One source of doubt alone: 95 % range of the smallest margin over all limits assessed there (tolerances), and the
    share of draws that would meet all limits without it, null where one of them is not assessed."""

    source: str
    worst_low: float
    worst_high: float
    all_met_without: Share | None
    height_sd_mm: NotNegative | None


class DoubtsTaken(Part):
    """How large the doubts of the table were taken, mm; `tenting_direction`: anterior, superior, left."""

    needle_sd_mm: NotNegative
    tenting_mm: float
    tenting_sd_mm: NotNegative
    tenting_direction: Vector
    phase_along_mm: NotNegative
    phase_across_mm: NotNegative
    respiration_sd_mm: NotNegative


class DoubtFound(Part):
    """By trial, at the target. `measured`: landmarks and image alone; `expected`: of the puncture made at the table;
    `all_met`: null where a limit that counts on the membrane is not assessed there; `sources` widest first."""

    draws: int
    seed: int
    taken: DoubtsTaken
    all_met: Share | None
    measured: dict[str, IntervalFound]
    expected: dict[str, IntervalFound]
    sources: tuple[SourceFound, ...]


class SlideFound(Part):
    length_mm: NotNegative
    limbus_to_target_mm: float | None
    step_mm: float | None


class NeedleFound(Part):
    """The sheath's way from the inferior vena cava to the target; `clock_hours` seen from the feet, 12 anterior,
    3 to the patient's left."""

    path_mm: tuple[Vector, ...]
    crossing_direction: Direction
    clock_hours: float
    clock_as_published: bool
    entry_angle_deg: Angle
    entry_angle_mean_deg: Angle
    shaft_from_cava_mm: NotNegative
    least_room_mm: float | None
    slide: SlideFound | None


class CatheterFound(Part):
    """One catheter from a place to the device point: what is left, the inputs, and the spare in each limit (negative:
    beyond it). `bend_planes_deg`: of each bend from the plane of the one before it. `unconfirmed`: figures of this
    catheter without a verified source. `reachable`: within every limit that is assessed; `clearance_mm` and `nearest`
    null: its room is not."""

    name: str
    title: str
    reachable: bool
    tilt_deg: Angle
    offset_mm: NotNegative
    clearance_mm: float | None
    nearest: str | None
    nearest_mm: Vector | None
    advance_mm: float
    plane_deg: float
    bend_planes_deg: tuple[float, ...] = ()
    deflections_deg: tuple[float, ...]
    radii_mm: tuple[float, ...]
    smallest_radius_mm: float | None
    length_mm: NotNegative
    usable_spare_mm: float | None
    spare: dict[str, float]
    path_mm: tuple[Vector, ...]
    why_not: tuple[str, ...]
    unconfirmed: tuple[str, ...]


class SharedViewFound(Part):
    """The C-arm angles nearest to seeing both annuli as lines, and how far off each is."""

    primary_deg: float
    secondary_deg: float
    label: str
    reachable: bool
    mitral_off_deg: NotNegative
    tricuspid_off_deg: NotNegative


class TricuspidFound(Part):
    """From the inferior vena cava to the tricuspid annulus. `leads` null: not looked for."""

    entry_mm: Vector
    direction: Direction
    turn_deg: Angle
    catheter: CatheterFound
    leads: tuple[str, ...] | None
    shared_view: SharedViewFound | None
    not_assessed: tuple[str, ...]


class DeviceFound(Part):
    """Where the device is to be and the direction along which the tip should end there, null where not assessed;
    `spoken`: what that axis is of; `notes`: what stood in for points that were not marked."""

    point_mm: Vector
    axis: Direction | None
    spoken: str
    no_axis: str
    notes: tuple[str, ...]


class CrossingFound(Part):
    """Beyond `puncture` and `reach`: `reach_share`: of the membrane, from where each catheter reaches; `compared`: the
    targets given, in their order."""

    catheter: str | None
    map: MapFound | None
    choice: ChoiceFound | None
    target: PlaceFound | None
    compared: tuple[PlaceFound, ...]
    doubt: DoubtFound | None
    needle: NeedleFound | None
    reach: CatheterFound | None
    reach_share: dict[str, Share]
    device: DeviceFound | None
    tricuspid: TricuspidFound | None
    not_assessed: tuple[str, ...]
    flag: Literal["generic figures, confirm locally"] = "generic figures, confirm locally"


def crossing_as_found(
    survey: Survey, passage: Passage, compared: tuple[Candidate, ...], tricuspid: TricuspidReach | None,
    shared_view: SharedView | None,
) -> dict[str, Any]:
    """What the membrane's survey and the target's passage found, as the plan keeps it."""
    choice, goal = survey.choice, survey.approach.goal
    return {
        "catheter": survey.catheter and survey.catheter.name,
        "map": None if survey.map is None else _map(survey, survey.map),
        "choice": None if choice is None else {
            **take(choice, "meets_all heights_mm what_gives"),
            "candidates": tuple(_place(c) for c in choice.candidates),
        },
        "target": None if passage.target is None else _place(passage.target),
        "compared": tuple(_place(c) for c in compared),
        "doubt": None if passage.doubt is None else _doubt(survey, passage.doubt),
        "needle": None if passage.needle is None else _needle(passage.needle),
        "reach": None if passage.catheter is None else _catheter(passage.catheter),
        "reach_share": {name: float(share) for name, share in survey.shares.items()},
        "device": goal and {
            "point_mm": plain(goal.point_lps), "axis": plain(goal.axis_lps), **take(goal, "spoken no_axis notes"),
        },
        "tricuspid": None if tricuspid is None else _tricuspid(tricuspid, shared_view),
        "not_assessed": passage.not_assessed,
    }


def _map(survey: Survey, found: MembraneMap) -> dict[str, Any]:
    likely, patch = survey.probability, survey.approach.fossa.patch
    rim = patch.uvw(survey.approach.fossa.rim_lps)[:, :2]
    return {
        "origin_mm": plain(patch.origin_lps), "axis_u": plain(patch.axis_u_lps), "axis_v": plain(patch.axis_v_lps),
        "step_mm": float(found.step_mm), "rim_uv_mm": plain(np.round(rim, THOUSANDTHS)),
        "u_mm": _over(found.u_mm), "v_mm": _over(found.v_mm), "worst": _over(found.overall),
        "binds": tuple(found.binding_name(i) if found.binding[i] >= 0 else "" for i in range(len(found.u_mm))),
        "all_met": None if likely is None else _over(likely.all_met),
        "quantities": tuple(
            {
                **take(layer.quantity, "name unit spoken"),
                "low": layer.asked and layer.asked.low, "high": layer.asked and layer.asked.high,
                "tolerance": layer.asked and layer.asked.tolerance, "values": _over(layer.values),
                "met": None if likely is None or layer.name not in likely.met else _over(likely.met[layer.name]),
                "why_not": layer.why_not,
            }
            for layer in found.layers
        ),
    }


def _over(values: Any) -> Values:
    rounded = np.round(np.clip(np.asarray(values, dtype=np.float64), -STRAIGHT_MM, STRAIGHT_MM), THOUSANDTHS) + 0.0
    return tuple(None if np.isnan(v) else float(v) for v in rounded)


def _one(value: float) -> float | None:
    return _over([value])[0]


def _place(place: Candidate) -> dict[str, Any]:
    return {
        "target_mm": plain(place.point_lps), "worst_margin": _one(place.overall), "binds": place.binding,
        **take(place, "meets_all keeps_clear zone sentence"),
        "height_above_mitral_annulus_mm": float(place.height_mm),
        "values": {name: _one(value) for name, value in place.values.items()},
    }


def _interval(found: Interval) -> dict[str, Any]:
    kept = take(found, "value mean sd low high met known")
    limited = {k: float(np.clip(kept[k], -STRAIGHT_MM, STRAIGHT_MM)) for k in ("value", "mean", "sd", "low", "high")}
    return kept | limited


def _doubt(survey: Survey, found: PointDoubt) -> dict[str, Any]:
    sizes = "needle_sd_mm tenting_mm tenting_sd_mm tenting_direction phase_along_mm phase_across_mm respiration_sd_mm"
    return {
        **take(found, "draws seed all_met"),
        "taken": take(survey.trial.doubts, sizes),
        "measured": {name: _interval(i) for name, i in found.measured.items()},
        "expected": {name: _interval(i) for name, i in found.expected.items()},
        "sources": tuple(
            take(bar, "source worst_low worst_high all_met_without")
            | {"height_sd_mm": plain(bar.sd.get("height_above_mitral_annulus"))}
            for bar in found.tornado
        ),
    }


def _needle(found: NeedleApproach) -> dict[str, Any]:
    return {
        "path_mm": plain(found.path_lps),
        **take(found, "crossing_direction clock_hours clock_as_published entry_angle_deg entry_angle_mean_deg"),
        **take(found, "shaft_from_cava_mm least_room_mm"),
        "slide": found.slide and take(found.slide, "length_mm limbus_to_target_mm step_mm"),
    }


def _catheter(found: CatheterReach) -> dict[str, Any]:
    return {
        **take(found.catheter, "name title unconfirmed"),
        **take(found, "reachable tilt_deg offset_mm clearance_mm nearest advance_mm plane_deg deflections_deg"),
        **take(found, "radii_mm smallest_radius_mm length_mm usable_spare_mm why_not"),
        "bend_planes_deg": tuple(float(bend.plane_deg.value) for bend in found.catheter.bends),
        "nearest_mm": plain(found.nearest_lps), "spare": dict[str, float](found.spare),
        "path_mm": plain(found.path_lps[np.linspace(0, len(found.path_lps) - 1, PATH_POINTS).round().astype(int)]),
    }


def _tricuspid(found: TricuspidReach, shared: SharedView | None) -> dict[str, Any]:
    view: Mapping[str, Any] | None = None
    if shared is not None:
        view = take(shared.view, "primary_deg secondary_deg label reachable") | {
            "mitral_off_deg": float(shared.off_deg[0]), "tricuspid_off_deg": float(shared.off_deg[1]),
        }
    return {
        "entry_mm": plain(found.entry_lps), "direction": plain(found.direction), "turn_deg": float(found.turn_deg),
        "catheter": _catheter(found.reach), "leads": None if found.leads is None else found.cautions,
        "shared_view": view, "not_assessed": found.not_assessed,
    }
