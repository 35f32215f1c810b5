"""A quick planned case, and CTs that lie askew, for all viewer tests."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.volume import Volume
from septal_planner.pipeline import FoundAnatomy, PlannedCase, find_anatomy, plan_found
from septal_planner.validation import volume_of


@pytest.fixture(scope="session")
def quick_volume(quick_phantom: Any) -> Volume:
    """The quick normal heart's CT."""
    return volume_of(quick_phantom)


@pytest.fixture(scope="session")
def quick_found(quick_volume: Volume, quick_phantom: Any) -> FoundAnatomy:
    """Its anatomy; treat as read-only."""
    return find_anatomy(quick_volume, Landmarks(quick_phantom.landmarks))


@pytest.fixture(scope="session")
def quick_case(quick_volume: Volume, quick_found: FoundAnatomy) -> PlannedCase:
    """Its plan; treat as read-only."""
    return plan_found(quick_volume, quick_found)


Askew = Callable[[int, bool, bool], NDArray[np.float64]]


@pytest.fixture(scope="session")
def askew() -> Askew:
    """Makes a 4x4 of uneven spacing, turned any way by a seed, then mirrored and sheared on demand."""

    def made(seed: int, left_handed: bool, sheared: bool) -> NDArray[np.float64]:
        rng = np.random.default_rng(seed)
        columns = Rotation.from_quat(rng.normal(size=4)).as_matrix() @ np.diag(rng.uniform(0.4, 2.5, 3))
        columns[:, 2] *= -1 if left_handed else 1
        columns[:, 2] += 0.3 * columns[:, 1] if sheared else 0
        affine = np.eye(4)
        affine[:3, :3], affine[:3, 3] = columns, rng.uniform(-200, 200, 3)
        return affine

    return made
