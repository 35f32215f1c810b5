"""Options and phantoms shared by the tests."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

# a busy machine is no fault of the code, and the same commit gives the same verdict twice
settings.register_profile("same everywhere", deadline=None, derandomize=True)
settings.load_profile("same everywhere")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--slow", action="store_true", help="also run what takes minutes")
    parser.addoption("--long", action="store_true", help="also run what takes the better part of an hour")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    for mark, takes in (("slow", "minutes"), ("long", "the better part of an hour")):
        if not config.getoption(f"--{mark}"):
            skip = pytest.mark.skip(reason=f"takes {takes}; run with --{mark}")
            for item in items:
                if mark in item.keywords:
                    item.add_marker(skip)


@dataclass(frozen=True)
class WrittenPhantom:
    """A quick phantom on disk: `ct` (DICOM folder), `landmarks`; treat both as read-only."""

    folder: Path
    ct: Path
    landmarks: Path
    phantom: Any


@pytest.fixture(scope="session")
def quick_phantom() -> Any:
    """The normal heart at 1 mm, made once."""
    import septal_phantoms

    return septal_phantoms.make("normal", quick=True)


@pytest.fixture(scope="session")
def true_place() -> Callable[[Any, float, float], Any]:
    """The place on a truth's mid-surface with these fractions (superior, anterior) of its rim: (3,), LPS mm."""
    import numpy as np

    def place(truth: Any, superior: float, anterior: float) -> Any:
        septum, fossa = truth.heart.septum, truth.fossa
        u, v = (fossa.rim - septum.center) @ septum.superior, (fossa.rim - septum.center) @ septum.anterior
        at = np.array([u.min() + superior * np.ptp(u)]), np.array([v.min() + anterior * np.ptp(v)])
        return np.asarray(septum.point(*at)[0])

    return place


@pytest.fixture(scope="session")
def written_phantom(quick_phantom: Any, tmp_path_factory: pytest.TempPathFactory) -> WrittenPhantom:
    """The quick normal heart as a DICOM series with landmarks."""
    import septal_phantoms

    folder = tmp_path_factory.mktemp("phantom")
    septal_phantoms.write_dicom(quick_phantom, folder / "ct")
    septal_phantoms.write_landmarks(quick_phantom, folder / "landmarks.json")
    return WrittenPhantom(folder, folder / "ct", folder / "landmarks.json", quick_phantom)


@pytest.fixture(scope="session")
def quick_volume(quick_phantom: Any) -> Any:
    """The quick normal heart's CT."""
    from septal_planner.validation import volume_of

    return volume_of(quick_phantom)


@pytest.fixture(scope="session")
def quick_found(quick_volume: Any, quick_phantom: Any) -> Any:
    """Its anatomy; treat as read-only."""
    from septal_planner.inputs.landmarks import Landmarks
    from septal_planner.pipeline import find_anatomy

    return find_anatomy(quick_volume, Landmarks(quick_phantom.landmarks))


@pytest.fixture(scope="session")
def quick_case(quick_volume: Any, quick_found: Any) -> Any:
    """Its plan, once for all files of a worker; treat as read-only."""
    from septal_planner.pipeline import plan_found

    return plan_found(quick_volume, quick_found)


@pytest.fixture
def landmarks_json(written_phantom: WrittenPhantom) -> dict[str, Any]:
    """The quick phantom's landmarks.json as a fresh dictionary, to be spoilt by a test."""
    return dict(json.loads(written_phantom.landmarks.read_text("utf-8")))
