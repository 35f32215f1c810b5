"""What the points of a registration leave open, in sentences."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from septal_planner.fluoroscopy.pose import CameraPose
from septal_planner.fluoroscopy.registration import Registration, principal_spreads_mm


def cautions_about(
    registration: Registration, target_lps: ArrayLike, *, say_frame: Callable[[int], str] = lambda f: f"frame {f + 1}"
) -> list[str]:
    """What the points leave open, each as one sentence: few, clustered, elongated, far from the target, flat, one
    frame, beams too close, a pair left out, residuals beyond the doubt stated, a patient who lies turned.
    """
    r, s = registration, registration.sightings
    used = np.unique(s.point_of[r.used])
    points = s.points_lps[used]
    spread = principal_spreads_mm(points)
    radius = float(np.sqrt((spread**2).sum()))
    off = float(np.linalg.norm(np.asarray(target_lps, dtype=np.float64) - points.mean(axis=0)))
    said = []
    for m in np.flatnonzero(~r.used):
        sure = "" if r.left_out_for_certain else ", though another pair might be the wrong one"
        said.append(
            f"The pair {s.names[s.point_of[m]]!r} in {say_frame(int(s.frame_of[m]))} was left out: it lies "
            f"{r.residual_mm()[m]:.1f} mm from where the others put it{sure}; look at it again."
        )
    if r.excess > 1:
        said.append(
            f"The pairs used agree less well than their stated doubt ({r.noise.frame_mm:g} mm in the frames, "
            f"{r.noise.ct_mm:g} mm in the CT) explains; all errors were enlarged by {np.sqrt(r.excess):.1f} for it."
        )
    if len(used) < 6:
        said.append(f"Only {len(used)} points were used; with fewer than 6 a wrong one is hard to find.")
    if radius < 20:
        said.append(f"The points are clustered within {radius:.0f} mm (RMS) of their middle; add some farther out.")
    if spread[1] < 0.35 * spread[0]:
        said.append(
            f"The points form an elongated set (spread {spread[0]:.0f} mm along, {spread[1]:.0f} mm across): a turn "
            "about its long axis is poorly held, and the error grows fast to its side."
        )
    if off > 2 * radius:
        said.append(
            f"The target lies {off:.0f} mm from the middle of the points, whose own radius is {radius:.0f} mm; the "
            "error there is larger than near the points."
        )
    frames = np.unique(s.frame_of[r.used])
    if len(frames) == 1:
        said.append("One frame alone: depth along its beam is poorly known; a second one at another angle settles it.")
        if spread[2] < 0.1 * spread[0]:
            said.append("The points lie nearly in one plane; seen in one frame alone, two poses may fit them.")
    elif (apart := _apart_deg([s.cameras[f] for f in frames])) < 30:
        said.append(f"The beams are only {apart:.0f} degrees apart; depth is better known from 30 degrees on.")
    if r.turned_deg > 20:
        said.append(
            f"The patient would lie turned by {r.turned_deg:.0f} degrees from where CT and C-arm headers have it; "
            "check how the patient lay in both, and the points."
        )
    return said


def _apart_deg(cameras: list[CameraPose]) -> float:
    beams = np.stack([c.axes[2] for c in cameras])
    return float(np.degrees(np.arccos(np.clip(np.abs(beams @ beams.T).min(), 0, 1))))
