"""Cone-beam geometry of one fluoroscopy frame: where source, detector and every pixel lie in the patient.

Distances and pitch as DICOM has them: source to detector (0018,1110), source to isocentre (0018,1111), imager pixel
spacing (0018,1164) measured on the detector. Pixels are (column, row), whole numbers at pixel centres, row 0 at the
top; columns run along `image_axes` u, rows against v (head up), as a frame is shown to the operator.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.fluoroscopy.carm import image_axes, vectors_from_angles
from septal_planner.fluoroscopy.pose import CameraPose

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Projection:
    """One frame's geometry. `pixel_mm`: distance between rows, between columns, on the detector (the order of
    (0018,1164)). `size_px`: columns, rows. `center_px`: column, row where the central ray meets the detector; None:
    its middle.

    Raises ValueError for angles beyond 180 and 90 degrees, distances or pitches not above zero, an isocentre that is
    not between source and detector.
    """

    primary_deg: float  # LAO positive
    secondary_deg: float  # cranial positive
    isocenter_lps: tuple[float, float, float]
    source_detector_mm: float
    source_isocenter_mm: float
    pixel_mm: tuple[float, float]
    size_px: tuple[int, int]
    center_px: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        numbers = (self.primary_deg, self.secondary_deg, *self.isocenter_lps, self.source_detector_mm,
                   self.source_isocenter_mm, *self.pixel_mm, *(self.center_px or ()))  # fmt: skip
        if not np.isfinite(numbers).all():
            raise ValueError("the geometry of a frame holds a number that is not finite")
        if not (abs(self.primary_deg) <= 180 and abs(self.secondary_deg) <= 90):
            raise ValueError(
                f"C-arm angles lie within 180 and 90 degrees either way, found {self.primary_deg:g} and "
                f"{self.secondary_deg:g}"
            )
        if not 0 < self.source_isocenter_mm < self.source_detector_mm:
            raise ValueError(
                f"the isocentre lies between source and detector, found {self.source_isocenter_mm:g} mm from the "
                f"source and the detector at {self.source_detector_mm:g} mm"
            )
        if min(self.pixel_mm) <= 0 or min(self.size_px) < 1:
            raise ValueError(f"a detector has pixels, found {self.size_px} of {self.pixel_mm} mm")

    @property
    def camera(self) -> CameraPose:
        """The same cone beam about the isocentre, wherever that lies."""
        return CameraPose(
            self.primary_deg, self.secondary_deg, self.source_detector_mm, self.source_isocenter_mm, self.pixel_mm,
            self.size_px, self.center_px,
        )  # fmt: skip

    @property
    def beam_lps(self) -> Array:
        """Unit vector (3,) from isocentre to detector."""
        return vectors_from_angles(self.primary_deg, self.secondary_deg)

    @property
    def source_lps(self) -> Array:
        """Focal spot (3,)."""
        return np.asarray(np.asarray(self.isocenter_lps) - self.source_isocenter_mm * self.beam_lps)

    @property
    def detector_center_lps(self) -> Array:
        """Where the central ray meets the detector (3,)."""
        return np.asarray(self.source_lps + self.source_detector_mm * self.beam_lps)

    @property
    def central_px(self) -> tuple[float, float]:
        """Column and row where the central ray meets the detector."""
        if self.center_px is not None:
            return self.center_px
        return (self.size_px[0] - 1) / 2, (self.size_px[1] - 1) / 2

    @property
    def magnification(self) -> float:
        """Of what lies at the isocentre: (0018,1114)."""
        return self.source_detector_mm / self.source_isocenter_mm

    @property
    def isocenter_pixel_mm(self) -> tuple[float, float]:
        """Distance between rows, between columns, in the plane through the isocentre."""
        rows, columns = self.pixel_mm
        return rows / self.magnification, columns / self.magnification


def detector_steps_lps(frame: Projection) -> tuple[Array, Array, Array]:
    """Middle of the pixel (0, 0), and the steps (3,) from one column and one row to the next, LPS mm: pixel (c, r)
    lies at `first + c * column + r * row`.
    """
    u, v = image_axes(frame.primary_deg, frame.secondary_deg)
    column, row = u * frame.pixel_mm[1], -v * frame.pixel_mm[0]
    c, r = frame.central_px
    return np.asarray(frame.detector_center_lps - c * column - r * row), column, row


def pixels_from_points(frame: Projection, points_lps: ArrayLike) -> Array:
    """Pixels (..., 2) as (column, row), fractional, of points (..., 3); outside the frame too. Raises ValueError for a
    point that is not in front of the source.
    """
    return frame.camera.pixel(np.asarray(points_lps, dtype=np.float64) - np.asarray(frame.isocenter_lps))


def rays_from_pixels(frame: Projection, pixels: ArrayLike) -> tuple[Array, Array]:
    """The source (3,) and the unit directions (..., 3) of the rays to pixels (..., 2) as (column, row)."""
    return frame.source_lps, frame.camera.rays_iso(pixels)
