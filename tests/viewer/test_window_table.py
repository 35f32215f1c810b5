"""Page X-ray by mouse and keys: frames opened, pairs marked, the CT laid onto them, and the console's word on it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pydicom
import pytest

pytest.importorskip("napari")
pytest.importorskip("PySide6")

from qtpy.QtCore import QMimeData, QPointF, Qt, QUrl
from qtpy.QtGui import QDragEnterEvent, QDropEvent
from qtpy.QtWidgets import QApplication, QFileDialog
from septal_viewer.pairs import TIP, TRACKED
from septal_viewer.view import has_screen

from septal_planner import cli
from septal_planner.plan import save_plan

pytestmark = pytest.mark.skipif(not has_screen(), reason="needs a screen, or Xvfb")


@pytest.fixture
def marked(qtbot: Any, at: Any) -> Any:
    """Both frames dropped on the window, and six pairs in each, as far as they are not there yet."""
    panel = at.panel
    qtbot.waitUntil(panel.window().isActiveWindow, timeout=10_000)
    panel.show_page("table")
    at.table.set_mode("frames")
    if not at.table.pairs.runs:
        data = QMimeData()
        data.setUrls([QUrl.fromLocalFile(str(f)) for f in at.files])
        how = (Qt.DropAction.CopyAction, data, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier)
        QApplication.sendEvent(panel.window(), QDragEnterEvent(QPointF(300, 300), *how))
        QApplication.sendEvent(panel.window(), QDropEvent(QPointF(300, 300), *how))
        qtbot.waitUntil(lambda: len(at.table.pairs.runs) == 2, timeout=40_000)
        qtbot.wait(50)
        for f in (0, 1):
            at.table.show_run(f)
            for name, place in zip(at.names, at.points, strict=True):
                at.mark(qtbot, f, name, place)
            at.table.choose(TIP)
            at.click(qtbot, at.setups[f].pixels(at.iso(at.target + at.tip_off_mm))[0])
    return at


def registered(qtbot: Any, at: Any) -> None:
    if at.table.laid is None:
        qtbot.keyClick(at.panel.window(), "R")
        ended = at.panel.footer.message
        qtbot.waitUntil(lambda: at.table.laid is not None or "Not done" in ended.text(), timeout=40_000)
        assert at.table.laid is not None, ended.text()


def idle(qtbot: Any, at: Any) -> None:
    """Until everything is simulated in full."""
    def still() -> bool:
        made = at.table.simulated()
        return made is not None and not made.shot.hasty and not at.panel.desk.work.busy

    qtbot.waitUntil(still, timeout=40_000)


def test_pairs_by_mouse_lay_the_ct_where_the_patient_is(qtbot: Any, marked: Any) -> None:
    registered(qtbot, marked)
    laid = marked.table.laid
    assert laid is not None
    assert [len(marked.table.pairs.frame(run).pixels) for run in marked.table.pairs.runs] == [6, 6]
    d = laid.document
    for frame, setup in zip(d.frames, marked.setups, strict=True):  # a click is half a screen pixel sharp
        off = np.linalg.norm(np.array(frame.target_px) - setup.pixels(marked.iso(marked.target))[0])
        assert off * 0.4 * 760 / 1100 < 1.0
    assert d.needle_tip is not None
    tip_lps = marked.target + marked.tip_off_mm
    assert np.linalg.norm(np.array(d.needle_tip.place_mm) - tip_lps) < 3 * d.needle_tip.rms_mm
    page = marked.panel.table
    assert page.hero.text() == f"{d.total_rms_mm:.1f} mm"
    assert "Needle tip" in page.tip.text()
    assert "names no patient" in page.cautions.text()
    first = page.points.item(0, 3)
    assert first is not None
    assert first.text().startswith(f"{next(p for p in d.pairs if p.frame == 2).residual_mm:.1f} / ")


def written(qtbot: Any, at: Any, folder: Path, monkeypatch: pytest.MonkeyPatch, *options: str) -> list[str]:
    """The registration saved by mouse into `window`, and by the console with these options into `console`; the names
    of the files, which are the same."""
    save_plan(at.plan, folder / "plan.json")
    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *_a, **_k: str(folder))
    qtbot.mouseClick(at.panel.table.save, Qt.MouseButton.LeftButton)
    registered(qtbot, at)
    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *_a, **_k: str(folder / "window"))
    qtbot.waitUntil(at.panel.table.write.isEnabled, timeout=90_000)
    at.table.written = None
    qtbot.mouseClick(at.panel.table.write, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: at.table.written is not None, timeout=90_000)
    call = ["register", str(folder / "plan.json"), "--out", str(folder / "console"), *options]
    for file in at.files:
        call += ["--frame", str(file), str(folder / f"{file.stem}-points.json")]
    assert cli.main(call) == 0
    names = sorted(p.name for p in (folder / "console").iterdir())
    assert names == sorted(p.name for p in (folder / "window").iterdir())
    for name in names:
        if name.endswith((".json", ".png")):
            assert (folder / "window" / name).read_bytes() == (folder / "console" / name).read_bytes()
    return names


def test_the_console_says_the_same(
    qtbot: Any, marked: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = written(qtbot, marked, tmp_path, monkeypatch)
    assert {"registration.json", "frame-1.png", "frame-2.png"} <= set(names)


def test_a_tracked_point_is_followed_and_all_frames_are_drawn_as_the_console_does(
    qtbot: Any, marked: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    table, page = marked.table, marked.panel.table
    kept = table.pairs.marks
    registered(qtbot, marked)
    table.show_run(0)
    assert TRACKED not in table.pairs.rows  # one frame
    table.show_run(1)
    table.choose(TRACKED)
    lead_lps = marked.target + marked.lead_off_mm
    true = np.array([marked.setups[1].pixels(marked.iso(lead_lps + beat))[0] for beat in marked.beat_mm])
    marked.click(qtbot, true[0])
    qtbot.waitUntil(lambda: table.followed is not None, timeout=40_000)
    found = table.followed
    assert found is not None
    for n in (2, 3):  # against the geometry that made the frames; a click is half a screen pixel sharp
        place = found.places[n]
        assert place is not None
        off = np.array(place) - np.array(found.marked[1]) - (true[n - 1] - true[0])
        assert np.linalg.norm(off) < 0.5
        across = 0.4 * 760 / 1100 * np.linalg.norm(true[n - 1] - true[0])
        assert found.moved_mm[n] == pytest.approx(across, abs=0.15)
    assert f"up to {found.moved_mm[3]:.1f} mm" in page.tracked.text()
    registered(qtbot, marked)
    assert table.laid is not None
    # registration and what a catheter followed leaves, 1.99 +- 1.20 mm (doi 10.1007/978-3-642-30618-1_10), in squares
    total = np.sqrt(table.laid.document.target.rms_mm ** 2 + 1.99**2 + 1.20**2)
    assert f"is {total:.1f} mm RMS instead" in page.tracked.text()
    page.number.setValue(3)
    qtbot.waitUntil(lambda: table.picture is not None, timeout=20_000)
    assert table.picture is not None
    assert table.picture.number == 3
    moved = next(s for s in table.shapes() if s.role == "target").points_px.mean(axis=0)
    own = next(s for s in table.laid.drawings[1].shapes if s.role == "target").points_px.mean(axis=0)
    assert np.linalg.norm(moved - own - (true[2] - true[0])) < 0.5
    assert [p.name for p in marked.panel.xray.frame.points] == [TRACKED]
    assert not table.change(lambda: table.pairs.set_pixel("carina", (10.0, 10.0)))  # its frame is another
    assert "stand in frame 1" in marked.panel.footer.message.text()
    page.number.setValue(1)
    page.more.switch.click()
    page.more.cine.click()
    names = written(qtbot, marked, tmp_path, monkeypatch, "--cine")
    assert "frame-2-run.dcm" in names
    runs = [pydicom.dcmread(tmp_path / who / "frame-2-run.dcm") for who in ("window", "console")]
    assert runs[0].NumberOfFrames == 3
    assert runs[0].PixelData == runs[1].PixelData
    page.more.cine.click()
    page.more.switch.click()
    assert not table.cine
    while table.pairs.marks != kept:
        assert table.pairs.undo()
    table.change(lambda: True)
    table.pairs.saved()


@pytest.mark.slow
def test_the_pictures_are_compared_beside_and_told_as_the_console_does(
    qtbot: Any, marked: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    table, page = marked.table, marked.panel.table
    registered(qtbot, marked)
    page.more.switch.click()
    page.more.images.click()
    qtbot.waitUntil(lambda: marked.panel.desk.work.job == "compare", timeout=20_000)
    assert table.laid is not None  # the registration stands meanwhile
    qtbot.keyClick(marked.panel.window(), Qt.Key.Key_Escape)
    qtbot.waitUntil(lambda: not marked.panel.desk.work.busy, timeout=20_000)
    assert not table.images
    assert table.laid is not None
    page.more.images.click()
    qtbot.waitUntil(lambda: table.laid is not None and table.laid.document.picture_check is not None, timeout=120_000)
    assert table.laid is not None
    check = table.laid.document.picture_check
    assert check is not None
    assert table.after
    assert f"move the target by {check.moved_mm:.1f} mm" in page.pictures.text()
    assert check.capture_range in page.pictures.text()
    written(qtbot, marked, tmp_path, monkeypatch, "--images", str(marked.ct))
    page.more.images.click()
    page.more.switch.click()
    assert not page.pictures.text()


def test_before_and_after_and_the_blend_between(qtbot: Any, marked: Any) -> None:
    registered(qtbot, marked)
    xray, table = marked.panel.xray, marked.table
    table.show_run(0)
    true = marked.setups[0].pixels(marked.iso(marked.target))[0]
    table.show_after(False)
    idle(qtbot, marked)
    before = next(s for s in table.shapes() if s.role == "target").points_px.mean(axis=0)
    np.testing.assert_allclose(before, (np.array(marked.setups[0].size_px) - 1) / 2, atol=0.5)  # at the isocentre
    qtbot.mouseClick(xray.after, Qt.MouseButton.LeftButton)
    idle(qtbot, marked)
    after = next(s for s in table.shapes() if s.role == "target").points_px.mean(axis=0)
    assert np.linalg.norm(after - true) < 4 < np.linalg.norm(before - true)
    xray.show_drawings(False)
    xray.frame.points = ()

    def grey() -> np.ndarray:
        image = xray.frame.grab().toImage()
        return np.array([[image.pixelColor(x, y).red() for x in range(60, 400, 20)] for y in range(60, 350, 20)])

    xray.blend.setValue(0)
    real = grey()
    xray.blend.setValue(100)
    whole = grey()
    xray.blend.setValue(50)
    assert np.abs(grey() - (real + whole) / 2).max() <= 2
    assert np.abs(real - whole).max() > 50
    xray.blend.setValue(0)
    xray.show_drawings(True)


def test_points_that_are_not_saved_are_asked_about(
    qtbot: Any, marked: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    panel, table = marked.panel, marked.table
    kept = table.pairs.frame().pixels["carina"]
    table.change(lambda: table.pairs.set_pixel("carina", (kept[0] + 1, kept[1])))
    done: list[bool] = []
    panel.asking.guard(lambda: done.append(True))
    box = panel.asking.box
    assert box is not None
    assert "points on the X-ray frames" in box.text()
    assert not done
    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *_a, **_k: str(tmp_path))
    save = next(b for b in box.buttons() if b.text() == "Save points…")
    qtbot.mouseClick(save, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: bool(done), timeout=5_000)
    assert len(list(tmp_path.glob("*-points.json"))) == 2
    assert not table.pairs.unsaved
    table.change(table.pairs.undo)
    table.pairs.saved()


def test_a_wrong_pair_is_named_and_undo_mends_it(qtbot: Any, marked: Any) -> None:
    table, page = marked.table, marked.panel.table
    table.show_run(1)
    table.choose("lead tip")
    assert table.change(lambda: table.pairs.set_pixel("lead tip", (520.0, 100.0)))
    assert table.laid is None
    registered(qtbot, marked)
    assert "lead tip in frame 2" in page.wrong.text()
    assert any(p.out for p in marked.panel.xray.frame.points)
    qtbot.keyClick(marked.panel.window(), "Z", Qt.KeyboardModifier.ControlModifier)
    assert table.laid is None
    registered(qtbot, marked)
    assert not page.wrong.text()


def test_what_cannot_be_registered_is_said(qtbot: Any, marked: Any) -> None:
    table, footer = marked.table, marked.panel.footer
    kept = table.pairs.marks
    for name in marked.names[:4]:
        table.pairs.set_place(name, tuple(marked.target + np.array([10.0, 5.0, 2.0]) * marked.names.index(name)))
    for name in marked.names[4:]:
        for f in (0, 1):
            table.show_run(f)
            table.pairs.take_out(name)
    qtbot.keyClick(marked.panel.window(), "R")
    qtbot.waitUntil(lambda: not marked.panel.desk.work.busy and not table.waiting, timeout=40_000)
    assert "in a line" in footer.message.text()
    while table.pairs.marks != kept:
        assert table.pairs.undo()
    table.change(lambda: True)
    marked.panel.say("", "note")


def test_what_is_asked_for_goes_before_what_is_worked_out_unasked(
    qtbot: Any, marked: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Busy:
        job, busy = "trial", True
        started: ClassVar[list[str]] = []

        def make_way(self) -> None:
            self.busy = False

        def start_job(self, name: str, *_given: object) -> bool:
            self.started.append(name)
            return True

    work = Busy()
    qtbot.waitUntil(lambda: not marked.panel.desk.work.busy, timeout=40_000)
    monkeypatch.setattr(marked.table, "work", work)
    assert marked.table.register()
    assert work.started == ["register"]
    work.job, work.busy = "simulate", True  # sooner done than begun anew
    assert marked.table.register()
    assert work.started == ["register"]
    marked.table.give_up()


def test_a_view_of_the_list_turns_the_scene_and_is_simulated(qtbot: Any, marked: Any) -> None:
    panel, table = marked.panel, marked.table
    qtbot.mouseClick(panel.table.views_mode, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: table.views is not None, timeout=40_000)
    assert table.views is not None
    row = panel.table.candidates
    qtbot.wait(50)
    where = row.visualItemRect(row.item(2, 1)).center()
    qtbot.mouseClick(row.viewport(), Qt.MouseButton.LeftButton, pos=where)
    wanted = table.views.found.candidates[2]
    assert panel.desk.scene.angles() == pytest.approx(wanted.angles_deg, abs=0.01)
    idle(qtbot, marked)
    qtbot.waitUntil(lambda: panel.xray.simulated.corner == (wanted.view.label,), timeout=20_000)
    chart = panel.xray.chart
    # axes are linear: a third of the way from RAO 90 to LAO 90, a quarter down from cranial 60
    left, right = chart.place(-90, 60), chart.place(90, -60)
    at = QPointF(left.x() + (right.x() - left.x()) / 3, left.y() + (right.y() - left.y()) / 4)
    qtbot.mouseClick(chart, Qt.MouseButton.LeftButton, pos=at.toPoint())
    assert panel.desk.scene.angles() == pytest.approx((-30, 30), abs=0.5)
    assert table.look == pytest.approx((-30, 30), abs=0.5)
    panel.show_page("crossing")
    assert panel.desk.views.views[1].isVisible()
    assert not panel.xray.isVisible()
    assert sys.excepthook is not None
