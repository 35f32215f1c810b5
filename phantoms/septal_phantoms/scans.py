"""How each heart is scanned: voxels, noise, kernel, contrast, metal, and which way the volume lies.

Sizes of noise and contrast follow what real contrast CT shows: a right atrium streaked from 190 to 900 HU, plain
blood of about 100 HU in the inferior cava, 45-65 HU of noise with sharp kernels. Muscle of about 80-105 HU: normal
left ventricular walls in 320-row CT, range 11-170. Every heart and every scan is invented."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from septal_phantoms.bodies import Array
from septal_phantoms.catalogue import NAMES as SHAPE_NAMES
from septal_phantoms.catalogue import NORMAL, Shape, shape_of
from septal_phantoms.contrast import PlainBlood, Unmixed

HU: Mapping[str, float] = {
    "left_atrium": 380.0,
    "left_vessels": 400.0,
    "left_ventricle": 360.0,
    "aorta": 370.0,
    "right_atrium": 230.0,
    "right_ventricle": 240.0,
    "pulmonary_trunk": 260.0,
    "coronary_sinus": 150.0,
    "superior_vena_cava": 300.0,
    "inferior_vena_cava": 120.0,
    "muscle": 105.0,
    "leaflets": 112.0,
    "fat": -95.0,
    "liver": 110.0,
    "lung_vessels": 180.0,
}


@dataclass(frozen=True)
class Scan:
    """One way of scanning one heart. `spacing_mm` (x, y, z) along the volume's own axes; `hu` by pool and tissue;
    `turn_deg`: the volume is turned about the patient's z, then its x axis; `field_of_view_mm`: lowest and highest
    LPS mm about the fossa that the CT shows; `impossible`: see Truth."""

    shape: Shape = NORMAL
    spacing_mm: tuple[float, float, float] = (0.6, 0.6, 0.6)
    noise_hu: float = 18.0
    noise_cutoff_per_mm: float = 0.55
    psf_fwhm_mm: float = 0.9
    overshoot: float = 0.0  # of a sharp kernel: share of the image less its 1.2 mm blur that is added on again
    hu: Mapping[str, float] = field(default_factory=lambda: HU)
    right_atrium: Unmixed | None = None
    superior_cava: Unmixed | None = None
    right_ventricle: Unmixed | None = None
    plain_blood: PlainBlood | None = None
    implants: tuple[str, ...] = ()
    turn_deg: tuple[float, float] = (0.0, 0.0)
    field_of_view_mm: tuple[tuple[float, float, float], tuple[float, float, float]] | None = None
    impossible: Mapping[str, str] = field(default_factory=dict)
    membrane: bool = True  # False where the thin membrane is gone

    @property
    def axes(self) -> Array:
        """Columns: the volume's i, j, k directions in LPS."""
        about_z, about_x = np.radians(self.turn_deg)
        c, s = np.cos(about_z), np.sin(about_z)
        p, q = np.cos(about_x), np.sin(about_x)
        turn_z = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
        turn_x = np.array([[1.0, 0.0, 0.0], [0.0, p, -q], [0.0, q, p]])
        return np.asarray(turn_x @ turn_z)


def _hu(**changed: float) -> Mapping[str, float]:
    return {**HU, **changed}


BRIGHT_LEFT = _hu(
    left_atrium=496.0, left_vessels=505.0, left_ventricle=458.0, aorta=474.0, right_atrium=480.0,
    right_ventricle=430.0, pulmonary_trunk=440.0, coronary_sinus=130.0, superior_vena_cava=950.0,
    inferior_vena_cava=100.0, liver=73.0, lung_vessels=260.0,
)  # fmt: skip
EARLY = _hu(
    left_atrium=230.0, left_vessels=255.0, left_ventricle=205.0, aorta=160.0, right_atrium=420.0,
    right_ventricle=430.0, pulmonary_trunk=440.0, coronary_sinus=55.0, superior_vena_cava=900.0,
    inferior_vena_cava=55.0, muscle=65.0, leaflets=70.0, liver=58.0, lung_vessels=200.0,
)  # fmt: skip
PLAIN = {name: 40.0 for name in HU} | {"muscle": 46.0, "leaflets": 46.0, "fat": -95.0, "liver": 58.0}
STREAKED = Scan(
    hu=BRIGHT_LEFT,
    right_atrium=Unmixed(190.0, 900.0, 101),
    superior_cava=Unmixed(650.0, 1300.0, 102),
    right_ventricle=Unmixed(330.0, 560.0, 103),
    plain_blood=PlainBlood(Unmixed(92.0, 108.0, 104)),
)
ONE_SIDED = "The blood right of the septum is as dark as its tissue here, so that only its left surface can be seen"


def _only_left(why: str) -> dict[str, str]:
    return {"thickness": f"{why}.", "area": f"{why}; its edge cannot.", "fossa": f"{why}; its extent cannot."}


SCANS: dict[str, Scan] = {
    "streaked-right-atrium": replace(STREAKED, shape=replace(NORMAL, membrane=1.7, height=31.0)),
    "pale-right-atrium": Scan(
        shape=replace(NORMAL, fossa=(12.0, 16.0), height=34.0),
        hu=_hu(right_atrium=120.0, right_ventricle=128.0, pulmonary_trunk=150.0, coronary_sinus=112.0,
               superior_vena_cava=135.0, inferior_vena_cava=95.0, muscle=100.0, leaflets=104.0),
        right_atrium=Unmixed(110.0, 130.0, 111),
        impossible=_only_left(ONE_SIDED),
    ),
    "noisy": Scan(shape=replace(NORMAL, membrane=2.0, fossa=(14.0, 17.5), offset=19.0), noise_hu=45.0),
    "coarse-voxels": Scan(
        shape=replace(NORMAL, membrane=1.8, fossa=(14.0, 18.0), limbus=7.0), spacing_mm=(1.5, 1.5, 1.5)
    ),
    "unmixed-beside-fossa": replace(
        STREAKED,
        shape=replace(NORMAL, height=28.0, offset=22.0),
        spacing_mm=(0.7, 0.7, 2.5),
        noise_hu=25.0,
        right_atrium=Unmixed(300.0, 900.0, 121),
        plain_blood=PlainBlood(Unmixed(53.0, 98.0, 124), radius_mm=19.0, to_fossa=True),
        hu={**BRIGHT_LEFT, "left_atrium": 400.0, "left_vessels": 410.0, "inferior_vena_cava": 75.0, "muscle": 90.0},
        impossible=_only_left(ONE_SIDED),
    ),
    "early-phase": replace(
        STREAKED,
        shape=replace(NORMAL, membrane=2.1, fossa=(14.5, 18.0), height=30.0, offset=21.0),
        spacing_mm=(0.7, 0.7, 2.5),
        noise_hu=50.0,
        noise_cutoff_per_mm=0.7,
        hu=EARLY,
        right_atrium=Unmixed(320.0, 620.0, 131),
        right_ventricle=Unmixed(380.0, 500.0, 133),
        plain_blood=PlainBlood(Unmixed(45.0, 65.0, 134), reach_mm=6.0),
        impossible={
            "aorta": "The aortic leaflets are 50 HU darker than the blood about them, no more than the noise, and 1 mm "
            "thick in slices of 2.5 mm: where the aorta begins does not show."
        },
    ),
    "no-contrast": Scan(
        noise_hu=20.0,
        hu=PLAIN,
        impossible={
            what: "Without contrast no blood can be told from the tissue around it."
            for what in ("fossa", "thickness", "area", "left_atrium_volume", "posterior_path")
        },
    ),
    "mitral-ring": Scan(
        shape=replace(NORMAL, mitral_diameters=(31.0, 25.5), mitral_saddle=3.0, height=33.0),
        implants=("mitral-ring",),
    ),
    "mitral-band": Scan(
        shape=replace(NORMAL, mitral_diameters=(32.0, 26.5), mitral_saddle=4.5, fossa=(12.5, 16.5)),
        implants=("mitral-band",),
    ),
    "tricuspid-ring": Scan(
        shape=replace(NORMAL, tricuspid_diameters=(31.0, 27.0), membrane=1.7, height=31.5),
        implants=("tricuspid-ring",),
    ),
    "tricuspid-band": Scan(
        shape=replace(NORMAL, tricuspid_diameters=(33.0, 28.0), fossa=(14.0, 17.0), height=34.0),
        hu=_hu(right_atrium=310.0, right_ventricle=300.0),
        implants=("tricuspid-band",),
    ),
    "pacing-lead": Scan(shape=replace(NORMAL, membrane=1.8, offset=21.0), implants=("pacing-lead",)),
    "calcified-annulus": Scan(
        shape=replace(NORMAL, mitral_diameters=(35.5, 29.0), height=32.0, fossa=(13.0, 16.0)),
        implants=("annular-calcium",),
    ),
    "occluder": Scan(
        shape=replace(NORMAL, limbus=5.5, limbus_swing=0.6, fossa=(14.0, 17.0)),
        implants=("occluder",),
        impossible=dict.fromkeys(
            ("thickness", "area", "fossa"), "An occluder covers the fossa: its membrane and its edge lie within metal."
        ),
        membrane=False,
    ),
    "septal-patch": Scan(
        shape=replace(NORMAL, membrane=3.4, limbus=7.0),
        hu=_hu(left_atrium=450.0, left_vessels=460.0, left_ventricle=430.0, aorta=440.0, right_atrium=420.0,
               right_ventricle=400.0, superior_vena_cava=480.0),
        implants=("septal-patch",),
        impossible=dict.fromkeys(
            ("thickness", "area", "fossa"), "A patch closes the fossa: there is no thin membrane to be measured."
        ),
        membrane=False,
    ),
    "cut-left-atrium": Scan(
        shape=replace(NORMAL, la_semi=(34.0, 24.0, 27.5), la_center=(19.0, 10.0, 7.0)),
        field_of_view_mm=((-200.0, -200.0, -200.0), (60.0, 200.0, 17.0)),
        impossible={
            "left_atrium_volume": "The CT ends inside the left atrium, above, and inside its left veins and appendage.",
            "right_atrium_volume": "The CT ends inside the right atrium, above.",
            "posterior_path": "The way across the left atrium leaves the CT before it meets the wall.",
        },
    ),
    "sharp-thick-streaked": replace(
        STREAKED,
        shape=replace(NORMAL, membrane=2.1, fossa=(14.0, 18.0), height=27.0, offset=22.0),
        spacing_mm=(0.65, 0.65, 2.5),
        noise_hu=55.0,
        noise_cutoff_per_mm=0.85,
        psf_fwhm_mm=0.75,
        overshoot=0.35,
        right_atrium=Unmixed(190.0, 900.0, 141),
        superior_cava=Unmixed(700.0, 1500.0, 142),
        plain_blood=PlainBlood(Unmixed(45.0, 97.0, 144), reach_mm=14.0),
        hu={**BRIGHT_LEFT, "left_atrium": 350.0, "left_vessels": 365.0, "left_ventricle": 320.0, "aorta": 330.0},
    ),
    "lead-pale-right-atrium": Scan(
        shape=replace(NORMAL, height=30.0, offset=20.5, fossa=(13.5, 16.5)),
        spacing_mm=(0.6, 0.6, 1.0),
        noise_hu=28.0,
        hu=_hu(right_atrium=122.0, right_ventricle=125.0, pulmonary_trunk=150.0, coronary_sinus=110.0,
               superior_vena_cava=140.0, inferior_vena_cava=92.0, muscle=100.0, leaflets=104.0),
        right_atrium=Unmixed(110.0, 135.0, 151),
        implants=("pacing-lead",),
        impossible=_only_left(ONE_SIDED),
    ),
    "ring-band-and-lead": Scan(
        shape=replace(NORMAL, mitral_diameters=(32.0, 26.0), mitral_saddle=3.0, tricuspid_diameters=(33.0, 28.5),
                      membrane=2.0, height=34.0),
        noise_hu=30.0,
        spacing_mm=(0.7, 0.7, 0.8),
        hu=_hu(right_atrium=290.0, right_ventricle=285.0),
        right_atrium=Unmixed(230.0, 370.0, 161),
        implants=("mitral-ring", "tricuspid-band", "pacing-lead"),
    ),
    "oblique-volume": Scan(shape=replace(NORMAL, height=31.0, membrane=2.0), turn_deg=(25.0, 15.0)),
}
NAMES = (*SHAPE_NAMES, *SCANS)


def scan_of(name: str, phase_percent: float | None) -> tuple[Scan, float]:
    """How the phantom `name` is scanned, its heart's shape included, and its phase (percent of RR); raises
    ValueError with the choices where there is none."""
    if name not in NAMES:
        raise ValueError(f"There is no phantom named {name!r}; the names are {', '.join(NAMES)}.")
    if name not in SCANS:
        shape, phase = shape_of(name, phase_percent)
        return Scan(shape=shape), phase
    phase = 70.0 if phase_percent is None else float(phase_percent)
    if phase != 70.0:
        raise ValueError(f"The phantom {name!r} has no phase {phase:g} %; it has 70 %.")
    return SCANS[name], phase
