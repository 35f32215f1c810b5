"""From the doubt of what is put in to the doubt of what comes out."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def propagated_sd(function: Callable[[Array], Array], value: ArrayLike, covariance: ArrayLike) -> Array:
    """Standard uncertainties (m,) of function(value) (m,), given the covariance (n, n) of value (n,).

    Law of propagation of uncertainty (JCGM 100:2008, 5.1.2 and 5.2.2), the derivatives taken as differences over one
    standard deviation to either side along each principal axis of the covariance, so that a bend within that width
    counts. nan where the function gives nan there.
    """
    return propagated_sd_at_once(lambda values: np.array([function(v) for v in values]), value, covariance)


def propagated_sd_at_once(function: Callable[[Array], Array], value: ArrayLike, covariance: ArrayLike) -> Array:
    """As `propagated_sd`, for a function that takes many values (k, n) at once and gives (k, m)."""
    x = np.asarray(value, dtype=np.float64)
    spread, axes = np.linalg.eigh(np.asarray(covariance, dtype=np.float64))
    known = spread > 1e-18
    steps = np.sqrt(spread[known])[:, None] * axes.T[known]
    if len(steps) == 0:
        return np.zeros_like(np.asarray(function(x[None]), dtype=np.float64)[0])
    found = np.asarray(function(np.concatenate([x + steps, x - steps])), dtype=np.float64)
    half = (found[: len(steps)] - found[len(steps) :]) / 2
    return np.asarray(np.sqrt((half**2).sum(axis=0)), dtype=np.float64)


def block_diagonal(blocks: Sequence[ArrayLike]) -> Array:
    """Covariance of independent groups, one after another."""
    parts = [np.atleast_2d(np.asarray(b, dtype=np.float64)) for b in blocks]
    out = np.zeros((sum(len(p) for p in parts),) * 2)
    at = 0
    for p in parts:
        out[at : at + len(p), at : at + len(p)] = p
        at += len(p)
    return out
