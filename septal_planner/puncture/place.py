"""Where a point lies on the membrane: its place within the rim, in fractions, words and millimetres."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.anatomy.fossa import Fossa
from septal_planner.anatomy.membrane import BRIDGED_RIM_SD_MM
from septal_planner.geometry import curves
from septal_planner.geometry.frames import unit_vector

Array = NDArray[np.float64]

CANDIDATE_STEP_MM = 0.5


def fossa_fractions(fossa: Fossa, points_lps: ArrayLike) -> tuple[Array, Array]:
    """Superior and anterior fraction (...) of points (..., 3): position between the lowest and highest, and
    the most posterior and most anterior, rim points along the fossa's own superior and anterior axes. 0
    inferior or posterior, 1 superior or anterior; the whole extent of the rim, not the chord through the
    point. The fossa must have a rim.
    """
    rim, p = fossa.patch.uvw(fossa.rim_lps), fossa.patch.uvw(points_lps)
    low, high = rim.min(axis=0), rim.max(axis=0)
    return (
        np.asarray((p[..., 1] - low[1]) / (high[1] - low[1])),
        np.asarray((p[..., 0] - low[0]) / (high[0] - low[0])),
    )


def zone(superior_fraction: float, anterior_fraction: float) -> str:
    """Thirds of the fossa in words, e.g. `mid-posterior`."""

    def third(fraction: float, words: tuple[str, str, str]) -> str:
        return words[0] if fraction < 1 / 3 else words[1] if fraction <= 2 / 3 else words[2]

    first = third(superior_fraction, ("inferior", "mid", "superior"))
    return f"{first}-{third(anterior_fraction, ('posterior', 'central', 'anterior'))}"


def membrane_points(fossa: Fossa, *, step_mm: float = CANDIDATE_STEP_MM) -> Array:
    """Mid-surface points (n, 3) inside the rim on a grid of `step_mm` over the fossa's plane; none without a rim."""
    u, v = membrane_grid_mm(fossa, step_mm=step_mm)
    return fossa.patch.points_lps(u, v)


def membrane_grid_mm(fossa: Fossa, *, step_mm: float) -> tuple[Array, Array]:
    """Plane coordinates u (n,) and v (n,) of the points of `membrane_points`."""
    patch = fossa.patch
    if not len(fossa.rim_lps):
        return np.empty(0), np.empty(0)
    rim_uv = patch.uvw(fossa.rim_lps)[:, :2]
    low, high = rim_uv.min(axis=0), rim_uv.max(axis=0)
    u = np.arange(patch.u_mm[0], patch.u_mm[-1] + step_mm / 2, step_mm)
    v = np.arange(patch.v_mm[0], patch.v_mm[-1] + step_mm / 2, step_mm)
    uu, vv = np.meshgrid(u[(u >= low[0]) & (u <= high[0])], v[(v >= low[1]) & (v <= high[1])])
    inside = curves.inside_closed(np.stack([uu, vv], axis=-1), rim_uv)
    inside &= patch.sample(fossa.membrane.astype(np.float64), uu, vv) > 0.5
    return uu[inside], vv[inside]


def local_normals_lps(fossa: Fossa, points_lps: ArrayLike, *, over_mm: float = 2.0) -> Array:
    """Unit normals (n, 3) of the mid-surface at points (n, 3), right atrium toward left, each a mean over so many mm
    around the point: what a tip of some millimetres' width rests on."""
    uvw = fossa.patch.uvw(np.asarray(points_lps, dtype=np.float64).reshape(-1, 3))
    du, dv = (d.ravel() for d in np.meshgrid(*(2 * [np.linspace(-over_mm, over_mm, 9)])))
    near = np.hypot(du, dv) <= over_mm
    normals = fossa.patch.normals_lps(uvw[:, None, 0] + du[near], uvw[:, None, 1] + dv[near])
    return unit_vector(normals.mean(axis=1))


def room_to_rim_mm(fossa: Fossa, points_lps: Array) -> Array:
    """Distance (n,) of points (n, 3) to the rim, less the doubt of where it was bridged."""
    room = curves.distance_to_closed(points_lps, fossa.rim_lps)
    return np.asarray(np.minimum(room, np.maximum(to_bridged_mm(fossa, points_lps) - BRIDGED_RIM_SD_MM, 0.0)))


def to_bridged_mm(fossa: Fossa, points_lps: Array) -> Array:
    """Distance (n,) of points (n, 3) to where the rim was bridged; infinite where all of it was seen."""
    if fossa.rim_seen is None or fossa.rim_seen.all():
        return np.full(len(points_lps), np.inf)
    away = points_lps[:, None, :] - fossa.rim_lps[~fossa.rim_seen]
    return np.asarray(np.linalg.norm(away, axis=-1).min(axis=1))
