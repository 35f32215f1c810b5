"""The whole job in the window by mouse and keys, from a DICOM folder to the printed plan, and the console's word on it.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

pytest.importorskip("napari")
pytest.importorskip("PySide6")

import septal_phantoms
from qtpy.QtCore import QMimeData, QPoint, QPointF, Qt, QUrl
from qtpy.QtGui import QDragEnterEvent, QDropEvent, QWheelEvent
from qtpy.QtWidgets import QApplication, QFileDialog
from septal_viewer.guide import STEP
from septal_viewer.overlay import TARGET
from septal_viewer.plane_view import PlaneView
from septal_viewer.view import has_screen
from septal_viewer.window import PlannerPanel, open_window

from septal_planner import cli
from septal_planner.geometry.curves import closed_spline

pytestmark = pytest.mark.skipif(not has_screen(), reason="needs a screen, or Xvfb")

BY_CLICK = ("left_atrium", "right_atrium", "inferior_vena_cava", "fossa", "aorta", "left_ventricle", "right_ventricle",
            "superior_vena_cava")  # fmt: skip


@pytest.fixture
def panel(qtbot: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[PlannerPanel]:
    monkeypatch.setenv("NAPARI_CONFIG", str(tmp_path / "napari.yaml"))
    made = open_window(state_folder=tmp_path / "state")
    made.desk.scene.finish()
    made.window().activateWindow()
    qtbot.waitUntil(made.window().isActiveWindow, timeout=10_000)
    yield made
    made.frame.close()


def idle(qtbot: Any, panel: PlannerPanel) -> None:
    qtbot.waitUntil(lambda: not panel.desk.work.busy, timeout=180_000)
    panel.desk.scene.finish()
    panel.desk.views.refresh_now()


def click(qtbot: Any, view: PlaneView, at_lps: np.ndarray) -> None:
    """On the pixel of a point; what is not in the plane is clicked at its foot."""
    qtbot.mouseClick(view.canvas, Qt.MouseButton.LeftButton, pos=view.widget_place(at_lps).toPoint())


def wheel(view: PlaneView, steps: int) -> None:
    """Turn the wheel over a view, one millimetre a step."""
    middle = QPointF(view.canvas.rect().center())
    event = QWheelEvent(
        middle, view.canvas.mapToGlobal(middle), QPoint(), QPoint(0, 120 * steps), Qt.MouseButton.NoButton,
        Qt.KeyboardModifier.NoModifier, Qt.ScrollPhase.NoScrollPhase, False,
    )  # fmt: skip
    QApplication.sendEvent(view.canvas, event)


def test_from_the_dicom_folder_to_the_printed_plan(
    qtbot: Any, panel: PlannerPanel, quick_phantom: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    septal_phantoms.write_dicom(quick_phantom, tmp_path / "ct")
    session, window = panel.desk.session, panel.window()
    truth = {n: np.asarray(p, dtype=np.float64) for n, p in quick_phantom.landmarks.items()}

    # the folder is dropped on the window
    data = QMimeData()
    data.setUrls([QUrl.fromLocalFile(str(tmp_path / "ct"))])
    how = (Qt.DropAction.CopyAction, data, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier)
    QApplication.sendEvent(window, QDragEnterEvent(QPointF(500, 400), *how))
    QApplication.sendEvent(window, QDropEvent(QPointF(500, 400), *how))
    qtbot.waitUntil(lambda: session.volume is not None, timeout=120_000)
    idle(qtbot, panel)

    # landmarks of one or two points: their slice by the wheel, then a click
    qtbot.keyClick(window, "2", Qt.KeyboardModifier.AltModifier)
    assert panel.page == "marking"
    axial = panel.desk.views.views[0]
    for name in BY_CLICK:
        row = list(STEP).index(name)
        panel.marking.table.scrollToItem(panel.marking.table.item(row, 1))
        qtbot.mouseClick(
            panel.marking.table.viewport(), Qt.MouseButton.LeftButton,
            pos=panel.marking.table.visualItemRect(panel.marking.table.item(row, 1)).center(),
        )  # fmt: skip
        assert panel.desk.selected == name
        for point in truth[name]:
            panel.desk.views.refresh_now()
            assert axial.plane is not None
            wheel(axial, round(float(axial.plane.depth_mm(point))))
            panel.desk.views.refresh_now()
            if panel.desk.selected != name or not panel.marking.pick.isChecked():
                panel.select(name)
                qtbot.mouseClick(panel.marking.pick, Qt.MouseButton.LeftButton)
            click(qtbot, axial, point)
        assert len(session.points_lps[name]) == len(truth[name])
        np.testing.assert_allclose(session.points_lps[name], truth[name], atol=1.0)
        qtbot.keyClick(window, Qt.Key.Key_Escape)

    # the annulus in turned planes, two clicks in each
    panel.select("mitral_annulus")
    qtbot.mouseClick(panel.marking.pick, Qt.MouseButton.LeftButton)
    ring = closed_spline(truth["mitral_annulus"], samples=2000)
    for _ in range(6):
        panel.desk.views.refresh_now()
        view = panel.desk.views.views[0]
        assert view.name == "annulus"
        plane = view.plane
        assert plane is not None
        depth = plane.depth_mm(ring)
        crossings = ring[np.flatnonzero(np.sign(depth) != np.sign(np.roll(depth, -1)))]
        assert len(crossings) == 2
        for point in crossings:
            click(qtbot, view, point)
    assert len(session.points_lps["mitral_annulus"]) == 12
    qtbot.keyClick(window, Qt.Key.Key_Escape)
    qtbot.keyClick(window, "Z", Qt.KeyboardModifier.ControlModifier)
    assert len(session.points_lps["mitral_annulus"]) == 11
    qtbot.keyClick(window, "Z", Qt.KeyboardModifier.ControlModifier | Qt.KeyboardModifier.ShiftModifier)
    assert len(session.points_lps["mitral_annulus"]) == 12
    assert all(s.state == "placed" for n, s in session.states().items() if n in session.points_lps)

    marks = tmp_path / "landmarks.json"
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_a, **_k: (str(marks), ""))
    qtbot.mouseClick(panel.marking.save_file, Qt.MouseButton.LeftButton)
    assert marks.exists()

    # find, choose, compare
    qtbot.keyClick(window, "F")
    qtbot.waitUntil(lambda: session.site is not None, timeout=300_000)
    idle(qtbot, panel)
    qtbot.waitUntil(lambda: session.case is not None, timeout=120_000)
    assert panel.page == "crossing"
    combo = panel.crossing.procedure
    combo.setCurrentIndex(combo.findData("edge-to-edge-functional"))
    assert session.pending  # nothing is surveyed in the window itself
    assert not panel.crossing.card.isEnabled()
    qtbot.waitUntil(lambda: session.site is not None, timeout=120_000)
    qtbot.keyClick(window, "K")
    assert len(session.candidates) == 1
    idle(qtbot, panel)
    view = next(v for v in panel.desk.views.views if v.name == "en_face")
    site = session.site
    assert site is not None
    start = view.widget_place(np.asarray(site.target_lps)).toPoint()
    assert view.canvas.mark_at(start.toPointF()) == TARGET
    qtbot.mousePress(view.canvas, Qt.MouseButton.LeftButton, pos=start)
    for i in range(1, 6):
        qtbot.mouseMove(view.canvas, start + QPoint(4 * i, 2 * i))
        qtbot.wait(5)
    qtbot.mouseRelease(view.canvas, Qt.MouseButton.LeftButton, pos=start + QPoint(20, 10))
    assert session.target_lps is not None
    assert panel.crossing.compare.isVisible()
    qtbot.waitUntil(lambda: session.case is not None, timeout=120_000)
    idle(qtbot, panel)

    # hand on
    out = tmp_path / "plan"
    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *_a, **_k: str(out))
    qtbot.keyClick(window, "4", Qt.KeyboardModifier.AltModifier)
    qtbot.mouseClick(panel.handing.save, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: panel.handing.files.count() > 0, timeout=180_000)
    assert (out / "plan.pdf").read_bytes()[:5] == b"%PDF-"
    assert not session.unsaved
    assert window.close()

    # the console says the same of the same landmarks and target
    target = [repr(v) for v in session.target_lps]
    assert cli.main([
        "plan", str(tmp_path / "ct"), str(marks), "--out", str(tmp_path / "console"),
        "--procedure", "edge-to-edge-functional", "--target", *target,
    ]) == 0  # fmt: skip
    assert (out / "plan.json").read_bytes() == (tmp_path / "console" / "plan.json").read_bytes()
    assert (out / "plan.pdf").read_bytes() == (tmp_path / "console" / "plan.pdf").read_bytes()


def test_the_console_says_how_to_install_what_is_missing(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "napari", None)
    monkeypatch.setenv("DISPLAY", ":0")
    assert cli.main(["view"]) == 3
    said = capsys.readouterr().err
    assert "pip install 'septal-planner[viewer]'" in said
    assert said.count("\n") == 1


def test_the_console_says_that_there_is_no_screen(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    if not sys.platform.startswith("linux"):
        pytest.skip("other systems always have one")
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(name, raising=False)
    assert cli.main(["view"]) == 3
    assert "No screen" in capsys.readouterr().err


def test_the_console_refuses_what_does_not_exist(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["view", str(tmp_path / "none")]) == 3
    assert "does not exist" in capsys.readouterr().err
