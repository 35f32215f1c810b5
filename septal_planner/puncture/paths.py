"""Which way the sheath crosses, and how far the way ahead is free."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.anatomy.fossa import Fossa
from septal_planner.errors import AnatomyNotFound
from septal_planner.geometry.frames import unit_vector
from septal_planner.geometry.shapes import DistanceField
from septal_planner.puncture import catheter

Array = NDArray[np.float64]

GRAZED_MM = 0.3  # blood no deeper than this, before more of it, is the blurred edge of the wall the way begins in


def crossing_of(landmarks_lps: Mapping[str, ArrayLike], fossa: Fossa, *, sheath_angle_deg: float) -> Array:
    """Crossing direction (3,) from the landmark `inferior_vena_cava` (near the atrial junction, then lower)
    and the mean septal normal. Raises AnatomyNotFound without two different points there.
    """
    marked = landmarks_lps.get("inferior_vena_cava", np.empty((0, 3)))
    cava = np.asarray(marked, dtype=np.float64).reshape(-1, 3)
    if len(cava) < 2 or np.linalg.norm(cava[0] - cava[1]) < 5.0:
        raise AnatomyNotFound(
            f"The landmark inferior_vena_cava needs two points 5 mm or more apart on the axis of the vessel, "
            f"found {len(cava)}; mark one near the atrial junction, then one lower."
        )
    return catheter.crossing_direction(cava[0] - cava[1], fossa.normal_lps, sheath_angle_deg=sheath_angle_deg)


def posterior_path_mm(
    points_lps: ArrayLike,
    direction_lps: ArrayLike,
    left_atrium: DistanceField,
    *,
    enter_within_mm: float = 15.0,
    step_mm: float = 0.25,
    longest_mm: float = 150.0,
) -> tuple[Array, Array]:
    """Free path (n,) from points (n, 3) along one direction (3,) until the left atrial blood pool ends, and
    the cosine (n,) of its incidence there; both nan where the ray does not enter the pool within
    `enter_within_mm`.

    The ray is marched and the last step solved linearly, so the path counts from the point, wall included. Blood that
    is only grazed within the wall, no deeper than 0.3 mm, is passed over where the ray then enters the pool proper.
    """
    p = np.asarray(points_lps, dtype=np.float64).reshape(-1, 3)
    d = unit_vector(direction_lps)
    t = np.arange(0.0, longest_mm + step_mm, step_mm)
    path, cosine = np.full(len(p), np.nan), np.full(len(p), np.nan)
    for lo in range(0, len(p), 256):
        f = left_atrium.at(p[lo : lo + 256, None, :] + t[None, :, None] * d)
        inside, deep = f < 0, f < -GRAZED_MM
        rows, at = np.arange(len(f)), np.arange(len(t))
        proper = np.argmax(deep, axis=1)
        # where the stretch of blood that gets deep begins: after the last place outside before it
        begins = np.where(~inside & (at < proper[:, None]), at + 1, 0).max(axis=1)
        proper_in_time = deep.any(axis=1) & (t[begins] <= enter_within_mm)
        enters = np.where(proper_in_time, begins, np.argmax(inside, axis=1))
        out = ~inside & (at > enters[:, None])
        k = np.argmax(out, axis=1)
        seen = inside[rows, enters] & (t[enters] <= enter_within_mm) & out[rows, k]
        k = np.where(seen, k, 1)
        slope = (f[rows, k] - f[rows, k - 1]) / step_mm
        with np.errstate(divide="ignore", invalid="ignore"):
            along = t[k - 1] - f[rows, k - 1] / slope
        path[lo : lo + 256] = np.where(seen, along, np.nan)
        cosine[lo : lo + 256] = np.where(seen, np.minimum(slope, 1.0), np.nan)
    return path, cosine
