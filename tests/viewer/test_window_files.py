"""What the window reads and writes: plans, kept work, pictures, the printer, what napari opens, and what cannot be."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

pytest.importorskip("napari")
pytest.importorskip("PySide6")

import septal_phantoms
from napari.layers import Layer
from PIL import Image
from qtpy.QtCore import QEvent, QPoint, QPointF, Qt
from qtpy.QtGui import QMouseEvent
from qtpy.QtWidgets import QApplication, QFileDialog, QMessageBox, QWidget
from septal_viewer.camera import on_canvas, state_of
from septal_viewer.layers import ct_layer, landmark_layers
from septal_viewer.surveys import FoundWithSurvey, Surveyed
from septal_viewer.view import has_screen
from septal_viewer.window import PlannerPanel

from septal_planner.handing_on import write_plan_files
from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.volume import Volume
from septal_planner.pipeline import FoundAnatomy, PlannedCase

pytestmark = pytest.mark.skipif(not has_screen(), reason="needs a screen, or Xvfb")

# a session that marks two points and is killed, as by a crash or a lost display
KILLED = """
import os, signal, sys
from pathlib import Path
from septal_planner.inputs.volume import read_volume
from septal_viewer.autosave import Autosave
from septal_viewer.session import Session
session = Session()
autosave = Autosave(session, Path(sys.argv[2]))
session.set_volume(read_volume(Path(sys.argv[1])), path=Path(sys.argv[1]))
for text in sys.argv[3:]:
    name, *point = text.split(",")
    session.place(name, [float(v) for v in point])
autosave.write()
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.fixture
def planned(
    qtbot: Any, window: PlannerPanel, quick_volume: Volume, quick_phantom: Any, quick_found: FoundAnatomy,
    quick_case: PlannedCase, quick_surveyed: Surveyed, settle: Any,
) -> PlannerPanel:  # fmt: skip
    """The quick normal heart, marked and planned, nothing unsaved."""
    settle(window)
    session = window.desk.session
    window.desk.take_volume(quick_volume)
    session.take_landmarks(Landmarks(quick_phantom.landmarks))
    asked = session.ask_for_anatomy()
    assert asked is not None
    session.take_found(FoundWithSurvey(quick_found, asked[2], quick_surveyed))
    request = session.ask_for_plan()
    assert request is not None
    assert session.take_case(quick_case, request)
    window.desk.sights.look_from_front()
    window.handing.folder = None
    window.show_page("handing_on")
    window.say("", "note")
    settle(window)
    return window


def marks_of(panel: PlannerPanel) -> dict[str, Any]:
    return {name: points.tolist() for name, points in panel.desk.session.points_lps.items()}


def said(panel: PlannerPanel) -> str:
    """What stands in the message line, which must be one sentence."""
    text = panel.footer.message.text()
    assert panel.footer.message.isVisible()
    assert panel.footer.kind == "error"
    assert "Traceback" not in text
    assert text.endswith(".")
    return text


def test_a_plan_saved_by_a_newer_version_is_told_and_nothing_is_lost(
    qtbot: Any, planned: PlannerPanel, quick_case: PlannedCase, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_plan_files(quick_case, tmp_path, paper="a4", identity=False)
    document = json.loads((tmp_path / "plan.json").read_text("utf-8"))
    newer = tmp_path / "newer.json"
    newer.write_text(json.dumps({**document, "schema_version": document["schema_version"] + 1}))
    session = planned.desk.session
    session.move_target(np.asarray(session.cursor_lps))
    before = marks_of(planned), session.target_lps, session.found, session.site
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *_a, **_k: (str(newer), ""))
    qtbot.mouseClick(planned.handing.open_plan, Qt.MouseButton.LeftButton)
    assert "newer version" in said(planned)
    assert (marks_of(planned), session.target_lps, session.found, session.site) == before
    assert planned.page == "handing_on"
    planned.say("", "note")
    planned.open_path(newer)  # dropped on the window
    assert "newer version" in said(planned)
    assert (marks_of(planned), session.target_lps, session.found, session.site) == before
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *_a, **_k: (str(tmp_path / "plan.json"), ""))
    qtbot.mouseClick(planned.handing.open_plan, Qt.MouseButton.LeftButton)  # and its own version goes
    assert planned.page == "marking"
    assert session.target_lps is None


def test_work_kept_from_a_crash_is_offered_and_taken_up(
    qtbot: Any, window: PlannerPanel, written_phantom: Any, quick_volume: Volume, settle: Any
) -> None:
    settle(window)
    window.desk.take_volume(quick_volume)
    points = {"left_atrium": [10.5, -150.25, 640.0], "fossa": [-12.0, -152.0, 641.5]}
    marks = [",".join([name, *map(str, at)]) for name, at in points.items()]
    done = subprocess.run(
        [sys.executable, "-c", KILLED, str(written_phantom.ct), str(window.state_folder), *marks], check=False
    )
    assert done.returncode != 0
    window.files.look_for_kept()  # as at the start
    window.show_page("opening")
    assert window.opening.take_up.isVisible()
    assert "2 points of 2 landmarks" in window.opening.kept.text()
    qtbot.mouseClick(window.opening.take_up, Qt.MouseButton.LeftButton)
    session = window.desk.session
    qtbot.waitUntil(lambda: "fossa" in session.points_lps, timeout=60_000)
    settle(window)
    assert {name: p[0].tolist() for name, p in session.points_lps.items()} == points
    assert session.volume is not None
    assert session.volume.series_instance_uid
    assert session.unsaved
    assert not window.opening.take_up.isVisible()
    undone = [f for f in window.state_folder.glob("unsaved-*.json") if f != window.autosave.file]
    assert not undone  # taken over by this window's own


def test_a_second_ct_by_naparis_own_dialog_asks_before_unsaved_work_goes(
    qtbot: Any, planned: PlannerPanel, written_phantom: Any
) -> None:
    session = planned.desk.session
    session.place("spine", session.cursor_lps)
    assert session.unsaved
    before, volume = marks_of(planned), session.volume
    planned.viewer.open(str(written_phantom.ct), plugin="septal-planner")  # what the dialog calls
    qtbot.waitUntil(lambda: planned.asking.box is not None, timeout=20_000)
    box = planned.asking.box
    assert isinstance(box, QMessageBox)
    stay = next(b for b in box.buttons() if b.text() == "Stay here")
    qtbot.mouseClick(stay, Qt.MouseButton.LeftButton)
    assert session.volume is volume
    assert marks_of(planned) == before
    assert all(planned.desk.scene.owns(layer) for layer in planned.viewer.layers)
    planned.viewer.open(str(written_phantom.ct), plugin="septal-planner")
    qtbot.waitUntil(lambda: planned.asking.box is not None, timeout=20_000)
    box = planned.asking.box
    assert box is not None
    lose = next(b for b in box.buttons() if b.text() == "Go on without saving")
    qtbot.mouseClick(lose, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: session.volume is not volume, timeout=20_000)
    assert not session.points_lps


def test_pictures_have_their_size_on_paper(
    qtbot: Any, planned: PlannerPanel, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """150 mm at 300 dots an inch are 1772 pixels; PNG tells the dots a metre (pHYs, ISO/IEC 15948 11.3.4.3)."""
    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *_a, **_k: str(tmp_path / "pictures"))
    qtbot.mouseClick(planned.handing.pictures, Qt.MouseButton.LeftButton)
    files = sorted((tmp_path / "pictures").iterdir())
    names = [f.name for f in files]
    assert names == sorted(["view_3d.png", *(f"view_{v.name}.png" for v in planned.desk.views.views)])
    for file in files:
        with Image.open(file) as picture:
            assert picture.size[0] == pytest.approx(150 / 25.4 * 300, abs=2 if "3d" not in file.name else 20)
            assert picture.info["dpi"][0] == pytest.approx(300, abs=0.5)
            grey = np.asarray(picture.convert("L"))
        assert grey.std() > 10
    assert "4 pictures" in planned.footer.message.text()


def test_a_folder_that_cannot_be_written_is_told(
    qtbot: Any, planned: PlannerPanel, tmp_path: Path, settle: Any
) -> None:
    (tmp_path / "file").write_text("in the way")
    planned.handing.set_folder(tmp_path / "file" / "plan")
    for button in (planned.handing.pictures, planned.handing.save):
        planned.say("", "note")
        qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
        qtbot.waitUntil(lambda: bool(planned.footer.message.text()), timeout=60_000)
        settle(planned)
        assert str(tmp_path / "file") in said(planned)
        assert "--" not in said(planned)
    assert (tmp_path / "file").read_text() == "in the way"
    assert planned.handing.files.count() == 0
    assert planned.desk.session.case is not None


def test_the_plan_is_handed_to_the_print_command(
    qtbot: Any, planned: PlannerPanel, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if sys.platform == "win32":
        pytest.skip("no print command there")
    planned.handing.set_folder(tmp_path)
    planned.handing.written([tmp_path / "plan.pdf"])
    button = planned.handing.print_pdf
    monkeypatch.setenv("PATH", str(tmp_path / "bin"))
    qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
    assert "not there any more" in said(planned)
    (tmp_path / "plan.pdf").write_bytes(b"%PDF-")
    qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
    assert "no print command" in said(planned)
    (tmp_path / "bin").mkdir()
    command = tmp_path / "bin" / "lp"
    for script, words in (
        (f'echo "$@" > "{tmp_path}/printed"', "was sent to the printer"),
        ("echo no default destination >&2; exit 1", "(no default destination)"),
    ):
        command.write_text(f"#!/bin/sh\n{script}\n")
        command.chmod(0o755)
        qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
        qtbot.waitUntil(lambda w=words: w in planned.footer.message.text(), timeout=10_000)
    assert (tmp_path / "printed").read_text().strip() == str(tmp_path / "plan.pdf")


def test_closing_with_unsaved_work_asks(qtbot: Any, marked: PlannerPanel) -> None:
    session = marked.desk.session
    session.place("spine", session.cursor_lps)
    assert session.unsaved
    assert not marked.window().close()
    box = marked.asking.box
    assert isinstance(box, QMessageBox)
    stay = next(b for b in box.buttons() if b.text() == "Stay here")
    qtbot.mouseClick(stay, Qt.MouseButton.LeftButton)
    assert marked.window().isVisible()
    assert session.unsaved


def test_what_napari_opens_by_itself_is_taken_over(
    qtbot: Any, panel: PlannerPanel, quick_volume: Volume, quick_phantom: Any
) -> None:
    fresh = replace(quick_volume, notes=("through the open dialog",))
    for data, settings, kind in [ct_layer(fresh), *landmark_layers(quick_phantom.landmarks)]:
        panel.viewer.add_layer(Layer.create(data, settings, kind))
    session = panel.desk.session
    qtbot.waitUntil(lambda: session.volume is fresh and len(session.points_lps) > 5, timeout=10_000)
    assert all(panel.desk.scene.owns(layer) for layer in panel.viewer.layers)


def test_bad_use_ends_in_a_sentence(qtbot: Any, marked: PlannerPanel, tmp_path: Path, settle: Any) -> None:
    session, said = marked.desk.session, []
    marked.desk.said.connect(lambda text, kind: said.append((text, kind)))
    before = {n: p.copy() for n, p in session.points_lps.items()}
    session.place("left_atrium", (1e4, 0, 0))
    assert said[-1][1] == "error"
    (tmp_path / "empty").mkdir()
    marked.asking.guard(lambda: marked.desk.open_path(tmp_path / "empty"))
    settle(marked)
    assert said[-1][1] == "error"
    assert "empty" in said[-1][0]
    assert marked.footer.message.isVisible()
    other = tmp_path / "landmarks.json"
    other.write_text('{"coordinate_system": "LPS", "unit": "mm", "landmarks": {"fossa": [[9000, 0, 0]]}}')
    marked.open_path(other)
    assert said[-1][1] == "error"
    assert {n: p.tolist() for n, p in session.points_lps.items()} == {n: p.tolist() for n, p in before.items()}


def drag(qtbot: Any, widget: QWidget, start: QPoint, way: QPoint) -> None:
    """With the button told at every move, which turns napari's camera."""
    left = Qt.MouseButton.LeftButton
    qtbot.mousePress(widget, left, pos=start)
    for i in range(1, 5):
        at = QPointF(start + way * i / 4)
        event = QMouseEvent(
            QEvent.Type.MouseMove, at, widget.mapToGlobal(at), Qt.MouseButton.NoButton, left,
            Qt.KeyboardModifier.NoModifier,
        )  # fmt: skip
        QApplication.sendEvent(widget, event)
        qtbot.wait(5)
    qtbot.mouseRelease(widget, left, pos=start + way)


def test_the_target_is_dragged_in_3d(qtbot: Any, planned: PlannerPanel, settle: Any) -> None:
    planned.show_page("crossing")
    planned.desk.sights.look_as("fossa_en_face")
    settle(planned)
    session = planned.desk.session
    canvas = planned.viewer.window._qt_viewer.canvas
    state, before = state_of(planned.viewer.scene.camera), session.site
    assert before is not None
    row, column = on_canvas(state, canvas.size, before.target_lps)
    start = QPoint(round(column), round(row))
    way = QPoint(12, -6)
    drag(qtbot, canvas.native, start, way)
    after = session.site
    assert after is not None
    assert after.source == "user"
    assert state_of(planned.viewer.scene.camera) == state  # the view stood still
    there = on_canvas(state, canvas.size, after.target_lps)
    np.testing.assert_allclose(there, [row - 6, column + 12], atol=4)
    planned.actions_.undo()  # the whole drag
    assert session.site is not None
    np.testing.assert_allclose(session.site.target_lps, before.target_lps)
    # beside the target the view is turned
    drag(qtbot, canvas.native, QPoint(40, 40), QPoint(40, 20))
    assert state_of(planned.viewer.scene.camera) != state


def test_the_only_series_is_opened_in_one_step(
    qtbot: Any, planned: PlannerPanel, written_phantom: Any, settle: Any
) -> None:
    session = planned.desk.session
    before = session.volume
    assert before is not None
    planned.open_path(written_phantom.ct)
    qtbot.waitUntil(lambda: session.volume is not before, timeout=60_000)
    settle(planned)
    assert session.volume is not None
    np.testing.assert_array_equal(session.volume.hu, replace(before).hu)
    assert session.path == written_phantom.ct
    assert planned.desk.series == ()


def test_beside_the_series_with_contrast_the_others_are_offered(
    qtbot: Any, planned: PlannerPanel, quick_phantom: Any, written_phantom: Any, tmp_path: Path, settle: Any
) -> None:
    plain = replace(quick_phantom, hu=np.minimum(quick_phantom.hu, 45), phase_percent=35.0)
    septal_phantoms.write_dicom(plain, tmp_path / "both" / "plain")
    shutil.copytree(written_phantom.ct, tmp_path / "both" / "filled")
    session = planned.desk.session
    before = session.volume
    planned.open_path(tmp_path / "both")
    qtbot.waitUntil(lambda: session.volume is not before, timeout=60_000)
    qtbot.waitUntil(lambda: len(planned.desk.series) == 2, timeout=60_000)
    settle(planned)
    assert session.volume is not None
    assert session.volume.phase_percent == quick_phantom.phase_percent
    assert len(planned.opening.offered()) == 2
    assert "the one that shows contrast was opened" in planned.footer.message.text()
