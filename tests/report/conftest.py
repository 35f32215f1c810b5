"""One planned case and its pictures, on the quick phantom."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from septal_planner.anatomy.chambers import LABELS
from septal_planner.anatomy.opacification import read_opacification
from septal_planner.measurements import list_measurements
from septal_planner.pipeline import PlannedCase
from septal_planner.plan import build_plan
from septal_planner.puncture.site import evaluate_site
from septal_planner.report.picture import Pictures
from septal_planner.report.pictures import render_pictures
from septal_planner.report.quality import with_quality_panel


@pytest.fixture(scope="session")
def case(quick_case: PlannedCase) -> PlannedCase:
    return quick_case


WHY = (
    "Beside the fossa the right atrium is as dark as muscle, so that only the left side of the membrane is seen: a "
    "phase in which the right atrium is opacified would show it."
)


@pytest.fixture(scope="session")
def unseen(case: PlannedCase) -> PlannedCase:
    """The same case as if the membrane were seen from its left side only, the CT cut the left atrium, and a piece of
    metal lay behind it."""
    empty = dict.fromkeys((
        "area_mm2", "superior_inferior_mm", "anterior_posterior_mm", "thickness_mean_mm", "thickness_min_mm",
        "thickness_sd_mm", "thickness_at_sd_mm", "thickness_min_sd_mm", "area_sd_mm2", "extent_sd_mm", "rim_sd_mm",
    ))
    fossa = replace(
        case.fossa, rim_lps=np.empty((0, 3)), membrane=np.zeros_like(case.fossa.membrane), seen_from="left",
        surface_sd_mm=0.8, not_assessed=dict.fromkeys(("rim", "area", "extents", "thickness"), WHY), **empty,
    )
    labels = case.chambers.labels.copy()
    inverse = np.linalg.inv(case.chambers.lps_from_index)
    i, j, k = np.rint(inverse[:3, :3] @ (case.site.target_lps + [0, 15, 0]) + inverse[:3, 3]).astype(int)
    labels[k - 3 : k + 4, j - 3 : j + 4, i - 3 : i + 4] = LABELS["metal"]
    whole = {n: v for n, v in case.chambers.volume_ml.items() if n != "left_atrium"}
    cut = {"left_atrium": "The CT ends inside it."}
    chambers = replace(case.chambers, labels=labels, volume_ml=whole, cut=cut)
    points = case.landmarks.points_lps
    site = evaluate_site(case.site.target_lps, fossa, case.mitral, chambers, points, case.procedure, source="computed")
    measured = tuple(list_measurements(case.mitral, case.tricuspid, chambers, fossa, site, landmark_sd_mm=1.0))
    first = (f"Fossa rim, area, extents, thickness: not assessed. {WHY}",)
    plan = build_plan(
        volume=case.volume, landmarks=case.landmarks, procedure=case.procedure, mitral=case.mitral,
        tricuspid=case.tricuspid, chambers=chambers, fossa=fossa, site=site, views=case.views, measurements=measured,
        cautions=[*case.cautions, *first], contrast=read_opacification(case.volume, case.landmarks), read_first=first,
    )
    return replace(case, fossa=fossa, chambers=chambers, site=site, measurements=measured, labels=labels, plan=plan)


@pytest.fixture(scope="session")
def pictures(case: PlannedCase) -> Pictures:
    drawn = render_pictures(case.volume, case.landmarks, case.chambers, case.fossa, case.mitral, case.site)
    return with_quality_panel(drawn, case.volume, case.labels, case.chambers, case.site.target_lps)


@pytest.fixture(scope="session")
def unseen_pictures(unseen: PlannedCase) -> Pictures:
    c = unseen
    drawn = render_pictures(c.volume, c.landmarks, c.chambers, c.fossa, c.mitral, c.site)
    return with_quality_panel(drawn, c.volume, c.labels, c.chambers, c.site.target_lps)
