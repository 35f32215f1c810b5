"""At which part of the heartbeat a picture was taken, from all the places where makers write it."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

AGREE_PERCENT = 5.0  # of the RR interval: two places that differ by more contradict each other

# Iterative reconstruction is given in percent too ("ASiR 40%").
_OTHER_PERCENT = re.compile(r"asir|idose|admire|safire|iterat|blend|dose|stenosis", re.IGNORECASE)


@dataclass(frozen=True)
class Phase:
    """Percent of the RR interval, None where it is not recorded or not clear; `source` says where it was read, `note`
    in a sentence what was odd.
    """

    percent: float | None = None
    source: str = ""
    note: str = ""


@lru_cache(maxsize=4096)
def read_phase(
    nominal_percent: float | None = None,
    trigger_ms: float | None = None,
    rr_ms: float | None = None,
    scan_options: str = "",
    series_description: str = "",
    image_comments: str = "",
    protocol_name: str = "",
) -> Phase:
    """The phase that all places agree on which say one, in this order of trust: Nominal Percentage of Cardiac Phase
    (0020,9241), a trigger time as part of the RR interval (both DICOM PS3.3 C.7.6.18), and what makers write elsewhere
    (common practice, no source): Scan Options "TP70PC1165", Series Description "70 % 1.0 B30f", Image Comments
    "72 bpm, 55 %", Protocol Name. Unknown, with a note, where two of them are more than 5 % apart.
    """
    said: list[tuple[str, float]] = []
    if nominal_percent is not None and 0 <= nominal_percent <= 100:
        said.append(("Nominal Percentage of Cardiac Phase (0020,9241)", float(nominal_percent)))
    # A trigger time of 0 is written where there was no gating, so it says nothing.
    if trigger_ms and rr_ms and 0 < trigger_ms <= rr_ms and rr_ms > 200:
        said.append(("Trigger Time in the RR interval", round(100.0 * trigger_ms / rr_ms, 1)))
    trigger = re.search(r"(?:^|\\)TP(\d{1,3})PC", scan_options)
    if trigger and int(trigger[1]) <= 100:
        said.append(("Scan Options (0018,0022)", float(trigger[1])))
    for where, text in (
        ("Series Description (0008,103E)", series_description),
        ("Image Comments (0020,4000)", image_comments),
        ("Protocol Name (0018,1030)", protocol_name),
    ):
        percent = percent_in_words(text)
        if percent is not None:
            said.append((where, percent))
    if not said:
        return Phase()
    values = [percent for _, percent in said]
    if max(values) - min(values) > AGREE_PERCENT:
        told = ", ".join(f"{where} says {percent:g} %" for where, percent in said)
        return Phase(note=f"The cardiac phase is not clear: {told}; it was taken as unknown.")
    return Phase(said[0][1], said[0][0])


def percent_in_words(text: str) -> float | None:
    """The one percentage in a text that can be a cardiac phase; None for none, several, or a range ("0 - 90 %")."""
    if _OTHER_PERCENT.search(text):
        return None
    hits = re.findall(r"(\d+\s*%?\s*-\s*)?(?<![\d.])(\d{1,3}(?:\.\d+)?)\s*%", text)
    if len(hits) != 1 or hits[0][0] or not float(hits[0][1]) <= 100:
        return None
    return float(hits[0][1])


def phase_of_all(phases: Sequence[Phase]) -> Phase:
    """The phase of slices that form one volume: the middle one where they lie within 5 % of each other, otherwise
    unknown, with a note.
    """
    different = set(phases)
    if len(different) == 1:
        return next(iter(different))
    notes = sorted({p.note for p in different if p.note})
    known = sorted({p.percent for p in different if p.percent is not None})
    if notes or not known:
        return Phase(note=notes[0] if notes else "")
    if any(p.percent is None for p in different):
        return Phase(
            note=f"The cardiac phase is not clear: only some of the slices record one ({_list(known)}); it was taken as"
            " unknown."
        )
    source = next(p.source for p in phases)
    if known[-1] - known[0] > AGREE_PERCENT:
        return Phase(
            note=f"The cardiac phase changes from slice to slice ({_list(known)}); it was taken as unknown."
        )
    if len(known) == 1:
        return Phase(known[0], source)
    middle = float(round((known[0] + known[-1]) / 2))
    return Phase(
        middle,
        source,
        f"The cardiac phase changes from slice to slice ({known[0]:g} to {known[-1]:g} %); {middle:g} % was taken.",
    )


def phase_steps(percents: Sequence[float]) -> dict[float, float]:
    """For each of the percentages the step it belongs to: those a little apart (up to 2.5 %), as trigger times give
    them, are one step, named by the middle rounded to a whole percent; one alone by itself.
    """
    steps: dict[float, float] = {}
    group: list[float] = []
    for percent in [*sorted(set(percents)), math.inf]:
        if group and percent - group[-1] > 2.5:
            middle = float(round((group[0] + group[-1]) / 2)) if len(group) > 1 else group[0]
            steps |= dict.fromkeys(group, middle)
            group = []
        group.append(percent)
    return steps


def _list(percents: Sequence[float]) -> str:
    shown = ", ".join(f"{p:g}" for p in percents[:6])
    return f"{shown} %" if len(percents) <= 6 else f"{shown} ... {percents[-1]:g} %"
