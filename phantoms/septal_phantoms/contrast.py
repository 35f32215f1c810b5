"""Contrast that has not mixed: band-limited fields of Hounsfield values, and the plain blood of the inferior cava.

A field is a sum of plane waves with directions, lengths and phases drawn once from a seed, so it has a value at any
point and no grid. Isotropic waves of length L lose their correlation (to 1/e) after 0.35 L, from sin(q)/q = 1/e at
q = 2.2: lengths of 24-56 mm give streaks 8-20 mm across."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from septal_phantoms.bodies import Array, Vector, along, round_cone, smooth_step
from septal_phantoms.heart import Heart

WAVES = 28


@dataclass(frozen=True)
class Unmixed:
    """Blood whose HU wander between `low_hu` and `high_hu`, evenly over that range; wavelengths in mm."""

    low_hu: float
    high_hu: float
    seed: int
    shortest_mm: float = 24.0
    longest_mm: float = 56.0

    def hu(self, x: Array, y: Array, z: Array, origin: Vector) -> Array:
        """HU at the points, about `origin` (LPS, mm)."""
        share = ndtr(1.1 * waves(x, y, z, origin, self.seed, self.shortest_mm, self.longest_mm))
        return np.asarray(self.low_hu + (self.high_hu - self.low_hu) * share)


@dataclass(frozen=True)
class PlainBlood:
    """Blood of the inferior cava on its way into the atrium: a tongue from the cava's mouth, `reach_mm` along its
    axis or toward the fossa, `radius_mm` across at its end, its boundary rippled and `soft_mm` broad."""

    hu: Unmixed
    reach_mm: float = 10.0
    radius_mm: float = 11.0
    to_fossa: bool = False
    soft_mm: float = 5.0

    def share(self, x: Array, y: Array, z: Array, heart: Heart) -> Array:
        """How much of the blood at the points is plain, 0 to 1."""
        cava = heart.cavae["inferior_vena_cava"]
        start = cava.mouth + 24.0 * cava.out
        septum = heart.septum
        if self.to_fossa:
            end = septum.center - 0.45 * self.radius_mm * septum.normal
        else:
            end = cava.mouth - (self.reach_mm - self.radius_mm) * cava.out
        ripple = waves(x, y, z, septum.center, self.hu.seed + 1, 18.0, 40.0)
        tongue = round_cone(x, y, z, start, end, 16.0, self.radius_mm)
        deep = along(x, y, z, cava.mouth, cava.out) - 20.0
        inside = np.minimum(tongue, -deep) + 1.5 * ripple
        return smooth_step(0.5 - inside / self.soft_mm)


def waves(
    x: Array, y: Array, z: Array, origin: Vector, seed: int, shortest_mm: float, longest_mm: float
) -> Array:
    """A sum of plane waves, mean 0 and standard deviation 1 over all space."""
    rng = np.random.Generator(np.random.Philox(key=[seed & (2**64 - 1), 2**41]))
    toward = rng.normal(size=(WAVES, 3))
    toward /= np.linalg.norm(toward, axis=1, keepdims=True)
    # even in frequency, so that neither end of the band rules
    turns = rng.uniform(1 / longest_mm, 1 / shortest_mm, WAVES)
    k = 2 * np.pi * turns[:, None] * toward
    phase = rng.uniform(0, 2 * np.pi, WAVES) - k @ origin
    total = np.zeros(np.broadcast_shapes(np.shape(x), np.shape(y), np.shape(z)), np.result_type(x, y, z))
    for (a, b, c), shift in zip(k.tolist(), phase.tolist(), strict=True):
        total += np.sin(x * a + (y * b + z * c) + shift % (2 * np.pi))
    return np.asarray(total * float(np.sqrt(2 / WAVES)))
