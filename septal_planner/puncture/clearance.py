"""How much room an arc has in the left atrium: its least distance to the wall."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree
from scipy.spatial.distance import cdist

from septal_planner.anatomy.annulus import Annulus, height_mm
from septal_planner.geometry import curves, planes
from septal_planner.geometry.frames import apply_affine, spacing_mm
from septal_planner.geometry.shapes import DistanceField

Array = NDArray[np.float64]
Index = NDArray[np.intp]

# left out of the clearance: the arc's start, and the wall around the hole it comes through
NEAR_SEPTUM_MM = 3.0
NEAR_PUNCTURE_MM = 10.0
CT_EDGE_MM = 1.6  # an outline so near the CT's outermost voxel centres is where the CT ends, not a wall
STRIDE = 8  # of the samples looked at first along an arc
NEAR_WALL_MM = 12.0  # how far the wall is looked for at first
ROWS = 256  # of a table of all pairs, so that it stays small
OPENING_MM = 3.0  # beside half the saddle height: so near the annular plane the opening has no wall


@dataclass(frozen=True, eq=False)
class AtrialWall:
    """The left atrial wall without the valve's opening and without where the CT cuts the atrium; `opened_at` leaves
    out a ball about where the way leads, (place (3,), radius), too.
    """

    left_atrium: DistanceField
    annulus: Annulus
    wall_lps: Array               # (n, 3) points of the outline, less than a voxel apart
    wall: cKDTree | None
    edge: cKDTree | None          # of the CT, where it cuts the atrium
    opening: tuple[Array, float] | None = None
    closed: AtrialWall | None = None  # the same without that opening

    @classmethod
    def of(
        cls, annulus: Annulus, left_atrium: DistanceField,
        beyond_ct: Callable[[Array, float], NDArray[np.bool_]] | None = None,
    ) -> AtrialWall:
        """`beyond_ct` tells which points (n, 3) lie within so many mm of the CT's edge."""
        # the blood pool ends at the valve too, and no wall is there: points of the outline in the opening are
        # left out
        mask = np.abs(left_atrium.values_mm) < spacing_mm(left_atrium.lps_from_index).max()
        index = np.argwhere(mask)[:, ::-1].astype(np.float64)
        outline = apply_affine(left_atrium.lps_from_index, index)
        # from the voxel to the outline itself, along the field's own slope
        steps = 0.5 * np.eye(3)
        slope = np.stack([left_atrium.at(outline + s) - left_atrium.at(outline - s) for s in steps], axis=-1)
        size = np.linalg.norm(slope, axis=1)
        clear = size > 0.3  # not where two walls meet within a voxel
        outline = outline - (left_atrium.at(outline) / np.maximum(size, 0.3))[:, None] * slope * clear[:, None]
        height = height_mm(annulus, outline)
        frame = np.stack(planes.plane_axes(annulus.normal_lps), axis=1)
        hinge_uv = (annulus.curve_lps - annulus.center_lps) @ frame
        # a little within the hinge line, so that the wall next to it stays wall
        wall = np.abs(height) > annulus.saddle_height_mm / 2 + OPENING_MM
        low = ~wall
        wall[low] = ~curves.inside_closed((outline[low] - annulus.center_lps) @ frame, 0.95 * hinge_uv)
        edge = np.zeros(len(outline), dtype=np.bool_)
        if beyond_ct is not None:
            edge = beyond_ct(outline, CT_EDGE_MM)
            wall &= ~edge
        return cls(
            left_atrium, annulus, outline[wall], cKDTree(outline[wall]) if wall.any() else None,
            cKDTree(outline[edge]) if edge.any() else None,
        )

    def opened_at(self, place_lps: ArrayLike, radius_mm: float) -> AtrialWall:
        """The same where the way leads into an opening (a leak, a mouth): within `radius_mm` of the place (3,) there is
        no wall and no part of a path counts. A radius of nought closes it again."""
        whole = self.closed or self
        place = np.asarray(place_lps, dtype=np.float64)
        if radius_mm <= 0:
            return whole
        left = whole.wall_lps[np.linalg.norm(whole.wall_lps - place, axis=1) > radius_mm]
        return replace(
            whole, wall_lps=left, wall=cKDTree(left) if len(left) else None, opening=(place, radius_mm), closed=whole
        )

    def clearances_mm(self, points_lps: ArrayLike, begin: Index, targets_lps: ArrayLike) -> Array:
        """Least distance (n,) of each of n paths to the wall, negative by how far a path is outside the blood pool;
        nan where no part of it lies above the valve.

        The paths' points (m, 3) stand one after another, path i from `begin[i]` to `begin[i + 1]`, each starting at
        its puncture `targets_lps[i]` (n, 3), around which the wall is left out. The wall's distance changes no faster
        than the place, so that only samples which can hold the least are looked up.
        """
        points = np.asarray(points_lps, dtype=np.float64)
        targets = np.asarray(targets_lps, dtype=np.float64)
        free, of, height = self._free(points, begin)
        least = np.full(len(targets), np.nan)
        if self.wall is None or len(free) == 0:
            return least
        outside = self.left_atrium.at(free)
        near_valve = height < self.annulus.saddle_height_mm / 2 + OPENING_MM
        far = np.linalg.norm(free - targets[of], axis=1) > NEAR_PUNCTURE_MM
        worst = np.zeros(len(targets))
        np.maximum.at(worst, of, np.where(~near_valve & far, outside, 0.0))
        stays = worst[of] <= 0
        shortest = np.full(len(targets), np.inf)
        # no wall can be nearer than the outline, which the field tells at once, but for a voxel or two
        floor = -outside - 2 * float(spacing_mm(self.left_atrium.lps_from_index).max())
        distance = self._to_wall(free[stays], of[stays], targets, floor[stays])
        np.minimum.at(shortest, of[stays], distance)
        least[np.isfinite(shortest)] = shortest[np.isfinite(shortest)]
        return np.asarray(np.where(worst > 0, -worst, least))

    def to_edge_mm(self, points_lps: ArrayLike, begin: Index) -> Array:
        """Least distance (n,) of each path (as in `clearances_mm`) to where the CT cuts the atrium; infinite where it
        does not."""
        free, of, _ = self._free(np.asarray(points_lps, dtype=np.float64), begin)
        least = np.full(len(begin) - 1, np.inf)
        if self.edge is not None and len(free):
            np.minimum.at(least, of, self.edge.query(free)[0])
        return least

    def _free(self, points: Array, begin: Index) -> tuple[Array, Index, Array]:
        """The points that count, the path of each, and their height above the annular plane."""
        of = np.repeat(np.arange(len(begin) - 1), np.diff(begin))
        step = np.zeros(len(points))
        step[1:] = np.linalg.norm(np.diff(points, axis=0), axis=1)
        step[begin[:-1]] = 0.0
        run = np.cumsum(np.nan_to_num(step))  # a path that is not known must not spoil the next
        height = height_mm(self.annulus, points)
        with np.errstate(invalid="ignore"):
            counts = (run - run[begin[:-1]][of] >= NEAR_SEPTUM_MM) & (height > 0)
            if self.opening is not None:
                counts &= np.linalg.norm(points - self.opening[0], axis=1) > self.opening[1]
        return points[counts], of[counts], height[counts]

    def _to_wall(self, points: Array, of: Index, targets: Array, floor_mm: Array) -> Array:
        """Distance (m,) of points (m, 3) to the wall, which is `floor_mm` (m,) at least; infinite for those that cannot
        be the nearest of their path."""
        found = np.full(len(points), np.inf)
        if len(points) == 0:
            return found
        # the first path's nearest wall is not far from the others' either, and a search within a bound is quick
        one = of == of[0]
        found[one], nearest = self._least_along(
            points[one], of[one], targets, floor_mm[one], np.full(len(targets), np.inf)
        )
        if not one.all():
            to_it = np.full(len(targets), np.inf)
            np.minimum.at(to_it, of, np.linalg.norm(points - nearest, axis=1))
            to_it[np.linalg.norm(targets - nearest, axis=1) <= NEAR_PUNCTURE_MM] = np.inf
            found[~one] = self._least_along(points[~one], of[~one], targets, floor_mm[~one], to_it)[0]
        return found

    def _least_along(
        self, points: Array, of: Index, targets: Array, floor_mm: Array, at_most_mm: Array
    ) -> tuple[Array, Array]:
        """Distances as of `_to_wall`, no path's least being more than its `at_most_mm` (n,), and the wall (3,) nearest
        to the nearest point."""
        first = np.concatenate([[True], of[1:] != of[:-1]])
        start = np.flatnonzero(first)[np.cumsum(first) - 1]
        looked = ((np.arange(len(points)) - start) % STRIDE == 0) | np.concatenate([first[1:], [True]])
        least = at_most_mm.copy()
        ask = looked & (floor_mm < least[of] + 1e-6)
        bound = float(least[of].max()) + 1e-6
        found, wall = np.full(len(points), np.inf), np.full((len(points), 3), np.inf)
        found[ask], wall[ask] = self._beyond_puncture(points[ask], of[ask], targets, bound)
        np.minimum.at(least, of[ask], found[ask])
        at = np.flatnonzero(looked)
        before = at[np.cumsum(looked) - 1]
        behind = at[np.minimum(np.cumsum(looked), len(at) - 1)]
        known = np.where(ask, np.minimum(found, bound), np.minimum(floor_mm, bound))
        lowest = np.maximum(
            known[before] - np.linalg.norm(points - points[before], axis=1),
            known[behind] - np.linalg.norm(points - points[behind], axis=1),
        )
        rest = ~looked & (np.maximum(lowest, floor_mm) < least[of] + 1e-6)
        bound = float(least[of].max()) + 1e-6
        found[rest], wall[rest] = self._beyond_puncture(points[rest], of[rest], targets, bound)
        return found, wall[int(np.argmin(found))]

    def _beyond_puncture(self, points: Array, of: Index, targets: Array, bound_mm: float) -> tuple[Array, Array]:
        """Distance (m,) to the wall farther than NEAR_PUNCTURE_MM from each point's own target, and the nearest place
        (m, 3) of it; infinite where it is more than `bound_mm`."""
        distance, wall = _nearest(self.wall, points, bound_mm)
        hit = np.flatnonzero(np.linalg.norm(wall - targets[of], axis=1) <= NEAR_PUNCTURE_MM)
        within = min(bound_mm, NEAR_WALL_MM)
        for lo in range(0, len(hit), ROWS):
            mine = hit[lo : lo + ROWS]
            distance[mine], wall[mine] = self._search(points[mine], targets[of[mine]], within)
            lost = mine[~np.isfinite(distance[mine])]
            if len(lost) and within < bound_mm:
                distance[lost], wall[lost] = self._search(points[lost], targets[of[lost]], bound_mm)
        return distance, wall

    def _search(self, points: Array, targets: Array, within_mm: float) -> tuple[Array, Array]:
        """As `_beyond_puncture`, each point (m, 3) with its target (m, 3), by all pairs with the wall near them."""
        near = self.wall_lps
        if self.wall is not None and np.isfinite(within_mm):
            middle = points.mean(axis=0)
            reach = float(np.linalg.norm(points - middle, axis=1).max()) + within_mm
            near = near[self.wall.query_ball_point(middle, reach)]
        own, which = np.unique(targets, axis=0, return_inverse=True)
        if len(near) == 0:
            return np.full(len(points), np.inf), np.full((len(points), 3), np.inf)
        left_out = cdist(own, near) <= NEAR_PUNCTURE_MM
        pairs = cdist(points, near)
        pairs[left_out[which.ravel()]] = np.inf
        best = np.argmin(pairs, axis=1)
        distance = pairs[np.arange(len(points)), best]
        known = distance <= within_mm
        return np.where(known, distance, np.inf), np.where(known[:, None], near[best], np.inf)


def _nearest(tree: cKDTree | None, points: Array, bound_mm: float) -> tuple[Array, Array]:
    """Distance (m,) of points (m, 3) to the nearest of the tree, and that one (m, 3); infinite beyond the bound."""
    if tree is None or len(points) == 0:
        return np.full(len(points), np.inf), np.full((len(points), 3), np.inf)
    distance, which = tree.query(points, distance_upper_bound=bound_mm)
    found = np.full((len(points), 3), np.inf)
    near = np.isfinite(distance)
    found[near] = tree.data[which[near]]
    return np.asarray(distance), found


@dataclass(frozen=True, eq=False)
class Room:
    """The left atrium as arcs from one puncture find it."""

    atrium: AtrialWall
    target_lps: Array

    @classmethod
    def around(
        cls, target_lps: Array, annulus: Annulus, left_atrium: DistanceField,
        beyond_ct: Callable[[Array, float], NDArray[np.bool_]] | None = None,
    ) -> Room:
        """`beyond_ct` tells which points (n, 3) lie within so many mm of the CT's edge."""
        return cls(AtrialWall.of(annulus, left_atrium, beyond_ct), target_lps)

    def clearance_mm(self, path_lps: Array) -> float | None:
        """Least distance (mm) of an arc (n, 3) to the wall, negative by how far it is outside the blood pool."""
        found = float(self.clearances_mm(path_lps, np.array([0, len(path_lps)]))[0])
        return found if np.isfinite(found) else None

    def clearances_mm(self, points_lps: Array, begin: Index) -> Array:
        """As `AtrialWall.clearances_mm`, for paths from this puncture or a little beside it."""
        targets = np.broadcast_to(self.target_lps, (len(begin) - 1, 3))
        return self.atrium.clearances_mm(points_lps, begin, targets)

    def to_edge_mm(self, path_lps: Array) -> float:
        """Least distance (mm) of an arc (n, 3) to where the CT cuts the atrium, infinite where it does not."""
        return float(self.atrium.to_edge_mm(path_lps, np.array([0, len(path_lps)]))[0])
