"""A point given by the user, put on the membrane."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.anatomy.fossa import Fossa
from septal_planner.errors import AnatomyNotFound, InputRefused
from septal_planner.geometry import curves
from septal_planner.puncture.approach import LANDMARK_SD_MM, Approach, prepare_approach
from septal_planner.puncture.paths import crossing_of, posterior_path_mm
from septal_planner.puncture.place import fossa_fractions, membrane_points, zone
from septal_planner.puncture.site import COVERAGE_FACTOR, PunctureSite, evaluate_on, evaluate_site

__all__ = [
    "COVERAGE_FACTOR", "LANDMARK_SD_MM", "Approach", "PunctureSite", "crossing_of", "evaluate_on", "evaluate_site",
    "fossa_fractions", "membrane_points", "posterior_path_mm", "prepare_approach", "snap_on", "snap_user_target",
    "zone",
]

Array = NDArray[np.float64]

FARTHEST_FROM_MEMBRANE_MM = 10.0


def snap_user_target(point_lps: ArrayLike, fossa: Fossa) -> tuple[Array, float]:
    """Nearest mid-surface point (3,) inside the rim to a point (3,), and the distance moved (mm).

    Where no rim was seen, the nearest point of the surface. Raises InputRefused for a point farther than 10 mm from
    the membrane, AnatomyNotFound for a rim around nothing."""
    return _snap(point_lps, fossa, lambda: membrane_points(fossa, step_mm=0.25))


def snap_on(approach: Approach, point_lps: ArrayLike) -> tuple[Array, float]:
    """As `snap_user_target`, at little cost."""
    return _snap(point_lps, approach.fossa, lambda: approach.fine_points_lps)


def _snap(point_lps: ArrayLike, fossa: Fossa, points_inside: Callable[[], Array]) -> tuple[Array, float]:
    p = np.asarray(point_lps, dtype=np.float64)
    if p.shape != (3,) or not np.all(np.isfinite(p)):
        raise InputRefused(
            f"The target needs three finite coordinates in mm, found {point_lps!r}; give x, y and z in LPS."
        )
    has_rim = len(fossa.rim_lps) > 0
    if has_rim and len(points_inside()) == 0:
        raise AnatomyNotFound("The fossa found has no membrane to put a target on; check the fossa landmark.")
    best, moved = fossa.patch.nearest(p)
    if has_rim and not curves.inside_closed(fossa.patch.uvw(best)[:2], fossa.patch.uvw(fossa.rim_lps)[:, :2]):
        distance = np.linalg.norm(points_inside() - p, axis=1)
        best, moved = points_inside()[int(np.argmin(distance))], float(distance.min())
    if moved > FARTHEST_FROM_MEMBRANE_MM:
        raise InputRefused(
            f"The target lies {moved:.1f} mm off the septum, expected {FARTHEST_FROM_MEMBRANE_MM:g} mm or "
            "less from the membrane of the fossa; give a point on it, in LPS millimetres of this CT."
        )
    return best, moved
