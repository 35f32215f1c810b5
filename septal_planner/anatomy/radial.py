"""A chamber seen from its inside: one radius per direction, smooth where the wall cannot be seen.

Veins, an appendage or an open valve leave holes in a chamber's wall. Seen from inside, the wall is found where blood
gives way to something darker; where rays run on through a mouth, the surface is carried across by the smoothness of
its surroundings. Fit: robust least squares with a discrete thin-plate penalty on the sphere (iteratively reweighted;
Green PJ, J R Stat Soc B 1984;46:149-92, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import gaussian_filter1d, grey_closing
from scipy.sparse import csc_matrix, diags, identity
from scipy.sparse.linalg import splu
from scipy.spatial import ConvexHull, cKDTree

Array = NDArray[np.float64]
DIRECTIONS = 2400


@lru_cache(maxsize=2)
def sphere_directions(count: int = DIRECTIONS) -> tuple[Array, csc_matrix]:
    """Evenly spread unit vectors (count, 3) (golden-section spiral) and their umbrella Laplacian (count, count)."""
    i = np.arange(count) + 0.5
    z = 1 - 2 * i / count
    turn = np.pi * (1 + 5**0.5) * i
    s = np.sqrt(1 - z * z)
    directions = np.stack([s * np.cos(turn), s * np.sin(turn), z], axis=1)
    faces = ConvexHull(directions).simplices
    rows = np.concatenate([faces[:, [0, 1, 2]].ravel(), faces[:, [1, 2, 0]].ravel()])
    cols = np.concatenate([faces[:, [1, 2, 0]].ravel(), faces[:, [0, 1, 2]].ravel()])
    graph = csc_matrix((np.ones(rows.size), (rows, cols)), shape=(count, count))
    graph.data[:] = 1.0
    degree = np.asarray(graph.sum(axis=1)).ravel()
    return directions, (identity(count, format="csc") - diags(1 / degree) @ graph).tocsc()


@dataclass(frozen=True)
class RadialSurface:
    """Radius (mm) around `center_lps` for each of `directions`; `support` in [0, 1]: how well the wall is seen."""

    center_lps: Array
    directions: Array
    radius_mm: Array
    support: Array

    def spread(self, points_lps: ArrayLike, values: Array) -> Array:
        """A value per direction (n,) carried to points (..., 3): weighted over the three nearest directions."""
        d = np.asarray(points_lps, dtype=np.float64) - self.center_lps
        u = d / np.maximum(np.linalg.norm(d, axis=-1), 1e-9)[..., None]
        distance, near = cKDTree(self.directions).query(u, k=3)
        weight = 1 / np.maximum(distance, 1e-6)
        weight /= weight.sum(axis=-1, keepdims=True)
        return np.asarray((values[near] * weight).sum(axis=-1))

    def outside_mm(self, points_lps: ArrayLike, *, margin_mm: Array | float = 0.0) -> Array:
        """How far points (..., 3) lie beyond the surface along their ray (mm; negative inside), minus the margin."""
        r = np.linalg.norm(np.asarray(points_lps, dtype=np.float64) - self.center_lps, axis=-1)
        return np.asarray(r - self.spread(points_lps, self.radius_mm + margin_mm))


def first_wall_mm(
    profiles_hu: Array, step_mm: float, *, dark_hu: float, valley_hu: float | None, sustained_mm: float = 1.0
) -> Array:
    """First radius at which blood ends on each ray: (n,) from HU profiles (n, m); the last radius where it never does.

    Blood ends where the profile falls below `dark_hu`, or (where `valley_hu` is given) where a dark line at most 10 mm
    wide dips by that much below both its sides: a membrane thinner than the scanner's resolution.
    """
    smooth = gaussian_filter1d(profiles_hu, 0.6 / step_mm, axis=1)
    dark = smooth < dark_hu
    wall = dark.copy()
    for shift in range(1, max(1, round(sustained_mm / step_mm))):  # a single dark sample is noise
        wall[:, :-shift] &= dark[:, shift:]
    if valley_hu is not None:
        width = round(10.0 / step_mm) | 1
        valley = grey_closing(smooth, size=(1, width), mode="nearest") - smooth
        wall |= valley > valley_hu
    wall[:, -1] = True
    return np.asarray(np.argmax(wall, axis=1) * step_mm, dtype=np.float64)


def fit_radius(
    wall_mm: Array, *, other_mm: Array | None = None, fixed: NDArray[np.bool_] | None = None,
    trust: Array | float = 1.0, stiffness: float = 20.0, slack_mm: float = 3.0, iterations: int = 30,
) -> tuple[Array, Array]:
    """Smooth radius (n,) through first-wall radii (n,) and the support (n,) in [0, 1] each ray gave it.

    Rays running on through a mouth lie far outside their neighbours and lose their weight; rays stopped early by a
    streak or a papillary muscle lose it more slowly. `fixed` rays (a valve's gate) keep theirs. `other_mm`: a second
    place (n,) where the wall may be, taken unless it lies three times as far from the surface as it takes shape as
    `wall_mm` does. `trust` weighs the rays. `stiffness` is meant for 2400 directions and scales itself to others (the
    umbrella Laplacian shrinks with the square of the spacing).
    """
    count = wall_mm.size
    _, laplacian = sphere_directions(count)
    penalty = (laplacian.T @ laplacian) * (stiffness * (count / 2400) ** 2)
    sure = wall_mm if other_mm is None else wall_mm[np.abs(other_mm - wall_mm) < slack_mm]
    typical = float(np.percentile(sure if sure.size > 0.2 * count else wall_mm, 40))
    radius = np.full(count, typical)
    other_mm = wall_mm if other_mm is None else other_mm
    for n in range(iterations):
        capped = np.minimum(np.where(_takes_other(radius, wall_mm, other_mm), other_mm, wall_mm), typical * 1.8)
        scale = slack_mm * max(1.0, 6.0 * (1 - n / (0.6 * iterations)))
        beyond = capped - radius
        weight = np.where(beyond > 0, 1 / (1 + (beyond / scale) ** 2) ** 2, 1 / (1 + (beyond / (2.5 * scale)) ** 2))
        weight = weight * trust
        if fixed is not None:
            weight = np.where(fixed, 3.0, weight)
        factor = splu(
            (penalty + diags(weight + 1e-4)).tocsc(),
            permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True},
        )
        radius = factor.solve(weight * capped + 1e-4 * radius)
    off = np.where(_takes_other(radius, wall_mm, other_mm), other_mm, wall_mm) - radius
    support = 1 / (1 + (off / slack_mm) ** 2) ** 2
    return np.maximum(radius, 1.0), support


def sharpened(surface: RadialSurface, wall_mm: Array, *, stiffness: float = 0.5) -> RadialSurface:
    """The surface drawn close to the walls (n,) its rays saw, where they support it: a smooth fit rounds off what is
    more curved than the chamber, such as a septum that bulges into it."""
    _, laplacian = sphere_directions(wall_mm.size)
    weight = surface.support**2
    factor = splu((laplacian.T @ laplacian * stiffness + diags(weight + 0.02)).tocsc())
    radius = factor.solve(weight * wall_mm + 0.02 * surface.radius_mm)
    return replace(surface, radius_mm=np.where(weight > 0, radius, surface.radius_mm))


def _takes_other(radius: Array, wall_mm: Array, other_mm: Array) -> NDArray[np.bool_]:
    return np.asarray(np.abs(other_mm - radius) < 3.0 * np.abs(wall_mm - radius))


def ray_points(center_lps: Array, directions: Array, reach_mm: float, step_mm: float) -> Array:
    """Points (n, m, 3) along each direction from the centre outward."""
    radii = np.arange(0.0, reach_mm, step_mm)
    return np.asarray(center_lps + radii[None, :, None] * directions[:, None, :])

