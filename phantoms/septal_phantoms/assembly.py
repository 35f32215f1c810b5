"""How a heart is put together from its shape: the place of every part about the fossa center, in LPS axes, mm.

What differs between the phantoms stands in catalogue.py; what is the same in all of them stands here as numbers of
the normal heart, turned with its septum or its mitral valve. Invented anatomy."""

from __future__ import annotations

import numpy as np

from septal_phantoms.annuli import make_saddle
from septal_phantoms.bodies import Array, Vector, unit
from septal_phantoms.catalogue import NORMAL, Shape
from septal_phantoms.heart import Ball, Heart, Pipe, with_mouth
from septal_phantoms.septum import Septum

# Center of the left atrium that the vein positions below were laid out about.
WALL_CENTER = (18.5, 10.5, 7.5)
POCKET_FROM_MM = 4.0  # a bulge smaller than this stays within the right atrium's own body
LV_FAR = 34.0  # the left ventricle's field must reach beyond its thick wall


def _turn(a: Vector, b: Vector) -> Array:
    """Smallest rotation that takes unit `a` to unit `b` (Rodrigues)."""
    v, c = np.cross(a, b), float(a @ b)
    k = np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])
    return np.asarray(np.eye(3) + k + k @ k / (1 + c))


def _mitral_frame(shape: Shape) -> tuple[Vector, Vector, Vector, Vector]:
    """(origin, normal, direction of the septal hinge, septal normal) about the fossa center."""
    ns, nm = unit(shape.septal_normal), unit(shape.mitral_normal)
    e1 = unit(ns - (ns @ nm) * nm)
    e2 = np.cross(nm, e1)
    angle = np.radians(shape.septal_hinge_deg)
    return -shape.height * nm + shape.offset * e1, nm, -np.cos(angle) * e1 - np.sin(angle) * e2, ns


def build_heart(shape: Shape, fossa_lps: Vector) -> Heart:
    """The heart of `shape` with its fossa center at `fossa_lps`."""
    origin, nm, hinge, ns = _mitral_frame(shape)
    origin0, nm0, _, ns0 = _mitral_frame(NORMAL)
    turn_s, turn_m = _turn(ns0, ns), _turn(nm0, nm)

    def fixed(p: tuple[float, float, float]) -> Vector:
        return np.asarray(fossa_lps + np.array(p))

    def right(p: tuple[float, float, float]) -> Vector:
        return np.asarray(fossa_lps + turn_s @ np.array(p))

    def left(p: tuple[float, float, float]) -> Vector:
        return np.asarray(fossa_lps + origin + turn_m @ (np.array(p) - origin0))

    def wall(p: tuple[float, float, float]) -> Vector:
        """With the left atrial wall: scaled about its center."""
        q = (np.array(p) - WALL_CENTER) * np.array(shape.la_semi) / np.array(NORMAL.la_semi)
        return np.asarray(fossa_lps + turn_s @ (np.array(shape.la_center) + q))

    up = np.array([0.0, 0.0, 1.0])
    superior = unit(up - (up @ ns) * ns)
    front = np.cross(ns, superior)
    anterior = front if front[1] < 0 else -front
    septum = Septum(
        fossa_lps,
        ns,
        superior,
        anterior,
        shape.septum_radius,
        shape.fossa[0] / 2,
        shape.fossa[1] / 2,
        shape.membrane,
        shape.limbus,
        shape.limbus_swing,
        shape.bulge,
        shape.bulge_reach,
        shape.fat_shell,
    )
    mitral = make_saddle(
        fossa_lps + origin,
        nm,
        hinge,
        intercommissural=shape.mitral_diameters[0],
        septal_lateral=shape.mitral_diameters[1],
        flatten=0.22,
        height=shape.mitral_saddle,
    )
    nt0 = unit((-0.75, 0.60, 0.28))
    nt = turn_m @ nt0
    tricuspid_at = right((3.0, -43.0, -21.0)) + nt * shape.tricuspid_shift
    tricuspid = make_saddle(
        tricuspid_at,
        nt,
        fossa_lps + origin - tricuspid_at,
        intercommissural=shape.tricuspid_diameters[0],
        septal_lateral=shape.tricuspid_diameters[1],
        flatten=0.0,
        height=1.5,
    )
    la_body = Ball(right(shape.la_center), np.eye(3), shape.la_semi)
    ra_semi = (30.0 * shape.ra_scale, 30.5 * shape.ra_scale, 28.0 * shape.ra_scale)
    ra_body = Ball(right((-13.0, -19.5, -6.0)), np.stack([ns, superior, anterior]), ra_semi)
    pocket = None
    if shape.bulge > POCKET_FROM_MM:
        reach = shape.bulge_reach
        semi = (shape.bulge + 3.0, reach * septum.bu + 1.0, reach * septum.bv + 1.0)
        pocket = Ball(fossa_lps, np.stack([ns, superior, anterior]), semi)

    # The ventricles: their apex stays where the normal one has it, the base follows the mitral annulus.
    base = left((30.0, -14.0, -4.0))
    apex0 = left((30.0 + 0.71 * 82, -14.0 - 0.57 * 82, -4.0 - 0.41 * 82))
    long_axis = unit(apex0 - base)
    side = unit(np.cross(long_axis, up))
    lv_axes = np.stack([long_axis, side, np.cross(long_axis, side)])
    k = shape.lv_scale
    lv_body = Ball(base + long_axis * 35.0 * k, lv_axes, (47.0 * k, 25.5 * k, 25.5 * k), LV_FAR)
    rv_axis = unit(left((70.0, -80.0, -48.0)) - left((14.0, -50.0, -24.0)))
    rv_side = unit(np.cross(rv_axis, up))
    rv_body = Ball(
        left((36.0, -59.0, -30.0)),
        np.stack([rv_axis, rv_side, np.cross(rv_axis, rv_side)]),
        (44.0, 29.0, 27.0),
    )

    shift = np.array(shape.aorta_shift)
    height_change = NORMAL.height - shape.height
    valve_at = fossa_lps + origin + turn_m @ (np.array((16.0, -22.0, 0.0)) - origin0) + shift
    if shape.lv_scale != 1.0:
        valve_at = valve_at - nm * height_change * 0.5  # the aortic root comes down half as far
    axis = unit((-0.40, -0.12, 0.90))
    across = unit(np.cross(axis, (0.0, -1.0, 0.0)))
    other = np.cross(axis, across)
    to_fossa = unit(fossa_lps - valve_at)
    first = float(np.arctan2(to_fossa @ other, to_fossa @ across))
    sinuses = tuple(
        (valve_at + 9.5 * axis + 5.5 * (np.cos(first + q) * across + np.sin(first + q) * other), 10.3)
        for q in (0.0, 2 * np.pi / 3, 4 * np.pi / 3)
    )
    top = valve_at + 20.0 * axis
    aortic_path = np.stack(
        [
            top,
            fixed((0.0, -31.0, 46.0)) + shift,
            fixed((6.0, -22.0, 70.0)),
            fixed((22.0, 4.0, 84.0)),
            fixed((37.0, 42.0, 76.0)),
            fixed((38.0, 60.0, 52.0)),
            fixed((38.0, 61.0, -20.0)),
            fixed((30.0, 60.0, -140.0)),
        ]
    )
    root = (
        Pipe(np.stack([valve_at - 6.0 * axis, top]), (11.5, 13.0)),
        Pipe(aortic_path, (13.0, 15.0, 14.5, 13.0, 12.5, 12.0, 11.5, 11.0)),
    )
    lvot = Pipe(
        np.stack([lv_body.center - long_axis * 12.0 * k, valve_at - 6.0 * axis, valve_at + 3.0 * axis]),
        (13.0, 11.5, 11.5),
        far=LV_FAR,
    )
    p_valve = left((36.0, -50.0, 22.0)) + shift * 0.6
    rvot = Pipe(np.stack([left((24.0, -66.0, -14.0)), p_valve]), (16.0, 12.5))
    trunk = Pipe(
        np.stack([p_valve, fixed((43.0, -34.0, 44.0)), fixed((45.0, -6.0, 60.0))]), (12.5, 13.0, 11.5)
    )

    lift = np.array(shape.appendage_shift)
    veins = {
        "right_superior_vein": with_mouth(
            np.stack([wall((6.0, 16.0, 18.0)), wall((-22.0, 23.0, 27.0)), wall((-70.0, 30.0, 48.0))]),
            (8.0, 7.5, 5.0),
            la_body,
        ),
        "right_inferior_vein": with_mouth(
            np.stack([wall((6.0, 20.0, 2.0)), wall((-16.0, 32.0, -4.0)), wall((-60.0, 48.0, -24.0))]),
            (7.5, 7.0, 4.5),
            la_body,
        ),
        "left_superior_vein": with_mouth(
            np.stack([wall((36.0, 16.0, 20.0)), wall((62.0, 22.0, 34.0)), wall((92.0, 24.0, 62.0))]),
            (8.0, 7.5, 5.0),
            la_body,
        ),
        "left_inferior_vein": with_mouth(
            np.stack([wall((36.0, 20.0, 4.0)), wall((60.0, 34.0, 0.0)), wall((96.0, 50.0, -20.0))]),
            (7.5, 7.0, 4.5),
            la_body,
        ),
        "left_atrial_appendage": with_mouth(
            np.stack(
                [
                    wall((38.0, 1.0, 16.0)),
                    wall((58.0, -16.0, 24.0)) + lift,
                    wall((67.0, -33.0, 30.0)) + lift,
                    wall((62.0, -43.0, 28.0)) + lift,
                ]
            ),
            (9.5, 8.5, 7.0, 4.5),
            la_body,
        ),
    }
    svc = right((-25.0, -13.0, 24.0))
    ivc = right((-13.0, -3.0, -30.0))
    cavae = {
        "superior_vena_cava": with_mouth(
            np.stack(
                [
                    right((-20.0, -19.0, 4.0)),
                    svc,
                    svc + np.array([2.0, 2.0, 40.0]),
                    svc + np.array([4.0, 0.0, 90.0]),
                ]
            ),
            (9.0, 9.5, 9.5, 9.0),
            ra_body,
        ),
        "inferior_vena_cava": with_mouth(
            np.stack(
                [
                    right((-15.0, -10.0, -18.0)),
                    ivc,
                    ivc + np.array([-3.0, 4.0, -30.0]),
                    ivc + np.array([-1.0, 12.0, -110.0]),
                ]
            ),
            (10.5, 11.0, 11.5, 12.0),
            ra_body,
        ),
        "right_atrial_appendage": with_mouth(
            np.stack([right((-18.0, -34.0, 6.0)), right((-14.0, -56.0, 16.0)), right((2.0, -66.0, 24.0))]),
            (11.0, 9.0, 5.5),
            ra_body,
        ),
    }
    t = np.radians([205.0, 235.0, 265.0, 295.0, 322.0])
    hinge_line = mitral.curve_lps(t)
    outward = hinge_line - mitral.origin
    outward -= (outward @ nm)[:, None] * nm
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    groove = hinge_line + 10.0 * outward + 3.0 * nm
    coronary_sinus = Pipe(
        np.concatenate([groove, right((2.0, -19.0, -25.0))[None]]), (2.6, 3.4, 4.0, 4.6, 5.2, 5.5)
    )
    deep = lv_body.center + long_axis * 30.0 * k
    papillary = tuple(
        Pipe(
            np.stack(
                [
                    deep + d * lv_axes[1] * 17.0 * k,
                    lv_body.center - long_axis * 2.0 * k + d * lv_axes[1] * 13.0 * k - lv_axes[2] * 6.0 * k,
                ]
            ),
            (5.5 * k, 3.5 * k),
        )
        for d in (1.0, -1.0)
    )
    return Heart(
        septum,
        mitral,
        tricuspid,
        la_body,
        ra_body,
        lv_body,
        rv_body,
        valve_at,
        axis,
        root,
        sinuses,
        lvot,
        rvot,
        trunk,
        veins,
        cavae,
        coronary_sinus,
        papillary,
        shape.lv_wall,
        shape.mitral_tent,
        5.0,
        pocket,
    )
