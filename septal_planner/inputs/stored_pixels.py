"""The pixel data of a DICOM file as they are stored: of a whole single-frame file, or of one frame (PS3.5 8.1, A.4)."""

from __future__ import annotations

import pydicom
from pydicom.encaps import get_frame

from septal_planner.inputs.dicom_headers import DEFLATED, IMPLICIT, UNCOMPRESSED, SliceHeader

BIG_ENDIAN = "1.2.840.10008.1.2.2"


def stored_bytes(header: SliceHeader) -> bytes:
    """Its pixel data as stored, for decoding a frame or for asking whether two slices show the same picture. Raises
    ValueError where a frame is not there.
    """
    with open(header.path, "rb") as stream:
        if header.frame is None:
            stream.seek(header.pixel_at or 0)
            return stream.read()
        size = frame_bytes(header)
        if header.pixel_at is None:  # deflated: pydicom unpacks the whole of it
            values = bytes(pydicom.dcmread(stream, specific_tags=["PixelData"]).PixelData)
            found = values[header.frame * size : (header.frame + 1) * size]
        elif header.transfer_syntax in UNCOMPRESSED:
            stream.seek(header.pixel_at + element_header_bytes(header) + header.frame * size)
            found = stream.read(size)
        else:
            stream.seek(header.pixel_at + 12)
            return get_frame(stream, header.frame, number_of_frames=header.frames)
    if len(found) < size:
        raise ValueError(f"{size - len(found)} bytes of frame {header.frame + 1} are missing")
    return found


def frame_bytes(header: SliceHeader) -> int:
    """Bytes of one uncompressed picture."""
    return (header.rows or 0) * (header.columns or 0) * header.samples * (header.bits or 0) // 8


def element_header_bytes(header: SliceHeader) -> int:
    return 8 if header.transfer_syntax == IMPLICIT else 12


def pixels_beyond_frames(header: SliceHeader) -> int:
    """Bytes of voxels in an uncompressed file beyond what its frames need, by the length the element states; 0 where
    there are none.
    """
    if header.transfer_syntax not in UNCOMPRESSED or header.transfer_syntax == DEFLATED or header.pixel_at is None:
        return 0
    ahead = element_header_bytes(header)
    with open(header.path, "rb") as stream:
        stream.seek(header.pixel_at + ahead - 4)
        stated = int.from_bytes(stream.read(4), "big" if header.transfer_syntax == BIG_ENDIAN else "little")
    if stated == 0xFFFFFFFF:
        return 0
    beyond = stated - frame_bytes(header) * header.frames
    return beyond if beyond > 1 else 0  # one byte may pad it to an even length
