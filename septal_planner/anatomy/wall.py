"""Two edges of a thin wall between two blood pools, below voxel size.

A wall thinner than the scanner's blur never reaches its own HU; its depth and width trade places. With the wall's HU
known (muscle) and the blur read off the thick part of the same wall, position and thickness follow from fitting the
blurred profile, as for cortical bone (Treece GM et al., Med Image Anal 2010;14:276-90, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]
FAT_BELOW_HU = 60.0  # so much darker than the wall, something within it is fat


@dataclass(frozen=True)
class WallFit:
    """Per profile (n,): wall centre and thickness (mm along it), HU on the near and far side, RMS residual (HU), and by
    how many mm centre and thickness stray per HU of noise independent from sample to sample."""

    center_mm: Array
    thickness_mm: Array
    near_hu: Array
    far_hu: Array
    residual_hu: Array
    center_mm_per_hu: Array
    thickness_mm_per_hu: Array


@dataclass(frozen=True)
class EdgeFit:
    """Per profile (n,): place of one blood's edge (mm), its HU, the HU beyond, RMS residual (HU), and by how many
    mm the edge strays per HU of noise independent from sample to sample."""

    edge_mm: Array
    blood_hu: Array
    beyond_hu: Array
    residual_hu: Array
    edge_mm_per_hu: Array


def _blurred_step(x: Array, sigma: float) -> tuple[Array, Array]:
    """Cumulative normal of x / sigma and its derivative to x."""
    z = x / sigma
    return ndtr(z), np.exp(-0.5 * z * z) / (sigma * np.sqrt(2 * np.pi))


def fit_walls(
    profiles_hu: Array, w_mm: Array, center_mm: Array, *, wall_hu: float, sigma_mm: float, window_mm: float = 4.5,
    iterations: int = 25, thickness_mm: Array | None = None, fat_is_wall: bool = True,
) -> WallFit:
    """Fit wall centre, thickness and both blood levels to profiles (n, m) sampled at `w_mm` (m,) from near to far side.

    `center_mm` (n,) starts the search. Damped Gauss-Newton in four parameters, all profiles at once; samples farther
    than thickness / 2 + window from the centre carry no weight, so that a streak beyond does not pull. With
    `fat_is_wall` HU below the wall's (fat inside a thick limbus) count as wall.
    """
    y = np.maximum(profiles_hu, wall_hu) if fat_is_wall else np.asarray(profiles_hu, dtype=np.float64)
    c = np.asarray(center_mm, dtype=np.float64).copy()
    dw = float(w_mm[1] - w_mm[0])
    x = w_mm[None, :]

    def level(sign: int) -> Array:
        side = sign * (x - c[:, None])
        near = (side > 2.0) & (side < 9.0)
        return np.asarray(np.percentile(np.where(near, y, wall_hu), 95, axis=1))

    near_hu, far_hu = level(-1), level(1)
    if thickness_mm is None:
        blood = np.where(x < c[:, None], near_hu[:, None], far_hu[:, None])
        close = np.abs(x - c[:, None]) < 6.0
        lost = np.clip((blood - y) / np.maximum(blood - wall_hu, 30.0), 0.0, 1.0) * close
        lost[lost < 0.25] = 0.0
        t = np.clip(lost.sum(axis=1) * dw, 0.3, 11.0)
    else:
        t = thickness_mm.copy()
    damping = np.full(c.size, 1e-2)
    best = np.full(c.size, np.inf)
    state = np.stack([c, t, near_hu, far_hu], axis=1)
    kept = state.copy()
    weight = np.ones_like(y)
    normal, gradient = np.zeros((c.size, 4, 4)), np.zeros((c.size, 4))
    for n in range(iterations):
        if n % 5 == 0:  # the window follows the wall, but not at every step, so that costs compare
            away = np.abs(x - kept[:, :1]) - kept[:, 1:2] / 2
            weight = 1 / (1 + np.exp(np.clip((away - window_mm) / 0.4, -40, 40)))
            best[:] = np.inf
        c, t, a, b = state.T
        near, d_near = _blurred_step((c - t / 2)[:, None] - x, sigma_mm)
        far, d_far = _blurred_step(x - (c + t / 2)[:, None], sigma_mm)
        rise_a, rise_b = (a - wall_hu)[:, None], (b - wall_hu)[:, None]
        r = y - (wall_hu + rise_a * near + rise_b * far)
        cost = (weight * r * r).sum(axis=1)
        better = cost < best
        kept[better] = state[better]
        best = np.where(better, cost, best)
        damping = np.clip(np.where(better, damping * 0.4, damping * 6.0), 1e-5, 1e4)
        jacobian = np.stack(
            [rise_a * d_near - rise_b * d_far, -0.5 * (rise_a * d_near + rise_b * d_far), near, far], axis=1
        )
        weighted = jacobian * weight[:, None, :]
        normal = np.where(better[:, None, None], weighted @ jacobian.transpose(0, 2, 1), normal)
        gradient = np.where(better[:, None], (weighted @ r[..., None])[..., 0], gradient)
        diagonal = np.einsum("npp->np", normal)
        lifted = normal + (diagonal * damping[:, None] + 1e-6)[:, None, :] * np.eye(4)
        step = np.linalg.solve(lifted, gradient[..., None])[..., 0]
        step[:, :2] = np.clip(step[:, :2], -1.0, 1.0)
        state = kept + step
        state[:, 1] = np.clip(state[:, 1], 0.05, 14.0)
        state[:, 2:] = np.clip(state[:, 2:], wall_hu + 1.0, 4000.0)
    residual = np.sqrt(best / np.maximum(weight.sum(axis=1), 1e-6))
    spread = np.linalg.inv(normal + np.maximum(np.einsum("npp->np", normal), 1e-3)[:, None, :] * 1e-6 * np.eye(4))
    stray = np.sqrt(np.maximum(np.einsum("npp->np", spread), 0.0))
    return WallFit(kept[:, 0], kept[:, 1], kept[:, 2], kept[:, 3], residual, stray[:, 0], stray[:, 1])


def fit_edges(
    profiles_hu: Array, w_mm: Array, start_mm: Array, *, beyond_hu: float, beyond_sd_hu: float, sigma_mm: float,
    dark_mm: float = 3.0, blood_mm: float = 5.0, iterations: int = 25,
) -> EdgeFit:
    """Half-way crossing of one blurred edge, blood on the far (rising `w_mm`) side, fitted to profiles (n, m).

    `start_mm` (n,) starts the search. Damped Gauss-Newton in place, blood level and the level beyond, of which
    `beyond_hu` is known to `beyond_sd_hu`; samples farther than `dark_mm` and `blood_mm` from the edge carry no
    weight.
    """
    y = np.asarray(profiles_hu, dtype=np.float64)
    x = w_mm[None, :]
    e = np.asarray(start_mm, dtype=np.float64)
    side = x - e[:, None]
    blood = np.percentile(np.where((side > 1.0) & (side < 1.0 + blood_mm), y, beyond_hu), 95, axis=1)
    state = np.stack([e, np.maximum(blood, beyond_hu + 1.0), np.full(e.size, beyond_hu)], axis=1)
    kept = state.copy()
    best = np.full(e.size, np.inf)
    damping = np.full(e.size, 1e-2)
    prior = 100.0 / beyond_sd_hu**2  # the same pull as that of one sample whose noise is a tenth of it
    weight = np.ones_like(y)
    normal, gradient = np.zeros((e.size, 3, 3)), np.zeros((e.size, 3))
    for n in range(iterations):
        if n % 5 == 0:
            side = x - kept[:, :1]
            weight = 1 / (1 + np.exp(np.clip((-side - dark_mm) / 0.4, -40, 40)))
            weight = weight / (1 + np.exp(np.clip((side - blood_mm) / 0.4, -40, 40)))
            best[:] = np.inf
        at, high, low = state.T
        rise, slope = _blurred_step(x - at[:, None], sigma_mm)
        r = y - (low[:, None] + (high - low)[:, None] * rise)
        cost = (weight * r * r).sum(axis=1) + prior * (low - beyond_hu) ** 2
        better = cost < best
        kept[better] = state[better]
        best = np.where(better, cost, best)
        damping = np.clip(np.where(better, damping * 0.4, damping * 6.0), 1e-5, 1e4)
        jacobian = np.stack([-(high - low)[:, None] * slope, rise, 1 - rise], axis=1)
        weighted = jacobian * weight[:, None, :]
        now = weighted @ jacobian.transpose(0, 2, 1)
        now[:, 2, 2] += prior
        normal = np.where(better[:, None, None], now, normal)
        pull = (weighted @ r[..., None])[..., 0]
        pull[:, 2] -= prior * (low - beyond_hu)
        gradient = np.where(better[:, None], pull, gradient)
        diagonal = np.einsum("npp->np", normal)
        lifted = normal + (diagonal * damping[:, None] + 1e-6)[:, None, :] * np.eye(3)
        step = np.linalg.solve(lifted, gradient[..., None])[..., 0]
        step[:, 0] = np.clip(step[:, 0], -1.0, 1.0)
        state = kept + step
    residual = np.sqrt(best / np.maximum(weight.sum(axis=1), 1e-6))
    spread = np.linalg.inv(normal + np.maximum(np.einsum("npp->np", normal), 1e-3)[:, None, :] * 1e-6 * np.eye(3))
    stray = np.sqrt(np.maximum(spread[:, 0, 0], 0.0))
    return EdgeFit(kept[:, 0], kept[:, 1], kept[:, 2], residual, stray)


def blur_mm(
    profiles_hu: Array, w_mm: Array, center_mm: Array, *, wall_hu: float, usual_mm: float = 0.6
) -> float:
    """Gaussian blur (mm, one SD) of the wall's edges: the one that fits best where the wall is thick (4 to 9 mm) and no
    fat makes its edges look sharper than they are; within 0.6 and 1.6 times the usual one.

    Where no such wall is seen, the usual one.
    """
    first = fit_walls(profiles_hu, w_mm, center_mm, wall_hu=wall_hu, sigma_mm=usual_mm, iterations=12)
    contrast = np.minimum(first.near_hu, first.far_hu) - wall_hu
    thick = np.flatnonzero((first.thickness_mm > 4.0) & (first.thickness_mm < 9.0) & (contrast > 60))
    inner = np.abs(w_mm[None, :] - first.center_mm[thick, None]) < first.thickness_mm[thick, None] / 2
    lean = np.where(inner, profiles_hu[thick], np.inf).min(axis=1, initial=np.inf) > wall_hu - FAT_BELOW_HU
    thick = thick[lean]
    if thick.size < 40:
        return usual_mm
    thick = thick[:: max(1, thick.size // 400)]
    trials = usual_mm * np.array([0.6, 0.7, 0.8, 0.9, 1.0, 1.15, 1.3, 1.45, 1.6])
    cost = []
    for sigma in trials:
        fit = fit_walls(
            profiles_hu[thick], w_mm, first.center_mm[thick], wall_hu=wall_hu, sigma_mm=float(sigma),
            thickness_mm=first.thickness_mm[thick], iterations=10,
        )
        cost.append(float(np.median(fit.residual_hu)))
    return float(trials[int(np.argmin(cost))])
