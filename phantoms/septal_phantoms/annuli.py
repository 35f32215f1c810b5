"""Atrioventricular annuli: a saddle- and D-shaped closed curve, and the surface that spans it.

In the annular frame (x toward one commissure, y toward the septal hinge, z toward the atrium)
    x = a cos t,   y = b sin t - c sin^2 t + c/2,   z = -(h/2) cos 2t
so that 2a and 2b are the two diameters, c flattens the septal side (a D) and h is the saddle height. With X
= x/a and S(y) = sin t recovered from y, the surface z = -(h/2)(X^2 - S^2) passes through the curve and spans
it; it is where the atrial blood pool ends by definition."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from septal_phantoms.bodies import Array, Vector, along, unit


@dataclass(frozen=True)
class Saddle:
    """Closed form of one annulus. `axes` rows: x, y, z of the annular frame in LPS; lengths mm."""

    origin: Vector
    axes: Array
    a: float
    b: float
    c: float
    h: float

    def curve_lps(self, t: Array) -> Array:
        """(n, 3) points at the parameters `t` (radians)."""
        s = np.sin(t)
        local = np.stack(
            [self.a * np.cos(t), self.b * s - self.c * s * s + self.c / 2, -self.h / 2 * np.cos(2 * t)], -1
        )
        return np.asarray(self.origin + local @ self.axes)

    def local(self, x: Array, y: Array, z: Array) -> tuple[Array, Array]:
        """(height above the spanning surface, signed radial distance outside the hinge line), mm."""
        u = along(x, y, z, self.origin, self.axes[0])
        v = along(x, y, z, self.origin, self.axes[1])
        w = along(x, y, z, self.origin, self.axes[2])
        big = u / self.a
        if self.c > 0:
            # The parabola is left along its tangent at s = 1.5, well outside the hinge line, so that s goes
            # on growing.
            edge = 1.5
            at_edge, rate = self.b * edge - self.c * (edge * edge - 0.5), self.b - 2 * self.c * edge
            inside = np.maximum(self.b**2 - 4 * self.c * (np.minimum(v, at_edge) - self.c / 2), 0.0)
            s = (self.b - np.sqrt(inside)) / (2 * self.c) + np.maximum(v - at_edge, 0.0) / rate
        else:
            s = v / self.b
        square = big * big + s * s
        rho = np.sqrt(square) + 1e-4
        # First-order distance: (rho - 1) over the gradient of rho.
        slope = (
            np.sqrt((big / self.a) ** 2 + (s / np.maximum(self.b - 2 * self.c * s, self.b - 3 * self.c)) ** 2)
            / rho
            + 1e-3
        )
        # Beyond the hinge line the surface carries on level instead of rising without end.
        level = -self.h / 2 * (big * big - s * s) / np.maximum(square, 1.0)
        return w - level, (rho - 1.0) / slope


def make_saddle(
    origin: Vector,
    normal: Vector,
    septal: Vector,
    *,
    intercommissural: float,
    septal_lateral: float,
    flatten: float,
    height: float,
) -> Saddle:
    """Annulus about `origin`, `normal` toward the atrium, `septal` roughly toward the septal (aortic)
    hinge."""
    n = unit(normal)
    y = unit(septal - np.dot(septal, n) * n)
    x = np.cross(y, n)
    b = septal_lateral / 2
    return Saddle(origin, np.stack([x, y, n]), intercommissural / 2, b, flatten * b, height)


@dataclass(frozen=True)
class AnnulusTruth:
    """True measures of one annulus (LPS, mm), by quadrature of the closed form."""

    center: Vector
    normal: Vector  # of the best-fit plane, toward the atrium
    area_mm2: float  # projected on that plane
    perimeter_mm: float  # in space
    septal_lateral_mm: float
    intercommissural_mm: float
    saddle_height_mm: float  # extent along the normal
    saddle: Saddle

    def curve(self, n: int = 720) -> Array:
        """(n, 3) points around the hinge line, evenly spaced in the curve's parameter, first != last."""
        return self.saddle.curve_lps(np.arange(n) * 2 * np.pi / n)

    def points(self, n: int) -> Array:
        """(n, 3) points around the hinge line, evenly spaced by length."""
        fine = self.curve(4096)
        step = np.linalg.norm(np.roll(fine, -1, 0) - fine, axis=1)
        s = np.concatenate([[0.0], np.cumsum(step)])
        at = np.interp(np.arange(n) * s[-1] / n, s, np.arange(4097) * 2 * np.pi / 4096)
        return self.saddle.curve_lps(at)


def measure_saddle(saddle: Saddle, n: int = 4096) -> AnnulusTruth:
    """Measures by the trapezoid rule over the period (spectrally accurate for a smooth closed curve).

    Center: mean by length of the hinge line. Plane: least squares by length, through the center.
    """
    curve = saddle.curve_lps(np.arange(n) * 2 * np.pi / n)
    spectrum = np.fft.fft(curve, axis=0)
    k = np.fft.fftfreq(n, 1 / n)[:, None]
    speed = np.linalg.norm(np.real(np.fft.ifft(1j * k * spectrum, axis=0)), axis=1)
    tangent = np.real(np.fft.ifft(1j * k * spectrum, axis=0))
    perimeter = float(speed.mean() * 2 * np.pi)
    weight = speed / speed.sum()
    center = weight @ curve
    centered = curve - center
    _, vectors = np.linalg.eigh((centered * weight[:, None]).T @ centered)
    normal = vectors[:, 0] * np.sign(vectors[:, 0] @ saddle.axes[2])
    area = 0.5 * abs(float(np.mean(np.cross(centered, tangent) @ normal)) * 2 * np.pi)
    height = float(np.ptp(centered @ normal))
    return AnnulusTruth(center, normal, area, perimeter, 2 * saddle.b, 2 * saddle.a, height, saddle)
