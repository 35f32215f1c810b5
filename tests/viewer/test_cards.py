"""What the cards of page Crossing say of what is not assessed, without a CT."""

from __future__ import annotations

from typing import Any

import pytest

pytest.importorskip("PySide6")

from septal_viewer.doubt_card import DoubtCard
from septal_viewer.view import has_screen

from septal_planner.puncture.doubt import PointDoubt, SourceShare

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
