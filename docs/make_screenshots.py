"""Make docs/viewer/*.png: the viewer's window at each stage, on an invented heart. Needs a screen or Xvfb:

    xvfb-run -a -s "-screen 0 1280x800x24" python docs/make_screenshots.py
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

OUT = Path(__file__).parent / "viewer"
MOST_BYTES = 300_000


def main() -> None:
    """Walk through one case and take a picture at each stage."""
    scratch = tempfile.TemporaryDirectory()
    os.environ["NAPARI_CONFIG"] = str(Path(scratch.name) / "napari.yaml")

    import septal_phantoms
    from qtpy.QtCore import QPoint, Qt
    from qtpy.QtTest import QTest
    from qtpy.QtWidgets import QApplication
    from septal_viewer.window import open_window

    panel = open_window(state_folder=Path(scratch.name) / "state")
    application = QApplication.instance()
    assert application is not None
    desk, session = panel.desk, panel.desk.session

    def spin(done: Callable[[], bool], most_s: float = 300.0) -> None:
        end = time.monotonic() + most_s
        while not done() and time.monotonic() < end:
            application.processEvents()
            time.sleep(0.005)

    def take(name: str) -> None:
        panel.say("", "note")
        desk.scene.finish()
        start = time.monotonic()
        spin(lambda: time.monotonic() - start > 1.0 and not desk.scene.busy)
        picture = panel.window().grab()
        path = OUT / f"{name}.png"
        picture.save(str(path))
        if path.stat().st_size > MOST_BYTES:
            from PIL import Image

            Image.open(path).convert("RGB").quantize(256, kmeans=2, dither=Image.Dither.NONE).save(path, optimize=True)
        print(f"{path.name}: {path.stat().st_size // 1000} kB")

    OUT.mkdir(exist_ok=True)
    spin(lambda: not desk.scene.busy)

    # a folder with two series
    folder = Path(scratch.name) / "two_series"
    for phase in (70, 35):
        septal_phantoms.write_dicom(
            septal_phantoms.make("normal", quick=True, phase_percent=phase), folder / f"phase_{phase}"
        )
    panel.open_path(folder)
    spin(lambda: bool(desk.series) and not desk.work.busy)
    take("opening")

    # marking an annulus in turned planes
    desk.open_phantom("normal")
    spin(lambda: session.volume is not None and not desk.work.busy)
    panel.show_page("marking")
    take("marking")
    panel.select("mitral_annulus")
    desk.pick(True)
    take("annulus")
    desk.pick(False)
    panel.select("left_atrium")

    # crossing
    panel.actions_.find_anatomy()
    spin(lambda: session.case is not None)
    spin(lambda: not desk.work.busy)
    session.set_procedure("edge-to-edge-functional")
    session.keep_candidate()
    view = next(v for v in desk.views.views if v.name == "en_face")
    desk.views.refresh_now()
    assert session.site is not None
    start = view.widget_place(session.site.target_lps).toPoint()
    QTest.mousePress(view.canvas, Qt.MouseButton.LeftButton, pos=start)
    QTest.mouseMove(view.canvas, start + QPoint(14, -12))
    QTest.mouseRelease(view.canvas, Qt.MouseButton.LeftButton, pos=start + QPoint(28, -25))
    spin(lambda: session.case is not None)
    take("crossing")
    desk.sights.look_as("fossa_profile")
    panel.viewer.theme = "light"
    column = panel.crossing.column.parentWidget()
    assert column is not None
    scroll = column.parentWidget().parentWidget()
    scroll.verticalScrollBar().setValue(10_000)
    take("compare_light")
    panel.viewer.theme = "dark"

    # handing on, and the keys
    panel.show_page("handing_on")
    panel.handing.set_folder(Path(scratch.name) / "plan")
    panel.files.save_plan()
    spin(lambda: panel.handing.files.count() > 0)
    panel.handing.where.setText("plans/heart-1")
    take("handing_on")
    panel.actions_.toggle_keys()
    take("keys")
    panel.frame.close()
    scratch.cleanup()


if __name__ == "__main__":
    sys.exit(main())
