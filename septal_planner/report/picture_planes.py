"""The planes of a plan's pictures, standing as echo shows them, and the letters at their edges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.anatomy.annulus import Annulus
from septal_planner.geometry.frames import unit_vector
from septal_planner.inputs.landmarks import Landmarks

Array = NDArray[np.float64]

FIELD_MM = 90.0


@dataclass(frozen=True)
class PicturePlane:
    """A square plane: `origin_lps` (3,) its upper left corner, `right_lps` and `down_lps` unit vectors (3,)."""

    origin_lps: Array
    right_lps: Array
    down_lps: Array
    field_mm: float

    @classmethod
    def around(cls, center_lps: ArrayLike, right_lps: ArrayLike, up_lps: ArrayLike, field_mm: float) -> PicturePlane:
        """Square plane of side `field_mm` around a point; `up_lps` is made square to `right_lps`."""
        right = unit_vector(right_lps)
        up = np.asarray(up_lps, dtype=np.float64)
        up = unit_vector(up - (up @ right) * right)
        corner = np.asarray(center_lps, dtype=np.float64) - field_mm / 2 * right + field_mm / 2 * up
        return cls(corner, right, -up, field_mm)

    def points_lps(self, px_mm: float) -> Array:
        """Pixel centres (rows, columns, 3)."""
        at = (np.arange(round(self.field_mm / px_mm)) + 0.5) * px_mm
        return np.asarray(self.origin_lps + at[:, None, None] * self.down_lps + at[None, :, None] * self.right_lps)

    def project(self, points_lps: ArrayLike) -> Array:
        """Picture coordinates (..., 2) in mm of points (..., 3), seen square to the plane."""
        d = np.asarray(points_lps, dtype=np.float64) - self.origin_lps
        return np.stack([d @ self.right_lps, d @ self.down_lps], axis=-1)

    def depth(self, points_lps: ArrayLike) -> Array:
        """Signed distance (...) of points (..., 3) from the plane."""
        d = np.asarray(points_lps, dtype=np.float64) - self.origin_lps
        return np.asarray(d @ np.cross(self.right_lps, self.down_lps))


def orientation_letters(direction_lps: ArrayLike) -> str:
    """Patient directions of a vector (3,) in DICOM's letters (PS3.3 C.7.6.1.1.1): A, P, R, L, H, F, the strongest
    first, two at most; parts below 0.35 of the length are left out. A slash stands between two, since LA and RA would
    read as the atria."""
    d = unit_vector(direction_lps)
    letters = ["L" if d[0] > 0 else "R", "P" if d[1] > 0 else "A", "H" if d[2] > 0 else "F"]
    strongest = [i for i in np.argsort(-np.abs(d), kind="stable") if abs(d[i]) >= 0.35]
    return "/".join(letters[i] for i in strongest[:2])


def caval_plane(target_lps: Array, septal_normal_lps: Array, landmarks: Landmarks) -> PicturePlane:
    """Both cavae's axis and the septal normal: head side to the right and left atrium above, as echo shows it (common
    practice, no source)."""
    points = landmarks.points_lps
    cava = np.asarray(points["inferior_vena_cava"], dtype=np.float64)
    axis = unit_vector(cava[0] - cava[1])
    if "superior_vena_cava" in points:
        axis = unit_vector(np.asarray(points["superior_vena_cava"], dtype=np.float64)[0] - cava[0])
    return PicturePlane.around(target_lps, axis, septal_normal_lps, FIELD_MM)


def short_axis_plane(target_lps: Array, septal_normal_lps: Array, aorta_lps: Array) -> PicturePlane:
    """Through target and aorta, square to the septum: the patient's back above and left to the right, as echo from the
    gullet shows it (common practice, no source)."""
    across = unit_vector(np.cross(septal_normal_lps, aorta_lps - target_lps))
    up, right = _standing(across, septal_normal_lps)
    return PicturePlane.around((target_lps + aorta_lps) / 2, right, up, _field([target_lps, aorta_lps]))


def four_chamber_plane(target_lps: Array, septal_normal_lps: Array, annulus: Annulus) -> PicturePlane:
    """Through target and mitral centre along the annular normal, so that the height is seen in its true length: atria
    above, the patient's left to the right, as echo shows it (common practice, no source)."""
    normal = annulus.normal_lps
    across = np.cross(normal, annulus.center_lps - target_lps)
    if np.linalg.norm(across) < 5.0:  # target straight above the centre: any plane along the normal shows the height
        across = np.cross(normal, septal_normal_lps)
    right = unit_vector(np.cross(normal, unit_vector(across)))
    right = right if right[0] >= 0 else -right
    middle = (target_lps + annulus.center_lps) / 2
    return PicturePlane.around(middle, right, normal, _field([target_lps, annulus.center_lps]))


def _standing(across: Array, septal_normal_lps: Array) -> tuple[Array, Array]:
    """Up (toward the patient's back) and right (toward the patient's left) in the plane square to `across`."""
    back = np.array([0.0, 1.0, 0.0])
    up = back - (back @ across) * across
    up = unit_vector(up) if np.linalg.norm(up) > 0.1 else unit_vector(septal_normal_lps)
    right = np.cross(across, up)
    return up, right if right[0] >= 0 else -right


def _field(points: Sequence[Array]) -> float:
    span = float(np.linalg.norm(points[0] - points[1]))
    return float(max(FIELD_MM, 10 * np.ceil((span + 30) / 10)))
