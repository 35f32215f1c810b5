"""What procedures ask, held against what is published: heights, zones, the fossa's size, safe distances, the bend."""

import tomllib
from pathlib import Path

import numpy as np
import pytest

from septal_planner.puncture import catheter
from septal_planner.puncture.procedures import load_procedures

ALL = load_procedures()
REFERENCE = Path(__file__).parents[1] / "reference"
VIEWS = tomllib.loads((REFERENCE / "published_views" / "views.toml").read_text("utf-8"))
FOSSA = tomllib.loads((REFERENCE / "fossa_autopsy_2024" / "fossa.toml").read_text("utf-8"))


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        # above 40 mm: caption of figure 21 of PMC5752829; up to 50 mm: Alkhouli et al. 2016, doi
        # 10.1016/j.jcin.2016.10.035, from memory
        ("edge-to-edge-degenerative", 40, 50),
        # 40 mm: the same caption; from 35 mm on: Alkhouli et al., from memory
        ("edge-to-edge-functional", 35, 40),
        # common practice, no source
        ("mitral-valve-in-valve", 30, 40),
        ("mitral-valve-in-ring", 30, 40),
        ("mitral-valve-in-calcified-annulus", 30, 40),
        ("paravalvular-leak-medial", 40, 50),
        ("paravalvular-leak-lateral", 30, 40),
    ],
)
def test_heights(name, low, high):
    assert ALL[name].height_band_mm == (low, high)
    assert ALL[name].height_datum == "mitral annular plane"
    # no band is wholly as read in a publication, and none says that it is
    assert ALL[name].height.flag != "seen"


def test_zones():
    # posterior, at the level of the medial commissure, for edge-to-edge repair: thoracickey.com, Advanced steering in
    # the left atrium for an aortic hugger; posterior for all work on the mitral valve (common practice, no source)
    mitral = [p for p in ALL.values() if p.target_structure in ("mitral_annulus", "coaptation", "leak")]
    assert len(mitral) == 10
    assert all(p.anterior_fraction.high <= 0.5 for p in mitral)
    # higher for degenerative than for functional regurgitation: Alkhouli et al. 2016, from memory
    assert ALL["edge-to-edge-degenerative"].superior_fraction.low > ALL["edge-to-edge-functional"].superior_fraction.low
    # inferoposterior: Rosseel et al., consensus of the 2nd European LAA Club meeting
    appendage = ALL["appendage-closure"]
    assert appendage.superior_fraction.high < 0.5
    assert appendage.anterior_fraction.high < 0.5
    assert appendage.height is None
    # middle of the fossa, away from limbus, aorta and posterior wall (common practice, no source)
    plain = ALL["left-atrial-access"]
    assert plain.superior_fraction.low + plain.superior_fraction.high == pytest.approx(1)


@pytest.mark.parametrize("name", sorted(ALL))
def test_limits_at_the_septum_fit_published_septa(name):
    p = ALL[name]
    # septum primum over the fossa 1.8 mm, SD 0.7, 119 studies: Am Heart J 1990, doi 10.1016/s0002-8703(05)80191-7; on
    # CT 1.04 mm, SD 0.44, 371 adults: doi 10.1186/s43044-020-00109-6
    assert p.wall_thickness.high == pytest.approx(1.8 + 2 * 0.7)
    assert p.wall_thickness.high > 1.04 + 2 * 0.44
    # 12.7 mm, SD 3.8, the smaller extent of 97 autopsies: even a fossa two deviations below the mean has room within
    assert FOSSA["vertical_mm"] == pytest.approx(12.74)
    assert 2 * p.distance_to_rim.low < FOSSA["vertical_mm"] - 2 * 3.8
    # and half an 11.5 Fr sheath does not touch it: 1 Fr = 1/3 mm by definition of the scale
    assert p.distance_to_rim.low >= 11.5 / 3 / 2


@pytest.mark.parametrize("name", sorted(ALL))
def test_safe_distances_lie_within_those_of_real_punctures(name):
    p = ALL[name]
    # Derejko et al., J Cardiovasc Electrophysiol 2019, 104 patients: 21 mm, SD 7, to the posterior wall and 9 mm, SD 6,
    # to the ostium of the coronary sinus, as RAO 45 projects them. What is asked is less than the mean, so that usual
    # punctures meet it, and more than a mean less two deviations, so that it says something.
    assert 21 - 2 * 7 < p.posterior_path.low < 21
    assert 9 - 2 * 6 < p.distance_to_coronary_sinus.low < 9
    # 10 mm as a prudent default, less than 5 mm a hard warning: common practice, no source
    for asked in (p.distance_to_aorta, p.posterior_path):
        assert asked.low == 10
        assert asked.low - asked.tolerance == 5
        assert asked.flag == "practice value, edit locally"


def test_the_published_mean_heart_needs_a_height_of_the_bands_order():
    # mean views of CT series (Xiong et al., doi 10.4244/EIJ-D-19-00618; Blanke et al., JCCT 2015): a catheter square to
    # the septum points 17.42 degrees away from the mitral plane and has to bend by 107.42
    def beam(a_deg, b_deg):  # DICOM PS3.3 C.8.7.5: longitude and latitude
        a, b = np.deg2rad([a_deg, b_deg])
        return np.array([np.sin(a) * np.cos(b), -np.cos(a) * np.cos(b), np.sin(b)])

    first, second = (beam(*VIEWS["mitral_edge_on"][k]) for k in ("septal_lateral", "trigone_to_trigone"))
    into_ventricle = np.cross(first, second)
    crossing = -beam(*VIEWS["right_heart"]["septum_en_face"])
    bend = catheter.angle_deg(crossing, into_ventricle)
    assert bend == pytest.approx(107.420, abs=6e-4)
    # plane trigonometry, r cos e + s: a bend of 20 mm with a straight end of 15 mm
    height, run = catheter.height_needed_mm(20, 15, bend - 90)
    assert height == pytest.approx(20 * np.cos(np.deg2rad(17.420)) + 15, abs=1e-4)
    assert run == pytest.approx(20 * (1 + np.sin(np.deg2rad(17.420))), abs=1e-3)
    # within the tolerance of the lower of the bands seen, 35 to 40 mm
    asked = ALL["edge-to-edge-functional"].height
    assert asked.low - asked.tolerance < height < asked.high
