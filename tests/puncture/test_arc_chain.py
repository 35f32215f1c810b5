"""Chains of arcs against the published closed form, integration by SciPy, and screw motions of other libraries."""

import tomllib
import warnings
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.spatial.transform import RigidTransform, Rotation

from septal_planner.puncture import arc_chain

REFERENCE = Path(__file__).parents[1] / "reference"
ARCS = tomllib.loads((REFERENCE / "webster_jones_2010" / "arcs.toml").read_text("utf-8"))["arc"]
Z, X = np.array([0.0, 0, 1]), np.array([1.0, 0, 0])


@pytest.mark.parametrize("arc", ARCS)
def test_one_arc_of_the_published_form(arc):
    # Webster & Jones 2010, doi 10.1177/0278364910368147, worked out separately
    length = arc["radius_mm"] * np.deg2rad(arc["turn_deg"])
    one = arc_chain.chains_from_inputs([0, 0, 0], Z, X, [[1 / arc["radius_mm"]]], [[np.deg2rad(arc["plane_deg"])]],
                                       [[length]])
    tip, tangent = arc_chain.end_pose(one)
    np.testing.assert_allclose(tip[0], arc["tip"], atol=6e-5)
    np.testing.assert_allclose(tangent[0], arc["tangent"], atol=6e-7)


def test_quarter_turn_then_twenty_straight():
    # plane geometry: r = 25, 90 degrees, then 20 mm straight ends at (45, 0, 25)
    one = arc_chain.chains_from_inputs([0, 0, 0], Z, X, [[1 / 25, 0]], [[0, 0]], [[25 * np.pi / 2, 20]])
    tip, tangent = arc_chain.end_pose(one)
    np.testing.assert_allclose(tip[0], [45, 0, 25], atol=1e-12)
    np.testing.assert_allclose(tangent[0], [1, 0, 0], atol=1e-12)


def _random(seed, n=40, m=4):
    rng = np.random.default_rng(seed)
    curvature = rng.uniform(0, 1 / 8, (n, m)) * rng.integers(0, 2, (n, m))
    plane = rng.uniform(-np.pi, np.pi, (n, m))
    return rng.normal(size=(n, 3)) * 100, rng.normal(size=(n, 3)), curvature, plane, rng.uniform(0.1, 50, (n, m))


def _frames(chains, direction, reference):
    d = direction / np.linalg.norm(direction, axis=1, keepdims=True)
    x = reference - np.sum(reference * d, axis=1, keepdims=True) * d
    x /= np.linalg.norm(x, axis=1, keepdims=True)
    return np.stack([x, np.cross(d, x), d], axis=-1)


def test_chains_agree_with_numerical_integration():
    # tangent and carried frame integrated by SciPy's DOP853: x' = R e3, R' = R [w]x with w square to e3
    start, direction, k, phi, s = _random(1, n=12)
    reference = np.random.default_rng(2).normal(size=(12, 3))
    chains = arc_chain.chains_from_inputs(start, direction, reference, k, phi, s)
    tips, tangents = arc_chain.end_pose(chains)
    first = _frames(chains, direction, reference)
    for i in range(12):
        y = np.concatenate([start[i], first[i].ravel()])
        for j in range(4):
            w = k[i, j] * np.array([-np.sin(phi[i, j]), np.cos(phi[i, j]), 0])
            cross = np.array([[0, -w[2], w[1]], [w[2], 0, -w[0]], [-w[1], w[0], 0]])

            def rhs(_, y, cross=cross):
                r = y[3:].reshape(3, 3)
                return np.concatenate([r[:, 2], (r @ cross).ravel()])

            y = solve_ivp(rhs, (0, s[i, j]), y, method="DOP853", rtol=1e-11, atol=1e-11).y[:, -1]
        np.testing.assert_allclose(tips[i], y[:3], atol=1e-6)
        np.testing.assert_allclose(tangents[i], y[3:].reshape(3, 3)[:, 2], atol=1e-8)


def _twists(k, phi, s):
    # exponential coordinates of one piece in its own frame: turn about the square axis, move along the tangent
    w = (k * s)[..., None] * np.stack([-np.sin(phi), np.cos(phi), 0 * phi], axis=-1)
    return np.concatenate([w, np.stack([0 * s, 0 * s, s], axis=-1)], axis=-1)


def test_chains_agree_with_scipy_rigid_transforms():
    # SciPy's RigidTransform.from_exp_coords: the exponential of a constant twist is a constant-curvature piece
    start, direction, k, phi, s = _random(3)
    reference = np.random.default_rng(4).normal(size=(40, 3))
    chains = arc_chain.chains_from_inputs(start, direction, reference, k, phi, s)
    tips, tangents = arc_chain.end_pose(chains)
    pose = RigidTransform.from_components(start, Rotation.from_matrix(_frames(chains, direction, reference)))
    for j in range(4):
        pose = pose * RigidTransform.from_exp_coords(_twists(k[:, j], phi[:, j], s[:, j]))
    np.testing.assert_allclose(pose.translation, tips, atol=1e-9)
    np.testing.assert_allclose(pose.rotation.as_matrix()[:, :, 2], tangents, atol=1e-10)


def test_chains_agree_with_pytransform3d_screw_motions():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        transformations = pytest.importorskip("pytransform3d.transformations")
    start, direction, k, phi, s = _random(5, n=10)
    reference = np.random.default_rng(6).normal(size=(10, 3))
    chains = arc_chain.chains_from_inputs(start, direction, reference, k, phi, s)
    tips, tangents = arc_chain.end_pose(chains)
    first = _frames(chains, direction, reference)
    for i in range(10):
        pose = transformations.transform_from(first[i], start[i])
        for j in range(4):
            pose = pose @ transformations.transform_from_exponential_coordinates(_twists(k[i, j], phi[i, j], s[i, j]))
        np.testing.assert_allclose(pose[:3, 3], tips[i], atol=1e-9)
        np.testing.assert_allclose(pose[:3, 2], tangents[i], atol=1e-10)


@given(st.integers(0, 10_000))
def test_points_lie_an_arc_length_apart_and_end_at_the_tip(seed):
    start, direction, k, phi, s = _random(seed, n=3)
    chains = arc_chain.chains_from_inputs(start, direction, [0.3, 0.5, -0.7], k, phi, s)
    points, at = arc_chain.evenly(chains, 2000)
    np.testing.assert_allclose(points[:, 0], start, atol=1e-9)
    np.testing.assert_allclose(points[:, -1], arc_chain.end_pose(chains)[0], atol=1e-9)
    walked = np.linalg.norm(np.diff(points, axis=1), axis=2).sum(axis=1)
    np.testing.assert_allclose(walked, s.sum(axis=1), rtol=1e-4)
    np.testing.assert_allclose(at[:, -1], s.sum(axis=1))


def test_a_nearly_straight_piece_is_straight():
    a = arc_chain.chains_from_inputs([0, 0, 0], Z, X, [[1e-10]], [[1.0]], [[30.0]])
    np.testing.assert_allclose(arc_chain.end_pose(a)[0][0], [0, 0, 30], atol=1e-6)


def test_a_reference_along_the_direction_is_refused():
    with pytest.raises(ValueError, match="no direction"):
        arc_chain.chains_from_inputs([0, 0, 0], Z, Z, [[0.1]], [[0.0]], [[1.0]])
