"""A second phase of the same heart: what is found in it against the phantom's closed forms and published excursions,
and which pairs of CTs do not go together."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import septal_phantoms
from numpy.typing import NDArray

from septal_planner.errors import AnatomyNotFound, InputRefused
from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.volume import Volume
from septal_planner.other_phase import add_other_phase, check_pair, find_in_phase
from septal_planner.pipeline import PlannedCase
from septal_planner.plan import load_plan
from septal_planner.summary import summary
from septal_planner.validation import volume_of

Array = NDArray[np.float64]
# how far the whole heart of the other phase is moved, so that the fossa moves as well: the phantom's own stays
MOVED_LPS = np.array([2.1, -1.3, 3.4])
SADDLE = np.arange(16) * 2 * np.pi / 16
RING = np.stack([19 * np.cos(SADDLE), 15 * np.sin(SADDLE), 3.0 * np.cos(2 * SADDLE)], axis=-1)


def moved_ct(phantom: Any, by_lps: Array = MOVED_LPS) -> tuple[Volume, Landmarks]:
    volume = volume_of(phantom)
    affine = volume.lps_from_index.copy()
    affine[:3, 3] += by_lps
    points = {name: points + by_lps for name, points in phantom.landmarks.items()}
    return replace(volume, lps_from_index=affine, phase_percent=phantom.phase_percent), Landmarks(points)


@pytest.fixture(scope="module")
def other_phantom() -> Any:
    return septal_phantoms.make("normal", quick=True, phase_percent=35)


@pytest.fixture(scope="module")
def case(quick_case: PlannedCase, other_phantom: Any) -> PlannedCase:
    assert quick_case.volume.phase_percent == 70.0
    return add_other_phase(quick_case, *moved_ct(other_phantom))


def test_two_phases_against_closed_form(
    case: PlannedCase, quick_phantom: Any, other_phantom: Any, true_place: Any
) -> None:
    one, two, found = quick_phantom.truth, other_phantom.truth, case.plan.motion
    assert found is not None
    assert found.fossa is not None
    assert found.other_height_mm is not None
    assert found.height_range_mm is not None
    annulus = two.mitral.center + MOVED_LPS - one.mitral.center
    assert np.linalg.norm(found.annulus.vector_mm - annulus) < 1.0
    assert abs(found.annulus.along_mm - annulus @ one.mitral.normal) < 1.0
    assert abs(found.annulus.across_mm - np.linalg.norm(np.cross(annulus, one.mitral.normal))) < 1.0
    assert np.linalg.norm(np.array(found.fossa.vector_mm) - (two.fossa.center + MOVED_LPS - one.fossa.center)) < 1.0
    assert abs(found.area_change_percent - 100 * (two.mitral.area_mm2 / one.mitral.area_mm2 - 1)) < 3.0
    cosine = min(1.0, float(one.mitral.normal @ two.mitral.normal))
    assert abs(found.tilt_deg - np.degrees(np.arccos(cosine))) < 1.0
    assert case.site.superior_fraction is not None
    assert case.site.anterior_fraction is not None
    place = true_place(two, case.site.superior_fraction, case.site.anterior_fraction)
    assert abs(found.other_height_mm - float(two.height_mm(place)[0])) < 1.0
    assert np.linalg.norm(np.array(found.other_place_mm) - place - MOVED_LPS) < 1.5
    low, high = found.height_range_mm
    assert low == pytest.approx(case.site.height_mm, abs=1e-6)
    assert abs(low - float(one.height_mm(case.site.target_lps)[0])) < 1.0
    assert high == found.other_height_mm
    interval = found.other_height_interval_95_mm
    assert interval is not None
    assert interval[0] < float(two.height_mm(place)[0]) < interval[1]


def test_the_excursion_is_a_published_one(case: PlannedCase) -> None:
    """Apico-basal motion 3.6 mm/m2, SD 0.8, at 1.8 m2 on CT (doi 10.1097/RLI.0b013e3181994a73) to 12 mm and more in
    the healthy on cardiac MR (doi 10.1186/s12968-021-00711-w, table 4); area up to a third (doi 10.1155/2020/3261714).
    """
    found = case.plan.motion
    assert found is not None
    assert (3.6 - 2 * 0.8) * 1.8 < abs(found.annulus.along_mm) < 15.0
    assert abs(found.area_change_percent) < 33.0
    assert not any("more than" in c and "two phases" in c for c in case.cautions)


def test_says_it_in_words(case: PlannedCase) -> None:
    text = summary(case.plan)
    found = case.plan.motion
    assert found is not None
    for words in (
        "Cardiac phase of the CT", "Motion from 70 % of the RR interval to 35 % of the RR interval", "annulus moves",
        "toward the ventricle", "height over both", found.meaning,
        "positions and heights between them are not known",
    ):
        assert words in text
    assert "systole" not in text.lower()
    assert f"{case.site.height_mm:.1f} mm above the mitral annular plane at 70 %" in found.meaning
    assert f"lies {found.other_height_mm:.1f} mm above it at 35 %" in found.meaning
    assert len({m.name for m in case.measurements}) == len(case.measurements)
    assert [m.name for m in case.plan.measurements] == [m.name for m in case.measurements]


def test_a_fossa_not_found_leaves_the_annulus(case: PlannedCase, quick_phantom: Any, other_phantom: Any) -> None:
    other, marked = moved_ct(other_phantom)
    dull = replace(other, hu=np.minimum(other.hu, 60).astype(np.int16))  # no contrast agent at all
    bare = replace(case, plan=case.plan.model_copy(update={"motion": None}))
    again = add_other_phase(bare, dull, marked)
    found = again.plan.motion
    assert found is not None
    assert found.fossa is None
    assert found.other_height_mm is None
    assert found.height_range_mm is None
    assert found.annulus.distance_mm > 3.0
    assert set(found.not_assessed) == {"fossa motion", "height in the other phase"}
    assert all(why.startswith("In the other phase: ") and why.endswith(".") for why in found.not_assessed.values())
    assert "was not assessed" in found.meaning
    assert any(c.startswith("Fossa motion and height in the other phase: not assessed.") for c in again.cautions)
    assert "not assessed" in summary(again.plan)


# -------------------------------------------------------------------------------------------- what does not go together


def marks(by: float = 0.0, **more: Any) -> Landmarks:
    return Landmarks({"mitral_annulus": RING + by}, **more)


def ct(fill: int = 0, **more: Any) -> Volume:
    return Volume(np.full((3, 4, 5), fill, dtype=np.int16), np.eye(4), "ct", **more)


def test_pairs_that_cannot_be_are_refused() -> None:
    for one, two, said in (
        ((ct(), marks()), (ct(), marks(1.0)), "is the CT of the plan itself"),
        (
            (ct(series_instance_uid="1.2", phase_percent=70.0), marks()),
            (ct(1, series_instance_uid="1.2", phase_percent=70.0), marks(1.0)),
            "is the CT of the plan itself",
        ),
        (
            (ct(frame_of_reference_uid="1.2"), marks()), (ct(1, frame_of_reference_uid="1.3"), marks(1.0)),
            "frame of reference 1.3",
        ),
        (
            (ct(), marks(frame_of_reference_uid="1")), (ct(1, frame_of_reference_uid="2"), marks(1)),
            "frame of reference 2",
        ),
        ((ct(), marks()), (ct(1), marks()), "mark them anew"),
        ((ct(), marks()), (ct(1), Landmarks({"mitral_annulus": np.roll(RING, 3, axis=0)})), "mark them anew"),
    ):
        with pytest.raises(InputRefused) as refusal:
            check_pair(*one, *two)
        assert said in str(refusal.value)
        assert str(refusal.value).endswith(".")


def test_pairs_that_are_odd_are_said() -> None:
    known = {"frame_of_reference_uid": "1.2", "series_instance_uid": "1.5"}
    always = check_pair(ct(phase_percent=70.0, **known), marks(), ct(1, phase_percent=35.0, **known), marks(1.0))
    assert len(always) == 1
    assert "exchanged between the two CTs" in always[0]
    said = " ".join(check_pair(ct(), marks(), ct(1, phase_percent=35.0), marks(1.0)))
    assert "one frame of reference is not recorded" in said
    assert "phase is not recorded in both" in said
    said = " ".join(check_pair(ct(phase_percent=70.0), marks(), ct(1, phase_percent=70.0), marks(1.0)))
    assert "Both CTs are at 70 % of the RR interval" in said
    spines = [Landmarks({**marks(x).points_lps, "spine": np.array([[x * 6.0, 0, 0]])}) for x in (0.0, 1.0)]
    assert any("spine point lies 6 mm apart" in s for s in check_pair(ct(), spines[0], ct(1), spines[1]))


def test_a_ring_that_cannot_be_names_the_phase(other_phantom: Any) -> None:
    other, marked = moved_ct(other_phantom)
    points = dict(marked.points_lps)
    center = points["mitral_annulus"].mean(axis=0)
    points["mitral_annulus"] = center + 0.4 * (points["mitral_annulus"] - center)
    with pytest.raises(AnatomyNotFound, match="In the other phase: "):
        find_in_phase(other, Landmarks(points))


def test_old_plans_have_no_motion() -> None:
    for path in sorted((Path(__file__).parent / "old_plans").glob("*.json")):
        assert load_plan(path).motion is None
        assert "Motion from" not in summary(load_plan(path))
