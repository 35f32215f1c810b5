"""Every transfer syntax a CT comes in, bit for bit against its uncompressed twin.

JPEG-LS, for which there is no encoder at hand: pydicom's bundled twin (test_pydicom_files.py).
"""

from __future__ import annotations

import numpy as np
import pydicom
import pytest
import SimpleITK as sitk
from pydicom.encaps import encapsulate, generate_frames
from pydicom.uid import (
    UID,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ImplicitVRLittleEndian,
    JPEGLossless,
    JPEGLosslessSV1,
    RLELossless,
)

from septal_planner.inputs.volume import content_sha256, read_volume

ROWS, COLUMNS = 17, 23  # odd, and no multiple of any block


def ct_like(k):
    """Smooth tissue, noise, and the lowest and highest values there are."""
    rng = np.random.default_rng(k)
    y, x = np.mgrid[:ROWS, :COLUMNS]
    out = 40 + 300 * np.sin(x / 5 + k) * np.cos(y / 4) + rng.normal(0, 30, (ROWS, COLUMNS))
    out[0, 0], out[-1, -1], out[3, 4] = -32768, 32767, -1024
    return out.astype(np.int16)


@pytest.fixture
def twins(write_series, tmp_path):
    """twins(change) -> read volumes of one series as it is and with every file changed by change(ds)."""

    def make(change, **how):
        pixels = {"Rows": ROWS, "Columns": COLUMNS, "each": lambda k: {"pixels": ct_like(k)}}
        write_series(folder="plain", **pixels)
        for path in write_series(folder="other", **pixels):
            ds = pydicom.dcmread(path)
            change(ds)
            pydicom.dcmwrite(path, ds, enforce_file_format=True, **how)
        return read_volume(tmp_path / "plain"), read_volume(tmp_path / "other")

    return make


def assert_twins(pair):
    plain, other = pair
    assert np.array_equal(plain.hu, np.stack([ct_like(k) for k in range(12)]))
    assert np.array_equal(other.hu, plain.hu)
    assert content_sha256(other) == content_sha256(plain)


@pytest.mark.parametrize("syntax", [ImplicitVRLittleEndian, ExplicitVRBigEndian, DeflatedExplicitVRLittleEndian])
def test_uncompressed_and_deflated(twins, syntax):
    def change(ds):
        values = ds.pixel_array
        ds.file_meta.TransferSyntaxUID = syntax
        ds.PixelData = values.astype(">i2" if syntax == ExplicitVRBigEndian else "<i2").tobytes()

    big = syntax == ExplicitVRBigEndian
    assert_twins(twins(change, implicit_vr=syntax == ImplicitVRLittleEndian, little_endian=not big))


def test_rle(twins):
    """Encoded by pydicom (PS3.5 Annex G)."""
    assert_twins(twins(lambda ds: ds.compress(RLELossless)))


@pytest.mark.parametrize(("compressor", "syntax"), [("JPEG", JPEGLosslessSV1), ("JPEG2000", "1.2.840.10008.1.2.4.90")])
def test_encoded_by_gdcm(twins, tmp_path, compressor, syntax):
    """JPEG lossless, process 14 with selection value 1 (the common one of CT), and JPEG 2000 lossless."""

    def change(ds):
        writer = sitk.ImageFileWriter()
        writer.SetFileName(str(tmp_path / "one.dcm"))
        writer.UseCompressionOn()
        writer.SetCompressor(compressor)
        writer.Execute(sitk.GetImageFromArray(ds.pixel_array[None]))
        packed = pydicom.dcmread(tmp_path / "one.dcm")
        assert packed.file_meta.TransferSyntaxUID == syntax
        ds.PixelData = encapsulate([next(generate_frames(packed.PixelData, number_of_frames=1))])
        ds["PixelData"].VR = "OB"
        ds.file_meta.TransferSyntaxUID = UID(syntax)

    assert_twins(twins(change))


def jpeg_lossless(values, selection):
    """A JPEG lossless codestream of 16-bit values, written out from ITU-T T.81: frame header SOF3 (B.2.2), predictors
    (table H.1), first row and column (H.1.2.1), differences modulo 2**16 by category (H.1.2.2), and one Huffman table
    whose 17 categories all have codes of 5 bits.
    """
    x = values.astype(np.int64) & 0xFFFF
    rows, columns = x.shape
    left, above, corner = np.zeros_like(x), np.zeros_like(x), np.zeros_like(x)
    left[:, 1:], above[1:], corner[1:, 1:] = x[:, :-1], x[:-1], x[:-1, :-1]
    predicted = {
        1: left,
        2: above,
        3: corner,
        4: left + above - corner,
        5: left + ((above - corner) >> 1),
        6: above + ((left - corner) >> 1),
        7: (left + above) >> 1,
    }[selection].copy()
    predicted[0] = left[0]
    predicted[1:, 0] = above[1:, 0]
    predicted[0, 0] = 1 << 15
    bits = []
    for difference in ((x - predicted) & 0xFFFF).ravel().tolist():
        d = difference - 0x10000 if difference > 0x8000 else difference
        category = abs(d).bit_length()
        bits.append(f"{category:05b}")
        if 0 < category < 16:
            bits.append(f"{d if d > 0 else d + (1 << category) - 1:0{category}b}")
    text = "".join(bits)
    text += "1" * (-len(text) % 8)
    scan = bytes(int(text[i : i + 8], 2) for i in range(0, len(text), 8)).replace(b"\xff", b"\xff\x00")

    def segment(marker, content):
        return bytes([0xFF, marker]) + (len(content) + 2).to_bytes(2, "big") + content

    frame = bytes([16]) + rows.to_bytes(2, "big") + columns.to_bytes(2, "big") + bytes([1, 1, 0x11, 0])
    table = bytes([0]) + bytes([0, 0, 0, 0, 17] + [0] * 11) + bytes(range(17))
    start = bytes([1, 1, 0, selection, 0, 0])
    return b"\xff\xd8" + segment(0xC3, frame) + segment(0xC4, table) + segment(0xDA, start) + scan + b"\xff\xd9"


@pytest.mark.parametrize("selection", range(1, 8))
def test_jpeg_lossless_process_14(twins, selection):
    """Any selection value: transfer syntax 1.2.840.10008.1.2.4.57 (PS3.5 10.2)."""

    def change(ds):
        ds.PixelData = encapsulate([jpeg_lossless(ds.pixel_array, selection)])
        ds["PixelData"].VR = "OB"
        ds.file_meta.TransferSyntaxUID = JPEGLossless

    assert_twins(twins(change))
