"""What `inspect` tells of every series under a folder: geometry, phase, contrast, and the faults that forbid
planning on it.
"""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from septal_planner.errors import InputRefused
from septal_planner.geometry.frames import spacing_mm, unit_vector
from septal_planner.inputs.dicom_geometry import place_series
from septal_planner.inputs.dicom_headers import Found, read_headers
from septal_planner.inputs.dicom_series import contrast_of, find_dicom, geometry_notes, nothing_found
from septal_planner.inputs.image_file import read_image_file
from septal_planner.inputs.series_groups import Series, group_series, text_of
from septal_planner.inputs.volume import Progress, is_image_file
from septal_planner.inputs.voxels import blood_opacification


@dataclass(frozen=True)
class SeriesSummary:
    """What `inspect` tells of one series. None: not recorded, or not known because of the faults."""

    selector: str  # what --series takes: the UID, with @phaseN or the like where one UID holds several
    series_instance_uid: str
    description: str
    modality: str
    folder: str
    slices: int
    size_ijk: tuple[int, int, int] | None = None
    # along i, j, k; k along the shear where the gantry was tilted
    spacing_mm: tuple[float, float, float] | None = None
    orientation: str | None = None  # "axial", "sagittal", "coronal", with "oblique by N°"
    tilt_deg: float | None = None
    phase_percent: float | None = None
    phase_source: str | None = None  # the attribute it was read from
    contrast_agent: str | None = None  # as recorded, which does not prove that it was given
    opacification_hu: float | None = None  # estimated from three slices
    contrast_seen: bool | None = None
    kvp: float | None = None
    kernel: str | None = None
    patient_position: str | None = None
    frame_of_reference_uid: str | None = None
    faults: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    kind: str = "classic"  # one slice a file; "enhanced" (frames of multi-frame files), "image file" (not DICOM)

    @property
    def usable(self) -> bool:
        """Whether it can be planned on, as far as headers tell."""
        return not self.faults

    def as_json(self) -> dict[str, Any]:
        """Plain types for JSON."""
        out: dict[str, Any] = {k: list(v) if isinstance(v, tuple) else v for k, v in asdict(self).items()}
        out["usable"] = self.usable
        return out


def list_series(
    path: str | os.PathLike[str] | Sequence[str | os.PathLike[str]], *, progress: Progress | None = None
) -> list[SeriesSummary]:
    """Every series under a folder (or of one image file), usable ones first. Raises InputRefused where there
    is none.
    """
    if isinstance(path, (list, tuple)):
        found, where = read_headers([Path(p) for p in path]), f"the list of {len(path)} files"
    else:
        one = Path(path)  # type: ignore[arg-type]
        if is_image_file(one):
            return [_image_summary(one, progress)]
        found, where = find_dicom(one, progress), str(one)
    series = group_series(found.headers)
    if not series:
        raise nothing_found(found, where)
    return sorted((_summary(s, found) for s in series), key=lambda s: (not s.usable, -s.slices))


def _summary(series: Series, found: Found) -> SeriesSummary:
    first = series.slices[0]
    geometry, faults = (
        (None, [f"It is {series.not_a_ct}."])
        if series.not_a_ct
        else place_series(series.slices, series.where)
    )
    beside = (
        []
        if series.not_a_ct
        else [
            f"The file {p} beside it cannot be read ({why})."
            for p, why in found.damaged
            if p.parent in {s.path.parent for s in series.slices}
        ]
    )
    opacification, seen = contrast_of(geometry) if geometry else (None, None)
    kvp = text_of(first, "KVP")
    return SeriesSummary(
        selector=series.selector,
        series_instance_uid=series.uid,
        description=text_of(first, "SeriesDescription") or "",
        modality=first.modality,
        folder=str(series.folder),
        slices=len(series.slices),
        size_ijk=(first.columns or 0, first.rows or 0, len(geometry.slices)) if geometry else None,
        spacing_mm=_three(spacing_mm(geometry.lps_from_index)) if geometry else None,
        orientation=orientation_words(geometry.lps_from_index) if geometry else None,
        tilt_deg=round(geometry.tilt_deg, 2) if geometry else None,
        phase_percent=series.phase.percent,
        phase_source=series.phase.source or None,
        contrast_agent=text_of(first, "ContrastBolusAgent"),
        opacification_hu=None if opacification is None else round(opacification, 1),
        contrast_seen=seen,
        kvp=float(kvp) if kvp and kvp.replace(".", "", 1).isdigit() else None,
        kernel=text_of(first, "ConvolutionKernel"),
        patient_position=text_of(first, "PatientPosition"),
        frame_of_reference_uid=first.frame_of_reference_uid,
        faults=(*faults, *beside),
        notes=(
            *([series.phase.note] if series.phase.note and not series.not_a_ct else []),
            *(geometry_notes(geometry) if geometry else ()),
            *_contrast_notes(opacification, seen),
        ),
        kind=series.kind,
    )


def _contrast_notes(opacification_hu: float | None, seen: bool | None) -> list[str]:
    """The warning about a CT in which no chamber is filled with contrast."""
    if seen is not False:
        return []
    seen_hu = "nothing even above 200 HU" if opacification_hu is None else f"even cells of {opacification_hu:.0f} HU"
    return [
        f"No wide pool of contrast is seen in three slices near the middle ({seen_hu}): both atria need contrast, so"
        " check that this is the contrast series and that it shows the heart."
    ]


def _image_summary(path: Path, progress: Progress | None) -> SeriesSummary:
    """What can be told of a NIfTI, NRRD or MetaImage file; it is read whole."""
    blank = SeriesSummary(
        selector="", series_instance_uid="", description="", modality="not recorded", folder=str(path), slices=0,
        kind="image file",
    )
    try:
        volume = read_image_file(path, progress=progress)
    except InputRefused as refused:
        return replace(blank, faults=(str(refused),))
    step = spacing_mm(volume.lps_from_index)
    n = volume.size_ijk[2]
    opacification, seen = blood_opacification(
        volume.hu[[n * q // 8 for q in (3, 4, 5)]], float(step[1]), float(step[0])
    )
    normal = np.cross(volume.lps_from_index[:3, 0], volume.lps_from_index[:3, 1])
    along = abs(float(unit_vector(normal) @ unit_vector(volume.lps_from_index[:3, 2])))
    return replace(
        blank,
        slices=n,
        size_ijk=volume.size_ijk,
        spacing_mm=_three(step),
        orientation=orientation_words(volume.lps_from_index),
        tilt_deg=round(math.degrees(math.acos(min(1.0, along))), 2),
        opacification_hu=None if opacification is None else round(opacification, 1),
        contrast_seen=seen,
        notes=(*volume.notes, *_contrast_notes(opacification, seen)),
    )


def _three(step: NDArray[np.float64]) -> tuple[float, float, float]:
    i, j, k = step.round(4).tolist()
    return i, j, k


def orientation_words(lps_from_index: NDArray[np.float64]) -> str:
    """ "axial", "coronal" or "sagittal" by the normal of the slices, with its angle from that axis where
    above 0.5°.
    """
    normal = np.cross(lps_from_index[:3, 0], lps_from_index[:3, 1])
    normal /= np.linalg.norm(normal)
    axis = int(np.argmax(np.abs(normal)))
    name = ("sagittal", "coronal", "axial")[axis]
    off = float(np.degrees(np.arccos(min(1.0, abs(float(normal[axis]))))))
    return name if off < 0.5 else f"{name}, oblique by {off:.1f}°"
