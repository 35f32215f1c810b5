"""Triangles for the 3-D view: chambers, and the membrane with what is known at each place of it. LPS, mm."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import Delaunay
from skimage.measure import marching_cubes

from septal_planner.anatomy.annulus import Annulus, height_mm
from septal_planner.anatomy.chambers import Chambers
from septal_planner.anatomy.fossa import Fossa
from septal_planner.geometry.curves import distance_to_closed, inside_closed
from septal_planner.geometry.frames import apply_affine, spacing_mm, unit_vector
from septal_planner.geometry.shapes import DistanceField
from septal_planner.puncture.clearance import CT_EDGE_MM
from septal_planner.puncture.site import SPOT_MM

Array = NDArray[np.float64]
Faces = NDArray[np.int64]

CHAMBER_STEP_MM = 1.5
MEMBRANE_STEP_MM = 0.7
# shown of a septum whose rim was not seen: about the radius of a large fossa (common practice, no source)
WITHOUT_RIM_MM = 10.0


@dataclass(frozen=True)
class Mesh:
    """`vertices_lps` (n, 3), `faces` (m, 3) of vertex numbers, seen from outside counter-clockwise."""

    vertices_lps: Array
    faces: Faces

    def __post_init__(self) -> None:
        if self.vertices_lps.ndim != 2 or self.vertices_lps.shape[1] != 3 or self.faces.shape[1:] != (3,):
            raise ValueError("a mesh needs vertices (n, 3) and faces (m, 3)")
        if self.faces.size and not 0 <= self.faces.min() <= self.faces.max() < len(self.vertices_lps):
            raise ValueError("a mesh has a face without its vertices")


@dataclass(frozen=True)
class Quantity:
    """One number at each vertex of the membrane: `values` (n,), nan where not assessed, with the reason in `why`.

    `low` and `high` are the ends of the colour scale, whole units around the values. `line`: a value on which a line
    is drawn, and what is so above it in `says`. `classes`: names of the values 0, 1, 2 ... where they are kinds.
    """

    name: str
    title: str
    unit: str
    values: Array
    low: float
    high: float
    why: str = ""
    line: float | None = None
    says: str = ""
    classes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not self.low < self.high:
            raise ValueError(f"the scale of {self.name} must have its low end below its high end")
        if np.isnan(self.values).any() and not self.why:
            raise ValueError(f"{self.name} is not assessed somewhere and no reason is given")

    @property
    def assessed(self) -> bool:
        return bool(np.isfinite(self.values).any())


# ---------------------------------------------------------------------------------------------------------- chambers


def field_mesh(field: DistanceField, *, step_mm: float = CHAMBER_STEP_MM) -> Mesh:
    """The surface on which a distance field is nought, closed where the field's grid ends, at about `step_mm`
    (Lewiner et al. 2003, doi 10.1080/10867651.2003.10487582). No triangles where it is nowhere nought."""
    stride = np.maximum(1, np.round(step_mm / spacing_mm(field.lps_from_index))).astype(int)[::-1]  # k, j, i
    values = field.values_mm[:: stride[0], :: stride[1], :: stride[2]]
    edge = float(step_mm)  # closes what runs out of the grid
    padded = np.pad(values.astype(np.float32), 1, constant_values=edge)
    if not (padded < 0).any():
        return Mesh(np.empty((0, 3)), np.empty((0, 3), dtype=np.int64))
    kji, faces, _, _ = marching_cubes(padded, 0.0, gradient_direction="ascent")
    index = ((kji.astype(np.float64) - 1) * stride)[:, ::-1]
    vertices = apply_affine(field.lps_from_index, index)
    faces = faces.astype(np.int64)
    # the affine may be a mirror; that of [k, j, i] turned to (i, j, k) undoes what marching cubes calls ascent
    if np.linalg.det(field.lps_from_index[:3, :3]) < 0:
        faces = faces[:, ::-1]
    return Mesh(vertices, np.ascontiguousarray(faces))


def chamber_meshes(chambers: Chambers, *, step_mm: float = CHAMBER_STEP_MM) -> dict[str, Mesh]:
    """Surface of each chamber found, by its name."""
    made = {name: field_mesh(field, step_mm=step_mm) for name, field in chambers.distance.items()}
    return {name: mesh for name, mesh in made.items() if len(mesh.faces)}


# ---------------------------------------------------------------------------------------------------------- membrane


def membrane_mesh(fossa: Fossa, *, step_mm: float = MEMBRANE_STEP_MM) -> Mesh:
    """The mid-surface within the rim, the rim's points its edge; where no rim was seen, the septal surface within 10 mm
    of the fossa's centre. Faces are counter-clockwise seen from the left atrium."""
    patch = fossa.patch
    if len(fossa.rim_lps):
        rim = patch.uvw(fossa.rim_lps)[:, :2]
    else:
        center = patch.uvw(fossa.center_lps)[:2]
        turn = np.arange(72) * 2 * np.pi / 72
        rim = center + WITHOUT_RIM_MM * np.stack([np.cos(turn), np.sin(turn)], axis=-1)
        low, high = [patch.u_mm[0], patch.v_mm[0]], [patch.u_mm[-1], patch.v_mm[-1]]
        rim = np.clip(rim, low, high)
    rim = rim[np.linalg.norm(rim - np.roll(rim, 1, axis=0), axis=1) > 1e-6]
    low, high = rim.min(axis=0), rim.max(axis=0)
    grid = np.stack(np.meshgrid(*(np.arange(low[a], high[a], step_mm) for a in (0, 1))), axis=-1).reshape(-1, 2)
    grid = grid[inside_closed(grid, rim) & (distance_to_closed(grid, rim) > 0.4 * step_mm)]
    uv = np.concatenate([rim, grid])
    faces = np.asarray(Delaunay(uv).simplices, dtype=np.int64)
    faces = faces[inside_closed(uv[faces].mean(axis=1), rim)]
    a, b, c = (uv[faces[:, i]] for i in range(3))
    area = (b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]
    faces, area = faces[np.abs(area) > 1e-9], area[np.abs(area) > 1e-9]
    # counter-clockwise about axis_w, whichever way the three axes turn
    wanted = np.sign(np.cross(patch.axis_u_lps, patch.axis_v_lps) @ patch.axis_w_lps)
    faces = np.where((np.sign(area) == wanted)[:, None], faces, faces[:, ::-1])
    vertices = patch.points_lps(uv[:, 0], uv[:, 1])
    vertices[: len(rim)] = fossa.rim_lps if len(fossa.rim_lps) == len(rim) else vertices[: len(rim)]
    return Mesh(vertices, np.ascontiguousarray(faces))


def membrane_quantities(mesh: Mesh, fossa: Fossa, annulus: Annulus, chambers: Chambers) -> dict[str, Quantity]:
    """What can be shown in colour on the membrane: "height", "thickness", "aorta", "rim", each as the plan measures it
    at a puncture there."""
    points = mesh.vertices_lps
    made = [
        _quantity("height", "Height above the mitral annular plane", height_mm(annulus, points), ""),
        _quantity("thickness", "Wall thickness", *_thickness(points, fossa)),
        _quantity("aorta", "Distance to the aorta", *_to_aorta(points, chambers)),
        _quantity("rim", "Distance to the rim", *_to_rim(points, fossa)),
    ]
    return {q.name: q for q in made}


def _thickness(points: Array, fossa: Fossa) -> tuple[Array, str]:
    why = fossa.not_assessed.get("thickness", "The thickness of the membrane could not be measured here.")
    if fossa.thickness_mean_mm is None:
        return np.full(len(points), np.nan), why
    uv = fossa.patch.uvw(points)[:, :2]
    du, dv = (g.ravel() for g in np.meshgrid(*(2 * [np.arange(-SPOT_MM, SPOT_MM + 0.01, 0.25)])))
    spot = np.hypot(du, dv) <= SPOT_MM  # as at a puncture: one profile alone is noise
    u, v = uv[:, :1] + du[spot], uv[:, 1:] + dv[spot]
    return np.asarray(fossa.patch.sample(fossa.thickness_mm, u, v).mean(axis=1)), why


def _to_aorta(points: Array, chambers: Chambers) -> tuple[Array, str]:
    field = chambers.distance.get("aorta")
    if field is None:
        why = chambers.not_assessed.get("aorta", "The aorta was not marked, so the distance to it is not assessed.")
        return np.full(len(points), np.nan), why
    values = field.at(points)
    away = _slope(field.at, points)
    cut = chambers.beyond_ct(points - values[:, None] * away, CT_EDGE_MM)
    why = "The CT ends at the nearest part of the aorta that it shows, so the distance to it is not assessed there."
    return np.where(cut, np.nan, values), why


def _to_rim(points: Array, fossa: Fossa) -> tuple[Array, str]:
    if not len(fossa.rim_lps):
        return np.full(len(points), np.nan), fossa.not_assessed.get("rim", "The rim of the membrane was not seen.")
    return distance_to_closed(points, fossa.rim_lps), ""


def _slope(function: Callable[[Array], Array], points: Array) -> Array:
    return np.stack([(function(points + e) - function(points - e)) / 2 for e in np.eye(3)], axis=-1)


def _quantity(name: str, title: str, values: Array, why: str) -> Quantity:
    finite = values[np.isfinite(values)]
    low, high = (0.0, 1.0) if not len(finite) else (float(np.floor(finite.min())), float(np.ceil(finite.max())))
    return Quantity(name, title, "mm", values, low, high if high > low else low + 1.0, why)


# ------------------------------------------------------------------------------------------------------- plain shapes


def disc_mesh(center_lps: ArrayLike, normal_lps: ArrayLike, edge_lps: ArrayLike, *, margin: float = 1.0) -> Mesh:
    """The flat area on a plane within a closed curve (n, 3) laid onto it, `margin` times as wide: the annular plane."""
    center, normal = np.asarray(center_lps, dtype=np.float64), unit_vector(normal_lps)
    edge = np.asarray(edge_lps, dtype=np.float64) - center
    edge = edge - (edge @ normal)[:, None] * normal
    n = len(edge)
    vertices = np.concatenate([center[None], center + margin * edge])
    ring = np.arange(n)
    return Mesh(vertices, np.stack([np.zeros(n, dtype=np.int64), ring + 1, (ring + 1) % n + 1], axis=-1))


def tube_mesh(curve_lps: ArrayLike, radius_mm: float, *, closed: bool = False, sides: int = 8) -> Mesh:
    """A tube of that radius around a polyline (n, 3), n >= 2, with flat ends where it is not closed.

    The cross-section is carried along without twist by reflections (Wang et al. 2008, doi 10.1145/1330511.1330513).
    """
    curve = np.asarray(curve_lps, dtype=np.float64).reshape(-1, 3)
    step = np.linalg.norm(np.diff(curve, axis=0), axis=1)
    curve = curve[np.concatenate([[True], step > 1e-9])]
    if closed and len(curve) > 2 and np.allclose(curve[0], curve[-1]):
        curve = curve[:-1]
    if len(curve) < 2:
        raise ValueError("a tube needs two different points")
    if closed:
        along = unit_vector(np.roll(curve, -1, axis=0) - np.roll(curve, 1, axis=0))
    else:
        along = _middle_directions(unit_vector(np.diff(curve, axis=0)))
    side = _carried(curve, along)
    turn = np.arange(sides) * 2 * np.pi / sides
    ring = np.cos(turn)[:, None] * side[:, None, :] + np.sin(turn)[:, None] * np.cross(along, side)[:, None, :]
    vertices = (curve[:, None, :] + radius_mm * ring).reshape(-1, 3)
    n = len(curve)
    here = np.arange(n if closed else n - 1)[:, None] * sides
    there = (here + sides) % (n * sides)
    a, b = np.arange(sides), (np.arange(sides) + 1) % sides
    if closed:  # the last ring meets the first turned by what the curve has twisted: join the nearest corners
        last = int(np.argmin(np.linalg.norm(ring[0] - ring[-1, 0], axis=1)))
        shift = np.where(here == (n - 1) * sides, last, 0)
    else:
        shift = np.zeros_like(here)
    c, d = there + (a + shift) % sides, there + (b + shift) % sides
    faces = np.stack([here + a, here + b, c, here + b, d, c], axis=-1).reshape(-1, 3)
    if not closed:
        ends = np.arange(1, sides - 1)
        first = np.stack([0 * ends, ends + 1, ends], axis=-1)
        faces = np.concatenate([faces, first, (n - 1) * sides + first[:, ::-1]])
    return Mesh(vertices, np.ascontiguousarray(faces.astype(np.int64)))


def _middle_directions(steps: Array) -> Array:
    """Direction at each point of an open line: half-way between the steps that meet there (either, where it turns
    back)."""
    sums = np.concatenate([steps[:1], steps[:-1] + steps[1:], steps[-1:]])
    flat = np.linalg.norm(sums, axis=1) < 1e-6
    sums[flat] = np.concatenate([steps[:1], steps])[flat]
    return unit_vector(sums)


def _carried(curve: Array, along: Array) -> Array:
    """A unit vector square to each direction, carried along the curve by double reflection."""
    side = np.empty_like(curve)
    helper = np.eye(3)[int(np.argmin(np.abs(along[0])))]
    side[0] = unit_vector(np.cross(along[0], helper))
    for i in range(len(curve) - 1):
        way = curve[i + 1] - curve[i]
        length = float(way @ way)
        s = side[i] - 2 / length * float(way @ side[i]) * way
        t = along[i] - 2 / length * float(way @ along[i]) * way
        back = along[i + 1] - t
        size = float(back @ back)
        s = s if size < 1e-18 else s - 2 / size * float(back @ s) * back
        s = s - float(s @ along[i + 1]) * along[i + 1]
        side[i + 1] = unit_vector(s)
    return side


def vertex_normals(mesh: Mesh) -> Array:
    """Unit normals (n, 3), outward where the faces are, of area-weighted faces; zeros for a vertex without faces."""
    a, b, c = (mesh.vertices_lps[mesh.faces[:, i]] for i in range(3))
    face = np.cross(b - a, c - a)
    total = np.stack(
        [np.bincount(mesh.faces.ravel(), np.repeat(face[:, axis], 3), len(mesh.vertices_lps)) for axis in range(3)],
        axis=-1,
    )
    length = np.linalg.norm(total, axis=1, keepdims=True)
    return np.asarray(np.divide(total, length, out=np.zeros_like(total), where=length > 1e-12))


# from the patient's front, left and head
_LIGHT_LPS = np.array([0.35, -0.8, 0.5]) / np.linalg.norm([0.35, -0.8, 0.5])


def shade(mesh: Mesh) -> NDArray[np.float32]:
    """How bright each vertex is (n,), 0 to 1, in a light that stays with the patient: the same from every side and
    through a mirrored camera, with enough light behind to see by."""
    toward = vertex_normals(mesh) @ _LIGHT_LPS
    return np.asarray(0.55 + 0.45 * np.maximum(toward, 0) + 0.2 * np.maximum(-toward, 0), dtype=np.float32)


def first_hit(mesh: Mesh, point_lps: ArrayLike, direction_lps: ArrayLike) -> Array | None:
    """Where a line through a point (3,) along a direction (3,) first meets the mesh (3,), from either side of its
    faces, before the point too; None where it misses (Moeller & Trumbore 1997, doi 10.1080/10867651.1997.10487468)."""
    if not len(mesh.faces):
        return None
    start, way = np.asarray(point_lps, dtype=np.float64), unit_vector(direction_lps)
    a, b, c = (mesh.vertices_lps[mesh.faces[:, i]] for i in range(3))
    one, two = b - a, c - a
    p = np.cross(way, two)
    determinant = np.einsum("ni,ni->n", one, p)
    scale = np.linalg.norm(one, axis=1) * np.linalg.norm(two, axis=1)
    flat = np.abs(determinant) <= 1e-9 * np.maximum(scale, 1e-30)  # seen edge-on
    inverse = 1 / np.where(flat, 1.0, determinant)
    off = start - a
    u = np.einsum("ni,ni->n", off, p) * inverse
    q = np.cross(off, one)
    v = (q @ way) * inverse
    along = np.einsum("ni,ni->n", two, q) * inverse
    edge = 1e-9  # a line through an edge shared by two faces hits one of them
    hit = ~flat & (u >= -edge) & (v >= -edge) & (u + v <= 1 + edge)
    return None if not hit.any() else np.asarray(start + along[hit].min() * way)
