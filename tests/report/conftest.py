"""One planned case and its pictures, on the quick phantom."""

from __future__ import annotations

from typing import Any

import pytest

from septal_planner.inputs.landmarks import Landmarks
from septal_planner.pipeline import PlannedCase, make_plan
from septal_planner.report.pictures import Pictures, render_pictures
from septal_planner.validation import volume_of


@pytest.fixture(scope="session")
def case(quick_phantom: Any) -> PlannedCase:
    return make_plan(volume_of(quick_phantom), Landmarks(quick_phantom.landmarks))


@pytest.fixture(scope="session")
def pictures(case: PlannedCase) -> Pictures:
    return render_pictures(case.volume, case.landmarks, case.chambers, case.fossa, case.mitral, case.site)
