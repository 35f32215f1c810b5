"""What is true of a phantom: closed forms, and quadrature or root finding of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from septal_phantoms.annuli import AnnulusTruth, measure_saddle
from septal_phantoms.bodies import Array, Vector, sphere, tube
from septal_phantoms.heart import Heart
from septal_phantoms.implants import Solid
from septal_phantoms.septum import Septum

LABELS = {
    "left_atrium": 1,
    "right_atrium": 2,
    "aorta": 3,
    "left_ventricle": 4,
    "right_ventricle": 5,
    "fossa_membrane": 6,
    "metal": 7,
}
POOLS = (
    "left_atrium",
    "right_atrium",
    "aorta",
    "left_ventricle",
    "right_ventricle",
    "left_vessels",
    "right_vessels",
    "coronary_sinus",
    "pulmonary_trunk",
)


class View(NamedTuple):
    """C-arm angles: LAO positive, cranial positive."""

    primary_deg: float
    secondary_deg: float


def beam(primary_deg: float, secondary_deg: float) -> Vector:
    """Unit vector from the isocenter to the detector for DICOM positioner angles (0018,1510) and
    (0018,1511), patient supine."""
    a, b = np.radians(primary_deg), np.radians(secondary_deg)
    return np.array([np.sin(a) * np.cos(b), -np.cos(a) * np.cos(b), np.sin(b)])


def view_along(direction: Vector) -> View:
    """The angles whose beam lies along `direction` or against it, the detector on the anterior side."""
    d = direction / np.linalg.norm(direction)
    if d[1] > 0:
        d = -d
    return View(float(np.degrees(np.arctan2(d[0], -d[1]))), float(np.degrees(np.arcsin(d[2]))))


@dataclass(frozen=True)
class FossaTruth:
    """True measures of the membrane (LPS, mm). Its edge is the half-rise contour of the wall's thickness."""

    center: Vector  # on the mid-surface
    normal: Vector  # right atrium -> left atrium, mean over the membrane by area
    area_mm2: float  # on the mid-surface
    rim: Array  # (n, 3) closed, first != last
    superior_inferior_mm: float  # extent of the rim along the septum's superior direction
    anterior_posterior_mm: float
    thickness_mean_mm: float  # by area
    thickness_min_mm: float


def measure_fossa(septum: Septum, n: int = 200) -> FossaTruth:
    """Gauss-Legendre in the ellipse's radius, trapezoid around it."""
    node, weight = np.polynomial.legendre.leggauss(n)
    rho, w = (node + 1) / 2, weight / 2
    phi = np.arange(n) * 2 * np.pi / n
    u = septum.bu * rho[:, None] * np.cos(phi)
    v = septum.bv * rho[:, None] * np.sin(phi)
    du, dv = septum.tangents(u, v)
    normal = np.cross(du, dv)
    normal *= np.sign(np.sum(normal * septum.normal, -1, keepdims=True))
    cell = (w * rho)[:, None, None] * septum.bu * septum.bv * 2 * np.pi / n
    area = float((np.linalg.norm(normal, axis=-1)[..., None] * cell).sum())
    mean_normal = (normal * cell).sum((0, 1))
    wall = septum.thickness_uv(u, v)
    mean = float((wall * np.linalg.norm(normal, axis=-1) * cell[..., 0]).sum() / area)
    at = np.arange(360) * 2 * np.pi / 360
    rim = septum.point(septum.bu * np.cos(at), septum.bv * np.sin(at))
    zero = np.zeros(1)
    return FossaTruth(
        septum.point(zero, zero)[0],
        mean_normal / np.linalg.norm(mean_normal),
        area,
        rim,
        float(np.ptp(rim @ septum.superior)),
        float(np.ptp(rim @ septum.anterior)),
        mean,
        float(wall.min()),
    )


@dataclass(frozen=True)
class Truth:
    """Every truth of one heart. Points are (n, 3) LPS mm (one point of shape (3,) is taken as n = 1).

    `impossible`: what no program could measure in the phantom's scan ("fossa", "thickness", "area",
    "left_atrium_volume", "posterior_path") -> why, in one sentence. `has_membrane`: False where the thin
    membrane is gone, so that no point is labelled as one. `solids`: implants and calcium; no blood pool holds
    them, and metal among them is labelled."""

    heart: Heart
    impossible: Mapping[str, str] = field(default_factory=dict)
    has_membrane: bool = True
    solids: tuple[Solid, ...] = ()

    @cached_property
    def mitral(self) -> AnnulusTruth:
        return measure_saddle(self.heart.mitral)

    @cached_property
    def tricuspid(self) -> AnnulusTruth:
        return measure_saddle(self.heart.tricuspid)

    @cached_property
    def fossa(self) -> FossaTruth:
        return measure_fossa(self.heart.septum)

    @cached_property
    def views(self) -> Mapping[str, View]:
        """`fossa_en_face`: along the fossa's mean normal; `mitral_en_face`: along the mitral normal."""
        return {
            "fossa_en_face": view_along(self.fossa.normal),
            "mitral_en_face": view_along(self.mitral.normal),
        }

    def mitral_edge_on_secondary_deg(self, primary_deg: Array | float) -> Array:
        """Secondary angle that sees the mitral plane edge-on at each primary angle: beam(a, b) . n = 0
        solved for b."""
        a = np.radians(primary_deg)
        n = self.mitral.normal
        return np.asarray(np.degrees(np.arctan((np.cos(a) * n[1] - np.sin(a) * n[0]) / n[2])))

    def fields_at(self, points_lps: Array) -> dict[str, Array]:
        """Heart.fields at scattered points, the blood pools without the solids that lie in them."""
        p = np.atleast_2d(np.asarray(points_lps, float))
        return self._carve(self.heart.fields(p[:, 0], p[:, 1], p[:, 2]), p[:, 0], p[:, 1], p[:, 2])

    def _carve(self, fields: dict[str, Array], x: Array, y: Array, z: Array) -> dict[str, Array]:
        if not self.solids:
            return fields
        solid = np.min([body.distance(x, y, z) for body in self.solids], axis=0)
        return fields | {name: np.maximum(fields[name], -solid) for name in POOLS}

    def metal_distance_mm(self, points_lps: Array) -> Array:
        """Distance to the nearest metal, negative inside it, its zero set exact; infinite where there is none."""
        p = np.atleast_2d(np.asarray(points_lps, float))
        out = np.full(len(p), np.inf)
        for body in self.solids:
            if body.is_metal:
                out = np.minimum(out, body.distance(p[:, 0], p[:, 1], p[:, 2]))
        return out

    def label_at(self, points_lps: Array) -> NDArray[np.uint8]:
        """Label of each point: 0 background, 1 LA, 2 RA, 3 aorta, 4 LV, 5 RV, 6 fossa membrane, 7 metal."""
        f = self.fields_at(points_lps)
        out = np.zeros(f["left_atrium"].shape, np.uint8)
        for name in ("right_ventricle", "left_ventricle", "aorta", "right_atrium", "left_atrium"):
            out[f[name] < 0] = LABELS[name]
        out[(f["mitral_leaflets"] < 0) & (out == 4)] = 0
        out[(f["tricuspid_leaflets"] < 0) & (out == 5)] = 0
        if self.has_membrane:
            out[self.inside_membrane(points_lps)] = LABELS["fossa_membrane"]
        out[self.metal_distance_mm(points_lps) < 0] = LABELS["metal"]
        return out

    def vessel_at(self, points_lps: Array) -> NDArray[np.bool_]:
        """Blood beyond the mouth planes: veins, appendages, cavae, coronary sinus, pulmonary trunk."""
        f = self.fields_at(points_lps)
        names = ("left_vessels", "right_vessels", "coronary_sinus", "pulmonary_trunk")
        return np.asarray(np.min([f[n] for n in names], axis=0) < 0)

    def signed_distance_mm(self, chamber: str, points_lps: Array, rounds: int = 20) -> Array:
        """Signed distance to the surface of a blood pool (negative inside) for points within about 10 mm of
        it: the foot point on the closed form, by alternate Newton steps onto the surface and slides along
        it."""
        p = np.atleast_2d(np.asarray(points_lps, float))
        foot = p.copy()
        e = 1e-3
        for _ in range(rounds):
            value = self.fields_at(foot)[chamber]
            grad = np.stack(
                [
                    (self.fields_at(foot + e * d)[chamber] - self.fields_at(foot - e * d)[chamber]) / (2 * e)
                    for d in np.eye(3)
                ],
                -1,
            )
            size = np.maximum(np.linalg.norm(grad, axis=-1, keepdims=True), 1e-3)
            n = grad / size
            foot = foot - np.clip(value[:, None] / size, -3, 3) * n
            gap = p - foot
            foot = foot + 0.7 * (gap - np.sum(gap * n, -1, keepdims=True) * n)
        value = self.fields_at(p)[chamber]
        return np.asarray(np.linalg.norm(p - foot, axis=-1) * np.sign(value))

    def midsurface_distance_mm(self, points_lps: Array) -> Array:
        """Signed distance to the mid-surface of the septum, left atrial side positive."""
        return self.heart.septum.foot(np.atleast_2d(np.asarray(points_lps, float)))[2]

    def thickness_mm(self, points_lps: Array) -> Array:
        """Thickness of the wall at the foot point of each point on the mid-surface."""
        u, v, _ = self.heart.septum.foot(np.atleast_2d(np.asarray(points_lps, float)))
        return self.heart.septum.thickness_uv(u, v)

    def on_membrane(self, points_lps: Array) -> NDArray[np.bool_]:
        """Whether the foot point of each point lies within the membrane's edge, at any distance from it."""
        u, v, _ = self.heart.septum.foot(np.atleast_2d(np.asarray(points_lps, float)))
        return self.heart.septum.in_membrane_uv(u, v)

    def inside_membrane(self, points_lps: Array) -> NDArray[np.bool_]:
        """Whether each point lies in the tissue of the membrane: within its edge and within the wall."""
        p = np.atleast_2d(np.asarray(points_lps, float))
        out = np.zeros(len(p), bool)
        reach = max(self.heart.septum.bu, self.heart.septum.bv) + abs(self.heart.septum.bulge) + 5.0
        near = np.linalg.norm(p - self.heart.septum.center, axis=1) < reach
        if near.any():
            u, v, d = self.heart.septum.foot(p[near])
            out[near] = self.heart.septum.in_membrane_uv(u, v) & (
                np.abs(d) <= self.heart.septum.thickness_uv(u, v) / 2
            )
        return out

    def height_mm(self, points_lps: Array) -> Array:
        """Signed distance to the best-fit mitral plane, atrial side positive."""
        return np.asarray(
            (np.atleast_2d(np.asarray(points_lps, float)) - self.mitral.center) @ self.mitral.normal
        )

    def aorta_distance_mm(self, points_lps: Array) -> Array:
        """Distance to the aortic blood pool for points outside it, exact: the least of the exact distances
        to its convex bodies. Root and sinuses are cut by the plane of the valve: where the nearest point of
        the uncut body lies below that plane, the nearest point of the cut one lies on its disc in the
        plane."""
        p = np.atleast_2d(np.asarray(points_lps, float))
        x, y, z = p.T
        heart, axis = self.heart, self.heart.root_axis
        above = (p - heart.root_base) @ axis
        across = np.linalg.norm(p - heart.root_base - above[:, None] * axis, axis=1)
        parts = [tube(x, y, z, pipe.path, pipe.radii) for pipe in heart.root[1:]]

        start, end = heart.root[0].path
        slope = (heart.root[0].radii[0] - heart.root[0].radii[1]) / float(np.linalg.norm(end - start))
        depth = float((heart.root_base - start) @ axis)
        radius = (heart.root[0].radii[0] - depth * slope) / np.sqrt(1 - slope**2)
        uncut = tube(x, y, z, heart.root[0].path, heart.root[0].radii)
        foot = above - np.maximum(uncut, 0.0) * slope
        parts.append(np.where(foot >= 0, uncut, np.hypot(np.maximum(across - radius, 0.0), above)))
        for center, r in heart.sinuses:
            uncut = sphere(x, y, z, center, r)
            rise = float((center - heart.root_base) @ axis)
            foot = np.where(uncut > 0, rise + (above - rise) * r / (uncut + r), above)
            side = np.linalg.norm(p - center - (above - rise)[:, None] * axis, axis=1)
            disc = np.hypot(np.maximum(side - np.sqrt(r * r - rise * rise), 0.0), above)
            parts.append(np.where(foot >= 0, uncut, disc))
        return np.asarray(np.min(parts, axis=0))

    def free_path_mm(
        self, point_lps: Array, direction_lps: Array, *, step_mm: float = 0.2, longest_mm: float = 150.0
    ) -> float:
        """`free_paths_mm` of one point."""
        found = self.free_paths_mm(point_lps, direction_lps, step_mm=step_mm, longest_mm=longest_mm)
        return float(found[0])

    def free_paths_mm(
        self, points_lps: Array, direction_lps: Array, *, step_mm: float = 0.2, longest_mm: float = 150.0,
        grazed_mm: float = 0.0, graze_within_mm: float = 15.0,
    ) -> Array:
        """From each of `points_lps` along one direction across the wall until the left atrial blood pool ends
        (veins and appendage cut at their mouth planes); nan where the ray never enters it. Root found to
        1e-6 mm. A stretch of blood nowhere deeper than `grazed_mm`, left again within `graze_within_mm`, is passed
        over: a ray along a wall."""
        p, d = np.asarray(points_lps, float).reshape(-1, 3), np.asarray(direction_lps, float).reshape(3)
        d = d / np.linalg.norm(d)
        entered = np.zeros(len(p), bool)
        high, deepest = np.full(len(p), np.nan), np.zeros(len(p))
        for s in np.arange(0.0, longest_mm, step_mm):
            looked = np.flatnonzero(np.isnan(high))
            if len(looked) == 0:
                break
            value = self.fields_at(p[looked] + s * d)["left_atrium"]
            inside = value < 0
            deepest[looked] = np.minimum(deepest[looked], value)
            leaves = entered[looked] & ~inside
            grazed = leaves & (deepest[looked] >= -grazed_mm) & (s <= graze_within_mm)
            high[looked[leaves & ~grazed]] = s
            entered[looked] = (entered[looked] & ~grazed) | inside
        left = np.flatnonzero(np.isfinite(high))
        low, top = high[left] - step_mm, high[left]
        for _ in range(int(np.ceil(np.log2(step_mm / 1e-6)))):
            mid = (low + top) / 2
            inside = self.fields_at(p[left] + mid[:, None] * d)["left_atrium"] < 0
            low, top = np.where(inside, mid, low), np.where(inside, top, mid)
        high[left] = (low + top) / 2
        return high

    @cached_property
    def volumes_ml(self) -> Mapping[str, float]:
        """Volume of each blood pool in the whole heart (the aorta from its valve down to 140 mm below the
        fossa): midpoint quadrature of occupancy on a 1 mm grid."""
        h = 1.0
        low = self.heart.septum.center - np.array([75.0, 110.0, 145.0])
        high = self.heart.septum.center + np.array([125.0, 90.0, 105.0])
        x, y = (np.arange(low[n], high[n], h).astype(np.float32) for n in (0, 1))
        total = dict.fromkeys(
            ("left_atrium", "right_atrium", "aorta", "left_ventricle", "right_ventricle"), 0.0
        )
        for z0 in np.arange(low[2], high[2], 24 * h):
            z = np.arange(z0, z0 + 24 * h - 0.5 * h, h).astype(np.float32)
            at = (x[None, None, :], y[None, :, None], z[:, None, None])
            f = self._carve(self.heart.fields(*at), *at)
            for name in total:
                total[name] += float(np.clip(0.5 - f[name] / h, 0, 1).sum(dtype=float)) * h**3 / 1000
        return total
