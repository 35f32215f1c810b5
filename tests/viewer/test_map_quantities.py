"""The membrane's map on the triangles that are shown, its lines and kinds, and what of a survey crosses to the process.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial import Delaunay
from septal_viewer.contours import contour_lines, round_levels
from septal_viewer.crossing_layers import class_places, class_shares, levels_of
from septal_viewer.layers import membrane_layer
from septal_viewer.map_quantities import Onto, map_quantities
from septal_viewer.parcels import Held, pack, unpack
from septal_viewer.surfaces import Mesh, Quantity, membrane_mesh
from septal_viewer.surveys import Aim, FoundWithSurvey, Surveyed

from septal_planner.inputs.volume import Volume
from septal_planner.pipeline import FoundAnatomy


def square(step: float = 0.5) -> Mesh:
    """A flat square from -5 to 5 mm."""
    along = np.arange(-5.0, 5.0 + step / 2, step)
    uv = np.stack(np.meshgrid(along, along), axis=-1).reshape(-1, 2)
    return Mesh(np.column_stack([uv, np.zeros(len(uv))]), np.asarray(Delaunay(uv).simplices, dtype=np.int64))


def length(line: NDArray[np.float64]) -> float:
    return float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())


def test_the_line_of_one_value_of_a_ramp_is_straight_and_runs_from_edge_to_edge() -> None:
    mesh = square()
    (line,) = contour_lines(mesh, mesh.vertices_lps @ [3.0, 0.0, 0.0], 4.0)
    np.testing.assert_allclose(line[:, 0], 4.0 / 3.0)
    assert sorted([line[0, 1], line[-1, 1]]) == pytest.approx([-5.0, 5.0])
    assert length(line) == pytest.approx(10.0)


def test_the_line_of_one_distance_is_a_circle_that_closes() -> None:
    mesh = square(0.25)
    (line,) = contour_lines(mesh, np.linalg.norm(mesh.vertices_lps, axis=1), 3.0)
    np.testing.assert_array_equal(line[0], line[-1])
    assert length(line) == pytest.approx(2 * np.pi * 3.0, rel=0.01)


def test_no_line_where_nothing_is_assessed_and_two_where_the_value_comes_twice() -> None:
    mesh = square()
    x = mesh.vertices_lps[:, 0]
    assert len(contour_lines(mesh, np.abs(x), 2.2)) == 2
    lines = contour_lines(mesh, np.where(x < 0, np.nan, np.abs(x)), 2.2)
    assert len(lines) == 1
    assert contour_lines(mesh, np.full(len(x), np.nan), 0.0) == []
    assert contour_lines(mesh, x, 7.0) == []


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [(24, 41, [25, 30, 35, 40]), (0, 100, [20, 40, 60, 80]), (-4, 1, [-3, -2, -1, 0]), (-1, 1, [-0.5, 0, 0.5])],
)
def test_levels_are_round(low: float, high: float, expected: list[float]) -> None:
    assert round_levels(low, high) == pytest.approx(expected)


def test_a_map_is_carried_onto_the_triangles(quick_found: FoundAnatomy, quick_surveyed: Surveyed) -> None:
    found, fossa = quick_surveyed.survey.map, quick_found.fossa
    assert found is not None
    mesh = membrane_mesh(fossa)
    onto = Onto(found, fossa, mesh.vertices_lps)
    uv = fossa.patch.uvw(mesh.vertices_lps)[:, :2]
    ramp = 2.0 + 3.0 * found.u_mm - 0.7 * found.v_mm  # carried exactly between the map's points
    error = np.abs(onto.carried(ramp) - (2.0 + uv @ [3.0, -0.7]))
    assert np.median(error) < 1e-9
    assert error.max() < 4 * found.step_mm  # at the rim the nearest point speaks
    np.testing.assert_allclose(Onto(found, fossa, found.points_lps).carried(found.overall), found.overall, atol=1e-9)


def test_every_quantity_of_the_map_can_be_shown(quick_found: FoundAnatomy, quick_surveyed: Surveyed) -> None:
    survey, mesh = quick_surveyed.survey, membrane_mesh(quick_found.fossa)
    assert survey.map is not None
    assert survey.way is not None
    made = map_quantities(mesh, quick_found.fossa, quick_surveyed)
    assert {"worst", "binds", "all_met", "spare", "axis_tilt", "distance_to_roof"} <= set(made)
    for q in made.values():
        assert len(q.values) == len(mesh.vertices_lps)
        known = q.values[np.isfinite(q.values)]
        if q.name not in ("worst", "spare") and len(known):  # whose scales end at some tolerances
            assert q.low <= known.min() <= known.max() <= q.high
    assert 0 <= np.nanmin(made["all_met"].values) <= np.nanmax(made["all_met"].values) <= 100
    binds = made["binds"]
    assert sum(class_shares(mesh, binds)) == pytest.approx(1.0)
    assert 1 <= len(class_places(mesh, binds)) <= len(binds.classes)
    # what the catheter has to spare is positive just where it reaches
    reach = survey.way.reach_map(survey.map.points_lps)
    assert quick_surveyed.spare is not None
    np.testing.assert_array_equal(quick_surveyed.spare >= -1e-6, reach.reachable)
    for level in levels_of(mesh, made["worst"]):
        assert level.limit == (level.value == 0.0)


def test_between_two_kinds_there_is_no_third() -> None:
    mesh = square()
    values = np.where(mesh.vertices_lps[:, 0] < 0.1, 0.0, 2.0)
    kinds = Quantity("k", "K", "", values, -0.5, 2.5, classes=("one", "two", "three"))
    ((_, faces, shown), settings, _), = membrane_layer(mesh, kinds)
    assert set(np.unique(shown)) == {0.0, 2.0}
    assert np.ptp(shown[faces], axis=1).max() == 0
    assert settings["contrast_limits"] == (-0.5, 2.5)


def test_a_survey_crosses_without_the_anatomy_it_rests_on(
    quick_volume: Volume, quick_found: FoundAnatomy, quick_surveyed: Surveyed
) -> None:
    aim = Aim("edge-to-edge-degenerative", "large-guide-two-plane")
    whole = pack(FoundWithSurvey(quick_found, aim, quick_surveyed), Held(), beside=False)
    back = unpack(whole.text, (), None, Held(), keep=True)
    assert back.surveyed.survey.approach.chambers is back.found.chambers
    ours = Held()
    ours.keep((quick_volume, quick_found))
    packed = pack((quick_found, quick_surveyed), ours, beside=False)
    assert len(packed.text) < 0.7 * len(whole.text)
    theirs = Held()
    theirs.keep(back)
    found, surveyed = unpack(packed.text, (), None, theirs, keep=True)
    assert found is back.found
    assert surveyed.survey.approach.fossa is back.found.fossa
    assert surveyed.survey.approach.annulus is back.found.mitral
