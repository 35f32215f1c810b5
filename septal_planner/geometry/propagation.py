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


def lower_root(covariance: ArrayLike) -> Array:
    """Lower triangular L (n, n) with L L^T = covariance (Cholesky), a variance of nought giving a column of noughts."""
    left = np.array(covariance, dtype=np.float64)
    least = 1e-12 * max(float(left.diagonal().max(initial=0.0)), 1e-30)
    root = np.zeros_like(left)
    for j in range(len(left)):
        if left[j, j] > least:
            root[j:, j] = left[j:, j] / np.sqrt(left[j, j])
            left -= np.outer(root[:, j], root[:, j])
    return root
