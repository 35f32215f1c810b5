"""Named points marked by a person: read and write them. `landmark_checks` asks whether they can be true."""

from __future__ import annotations

import contextlib
import difflib
import json
import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from septal_planner.errors import InputRefused


@dataclass(frozen=True)
class Landmarks:
    """`points_lps[name]` is (n, 3), LPS mm; `POINT_COUNTS` lists the names and how many points each has.

    Raises ValueError for an unknown name, a wrong shape or count, or a number that is not finite.
    """

    points_lps: Mapping[str, NDArray[np.float64]]
    frame_of_reference_uid: str | None = None
    source: str = ""
    notes: tuple[str, ...] = ()  # e.g. "mitral_annulus was not in order and has been reordered"

    def __post_init__(self) -> None:
        for name, points in self.points_lps.items():
            fault = _fault(name, np.asarray(points, dtype=np.float64))
            if fault:
                raise ValueError(fault)


# Fewest and most points of each landmark; None: no upper limit.
POINT_COUNTS: dict[str, tuple[int, int | None]] = {
    "left_atrium": (1, 1),
    "right_atrium": (1, 1),
    "fossa": (1, 1),
    "mitral_annulus": (6, None),
    "inferior_vena_cava": (2, 2),
    "left_ventricle": (1, 1),
    "right_ventricle": (1, 1),
    "aorta": (1, 1),
    "superior_vena_cava": (1, 1),
    "tricuspid_annulus": (6, None),
    "left_atrial_appendage": (1, None),
    "coronary_sinus": (1, None),
    "leaflet_coaptation": (1, None),
    "commissure_medial": (1, 1),
    "commissure_lateral": (1, 1),
    "leak": (1, None),
    "spine": (1, None),
    "aortic_annulus": (3, None),
    "old_ring": (3, None),
}

REQUIRED = ("left_atrium", "right_atrium", "fossa", "mitral_annulus", "inferior_vena_cava")

_FORM = '{"coordinate_system": "LPS", "unit": "mm", "landmarks": {"fossa": [[x, y, z]], ...}}'


def read_landmarks(path: str | os.PathLike[str]) -> Landmarks:
    """Read landmarks.json. Nothing is converted: positions must be LPS in millimetres. A landmark of one
    point may be written [x, y, z] as well as [[x, y, z]]. Raises InputRefused.
    """
    file = Path(path)
    try:
        document = json.loads(file.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise InputRefused(
            f"The landmarks {file} cannot be read ({error.strerror}); check the path."
        ) from error
    except (ValueError, RecursionError) as error:  # not JSON, not text at all, or nested without end
        raise InputRefused(
            f"The landmarks {file} are not valid JSON ({error}); correct the file or mark the points again."
        ) from error
    if not isinstance(document, dict) or not isinstance(document.get("landmarks"), dict):
        raise InputRefused(f'The landmarks {file} lack the table "landmarks"; expected {_FORM}.')
    unknown = sorted(
        set(document) - {"coordinate_system", "unit", "frame_of_reference_uid", "landmarks", "comment"}
    )
    if unknown:
        raise InputRefused(
            f"The landmarks {file} hold the unknown key {', '.join(map(repr, unknown))}; expected {_FORM}, "
            "with frame_of_reference_uid where there is one."
        )
    system, unit = document.get("coordinate_system"), document.get("unit")
    if system != "LPS":
        said = (
            "do not say their coordinate_system"
            if system is None
            else f"are in the coordinate_system {system!r}"
        )
        flip = " (from RAS: change the sign of x and y)" if system == "RAS" else ""
        raise InputRefused(
            f'The landmarks {file} {said}, expected "LPS" as DICOM defines it; convert them{flip} and say so '
            "in the file."
        )
    if unit != "mm":
        said = "do not say their unit" if unit is None else f"are in the unit {unit!r}"
        raise InputRefused(
            f'The landmarks {file} {said}, expected "mm"; convert them and say so in the file.'
        )
    uid = document.get("frame_of_reference_uid")
    if uid is not None and not isinstance(uid, str):
        raise InputRefused(
            f'The frame_of_reference_uid of the landmarks {file} is {uid!r}, expected a text such as "1.2.3";'
            " correct it or leave it out."
        )
    points = {}
    for name, value in document["landmarks"].items():
        array = _points(value)
        fault = "" if array is None else _fault(name, array)
        if array is None:
            fault = _unknown(name) or f"{name} is not a list of [x, y, z] numbers"
        if fault:
            raise InputRefused(f"In the landmarks {file} {fault}; correct the file or mark the point again.")
        points[name] = array
    return Landmarks({k: v for k, v in points.items() if v is not None}, uid or None, source=file.name)


def write_landmarks(path: str | os.PathLike[str], landmarks: Landmarks) -> None:
    """Write landmarks.json, whole or not at all. Raises OSError where the folder cannot be written."""
    file = Path(path)
    document: dict[str, object] = {"coordinate_system": "LPS", "unit": "mm"}
    if landmarks.frame_of_reference_uid is not None:
        document["frame_of_reference_uid"] = landmarks.frame_of_reference_uid
    document["landmarks"] = {k: np.asarray(v).tolist() for k, v in landmarks.points_lps.items()}
    handle, temporary = tempfile.mkstemp(dir=file.parent, prefix=f".{file.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as stream:
            json.dump(document, stream, indent=1)
            stream.write("\n")
        umask = os.umask(0)
        os.umask(umask)
        with contextlib.suppress(OSError):  # some shares know no rights
            os.chmod(temporary, 0o666 & ~umask)  # mkstemp keeps it to the owner; any other new file is not
        os.replace(temporary, file)
    except BaseException:
        os.unlink(temporary)
        raise


def _points(value: object) -> NDArray[np.float64] | None:
    """(n, 3) from [[x, y, z], ...] or [x, y, z], None for anything else (texts and truth values are not
    numbers).
    """
    if not isinstance(value, list) or not value:
        return None
    rows = value if isinstance(value[0], list) else [value]
    if not all(
        isinstance(row, list)
        and len(row) == 3
        and all(isinstance(x, (int, float)) and not isinstance(x, bool) for x in row)
        for row in rows
    ):
        return None
    try:
        return np.array(rows, dtype=np.float64)
    except OverflowError:  # a whole number too large for a float
        return None


def _unknown(name: str) -> str:
    if name in POINT_COUNTS:
        return ""
    close = difflib.get_close_matches(name.lower(), POINT_COUNTS, n=1, cutoff=0.6)
    hint = f" (did you mean {close[0]!r}?)" if close else ""
    shown = name if len(name) <= 60 else name[:60] + "..."
    return f"{shown!r} is not a landmark known here{hint}, known are {', '.join(POINT_COUNTS)}"


def _fault(name: str, points: NDArray[np.float64]) -> str:
    """What is wrong with one landmark in itself, as the middle of a sentence, or an empty text."""
    unknown = _unknown(name)
    if unknown:
        return unknown
    if points.ndim != 2 or points.shape[1] != 3:
        return f"{name} has the shape {points.shape}, expected (n, 3)"
    if not np.isfinite(points).all():
        return f"{name} holds a number that is not finite"
    fewest, most = POINT_COUNTS[name]
    if len(points) < fewest or (most is not None and len(points) > most):
        wanted = f"{fewest}" if fewest == most else f"{fewest} or more"
        return f"{name} has {len(points)} point{'s' if len(points) != 1 else ''}, expected {wanted}"
    return ""
