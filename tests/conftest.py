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


class RegisterJob:
    """Two frames of a patient who lies turned, and the points in them, to be spoilt, and the call of `register`. Places
    are LPS, mm, in the CT; `iso` has them about the isocentre."""

    plan = Path(__file__).parent / "old_plans" / "schema-1-phantom.json"
    names = ("carina", "calcium", "lead tip", "vertebral corner", "coronary sinus", "ring")

    def __init__(self, folder: Path) -> None:
        import numpy as np
        from scipy.spatial.transform import Rotation
        from septal_phantoms.angiogram import Setup, draw, points_document, xa_dataset

        self.folder = folder
        self.document = json.loads(self.plan.read_text("utf-8"))
        self.target_lps = np.array(self.document["puncture"]["target_mm"])
        self.places_lps = self.target_lps + np.array(
            [[40, 30, 60], [-45, 20, 40], [10, -40, 20], [-20, 60, -30], [35, 50, -40], [-30, -20, -20]], dtype=float
        )
        self.rotation = Rotation.from_rotvec(np.deg2rad([2, -3, 4])).as_matrix()
        self.shift_mm = np.array([5.0, -8.0, 12.0])
        self.setups = [Setup(-30, 0, 1100, 760, 0.4, (600, 600)), Setup(30, 10, 1100, 760, 0.4, (600, 600))]
        rng = np.random.default_rng(1)
        self.points, self.datasets = [], []
        for setup in self.setups:
            seen = setup.pixels(self.iso(self.places_lps)) + rng.normal(0, 0.5 * 1100 / 760 / 0.4, (6, 2))
            named = (dict(zip(self.names, p, strict=True)) for p in (self.places_lps, seen))
            self.points.append(points_document(*named))
            self.datasets.append(xa_dataset(setup, [draw(setup, self.iso(self.places_lps))]))

    def iso(self, places_lps: Any) -> Any:
        """Where places of the CT truly lie about the isocentre."""
        return (places_lps - self.target_lps) @ self.rotation.T + self.shift_mm

    def run(self, *more: str, count: int = 2) -> int:
        """Write what there is now and register; the exit status."""
        from septal_phantoms.angiogram import write_xa

        from septal_planner.cli import main

        plan = self.document | {"ct": self.document["ct"] | {"frame_of_reference_uid": "1.2.3"}}
        (self.folder / "plan.json").write_text(json.dumps(plan), "utf-8")
        call = ["register", str(self.folder / "plan.json")]
        for n in range(count):
            write_xa(self.folder / f"{n}.dcm", self.datasets[n])
            (self.folder / f"{n}.json").write_text(json.dumps(self.points[n]), "utf-8")
            call += ["--frame", str(self.folder / f"{n}.dcm"), str(self.folder / f"{n}.json")]
        return main([*call, "--out", str(self.folder / "out"), *more])

    @property
    def found(self) -> Any:
        """The registration that was written."""
        from septal_planner.registered import load_registration

        return load_registration(self.folder / "out" / "registration.json")


@pytest.fixture
def job(tmp_path: Path) -> RegisterJob:
    """A call of `register`, not yet run."""
    return RegisterJob(tmp_path)
