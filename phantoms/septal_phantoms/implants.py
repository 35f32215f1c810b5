"""What is neither blood nor tissue: rings, bands, leads, an occluder, a patch, calcium. Closed forms upon a heart."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from septal_phantoms.annuli import Saddle
from septal_phantoms.bodies import Array, Vector, along, in_box, smooth_step, tube
from septal_phantoms.contrast import Unmixed, waves
from septal_phantoms.heart import Heart

Field = Callable[[Array, Array, Array], Array]
FAR = 4.0
RING_RISE_MM = 2.5  # above the hinge line, on the atrial side
LEAD_PIECE = 3  # stretches of a lead that share a box


@dataclass(frozen=True)
class Solid:
    """A body that displaces blood and tissue. `distance`: mm, negative inside, zero set exact; `hu`: before the
    scanner's ceiling; `low_lps`, `high_lps`: a box around it; `blooming_mm`: full width at half maximum of the point
    spread of metal, which is wider than that of tissue; `is_metal`: blooms, streaks, and is labelled."""

    name: str
    distance: Field
    hu: Field
    low_lps: Vector
    high_lps: Vector
    is_metal: bool
    blooming_mm: float = 0.0


def _level(value: float) -> Field:
    return lambda x, y, z: np.asarray(value + 0 * (x + y + z))


def _annular(
    name: str,
    saddle: Saddle,
    hu: float,
    *,
    radius: float,
    blooming_mm: float,
    open_from: float | None = None,
) -> Solid:
    """A wire along the hinge line of `saddle`, its axis `RING_RISE_MM` above it; left out where the coordinate
    toward the septal hinge exceeds `open_from` of that half diameter."""

    def distance(x: Array, y: Array, z: Array) -> Array:
        height, outside = saddle.local(x, y, z)
        wire = np.sqrt((height - RING_RISE_MM) ** 2 + outside * outside) - radius
        if open_from is None:
            return np.asarray(wire)
        return np.asarray(np.maximum(wire, along(x, y, z, saddle.origin, saddle.axes[1]) - open_from * saddle.b))

    line = saddle.curve_lps(np.linspace(0, 2 * np.pi, 90)) + RING_RISE_MM * saddle.axes[2]
    margin = radius + 2.0
    return Solid(name, distance, _level(hu), line.min(0) - margin, line.max(0) + margin, True, blooming_mm)


def mitral_ring(heart: Heart) -> tuple[Solid, ...]:
    """A rigid closed annuloplasty ring, 3 mm thick."""
    return (_annular("mitral ring", heart.mitral, 6000.0, radius=1.5, blooming_mm=2.3),)


def mitral_band(heart: Heart) -> tuple[Solid, ...]:
    """A band along the posterior hinge line, open toward the aorta."""
    return (_annular("mitral band", heart.mitral, 4200.0, radius=1.3, blooming_mm=2.0, open_from=0.3),)


def tricuspid_ring(heart: Heart) -> tuple[Solid, ...]:
    """A rigid closed ring."""
    return (_annular("tricuspid ring", heart.tricuspid, 6000.0, radius=1.5, blooming_mm=2.3),)


def tricuspid_band(heart: Heart) -> tuple[Solid, ...]:
    """A band open along the septal hinge, where the conduction tissue lies."""
    return (_annular("tricuspid band", heart.tricuspid, 4200.0, radius=1.3, blooming_mm=2.0, open_from=0.5),)


def lead_path(heart: Heart) -> Array:
    """(n, 3) axis of a pacing lead: superior cava, lateral right atrium, tricuspid valve, ventricular apex."""
    cava, valve, rv = heart.cavae["superior_vena_cava"].path, heart.tricuspid, heart.rv_body
    lateral = heart.ra_body.center - 13.0 * heart.septum.normal - 4.0 * heart.septum.anterior
    low = valve.origin + 9.0 * valve.axes[2] + 6.0 * valve.axes[0] - 5.0 * valve.axes[1]
    through = valve.origin - 3.0 * valve.axes[2] + 8.0 * valve.axes[0] - 3.0 * valve.axes[1]
    inflow = valve.origin - 20.0 * valve.axes[2] + 10.0 * valve.axes[0] - 2.0 * valve.axes[1]
    tip = rv.center + 0.84 * rv.semi[0] * rv.axes[0]
    high, mouth = cava[2] + np.array([-4.0, 2.5, 0.0]), cava[1] + np.array([-4.0, 1.0, 0.0])  # beside the axis
    knots = np.stack([cava[3], high, mouth, lateral, low, through, inflow, tip])
    chord = np.concatenate([[0.0], np.cumsum(np.sqrt(np.linalg.norm(np.diff(knots, axis=0), axis=1)))])
    return np.asarray(CubicSpline(chord, knots)(np.linspace(0, chord[-1], 49)))


def pacing_lead(heart: Heart) -> tuple[Solid, ...]:
    """A wire 2 mm thick with a thicker electrode at its tip."""
    path = lead_path(heart)
    radii = np.where(np.arange(len(path)) >= len(path) - 4, 1.25, 1.0)

    def piece(start: int) -> Callable[[Array, Array, Array], Array]:
        part = slice(start, start + LEAD_PIECE + 1)
        corners = path[part].min(0) - 1.25, path[part].max(0) + 1.25
        return lambda x, y, z: in_box(
            lambda a, b, c: tube(a, b, c, path[part], radii[part].tolist()),
            x, y, z, *corners, FAR if np.ndim(x) == 3 else np.inf,
        )  # fmt: skip

    pieces = [piece(n) for n in range(0, len(path) - 1, LEAD_PIECE)]

    def distance(x: Array, y: Array, z: Array) -> Array:
        out = pieces[0](x, y, z)
        for other in pieces[1:]:
            out = np.minimum(out, other(x, y, z))
        return out

    low, high = path.min(0) - 2.0, path.max(0) + 2.0
    return (Solid("pacing lead", distance, _level(8000.0), low, high, True, 1.8),)


def annular_calcium(heart: Heart) -> tuple[Solid, ...]:
    """Calcium along the posterior mitral hinge, uneven in breadth, reaching into muscle and into both pools."""
    saddle = heart.mitral

    def distance(x: Array, y: Array, z: Array) -> Array:
        height, outside = saddle.local(x, y, z)
        turn = np.arctan2(
            along(x, y, z, saddle.origin, saddle.axes[1]), along(x, y, z, saddle.origin, saddle.axes[0])
        )
        # from one commissure past the posterior hinge (-90 degrees) to near the other
        ends = smooth_step((turn + 2.9) / 0.5) * smooth_step((-0.35 - turn) / 0.5)
        radius = (3.4 + 1.0 * np.sin(5.0 * turn + 0.6) + 0.7 * np.sin(11.0 * turn)) * ends - 0.6 * (1.0 - ends)
        up = 0.4 + 1.3 * np.sin(3.0 * turn + 1.0)
        out = 0.9 + 0.9 * np.sin(4.0 * turn)
        return np.asarray(np.sqrt((height - up) ** 2 + (outside - out) ** 2) - radius)

    def hu(x: Array, y: Array, z: Array) -> Array:
        return np.asarray(Unmixed(600.0, 1400.0, 201, 7.0, 16.0).hu(x, y, z, saddle.origin))

    line = saddle.curve_lps(np.linspace(0, 2 * np.pi, 90))
    return (Solid("annular calcium", distance, hu, line.min(0) - 7.0, line.max(0) + 7.0, False),)


def occluder(heart: Heart) -> tuple[Solid, ...]:
    """Two dished discs of metal mesh on either side of the septum, joined by a waist through the membrane."""
    septum = heart.septum

    def distance(x: Array, y: Array, z: Array) -> Array:
        u, v, _ = septum.chart(x, y, z)
        side, _ = septum.wall(x, y, z)
        r = np.sqrt(u * u + v * v)
        dish = 1.6 + 2.6 * smooth_step((r - 4.0) / 6.0)  # near the membrane inside, on the limbus outside
        left = np.maximum(np.abs(side - dish) - 1.2, r - 13.0)
        right = np.maximum(np.abs(side + dish) - 1.2, r - 11.0)
        waist = np.maximum(np.abs(side) - 2.0, r - 5.0)
        return np.asarray(np.minimum(np.minimum(left, right), waist))

    def hu(x: Array, y: Array, z: Array) -> Array:
        u, v, _ = septum.chart(x, y, z)
        return np.asarray(1500.0 + 1000.0 * np.sin(1.3 * (u + v)) * np.sin(1.3 * (u - v)))

    return (Solid("occluder", distance, hu, septum.center - 17.0, septum.center + 17.0, True, 1.5),)


def septal_patch(heart: Heart) -> tuple[Solid, ...]:
    """A patch in the wall where the fossa's floor was, sewn to the limbus."""
    septum = heart.septum

    def distance(x: Array, y: Array, z: Array) -> Array:
        u, v, _ = septum.chart(x, y, z)
        side, thickness = septum.wall(x, y, z)
        rho = np.sqrt((u / septum.bu) ** 2 + (v / septum.bv) ** 2)
        return np.asarray(np.maximum(np.abs(side) - 0.5 * thickness, (rho - 1.15) * min(septum.bu, septum.bv)))

    def hu(x: Array, y: Array, z: Array) -> Array:
        return np.asarray(275.0 + 35.0 * np.clip(waves(x, y, z, septum.center, 211, 5.0, 14.0), -2.0, 2.0))

    reach = 1.3 * max(septum.bu, septum.bv) + 3.0
    return (Solid("septal patch", distance, hu, septum.center - reach, septum.center + reach, False),)


IMPLANTS: dict[str, Callable[[Heart], tuple[Solid, ...]]] = {
    "mitral-ring": mitral_ring,
    "mitral-band": mitral_band,
    "tricuspid-ring": tricuspid_ring,
    "tricuspid-band": tricuspid_band,
    "pacing-lead": pacing_lead,
    "annular-calcium": annular_calcium,
    "occluder": occluder,
    "septal-patch": septal_patch,
}
