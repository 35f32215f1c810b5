"""A quick planned case, and CTs that lie askew, for all viewer tests."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from importlib.util import find_spec
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

# The viewer is an extra, and a window needs a screen: where either lacks, its tests are left out unless required.
REQUIRED = os.environ.get("SEPTAL_PLANNER_VIEWER_TESTS") == "required"
if find_spec("napari") is None or find_spec("PySide6") is None:
    if REQUIRED:
        raise pytest.UsageError("The viewer's tests are required, but napari or PySide6 is not installed.")
    collect_ignore_glob = ["test_*.py"]


@pytest.fixture(scope="session")
def quick_surveyed(quick_case: Any) -> Any:
    """The quick normal heart's membrane, surveyed to the end for the usual procedure; treat as read-only."""
    from septal_viewer.surveys import Surveyed
    from septal_viewer.worker import spare_over

    return Surveyed(quick_case.survey, spare_over(quick_case.survey))


@pytest.fixture(scope="session", autouse=REQUIRED)
def _a_screen_where_it_is_required() -> None:
    from septal_viewer.view import has_screen

    if not has_screen():
        pytest.fail("The viewer's tests are required, but there is no screen, and Xvfb could not be started.")


@pytest.fixture(scope="module", autouse=True)
def _windows_of_one_file_are_no_leak_of_the_next() -> Iterator[None]:
    """napari's own fixture takes every window it finds for one that its test before left behind; ours serve a whole
    file, and Python may hold them a little longer."""
    yield
    theirs = sys.modules.get("napari._qt.qt_viewer")
    if theirs is not None:
        theirs.QtViewer._instances.clear()


@pytest.fixture
def make_napari_viewer(qtbot: Any, tmp_path: Any, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Any]]:
    """Opens bare viewers of napari, closed after the test. napari's own fixture of this name has it register every
    command anew in the next window, which ends the windows of our other files in the same process."""
    import napari

    monkeypatch.setenv("NAPARI_CONFIG", str(tmp_path / "napari.yaml"))
    made: list[Any] = []

    def make(**how: Any) -> Any:
        viewer = napari.Viewer(**{"show_welcome_screen": False, **how})
        made.append(viewer)
        qtbot.wait_exposed(viewer.window._qt_window, timeout=5000)
        return viewer

    yield make
    for viewer in made:
        viewer.close()


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


class Ear:
    """What a session said."""

    def __init__(self, session: Any) -> None:
        self.all: list[tuple[str, str]] = []
        session.said.connect(lambda sentence, kind: self.all.append((sentence, kind)))

    def last(self) -> str:
        return self.all[-1][0] if self.all else ""


@pytest.fixture(scope="session")
def listen() -> type[Ear]:
    """Listens to a session from now on."""
    return Ear


@pytest.fixture(scope="session")
def small_volume() -> Callable[..., Any]:
    """Makes 20 x 30 x 40 voxels of blood in mm steps 2, 1, 3, turned so that no axis is the patient's."""
    from septal_planner.inputs.volume import Volume

    def made(**other: Any) -> Volume:
        turn = np.array([[0.8, -0.6, 0.0], [0.6, 0.8, 0.0], [0.0, 0.0, 1.0]])
        affine = np.eye(4)
        affine[:3, :3], affine[:3, 3] = turn @ np.diag([2.0, 1.0, 3.0]), [-30.0, -40.0, 100.0]
        return Volume(np.full((40, 30, 20), 300, np.int16), affine, **{"frame_of_reference_uid": "1.2.3", **other})

    return made


@pytest.fixture(scope="module")
def window(qapp: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """One window for all tests of a file: opening one takes seconds."""
    from septal_viewer.window import open_window

    folder = tmp_path_factory.mktemp("viewer")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("NAPARI_CONFIG", str(folder / "napari.yaml"))
        made = open_window(state_folder=folder / "state")
        made.desk.scene.finish()
        yield made
        made.frame.close()
    qapp.processEvents()
    assert getattr(sys.excepthook, "__self__", None) is not made.frame


@pytest.fixture
def settle(qtbot: Any) -> Callable[[Any], None]:
    """Waits until nothing is running and everything is painted in a window."""

    def settled(panel: Any) -> None:
        qtbot.waitUntil(lambda: not panel.desk.work.busy, timeout=120_000)
        panel.desk.scene.finish()
        qtbot.wait(50)
        panel.desk.views.refresh_now()

    return settled


@pytest.fixture
def panel(qtbot: Any, window: Any, quick_volume: Any, settle: Callable[[Any], None]) -> Any:
    """The window with a CT and nothing marked in it."""
    qtbot.waitUntil(window.isVisible, timeout=20_000)
    window.window().activateWindow()  # keys go to the active window only
    qtbot.waitUntil(window.window().isActiveWindow, timeout=10_000)
    settle(window)
    window.desk.take_volume(quick_volume)
    window.show_page("opening")
    window.say("", "note")
    window.viewer.theme = "dark"
    settle(window)
    return window


@pytest.fixture
def marked(panel: Any, quick_phantom: Any) -> Any:
    """The quick normal heart with its landmarks."""
    from septal_planner.inputs.landmarks import Landmarks

    panel.desk.session.take_landmarks(Landmarks(quick_phantom.landmarks))
    panel.desk.sights.go_to_marked()
    panel.show_page("marking")
    return panel


class Table:
    """A window with a planned heart, and a frame and a short run of a patient who lies turned. Places are LPS, mm."""

    names = ("carina", "calcium", "lead tip", "vertebral corner", "coronary sinus", "ring")
    off_mm = np.array(
        [[40, 30, 50], [-45, 20, 40], [10, -40, 20], [-20, 60, -30], [35, 50, -40], [-30, -20, -20]], float
    )  # against the target, as all that is off
    tip_off_mm = np.array([2.0, 1.0, 3.0])
    lead_off_mm = np.array([-15.0, 25.0, 30.0])  # of a lead tip that moves with the heart
    beat_mm = np.array([[0.0, 0, 0], [3, -1, 2], [5, -2, 3]])  # in the frames of the second file
    rotation = Rotation.from_rotvec(np.deg2rad([2, -3, 4])).as_matrix()
    shift_mm = np.array([5.0, -8.0, 12.0])

    def __init__(self, panel: Any, folder: Path, plan: Any, ct: Path) -> None:
        from septal_phantoms.angiogram import Setup, draw, write_xa, xa_dataset

        self.setups = [Setup(-30, 0, 1100, 760, 0.4, (600, 600)), Setup(30, 10, 1100, 760, 0.4, (600, 600))]
        self.panel, self.folder, self.table = panel, folder, panel.desk.table
        self.plan, self.ct = plan, ct
        self.target = np.array(plan.puncture.target_mm)
        self.points = np.round(self.target + self.off_mm, 3)
        self.files = []
        for n, setup in enumerate(self.setups):
            moved = self.beat_mm if n == 1 else self.beat_mm[:1]
            shown = [np.vstack([self.points, self.target + self.lead_off_mm + beat]) for beat in moved]
            dataset = xa_dataset(setup, [draw(setup, self.iso(p), seed=n + 7 * k) for k, p in enumerate(shown)])
            self.files.append(write_xa(folder / f"frame {n}.dcm", dataset))

    def iso(self, points: Any) -> NDArray[np.float64]:
        """Where the patient's points truly lie about the isocentre."""
        return np.asarray((np.asarray(points) - self.target) @ self.rotation.T + self.shift_mm)

    def click(self, qtbot: Any, at_px: Any) -> None:
        from qtpy.QtCore import Qt

        canvas = self.panel.xray.frame
        qtbot.mouseClick(canvas, Qt.MouseButton.LeftButton, pos=canvas.screen_place(at_px).toPoint())

    def mark(self, qtbot: Any, f: int, name: str, place: Any) -> None:
        """One point in the frame that is shown; its place in the CT once."""
        from qtpy.QtCore import Qt

        page, session = self.panel.table, self.panel.desk.session
        if name not in self.table.pairs.names:
            page.name.setCurrentText(name)
            qtbot.mouseClick(page.add, Qt.MouseButton.LeftButton)
            session.set_cursor(place)
            qtbot.keyClick(self.panel.window(), "P")
        self.table.choose(name)
        self.click(qtbot, self.setups[f].pixels(self.iso(place))[0])


@pytest.fixture(scope="module")
def at(qapp: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Table]:
    """One window for all tests of a file, with a plan as it was saved, and for its CT balls where the points are."""
    import SimpleITK as sitk
    from septal_viewer.window import open_window

    from septal_planner.inputs.volume import content_sha256, read_volume
    from septal_planner.plan import load_plan

    saved = load_plan(Path(__file__).parents[1] / "old_plans" / "schema-1-phantom.json")
    folder = tmp_path_factory.mktemp("table")
    target = np.array(saved.puncture.target_mm)
    grid = 3.0 * np.indices((64, 64, 64)).astype(np.float64)[::-1] - 96.0
    hu = np.full((64, 64, 64), -1000, dtype=np.int16)
    for off in Table.off_mm:
        hu[((grid - off[:, None, None, None]) ** 2).sum(axis=0) < 12.0**2] = 800
    lps_from_index = np.diag([3.0, 3.0, 3.0, 1.0])
    lps_from_index[:3, 3] = target - 96.0
    image = sitk.GetImageFromArray(hu)
    image.SetSpacing((3.0, 3.0, 3.0))
    image.SetOrigin((target - 96.0).tolist())
    sitk.WriteImage(image, str(folder / "ct.mha"))
    volume = read_volume(folder / "ct.mha")
    np.testing.assert_allclose(volume.lps_from_index, lps_from_index)
    about = saved.ct.model_copy(update={"content_sha256": content_sha256(volume), "frame_of_reference_uid": None})
    plan = saved.model_copy(update={"ct": about})
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("NAPARI_CONFIG", str(folder / "napari.yaml"))
        panel = open_window(state_folder=folder / "state")
        panel.desk.scene.finish()
        session = panel.desk.session
        panel.desk.take_volume(volume)
        session.case = SimpleNamespace(plan=plan, views=None, labels=None)
        session.site_changed.emit()
        panel.desk.scene.finish()
        panel.window().activateWindow()
        yield Table(panel, folder, plan, folder / "ct.mha")
        panel.desk.table.pairs.saved()
        panel.frame.close()
    qapp.processEvents()
