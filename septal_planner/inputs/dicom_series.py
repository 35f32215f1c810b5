"""Which DICOM series lie in a folder, which one to read, and reading it."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from septal_planner.errors import InputRefused
from septal_planner.geometry.frames import spacing_mm
from septal_planner.inputs.dicom_geometry import SeriesGeometry, place_series
from septal_planner.inputs.dicom_headers import (
    CT_IMAGE,
    ENHANCED_CT,
    SECONDARY_CAPTURE,
    Found,
    SliceHeader,
    files_under,
    read_headers,
)
from septal_planner.inputs.dicom_pixels import decode
from septal_planner.inputs.volume import IMAGE_SUFFIXES, Progress, Volume
from septal_planner.inputs.voxels import as_hounsfield, blood_opacification

T = TypeVar("T")

FEW_PLACES = 10


@dataclass(frozen=True)
class Series:
    """Slices that belong together: of one series, or of one phase of it. `selector` names it to the program.
    """

    selector: str
    uid: str
    slices: tuple[SliceHeader, ...]
    not_a_ct: str = ""  # why this can be no cardiac CT (a scout, another modality ...), empty where it can

    @property
    def folder(self) -> Path:
        return Path(os.path.commonpath([s.path.parent for s in self.slices]))

    @property
    def where(self) -> str:
        """How sentences about it begin."""
        return f"The CT series {self.selector} in {self.folder}"


def read_dicom(
    path: Path | list[Path], *, series_uid: str | None = None, progress: Progress | None = None
) -> Volume:
    """Read one series from a folder, a list of files, or the folder of the one file given. Raises
    InputRefused.
    """
    if progress:
        progress("Reading the headers of the CT")
    if isinstance(path, list):
        absent = [p for p in path if not p.is_file()]
        if absent or not path:
            raise InputRefused(
                f"The file {absent[0]} does not exist; check the list."
                if absent
                else "The list of CT files is empty; name the files of one series."
            )
        found, where = read_headers(path), f"the list of {len(path)} files"
    else:
        found, where = find_dicom(path, None), str(path)
        if path.is_file() and series_uid is None:
            series_uid = next(
                (
                    s.selector
                    for s in group_series(found.headers)
                    for h in s.slices
                    if h.path == path and not s.not_a_ct
                ),
                None,
            )
            if series_uid is None:
                raise _not_read(path)
    chosen, notes = _choose(found, where, series_uid)
    damaged = [(p, why) for p, why in found.damaged if p.parent in {s.path.parent for s in chosen.slices}]
    if damaged:
        raise InputRefused(
            f"The file {damaged[0][0]} beside the CT series cannot be read ({damaged[0][1]}), so slices may"
            " be missing; copy the series again, or take the file away if it is no part of it."
        )
    geometry, faults = place_series(chosen.slices, chosen.where)
    if geometry is None:
        raise InputRefused(faults[0])
    first = geometry.slices[0]
    hu = as_hounsfield(decode(geometry.slices, progress=progress), chosen.folder)
    return Volume(
        hu,
        geometry.lps_from_index,
        source=f"DICOM series of {len(geometry.slices)} slices",
        series_instance_uid=chosen.uid or None,
        frame_of_reference_uid=first.frame_of_reference_uid,
        phase_percent=what_all_say({s.phase_percent for s in geometry.slices}),
        patient_position=what_all_say({text_of(s, "PatientPosition") for s in geometry.slices}),
        identity=_identity(first),
        notes=(*notes, *geometry_notes(geometry)),
    )


def group_series(headers: Sequence[SliceHeader]) -> list[Series]:
    """Headers gathered by series; scouts, colour pages and the like set apart; the phases of a series that
    holds several parted, each with the selector UID@phaseN (or @acquisitionN, @timeN where only those tell
    them apart).
    """
    groups: dict[tuple[str, str], list[SliceHeader]] = {}
    for h in headers:
        groups.setdefault((h.series_uid, _not_a_ct(h)), []).append(h)
    out = []
    for (uid, reason), slices in groups.items():
        if reason:
            out.append(Series(uid, uid, tuple(slices), reason))
            continue
        for part, members in _parts(slices).items():
            out.append(Series(f"{uid}@{part}" if part else uid, uid, tuple(members)))
    return out


def _not_a_ct(h: SliceHeader) -> str:
    if h.sop_class.startswith(SECONDARY_CAPTURE):
        return "a secondary capture, not a CT"
    if h.samples != 1:
        return "a colour picture, not a CT"
    if h.modality != "CT":
        return f"of the modality {h.modality or 'not recorded'}, not CT"
    if "LOCALIZER" in h.image_type:  # PS3.3 C.8.2.1.1.1, value 3
        return "a localiser (scout), not a volume"
    if h.sop_class in ENHANCED_CT:
        return "an enhanced multi-frame CT, which is not read here: export it as single-frame CT"
    if h.sop_class != CT_IMAGE:
        return "of another kind than CT Image Storage"
    return ""


def _parts(slices: list[SliceHeader]) -> dict[str, list[SliceHeader]]:
    """One entry for a plain series; several where it holds more than one picture at one place and a tag parts
    them.
    """
    if len({s.position_lps for s in slices}) == len(slices):
        return {"": slices}
    by_phase: dict[str, list[SliceHeader]] = {}
    for s in slices:
        by_phase.setdefault("" if s.phase_percent is None else f"phase{s.phase_percent:g}", []).append(s)
    if len(by_phase) > 1:
        return by_phase
    for word, keyword in (("acquisition", "AcquisitionNumber"), ("time", "TemporalPositionIdentifier")):
        parts: dict[str, list[SliceHeader]] = {}
        for s in slices:
            parts.setdefault(f"{word}{text_of(s, keyword) or '-unknown'}", []).append(s)
        alone = all(1 < len({s.position_lps for s in p}) == len(p) for p in parts.values())
        if len(parts) > 1 and alone and len({len(p) for p in parts.values()}) == 1:
            return parts
    return {"": slices}


def _choose(found: Found, where: str, wanted: str | None) -> tuple[Series, list[str]]:
    """The series asked for, the only one there is, or the only one that shows contrast."""
    series = group_series(found.headers)
    ct = [s for s in series if not s.not_a_ct]
    if wanted is not None:
        hits = [s for s in series if s.selector == wanted] or [s for s in series if s.uid == wanted]
        real = [s for s in hits if not s.not_a_ct]
        if len(real) == 1:
            return real[0], []
        if len(real) > 1:
            raise InputRefused(
                f"The series {wanted} in {where} holds {len(real)} phases or acquisitions; choose one with"
                f" --series: {_candidates(real)}."
            )
        if hits:
            raise InputRefused(
                f"The series {wanted} in {where} is {hits[0].not_a_ct}; choose another with --series: "
                f"{_candidates(ct) or 'there is no CT volume here'}."
            )
        raise InputRefused(
            f"The series {wanted} is not in {where}; choose one that is there with --series: "
            f"{_candidates(ct) or 'there is no CT volume here'}."
        )
    if not ct:
        raise nothing_found(found, where)
    if len(ct) == 1:
        return ct[0], []
    # Bolus tracking images one place again and again: beside a volume that is no candidate.
    tall = [s for s in ct if len({h.position_lps for h in s.slices}) >= FEW_PLACES] or ct
    seen = [(s, _shows_contrast(s)) for s in tall]
    filled = [s for s, contrast in seen if contrast]
    if len(filled) == 1 and not any(contrast is None for _, contrast in seen):
        return filled[0], [
            f"Of {len(ct)} CT series the only one that shows contrast in the heart was used"
            f" ({filled[0].selector})."
        ]
    if len(tall) == 1:
        return tall[0], [
            f"Of {len(ct)} CT series the only one that is a volume was used ({tall[0].selector})."
        ]
    raise InputRefused(
        f"{len(tall)} CT series in {where} could be the one to plan on; choose one with --series:"
        f" {_candidates(tall)}."
    )


def _shows_contrast(series: Series) -> bool | None:
    """None where the slices cannot be looked at: a faulty series may be the one that was meant."""
    geometry, _ = place_series(series.slices, series.where)
    return None if geometry is None else contrast_of(geometry)[1]


def contrast_of(geometry: SeriesGeometry) -> tuple[float | None, bool | None]:
    """Estimated HU of the blood and whether contrast is seen, from three slices; (None, None) where they do
    not decode.
    """
    n = len(geometry.slices)
    try:
        hu = decode([geometry.slices[n * q // 8] for q in (3, 4, 5)])
    except InputRefused:
        return None, None
    step = spacing_mm(geometry.lps_from_index)
    return blood_opacification(hu, float(step[1]), float(step[0]))


def _candidates(series: Sequence[Series]) -> str:
    words = []
    for s in series:
        phase = what_all_say({h.phase_percent for h in s.slices})
        told = [
            f"{len(s.slices)} slices",
            f"phase {phase:g} %" if phase is not None else "phase not recorded",
        ]
        description = text_of(s.slices[0], "SeriesDescription")
        words.append(f"{s.selector} ({', '.join(([description] if description else []) + told)})")
    return "; ".join(words)


def find_dicom(path: Path, progress: Progress | None) -> Found:
    if not path.exists():
        raise InputRefused(f"The CT {path} does not exist; check the path.")
    folder = path if path.is_dir() else path.parent
    files = files_under(folder) if path.is_dir() else sorted(p for p in folder.iterdir() if p.is_file())
    if not files:
        raise InputRefused(f"The folder {path} is empty, expected a CT series; check the path.")
    if progress:
        progress(f"Reading the headers of {len(files)} files")
    return read_headers(files)


def _not_read(path: Path) -> InputRefused:
    """The sentence for a single file that is no CT image."""
    alone = read_headers([path])
    if alone.headers or alone.damaged:
        return nothing_found(alone, str(path))
    return InputRefused(
        f"The file {path} is neither a DICOM image nor one of {', '.join(IMAGE_SUFFIXES)}; name a CT of one"
        " of these kinds, or the folder of a DICOM series."
    )


def nothing_found(found: Found, where: str) -> InputRefused:
    """The sentence for a place without a CT: what was found there instead."""
    if found.damaged and not found.headers:
        path, why = found.damaged[0]
        return InputRefused(
            f"The file {path} cannot be read ({why}) and {where} holds no CT beside it; copy the series"
            " again."
        )
    kinds = sorted(
        {
            f"{s.not_a_ct} ({len(s.slices)} file{'s' * (len(s.slices) != 1)})"
            for s in group_series(found.headers)
        }
    )
    other = [f"not DICOM ({found.others} file{'s' * (found.others != 1)})"] if found.others else []
    return InputRefused(
        f"There is no CT volume in {where}: what lies there is {'; '.join(kinds + other) or 'nothing'};"
        " choose the folder of the cardiac CT."
    )


def geometry_notes(geometry: SeriesGeometry) -> tuple[str, ...]:
    """What is odd about a series that can be read all the same, in sentences."""
    notes = list(geometry.notes)
    if geometry.tilt_deg >= 0.05:
        notes.append(
            f"The slices are sheared by {geometry.tilt_deg:.1f}° (tilted gantry); voxels are placed by the"
            " positions of the slices."
        )
    if text_of(geometry.slices[0], "RescaleType") == "US":
        notes.append(
            "The CT says its values have an unspecified unit (Rescale Type US); they were taken as Hounsfield"
            " units."
        )
    return tuple(notes)


def _identity(h: SliceHeader) -> dict[str, str] | None:
    told = {
        key: text
        for key, keyword in (("name", "PatientName"), ("id", "PatientID"), ("birth_date", "PatientBirthDate"))
        if (text := text_of(h, keyword))
    }
    return told or None


def text_of(h: SliceHeader, keyword: str) -> str | None:
    value = h.dataset.get(keyword)
    if (
        value is not None
        and not isinstance(value, str)
        and hasattr(value, "__iter__")
        and keyword != "PatientName"
    ):
        value = "\\".join(map(str, value))
    text = str(value).strip() if value is not None else ""
    return text or None


def what_all_say(values: set[T]) -> T | None:
    """What all agree on, None where they do not."""
    return next(iter(values)) if len(values) == 1 else None
