"""The X-ray camera of one frame: where its source stands, how its detector lies, and where a point falls in its pixels.

Frames: `iso` is the isocentre's, origin at the isocentre, axes those of the patient at the table (LPS as DICOM
PS3.3 C.8.7.5 means them in its positioner angles), mm. `pixel` is (column, row), 0 at the centre of the first pixel,
columns to the right, rows down. A table that moved, or an isocentre unlike the plan's frame of reference, is a shift
between the two and no property of the camera.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.fluoroscopy.carm import image_axes, label, project, vectors_from_angles

Array = NDArray[np.float64]


@dataclass(frozen=True)
class CameraPose:
    """The ideal cone beam of one frame. Raises ValueError for distances, spacings or sizes that no camera has."""

    primary_deg: float  # (0018,1510), LAO positive
    secondary_deg: float  # (0018,1511), cranial positive
    source_detector_mm: float  # (0018,1110)
    source_isocenter_mm: float  # (0018,1111)
    spacing_mm: tuple[float, float]  # (0018,1164) at the detector: between rows, between columns
    size_px: tuple[int, int]  # columns, rows
    center_px: tuple[float, float] | None = None  # (column, row) of the central ray; None: middle of the picture

    def __post_init__(self) -> None:
        if not 0 < self.source_isocenter_mm < self.source_detector_mm:
            raise ValueError(
                "the isocentre lies between source and detector, found it at "
                f"{self.source_isocenter_mm:g} of {self.source_detector_mm:g} mm"
            )
        if min(self.spacing_mm) <= 0 or min(self.size_px) < 1:
            raise ValueError(f"pixel spacing and size are above nought, found {self.spacing_mm} and {self.size_px}")
        if not (-180 <= self.primary_deg <= 180 and -90 <= self.secondary_deg <= 90):
            raise ValueError(f"angles of a C-arm, found {self.primary_deg:g} and {self.secondary_deg:g} degrees")

    @property
    def magnification(self) -> float:
        """Of what lies at the isocentre, on the detector."""
        return self.source_detector_mm / self.source_isocenter_mm

    @property
    def label(self) -> str:
        return label(self.primary_deg, self.secondary_deg)

    @property
    def axes(self) -> Array:
        """Rows (3, 3): right in the picture, up in the picture, from source to detector; unit vectors."""
        u, v = image_axes(self.primary_deg, self.secondary_deg)
        return np.stack([u, v, vectors_from_angles(self.primary_deg, self.secondary_deg)])

    @property
    def source_iso(self) -> Array:
        return np.asarray(-self.source_isocenter_mm * self.axes[2])

    @property
    def central_px(self) -> Array:
        """(column, row) that the central ray meets."""
        if self.center_px is not None:
            return np.asarray(self.center_px, dtype=np.float64)
        return (np.asarray(self.size_px, dtype=np.float64) - 1) / 2

    def detector_mm(self, points_iso: ArrayLike) -> Array:
        """Where points (..., 3) fall on the detector (..., 2): mm to the right and up from the central ray. Raises
        ValueError for a point that is not in front of the source.
        """
        uv, _depth = project(
            points_iso, isocenter_lps=(0.0, 0.0, 0.0), primary_deg=self.primary_deg, secondary_deg=self.secondary_deg,
            source_detector_mm=self.source_detector_mm, source_isocenter_mm=self.source_isocenter_mm,
        )  # fmt: skip
        return uv

    def pixel(self, points_iso: ArrayLike) -> Array:
        """Where points (..., 3) fall in the picture (..., 2): column, row. Raises as `detector_mm`."""
        return self.pixel_from_detector(self.detector_mm(points_iso))

    def pixel_from_detector(self, uv_mm: ArrayLike) -> Array:
        """Column and row (..., 2) of detector positions (..., 2)."""
        uv = np.asarray(uv_mm, dtype=np.float64)
        return np.asarray(self.central_px + uv / np.array([self.spacing_mm[1], -self.spacing_mm[0]]))

    def detector_from_pixel(self, pixel: ArrayLike) -> Array:
        """Detector positions (..., 2), mm right and up, of columns and rows (..., 2)."""
        scale = np.array([self.spacing_mm[1], -self.spacing_mm[0]])
        return np.asarray((np.asarray(pixel, dtype=np.float64) - self.central_px) * scale)

    def rays_iso(self, pixel: ArrayLike) -> Array:
        """Unit directions (..., 3) from the source toward columns and rows (..., 2)."""
        uv = self.detector_from_pixel(pixel)
        along = np.concatenate([uv, np.full((*uv.shape[:-1], 1), self.source_detector_mm)], axis=-1) @ self.axes
        return np.asarray(along / np.linalg.norm(along, axis=-1, keepdims=True))

    def holds(self, pixel: ArrayLike) -> NDArray[np.bool_]:
        """Whether columns and rows (..., 2) lie on the picture, its outermost pixels included."""
        p = np.asarray(pixel, dtype=np.float64)
        return np.asarray(((p >= -0.5) & (p <= np.asarray(self.size_px) - 0.5)).all(axis=-1))


def angle_between_deg(one: CameraPose, other: CameraPose) -> float:
    """Between the beams of two frames, 0 to 90: opposite beams see the same."""
    cosine = abs(float(one.axes[2] @ other.axes[2]))
    return float(np.degrees(np.arccos(min(1.0, cosine))))
