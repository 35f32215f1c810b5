"""Every number of a plan with its unit, its doubt and how it was got."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from septal_planner.anatomy.annulus import Annulus, annulus_sd
from septal_planner.anatomy.chambers import Chambers
from septal_planner.anatomy.fossa import Fossa
from septal_planner.geometry.measurement import Measurement
from septal_planner.puncture.site import PunctureSite

Array = NDArray[np.float64]
Line = tuple[str, float | None, str, float | None, str]
# blood farther apart than this is taken to be streaked independently; common practice, no source
STREAK_MM = 8.0


def list_measurements(
    mitral: Annulus,
    tricuspid: Annulus | None,
    chambers: Chambers,
    fossa: Fossa,
    site: PunctureSite,
    *,
    landmark_sd_mm: float,
) -> list[Measurement]:
    """Every number with its unit, one standard uncertainty (None where not assessed) and how it was got; a value that
    was not assessed is left out."""
    lines = [*_at_target(site), *_of_fossa(fossa)]
    for name, ring in (("mitral", mitral), ("tricuspid", tricuspid)):
        if ring is not None:
            lines += _of_annulus(name, ring, landmark_sd_mm)
    lines += [*_of_chambers(chambers), *_of_reach(site)]
    return [
        Measurement(name, float(value), unit, sd, method)
        for name, value, unit, sd, method in lines
        if value is not None
    ]


def _at_target(site: PunctureSite) -> list[Line]:
    return [
        ("height above mitral annulus", site.height_mm, "mm", site.height_sd_mm,
         "signed distance of the target from the best-fit annular plane, atrial side positive"),
        ("height above leaflet coaptation", site.height_above_coaptation_mm, "mm", site.height_above_coaptation_sd_mm,
         "along the annular normal from the leaflet_coaptation landmark"),
        ("superior fraction", site.superior_fraction, "1", site.superior_fraction_sd,
         "position between the lowest (0) and highest (1) point of the rim"),
        ("anterior fraction", site.anterior_fraction, "1", site.anterior_fraction_sd,
         "position between the hindmost (0) and foremost (1) point of the rim"),
        ("wall thickness at target", site.wall_thickness_mm, "mm", site.wall_thickness_sd_mm,
         "edges of the wall fitted to the brightness profile across it"),
        ("distance to aorta", site.distance_to_aorta_mm, "mm", site.distance_to_aorta_sd_mm,
         "to the nearest point of the aortic blood pool, in space"),
        ("distance to posterior wall", site.distance_to_posterior_wall_mm, "mm", site.distance_to_posterior_wall_sd_mm,
         "free path along the crossing direction until the left atrial blood pool ends"),
        ("distance to rim", site.distance_to_rim_mm, "mm", site.distance_to_rim_sd_mm,
         "to the nearest point of the fossa's rim"),
    ]  # fmt: skip


def _of_fossa(fossa: Fossa) -> list[Line]:
    return [
        ("fossa area", fossa.area_mm2, "mm2", fossa.area_sd_mm2, "of the mid-surface within the rim of the membrane"),
        ("fossa superior-inferior", fossa.superior_inferior_mm, "mm", fossa.extent_sd_mm,
         "extent of the rim toward the head, in space"),
        ("fossa anterior-posterior", fossa.anterior_posterior_mm, "mm", fossa.extent_sd_mm,
         "extent of the rim toward the front, in space"),
        ("fossa mean thickness", fossa.thickness_mean_mm, "mm", fossa.thickness_sd_mm,
         "mean over the membrane, by area"),
        ("fossa least thickness", fossa.thickness_min_mm, "mm", fossa.thickness_min_sd_mm, "least over the membrane"),
    ]  # fmt: skip


def _of_annulus(name: str, ring: Annulus, landmark_sd_mm: float) -> list[Line]:
    sd = annulus_sd(ring, point_sd_mm=landmark_sd_mm)
    lines: list[Line] = [
        (f"{name} annulus area", ring.area_mm2, "mm2", sd["area_mm2"],
         "of the hinge line projected on its best-fit plane"),
        (f"{name} annulus perimeter", ring.perimeter_mm, "mm", sd["perimeter_mm"],
         "of the hinge line in space, by a periodic cubic spline"),
        (f"{name} septal-lateral diameter", ring.septal_lateral_mm, "mm", sd["septal_lateral_mm"],
         "least caliper width of the projected hinge line"),
        (f"{name} intercommissural diameter", ring.intercommissural_mm, "mm", sd["intercommissural_mm"],
         "caliper width across the least one"),
        (f"{name} saddle height", ring.saddle_height_mm, "mm", sd["saddle_height_mm"],
         "range of the hinge line's distance from its plane"),
    ]  # fmt: skip
    if name == "mitral":
        lines += [
            (f"{name} D-shape area", ring.d_shape_area_mm2, "mm2", sd["d_shape_area_mm2"],
             "estimate: cut by a chord of intercommissural width / 1.44 on the septal side (doi 10.1093/ejcts/ezz096)"),
            (f"{name} D-shape perimeter", ring.d_shape_perimeter_mm, "mm", sd["d_shape_perimeter_mm"],
             "of the same D, in its plane"),
        ]  # fmt: skip
    return lines


def _of_chambers(chambers: Chambers) -> list[Line]:
    lines: list[Line] = []
    for name, mean in chambers.mean_hu.items():
        spoken = name.replace("_", " ")
        volume_ml = chambers.volume_ml.get(name)
        how = (
            "blood between the gates of its valves and the mouths of its vessels"
            if name in ("left_atrium", "right_atrium")
            else "blood within the part of it that is labelled, which need not be the whole"
        )
        lines.append((f"{spoken} volume", volume_ml, "mL", chambers.volume_sd_ml.get(name), how))
        spread = chambers.sd_hu[name]
        parts = None if volume_ml is None else max(1.0, 1000.0 * volume_ml / STREAK_MM**3)
        lines.append((
            f"{spoken} brightness", mean, "HU", None if parts is None else spread / float(np.sqrt(parts)),
            f"mean over its blood, whose spread is {spread:.0f} HU",
        ))
    return lines


def _of_reach(site: PunctureSite) -> list[Line]:
    reach = site.reach
    return [
        ("entry angle", reach.entry_angle_deg, "deg", reach.entry_angle_sd_deg,
         "between crossing direction and septal normal"),
        ("turn angle", reach.turn_angle_deg, "deg", reach.turn_angle_sd_deg,
         "between crossing direction and the axis into the mitral valve"),
        ("bend radius", reach.bend_radius_mm, "mm", reach.bend_radius_sd_mm,
         "of the one arc from the target to its goal"),
        ("axis tilt", reach.axis_tilt_deg, "deg", reach.axis_tilt_sd_deg,
         "between the arc's end and the axis of the target"),
        ("clearance of the arc", reach.clearance_mm, "mm", reach.clearance_sd_mm,
         "least distance of the arc from the left atrial wall"),
    ]  # fmt: skip
