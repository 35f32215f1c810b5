"""The surface spanned by a valve ring, against the closed form of a saddle."""

from __future__ import annotations

import numpy as np
import pytest

from septal_planner.anatomy.gates import PlaneGate, RingGate


def test_saddle_gate_is_the_harmonic_surface() -> None:
    t = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    ring = np.stack([18 * np.cos(t), 18 * np.sin(t), 3 * np.cos(2 * t)], axis=1)
    gate = RingGate.from_curve(ring, np.zeros(3), np.array([0.0, 0.0, 1.0]))
    xy = np.random.default_rng(3).uniform(-11, 11, (200, 2))
    # rho^2 cos 2 theta = x^2 - y^2 solves Laplace's equation and meets the ring
    film = 3 * (xy[:, 0] ** 2 - xy[:, 1] ** 2) / 18**2
    height, fraction = gate.position(np.column_stack([xy, film + 1.5]))
    assert height == pytest.approx(np.full(200, 1.5), abs=1e-3)
    assert fraction == pytest.approx(np.hypot(*xy.T) / 18, abs=1e-3)


def test_only_points_within_the_ring_lie_beyond_it() -> None:
    t = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    ring = np.stack([18 * np.cos(t), 15 * np.sin(t), np.zeros_like(t)], axis=1)
    gate = RingGate.from_curve(ring, np.zeros(3), np.array([0.0, 0.0, 1.0]))
    assert gate.beyond(np.array([[0, 0, -1.0], [0, 0, 1.0], [25.0, 0, -1.0]])).tolist() == [True, False, False]


def test_plane_gate_reaches_only_so_far() -> None:
    gate = PlaneGate(np.zeros(3), np.array([0.0, 0.0, 1.0]), 20.0)
    assert gate.beyond(np.array([[0, 0, -1.0], [0, 0, 1.0], [25.0, 0, -1.0]])).tolist() == [True, False, False]
