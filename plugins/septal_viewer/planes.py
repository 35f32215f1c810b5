"""The flat pictures of the viewer: which planes there are, what the CT shows on them, and what crosses them.

A plane has its own two coordinates, (down, right) in millimetres from its centre, which is the order in which a
two-dimensional canvas counts. All positions in space are patient coordinates (LPS, mm).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise, product

import numpy as np
from numpy.typing import ArrayLike, NDArray
from skimage.measure import find_contours

from septal_planner.anatomy.annulus import Annulus
from septal_planner.anatomy.chambers import Chambers
from septal_planner.geometry.frames import apply_affine, unit_vector
from septal_planner.geometry.shapes import DistanceField
from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.resample import AIR_HU
from septal_planner.inputs.volume import Volume
from septal_planner.report.picture import edge_letters, length_mm
from septal_planner.report.picture_planes import PicturePlane, caval_plane, four_chamber_plane, short_axis_plane
from septal_viewer.sampling import forget as forget
from septal_viewer.sampling import sample_grid

Array = NDArray[np.float64]

BODY = ("axial", "coronal", "sagittal")
SEPTUM = ("caval", "short_axis", "four_chamber", "en_face")
TITLES = {
    "axial": "Axial, seen from the feet",
    "coronal": "Coronal, seen from the front",
    "sagittal": "Sagittal, front to the left",
    "caval": "Caval long axis",
    "short_axis": "Short axis at the aortic valve",
    "four_chamber": "Four-chamber, with the height",
    "en_face": "Fossa en face, from the right atrium",
    "annulus": "Long axis of the mitral valve",
}
FIELD_MM = 180.0
EN_FACE_FIELD_MM = 60.0
PIXEL_MM = 0.5


@dataclass(frozen=True)
class Window:
    """A grey scale: `low_hu` is black, `high_hu` white. `hint` says what it is good for."""

    name: str
    title: str
    low_hu: float
    high_hu: float
    hint: str

    def __post_init__(self) -> None:
        if not self.low_hu < self.high_hu:
            raise ValueError(f"the window {self.name} must have its black below its white")

    @property
    def level_hu(self) -> float:
        return (self.low_hu + self.high_hu) / 2

    @property
    def width_hu(self) -> float:
        return self.high_hu - self.low_hu


# Levels and widths for CT with contrast: common practice, no source.
WINDOWS: dict[str, Window] = {
    w.name: w
    for w in (
        Window("blood", "Blood", -100.0, 600.0, "Chambers and vessels full of contrast"),
        Window("wall", "Wall", -60.0, 340.0, "Septum and muscle beside the blood"),
        Window("fat", "Fat and muscle", -200.0, 240.0, "Limbus fat, pericardium, unmixed blood"),
        Window("bright", "Bright blood", 0.0, 1000.0, "Very dense contrast, mixing, calcium"),
        Window("metal", "Metal and bone", -200.0, 2000.0, "Leads, valves, calcium, spine"),
    )
}


@dataclass(frozen=True)
class Plane:
    """A rectangle in space. `right_lps`, `down_lps` are unit vectors (3,), square to each other.

    Raises ValueError where they are not, or where a side has no length.
    """

    name: str
    title: str
    center_lps: Array
    right_lps: Array
    down_lps: Array
    width_mm: float
    height_mm: float

    def __post_init__(self) -> None:
        frame = np.stack([self.right_lps, self.down_lps])
        if not np.allclose(frame @ frame.T, np.eye(2), atol=1e-6):
            raise ValueError(f"the sides of the plane {self.name} must be unit vectors square to each other")
        if not (self.width_mm > 0 and self.height_mm > 0):
            raise ValueError(f"the plane {self.name} must have a width and a height above nought")

    @cached_property
    def normal_lps(self) -> Array:
        """Unit vector (3,) away from the viewer, into the picture."""
        return np.asarray(np.cross(self.right_lps, self.down_lps))

    def uv_mm(self, points_lps: ArrayLike) -> Array:
        """(down, right) in mm from the centre (..., 2) of points (..., 3), seen square to the plane."""
        d = np.asarray(points_lps, dtype=np.float64) - self.center_lps
        return np.stack([d @ self.down_lps, d @ self.right_lps], axis=-1)

    def lps(self, uv_mm: ArrayLike) -> Array:
        """Points (..., 3) on the plane at (down, right) (..., 2)."""
        uv = np.asarray(uv_mm, dtype=np.float64)
        return np.asarray(self.center_lps + uv[..., :1] * self.down_lps + uv[..., 1:] * self.right_lps)

    def depth_mm(self, points_lps: ArrayLike) -> Array:
        """Distance (...) of points (..., 3) from the plane, positive beyond it as the viewer looks."""
        return np.asarray((np.asarray(points_lps, dtype=np.float64) - self.center_lps) @ self.normal_lps)

    def letters(self) -> dict[str, str]:
        """Patient directions at the edges "left", "right", "top", "bottom" (DICOM PS3.3 C.7.6.1.1.1)."""
        return edge_letters(self.right_lps, self.down_lps)


# ------------------------------------------------------------------------------------------------------ which planes


def body_planes(cursor_lps: ArrayLike, volume: Volume | None = None) -> dict[str, Plane]:
    """Axial, coronal and sagittal plane through a point (3,), as radiology shows them: the patient's right on the
    viewer's left, front above in axial, head above in the other two.

    With a volume each shows all of it and only its depth follows the cursor, so that the picture stays put.
    """
    cursor = np.asarray(cursor_lps, dtype=np.float64)
    low, high = (cursor - FIELD_MM / 2, cursor + FIELD_MM / 2) if volume is None else extent_lps(volume)
    x, y, z = np.eye(3)
    made = {}
    for name, right, down in (("axial", x, y), ("coronal", x, -z), ("sagittal", y, -z)):
        across = np.abs(np.cross(right, down))
        middle = (low + high) / 2 * (1 - across) + cursor * across
        size = high - low
        made[name] = Plane(
            name, TITLES[name], middle, right, down, float(size @ np.abs(right)), float(size @ np.abs(down))
        )
    return made


def septal_planes(
    point_lps: ArrayLike,
    normal_lps: ArrayLike | None,
    points_lps: Mapping[str, ArrayLike],
    annulus: Annulus | None = None,
) -> dict[str, Plane]:
    """The planes of the septum through a point (3,), of "caval", "short_axis", "four_chamber", "en_face" those for
    which there is what they need, standing as the plan's pictures do.

    `normal_lps` (3,) from the right atrium toward the left; `points_lps` the landmarks marked so far. Caval needs
    `inferior_vena_cava`, short axis the `aorta`, four-chamber the annulus.
    """
    if normal_lps is None:
        return {}
    point, normal = np.asarray(point_lps, dtype=np.float64), unit_vector(normal_lps)
    marked = {
        n: np.asarray(p, dtype=np.float64).reshape(-1, 3)
        for n, p in points_lps.items()
        if n in ("inferior_vena_cava", "superior_vena_cava", "aorta")
    }
    made: dict[str, PicturePlane] = {}
    cava = marked.get("inferior_vena_cava", np.empty((0, 3)))
    if len(cava) == 2 and np.linalg.norm(cava[0] - cava[1]) > 1.0:
        made["caval"] = caval_plane(point, normal, Landmarks({n: p for n, p in marked.items() if n != "aorta"}))
    if len(marked.get("aorta", ())) == 1 and np.linalg.norm(np.cross(normal, marked["aorta"][0] - point)) > 1.0:
        made["short_axis"] = short_axis_plane(point, normal, marked["aorta"][0])
    if annulus is not None:
        made["four_chamber"] = four_chamber_plane(point, normal, annulus)
    made["en_face"] = _en_face(point, normal)
    return {name: _of_picture(name, made[name]) for name in SEPTUM if name in made}


def septal_normal_guess(points_lps: Mapping[str, ArrayLike]) -> Array | None:
    """A direction (3,) through the septum before it is found: from the right atrium's point toward the left's, or None
    where one of them is missing."""
    if "left_atrium" not in points_lps or "right_atrium" not in points_lps:
        return None
    left, right = (np.asarray(points_lps[n], dtype=np.float64).reshape(-1, 3) for n in ("left_atrium", "right_atrium"))
    if not len(left) or not len(right) or np.linalg.norm(left[0] - right[0]) < 1.0:
        return None
    return unit_vector(left[0] - right[0])


def long_axis_plane(center_lps: ArrayLike, axis_lps: ArrayLike, across_lps: ArrayLike) -> Plane:
    """Plane through a valve's centre (3,) that holds its axis (3,), toward the atrium, and a direction across (3,):
    atrium above, so that both hinge points of this cut are seen."""
    across = np.asarray(across_lps, dtype=np.float64)
    plane = PicturePlane.around(center_lps, across - (across @ unit_vector(axis_lps)) * unit_vector(axis_lps), axis_lps,
                                90.0)
    return _of_picture("annulus", plane)


def _en_face(point: Array, normal: Array) -> PicturePlane:
    """Seen from the right atrium along the normal: head above where the septum allows it."""
    up = np.array([0.0, 0.0, 1.0])
    if np.linalg.norm(up - (up @ normal) * normal) < 0.1:
        up = np.array([0.0, -1.0, 0.0])
    up = unit_vector(up - (up @ normal) * normal)
    return PicturePlane.around(point, np.cross(normal, up), up, EN_FACE_FIELD_MM)


def _of_picture(name: str, plane: PicturePlane) -> Plane:
    center = plane.origin_lps + plane.field_mm / 2 * (plane.right_lps + plane.down_lps)
    return Plane(name, TITLES[name], center, plane.right_lps, plane.down_lps, plane.field_mm, plane.field_mm)


def extent_lps(volume: Volume) -> tuple[Array, Array]:
    """Lowest and highest corner (3,) of the box along the patient axes that holds every voxel whole."""
    i, j, k = volume.size_ijk
    corners = np.array(list(product((-0.5, i - 0.5), (-0.5, j - 0.5), (-0.5, k - 0.5))))
    at = apply_affine(volume.lps_from_index, corners)
    return at.min(axis=0), at.max(axis=0)


def scroll(plane: Plane, mm: float) -> Plane:
    """The plane moved along its normal, positive away from the viewer."""
    return replace(plane, center_lps=plane.center_lps + mm * plane.normal_lps)


def sized(plane: Plane, width_mm: float, height_mm: float) -> Plane:
    """The same plane with another field around the same centre."""
    return replace(plane, width_mm=float(width_mm), height_mm=float(height_mm))


# --------------------------------------------------------------------------------------------------- what is on them


def grid_of(plane: Plane, pixel_mm: float = PIXEL_MM) -> tuple[int, int, Array]:
    """Rows and columns of the plane's picture, and (down, right) (2,) of the first pixel's centre; the picture is
    centred on the plane."""
    rows, columns = max(1, round(plane.height_mm / pixel_mm)), max(1, round(plane.width_mm / pixel_mm))
    return rows, columns, -(np.array([rows, columns]) - 1) / 2 * pixel_mm


def resample(volume: Volume, plane: Plane, pixel_mm: float = PIXEL_MM) -> NDArray[np.float32]:
    """CT values (rows, columns) on a plane, trilinear, `pixel_mm` apart; `grid_of` says where the pixels lie.

    Within half a voxel beyond the outermost voxel centres the border value holds, farther out -1024.
    """
    rows, columns, first = grid_of(plane, pixel_mm)
    return sample_grid(
        volume.hu, volume.lps_from_index, plane.lps(first), pixel_mm * plane.down_lps, pixel_mm * plane.right_lps,
        (rows, columns), AIR_HU,
    )


def crosshair(plane: Plane, others: Sequence[Plane], *, gap_mm: float = 0.0, cursor_lps: ArrayLike | None = None) -> (
    list[tuple[str, Array]]
):
    """Where other planes cut this one: (name of the other plane, ends (2, 2) in this plane's coordinates), each as long
    as the picture. With `gap_mm` and a cursor (3,) the line is left open so far to either side of it and comes in two
    pieces. A plane that does not cut this one, or only beyond its edges, gives none."""
    lines = []
    for other in others:
        ends = _cut(plane, other)
        if ends is None:
            continue
        for piece in [ends] if cursor_lps is None or gap_mm <= 0 else _open(ends, plane.uv_mm(cursor_lps), gap_mm):
            lines.append((other.name, piece))
    return lines


def _cut(plane: Plane, other: Plane) -> Array | None:
    """Ends (2, 2) of the line in which another plane cuts the rectangle."""
    n = other.normal_lps
    slope = np.array([n @ plane.down_lps, n @ plane.right_lps])
    steep = float(np.linalg.norm(slope))
    if steep < 1e-6:
        return None
    foot = -float(n @ (plane.center_lps - other.center_lps)) * slope / steep**2
    along = np.array([-slope[1], slope[0]]) / steep
    half = np.array([plane.height_mm, plane.width_mm]) / 2
    low, high = -np.inf, np.inf
    for axis in (0, 1):
        if abs(along[axis]) < 1e-12:
            if abs(foot[axis]) > half[axis]:
                return None
            continue
        t = sorted(((-half[axis] - foot[axis]) / along[axis], (half[axis] - foot[axis]) / along[axis]))
        low, high = max(low, t[0]), min(high, t[1])
    return None if not low < high else np.stack([foot + low * along, foot + high * along])


def _open(ends: Array, around: Array, gap_mm: float) -> list[Array]:
    length = float(np.linalg.norm(ends[1] - ends[0]))
    way = (ends[1] - ends[0]) / length
    at = float((around - ends[0]) @ way)
    off = float(np.linalg.norm(around - ends[0] - at * way))
    half = np.sqrt(max(gap_mm**2 - off**2, 0.0))
    pieces = [(0.0, min(at - half, length)), (max(at + half, 0.0), length)] if half > 0 else [(0.0, length)]
    return [np.stack([ends[0] + a * way, ends[0] + b * way]) for a, b in pieces if b - a > 1e-9]


@dataclass(frozen=True)
class CurveCut:
    """A curve as a plane meets it, in (down, right): `near` the pieces (n, 2) that run close to it, `crossings` (m, 2)
    where it goes through."""

    near: tuple[Array, ...]
    crossings: Array


def curve_on_plane(plane: Plane, curve_lps: ArrayLike, within_mm: float, *, closed: bool = False) -> CurveCut:
    """The pieces of a polyline (n, 3) within a distance of the plane, cut where they leave it, and its crossings."""
    points = np.asarray(curve_lps, dtype=np.float64).reshape(-1, 3)
    if not len(points):
        return CurveCut((), np.empty((0, 2)))
    if closed:
        points = np.concatenate([points, points[:1]])
    depth, uv = plane.depth_mm(points), plane.uv_mm(points)
    pieces: list[list[Array]] = [[]]
    crossings = []
    for i, (a, b) in enumerate(pairwise(range(len(points)))):
        da, db = float(depth[a]), float(depth[b])
        if (da < 0 <= db) or (db < 0 <= da):
            crossings.append(uv[a] + (uv[b] - uv[a]) * da / (da - db))
        inside = _within(da, db, within_mm)
        if inside is None:
            pieces.append([])
            continue
        start, end = (uv[a] + (uv[b] - uv[a]) * t for t in inside)
        if not pieces[-1] or inside[0] > 0:
            pieces.append([start])
        pieces[-1].append(end)
        if inside[1] < 1 and i < len(points):
            pieces.append([])
    found = [np.array(p) for p in pieces if len(p) > 1]
    # the start of a closed curve is no end of it
    if closed and len(found) > 1 and np.allclose(found[0][0], uv[0]) and np.allclose(found[-1][-1], uv[0]):
        found[0] = np.concatenate([found.pop(), found[0][1:]])
    return CurveCut(tuple(found), np.array(crossings, dtype=np.float64).reshape(-1, 2))


def _within(da: float, db: float, within_mm: float) -> tuple[float, float] | None:
    """Part (0 to 1) of the way from depth `da` to `db` that is no deeper than `within_mm` on either side."""
    if da == db:
        return (0.0, 1.0) if abs(da) <= within_mm else None
    t = sorted(((-within_mm - da) / (db - da), (within_mm - da) / (db - da)))
    low, high = max(0.0, t[0]), min(1.0, t[1])
    return (low, high) if low < high else None


def outline_on_plane(chambers: Chambers, plane: Plane, *, step_mm: float = 1.0) -> dict[str, list[Array]]:
    """Where the plane cuts each chamber's surface: closed or open lines (n, 2) by chamber name."""
    found = {name: field_outline(field, plane, step_mm=step_mm) for name, field in chambers.distance.items()}
    return {name: lines for name, lines in found.items() if lines}


def field_outline(
    field: DistanceField, plane: Plane, *, step_mm: float = 1.0, shortest_mm: float = 4.0
) -> list[Array]:
    """Lines (n, 2) in (down, right) on which a distance field is nought, sampled `step_mm` apart."""
    top = np.array(field.values_mm.shape[::-1], dtype=np.float64) - 1
    corners = plane.uv_mm(apply_affine(field.lps_from_index, np.array(list(product(*[(0.0, n) for n in top])))))
    rows, columns, first = grid_of(plane, step_mm)
    # only where the field is: nothing of it is outside
    low = np.maximum(np.floor((corners.min(axis=0) - first) / step_mm).astype(int) - 1, 0)
    high = np.minimum(np.ceil((corners.max(axis=0) - first) / step_mm).astype(int) + 2, [rows, columns])
    if np.any(high - low < 2):
        return []
    start = first + low * step_mm
    shape = (int(high[0] - low[0]), int(high[1] - low[1]))
    values = sample_grid(
        field.values_mm, field.lps_from_index, plane.lps(start), step_mm * plane.down_lps, step_mm * plane.right_lps,
        shape, step_mm,
    )
    if not (values < 0).any() or not (values > 0).any():
        return []
    lines = [np.asarray(line, dtype=np.float64) * step_mm + start for line in find_contours(values, 0.0)]
    # every other point: chords of 2 mm leave a curve of radius 10 mm by 0.05 mm, and the canvas has half to draw
    return [np.concatenate([line[:-1:2], line[-1:]]) for line in lines if length_mm(line) > shortest_mm]


def scale_bar(width_mm: float) -> tuple[float, str]:
    """Length and words of a scale bar for a picture so wide: of 1, 2, 5, 10, 20, 50, 100 mm the longest within a
    quarter of the width."""
    fits = [n for n in (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0) if n <= width_mm / 4]
    length = fits[-1] if fits else 1.0
    return length, f"{length:g} mm"
