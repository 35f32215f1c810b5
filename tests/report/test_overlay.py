"""The drawing on a frame: where lines fall, that they are seen over bright and dark, and what the files hold."""

import io
import shutil
import subprocess

import numpy as np
import pydicom
import pytest
from PIL import Image
from septal_phantoms.angiogram import Setup, draw, write_xa, xa_dataset

from septal_planner.report.overlay import (
    COLOURS,
    Drawing,
    Shape,
    burnt_in,
    drawn_pdf,
    drawn_png,
    drawn_svg,
    grey_8bit,
    masks,
    named,
    scale_bar,
)
from septal_planner.report.overlay_dicom import write_burnt_in

SQUARE = np.array([[100.0, 300], [200, 300], [200, 400], [100, 400]])


def drawing(banner=""):
    return Drawing((640, 512), (Shape("fossa", SQUARE, "fossa", closed=True),), ("RAO 30", "Error 3.6 mm"), banner)


def shown(png):
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB")).astype(int)


@pytest.mark.parametrize("background", [0, 128, 255])
def test_a_line_is_where_it_belongs_and_is_seen_over_anything(background):
    picture = shown(drawn_png(np.full((512, 640), background, np.uint8), drawing()))
    factor = picture.shape[0] // 512
    assert picture.shape == (512 * factor, 640 * factor, 3)
    across = picture[350 * factor, 80 * factor : 120 * factor]  # over the left side of the square
    line = np.abs(across - COLOURS["fossa"]).sum(axis=1) < 30
    assert abs(np.flatnonzero(line).mean() / factor + 80 - 100) < 0.6
    dark = across.sum(axis=1) < 60
    beside = np.flatnonzero(line)
    assert dark[beside[0] - 2]
    assert dark[beside[-1] + 2]


def test_grey_frames_carry_white_lines_with_black_edges():
    white, black = masks(drawing())
    assert white[350, 99:102].any()
    assert not (white & black).any()
    for background in (0, 255):
        out = burnt_in(np.full((512, 640), background, np.uint8), white, black)
        assert set(out[350, 96:105]) == {0, 255}


def test_banner_is_red_and_across_the_whole_picture():
    plain = shown(drawn_png(np.full((512, 640), 128, np.uint8), drawing()))
    warned = shown(drawn_png(np.full((512, 640), 128, np.uint8), drawing("THE ERROR EXCEEDS THE LIMIT")))
    assert (warned[2] == (200, 0, 0)).all()
    assert not (plain[2] == (200, 0, 0)).all(axis=1).any()


def test_scale_bar_is_as_long_as_it_says():
    bar = scale_bar((512, 512), 0.25, length_mm=20)
    assert np.ptp(bar.points_px[:, 0]) == pytest.approx(80)


def test_names_stand_clear_of_each_other_and_inside():
    near = [Shape("pair", SQUARE + [0, 10 * n], f"point {n}", closed=True) for n in range(4)]
    corner = Shape("pair", np.array([[630.0, 2], [638, 8]]), "in the corner")
    gone = Shape("pair", np.array([[-50.0, 2], [-38, 8]]), "outside")
    found = named(Drawing((640, 512), (*near, corner, gone), ()), 12)
    assert [s.text for s, *_ in found] == ["point 0", "point 1", "point 2", "point 3", "in the corner"]
    boxes = [(x, y - 15.6, x + wide, y) for _, (x, y), wide in found]
    for n, a in enumerate(boxes):
        assert a[0] >= 0
        assert a[2] <= 640
        assert a[1] >= 0
        for b in boxes[n + 1 :]:
            assert min(a[2], b[2]) <= max(a[0], b[0]) + 1e-6 or min(a[3], b[3]) <= max(a[1], b[1]) + 1e-6


def test_shifted_leaves_scale_alone():
    d = Drawing((640, 512), (*drawing().shapes, scale_bar((640, 512), 0.3)), ())
    moved = d.shifted([5, -3])
    np.testing.assert_array_equal(moved.shapes[0].points_px, SQUARE + [5, -3])
    np.testing.assert_array_equal(moved.shapes[1].points_px, d.shapes[1].points_px)


def test_grey_turns_monochrome1_round_and_takes_16_bits():
    frame = np.linspace(0, 4095, 10000).reshape(100, 100).astype(np.uint16)
    plain, turned = grey_8bit(frame), grey_8bit(frame, dark_is_high=True)
    assert plain[0, 0] == 0
    assert plain[-1, -1] == 255
    np.testing.assert_array_equal(turned, 255 - plain)


def test_pages_are_vectors(tmp_path):
    svg = drawn_svg(np.full((512, 640), 128, np.uint8), drawing("OVER THE LIMIT <5 mm>"))
    assert "<polygon" in svg
    assert "&lt;5 mm&gt;" in svg
    pdf = drawn_pdf([(np.full((512, 640), 128, np.uint8), drawing())] * 2, tmp_path)
    assert pdf.startswith(b"%PDF")
    assert list(tmp_path.iterdir()) == []
    if shutil.which("pdfinfo"):  # poppler-utils
        (tmp_path / "x.pdf").write_bytes(pdf)
        told = subprocess.run(["pdfinfo", tmp_path / "x.pdf"], capture_output=True, text=True, check=True).stdout
        assert "Pages:           2" in told


@pytest.mark.parametrize("count", [1, 3])
def test_secondary_xa_is_valid_and_read_back(tmp_path, count):
    setup = Setup(-30, 10, 1100, 760, 0.3, (63, 41))  # an odd number of bytes
    source = write_xa(tmp_path / "source.dcm", xa_dataset(setup, [draw(setup, [[0, 0, 0]])] * 3))
    frames = [np.full((41, 63), 10 * n, np.uint8) for n in range(count)]
    path = tmp_path / "drawn.dcm"
    write_burnt_in(
        source, iter(frames), path, count=count, numbers=(2,) if count == 1 else (),
        geometry=(-30.0, 10.0, 1100.0, 760.0, (0.3, 0.3)), told="Error 3.6 mm",
    )
    ds = pydicom.dcmread(path)
    np.testing.assert_array_equal(ds.pixel_array.reshape(count, 41, 63), np.stack(frames))
    origin = pydicom.dcmread(source)
    assert list(ds.ImageType)[:2] == ["DERIVED", "SECONDARY"]
    assert ds.BurnedInAnnotation == "YES"
    assert ds.StudyInstanceUID == origin.StudyInstanceUID
    assert ds.SeriesInstanceUID != origin.SeriesInstanceUID
    assert ds.SourceImageSequence[0].ReferencedSOPInstanceUID == origin.SOPInstanceUID
    assert float(ds.PositionerPrimaryAngle) == -30
    if shutil.which("dciodvfy"):  # dicom3tools
        said = subprocess.run(["dciodvfy", path], capture_output=True, text=True).stderr
        assert "Error" not in said
    assert not [f for f in tmp_path.iterdir() if "unfinished" in f.name]
