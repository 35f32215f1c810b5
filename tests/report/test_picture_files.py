"""Pictures kept beside the plan: the same again, or said why not; never another plan's."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from septal_planner.pipeline import PlannedCase
from septal_planner.plan import load_plan, save_plan
from septal_planner.report.picture import Pictures
from septal_planner.report.picture_files import KNOWN, load_pictures, save_pictures


@pytest.fixture
def folder(case: PlannedCase, pictures: Pictures, tmp_path: Path) -> Path:
    save_plan(case.plan, tmp_path / "plan.json")
    save_pictures(pictures, case.plan, tmp_path / "pictures")
    return tmp_path / "pictures"


def test_saved_pictures_come_back_the_same(folder: Path, pictures: Pictures) -> None:
    # the plan as read from its file, whose numbers are rounded: its pictures must know it still
    back = load_pictures(folder, load_plan(folder.parent / "plan.json"))
    assert back.not_shown == pictures.not_shown
    assert back.shown == pictures.shown
    assert sorted(p.name for p in folder.iterdir()) == sorted([*(f"{n}.png" for n in KNOWN), "pictures.json"])


def test_same_pictures_same_bytes(folder: Path, pictures: Pictures, case: PlannedCase, tmp_path: Path) -> None:
    save_pictures(pictures, case.plan, tmp_path / "again")
    for path in folder.iterdir():
        assert path.read_bytes() == (tmp_path / "again" / path.name).read_bytes()


def test_pictures_of_another_plan_are_not_shown(folder: Path, case: PlannedCase) -> None:
    other = case.plan.model_copy(update={"cautions": ("Another.",)})
    found = load_pictures(folder, other)
    assert found.shown == ()
    assert set(found.not_shown) == set(KNOWN)
    assert all("another plan" in why for why in found.not_shown.values())


def test_missing_or_changed_picture_is_said(folder: Path, case: PlannedCase) -> None:
    (folder / "short_axis.png").unlink()
    shutil.copyfile(folder / "four_chamber.png", folder / "caval_long_axis.png")
    found = load_pictures(folder, case.plan)
    assert {p.name for p in found.shown} == set(KNOWN) - {"short_axis", "caval_long_axis"}
    assert all("missing or was changed" in found.not_shown[n] for n in ("short_axis", "caval_long_axis"))


@pytest.mark.parametrize("text", ["", "{}", "[]", "null", '{"pictures": [1]}', '{"pictures": [{"picture": {}}]}'])
def test_unreadable_index_is_said(text: str, folder: Path, case: PlannedCase) -> None:
    (folder / "pictures.json").write_text(text)
    found = load_pictures(folder, case.plan)
    assert found.shown == ()
    assert all("cannot be read" in why for why in found.not_shown.values())


def test_no_folder_is_said(case: PlannedCase, tmp_path: Path) -> None:
    assert all("no pictures folder" in why for why in load_pictures(tmp_path / "no", case.plan).not_shown.values())


def test_a_file_name_cannot_lead_out_of_the_folder(folder: Path, case: PlannedCase) -> None:
    index = json.loads((folder / "pictures.json").read_text())
    index["pictures"][0]["file"] = "../plan.json"
    (folder / "pictures.json").write_text(json.dumps(index))
    assert len(load_pictures(folder, case.plan).shown) == len(KNOWN) - 1
