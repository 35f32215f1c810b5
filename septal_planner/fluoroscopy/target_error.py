"""How far a registered point may be from where it is drawn: target registration error, by formula and by trial.

Never read off the residual of the points registered with: that is uncorrelated with the error at a target (Fitzpatrick
2009, doi 10.1117/12.813601).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.fluoroscopy.pose import CameraPose

Array = NDArray[np.float64]


def tre_of_paired_points(fiducials: ArrayLike, targets: ArrayLike, *, fle_squared: float) -> Array:
    """Root mean square error (n,) at targets (n, 3) or (3,), mm, of a rigid registration of paired points in space,
    fiducials (N, 3); `fle_squared` is the mean square of their localisation error (three times the variance per axis).

    Fitzpatrick, West and Maurer 1998 (doi 10.1109/42.736021), equation 46. Holds for independent isotropic noise in
    space, so not for pixels: there it is a yardstick, and `Registration.covariance_iso` the answer. Raises ValueError
    for fewer than three points or points in a line.
    """
    x = np.asarray(fiducials, dtype=np.float64)
    middle = x.mean(axis=0)
    if len(x) < 3 or np.linalg.matrix_rank(x - middle, tol=1e-9 * float(np.abs(x - middle).max() + 1e-300)) < 2:
        raise ValueError("three fiducials or more that are not in a line are needed")
    _, _, axes = np.linalg.svd(x - middle)  # rows are the principal axes
    f = (x - middle) @ axes.T
    d = (np.asarray(targets, dtype=np.float64) - middle) @ axes.T

    def from_axes(p: Array) -> Array:
        """Squared distance (..., 3) from each of the three axes."""
        return np.asarray((p**2).sum(axis=-1, keepdims=True) - p**2)

    ratio = (from_axes(d) / from_axes(f).mean(axis=0)).sum(axis=-1) / 3
    return np.asarray(np.sqrt(fle_squared / len(x) * (1 + ratio)))


def rms_mm(covariance: ArrayLike) -> Array:
    """Root mean square length (...) of an error of covariance (..., k, k), mm."""
    return np.asarray(np.sqrt(np.trace(np.asarray(covariance, dtype=np.float64), axis1=-2, axis2=-1)))


def lateral_and_depth_mm(covariance_iso: Array, point_iso: Array, camera: CameraPose) -> tuple[float, float]:
    """Of an error of covariance (3, 3) at a point (3,): root mean square square to the ray through the point, as the
    frame shows it, and standard deviation along the ray, which the frame does not show; mm at the point.
    """
    ray = point_iso - camera.source_iso
    ray = ray / np.linalg.norm(ray)
    depth = float(ray @ covariance_iso @ ray)
    return float(np.sqrt(max(np.trace(covariance_iso) - depth, 0.0))), float(np.sqrt(depth))


def pixel_covariance(covariance_iso: Array, point_iso: Array, camera: CameraPose) -> Array:
    """Covariance (2, 2) of column and row where a point (3,) of covariance (3, 3) is drawn."""
    along = camera.axes @ point_iso
    depth = camera.source_isocenter_mm + along[2]
    uv = camera.source_detector_mm * along[:2] / depth
    by_x = (camera.source_detector_mm * camera.axes[:2] - uv[:, None] * camera.axes[2]) / depth
    by_x = by_x / np.array([[camera.spacing_mm[1]], [-camera.spacing_mm[0]]])
    return np.asarray(by_x @ covariance_iso @ by_x.T)


def ellipse_px(center_px: ArrayLike, covariance_px: ArrayLike, *, chi_square: float = 5.991, points: int = 73) -> Array:
    """Closed line (points, 2) of column and row around the place that holds, with 5.991 (two degrees of freedom), 95 %
    of all errors.
    """
    values, vectors = np.linalg.eigh(np.asarray(covariance_px, dtype=np.float64))
    t = np.linspace(0, 2 * np.pi, points)
    along = np.sqrt(chi_square * np.maximum(values, 0))[:, None] * np.stack([np.cos(t), np.sin(t)])
    return np.asarray(np.asarray(center_px, dtype=np.float64) + (vectors @ along).T)
