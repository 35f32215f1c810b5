"""What the cards of page Crossing say of what is not assessed, without a CT."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

pytest.importorskip("PySide6")

from septal_viewer.catheter_card import CatheterCard, numbers_of
from septal_viewer.doubt_card import DoubtCard
from septal_viewer.view import has_screen

from septal_planner.puncture.catheters import steerable_catheter
from septal_planner.puncture.doubt import PointDoubt, SourceShare
from septal_planner.puncture.reach_solver import CatheterReach

pytestmark = pytest.mark.skipif(not has_screen(), reason="needs a screen, or Xvfb")


def test_no_chance_is_told_where_a_limit_is_not_assessed(qtbot: Any) -> None:
    card = DoubtCard()
    qtbot.addWidget(card)
    bars = (SourceShare("needle", {}, -1.0, 2.0, None), SourceShare("image", {}, 0.5, 1.0, None))
    card.tell(PointDoubt({}, {}, None, bars, 2000, 0), "")
    assert "not assessed" in card.all_met.text()
    assert "%" not in card.all_met.text() + card.bars.toolTip()
    assert not card.bars.grab().isNull()  # painted without a figure beside the bars
    card.tell(PointDoubt({}, {}, 0.31, (SourceShare("needle", {}, -1.0, 2.0, 0.5),), 2000, 0), "")
    assert "31" in card.all_met.text()
    assert "50 %" in card.bars.toolTip()


def test_a_room_not_assessed_is_no_limit_kept(qtbot: Any) -> None:
    own = steerable_catheter("large-guide-two-plane")
    card = CatheterCard({own.name: own}, lambda _: None)
    qtbot.addWidget(card)

    def told(reachable: bool, clearance_mm: float | None) -> str:
        reach = CatheterReach(
            own, reachable, 4.0, 1.0, clearance_mm, None, None, 10.0, 0.0, (40.0, 20.0), (25.0, 25.0), 25.0, 60.0, None,
            {}, np.zeros((2, 3)), (),
        )
        card.tell(own.name, own.name, reach, {}, "", dark=True)
        return card.verdict.text()

    assert "its room to the wall is not assessed" in told(True, None)
    assert "✓" not in told(True, None)
    assert "✓" in told(True, 3.0)
    assert "does not reach" in told(False, None)


def test_a_bend_that_is_not_used_has_nothing_to_spare() -> None:
    own = steerable_catheter("large-guide-two-plane")
    spare = {"tilt_deg": 9.0, "bend_1_radius_mm": 0.0, "bend_1_deflection_deg": 90.0, "bend_2_radius_mm": 3.5}
    reach = CatheterReach(
        own, True, 4.0, 1.0, 3.0, None, None, 10.0, 0.0, (0.2, 117.0), (15.0, 18.5), 18.5, 60.0, None, spare,
        np.zeros((2, 3)), (),
    )
    assert [name for name, _ in numbers_of(reach) if name.startswith("To spare")] == [
        "To spare: tilt", "To spare: bend 2 radius",
    ]
