"""Which of the DICOM series in a folder to read, and reading it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TypeVar

from septal_planner.errors import InputRefused
from septal_planner.geometry.frames import spacing_mm
from septal_planner.inputs.cardiac_phase import AGREE_PERCENT
from septal_planner.inputs.dicom_geometry import SeriesGeometry, place_series
from septal_planner.inputs.dicom_headers import Found, SliceHeader, files_under, read_headers
from septal_planner.inputs.dicom_pixels import decode
from septal_planner.inputs.series_groups import Series, group_series, text_of
from septal_planner.inputs.volume import IMAGE_SUFFIXES, Progress, Volume
from septal_planner.inputs.voxels import as_hounsfield, blood_opacification

T = TypeVar("T")

FEW_PLACES = 10


def read_dicom(
    path: Path | list[Path],
    *,
    series_uid: str | None = None,
    phase_percent: float | None = None,
    progress: Progress | None = None,
) -> Volume:
    """Read one series, or the phase of it nearest to `phase_percent` of the RR interval, from a folder, a list of
    files, or the folder of the one file given. Raises InputRefused.
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
        series = group_series(found.headers)
    else:
        found, where = find_dicom(path, None), str(path)
        series = group_series(found.headers)
        if path.is_file() and not is_dicomdir(path) and series_uid is None:
            series = [s for s in series if not s.not_a_ct and any(h.path == path for h in s.slices)]
            if not series:
                raise _not_read(path)
    chosen, notes = _choose(series, found, where, series_uid, phase_percent)
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
        source=f"DICOM series of {len(geometry.slices)} {'slices' if first.frame is None else 'frames (enhanced CT)'}",
        series_instance_uid=chosen.uid or None,
        frame_of_reference_uid=first.frame_of_reference_uid,
        phase_percent=chosen.phase.percent,
        patient_position=what_all_say({text_of(s, "PatientPosition") for s in geometry.slices}),
        identity=_identity(first),
        notes=(*notes, *([chosen.phase.note] if chosen.phase.note else []), *geometry_notes(geometry)),
    )


def _choose(
    series: Sequence[Series], found: Found, where: str, wanted: str | None, phase_percent: float | None
) -> tuple[Series, list[str]]:
    """The series asked for, the only one there is, the one of the phase asked for, or the only one that shows contrast.
    """
    ct = [s for s in series if not s.not_a_ct]
    if wanted is not None:
        hits = [s for s in series if s.selector == wanted] or [s for s in series if s.uid == wanted]
        real = [s for s in hits if not s.not_a_ct]
        if real and phase_percent is not None:
            return _of_phase(real, f"the series {wanted} in {where}", phase_percent)
        if len(real) == 1:
            return real[0], []
        if len(real) > 1:
            raise InputRefused(
                f"The series {wanted} in {where} holds {len(real)} phases or acquisitions; choose one with"
                f" {_how(real)}: {_candidates(real)}."
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
    # Bolus tracking images one place again and again: beside a volume that is no candidate.
    tall = [s for s in ct if len({h.position_lps for h in s.slices}) >= FEW_PLACES] or ct
    if phase_percent is not None:
        return _of_phase(tall, where, phase_percent)
    if len(ct) == 1:
        return ct[0], []
    filled = _only_filled(tall)
    if filled:
        return filled, [
            f"Of {len(ct)} CT series the only one that shows contrast in the heart was used ({filled.selector})."
        ]
    if len(tall) == 1:
        return tall[0], [
            f"Of {len(ct)} CT series the only one that is a volume was used ({tall[0].selector})."
        ]
    raise InputRefused(
        f"{len(tall)} CT series in {where} could be the one to plan on; choose one with {_how(tall)}:"
        f" {_candidates(tall)}."
    )


def _of_phase(series: Sequence[Series], where: str, wanted: float) -> tuple[Series, list[str]]:
    """The series whose phase is nearest to the one wanted, no more than 5 % of the RR interval off."""
    known = [(abs(s.phase.percent - wanted), s) for s in series if s.phase.percent is not None]
    if not known:
        raise InputRefused(
            f"Phase {wanted:g} % was asked for, but no CT in {where} says clearly which phase it shows; leave --phase"
            f" out and choose with --series: {_candidates(series)}."
        )
    off = min(distance for distance, _ in known)
    if off > AGREE_PERCENT:
        raise InputRefused(
            f"Phase {wanted:g} % was asked for, but no CT in {where} lies within {AGREE_PERCENT:g} % of it; choose one"
            f" that is there: {_candidates(series)}."
        )
    nearest = [s for distance, s in known if distance == off]
    chosen = nearest[0] if len(nearest) == 1 else _only_filled(nearest)
    if chosen is None:
        raise InputRefused(
            f"Phase {wanted:g} % was asked for, and {len(nearest)} CT series in {where} are equally near; choose one"
            f" with --series: {_candidates(nearest)}."
        )
    notes = []
    if len(nearest) > 1:
        notes.append(
            f"Of {len(nearest)} CT series of this phase the only one that shows contrast in the heart was used"
            f" ({chosen.selector})."
        )
    if off > 0:
        notes.append(f"Phase {wanted:g} % was asked for; the nearest there is, {chosen.phase.percent:g} %, was used.")
    return chosen, notes


def _only_filled(series: Sequence[Series]) -> Series | None:
    """The one that shows contrast, None where there are several, none, or any that cannot be looked at."""
    seen = [(s, _shows_contrast(s)) for s in series]
    filled = [s for s, contrast in seen if contrast]
    return filled[0] if len(filled) == 1 and not any(contrast is None for _, contrast in seen) else None


def _how(series: Sequence[Series]) -> str:
    """The options that can part these series."""
    known = {s.phase.percent for s in series} - {None}
    return "--phase PERCENT or --series" if len(known) > 1 else "--series"


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
        phase = s.phase.percent
        told = [
            f"{len(s.slices)} {'slices' if s.kind == 'classic' else 'frames'}",
            f"phase {phase:g} %" if phase is not None else "phase not clear" if s.phase.note else "phase not recorded",
        ]
        description = text_of(s.slices[0], "SeriesDescription")
        words.append(f"{s.selector} ({', '.join(([description] if description else []) + told)})")
    return "; ".join(words)


def find_dicom(path: Path, progress: Progress | None) -> Found:
    if not path.exists():
        raise InputRefused(f"The CT {path} does not exist; check the path.")
    if path.is_dir() or is_dicomdir(path):
        files = files_under(path if path.is_dir() else path.parent)
    else:
        files = sorted(p for p in path.parent.iterdir() if p.is_file())
    if not files:
        raise InputRefused(f"The folder {path} is empty, expected a CT series; check the path.")
    if progress:
        progress(f"Reading the headers of {len(files)} files")
    return read_headers(files)


def is_dicomdir(path: Path) -> bool:
    """Whether a path is the index file of a disc (PS3.10 section 8.6): what it lists lies beside and below it."""
    return path.name.upper() == "DICOMDIR" and path.is_file()


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
    if geometry.slices[0].rescale_type == "US":
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


def what_all_say(values: set[T]) -> T | None:
    """What all agree on, None where they do not."""
    return next(iter(values)) if len(values) == 1 else None
