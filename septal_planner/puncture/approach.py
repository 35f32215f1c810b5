"""What all punctures of one heart by one procedure share: the way there, the way ahead, the membrane to choose from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.anatomy.annulus import Annulus, height_mm, plane_covariance
from septal_planner.anatomy.chambers import Chambers
from septal_planner.anatomy.fossa import Fossa
from septal_planner.errors import AnatomyNotFound
from septal_planner.geometry import curves
from septal_planner.geometry.frames import spacing_mm
from septal_planner.geometry.propagation import block_diagonal
from septal_planner.puncture import catheter
from septal_planner.puncture.body_clearance import BodyRoom, body_room
from septal_planner.puncture.clearance import AtrialWall
from septal_planner.puncture.device_point import DevicePoint, device_point_of
from septal_planner.puncture.paths import crossing_of
from septal_planner.puncture.place import membrane_points
from septal_planner.puncture.procedures import Procedure

Array = NDArray[np.float64]

# one standard deviation, along each axis, of a point placed by a careful reader; common practice, no source
LANDMARK_SD_MM = 1.0
# ours, set on seeded trials of quick phantoms and random hearts, as the other factors of doubt: of one rim point's
# doubt, left in the nearest place of a smooth outline through many, and in its outermost place toward one side
OUTLINE_SHARE, END_SHARE = 0.75, 0.8
FREE_PATH_SHARE = 0.55  # of the outline's doubt, left where a way across the atrium ends; set on seeded trials


@dataclass(frozen=True, eq=False)
class Approach:
    """Built once by `prepare_approach`, so that another point on the same membrane costs little. LPS, mm.

    `covariance` (18, 18) is of caval axis, septal normal, annular normal, target, device point and its axis, in that
    order; `plane_covariance` (6, 6) of the annulus' center and normal. `goal` is None where the procedure has no single
    target or its landmark is missing; `wall` may be too then, and where the left atrium was not found.
    """

    fossa: Fossa
    annulus: Annulus
    chambers: Chambers
    landmarks_lps: Mapping[str, ArrayLike]
    procedure: Procedure
    sheath_angle_deg: float
    landmark_sd_mm: float
    cava_axis_lps: NDArray[np.float64]            # (3,) from lower to nearer point, as long as they are apart
    crossing_lps: NDArray[np.float64]             # (3,) unit
    goal: DevicePoint | None
    plane_covariance: NDArray[np.float64]
    covariance: NDArray[np.float64]
    wall: AtrialWall | None
    candidates_lps: NDArray[np.float64]           # (n, 3) mid-surface points inside the rim, 0.5 mm apart in its plane

    @property
    def structure_lps(self) -> Array | None:
        """The device point (3,), to which the catheter has to get."""
        return None if self.goal is None else self.goal.point_lps

    @property
    def axis_lps(self) -> Array | None:
        """Unit direction (3,) along which the tip should end there; None where there is no target or its axis is not
        assessed (`goal.no_axis` says why)."""
        return None if self.goal is None else self.goal.axis_lps

    def for_procedure(self, procedure: Procedure) -> Approach:
        """The same for another procedure."""
        goal = device_point_of(procedure, self.annulus, self.landmarks_lps, landmark_sd_mm=self.landmark_sd_mm)
        wall = self.wall
        if wall is not None:
            wall = wall if goal is None else wall.opened_at(goal.point_lps, goal.opening_mm)
        elif goal is not None:
            wall = _wall(self.annulus, self.chambers, goal)
        covariance = _covariance(self.fossa, goal, self.plane_covariance, landmark_sd_mm=self.landmark_sd_mm)
        return replace(self, procedure=procedure, goal=goal, wall=wall, covariance=covariance)

    def height_sd_mm(self, points_lps: ArrayLike) -> Array:
        """One standard deviation (...,) of the height of fixed points (..., 3), from the doubt of the annular plane
        (see anatomy.annulus.height_sd_mm)."""
        p = np.asarray(points_lps, dtype=np.float64) - self.annulus.center_lps
        g = np.concatenate([np.broadcast_to(-self.annulus.normal_lps, p.shape), p], axis=-1)
        return np.asarray(np.sqrt(np.einsum("...i,ij,...j->...", g, self.plane_covariance, g)))

    @cached_property
    def body_room(self) -> BodyRoom | None:
        """Room for a catheter's body in the left atrium; None where that was not found."""
        left = self.chambers.distance.get("left_atrium")
        if left is None:
            return None
        room = body_room(
            left, self.annulus, aorta=self.chambers.distance.get("aorta"),
            appendage_lps=self.landmarks_lps.get("left_atrial_appendage"),
        )
        if self.goal is not None and self.goal.opening_mm > 0:
            room = replace(room, opening_lps=self.goal.point_lps, opening_mm=self.goal.opening_mm)
        return room

    @cached_property
    def fine_points_lps(self) -> Array:
        """Mid-surface points (n, 3) inside the rim, 0.25 mm apart in its plane."""
        return membrane_points(self.fossa, step_mm=0.25)

    @cached_property
    def membrane_height_range_mm(self) -> tuple[float, float] | None:
        """Lowest and highest point of the membrane and its rim; None without a rim."""
        if not len(self.fossa.rim_lps):
            return None
        heights = height_mm(self.annulus, self.candidates_lps)
        at_rim = height_mm(self.annulus, self.fossa.rim_lps)
        return float(min(heights.min(), at_rim.min())), float(max(heights.max(), at_rim.max()))

    @cached_property
    def height_band_available(self) -> bool | None:
        """Whether the height band is met on the membrane far enough from the rim; None without a height norm or a
        rim."""
        band = self.procedure.height_band_mm
        if band is None or not len(self.fossa.rim_lps):
            return None
        heights = height_mm(self.annulus, self.candidates_lps)
        rim = curves.distance_to_closed(self.candidates_lps, self.fossa.rim_lps)
        far_enough = rim >= min(self.procedure.distance_to_rim.low or 0.0, float(rim.max()))
        return bool(np.any((heights >= band[0]) & (heights <= band[1]) & far_enough))


def prepare_approach(
    fossa: Fossa,
    annulus: Annulus,
    chambers: Chambers,
    landmarks_lps: Mapping[str, ArrayLike],
    procedure: Procedure,
    *,
    sheath_angle_deg: float = catheter.SHEATH_ANGLE_DEG,
    landmark_sd_mm: float = LANDMARK_SD_MM,
) -> Approach:
    """What every puncture of this membrane shares. `landmark_sd_mm`: doubt of each landmark coordinate, one standard
    deviation. Raises AnatomyNotFound for a rim around nothing, or where the crossing direction cannot be had."""
    candidates = membrane_points(fossa)
    if len(fossa.rim_lps) and len(candidates) == 0:
        raise AnatomyNotFound("The fossa found has no membrane to put a target on; check the fossa landmark.")
    crossing = crossing_of(landmarks_lps, fossa, sheath_angle_deg=sheath_angle_deg)
    cava = np.asarray(landmarks_lps["inferior_vena_cava"], dtype=np.float64).reshape(-1, 3)
    ring = plane_covariance(annulus, point_sd_mm=landmark_sd_mm)
    goal = device_point_of(procedure, annulus, landmarks_lps, landmark_sd_mm=landmark_sd_mm)
    return Approach(
        fossa=fossa, annulus=annulus, chambers=chambers, landmarks_lps=landmarks_lps, procedure=procedure,
        sheath_angle_deg=sheath_angle_deg, landmark_sd_mm=landmark_sd_mm, cava_axis_lps=cava[0] - cava[1],
        crossing_lps=crossing, goal=goal, plane_covariance=ring,
        covariance=_covariance(fossa, goal, ring, landmark_sd_mm=landmark_sd_mm),
        wall=None if goal is None else _wall(annulus, chambers, goal), candidates_lps=candidates,
    )


def outline_sd_mm(chambers: Chambers, name: str) -> float:
    """Doubt of where this chamber's blood ends; a uniform error of one voxel where it was not assessed."""
    known = chambers.outline_sd_mm.get(name)
    if known is not None:
        return float(known)
    return float(spacing_mm(chambers.distance[name].lps_from_index).max() / np.sqrt(12))


def _wall(annulus: Annulus, chambers: Chambers, goal: DevicePoint) -> AtrialWall | None:
    left = chambers.distance.get("left_atrium")
    if left is None:
        return None
    return AtrialWall.of(annulus, left, chambers.beyond_ct).opened_at(goal.point_lps, goal.opening_mm)


def _covariance(fossa: Fossa, goal: DevicePoint | None, ring: Array, *, landmark_sd_mm: float) -> Array:
    n = fossa.normal_lps
    normal_sd = np.radians(fossa.normal_sd_deg or 0.0)
    covariance = block_diagonal([
        2 * landmark_sd_mm**2 * np.eye(3), normal_sd**2 * (np.eye(3) - np.outer(n, n)), ring[3:, 3:],
        fossa.surface_sd_mm**2 * np.outer(n, n), np.zeros((6, 6)),
    ])
    if goal is not None:
        covariance[12:, 12:] = goal.by_plane @ ring @ goal.by_plane.T + goal.own_covariance
        covariance[12:, 6:9] = goal.by_plane @ ring[:, 3:]
        covariance[6:9, 12:] = covariance[12:, 6:9].T
    return covariance
