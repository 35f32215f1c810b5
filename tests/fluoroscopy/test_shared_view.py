"""One view for two planes against DICOM's angles, published mean views, and SciPy's optimiser."""

import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brute

from septal_planner.fluoroscopy.shared_view import shared_edge_on_view

REFERENCE = Path(__file__).parents[1] / "reference" / "published_views" / "views.toml"
VIEWS = tomllib.loads(REFERENCE.read_text("utf-8"))


def beam(a_deg, b_deg):
    # DICOM PS3.3 C.8.7.5: primary as longitude, secondary as latitude of the detector
    a, b = np.deg2rad([a_deg, b_deg])
    return np.array([np.sin(a) * np.cos(b), -np.cos(a) * np.cos(b), np.sin(b)])


def test_planes_made_from_a_view_give_it_back():
    # two planes that hold the beam of LAO 25 CRA 10: both are lines in that view
    d = beam(25, 10)
    first = np.cross(d, [0.3, 0.2, 1.0])
    second = np.cross(d, [1.0, -0.4, 0.1])
    found = shared_edge_on_view(first, second)
    assert (found.view.primary_deg, found.view.secondary_deg) == pytest.approx((25, 10), abs=1e-6)
    assert found.view.label == "LAO 25 CRA 10"
    assert found.exact
    assert found.off_deg == pytest.approx((0, 0), abs=1e-6)


def test_the_mean_mitral_and_tricuspid_planes():
    # mitral plane from two published edge-on views (Blanke et al.), tricuspid en face LAO 54 / CAU 15 (Xiong et al.,
    # doi 10.4244/EIJ-D-19-00618): the normals lie 9.4 degrees apart, so one view off each by no more than half of that
    mitral = np.cross(beam(*VIEWS["mitral_edge_on"]["septal_lateral"]),
                      beam(*VIEWS["mitral_edge_on"]["trigone_to_trigone"]))
    mitral /= np.linalg.norm(mitral)
    tricuspid = beam(*VIEWS["right_heart"]["tricuspid_en_face"])
    assert np.degrees(np.arccos(mitral @ tricuspid)) == pytest.approx(9.4, abs=0.05)
    found = shared_edge_on_view(mitral, tricuspid)
    assert found.view.reachable
    assert max(found.off_deg) <= 4.75


@given(st.integers(0, 10_000))
def test_no_better_view_within_the_limits(seed):
    # SciPy's brute force over the same angles, a degree apart
    a, b = np.random.default_rng(seed).normal(size=(2, 3))
    a, b = a / np.linalg.norm(a), b / np.linalg.norm(b)
    found = shared_edge_on_view(a, b)
    assert abs(found.view.primary_deg) <= 60 + 1e-9
    assert abs(found.view.secondary_deg) <= 40 + 1e-9

    def worst(angles):
        d = beam(*angles)
        return np.degrees(np.arcsin(max(abs(d @ a), abs(d @ b))))

    best = brute(worst, ((-60, 60), (-40, 40)), Ns=25, finish=None, full_output=True)[1]
    assert worst((found.view.primary_deg, found.view.secondary_deg)) <= best + 0.02
    assert max(found.off_deg) == pytest.approx(worst((found.view.primary_deg, found.view.secondary_deg)))


def test_parallel_planes_share_every_edge_on_view():
    found = shared_edge_on_view([0, 0, 1], [0, 0, -1])
    assert found.view.label == "AP"
    assert found.off_deg == pytest.approx((0, 0), abs=1e-9)
