"""Can this be a human heart? Ranges from the literature, and what is said when a value falls outside them.

Two limits each. Beyond the hard one something was marked or found wrongly, and planning on it could hurt: the call
ends. Beyond the usual one (a published range, or mean and two standard deviations) the value is kept and a caution
says so. The hard limits are ours, set well outside every series named; they are no statement about disease.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from septal_planner.anatomy.annulus import Annulus, height_mm
from septal_planner.anatomy.chambers import LABELS, Chambers
from septal_planner.anatomy.fossa import Fossa
from septal_planner.errors import AnatomyNotFound
from septal_planner.fluoroscopy.carm import angles_from_vector
from septal_planner.geometry.frames import apply_affine
from septal_planner.inputs.landmarks import Landmarks


@dataclass(frozen=True)
class Plausible:
    """What a value may be: `hard` ends the call outside, `usual` gives a caution; `mark` is what to check then."""

    name: str
    unit: str
    hard: tuple[float, float]
    usual: tuple[float, float]
    source: str
    mark: str


RANGES = {
    "mitral_area": Plausible(
        "mitral annulus projected area",
        "cm2",
        (3.0, 25.0),
        (5.0, 16.0),
        "5 to 16 cm2 in 47 CTs: Abdelghani et al. 2017, doi 10.1093/ehjci/jew132",
        "the mitral_annulus points",
    ),
    "intercommissural": Plausible(
        "mitral intercommissural diameter",
        "mm",
        (18.0, 70.0),
        (23.0, 52.0),
        "33.6 mm, SD 5.1, to 41.5 mm, SD 5.2, on CT: Theriault-Lauzier et al. 2016, doi 10.4244/EIJY15M11_10, means "
        "with two SD",
        "the mitral_annulus points",
    ),
    "septal_lateral": Plausible(
        "mitral septal-lateral diameter",
        "mm",
        (12.0, 60.0),
        (13.0, 51.0),
        "28.8 mm, SD 8.0, to 38.7 mm, SD 5.9, on CT: Theriault-Lauzier et al. 2016, doi 10.4244/EIJY15M11_10, means "
        "with two SD",
        "the mitral_annulus points",
    ),
    "saddle_height": Plausible(
        "mitral saddle height",
        "mm",
        (0.0, 25.0),
        (3.0, 11.0),
        "3 to 11 mm in 47 CTs: Abdelghani et al. 2017, doi 10.1093/ehjci/jew132",
        "the mitral_annulus points",
    ),
    "left_atrium_volume": Plausible(
        "left atrial volume",
        "mL",
        (15.0, 600.0),
        (40.0, 300.0),
        "common practice, no source",
        "the left_atrium and mitral_annulus points",
    ),
    "right_atrium_volume": Plausible(
        "right atrial volume",
        "mL",
        (15.0, 600.0),
        (30.0, 300.0),
        "common practice, no source",
        "the right_atrium and inferior_vena_cava points",
    ),
    "left_atrium_hu": Plausible(
        "left atrial brightness",
        "HU",
        (90.0, 3000.0),
        (200.0, 900.0),
        "300 to 500 HU in the arterial phase, from memory, common practice",
        "the choice of series or phase",
    ),
    "fossa_area": Plausible(
        "fossa membrane area",
        "mm2",
        (12.0, 1000.0),
        (26.0, 405.0),
        "extents of 12.8 mm, SD 3.5, in 371 CTs (doi 10.1186/s43044-020-00109-6) and 17.2 x 12.7 mm, SD 4.1 and 3.8, "
        "in 97 autopsy hearts (doi 10.1002/ccd.31304), means with two SD as ellipses",
        "the fossa point",
    ),
    "fossa_thickness": Plausible(
        "fossa membrane mean thickness",
        "mm",
        (0.1, 8.0),
        (0.16, 3.2),
        "1.04 mm, SD 0.44, in 371 CTs (doi 10.1186/s43044-020-00109-6) and 1.8 mm, SD 0.7, in 119 echo studies "
        "(doi 10.1016/s0002-8703(05)80191-7)",
        "the fossa point",
    ),
    "septal_azimuth": Plausible(
        "septal en-face azimuth",
        "deg RAO",
        (-45.0, 90.0),
        (1.3, 60.5),
        "axial-plane septal angle 29.5 to 88.7 degrees in 100 CTs: Fender et al., J Invasive Cardiol 2014",
        "the left_atrium, right_atrium and fossa points",
    ),
    "fossa_height": Plausible(
        "height of the fossa's center above the mitral annular plane",
        "mm",
        (0.0, 80.0),
        (12.0, 60.0),
        "no verified series found; common practice, no source",
        "the fossa and mitral_annulus points",
    ),
    "fossa_offset": Plausible(
        "distance of the fossa's center from the center of the mitral annulus",
        "mm",
        (12.0, 110.0),
        (22.0, 70.0),
        "no verified series found; common practice, no source",
        "the fossa and mitral_annulus points",
    ),
}


def measured(chambers: Chambers, mitral: Annulus, fossa: Fossa) -> dict[str, float]:
    """The value for each of RANGES, in its unit; what was not assessed is left out."""
    primary, _ = angles_from_vector(-fossa.normal_lps)
    values = {
        "mitral_area": mitral.area_mm2 / 100,
        "intercommissural": mitral.intercommissural_mm,
        "septal_lateral": mitral.septal_lateral_mm,
        "saddle_height": mitral.saddle_height_mm,
        "left_atrium_volume": chambers.volume_ml.get("left_atrium"),
        "right_atrium_volume": chambers.volume_ml.get("right_atrium"),
        "left_atrium_hu": chambers.mean_hu["left_atrium"],
        "fossa_area": fossa.area_mm2,
        "fossa_thickness": fossa.thickness_mean_mm,
        "septal_azimuth": -primary,
        "fossa_height": float(height_mm(mitral, fossa.center_lps)),
        "fossa_offset": float(np.linalg.norm(fossa.center_lps - mitral.center_lps)),
    }
    return {name: float(value) for name, value in values.items() if value is not None}


def check_plausible(values: dict[str, float]) -> list[str]:
    """Cautions for what is unusual, one sentence each. Raises AnatomyNotFound for what cannot be."""
    cautions = []
    for key, value in values.items():
        r = RANGES[key]
        said = f"{value:.3g} {r.unit}"
        if not r.hard[0] <= value <= r.hard[1]:
            raise AnatomyNotFound(
                f"The {r.name} comes out at {said}, which no heart has (expected {r.usual[0]:g} to {r.usual[1]:g}: "
                f"{r.source}); check {r.mark}."
            )
        if not r.usual[0] <= value <= r.usual[1]:
            cautions.append(
                f"The {r.name} is {said}, outside the usual {r.usual[0]:g} to {r.usual[1]:g} ({r.source}): check "
                f"{r.mark}."
            )
    return cautions


def check_annulus(mitral: Annulus) -> None:
    """The hard limits of the annulus alone, before the slower steps. Raises AnatomyNotFound."""
    check_plausible({"mitral_area": mitral.area_mm2 / 100, "intercommissural": mitral.intercommissural_mm})


def check_aorta(chambers: Chambers, landmarks: Landmarks) -> None:
    """Whether what was taken for the aorta holds the point of another chamber or vein, so that the distance to the
    aorta would be to something else. Raises AnatomyNotFound."""
    index_from_lps = np.linalg.inv(chambers.lps_from_index)
    for name in ("left_ventricle", "right_ventricle", "superior_vena_cava"):
        if name not in landmarks.points_lps:
            continue
        i, j, k = np.rint(apply_affine(index_from_lps, landmarks.points_lps[name][0])).astype(int)
        inside = all(0 <= n < size for n, size in zip((k, j, i), chambers.labels.shape, strict=True))
        if inside and chambers.labels[k, j, i] == LABELS["aorta"]:
            raise AnatomyNotFound(
                f"The aorta point and the {name} point lie in one pool of blood, expected two, so the distance to the "
                "aorta is not known; check these two points, or leave out the one that cannot be told."
            )
