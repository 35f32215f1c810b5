"""What napari's own open dialog and drag and drop bring in: CTs, landmarks and plans, as layers.

A file that is ours but cannot be used ends in one sentence in napari's notifications, and no layer.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from septal_planner.errors import InputRefused
from septal_planner.geometry.curves import closed_spline
from septal_planner.inputs.landmarks import read_landmarks
from septal_planner.inputs.volume import IMAGE_SUFFIXES, Volume, is_image_file, read_volume
from septal_planner.plan import Plan, load_plan
from septal_viewer.layers import LayerData, ct_layer, landmark_layers, line_layer, target_layer

Read = Callable[[Any], list[Any]]

NOTHING: list[Any] = [(None,)]  # napari's word for: read, but there is nothing to show
FILES_LOOKED_AT = 50  # of a folder, before it is left to other readers
TOGETHER_S = 5.0  # files dropped at once come one by one


def reader_of(path: str | Sequence[str]) -> Read | None:
    """The reader for a path or several, or None where they are none of ours: a DICOM file or folder, NIfTI, NRRD,
    MetaImage, landmarks.json, plan.json. Only names and first bytes are looked at."""
    paths = [Path(p) for p in ([path] if isinstance(path, (str, Path)) else path)]
    if not paths:
        return None
    if len(paths) > 1:
        return _told(read_ct) if all(_is_dicom(p) for p in paths) else None
    one = paths[0]
    if one.is_dir():
        return _told(read_ct) if _holds_dicom(one) else None
    if one.name.lower().endswith(IMAGE_SUFFIXES):
        return _told(read_ct)
    if one.suffix.lower() == ".json":
        return {"landmarks": _told(read_landmark_file), "plan": _told(read_plan_file)}.get(_kind_of_json(one))
    return _told(read_ct) if _is_dicom(one) else None


def read_ct(path: str | Sequence[str]) -> list[LayerData]:
    """The CT as one Image layer; its metadata carries the Volume. Raises InputRefused."""
    if isinstance(path, (str, Path)):
        one = Path(path)
        if one.is_file() and not is_image_file(one):
            return _one_of_many(one)
        return [ct_layer(_volume(str(one)), name=_title(one))]
    return [ct_layer(_volume(list(path)), name=_title(Path(path[0]).parent))]


def read_landmark_file(path: str | Sequence[str]) -> list[LayerData]:
    """A Points layer for each landmark of a landmarks.json. Raises InputRefused."""
    return landmark_layers(read_landmarks(_only(path)).points_lps)


def read_plan_file(path: str | Sequence[str]) -> list[LayerData]:
    """What a plan.json shows in space: rim, annulus curves, catheter path, height, target and landmarks. Raises
    InputRefused, for one of a newer version too."""
    return plan_layers(load_plan(Path(_only(path))))


def plan_layers(plan: Plan) -> list[LayerData]:
    """A saved plan's lines and points; what it does not assess is not drawn."""
    layers: list[LayerData] = []
    if plan.anatomy.fossa.rim_mm:
        layers.append(line_layer("rim of the membrane", "rim", plan.anatomy.fossa.rim_mm, width_mm=0.7, closed=True))
    for name in ("mitral_annulus", "tricuspid_annulus"):
        if len(plan.landmarks.get(name, ())) >= 6:
            curve = closed_spline(np.array(plan.landmarks[name]), samples=180)
            layers.append(line_layer(f"{name.replace('_', ' ')} curve", name, curve, closed=True))
    if plan.way_on_mm is not None:
        layers.append(line_layer("catheter path", "path", plan.way_on_mm, width_mm=1.4))
    target, normal = np.array(plan.puncture.target_mm), np.array(plan.anatomy.mitral_annulus.normal)
    height = plan.puncture.height_above_mitral_annulus_mm
    foot = target - (height if abs(height) > 0.01 else 0.01) * normal  # a line of no length is none
    layers.append(line_layer("height", "height", np.stack([target, foot]), width_mm=0.7))
    layers += landmark_layers({name: np.array(points) for name, points in plan.landmarks.items()})
    return [*layers, target_layer(target)]


def phantom_sample() -> list[LayerData]:
    """The invented heart at 1 mm with its landmarks, for napari's sample menu."""
    import septal_phantoms

    made = septal_phantoms.make("normal", quick=True)
    volume = Volume(
        made.hu, made.lps_from_index, source="phantom normal", phase_percent=made.phase_percent, patient_position="HFS"
    )
    return [ct_layer(volume, name="phantom CT (invented)"), *landmark_layers(made.landmarks)]


# --------------------------------------------------------------------------------------------------------- small parts


def _told(read: Callable[[Any], list[LayerData]]) -> Read:
    """The reader with its refusals told as a sentence, not raised."""

    def reading(path: str | Sequence[str]) -> list[Any]:
        from napari.utils.notifications import show_error

        try:
            return list(read(path)) or NOTHING
        except InputRefused as refused:
            show_error(str(refused))
            return NOTHING

    return reading


def _volume(path: str | list[str]) -> Volume:
    """`read_volume`; where several series are the reason for a refusal, the sentence says where to choose."""
    try:
        return read_volume(path)
    except InputRefused as refused:
        if "--series" not in str(refused):
            raise
        from septal_planner.inputs.series_summary import list_series

        usable = sum(s.usable for s in list_series(path))
        if usable < 2:
            raise
        where = path if isinstance(path, str) else f"the list of {len(path)} files"
        raise InputRefused(
            f"{where} holds {usable} CT series; open it in the Septal planner panel (Plugins menu), which lists them "
            "with phase, slices and contrast to choose from."
        ) from refused


_seen: dict[str, Any] = {"series": None, "at": 0.0}


def _one_of_many(file: Path) -> list[LayerData]:
    """A DICOM file's whole series; of files dropped together only the first brings it."""
    from septal_planner.inputs.dicom_headers import read_headers

    headers = read_headers([file]).headers
    series = (file.parent, headers[0].series_uid if headers else None)
    if series[1] and _seen["series"] == series and time.monotonic() - _seen["at"] < TOGETHER_S:
        _seen["at"] = time.monotonic()
        return []
    layer = ct_layer(_volume(str(file)), name=_title(file.parent))
    _seen.update(series=series, at=time.monotonic())
    return [layer]


def _title(path: Path) -> str:
    """Name of the layer. Not the file's: folders and files of a hospital carry patients' names."""
    return "CT" if not is_image_file(path) else "CT image"


def _only(path: str | Sequence[str]) -> str:
    return str(path) if isinstance(path, (str, Path)) else str(path[0])


def _kind_of_json(file: Path) -> str:
    """"landmarks", "plan", or an empty text for a JSON file of someone else's."""
    try:
        document = json.loads(file.read_text("utf-8-sig"))
    except (OSError, ValueError, RecursionError):
        return "landmarks" if "landmark" in file.name.lower() else "plan" if "plan" in file.name.lower() else ""
    if not isinstance(document, dict):
        return ""
    if "schema_version" in document and "puncture" in document:
        return "plan"
    return "landmarks" if "landmarks" in document else ""


def _is_dicom(file: Path) -> bool:
    """Whether a file begins as DICOM files do (PS3.10, 7.1); without preamble, whether it is named so."""
    try:
        with file.open("rb") as stream:
            start = stream.read(132)
    except OSError:
        return False
    return start[128:] == b"DICM" or file.suffix.lower() in (".dcm", ".dicom", ".ima")


def _holds_dicom(folder: Path) -> bool:
    """Whether one of a folder's first files is DICOM."""
    looked = 0
    for file in folder.rglob("*"):
        if not file.is_file():
            continue
        looked += 1
        if _is_dicom(file):
            return True
        if looked >= FILES_LOOKED_AT:
            return False
    return False
