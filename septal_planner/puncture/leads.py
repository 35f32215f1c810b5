"""Leads that cross the tricuspid annulus, found among the CT's metal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from septal_planner.anatomy.annulus import Annulus, height_mm
from septal_planner.geometry import curves, planes
from septal_planner.geometry.frames import unit_vector

Array = NDArray[np.float64]

# All ours, no source, and no record of trials they were set on. They tell the invented hearts' pacing lead from their
# tricuspid ring and band, mitral ring and occluder in the tests, where there is no real metal with its artefacts.
ABOUT_MM = 15.0       # above and below the annulus that is looked at
THROUGH_MM = 4.0      # metal that gets so far to both sides of the annular plane goes through
SLAB_MM = 2.0         # around the annular plane: here the places of crossing are told apart
LINKED_MM = 2.6       # neighbouring voxels of a CT of 1.5 mm, diagonal included: 1.5 times the root of three
RING_MM = 4.5         # metal so near the hinge line may be a ring's
RING_SHARE = 0.4      # of the hinge line with metal beside it, from which on it is a ring or a band, not a lead
CENTRAL_SHARE = 0.35  # of the way from the centre to the hinge line, within which a lead is called central
LEAST_VOXELS = 3      # of metal in that slab; fewer are noise


@dataclass(frozen=True)
class LeadCrossing:
    """Metal that runs through the tricuspid annulus. `place_lps` (3,) in the annular plane; `side`: "central",
    "septal", "lateral", "anterior" or "posterior"; `to_hinge_mm`: to the nearest hinge point in the plane."""

    place_lps: NDArray[np.float64]
    side: str
    to_hinge_mm: float


def lead_crossings(metal_lps: ArrayLike, annulus: Annulus) -> tuple[LeadCrossing, ...]:
    """Where metal (n, 3), voxel centres, runs through the annulus to the ventricle, nearest to the septum first.

    Metal along the hinge line that makes up a ring or band is left out. Sides are told by the annulus' septal axis and
    the patient's anterior."""
    metal = np.asarray(metal_lps, dtype=np.float64).reshape(-1, 3)
    if not len(metal):
        return ()
    height = height_mm(annulus, metal)
    frame = np.stack(planes.plane_axes(annulus.normal_lps), axis=1)
    hinge = (annulus.curve_lps - annulus.center_lps) @ frame
    uv = (metal - annulus.center_lps) @ frame
    near = (np.abs(height) <= ABOUT_MM) & (np.linalg.norm(uv, axis=1) <= np.linalg.norm(hinge, axis=1).max() + RING_MM)
    metal, height, uv = metal[near], height[near], uv[near]
    if not len(metal):
        return ()
    beside, to_hinge = _ring_share(annulus, metal)
    if beside >= RING_SHARE:
        keep = to_hinge > RING_MM
        metal, height, uv = metal[keep], height[keep], uv[keep]
    keep = curves.inside_closed(uv, hinge) | (np.abs(height) > SLAB_MM)
    metal, height, uv = metal[keep], height[keep], uv[keep]
    found = []
    for part in _parts(metal):
        if height[part].max() < THROUGH_MM or height[part].min() > -THROUGH_MM:
            continue
        slab = part[np.abs(height[part]) <= SLAB_MM]
        for spot in _parts(metal[slab]):
            if len(spot) >= LEAST_VOXELS:
                found.append(_crossing(annulus, hinge, frame, metal[slab[spot]], height[slab[spot]]))
    septal = unit_vector(annulus.septal_lateral_axis_lps)
    return tuple(sorted(found, key=lambda c: -float((c.place_lps - annulus.center_lps) @ septal)))


def lead_sentences(crossings: tuple[LeadCrossing, ...]) -> tuple[str, ...]:
    """One caution for each."""
    return tuple(
        f"Metal that looks like a lead crosses the tricuspid annulus "
        f"{'near its centre' if c.side == 'central' else f'on its {c.side} side'}, {c.to_hinge_mm:.0f} mm from the "
        "hinge line: a catheter or device there may catch, displace or damage it."
        for c in crossings
    )


def _ring_share(annulus: Annulus, metal: Array) -> tuple[float, Array]:
    """Share of the hinge line with metal beside it, and the distance (n,) of metal to it."""
    line = cKDTree(annulus.curve_lps)
    to_hinge, at = line.query(metal)
    sectors = 36
    filled = np.unique(at[to_hinge <= RING_MM] * sectors // len(annulus.curve_lps))
    return len(filled) / sectors, to_hinge


def _parts(points: Array) -> list[NDArray[np.intp]]:
    """Indices of the points of each connected part."""
    if not len(points):
        return []
    pairs = cKDTree(points).query_pairs(LINKED_MM, output_type="ndarray")
    links = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(points), len(points)))
    count, label = connected_components(links, directed=False)
    return [np.flatnonzero(label == n) for n in range(count)]


def _crossing(annulus: Annulus, hinge: Array, frame: Array, points: Array, height: Array) -> LeadCrossing:
    # where the line through the voxels meets the plane
    middle = points.mean(axis=0)
    spread = height - height.mean()
    if spread @ spread > 1e-6:
        slope = (spread @ (points - middle)) / (spread @ spread)
        middle = middle - height.mean() * slope
    middle = middle - height_mm(annulus, middle) * annulus.normal_lps
    uv = (middle - annulus.center_lps) @ frame
    to_hinge = float(curves.distance_to_closed(uv[None], hinge)[0])
    away = middle - annulus.center_lps
    if np.linalg.norm(uv) <= CENTRAL_SHARE * (np.linalg.norm(uv) + to_hinge):
        side = "central"
    else:
        septal = unit_vector(annulus.septal_lateral_axis_lps)
        front = np.cross(annulus.normal_lps, septal)
        front = front if front[1] <= 0 else -front
        along, ahead = float(away @ septal), float(away @ front)
        if abs(along) >= abs(ahead):
            side = "septal" if along > 0 else "lateral"
        else:
            side = "anterior" if ahead > 0 else "posterior"
    return LeadCrossing(middle, side, to_hinge)
