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

from septal_phantoms.septum import BULGE_REACH


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
