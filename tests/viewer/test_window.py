"""The window itself, shown on a (virtual) screen: what is painted is looked at, pixel by pixel."""

from __future__ import annotations

import sys
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

pytest.importorskip("napari")
pytest.importorskip("PySide6")

from numpy.typing import NDArray
from qtpy.QtCore import QPoint, Qt
from qtpy.QtGui import QImage
from qtpy.QtWidgets import QPushButton, QWidget
from septal_viewer.keys import SHORTCUTS
from septal_viewer.overlay import TARGET
from septal_viewer.surveys import FoundWithSurvey, Surveyed
from septal_viewer.view import has_screen
from septal_viewer.window import PlannerPanel

from septal_planner.fluoroscopy import carm
from septal_planner.inputs.volume import Volume
from septal_planner.pipeline import FoundAnatomy, PlannedCase

pytestmark = pytest.mark.skipif(not has_screen(), reason="needs a screen, or Xvfb")


def pixels(widget: QWidget) -> NDArray[np.uint8]:
    """What a widget shows (rows, columns, RGB)."""
    image = widget.grab().toImage().convertToFormat(QImage.Format.Format_RGB888)
    rows = np.frombuffer(image.constBits(), dtype=np.uint8).reshape(image.height(), image.bytesPerLine())
    return rows[:, : 3 * image.width()].reshape(image.height(), image.width(), 3).copy()


@pytest.fixture
def planned(
    qtbot: Any, marked: PlannerPanel, quick_found: FoundAnatomy, quick_surveyed: Surveyed, settle: Any
) -> PlannerPanel:  # fmt: skip
    """The quick normal heart with its anatomy found and its plan made."""
    session = marked.desk.session
    asked = session.ask_for_anatomy()
    assert asked is not None
    marked.desk._done("find", FoundWithSurvey(quick_found, asked[2], quick_surveyed))
    settle(marked)
    qtbot.waitUntil(lambda: session.case is not None, timeout=240_000)
    settle(marked)
    return marked


def test_no_reference_to_none_is_used_up(panel: PlannerPanel) -> None:
    """Immortal from Python 3.12 on (PEP 683), kept by us before."""
    label = panel.footer.doing
    for _ in range(100_000):
        label.setText("")
    assert sys.version_info >= (3, 12) or sys.getrefcount(None) > 1 << 39


def test_everything_fits_1280_by_800_and_the_caution_is_read_on_every_page(qtbot: Any, planned: PlannerPanel) -> None:
    window = planned.window()
    assert window.width() <= 1280
    assert window.height() <= 800
    for name in ("opening", "marking", "crossing", "table", "handing_on"):
        planned.show_page(name)
        qtbot.wait(20)
        assert window.width() <= 1280
        caution = planned.footer.caution
        assert "not a medical device" in caution.text()
        assert caution.isVisible()
        assert window.rect().contains(caution.mapTo(window, caution.rect().bottomRight()))
        # nothing to the right of the panel's edge
        page = planned.stack.currentWidget()
        for each in page.findChildren(QPushButton):
            if each.isVisible():
                right = each.mapTo(window, each.rect().bottomRight()).x()
                assert right <= window.width(), each.text()


def test_all_views_show_the_heart_and_differ(qtbot: Any, marked: PlannerPanel, settle: Any) -> None:
    settle(marked)
    pictures = [pixels(view.canvas) for view in marked.desk.views.views]
    for picture in pictures:
        assert (picture.max(axis=2) > 120).mean() > 0.05
    assert all(p.std() > 20 for p in pictures)


def test_grey_levels_are_those_of_the_window_asked_for(
    qtbot: Any, panel: PlannerPanel, quick_volume: Volume, settle: Any
) -> None:
    """Linear between black and white, DICOM PS3.3 C.11.2.1.3.2 (LINEAR_EXACT)."""
    panel.desk.views.show_drawings(False)
    view = panel.desk.views.views[0]
    for name in ("blood", "bright"):
        index = panel.strip.window_names.findData(name)
        panel.strip.window_names.setCurrentIndex(index)
        settle(panel)
        at = np.asarray(panel.desk.session.cursor_lps)
        place = view.widget_place(at)
        k, j, i = np.round(
            (np.linalg.inv(quick_volume.lps_from_index) @ [*at, 1.0])[:3]
        ).astype(int)[::-1]
        around = quick_volume.hu[k, j - 1 : j + 2, i - 1 : i + 2].astype(float)
        low, high = panel.desk.views.low_hu, panel.desk.views.high_hu
        expected = np.clip((around.mean() - low) / (high - low) * 255, 0, 255)
        spot = pixels(view.canvas)[int(place.y()) - 1 : int(place.y()) + 2, int(place.x()) - 1 : int(place.x()) + 2]
        spread = np.ptp(around) / (high - low) * 255
        assert abs(spot.mean() - expected) <= spread + 3
    panel.desk.views.show_drawings(True)


def test_the_3d_view_is_painted_and_its_world_is_lps(qtbot: Any, planned: PlannerPanel) -> None:
    shot = planned.viewer.screenshot(canvas_only=True, flash=False)
    assert (shot[..., :3].max(axis=2) > 40).mean() > 0.1
    site, found = planned.desk.session.site, planned.desk.session.found
    assert site is not None
    assert found is not None
    layers = {key: layer for key, layer in planned.desk.scene._layers.items()}
    world = layers["target"].data_to_world(layers["target"].data[0])
    np.testing.assert_allclose(world, site.target_lps, atol=1e-4)
    assert all(str(u) in ("mm", "millimeter") for layer in planned.viewer.layers for u in layer.units)
    volume = planned.desk.session.volume
    assert volume is not None
    i, j, k = 3, 5, 7
    np.testing.assert_allclose(
        layers["ct"].data_to_world((i, j, k)), (volume.lps_from_index @ [i, j, k, 1])[:3], atol=1e-3
    )
    vertices = layers["membrane"].data[0]
    assert np.linalg.norm(vertices - found.fossa.center_lps, axis=1).min() < 1.0
    assert layers["membrane"].opacity == 1.0


def test_a_click_moves_the_cross_hair_in_every_plane(qtbot: Any, marked: PlannerPanel, settle: Any) -> None:
    settle(marked)
    axial, coronal, _ = marked.desk.views.views
    before = np.array(marked.desk.session.cursor_lps)
    qtbot.mouseClick(axial.canvas, Qt.MouseButton.LeftButton, pos=QPoint(150, 90))
    at = np.array(marked.desk.session.cursor_lps)
    assert axial.plane is not None
    expected = axial.plane.lps(np.array(axial.canvas.mm(QPoint(150, 90).toPointF())))
    np.testing.assert_allclose(at, expected, atol=0.5)
    assert at[2] == pytest.approx(before[2])
    settle(marked)
    assert coronal.plane is not None
    assert coronal.plane.depth_mm(at) == pytest.approx(0, abs=1e-6)


def test_wheel_and_keys_go_through_the_planes(qtbot: Any, marked: PlannerPanel, settle: Any) -> None:
    settle(marked)
    axial = marked.desk.views.views[0]
    before = np.array(marked.desk.session.cursor_lps)
    axial.canvas.setFocus()
    qtbot.keyClick(axial.canvas, Qt.Key.Key_PageUp)
    moved = np.array(marked.desk.session.cursor_lps) - before
    assert axial.plane is not None
    assert moved @ axial.plane.normal_lps == pytest.approx(1.0)
    settle(marked)
    qtbot.keyClick(axial.canvas, Qt.Key.Key_Right)
    moved = np.array(marked.desk.session.cursor_lps) - before
    assert moved @ axial.plane.right_lps == pytest.approx(0.5)


def drag(qtbot: Any, canvas: QWidget, start: QPoint, way: tuple[int, int], steps: int = 6) -> None:
    qtbot.mousePress(canvas, Qt.MouseButton.LeftButton, pos=start)
    for i in range(1, steps + 1):
        qtbot.mouseMove(canvas, start + QPoint(way[0] * i // steps, way[1] * i // steps))
        qtbot.wait(5)
    qtbot.mouseRelease(canvas, Qt.MouseButton.LeftButton, pos=start + QPoint(*way))


def test_the_target_is_dragged_over_the_membrane_and_its_numbers_follow(qtbot: Any, planned: PlannerPanel) -> None:
    session = planned.desk.session
    view = next(v for v in planned.desk.views.views if v.name == "en_face")
    assert session.site is not None
    before = session.site
    start = view.widget_place(before.target_lps).toPoint()
    assert view.canvas.mark_at(start.toPointF()) == TARGET
    drag(qtbot, view.canvas, start, (25, 10))
    after = session.site
    assert after.source == "user"
    found = session.found
    assert found is not None
    moved = float(np.linalg.norm(after.target_lps - before.target_lps))
    assert moved == pytest.approx(np.hypot(25, 10) / view.canvas.px_per_mm, abs=1.5)
    assert found.fossa.patch.nearest(after.target_lps)[1] < 0.01  # on the mid-surface
    assert planned.crossing.hero.text() == f"{after.height_mm:.1f}\u00a0mm"
    qtbot.waitUntil(lambda: session.case is not None, timeout=60_000)
    assert session.case.site.target_lps == pytest.approx(np.asarray(session.target_lps), abs=1e-3)
    planned.actions_.undo()  # the whole drag
    assert session.site.target_lps == pytest.approx(before.target_lps)


def test_landmarks_stay_where_they_are_while_the_target_is_moved(planned: PlannerPanel) -> None:
    planned.show_page("crossing")
    planned.desk.views.refresh_now()
    for view in planned.desk.views.views:
        picture = view.canvas.picture
        assert picture is not None
        assert {m.key for m in picture.marks} <= {None, TARGET}


def test_a_landmark_is_dragged_undone_locked(qtbot: Any, marked: PlannerPanel, settle: Any) -> None:
    session = marked.desk.session
    settle(marked)
    view = marked.desk.views.views[0]
    before = session.points_lps["fossa"][0]
    start = view.widget_place(before).toPoint()
    drag(qtbot, view.canvas, start, (12, 0))
    after = session.points_lps["fossa"][0]
    assert np.linalg.norm(after - before) == pytest.approx(12 / view.canvas.px_per_mm, abs=0.8)
    marked.actions_.undo()
    np.testing.assert_allclose(session.points_lps["fossa"][0], before)
    marked.select("fossa")
    marked.actions_.toggle_lock()
    settle(marked)
    drag(qtbot, view.canvas, start, (12, 0))
    np.testing.assert_allclose(session.points_lps["fossa"][0], before)


def test_the_camera_stands_as_the_c_arm_button_says(planned: PlannerPanel, quick_case: PlannedCase) -> None:
    assert quick_case.views is not None
    for name, view in quick_case.views.items():
        planned.crossing.view_buttons[name].click()
        assert planned.desk.scene.angles() == pytest.approx((view.primary_deg, view.secondary_deg), abs=0.1)
        assert planned.viewer.scene.camera.perspective > 0
        assert planned.head.angle.text() == carm.label(view.primary_deg, view.secondary_deg)


def test_the_legend_goes_with_the_quantity_on_the_membrane(qtbot: Any, planned: PlannerPanel) -> None:
    seen = []
    for _ in range(planned.head.names.count()):
        planned.actions_.next_quantity()
        planned.desk.scene.finish()
        name = planned.head.names.currentData()
        quantity = planned.desk.scene.quantities[name]
        layer = planned.desk.scene._layers["membrane"]
        if quantity.assessed:
            assert layer.contrast_limits == [quantity.low, quantity.high]
            assert quantity.title.lower() in layer.name
        seen.append(name)
    assert len(seen) == len(set(seen))
    assert {"aorta", "height", "rim", "thickness", "worst", "binds", "all_met", "spare", "axis_tilt"} <= set(seen)


def test_what_was_surveyed_stands_on_the_parts_of_page_crossing(qtbot: Any, planned: PlannerPanel, settle: Any) -> None:
    session, page = planned.desk.session, planned.crossing
    here = session.here
    assert here is not None
    assert here.passage is not None
    assert here.passage.doubt is not None
    assert here.place is not None
    planned.actions_.keep_candidate()
    assert page.compare.isVisible()
    assert page.comparison.map.isVisible()
    assert here.place.sentence in page.ranked._words[0].text().replace("&#x27;", "'")
    met = f"{100 * here.passage.doubt.all_met:.0f}"
    for part, widget in (("catheter", page.catheter.numbers), ("doubt", page.doubt.bars), ("limits", page.table)):
        qtbot.mouseClick(page.part_buttons[part], Qt.MouseButton.LeftButton)
        assert widget.isVisible()
        assert not page.compare.isVisible()
    assert met in page.doubt.all_met.text()
    rows = [page.table.item(i, 1).text() for i in range(page.table.rowCount())]  # type: ignore[union-attr]
    assert len(rows) == len(set(rows))
    assert "Catheter's tilt" in rows
    assert "Axis tilt" not in rows  # of one arc, where a catheter is reckoned with
    assert page.doubt.table.rowCount() == sum(i.met is not None for i in here.passage.doubt.expected.values())
    assert page.catheter.shares.rowCount() == len(session.catheters)
    # the membrane's colours lie on the fossa in the view that sees it en face, and nowhere else
    planned.desk.scene.show_quantity("worst")
    settle(planned)
    qtbot.waitUntil(lambda: planned.desk._tint_made is not None and planned.desk._tint_made.done(), timeout=60_000)
    settle(planned)
    coloured = {}
    for view in planned.desk.views.views:
        picture = pixels(view.canvas).astype(int)
        place = view.widget_place(session.found.fossa.center_lps).toPoint()  # type: ignore[union-attr]
        spot = picture[place.y() - 30 : place.y() - 8, place.x() - 30 : place.x() - 8]
        coloured[view.name] = float((np.ptp(spot, axis=2) > 25).mean())
    assert coloured["en_face"] > 0.5 > max(v for n, v in coloured.items() if n != "en_face")
    planned.desk.scene.show_quantity("height")


def test_every_shortcut_has_its_action_and_stands_on_the_keys_page(qtbot: Any, panel: PlannerPanel) -> None:
    keys = [s.keys for s in SHORTCUTS]
    assert len(keys) == len(set(keys))
    for s in SHORTCUTS:
        if s.action:
            assert callable(getattr(panel.actions_, s.action))
    qtbot.keyClick(panel.window(), Qt.Key.Key_F1)
    assert panel.stack.currentWidget() is panel.keys_page
    for s in SHORTCUTS:
        assert s.says in panel.keys_text.text()
    qtbot.keyClick(panel.window(), Qt.Key.Key_F1)
    assert panel.stack.currentWidget() is panel.opening


def test_both_themes_are_readable(qtbot: Any, planned: PlannerPanel) -> None:
    """Text against its background at least 4.5 to 1 (WCAG 2.1, success criterion 1.4.3): the darkest and the brightest
    of the numbers' table."""
    for theme in ("light", "dark"):
        planned.viewer.theme = theme
        qtbot.wait(50)
        picture = pixels(planned.crossing.table).astype(float) / 255
        linear = np.where(picture <= 0.04045, picture / 12.92, ((picture + 0.055) / 1.055) ** 2.4)
        light = linear @ [0.2126, 0.7152, 0.0722]
        assert (light.max() + 0.05) / (light.min() + 0.05) >= 4.5
        shot = planned.viewer.screenshot(canvas_only=True, flash=False)
        assert shot[2, 2, :3].max() < 10  # the 3-D view stays dark, or the white way of the catheter would not be seen


def test_an_unexpected_fault_is_a_sentence_in_the_panel(panel: PlannerPanel) -> None:
    panel.frame.catch_faults()
    try:
        raise RuntimeError("the moon is full")
    except RuntimeError as problem:
        sys.excepthook(type(problem), problem, problem.__traceback__)
    assert "the moon is full" in panel.footer.message.text()
    assert "what you marked is kept" in panel.footer.message.text()


def test_phases_run_as_a_cine(qtbot: Any, panel: PlannerPanel, quick_volume: Volume, settle: Any) -> None:
    dark = replace(quick_volume, hu=np.full_like(quick_volume.hu, -1000), phase_percent=35.0)
    panel.desk.take_volume(quick_volume, (quick_volume, dark))
    settle(panel)
    assert panel.strip.run.isVisible()
    canvas = panel.desk.views.views[0].canvas
    bright = pixels(canvas).mean()
    panel.actions_.phase_after()
    settle(panel)
    assert pixels(canvas).mean() < 0.5 * bright
    assert "2 of 2: 35 % RR" in panel.strip.phase.text()
    assert panel.desk.session.volume is quick_volume  # what is planned on stays
    panel.actions_.toggle_cine()
    qtbot.waitUntil(lambda: panel.desk.phase == 0, timeout=5_000)
    panel.actions_.toggle_cine()


def test_a_job_is_stopped_by_its_button(qtbot: Any, panel: PlannerPanel) -> None:
    before = panel.desk.session.volume
    panel.desk.open_phantom("normal", quick=False)
    qtbot.waitUntil(panel.footer.busy_row.isVisible, timeout=10_000)
    panel.desk.open_phantom("normal")  # a second click while it runs
    qtbot.waitUntil(lambda: "not begun" in panel.footer.message.text(), timeout=10_000)
    qtbot.mouseClick(panel.footer.cancel, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: not panel.footer.busy_row.isVisible(), timeout=10_000)
    assert "Stopped" in panel.footer.message.text()
    assert panel.desk.session.volume is before
