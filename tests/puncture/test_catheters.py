"""The catheters' data: sources and flags, French in millimetres, refusals in a sentence."""

import numpy as np
import pytest

from septal_planner.errors import InputRefused
from septal_planner.puncture import catheters
from septal_planner.puncture.procedures import load_procedures


def test_every_catheter_that_comes_along_is_valid_and_generic():
    known = catheters.load_catheters()
    assert len(known) >= 5
    assert {len(c.bends) for c in known.values()} == {1, 2}
    for c in known.values():
        assert c.title
        assert c.unconfirmed  # none of them is a certain device, so there is always something to confirm


@pytest.mark.parametrize(("french", "mm"), [(8.5, 2.83), (11.5, 3.83), (14, 4.67), (16, 5.33), (22, 7.33), (24, 8.0),
                                            (33, 11.0)])
def test_french_in_millimetres(french, mm):
    # 1 Fr = 1/3 mm by definition of the scale
    assert french * catheters.MM_PER_FRENCH == pytest.approx(mm, abs=0.005)


def test_outer_widths_are_those_of_their_french():
    # 22 Fr at the septum: O'Brien B et al., Int J Cardiol 2017
    known = catheters.load_catheters()
    assert known["large-guide-two-plane"].outer_diameter_mm.value == pytest.approx(22 / 3, abs=0.01)
    assert known["valve-delivery-one-plane"].outer_diameter_mm.value == pytest.approx(16 / 3, abs=0.01)


def test_the_mitral_procedures_catheters_turn_as_far_as_the_mean_heart_asks():
    # a crossing square to the septum stands 17.4 degrees off the annular plane in the mean of published CT views
    # (derived from different cohorts' means): 107.4 degrees to face the ventricle. Two bends a and b in planes square
    # to each other turn by arccos(cos a cos b) in all (spherical law of cosines)
    known, needed = catheters.load_catheters(), 107.4
    for own in load_procedures().values():
        if own.target_structure != "mitral_annulus":
            continue
        first, *rest = known[own.catheter].bends
        turns = np.radians(np.arange(first.deflection_deg.high + 1))
        if rest:
            assert rest[0].plane_deg.value == 90
            second = np.radians(np.arange(rest[0].deflection_deg.high + 1))
            turns = np.arccos(np.clip(np.cos(turns)[:, None] * np.cos(second), -1, 1))
        assert np.degrees(turns.max()) >= needed, own.name


def test_an_unknown_name_lists_the_known_ones():
    with pytest.raises(catheters.UnknownCatheter, match=r"choose one of large-guide-two-plane"):
        catheters.steerable_catheter("nothing")


GOOD = """
[own]
title = "Own"
outer_diameter_mm = {value = 4, source = "measured", flag = "seen"}
straight_distal_mm = {value = 10, source = "measured", flag = "seen"}
usable_length_mm = {value = 700, source = "measured", flag = "seen"}
[[own.bend]]
radius_mm = {low = 10, high = 40, source = "measured", flag = "seen"}
deflection_deg = {high = 120, source = "measured", flag = "seen"}
"""


def test_a_file_of_ones_own(tmp_path):
    file = tmp_path / "own.toml"
    file.write_text(GOOD)
    own = catheters.steerable_catheter("own", path=file)
    assert own.bends[0].deflection_deg.high == 120
    assert own.unconfirmed == ()


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("low = 10", "low = 50", "low end 50"),
        ("low = 10", "low = 0", "above zero"),
        ("high = 120", "high = 200", "180 degrees"),
        ('flag = "seen"}\nstraight', 'flag = "guess"}\nstraight', "flag 'guess'"),
        ("value = 4,", "", "outer_diameter_mm"),
        ("title", "titel", "'titel' is not known"),
        ("[[own.bend]]\nradius_mm", "[[own.bent]]\nradius_mm", "'bent' is not known"),
        ("value = 700", 'value = "long"', "usable_length_mm"),
        ("[own]", "[own", "cannot be read"),
    ],
)
def test_what_is_not_valid_is_refused_in_a_sentence(tmp_path, old, new, says):
    file = tmp_path / "own.toml"
    file.write_text(GOOD.replace(old, new, 1))
    with pytest.raises(InputRefused, match=says) as refused:
        catheters.load_catheters(file)
    assert str(refused.value).endswith(".")


def test_a_second_bend_needs_its_plane(tmp_path):
    file = tmp_path / "own.toml"
    second = GOOD[GOOD.index("[[own.bend]]"):]
    file.write_text(GOOD + second)
    with pytest.raises(InputRefused, match="'plane_deg' is missing"):
        catheters.load_catheters(file)
    file.write_text(GOOD + second + 'plane_deg = {value = 90, source = "measured", flag = "seen"}\n')
    assert len(catheters.steerable_catheter("own", path=file).bends) == 2
