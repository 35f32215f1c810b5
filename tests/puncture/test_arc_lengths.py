"""The closed-form box least squares against SciPy's lsq_linear (bounded-variable least squares)."""

import numpy as np
import pytest
from scipy.optimize import lsq_linear

from septal_planner.puncture import arc_lengths


@pytest.mark.parametrize("seed", range(4))
def test_one_bend_is_the_bounded_least_square(seed):
    rng = np.random.default_rng(seed)
    along, across, aside = rng.uniform(-30, 80, 50), rng.uniform(-20, 60, 50), rng.uniform(0, 9, 50)
    turn = rng.uniform(0.01, np.pi, 50)
    out, r, miss = arc_lengths.one_bend(along, across, aside**2, np.sin(turn), 1 - np.cos(turn), (0, 60), (12, 40))
    for i in range(50):
        a = np.array([[1, np.sin(turn[i])], [0, 1 - np.cos(turn[i])]])
        truth = lsq_linear(a, [along[i], across[i]], bounds=([0, 12], [60, 40]), method="bvls", tol=1e-14)
        assert miss[i] == pytest.approx(2 * truth.cost + aside[i] ** 2, abs=1e-8)
        np.testing.assert_allclose(a @ [out[i], r[i]], a @ truth.x, atol=1e-5)


@pytest.mark.parametrize("seed", range(4))
def test_two_bends_are_the_bounded_least_square(seed):
    rng = np.random.default_rng(seed)
    way = rng.normal(size=(60, 3)) * 40
    forward, first, second = rng.normal(size=(3, 60, 3))
    forward /= np.linalg.norm(forward, axis=1, keepdims=True)
    out, r1, r2, miss = arc_lengths.two_bends(way, forward, first, second, (0, 60), ((12, 40), (10, 50)))
    for i in range(60):
        a = np.stack([forward[i], first[i], second[i]], axis=1)
        truth = lsq_linear(a, way[i], bounds=([0, 12, 10], [60, 40, 50]), method="bvls", tol=1e-14)
        assert miss[i] == pytest.approx(2 * truth.cost, rel=1e-8, abs=1e-8)
        assert 0 <= out[i] <= 60
        assert 12 <= r1[i] <= 40
        assert 10 <= r2[i] <= 50
