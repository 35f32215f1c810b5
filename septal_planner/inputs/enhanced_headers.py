"""The frames of an Enhanced CT object (DICOM PS3.3 A.38), one record each, from its functional groups.

What holds for all frames stands in the Shared Functional Groups Sequence (5200,9229), what differs in the Per-Frame
one (5200,9230), each attribute in one of the two (C.7.6.16.1.1); the order of the frames says nothing of their place.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pydicom

from septal_planner.inputs.cardiac_phase import Phase, read_phase
from septal_planner.inputs.dicom_headers import BEYOND_ANY_CT, SliceHeader, integer, number, text

_GROUPS = ("SharedFunctionalGroupsSequence", "PerFrameFunctionalGroupsSequence")


def frame_headers(whole: SliceHeader) -> list[SliceHeader]:
    """The frames of an enhanced file, given the record of the file; one record with a `fault` where its functional
    groups do not describe as many frames as it says it has.
    """
    total = integer(whole.dataset, "InConcatenationTotalNumber")  # PS3.3 C.7.6.16.2.2.4
    if text(whole.dataset, "ConcatenationUID") and total != 1:
        part = f"part {integer(whole.dataset, 'InConcatenationNumber') or '?'} of {total or '?'}"
        return [_faulty(whole, f"is {part} of one image split over several files (a concatenation)")]
    with open(whole.path, "rb") as stream:
        groups = pydicom.dcmread(stream, stop_before_pixels=True, specific_tags=list(_GROUPS))
    shared = _items(groups, _GROUPS[0])[:1]
    each = _items(groups, _GROUPS[1])
    if len(each) != whole.frames:
        return [_faulty(whole, f"describes {len(each)} frames in its functional groups but says it has {whole.frames}")]
    dataset = _with_common_words(whole.dataset, shared + each[:1])
    whole = replace(whole, dataset=dataset)
    return [_frame(whole, k, [own, *shared]) for k, own in enumerate(each)]


def _faulty(whole: SliceHeader, fault: str) -> SliceHeader:
    return replace(whole, frame=0, fault=fault, phase=Phase())


def _frame(whole: SliceHeader, position: int, groups: list[Any]) -> SliceHeader:
    content = list(_macro(groups, "FrameContentSequence"))
    beat = [*_macro(groups, "CardiacSynchronizationSequence"), *content]
    rescale = list(_macro(groups, "PixelValueTransformationSequence"))
    kind = list(_macro(groups, "CTImageFrameTypeSequence"))
    image_type = _text(kind, "FrameType") or text(whole.dataset, "ImageType")
    # SAMPLED (a projection) or DISTORTED (a bent plane), C.8.16.2.1.2: one word more of what kind of image it is
    image_type += "\\" + _text(kind, "VolumetricProperties")
    slope, intercept = _floats(rescale, "RescaleSlope", 1), _floats(rescale, "RescaleIntercept", 1)
    ds = whole.dataset
    nominal = _one(beat, "NominalPercentageOfCardiacPhase")
    return replace(
        whole,
        frame=position,
        image_type=tuple(v.strip() for v in image_type.split("\\") if v.strip()),
        position_lps=_floats(list(_macro(groups, "PlanePositionSequence")), "ImagePositionPatient", 3),
        orientation=_floats(list(_macro(groups, "PlaneOrientationSequence")), "ImageOrientationPatient", 6),
        spacing_mm=_floats(list(_macro(groups, "PixelMeasuresSequence")), "PixelSpacing", 2),
        slope=slope[0] if slope else None,
        intercept=intercept[0] if intercept else None,
        rescale_type=_text(rescale, "RescaleType"),
        acquisition=_text(content, "FrameAcquisitionNumber"),
        time=_text(content, "TemporalPositionIndex"),
        stack=_text(content, "StackID"),
        phase=read_phase(
            nominal if nominal is not None else number(ds, "NominalPercentageOfCardiacPhase"),
            _one(beat, "NominalCardiacTriggerDelayTime"),
            _one(beat, "RRIntervalTimeNominal"),
            text(ds, "ScanOptions"),
            text(ds, "SeriesDescription"),
            _text(content, "FrameComments") or text(ds, "ImageComments"),
            text(ds, "ProtocolName"),
        ),
    )


def _with_common_words(ds: Any, groups: list[Any]) -> Any:
    """The file's own header with what `inspect` shows and enhanced objects keep in their groups."""
    for macro, keyword in (
        ("CTXRayDetailsSequence", "KVP"),
        ("CTReconstructionSequence", "ConvolutionKernel"),
    ):
        told = _text(list(_macro(groups, macro)), keyword)
        if told and keyword not in ds:
            setattr(ds, keyword, told)
    return ds


def _macro(groups: list[Any], keyword: str) -> Iterator[Any]:
    """The items of a functional group, the frame's own first."""
    for group in groups:
        yield from _items(group, keyword)[:1]


def _items(ds: Any, keyword: str) -> list[Any]:
    try:
        value = ds.get(keyword)
        return [item for item in value if isinstance(item, pydicom.Dataset)] if value else []
    except Exception:  # a damaged sequence: pydicom raises many kinds; what it should say is then missing
        return []


def _text(items: list[Any], keyword: str) -> str:
    for item in items:
        try:
            value = item.get(keyword)
        except Exception:  # as above
            continue
        if value is None or value == "":
            continue
        several = not isinstance(value, str) and hasattr(value, "__iter__")
        return "\\".join(map(str, value)) if several else str(value).strip()
    return ""


def _floats(items: list[Any], keyword: str, count: int) -> tuple[float, ...] | None:
    try:
        value = tuple(map(float, _text(items, keyword).split("\\")))
    except ValueError:
        return None
    return value if len(value) == count and all(abs(v) < BEYOND_ANY_CT for v in value) else None


def _one(items: list[Any], keyword: str) -> float | None:
    value = _floats(items, keyword, 1)
    return value[0] if value and math.isfinite(value[0]) else None
