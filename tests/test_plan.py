"""The saved plan: what the file promises, what is refused, and that old files open for ever."""

from __future__ import annotations

import copy
import errno
import json
import math
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from septal_planner.errors import InputRefused
from septal_planner.plan import Plan, load_plan, plan_as_json, plan_json_schema, save_plan

OLD_PLANS = sorted((Path(__file__).parent / "old_plans").glob("*.json"))
LEAST = Path(__file__).parent / "old_plans" / "schema-1-least.json"
PHANTOM = Path(__file__).parent / "old_plans" / "schema-1-phantom.json"


@pytest.fixture
def document() -> dict[str, Any]:
    return dict(json.loads(PHANTOM.read_text("utf-8")))


def refused(document: object, tmp_path: Path) -> str:
    path = tmp_path / "plan.json"
    path.write_text(document if isinstance(document, str) else json.dumps(document))
    with pytest.raises(InputRefused) as refusal:
        load_plan(path)
    sentence = str(refusal.value)
    assert "plan.json" in sentence
    assert sentence.endswith(".")
    assert "\n" not in sentence
    return sentence


# ------------------------------------------------------------------------------------------------------------ old files


@pytest.mark.parametrize("path", OLD_PLANS, ids=lambda p: p.stem)
def test_old_plans_open_for_ever(path: Path, tmp_path: Path) -> None:
    plan = load_plan(path)
    save_plan(plan, tmp_path / "again.json")
    assert load_plan(tmp_path / "again.json") == plan
    # whatever the old file said is said still
    _assert_within(json.loads(path.read_text("utf-8")), json.loads((tmp_path / "again.json").read_text("utf-8")))


def _assert_within(old: Any, new: Any) -> None:
    if isinstance(old, dict):
        for key in old:
            _assert_within(old[key], new[key])
    elif isinstance(old, list):
        assert len(old) == len(new)
        for a, b in zip(old, new, strict=True):
            _assert_within(a, b)
    else:
        assert old == (pytest.approx(new, abs=1e-6) if isinstance(old, float) else new)


def test_there_are_old_plans() -> None:
    assert len(OLD_PLANS) >= 2


# --------------------------------------------------------------------------------------------------- what the file says


def test_names_that_scripts_build_on() -> None:
    """The published names of plan.json, written out by hand: a renamed field breaks other people's scripts."""
    saved = json.loads(plan_as_json(load_plan(PHANTOM)))
    said = {
        "": "schema_version software coordinate_system unit ct landmarks anatomy puncture reach views cautions",
        "software": "name version",
        "ct": "series_instance_uid frame_of_reference_uid content_sha256 phase_percent size spacing_mm",
        "anatomy": "left_atrium right_atrium mitral_annulus tricuspid_annulus fossa",
        "anatomy.left_atrium": "volume_ml mean_hu",
        "anatomy.mitral_annulus": "center_mm normal area_mm2 perimeter_mm septal_lateral_mm intercommissural_mm "
        "saddle_height_mm",
        "anatomy.tricuspid_annulus": "center_mm normal area_mm2 perimeter_mm septal_lateral_mm saddle_height_mm",
        "anatomy.fossa": "boundary center_mm normal area_mm2 superior_inferior_mm anterior_posterior_mm "
        "thickness_mean_mm thickness_min_mm rim_mm",
        "puncture": "procedure target_mm target_source height_above_mitral_annulus_mm height_interval_95_mm "
        "height_above_coaptation_mm superior_fraction anterior_fraction zone wall_thickness_mm distance_to_aorta_mm "
        "distance_to_posterior_wall_mm distance_to_rim_mm checks",
        "puncture.checks.0": "name value unit low high status why",
        "reach": "crossing_direction entry_angle_deg turn_angle_deg bend_radius_mm axis_tilt_deg clearance_mm "
        "reachable limits",
        "views.fossa_en_face": "primary_deg secondary_deg label reachable",
    }
    for path, names in said.items():
        part = saved
        for step in filter(None, path.split(".")):
            part = part[int(step)] if step.isdigit() else part[step]
        assert set(names.split()) <= set(part), path
    assert saved["schema_version"] == 1
    assert saved["coordinate_system"] == "LPS"
    assert saved["unit"] == "mm"
    assert saved["anatomy"]["fossa"]["boundary"] == "membrane"


def test_schema_is_closed_and_names_what_is_required() -> None:
    # JSON Schema draft 2020-12, 10.3.2.3 additionalProperties and 6.5.3 required (validation vocabulary)
    schema = plan_json_schema()
    parts = [schema, *schema["$defs"].values()]
    for part in parts:
        if part.get("type") == "object":
            assert part["additionalProperties"] is False, part["title"]
    assert {"schema_version", "puncture", "views", "cautions"} <= set(schema["required"])
    assert schema["properties"]["schema_version"]["const"] == 1
    json.dumps(schema)


def test_same_plan_same_bytes(tmp_path: Path) -> None:
    plan = load_plan(PHANTOM)
    save_plan(plan, tmp_path / "a.json")
    save_plan(load_plan(tmp_path / "a.json"), tmp_path / "b.json")
    assert (tmp_path / "a.json").read_bytes() == (tmp_path / "b.json").read_bytes()
    assert (tmp_path / "a.json").read_bytes().endswith(b"}\n")


def test_numbers_keep_six_decimals(document: dict[str, Any]) -> None:
    document["puncture"]["target_mm"] = [1.00000049, -2.5, -0.0000001]
    plan = Plan.model_validate_json(json.dumps(document))
    assert json.loads(plan_as_json(plan))["puncture"]["target_mm"] == [1.0, -2.5, 0.0]
    assert math.copysign(1, json.loads(plan_as_json(plan))["puncture"]["target_mm"][2]) == 1


def test_a_caution_may_hold_brackets(document: dict[str, Any]) -> None:
    document["cautions"] = ["[ 1, 2 ]", "a\n[\n 3\n]"]
    assert json.loads(plan_as_json(Plan.model_validate_json(json.dumps(document))))["cautions"] == document["cautions"]


# ------------------------------------------------------------------------------------------------------ what is refused


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda d: d.update(schema_version=2), "written by a newer version"),
        (lambda d: d.update(schema_version=True), "no schema_version"),
        (lambda d: d.pop("schema_version"), "no schema_version"),
        (lambda d: d.update(surgeon="x"), "key surgeon is not known"),
        (lambda d: d["puncture"].update(depth_mm=3), "key puncture.depth_mm is not known"),
        (lambda d: d["puncture"]["checks"][1].update(note=""), "key puncture.checks.1.note is not known"),
        (lambda d: d["puncture"].pop("zone"), "puncture.zone is missing"),
        (lambda d: d["puncture"].pop("wall_thickness_mm"), "puncture.wall_thickness_mm is missing"),
        (lambda d: d.update(coordinate_system="RAS"), "coordinate_system"),
        (lambda d: d["puncture"].update(target_mm=[1, 2]), "puncture.target_mm"),
        (lambda d: d["puncture"].update(target_mm=["1", 2, 3]), "puncture.target_mm.0"),
        (lambda d: d["puncture"].update(height_interval_95_mm=[40, 30]), "height_interval_95_mm"),
        (lambda d: d["puncture"].update(height_above_mitral_annulus_mm=float("nan")), "height_above_mitral_annulus_mm"),
        (lambda d: d["anatomy"]["fossa"].update(normal=[1, 1, 0]), "length 1.4142, expected 1"),
        (lambda d: d["puncture"]["checks"][0].update(value=None), "exactly when it is assessed"),
        (lambda d: d["puncture"]["checks"][0].update(status="fine"), "puncture.checks.0.status"),
        (lambda d: d["reach"].update(turn_angle_deg=181), "reach.turn_angle_deg"),
        (lambda d: d["ct"].update(content_sha256="abc"), "ct.content_sha256"),
        # needed, and how many points of each at least: the table of landmarks in the README
        *(
            (lambda d, name=name: d["landmarks"].pop(name), f"landmarks lack {name}")
            for name in ("left_atrium", "right_atrium", "fossa", "mitral_annulus", "inferior_vena_cava")
        ),
        *(
            (
                lambda d, name=name, few=few: d["landmarks"].update({name: d["landmarks"]["mitral_annulus"][:few]}),
                f"landmarks.{name} must be {few + 1} or more, found {few}",
            )
            for name, few in (
                ("left_atrium", 0), ("right_atrium", 0), ("fossa", 0), ("mitral_annulus", 5), ("inferior_vena_cava", 1),
                ("tricuspid_annulus", 5), ("aortic_annulus", 2), ("old_ring", 2), ("leaflet_coaptation", 0),
            )
        ),
    ],
)
def test_what_is_not_a_plan_is_refused(
    spoil: Callable[[Any], Any], words: str, document: dict[str, Any], tmp_path: Path
) -> None:
    spoilt = copy.deepcopy(document)
    spoil(spoilt)
    assert words in refused(spoilt, tmp_path)


@pytest.mark.parametrize("text", ["", "{", "[]", "null", "plan", "\x00", "[" * 100_000])
def test_what_is_not_json_is_refused(text: str, tmp_path: Path) -> None:
    refused(text, tmp_path)


def test_missing_file_and_bytes_that_are_no_text(tmp_path: Path) -> None:
    with pytest.raises(InputRefused, match=r"nowhere\.json cannot be read"):
        load_plan(tmp_path / "nowhere.json")
    (tmp_path / "picture.json").write_bytes(b"\x89PNG\xff\xfe")
    with pytest.raises(InputRefused, match="not valid JSON"):
        load_plan(tmp_path / "picture.json")


# ------------------------------------------------------------------------------------------------- whole or not at all


def test_disk_full_leaves_what_was_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plan = load_plan(LEAST)
    (tmp_path / "plan.json").write_text("before")

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(InputRefused, match="disk is full"):
        save_plan(plan, tmp_path / "plan.json")
    assert [p.name for p in tmp_path.iterdir()] == ["plan.json"]
    assert (tmp_path / "plan.json").read_text() == "before"


def test_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputRefused, match=r"cannot be written"):
        save_plan(load_plan(LEAST), tmp_path / "nowhere" / "plan.json")
    assert list(tmp_path.iterdir()) == []


# ---------------------------------------------------------------------------------------------------- not assessed


def test_what_a_one_sided_septum_leaves_open_may_be_null(document: dict[str, Any], tmp_path: Path) -> None:
    why = "The blood on the right side of the septum cannot be told from the wall."
    fossa, puncture = document["anatomy"]["fossa"], document["puncture"]
    for name in ("area_mm2", "superior_inferior_mm", "anterior_posterior_mm", "thickness_mean_mm", "thickness_min_mm"):
        fossa[name] = None
    fossa |= {"rim_mm": [], "seen_from": "left", "not_assessed": {"rim": why}}
    for name in ("superior_fraction", "anterior_fraction", "zone", "distance_to_rim_mm", "wall_thickness_mm"):
        puncture[name] = None
    document["anatomy"]["left_atrium"]["volume_ml"] = None
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(document))
    plan = load_plan(path)
    assert plan.anatomy.fossa.not_assessed["rim"] == why
    assert plan.anatomy.fossa.seen_from == "left"
    assert plan.puncture.zone is None


@pytest.mark.parametrize("rim", [[], [[0.0, 0.0, 0.0], [1.0, 0.0, 0.0]]])
def test_no_rim_needs_its_reason(document: dict[str, Any], tmp_path: Path, rim: list[list[float]]) -> None:
    document["anatomy"]["fossa"]["rim_mm"] = rim
    assert "anatomy.fossa" in refused(document, tmp_path)
