"""Propagated doubt against the law itself, worked by hand."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from septal_planner.geometry.propagation import block_diagonal, propagated_sd


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000))
def test_a_linear_function_is_propagated_exactly(seed):
    # u(y)^2 = J C J^T (JCGM 100:2008, equation 13, in matrix form)
    rng = np.random.default_rng(seed)
    root, jacobian = rng.normal(size=(4, 4)), rng.normal(size=(3, 4))
    covariance = root @ root.T
    found = propagated_sd(lambda x: jacobian @ x + 2.0, rng.normal(size=4), covariance)
    np.testing.assert_allclose(found, np.sqrt(np.diag(jacobian @ covariance @ jacobian.T)), rtol=1e-6)


def test_a_product_has_the_relative_doubts_joined():
    # JCGM 100:2008, 5.1.6: relative variances of a product add
    value, sd = np.array([20.0, 5.0]), np.array([0.1, 0.05])
    found = propagated_sd(lambda x: np.array([x[0] * x[1]]), value, np.diag(sd**2))
    assert found[0] == pytest.approx(100.0 * np.hypot(0.1 / 20, 0.05 / 5), rel=1e-3)


def test_nothing_doubted_gives_no_doubt():
    assert propagated_sd(lambda x: x[:1] ** 2, [3.0, 4.0], np.zeros((2, 2)))[0] == 0.0


def test_blocks_stand_apart():
    joined = block_diagonal([np.eye(2), [[4.0]]])
    np.testing.assert_array_equal(joined, np.diag([1.0, 1.0, 4.0]))
