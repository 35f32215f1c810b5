"""Few views for a whole procedure: every candidate told with its worth, its doubt and the price of missing it, the
best set ranked, and a biplane pair.

Three tasks: crossing (the fossa as a line), steering (the catheter's path in its length), deployment (the valve's
annulus as a line). How far a view is from the best of a task is told in degrees, a path's foreshortening as the angle
that would cause it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import combinations, pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.fluoroscopy import views
from septal_planner.fluoroscopy.carm import CArmView, edge_on_secondary_deg, image_axes, label, vectors_from_angles
from septal_planner.fluoroscopy.limits import Room, why_not

Array = NDArray[np.float64]

CROSSING, STEERING, DEPLOYMENT = TASKS = ("crossing", "steering", "deployment")
OFF_DEG = (5.0, 10.0)
MOST_VIEWS = 3
SERVED_DEG = 5.0  # a view this near to a task's best serves it
RIGHT_ANGLE_PRICE = 0.5  # degrees off a task that a degree nearer to a right angle is worth, in a biplane pair


@dataclass(frozen=True)
class Plane:
    """A structure with a plane: unit normal (3,), the doubt of it (3, 3) or None where not assessed, and the width
    that gapes when it is not quite edge-on.
    """

    name: str
    normal_lps: Array
    width_mm: float | None = None
    covariance: Array | None = None


@dataclass(frozen=True)
class Candidate:
    """One view: what it is for, how far it is off each task and plane (degrees), what being 5 and 10 degrees off it
    costs (mm of gape, or share of the path seen), its doubt and what speaks against it.
    """

    name: str
    view: CArmView
    off_task_deg: Mapping[str, float]
    off_plane_deg: Mapping[str, float]
    path_share: float | None
    gape_mm: Mapping[str, tuple[float | None, float | None]]   # planes seen as a line here, 5 and 10 degrees off
    path_share_off: tuple[float, float] | None
    sd_deg: tuple[float, float] | None                          # None: not assessed
    against: tuple[str, ...] = ()
    serves: tuple[str, ...] = ()

    @property
    def angles_deg(self) -> views.Angles:
        return self.view.primary_deg, self.view.secondary_deg


@dataclass(frozen=True)
class Choice:
    """A set of views and its price in degrees, the lower the better."""

    candidates: tuple[Candidate, ...]
    price_deg: float
    task_by: Mapping[str, str]  # which of the candidates serves each task


@dataclass(frozen=True)
class Recommendation:
    """`candidates`: all views considered, the reachable first. `choices`: sets ranked, the best first, none where no
    view is reachable. `biplane`: a pair, the second for the lateral arm, and the angle between its beams.
    """

    candidates: tuple[Candidate, ...]
    choices: tuple[Choice, ...]
    biplane: tuple[Candidate, Candidate, float] | None
    notes: tuple[str, ...] = field(default=())


def recommend(
    planes: Sequence[Plane],
    room: Room,
    *,
    crossing: str = "fossa",
    deployment: str = "mitral annulus",
    path_lps: ArrayLike | None = None,
    target_lps: ArrayLike | None = None,
    spine_lps: ArrayLike | None = None,
    shown: int = 3,
) -> Recommendation:
    """Candidates from all `planes` (names differ) and a path (n, 3); the planes named `crossing` and `deployment` make
    the tasks. `spine_lps` (3,): middle of a vertebra behind the heart, to tell where it lies over `target_lps`;
    without it that is not assessed. Angles hold for a patient lying as in the CT: leave it alone where that was not
    supine.
    """
    named = {p.name: p for p in planes}
    tasks: dict[str, Plane | None] = {}
    if crossing in named:
        tasks[CROSSING] = named[crossing]
    if path_lps is not None:
        tasks[STEERING] = None
    if deployment in named:
        tasks[DEPLOYMENT] = named[deployment]
    notes = []
    if spine_lps is None or target_lps is None:
        notes.append("Whether the spine lies over the target was not assessed: no point on it was marked.")

    def told(name: str, angles: views.Angles, sd: views.Angles | None, *, lateral: bool = False) -> Candidate:
        return _told(name, angles, sd, planes, tasks, room, path_lps, target_lps, spine_lps, lateral=lateral)

    found = [told(name, angles, sd) for name, angles, sd in _angles_worth_a_look(planes, room, path_lps)]
    found = [c for n, c in enumerate(found) if not any(_same(c, other) for other in found[:n])]
    found.sort(key=lambda c: (not c.view.reachable, sum(c.off_task_deg.values())))
    choices = _ranked([c for c in found if c.view.reachable], room, list(tasks))[:shown]
    biplane = None
    if tasks:
        pair = _biplane_angles(found, tasks, room)
        if pair is not None:
            one, second = pair
            other = told("lateral arm", second, None, lateral=True)
            beams = (vectors_from_angles(*c.angles_deg) for c in (one, other))
            biplane = (one, other, _between_deg(*beams))
    return Recommendation(tuple(found), tuple(choices), biplane, tuple(notes))


def _angles_worth_a_look(
    planes: Sequence[Plane], room: Room, path_lps: ArrayLike | None
) -> list[tuple[str, views.Angles, views.Angles | None]]:
    def reachable(primary: float, secondary: float) -> bool:
        return why_not(room, primary, secondary) is None

    out: list[tuple[str, views.Angles, views.Angles | None]] = []
    for one, other in combinations(planes, 2):
        both = views.both_edge_on(one.normal_lps, other.normal_lps)
        if both is not None:
            sd = _sd(lambda n: views.both_edge_on(n[0], n[1]), [one, other])
            out.append((f"{one.name} and {other.name} edge-on", both, sd))
    for plane in planes:
        edge = views.nearest_edge_on(plane.normal_lps)
        sd = _sd(lambda n: views.nearest_edge_on(n[0]), [plane])
        if not reachable(*edge):
            curve = views.edge_on_curve(plane.normal_lps, samples=721)
            inside = [(float(a), float(b)) for a, b in curve if reachable(float(a), float(b))]
            if inside:
                edge = max(inside, key=lambda v: float(vectors_from_angles(*v) @ views.AP_LPS))
                sd = _sd(partial(_edge_at, edge[0]), [plane])
        out.append((f"{plane.name} edge-on", edge, sd))
        sd = _sd(lambda n: views.en_face(n[0]), [plane])
        out.append((f"{plane.name} en face", views.en_face(plane.normal_lps), sd))
    if path_lps is not None:
        best = views.least_foreshortening(path_lps, reachable)
        if best is not None:
            out.append(("path in its length", best, None))
    return out


def _edge_at(primary_deg: float, normals_lps: Sequence[Array]) -> views.Angles | None:
    """The edge-on view at one primary angle."""
    secondary = float(edge_on_secondary_deg(normals_lps[0], primary_deg))
    return (primary_deg, secondary) if np.isfinite(secondary) else None


def _sd(view_of: views.ViewOf, planes: Sequence[Plane]) -> views.Angles | None:
    known = [p.covariance for p in planes if p.covariance is not None]
    if len(known) < len(planes):
        return None
    return views.angles_sd_deg(view_of, [p.normal_lps for p in planes], known)


def _told(
    name: str,
    angles: views.Angles,
    sd: views.Angles | None,
    planes: Sequence[Plane],
    tasks: Mapping[str, Plane | None],
    room: Room,
    path_lps: ArrayLike | None,
    target_lps: ArrayLike | None,
    spine_lps: ArrayLike | None,
    *,
    lateral: bool,
) -> Candidate:
    off = {p.name: float(views.off_edge_deg(p.normal_lps, *angles)) for p in planes}
    share = None if path_lps is None else float(views.seen_share(path_lps, vectors_from_angles(*angles)))
    off_task = {}
    for task, plane in tasks.items():
        if plane is not None:
            off_task[task] = off[plane.name]
        elif share is not None:
            off_task[task] = float(np.degrees(np.arccos(np.clip(share, 0, 1))))
    refused = why_not(room, *angles, lateral=lateral)
    against = [z.why for z in room.in_the_way if z.holds(*angles)] if not lateral else []
    if spine_lps is not None and target_lps is not None and _behind(angles, target_lps, spine_lps, room):
        against.append("the spine lies over the target")
    width = {p.name: p.width_mm for p in planes}
    one, two = OFF_DEG
    gape = {
        n: (None, None) if (w := width[n]) is None else (views.opening_mm(w, one), views.opening_mm(w, two))
        for n, d in off.items()
        if d < 1e-6
    }
    view = CArmView(*angles, label(*angles), refused is None)
    shares = None
    if path_lps is not None:
        shares = views.worst_share(path_lps, angles, one), views.worst_share(path_lps, angles, two)
    return Candidate(
        name, view, off_task, off, share, gape, shares, sd, (*([refused] if refused else []), *dict.fromkeys(against)),
        tuple(t for t, d in off_task.items() if d <= SERVED_DEG),
    )  # fmt: skip


def _behind(angles: views.Angles, target_lps: ArrayLike, spine_lps: ArrayLike, room: Room) -> bool:
    """Whether the spine's shadow, a band along its axis, falls on the target."""
    u, v = image_axes(*angles)
    way = np.asarray(spine_lps, dtype=np.float64) - np.asarray(target_lps, dtype=np.float64)
    axis = np.array([u[2], v[2]])  # the patient's long axis in the picture
    size = float(np.hypot(*axis))
    at = np.array([way @ u, way @ v])
    aside = float(np.hypot(*at)) if size < 1e-6 else abs(float(at[0] * axis[1] - at[1] * axis[0])) / size
    return aside < room.spine_half_width_mm


def _same(one: Candidate, other: Candidate) -> bool:
    return bool(np.allclose(one.angles_deg, other.angles_deg, atol=0.5))


def _ranked(candidates: Sequence[Candidate], room: Room, tasks: Sequence[str]) -> list[Choice]:
    """Every set of up to three views by its price: each task by the view nearest to its best, a further view, what
    lies in the way, and the turning between them.
    """
    out = []
    for count in range(1, min(MOST_VIEWS, len(candidates)) + 1):
        for chosen in combinations(candidates, count):
            price = (count - 1) * room.another_view_deg
            task_by = {}
            for task in tasks:
                best = min(chosen, key=lambda c: c.off_task_deg[task])
                price += best.off_task_deg[task]
                task_by[task] = best.name
            price += room.in_the_way_deg * sum(bool(c.against) for c in chosen)
            price += room.turning_per_deg * _turning_deg(chosen)
            if len(set(task_by.values())) == count or not tasks:
                out.append(Choice(tuple(chosen), float(price), task_by))
    return sorted(out, key=lambda c: c.price_deg)


def _turning_deg(chosen: Sequence[Candidate]) -> float:
    beams = [vectors_from_angles(*c.angles_deg) for c in chosen]
    return float(sum(_between_deg(a, b) for a, b in pairwise(beams)))


def _between_deg(one: Array, other: Array) -> float:
    """Angle between two lines of sight, 0 to 90."""
    return float(np.degrees(np.arccos(np.clip(abs(one @ other), 0, 1))))


def _biplane_angles(
    found: Sequence[Candidate], tasks: Mapping[str, Plane | None], room: Room
) -> tuple[Candidate, views.Angles] | None:
    """A view of the first arm and one of the lateral arm: as near to a right angle as the limits allow, each as near
    to a task's best as that leaves it. The lateral arm is searched over its whole range.
    """
    low, high = room.lateral_arm.primary_deg, room.lateral_arm.secondary_deg
    a, b = (g.ravel() for g in np.meshgrid(np.arange(low[0], low[1] + 1, 2.0), np.arange(high[0], high[1] + 1, 2.0)))
    beams = vectors_from_angles(a, b)
    curves = [p for p in tasks.values() if p is not None]
    off = np.full(len(a), 90.0)
    for plane in curves:
        off = np.minimum(off, views.off_edge_deg(plane.normal_lps, a, b))
    best: tuple[float, Candidate, int] | None = None
    for one in found:
        if not one.view.reachable or not one.off_task_deg:
            continue
        between = np.degrees(np.arccos(np.clip(np.abs(beams @ vectors_from_angles(*one.angles_deg)), 0, 1)))
        price = min(one.off_task_deg.values()) + (90 - between) + RIGHT_ANGLE_PRICE * (off if curves else 0 * off)
        n = int(np.argmin(price))
        if best is None or price[n] < best[0]:
            best = (float(price[n]), one, n)
    if best is None:
        return None
    _, one, n = best
    return one, (float(a[n]), float(b[n]))
