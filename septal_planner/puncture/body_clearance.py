"""Room for a catheter's body: signed distance to the wall of a chamber, and to the aorta, along many chains at once."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import map_coordinates
from scipy.spatial import cKDTree

from septal_planner.anatomy.annulus import Annulus
from septal_planner.geometry import curves, planes
from septal_planner.geometry.frames import apply_affine, spacing_mm, unit_vector
from septal_planner.geometry.shapes import DistanceField

Array = NDArray[np.float64]

# the wall around the hole the catheter comes in by is no obstacle to it
NEAR_ENTRY_MM = 10.0
OPENING_MM = 3.0    # above and below the saddle
RIDGE_MM = 15.0     # wall so near the appendage's landmark is called its ridge
BELOW_VALVE_MM = 12.0
MOUTH_MM = 20.0      # the widest half width of a cava's mouth
SQUARE = 0.7         # cosine to the axis of an outline that is a mouth's, not a wall's
THIN_MM = 0.8         # between points of an outline that distances are taken to
FARTHEST_MM = 12.0  # room beyond this is told as no more than the chamber's own field has


@dataclass(frozen=True)
class BodyRoom:
    """Where a catheter's body may be. `wall` and `aorta`: signed distance to the chamber's wall (valve opening taken
    out; negative inside the blood) and to the aorta's blood (None: not assessed). LPS, mm. `appendage_lps` (3,) or
    None names the ridge. Within `opening_mm` of `opening_lps` (3,) no wall counts, since the way leads into it."""

    wall: DistanceField
    aorta: DistanceField | None
    annulus: Annulus
    chamber: str
    appendage_lps: NDArray[np.float64] | None = None
    opening_lps: NDArray[np.float64] | None = None
    opening_mm: float = 0.0

    def distances_mm(
        self, points_lps: ArrayLike, entry_lps: ArrayLike, *, edges: bool = True
    ) -> tuple[Array, Array]:
        """Distance (n, k) of centre-line points (n, k, 3) to the wall and to the aorta, negative beyond it; infinite
        where none counts: below the annular plane and, to the wall, within 10 mm of the entry (n, 3) or (3,) and within
        the opening. The point next to such a stretch is told the distance where it begins, so that the spacing of the
        points hardly matters, unless `edges` is off."""
        p = np.asarray(points_lps, dtype=np.float64)
        entry = np.asarray(entry_lps, dtype=np.float64)
        entry = entry[..., None, :] if entry.ndim == 2 else entry
        above = (p - self.annulus.center_lps) @ self.annulus.normal_lps
        away = p - entry
        far = np.sqrt(np.einsum("...i,...i->...", away, away)) - NEAR_ENTRY_MM
        gate = np.minimum(above, far)
        if self.opening_lps is not None:
            gate = np.minimum(gate, np.linalg.norm(p - self.opening_lps, axis=-1) - self.opening_mm)
        wall = self._gated(self.wall, p, gate, -1.0, edges)
        if self.aorta is None:
            return wall, np.full(wall.shape, np.inf)
        return wall, self._gated(self.aorta, p, above, 1.0, edges)

    def _gated(self, at: DistanceField, points: Array, gate: Array, sign: float, edges: bool) -> Array:
        """`sign` times the field where the gate is not negative, and where it opens or closes between two points."""
        opens = gate >= 0
        if not edges:
            value = np.full(gate.shape, np.inf)
            value[opens] = sign * BodyRoom._lookup(at, points[opens])
            return value
        needed = opens.copy()
        needed[:, 1:] |= opens[:, :-1]
        needed[:, :-1] |= opens[:, 1:]
        value = np.full(gate.shape, np.inf)
        value[needed] = sign * BodyRoom._lookup(at, points[needed])
        out = np.where(opens, value, np.inf)
        for here, there in ((slice(None, -1), slice(1, None)), (slice(1, None), slice(None, -1))):
            row, column = np.nonzero(~opens[:, here] & opens[:, there])
            g, h, v, w = gate[:, here], gate[:, there], value[:, here], value[:, there]
            share = h[row, column] / (h[row, column] - g[row, column])
            edge = w[row, column] + share * (v[row, column] - w[row, column])
            part = out[:, here]
            np.minimum.at(part, (row, column), edge)
        return out

    def clearance_mm(
        self, points_lps: ArrayLike, entry_lps: ArrayLike, outer_diameter_mm: float, *, edges: bool = True
    ) -> Array:
        """Least distance (n,) of the body's surface to wall and aorta along centre lines (n, k, 3); infinite where
        nothing counts. Without `edges` not looked at where counting begins: never less than with them."""
        wall, aorta = self.distances_mm(points_lps, entry_lps, edges=edges)
        return np.asarray(np.minimum(wall, aorta).min(axis=-1) - outer_diameter_mm / 2)

    def nearest(
        self, points_lps: ArrayLike, entry_lps: ArrayLike, outer_diameter_mm: float
    ) -> tuple[float | None, str | None, Array | None]:
        """Clearance of one centre line (k, 3), what it is nearest to, and the place (3,) on the centre line."""
        p = np.asarray(points_lps, dtype=np.float64)
        wall, aorta = (d[0] for d in self.distances_mm(p[None], np.asarray(entry_lps, dtype=np.float64)[None]))
        both = np.minimum(wall, aorta)
        at = int(np.argmin(both))
        if not np.isfinite(both[at]):
            return None, None, None
        name = "aorta" if aorta[at] < wall[at] else self._name(p[at], float(wall[at]))
        return float(both[at]) - outer_diameter_mm / 2, name, p[at]

    @staticmethod
    def _lookup(at: DistanceField, points: Array) -> Array:
        """`at.at(points)` for points (n, 3), quicker where they lie within the grid."""
        m = np.linalg.inv(at.lps_from_index)
        kji = np.empty((3, len(points)))
        beyond = np.zeros(len(points), dtype=np.bool_)
        for row, size in enumerate(at.values_mm.shape):
            index = kji[row]
            index[:] = m[2 - row, 3]
            for axis in np.flatnonzero(m[2 - row, :3]):
                index += m[2 - row, axis] * points[:, axis]
            if len(points) and (index.min() < 0 or index.max() > size - 1):
                beyond |= (index < 0) | (index > size - 1)
        value = map_coordinates(at.values_mm, kji, order=1, mode="nearest", output=np.float64)
        if beyond.any():
            value[beyond] = at.at(points[beyond])
        return np.asarray(value)

    def _name(self, point: Array, distance: float) -> str:
        steps = 0.7 * np.eye(3)
        slope = self.wall.at(point + steps) - self.wall.at(point - steps)
        size = float(np.linalg.norm(slope))
        out = slope / size if size > 1e-6 else np.zeros(3)
        foot = point + max(distance, 0.0) * out
        whole = self.chamber.replace("_", " ")
        if self.appendage_lps is not None and np.linalg.norm(foot - self.appendage_lps) <= RIDGE_MM:
            return "ridge of the left atrial appendage"
        if out @ self.annulus.normal_lps < -0.7:
            return f"wall of the {whole} next to the valve"
        sides = ["left side", "right side", "posterior wall", "anterior wall", "roof", "floor"]
        against = [out[0], -out[0], out[1], -out[1], out[2], -out[2]]
        return f"{sides[int(np.argmax(against))]} of the {whole}"


def body_room(
    chamber: DistanceField, annulus: Annulus, *, aorta: DistanceField | None = None, name: str = "left_atrium",
    appendage_lps: ArrayLike | None = None, mouth_lps: ArrayLike | None = None, mouth_axis: ArrayLike | None = None,
) -> BodyRoom:
    """The room in a chamber whose blood ends at the valve's opening too: there, where no wall is, the distance is that
    to the wall around. Likewise at a vessel's mouth cut square to `mouth_axis` (3,) at `mouth_lps` (3,), by which the
    catheter comes in. Everywhere else it is the chamber's own."""
    step = float(spacing_mm(chamber.lps_from_index).max())
    outline, slope = outline_of(chamber)
    about = chamber.lps_from_index, _inside_box(chamber)
    openings: list[_ValveOpening | _MouthOpening] = [_ValveOpening.of(annulus)]
    if mouth_lps is not None and mouth_axis is not None:
        openings.append(_MouthOpening(np.asarray(mouth_lps, dtype=np.float64), unit_vector(mouth_axis)))
    is_open = np.stack([o.holds(outline, slope) for o in openings])
    rims = [o.edge_lps for o in openings if len(o.edge_lps)]
    wall = cKDTree(np.concatenate([_thinned(outline[~is_open.any(axis=0)]), *rims]))
    values = freed_of_faces(chamber, outline, about)
    free = DistanceField(values.copy(), chamber.lps_from_index)
    for opening, there in zip(openings, is_open, strict=True):
        if there.any():
            _take_out(values, free, opening, outline[there], wall, step)
    point = None if appendage_lps is None else np.asarray(appendage_lps, dtype=np.float64).reshape(-1, 3).mean(axis=0)
    if aorta is not None:
        aorta = DistanceField(freed_of_faces(aorta, outline_of(aorta)[0], about), aorta.lps_from_index)
    return BodyRoom(DistanceField(values, chamber.lps_from_index), aorta, annulus, name, point)


@dataclass(frozen=True)
class _ValveOpening:
    """Where blood ends without a wall: within the hinge line, near its plane."""

    center_lps: NDArray[np.float64]
    normal_lps: NDArray[np.float64]   # into the chamber
    edge_lps: NDArray[np.float64]
    frame: NDArray[np.float64]
    depth_mm: float

    @classmethod
    def of(cls, annulus: Annulus) -> _ValveOpening:
        frame = np.stack(planes.plane_axes(annulus.normal_lps), axis=1)
        return cls(annulus.center_lps, annulus.normal_lps, annulus.curve_lps, frame,
                   annulus.saddle_height_mm / 2 + OPENING_MM)

    @property
    def radius_mm(self) -> float:
        return float(np.linalg.norm((self.edge_lps - self.center_lps) @ self.frame, axis=1).max())

    def over(self, points_lps: Array) -> NDArray[np.bool_]:
        hinge = (self.edge_lps[::8] - self.center_lps) @ self.frame
        return curves.inside_closed((points_lps - self.center_lps) @ self.frame, hinge)

    def holds(self, outline_lps: Array, slope: Array) -> NDArray[np.bool_]:
        near = np.abs((outline_lps - self.center_lps) @ self.normal_lps) <= self.depth_mm
        near[near] = self.over(outline_lps[near])
        return near


@dataclass(frozen=True)
class _MouthOpening:
    """A vessel's mouth: outline square to its axis, near the point where the axis enters."""

    center_lps: NDArray[np.float64]
    normal_lps: NDArray[np.float64]   # into the chamber
    edge_lps: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 3)))
    depth_mm: float = OPENING_MM
    radius_mm: float = MOUTH_MM

    def over(self, points_lps: Array) -> NDArray[np.bool_]:
        away = points_lps - self.center_lps
        aside = away - (away @ self.normal_lps)[:, None] * self.normal_lps
        return np.asarray(np.linalg.norm(aside, axis=1) <= self.radius_mm)

    def holds(self, outline_lps: Array, slope: Array) -> NDArray[np.bool_]:
        near = np.abs((outline_lps - self.center_lps) @ self.normal_lps) <= self.depth_mm
        faces = slope @ self.normal_lps < -SQUARE * np.maximum(np.linalg.norm(slope, axis=1), 1e-9)
        return np.asarray(near & faces & self.over(outline_lps))


def _take_out(
    values: NDArray[np.float32], chamber: DistanceField, opening: _ValveOpening | _MouthOpening, hole_lps: Array,
    wall: cKDTree, step: float,
) -> None:
    """Put into `values` the distance to the wall where the chamber's outline nearest may be the opening."""
    box = _box_about(chamber, opening.center_lps[None], opening.radius_mm + FARTHEST_MM)
    kji = np.stack(np.meshgrid(*(np.arange(b.start, b.stop) for b in box), indexing="ij"), axis=-1).reshape(-1, 3)
    p = apply_affine(chamber.lps_from_index, kji[:, ::-1].astype(np.float64))
    own = chamber.values_mm[tuple(kji.T)].astype(np.float64)
    away = p - opening.center_lps
    height = away @ opening.normal_lps
    frame = np.stack(planes.plane_axes(opening.normal_lps), axis=1)
    uv, hole_uv = away @ frame, (hole_lps - opening.center_lps) @ frame
    maybe = (own > -FARTHEST_MM) & (np.hypot(*uv.T) < 1.1 * opening.radius_mm) & (height > -BELOW_VALVE_MM)
    p, own, kji, uv, height = p[maybe], own[maybe], kji[maybe], uv[maybe], height[maybe]
    # over the opening, no deeper in the blood than above it; or beyond it
    above = height - ((hole_lps - opening.center_lps) @ opening.normal_lps)[cKDTree(hole_uv).query(uv)[1]]
    maybe = np.where(own < 0, -own >= 0.8 * above - step, height < opening.depth_mm)
    maybe[own >= 0] &= opening.over(p[own >= 0])
    p, own, kji = p[maybe], own[maybe], kji[maybe]
    to_wall = wall.query(p, workers=2)[0]
    # where the wall is nearest the field itself is the better: the cloud of points errs by their spacing
    opened = to_wall > np.abs(own) + 0.25 * step
    beyond = own >= 0  # the opening, or else the tissue next to it
    opened[beyond] &= cKDTree(hole_lps).query(p[beyond])[0] < to_wall[beyond]
    now = values[tuple(kji.T)]
    values[tuple(kji.T)] = np.minimum(now, np.where(opened, -to_wall, own))


def freed_of_faces(
    at: DistanceField, outline_lps: Array, about: tuple[Array, tuple[slice, slice, slice]]
) -> NDArray[np.float32]:
    """Values of a field with the distance to its outline (n, 3) instead of that to the faces of voxels, which is short
    by up to half a voxel where a wall runs aslant. Within a box of another grid `about` (its affine, its slices), as
    far as 12 mm; the difference is found at every second voxel and is smooth in between."""
    step = float(spacing_mm(at.lps_from_index).max())
    affine, box = about
    ends = np.array([[b.start, b.stop - 1] for b in box[::-1]], dtype=np.float64)
    corners = np.stack(np.meshgrid(*ends, indexing="ij"), axis=-1).reshape(-1, 3)
    part = _box_about(at, apply_affine(affine, corners), 2 * step)
    values = at.values_mm[part].astype(np.float64)
    rough = values[::2, ::2, ::2]
    kji = np.argwhere((np.abs(rough) > step) & (np.abs(rough) < FARTHEST_MM))
    if not len(kji) or not len(outline_lps):
        return at.values_mm.copy()
    first = np.array([b.start for b in part])
    points = apply_affine(at.lps_from_index, (first + 2 * kji)[:, ::-1].astype(np.float64))
    own = rough[tuple(kji.T)]
    more = np.zeros(rough.shape)
    # the cloud of points itself is too far by little; the faces are never too far
    away = cKDTree(_thinned(outline_lps)).query(points, workers=2)[0]
    more[tuple(kji.T)] = np.sign(own) * np.clip(away - np.abs(own), 0.0, step)
    out = at.values_mm.copy()
    out[part] = values + _doubled(more, values.shape)
    return out


def _doubled(rough: Array, shape: tuple[int, ...]) -> Array:
    """A grid at every second place, linear in between, to `shape`."""
    out = rough
    for axis, size in enumerate(shape):
        out = np.moveaxis(out, axis, 0)
        fine = np.empty((size, *out.shape[1:]))
        fine[::2] = out
        ahead = np.concatenate([out[1:], out[-1:]])
        fine[1::2] = ((out + ahead) / 2)[: size // 2]
        out = np.moveaxis(fine, 0, axis)
    return np.asarray(out)


def outline_of(chamber: DistanceField) -> tuple[Array, Array]:
    """Points (n, 3) on the surface (voxel centres next to it, moved onto it along the field's slope) and the slope."""
    step = float(spacing_mm(chamber.lps_from_index).max())
    k, j, i = np.nonzero(np.abs(chamber.values_mm) < step)
    points = apply_affine(chamber.lps_from_index, np.stack([i, j, k], axis=-1).astype(np.float64))
    h = 0.5 * np.eye(3)
    slope = np.stack([chamber.at(points + d) - chamber.at(points - d) for d in h], axis=-1)
    size = np.linalg.norm(slope, axis=1)
    clear = size > 0.3  # not where two walls meet within a voxel
    move = chamber.at(points) / np.maximum(size, 0.3) ** 2 * clear
    return np.asarray(points - move[:, None] * slope), np.asarray(slope)


def _thinned(points: Array) -> Array:
    """One point of each cell."""
    cell = np.floor(points / THIN_MM).astype(np.int64) @ np.array([1, 4096, 4096**2])
    _, first = np.unique(cell, return_index=True)
    return points[first]


def _inside_box(chamber: DistanceField) -> tuple[slice, slice, slice]:
    """Slices [k, j, i] of what is inside; all where nothing is."""
    inside = chamber.values_mm < 0
    ends = []
    for axis in range(3):
        at = np.flatnonzero(inside.any(axis=tuple(a for a in range(3) if a != axis)))
        ends.append(slice(int(at[0]), int(at[-1]) + 1) if len(at) else slice(0, inside.shape[axis]))
    return ends[0], ends[1], ends[2]


def _box_about(chamber: DistanceField, points_lps: Array, margin_mm: float) -> tuple[slice, slice, slice]:
    index = apply_affine(np.linalg.inv(chamber.lps_from_index), points_lps)
    margin = margin_mm / spacing_mm(chamber.lps_from_index)
    low = np.maximum(np.floor(index.min(axis=0) - margin), 0).astype(int)
    high = np.minimum(np.ceil(index.max(axis=0) + margin) + 1, np.array(chamber.values_mm.shape[::-1])).astype(int)
    i, j, k = (slice(int(a), int(b)) for a, b in zip(low, high, strict=True))
    return k, j, i
