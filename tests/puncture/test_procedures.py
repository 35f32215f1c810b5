"""Procedures as data: every number has a source and a flag, and a broken file is refused in a sentence."""

from importlib.resources import files

import numpy as np
import pytest

from septal_planner.errors import InputRefused
from septal_planner.puncture.procedures import FLAGS, Asked, UnknownProcedure, load_procedures, procedure
from septal_planner.puncture.requirements import QUANTITIES

NAMES = {
    "edge-to-edge-degenerative", "edge-to-edge-functional", "edge-to-edge-medial", "edge-to-edge-central",
    "edge-to-edge-lateral", "mitral-valve-in-valve", "mitral-valve-in-ring", "mitral-valve-in-calcified-annulus",
    "paravalvular-leak-medial", "paravalvular-leak-lateral", "appendage-closure", "left-atrial-access",
}


def test_all_procedures_are_there():
    assert set(load_procedures()) == NAMES


@pytest.mark.parametrize("name", sorted(NAMES))
def test_every_number_has_a_source_and_a_flag(name):
    p = procedure(name)
    numbers = [v for v in vars(p).values() if isinstance(v, Asked)]
    assert len(numbers) >= 8
    assert all(len(a.source) > 15 and a.flag in FLAGS for a in numbers)


@pytest.mark.parametrize("name", sorted(NAMES))
def test_every_quantity_has_a_range_where_there_can_be_one(name):
    p = procedure(name)
    without = {q.asked for q in QUANTITIES if q.asked is not None and getattr(p, q.asked) is None}
    # no published height for the appendage (Rosseel et al.; Saw et al., doi 10.1016/j.hrthm.2023.01.007) nor for plain
    # access, which has no one target either: nothing is made up
    allowed = {"appendage-closure": {"height"}, "left-atrial-access": {"height", "axis_tilt"}}
    assert without == allowed.get(name, set())


def test_targets_along_the_coaptation_line():
    # scallops are thirds of the leaflet from the anterolateral (1) to the posteromedial (3) commissure (common
    # nomenclature, no source needed); the higher the more medial: Alkhouli et al., doi 10.1016/j.jcin.2016.10.035, from
    # memory; 35 to 45 mm in teaching material
    three = [procedure(f"edge-to-edge-{n}") for n in ("medial", "central", "lateral")]
    np.testing.assert_allclose([p.coaptation_share for p in three], [1 / 6, 1 / 2, 5 / 6])
    assert three[1].height_band_mm == (35, 45)
    lows, highs = zip(*(p.height_band_mm for p in three), strict=True)
    assert list(lows) == sorted(lows, reverse=True)
    assert list(highs) == sorted(highs, reverse=True)
    assert all(p.height.flag == "practice value, edit locally" for p in three)


def test_published_bands():
    # above 40 mm (degenerative) and 40 mm (functional): caption of figure 21, PMC5752829
    assert procedure("edge-to-edge-degenerative").height_band_mm[0] == 40
    assert procedure("edge-to-edge-functional").height_band_mm[1] == 40
    # inferoposterior, no height: expert consensus of the 2nd European LAA Club meeting (Rosseel et al.)
    appendage = procedure("appendage-closure")
    assert appendage.height_band_mm is None
    assert appendage.superior_fraction.high < 0.5
    assert appendage.anterior_fraction.high < 0.5
    assert appendage.needs == ("left_atrial_appendage",)


def test_an_unknown_name_lists_the_known_ones():
    with pytest.raises(UnknownProcedure) as caught:
        procedure("mitral")
    assert isinstance(caught.value, ValueError)
    assert all(name in str(caught.value) for name in NAMES)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("not toml", "cannot be read"),
        ("[x]\ntitle = 'X'\n", "is missing"),
        ("[x]\ntitle = 'X'\ncolour = 1\n", "colour"),
        ("[x]\ntitle = 'X'\ncatheter = 'hose'\n", "no catheter named 'hose'; choose one of large-guide"),
        ("[x]\n[x.height]\nlow = 5\nhigh = 4\ntolerance = 1\nsource = 's'\nflag = 'seen'\n", "not below"),
        ("[x]\n[x.height]\nlow = 5\ntolerance = 1\nsource = ' '\nflag = 'memory'\n", "source"),
        ("[x]\n[x.height]\nlow = 5\ntolerance = 1\nsource = 's'\nflag = 'sure'\n", "flag"),
        ("[x]\n[x.height]\nlow = 5\nsource = 's'\nflag = 'seen'\n", "tolerance"),
    ],
)
def test_a_broken_file_is_refused(tmp_path, text, words):
    path = tmp_path / "procedures.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(InputRefused, match=words):
        load_procedures(path)


@pytest.mark.parametrize(
    "change", ["coaptation_share = 0.5\n", "coaptation_share = 1.5\ntarget_structure = 'coaptation'\n",
               "target_structure = 'coaptation'\n"]
)
def test_a_share_of_the_coaptation_line_goes_with_its_target(tmp_path, change):
    text = files("septal_planner.puncture").joinpath("procedures.toml").read_text("utf-8")
    path = tmp_path / "procedures.toml"
    path.write_text(f"{text}\n[mine]\ntitle = 'Mine'\naxis_tilt = false\n{change}", "utf-8")
    with pytest.raises(InputRefused, match="coaptation_share"):
        load_procedures(path)
