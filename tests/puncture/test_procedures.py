"""Procedures as data: every number has a source and a flag, and a broken file is refused in a sentence."""

import pytest

from septal_planner.errors import InputRefused
from septal_planner.puncture.procedures import FLAGS, Asked, UnknownProcedure, load_procedures, procedure

NAMES = {
    "edge-to-edge-degenerative", "edge-to-edge-functional", "mitral-valve-in-valve", "mitral-valve-in-ring",
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
