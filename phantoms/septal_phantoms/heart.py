"""The heart: chambers, valves and vessels as signed-distance fields, built about the fossa center.

`Heart.fields(x, y, z)` gives one field per part (mm, negative inside; zero sets exact in closed form). Blood
pools never touch except through valves and vessel mouths: each later pool is carved by the earlier ones
grown by a wall.

Where pools end: an atrium and its ventricle meet on the surface spanning the hinge line (annuli.py); blood
between that surface and the closed leaflets belongs to the ventricle. Veins, cavae and appendages end at the
plane through the point where their axis leaves the atrial body, square to the axis. The aorta begins at the
plane of its valve."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.optimize import brentq

from septal_phantoms.annuli import Saddle
from septal_phantoms.bodies import (
    Array,
    Vector,
    along,
    ellipsoid,
    in_box,
    smooth_max,
    smooth_min,
    smooth_step,
    sphere,
    tube,
    unit,
)
from septal_phantoms.septum import Septum

FAR = 16.0
GROOVE_ATRIAL = 5.0  # the atrial body keeps this far above the annular surface, outside the funnel
GROOVE_VENTRICULAR = 3.0
FUNNEL_SPREAD = 0.35
HINGE_WALL = 2.5
OUTFLOW_WALL = 2.2


@dataclass(frozen=True)
class Ball:
    """An ellipsoid: center, unit axes (rows), semi-axes."""

    center: Vector
    axes: Array
    semi: tuple[float, float, float]
    far: float = FAR

    def field(self, x: Array, y: Array, z: Array) -> Array:
        reach = np.sqrt(((self.axes * np.array(self.semi)[:, None]) ** 2).sum(0))
        return in_box(
            lambda a, b, c: ellipsoid(a, b, c, self.center, self.axes, self.semi),
            x,
            y,
            z,
            self.center - reach,
            self.center + reach,
            self.far,
        )


@dataclass(frozen=True)
class Pipe:
    """A chain of round cones through `path` (n, 3)."""

    path: Array
    radii: tuple[float, ...]
    far: float = FAR

    def field(self, x: Array, y: Array, z: Array) -> Array:
        r = max(self.radii)
        return in_box(
            lambda a, b, c: tube(a, b, c, self.path, self.radii),
            x,
            y,
            z,
            self.path.min(0) - r,
            self.path.max(0) + r,
            self.far,
        )


@dataclass(frozen=True)
class Vessel:
    """A pipe that opens into a chamber: its axis leaves the chamber's body at `mouth`, along `out`."""

    pipe: Pipe
    mouth: Vector
    out: Vector

    @property
    def path(self) -> Array:
        return self.pipe.path


def with_mouth(path: Array, radii: tuple[float, ...], body: Ball) -> Vessel:
    """`path` starts inside `body`; its mouth is where the axis leaves it."""
    for a, b in pairwise(path):

        def f(t: float, a: Vector = a, b: Vector = b) -> float:
            p = a + t * (b - a)
            return float(ellipsoid(p[0], p[1], p[2], body.center, body.axes, body.semi))

        if f(0.0) < 0 < f(1.0):
            return Vessel(Pipe(path, radii), a + float(brentq(f, 0.0, 1.0)) * (b - a), unit(b - a))
    raise ValueError("The axis of a vessel does not leave the body it belongs to.")


@dataclass(frozen=True)
class Heart:
    """All constants of one heart in LPS mm (see catalogue.py and assembly.py for how they are chosen)."""

    septum: Septum
    mitral: Saddle
    tricuspid: Saddle
    la_body: Ball
    ra_body: Ball
    lv_body: Ball
    rv_body: Ball
    root_base: Vector  # center of the aortic valve plane
    root_axis: Vector
    root: tuple[Pipe, ...]  # first the root, then what is not cut at the valve
    sinuses: tuple[tuple[Vector, float], ...]
    lvot: Pipe
    rvot: Pipe
    pulmonary_trunk: Pipe
    veins: Mapping[str, Vessel]  # of the left atrium, appendage included
    cavae: Mapping[str, Vessel]  # of the right atrium, appendage included
    coronary_sinus: Pipe
    papillary: tuple[Pipe, ...]
    lv_wall: float
    mitral_tent: float
    tricuspid_tent: float
    pocket: Ball | None = None  # right atrial blood that follows a membrane bulging far to the left

    def aorta_body(self, x: Array, y: Array, z: Array) -> Array:
        """Aortic pool: root and sinuses cut at the plane of the valve, with the ascending aorta, arch and
        descending aorta."""
        out = self.root[0].field(x, y, z)
        for center, radius in self.sinuses:
            ball = Ball(center, np.eye(3), (radius, radius, radius))
            reach = np.full(3, radius)
            out = np.minimum(
                out,
                in_box(
                    lambda a, b, c, m=ball.center, r=radius: sphere(a, b, c, m, r),  # type: ignore[misc]
                    x,
                    y,
                    z,
                    center - reach,
                    center + reach,
                    FAR,
                ),
            )
        out = np.maximum(out, -along(x, y, z, self.root_base, self.root_axis))
        for pipe in self.root[1:]:
            out = np.minimum(out, pipe.field(x, y, z))
        return out

    def fields(self, x: Array, y: Array, z: Array) -> dict[str, Array]:
        """Signed distances of every part at the points; see the module's note for what ends where."""
        s, thickness = self.septum.wall(x, y, z)
        half = thickness * 0.5
        zm, rm = self.mitral.local(x, y, z)
        zt, rt = self.tricuspid.local(x, y, z)
        beyond_valve = along(x, y, z, self.root_base, self.root_axis)

        aorta = self.aorta_body(x, y, z)
        # On the atrial side of the mitral surface the outflow tract keeps a wall's breadth outside the hinge
        # line.
        lvot = np.maximum(self.lvot.field(x, y, z), beyond_valve)
        lvot = np.maximum(lvot, np.minimum(zm, HINGE_WALL - rm))
        outflow = np.minimum(aorta, lvot)
        beside_la = np.minimum(aorta, np.maximum(lvot, HINGE_WALL - rm))

        lv = smooth_max(self.lv_body.field(x, y, z), zm + GROOVE_VENTRICULAR, 3.0)
        inlet = np.maximum(np.maximum(rm + 0.15 * zm, zm), -zm - 16.0)
        lv = smooth_min(lv, inlet, 3.0)
        # Above the mitral surface only the outflow tract itself belongs to the ventricle.
        lv = np.maximum(np.minimum(np.maximum(smooth_min(lv, lvot, 5.0), zm), lvot), beyond_valve)
        lv_muscle = smooth_max(lv - self.lv_wall, np.maximum(zm - 1.0, beyond_valve), 8.0)

        # left atrium
        la_body = smooth_max(self.la_body.field(x, y, z), GROOVE_ATRIAL - zm, 4.0)
        funnel = np.maximum(rm - FUNNEL_SPREAD * zm, zm - 16.0)
        la_body = smooth_min(la_body, funnel, 5.0)
        vein = {name: vessel.pipe.field(x, y, z) for name, vessel in self.veins.items()}
        cava = {name: vessel.pipe.field(x, y, z) for name, vessel in self.cavae.items()}
        la_limits = np.maximum(half - s, -zm)
        la_limits = np.maximum(la_limits, OUTFLOW_WALL - beside_la)
        la_limits = np.maximum(la_limits, 3.0 - cava["superior_vena_cava"])
        valve = along(
            x,
            y,
            z,
            self.pulmonary_trunk.path[0],
            unit(self.pulmonary_trunk.path[1] - self.pulmonary_trunk.path[0]),
        )
        trunk = np.maximum(self.pulmonary_trunk.field(x, y, z), -valve)
        trunk = np.maximum(trunk, 3.0 - aorta)
        vein_limits = np.maximum(
            np.maximum(half - s, 3.0 - trunk), np.maximum(2.0 - lv_muscle, OUTFLOW_WALL - outflow)
        )
        vein_limits = np.maximum(vein_limits, np.where(rm < 4.0, -zm, -FAR))
        vein_limits = np.maximum(vein_limits, 3.0 - cava["superior_vena_cava"])
        la, la_vessels, left_whole = _with_vessels(
            x, y, z, la_body, vein, self.veins, np.maximum(la_limits, 3.0 - trunk), vein_limits
        )
        left_all = np.minimum(la, la_vessels)

        # right atrium
        ra_body = smooth_max(self.ra_body.field(x, y, z), GROOVE_ATRIAL - zt, 4.0)
        ra_funnel = np.maximum(rt - FUNNEL_SPREAD * zt, zt - 18.0)
        ra_body = smooth_min(ra_body, ra_funnel, 5.0)
        if self.pocket is not None:
            ra_body = smooth_min(ra_body, self.pocket.field(x, y, z), 3.0)
        ra_limits = np.maximum(half + s, -zt)
        ra_limits = np.maximum(ra_limits, 3.0 - outflow)
        ra_limits = np.maximum(ra_limits, 3.0 - lv)
        # the septum itself already keeps the atria apart; a wider gap here would thicken the membrane
        ra_limits = np.maximum(ra_limits, 3.6 - la_vessels)
        vessel_limits = np.maximum(3.6 - left_all, 3.0 - outflow)
        ra, ra_vessels, right_whole = _with_vessels(
            x, y, z, ra_body, cava, self.cavae, ra_limits, vessel_limits
        )
        right_all = np.minimum(ra, ra_vessels)

        # right ventricle and pulmonary trunk
        rv = smooth_max(self.rv_body.field(x, y, z), zt + GROOVE_VENTRICULAR, 3.0)
        rv_inlet = np.maximum(np.maximum(rt + 0.15 * zt, zt), -zt - 18.0)
        rv = smooth_min(smooth_min(rv, rv_inlet, 4.0), self.rvot.field(x, y, z), 6.0)
        # The muscular septum thins toward the hinge line of the tricuspid valve.
        rv = smooth_max(rv, 3.0 + (self.lv_wall - 3.0) * smooth_step(zt * (-1.0 / 20.0)) - lv, 2.0)
        rv = np.maximum(rv, 3.5 - outflow)
        rv = np.maximum(rv, np.maximum(zt, 3.0 - ra_vessels))
        trunk = np.maximum(trunk, 3.0 - right_all)
        rv = np.maximum(rv, np.maximum(valve, 3.0 - left_all))

        sinus = self.coronary_sinus.field(x, y, z)
        sinus = np.maximum(sinus, np.maximum(2.0 - left_all, 0.3 - ra))
        sinus = np.maximum(sinus, np.maximum(2.0 - lv, 2.0 - rv))

        def sheet(height: Array, radial: Array, saddle: Saddle, tent: float) -> Array:
            rho = np.clip(1.0 + radial / ((saddle.a + saddle.b) / 2), 0.0, 1.0)
            depth = height + 0.3 + tent * (1.0 - rho * rho)
            return np.asarray(np.maximum(np.abs(depth + 0.65) - 0.65, radial - 2.0))

        mitral_leaflets = sheet(zm, rm, self.mitral, self.mitral_tent)
        tricuspid_leaflets = sheet(zt, rt, self.tricuspid, self.tricuspid_tent)
        dome = (
            beyond_valve
            - 8.0
            + 6.0 * (np.square(aorta_axis_radius(x, y, z, self.root_base, self.root_axis)) / 11.5**2)
        )
        aortic_leaflets = np.maximum(np.abs(dome) - 0.5, np.maximum(aorta, beyond_valve - 9.0))
        muscle = self.papillary[0].field(x, y, z)
        for pipe in self.papillary[1:]:
            muscle = np.minimum(muscle, pipe.field(x, y, z))
        lv = np.maximum(lv, -muscle)
        # Blood on both sides of the surfaces where pools meet, so that no tissue shows between them.
        right_seam = np.maximum(np.abs(zt) - 1.5, rt)
        seams = np.minimum(
            np.maximum(np.abs(zm) - 1.5, rm),
            np.maximum(
                np.abs(beyond_valve) - 1.5, aorta_axis_radius(x, y, z, self.root_base, self.root_axis) - 11.5
            ),
        )
        return {
            "left_atrium": la,
            "right_atrium": ra,
            "aorta": aorta,
            "left_ventricle": lv,
            "right_ventricle": rv,
            "left_whole": left_whole,
            "right_whole": right_whole,
            "left_seams": seams,
            "right_seam": right_seam,
            "left_vessels": la_vessels,
            "right_vessels": ra_vessels,
            "pulmonary_trunk": trunk,
            "coronary_sinus": sinus,
            "lv_muscle": lv_muscle,
            "mitral_leaflets": mitral_leaflets,
            "tricuspid_leaflets": tricuspid_leaflets,
            "aortic_leaflets": aortic_leaflets,
            "septal_fat": np.maximum(self.septum.fat(x, y, z, s, thickness), 1.5 - outflow),
            "septal_distance": s,
            "septal_thickness": thickness,
            "superior_vena_cava": cava["superior_vena_cava"],
            "inferior_vena_cava": cava["inferior_vena_cava"],
        }


def aorta_axis_radius(x: Array, y: Array, z: Array, origin: Vector, axis: Vector) -> Array:
    """Distance from the line through `origin` along `axis`."""
    w = along(x, y, z, origin, axis)
    a, b, c = (float(v) for v in origin)
    return np.asarray(np.sqrt(np.maximum((x - a) ** 2 + ((y - b) ** 2 + (z - c) ** 2) - w * w, 0.0)))


def _with_vessels(
    x: Array,
    y: Array,
    z: Array,
    body: Array,
    pipes: Mapping[str, Array],
    planes: Mapping[str, Vessel],
    limits: Array,
    vessel_limits: Array,
) -> tuple[Array, Array, Array]:
    """(chamber cut at the mouth planes, everything beyond them, both without the cut)."""
    pool = whole = np.maximum(body, limits)
    vessels = np.full_like(body, FAR)
    for name, field in pipes.items():
        plane = planes[name]
        beyond = along(x, y, z, plane.mouth, plane.out)
        near = np.maximum(smooth_min(body, field, 4.0), field - 6.0)
        # The pipe itself runs free of what bounds the chamber's body; only the fillet around it does not.
        before = np.minimum(np.maximum(near, limits), np.maximum(field, vessel_limits))
        after = np.maximum(near, vessel_limits)
        pool = np.minimum(pool, np.maximum(before, beyond))
        vessels = np.minimum(vessels, np.maximum(after, np.maximum(-beyond, -body)))
        whole = np.minimum(whole, np.where(beyond > 0, after, before))
    return np.maximum(pool, -vessels), vessels, whole
