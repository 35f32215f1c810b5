"""The cardiac phase, from every place where makers write it; what contradicts itself is unknown."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from septal_planner.inputs.cardiac_phase import Phase, phase_of_all, phase_steps, read_phase
from septal_planner.inputs.series_summary import list_series
from septal_planner.inputs.volume import read_volume


@pytest.mark.parametrize(
    ("told", "percent", "source"),
    [
        ({"nominal_percent": 55.0}, 55, "0020,9241"),
        ({"nominal_percent": 0.0}, 0, "0020,9241"),
        ({"nominal_percent": 74.5, "scan_options": "TP75PC1165"}, 74.5, "0020,9241"),
        ({"trigger_ms": 630.0, "rr_ms": 900.0}, 70, "Trigger Time"),
        ({"scan_options": "TP70PC1165"}, 70, "Scan Options"),
        ({"scan_options": "HELICAL MODE\\TP40PC0"}, 40, "Scan Options"),
        ({"series_description": "70 % 1.0 B30f"}, 70, "Series Description"),
        ({"series_description": "CorCTA 0.75 BestDiast 76 %"}, 76, "Series Description"),
        ({"series_description": "Coronary", "image_comments": "72 bpm, 55 %"}, 55, "Image Comments"),
        ({"protocol_name": "CTA heart 75%"}, 75, "Protocol Name"),
        # not a phase
        ({"trigger_ms": 630.0}, None, ""),
        ({"trigger_ms": 0.0, "rr_ms": 900.0}, None, ""),
        ({"trigger_ms": 950.0, "rr_ms": 900.0}, None, ""),
        ({"series_description": "ASiR 40%"}, None, ""),
        ({"series_description": "CTA 0 - 90 %"}, None, ""),
        ({"series_description": "30% and 70%"}, None, ""),
        ({"series_description": "stenosis 70%"}, None, ""),
        ({"series_description": "heart 0.6"}, None, ""),
        ({"nominal_percent": 120.0}, None, ""),
    ],
)
def test_the_places_of_a_phase(told, percent, source):
    """The words makers write: common practice, no source; (0020,9241), (0018,1060), (0018,1062): PS3.3 C.7.6.18."""
    phase = read_phase(**told)
    assert phase.percent == percent
    assert source in phase.source
    assert phase.note == ""


def test_places_that_contradict_each_other():
    phase = read_phase(nominal_percent=75.0, series_description="35 % 0.75")
    assert phase.percent is None
    for word in ("(0020,9241) says 75 %", "(0008,103E) says 35 %", "unknown"):
        assert word in phase.note


@given(st.lists(st.floats(0, 100), min_size=1, max_size=8))
def test_a_volume_has_a_phase_only_where_its_slices_agree(percents):
    phase = phase_of_all([Phase(p, "here") for p in percents])
    if max(percents) - min(percents) <= 5:
        assert phase.percent is not None
        assert min(percents) - 0.5 <= phase.percent <= max(percents) + 0.5
    else:
        assert phase.percent is None
        assert phase.note


def test_slices_of_which_some_say_nothing():
    phase = phase_of_all([Phase(70.0, "here"), Phase()])
    assert phase.percent is None
    assert "only some" in phase.note


def test_steps_of_trigger_times():
    steps = phase_steps([34.2, 34.9, 35.6, 40.1, 74.8, 75.4])
    assert [steps[p] for p in (34.2, 34.9, 35.6, 40.1, 74.8, 75.4)] == [35, 35, 35, 40.1, 75, 75]


def test_inspect_tells_where_the_phase_was_read(write_series, tmp_path):
    write_series(folder="s/a", ScanOptions="TP70PC1165", SeriesInstanceUID="1.2.71")
    write_series(folder="s/b", SeriesDescription="35 %", ImageComments="60 bpm, 75 %", SeriesInstanceUID="1.2.72")
    seen = {s.series_instance_uid: s for s in list_series(tmp_path / "s")}
    assert seen["1.2.71"].phase_percent == 70
    assert seen["1.2.71"].phase_source == "Scan Options (0018,0022)"
    assert seen["1.2.72"].phase_percent is None
    assert any("35 %" in note and "75 %" in note for note in seen["1.2.72"].notes)


def test_a_contradiction_becomes_a_caution(write_series, tmp_path):
    write_series(SeriesDescription="35 %", ImageComments="60 bpm, 75 %")
    volume = read_volume(tmp_path / "ct")
    assert volume.phase_percent is None
    assert any("not clear" in note for note in volume.notes)
