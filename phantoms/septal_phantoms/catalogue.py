"""The phantoms by name: how the constants of each heart are chosen.

Positions are millimetres in LPS axes about the fossa center. The normal heart's orientations follow
published means: septum en face at RAO 33 / CAU 33 (Xiong et al., doi 10.4244/EIJ-D-19-00618), mitral plane
through the directions of its two published edge-on views (RAO 29.4 / CRA 20.1 and RAO 81.6 / CAU 56.7, Blanke et
al., J Cardiovasc Comput Tomogr 2015: cross product (0.71, -0.57, -0.41) toward the ventricle). The rest is
invented anatomy, sized within the published ranges the tests name."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from septal_phantoms.annuli import make_saddle
from septal_phantoms.bodies import Array, Vector, unit
from septal_phantoms.heart import Ball, Heart, Pipe, with_mouth
from septal_phantoms.septum import BULGE_REACH, Septum


@dataclass(frozen=True)
class Shape:
    """What differs between the phantoms. mm, degrees as named; defaults are the normal heart in diastole."""

    septal_normal: tuple[float, float, float] = (0.46, 0.70, 0.54)
    mitral_normal: tuple[float, float, float] = (-0.71167, 0.57220, 0.40756)
    height: float = 32.5  # fossa center above the mitral frame's origin, along its normal
    offset: float = 20.0  # and across, away from the septum
    septal_hinge_deg: float = (
        35.0  # turn of the septal-lateral axis away from the atrial septum, toward the aorta
    )
    mitral_diameters: tuple[float, float] = (34.5, 28.5)
    mitral_saddle: float = 6.0
    tricuspid_diameters: tuple[float, float] = (36.0, 31.0)
    tricuspid_shift: float = 0.0  # along its normal, toward the ventricle negative
    septum_radius: float = 60.0
    fossa: tuple[float, float] = (13.0, 17.0)  # superior-inferior, anterior-posterior
    membrane: float = 1.9
    limbus: float = 7.5
    limbus_swing: float = 1.2
    bulge: float = 0.0
    bulge_reach: float = BULGE_REACH
    fat_shell: float | None = None  # muscle on either side of a fat core of the limbus
    la_center: tuple[float, float, float] = (17.5, 10.0, 7.0)
    la_semi: tuple[float, float, float] = (32.0, 24.0, 27.0)
    ra_scale: float = 1.0
    lv_scale: float = 1.0
    lv_wall: float = 9.5
    mitral_tent: float = 6.0
    aorta_shift: tuple[float, float, float] = (1.0, -2.0, 0.5)
    appendage_shift: tuple[float, float, float] = (0.0, 0.0, 0.0)


NORMAL = Shape()
SYSTOLE = replace(
    NORMAL,
    height=39.5,
    offset=20.5,
    mitral_diameters=(36.5, 29.5),
    mitral_saddle=7.0,
    tricuspid_diameters=(33.0, 28.0),
    tricuspid_shift=-9.0,
    septum_radius=68.0,
    la_semi=(33.5, 25.5, 28.5),
    la_center=(18.5, 10.5, 7.5),
    ra_scale=1.04,
    lv_scale=0.80,
    lv_wall=13.0,
    mitral_tent=4.0,
    aorta_shift=(0.5, -1.0, 0.3),
)
SHAPES: dict[str, Shape] = {
    "normal": NORMAL,
    "dilated-left-atrium": replace(
        NORMAL,
        height=37.0,
        offset=25.0,
        mitral_diameters=(41.0, 34.0),
        la_center=(23.0, 16.0, 10.0),
        la_semi=(40.0, 33.0, 36.0),
        fossa=(15.0, 19.0),
        mitral_saddle=5.0,
        mitral_tent=9.0,
        septum_radius=80.0,
        aorta_shift=(0.0, 0.5, 0.0),
    ),
    "rotated-heart": replace(
        NORMAL,
        septal_normal=(0.30, 0.66, 0.70),
        mitral_normal=(-0.83, 0.47, 0.30),
        height=20.0,
        offset=27.0,
        aorta_shift=(1.0, -5.0, 1.0),
        appendage_shift=(-4.0, 6.0, 12.0),
    ),
    "thin-membrane": replace(NORMAL, membrane=1.2),
    "bulging-membrane": replace(
        NORMAL, membrane=1.6, fossa=(16.0, 20.0), bulge=-5.0, aorta_shift=(1.5, -3.0, 0.7)
    ),
    "small-fossa": replace(NORMAL, fossa=(8.0, 10.0), limbus=12.5, limbus_swing=1.5),
    # Dumbbell of fat about a spared membrane; from 20 mm it is called lipomatous hypertrophy (Heyer et al.
    # 2003, doi 10.1378/chest.124.6.2068), 12 mm and more is common above and behind the fossa.
    "fatty-septum": replace(
        NORMAL, fossa=(12.0, 14.0), limbus=13.5, limbus_swing=1.0, fat_shell=1.25, aorta_shift=(1.5, -4.0, 0.5)
    ),
    # Dome 10 mm off the plane of its rim, the least that is called an aneurysm (common practice, no source).
    "aneurysmal-septum": replace(
        NORMAL,
        fossa=(22.0, 25.0),
        membrane=1.6,
        limbus=6.0,
        limbus_swing=0.8,
        bulge=11.7,
        bulge_reach=1.4,
        la_center=(19.5, 11.5, 8.5),
        aorta_shift=(3.0, -6.0, 1.5),
    ),
}
NAMES = tuple(SHAPES)


def end_systole(shape: Shape) -> Shape:
    """The same heart at the end of systole: what differs between the normal heart's two phases, laid on
    `shape` (steps for positions, ratios for sizes)."""

    def grown(name: str) -> Any:
        then, rest, now = (np.array(getattr(s, name)) for s in (SYSTOLE, NORMAL, shape))
        return tuple((now * then / rest).tolist())

    then, rest = SYSTOLE, NORMAL
    shift = np.array(shape.aorta_shift) + then.aorta_shift - np.array(rest.aorta_shift)
    return replace(
        shape,
        height=shape.height + then.height - rest.height,
        offset=shape.offset + then.offset - rest.offset,
        mitral_saddle=shape.mitral_saddle + then.mitral_saddle - rest.mitral_saddle,
        mitral_tent=shape.mitral_tent + then.mitral_tent - rest.mitral_tent,
        lv_wall=shape.lv_wall + then.lv_wall - rest.lv_wall,
        tricuspid_shift=shape.tricuspid_shift + then.tricuspid_shift,
        mitral_diameters=grown("mitral_diameters"),
        tricuspid_diameters=grown("tricuspid_diameters"),
        la_semi=grown("la_semi"),
        la_center=grown("la_center"),
        aorta_shift=(float(shift[0]), float(shift[1]), float(shift[2])),
        septum_radius=shape.septum_radius * then.septum_radius / rest.septum_radius,
        ra_scale=shape.ra_scale * then.ra_scale,
        lv_scale=shape.lv_scale * then.lv_scale,
    )


PHASES: dict[str, dict[float, Shape]] = {name: {70.0: shape} for name, shape in SHAPES.items()}
PHASES["normal"][35.0] = SYSTOLE
# the appendage gives way to the pulmonary trunk
PHASES["rotated-heart"][35.0] = replace(end_systole(SHAPES["rotated-heart"]), appendage_shift=(0.0, 6.0, 12.0))


def shape_of(name: str, phase_percent: float | None) -> tuple[Shape, float]:
    """The shape and its phase; raises ValueError with the choices where there is none."""
    if name not in PHASES:
        raise ValueError(f"There is no phantom named {name!r}; the names are {', '.join(NAMES)}.")
    phase = 70.0 if phase_percent is None else float(phase_percent)
    if phase not in PHASES[name]:
        have = ", ".join(f"{p:g}" for p in PHASES[name])
        raise ValueError(f"The phantom {name!r} has no phase {phase:g} %; it has {have} %.")
    return PHASES[name][phase], phase


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
