"""Which slices and frames belong together: by series, by what can be no volume, and by phase where one series holds
several.
"""

from __future__ import annotations

import os
import re
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from septal_planner.inputs.cardiac_phase import Phase, phase_of_all, phase_steps
from septal_planner.inputs.dicom_geometry import place_series
from septal_planner.inputs.dicom_headers import CT_IMAGE, ENHANCED_CT, SECONDARY_CAPTURE, SliceHeader

# Values of Image Type and Frame Type (PS3.3 C.8.16.1; the short ones as makers write them, common practice, no source)
# and of Volumetric Properties (C.8.16.2.1.2) of pictures whose pixels are projected or bent.
PROJECTED = {"MAXIMUM", "MINIMUM", "MAX_IP", "MIN_IP", "MIP", "MINIP", "SUBTRACTION", "STD_DEVIATION"} | {
    *("VRT", "SSD", "CURVED", "CPR", "SAMPLED", "DISTORTED")
}

Parts = dict[str, list[SliceHeader]]


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

    @property
    def kind(self) -> str:
        """ "classic": one slice a file; "enhanced": frames of multi-frame files."""
        return "classic" if self.slices[0].frame is None else "enhanced"

    @cached_property
    def phase(self) -> Phase:
        return phase_of_all([s.phase for s in self.slices])


def group_series(headers: Sequence[SliceHeader]) -> list[Series]:
    """Headers gathered by series; scouts, projections, colour pages and the like set apart; the phases of a series that
    holds several parted, each with the selector UID@phaseN (or @acquisitionN, @timeN, @stackN, @instanceN where only
    those tell them apart).
    """
    groups: dict[tuple[str, str, bool], list[SliceHeader]] = {}
    for h in headers:
        groups.setdefault((h.series_uid, _not_a_ct(h), h.frame is not None), []).append(h)
    volumes = [uid for uid, reason, _ in groups if not reason]
    out = []
    for (uid, reason, enhanced), slices in groups.items():
        if reason:
            out.append(Series(uid, uid, tuple(slices), reason))
            continue
        twice = "enhanced" if enhanced and volumes.count(uid) > 1 else ""  # converted under the same UID
        for part, members in _parts(slices).items():
            word = "-".join(w for w in (twice, part) if w)
            out.append(Series(f"{uid}@{word}" if word else uid, uid, tuple(members)))
    return out


def _not_a_ct(h: SliceHeader) -> str:
    if h.sop_class.startswith(SECONDARY_CAPTURE):
        return "a secondary capture, not a CT"
    if h.samples != 1:
        return "a colour picture, not a CT"
    if h.modality != "CT":
        return f"of the modality {h.modality or 'not recorded'}, not CT"
    if "LOCALIZER" in h.image_type:  # PS3.3 C.8.2.1.1.1 and C.8.16.1.3, value 3
        return "a localiser (scout), not a volume"
    if PROJECTED & {word for value in h.image_type[2:] for word in value.split()}:
        return "a projection or rendering (such as a MIP), not a volume"
    if h.sop_class not in (CT_IMAGE, *ENHANCED_CT):
        return "of another kind than CT Image Storage"
    return ""


_WORDS: dict[str, Callable[[SliceHeader], str]] = {
    "acquisition": lambda s: s.acquisition,
    "time": lambda s: s.time,
    "stack": lambda s: s.stack,
    "instance": lambda s: "" if s.frame is None else s.instance,
}
# What may part a series, the plainest first.
_WAYS = (
    *(("steps",), ("phase",), ("acquisition",), ("time",), ("stack",), ("instance",)),
    *((phase, other) for phase in ("steps", "phase") for other in _WORDS),
    *(("acquisition", "stack"), ("time", "stack"), ("steps", "time", "stack")),
)


def _parts(slices: list[SliceHeader]) -> Parts:
    """One entry for a plain series; several where it holds more than one picture at one place, or stacks that make no
    single volume, and a tag parts them.
    """
    repeats = _repeats(slices)
    if not repeats and len({s.stack for s in slices}) < 2 and len({s.phase_percent for s in slices}) < 2:
        return {"": slices}
    if not repeats and place_series(slices, "")[0] is not None:
        return {"": slices}
    for words in _WAYS:
        parts = _by(slices, words)
        if len(parts) > 1 and all(_stands_alone(p) for p in parts.values()) and (
            "stack" in words or _cover_the_same(list(parts.values()), counted=words[0] not in ("steps", "phase"))
        ):
            return parts
    by_phase = _by(slices, ("phase",))
    return by_phase if repeats and len(by_phase) > 1 else {"": slices}


def _by(slices: list[SliceHeader], words: tuple[str, ...]) -> Parts:
    steps = phase_steps([s.phase_percent for s in slices if s.phase_percent is not None])
    parts: Parts = {}
    for s in slices:
        names = []
        for word in words:
            if word in _WORDS:
                names.append(word + (re.sub(r"[^\w.+-]", "_", _WORDS[word](s)) or "-unknown"))
            elif s.phase_percent is None:
                names.append("phase-unknown")
            else:
                names.append(f"phase{s.phase_percent if word == 'phase' else steps[s.phase_percent]:g}")
        parts.setdefault("-".join(names), []).append(s)
    return parts


def _repeats(slices: Sequence[SliceHeader]) -> bool:
    return len({s.position_lps for s in slices}) < len(slices)


def _stands_alone(part: Sequence[SliceHeader]) -> bool:
    """Several places, one picture at each; a file that is there twice is one."""
    pictures = {(s.sop_instance_uid or s.path, s.frame): s.position_lps for s in part}
    return 1 < len(set(pictures.values())) == len(pictures)


def _cover_the_same(parts: list[list[SliceHeader]], *, counted: bool) -> bool:
    """Whether the parts picture the same stretch, as phases do and slabs one above the other do not; `counted`: with
    about as many slices each.
    """
    sizes = [len(p) for p in parts]
    if counted and min(sizes) < 0.8 * max(sizes):
        return False
    first = next((s for s in parts[0] if s.orientation), None)
    if first is None or any(s.position_lps is None for p in parts for s in p):
        return False
    iop = np.array(first.orientation, dtype=np.float64).reshape(2, 3)
    normal = np.cross(iop[0], iop[1])
    spans = []
    for part in parts:
        along = np.array([s.position_lps for s in part], dtype=np.float64) @ normal
        spans.append((float(along.min()), float(along.max())))
    low, high = max(a for a, _ in spans), min(b for _, b in spans)
    return high - low > 0.5 * max(b - a for a, b in spans)


def text_of(h: SliceHeader, keyword: str) -> str | None:
    """An attribute's text, None where it is absent or spoilt; several values parted by backslashes."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of what the standard does not allow and is shown all the same
            value = h.dataset.get(keyword)
            if (
                value is not None
                and not isinstance(value, str)
                and hasattr(value, "__iter__")
                and keyword != "PatientName"
            ):
                value = "\\".join(map(str, value))
            text = str(value).strip() if value is not None else ""
    except Exception:  # pydicom raises many kinds for a damaged element
        return None
    return text or None
