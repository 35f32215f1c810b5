"""Make docs/viewer/*.png: the viewer's window at each stage, on an invented heart. Needs a screen or Xvfb:

    xvfb-run -a -s "-screen 0 1280x800x24" python docs/make_screenshots.py
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from septal_planner.inputs.volume import Volume

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

    def spin(done: Callable[[], bool], most_s: float = 1200.0) -> None:
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
    spin(lambda: session.case is not None)
    session.keep_candidate()
    desk.scene.show_quantity("worst")
    view = next(v for v in desk.views.views if v.name == "en_face")
    desk.views.refresh_now()
    assert session.site is not None
    start = view.widget_place(session.site.target_lps).toPoint()
    QTest.mousePress(view.canvas, Qt.MouseButton.LeftButton, pos=start)
    QTest.mouseMove(view.canvas, start + QPoint(14, -12))
    QTest.mouseRelease(view.canvas, Qt.MouseButton.LeftButton, pos=start + QPoint(28, -25))
    spin(lambda: session.case is not None)
    panel.crossing.show_part("limits")
    take("crossing")
    panel.crossing.show_part("catheter")
    desk.scene.show_quantity("binds")
    take("catheter")
    panel.crossing.show_part("doubt")
    desk.scene.show_quantity("all_met")
    take("doubt")
    panel.crossing.show_part("sites")
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

    # on the table: two frames of a patient who lies turned, made from the CT with invented marks
    panel.show_page("table")
    files = write_frames(session.volume, session.case.plan.puncture.target_mm, Path(scratch.name))
    desk.table.open_frames(files)
    spin(lambda: len(desk.table.pairs.runs) == len(files))
    desk.table.load_points([f.with_name(f"{f.stem}-points.json") for f in files])
    desk.table.choose("carina")
    panel.actions_.jump()
    desk.table.register()
    spin(lambda: desk.table.laid is not None)
    simulated = desk.table.simulated
    spin(lambda: (made := simulated()) is not None and not made.shot.hasty)
    panel.xray.blend.setValue(35)
    take("xray")
    desk.table.set_mode("views")
    spin(lambda: desk.table.views is not None)
    panel.table.candidates.setCurrentCell(1, 1)
    spin(lambda: (made := simulated()) is not None and not made.shot.hasty)
    take("xray_views")
    panel.frame.close()
    scratch.cleanup()


def write_frames(volume: Volume, target_mm: tuple[float, float, float], folder: Path) -> list[Path]:
    """Two XA frames of an invented patient who lies turned by some degrees, with points marked 0.5 mm off."""
    import numpy as np
    from scipy.spatial.transform import Rotation
    from septal_phantoms.angiogram import Setup, points_document, write_xa, xa_dataset

    from septal_planner.fluoroscopy.detector import Response, grey_values, intensities
    from septal_planner.fluoroscopy.drr import Attenuation, attenuation, line_integrals
    from septal_planner.fluoroscopy.projection import Projection

    target = np.array(target_mm)
    off = {
        "carina": (40, 30, 50), "lead tip": (-45, 20, 40), "calcium": (10, -40, 20), "vertebral corner": (-20, 60, -30),
        "sinus catheter": (35, 50, -40), "valve ring": (-30, -20, -20),
    }
    points = {name: np.round(target + np.array(at), 3) for name, at in off.items()}
    turn = Rotation.from_rotvec(np.deg2rad([2, -3, 4])).as_matrix()
    at = np.eye(4)
    at[:3, :3], at[:3, 3] = turn, np.array([5.0, -8.0, 12.0]) - turn @ target
    body = attenuation(volume.hu, volume.lps_from_index)
    placed = Attenuation(body.voxels, at @ body.lps_from_index)
    rng = np.random.default_rng(3)
    files = []
    for name, primary, secondary in (("rao", -30, 0), ("lao", 30, 10)):
        setup = Setup(primary, secondary, 1100, 760, 0.4, (600, 600))
        frame = Projection(primary, secondary, (0.0, 0.0, 0.0), 1100, 760, (0.4, 0.4), (600, 600))
        response = Response(photons=2000, scatter_share=0.2, blur_mm=0.3, seed=len(files))
        grey = grey_values(
            intensities(line_integrals(placed, frame), response, pixel_mm=frame.pixel_mm), Response()
        ).astype(np.float64)
        x, y = np.meshgrid(np.arange(setup.size_px[0]), np.arange(setup.size_px[1]))
        seen = {}
        for n, p in points.items():
            c, r = setup.pixels(at[:3, :3] @ p + at[:3, 3])[0]
            grey -= 90 / (1 + np.exp(np.clip(2 * (np.hypot(x - c, y - r) - 4), -50, 50)))
            seen[n] = (np.array([c, r]) + rng.normal(0, 0.5 * 1100 / 760 / 0.4, 2)).tolist()
        files.append(write_xa(folder / f"{name}.dcm", xa_dataset(setup, [np.clip(grey, 0, 255).astype(np.uint8)])))
        tip = setup.pixels(at[:3, :3] @ (target + [2, 1, 3]) + at[:3, 3])[0]
        document = points_document({n: p.tolist() for n, p in points.items()}, seen)
        document["needle_tip"] = {"column": float(tip[0]), "row": float(tip[1])}
        (folder / f"{name}-points.json").write_text(json.dumps(document), "utf-8")
    return files


if __name__ == "__main__":
    sys.exit(main())
