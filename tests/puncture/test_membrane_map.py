"""The membrane as a map, against closed forms on the heart of spheres, brute force, and one point at a time."""

from dataclasses import replace

import numpy as np
import pytest

from septal_planner.puncture import target
from septal_planner.puncture.membrane_map import map_membrane, map_points
from septal_planner.puncture.procedures import procedure
from septal_planner.puncture.requirements import QUANTITIES, ROOF_FROM_MM

ATRIUM, ATRIUM_RADIUS, MEMBRANE_RADIUS = np.array([0.0, 0.0, 22.0]), 30.0, 30.75
AORTA, AORTA_RADIUS = np.array([-18.0, 34.0, 40.0]), 13.0


def prepared(scene, name="edge-to-edge-functional", **marks):
    fossa, annulus, chambers, landmarks = scene.common()
    return target.prepare_approach(fossa, annulus, chambers, {**landmarks, **marks}, procedure(name))


@pytest.fixture(scope="module")
def approach(high_septum):
    return prepared(
        high_septum, leaflet_coaptation=np.array([[1.0, 2, -6]]), coronary_sinus=np.array([[-20.0, 5, 6]])
    )


@pytest.fixture(scope="module")
def mapped(approach):
    return map_membrane(approach)


def sphere_exit(start, direction):
    q = start - ATRIUM
    b = q @ direction
    return -b + np.sqrt(b * b - (q * q).sum(axis=-1) + ATRIUM_RADIUS**2)


def test_every_value_is_the_closed_form(approach, mapped):
    p = mapped.points_lps
    np.testing.assert_allclose(np.linalg.norm(p - ATRIUM, axis=1), MEMBRANE_RADIUS, atol=0.01)
    value = {layer.name: layer.values for layer in mapped.layers}
    np.testing.assert_allclose(value["height_above_mitral_annulus"], p[:, 2], atol=1e-6)
    np.testing.assert_allclose(value["height_above_coaptation"], p[:, 2] + 6, atol=1e-6)
    np.testing.assert_allclose(value["distance_to_aorta"], np.linalg.norm(p - AORTA, axis=1) - AORTA_RADIUS, atol=0.05)
    np.testing.assert_allclose(value["distance_to_rim"], 7 - np.hypot(mapped.u_mm, mapped.v_mm), atol=0.2)
    np.testing.assert_allclose(
        value["distance_to_coronary_sinus"], np.linalg.norm(p - np.array([-20.0, 5, 6]), axis=1), atol=1e-9
    )
    np.testing.assert_allclose(value["wall_thickness"], 1.5)
    np.testing.assert_allclose(value["superior_fraction"], (mapped.v_mm + 7) / 14, atol=0.01)
    np.testing.assert_allclose(value["anterior_fraction"], (mapped.u_mm + 7) / 14, atol=0.01)
    d = approach.crossing_lps
    np.testing.assert_allclose(value["distance_to_posterior_wall"], sphere_exit(p, d), atol=0.1)
    up = sphere_exit(p + ROOF_FROM_MM * d, np.array([0.0, 0, 1]))
    np.testing.assert_allclose(value["distance_to_roof"], up, atol=0.1)
    # the local normal of a sphere points at its middle
    inward = (ATRIUM - p) / MEMBRANE_RADIUS
    np.testing.assert_allclose(value["entry_angle"], np.degrees(np.arccos(inward @ d)), atol=0.6)
    assert np.ptp(value["entry_angle"]) > 10
    chord = approach.annulus.center_lps - p
    length = np.linalg.norm(chord, axis=1)
    half = np.arccos(chord @ d / length)
    np.testing.assert_allclose(value["bend_radius"], length / (2 * np.sin(half)))
    np.testing.assert_allclose(value["arc_turn"], np.degrees(2 * half))
    # an arc's end leans from its chord as much as its start does
    end = 2 * (chord @ d / length**2)[:, None] * chord - d
    np.testing.assert_allclose(value["axis_tilt"], np.degrees(np.arccos(-end[:, 2])), atol=1e-5)


def test_margins_are_signed_and_the_worst_one_binds(approach, mapped):
    asked = approach.procedure
    height = mapped.layer("height_above_mitral_annulus")
    z = mapped.points_lps[:, 2]
    np.testing.assert_allclose(height.margin, np.minimum(z - asked.height.low, asked.height.high - z), atol=1e-6)
    np.testing.assert_allclose(height.fraction, height.margin / asked.height.tolerance)
    tilt = mapped.layer("axis_tilt")
    np.testing.assert_allclose(tilt.margin, asked.axis_tilt.high - tilt.values)
    # only what the procedure asks for counts: the height has one datum
    assert not mapped.layer("height_above_coaptation").counts
    assert not mapped.layer("turn_angle").counts
    for i in range(0, len(z), 37):
        fractions = {layer.name: layer.fraction[i] for layer in mapped.layers if layer.counts}
        assert mapped.overall[i] == min(fractions.values())
        assert fractions[mapped.binding_name(i)] == mapped.overall[i]


@pytest.mark.parametrize("name", ["edge-to-edge-degenerative", "mitral-valve-in-ring", "left-atrial-access"])
def test_a_mapped_point_says_what_one_point_alone_says(high_septum, name):
    approach = prepared(high_septum, name)
    mapped = map_membrane(approach)
    for i in range(0, len(mapped.points_lps), 97):
        site = target.evaluate_on(approach, mapped.points_lps[i])
        for check in site.checks:
            if check.value is None or check.name == "entry_angle":  # the plan's is against the mean normal
                continue
            assert mapped.layer(check.name).values[i] == pytest.approx(check.value, abs=1e-6), check.name
        if site.reach.clearance_mm is not None:
            assert mapped.layer("clearance").values[i] == pytest.approx(site.reach.clearance_mm, abs=1e-6)
            assert mapped.layer("arc_turn").values[i] == pytest.approx(site.reach.arc_turn_deg)
        if mapped.overall[i] >= 0.5:
            assert all(c.status in ("met", "borderline", "not assessed") for c in site.checks)


def test_points_lie_half_a_millimetre_apart(mapped, high_septum):
    assert 0.45 < mapped.step_mm <= 0.5
    u, v, grid = mapped.on_grid(mapped.overall)
    assert grid.shape == (len(v), len(u))
    assert np.isfinite(grid).sum() == len(mapped.points_lps)
    i = 200
    at = np.argmin(np.abs(v - mapped.v_mm[i])), np.argmin(np.abs(u - mapped.u_mm[i]))
    assert grid[at] == mapped.overall[i]
    patch = high_septum.fossa.patch
    area = np.isfinite(grid).sum() * mapped.step_mm**2
    assert area == pytest.approx(np.pi * 49, rel=0.03)
    assert patch.u_mm[0] <= u[0]


def test_what_is_not_assessed_is_left_out_or_said(high_septum):
    fossa, annulus, chambers, marks = high_septum.common()
    bare = replace(chambers, distance={"left_atrium": chambers.distance["left_atrium"]},
                   not_assessed={"aorta": "No point was marked in the aorta."})
    mapped = map_membrane(
        target.prepare_approach(fossa, annulus, bare, marks, procedure("edge-to-edge-functional"))
    )
    aorta = mapped.layer("distance_to_aorta")
    assert aorta.why_not == "No point was marked in the aorta."
    assert not aorta.counts
    assert np.isnan(aorta.values).all()
    assert np.isfinite(mapped.overall).all()
    assert "coronary_sinus" in mapped.layer("distance_to_coronary_sinus").why_not
    # a limit assessed elsewhere but not here leaves the point without a margin, and says which limit that is
    affine = np.eye(4)
    affine[:3, 3] = [-60.0, -80.0, -20.0]
    approach = target.prepare_approach(fossa, annulus, chambers, marks, procedure("left-atrial-access"))
    whole = map_membrane(approach)
    ends = whole.points_lps + whole.layer("distance_to_posterior_wall").values[:, None] * approach.crossing_lps
    cut = replace(chambers, ct_lps_from_index=affine, ct_size_ijk=(round(np.median(ends[:, 0]) + 61), 160, 120))
    mapped = map_membrane(target.prepare_approach(fossa, annulus, cut, marks, procedure("left-atrial-access")))
    lost = np.isnan(mapped.overall)
    assert lost.any()
    assert not lost.all()
    names = {mapped.binding_name(int(i)) for i in np.flatnonzero(lost)}
    assert names == {"distance_to_posterior_wall"}


def test_without_a_rim_there_is_no_map(high_septum):
    fossa, annulus, chambers, marks = high_septum.common()
    blind = replace(fossa, rim_lps=np.empty((0, 3)), membrane=np.zeros_like(fossa.membrane))
    approach = target.prepare_approach(blind, annulus, chambers, marks, procedure("left-atrial-access"))
    assert map_membrane(approach) is None
    one = map_points(approach, fossa.center_lps)
    assert one.layer("distance_to_rim").why_not
    assert np.isfinite(one.layer("height_above_mitral_annulus").values[0])


def test_a_catheter_of_its_own_stands_in_for_the_arc(high_septum):
    approach = prepared(high_septum)

    def reach(points):
        n = len(points)
        return {"axis_tilt": np.zeros(n), "clearance": points[:, 2], "bend_radius": np.full(n, 30.0)}

    mapped = map_membrane(approach, reach=reach)
    assert (mapped.layer("axis_tilt").values == 0).all()
    np.testing.assert_array_equal(mapped.layer("clearance").values, mapped.points_lps[:, 2])


def test_outside_the_rim_its_distance_is_negative(high_septum):
    approach = prepared(high_septum)
    patch = high_septum.fossa.patch
    found = map_points(approach, patch.points_lps(np.array([0.0, 9.0]), np.array([6.0, 0.0])))
    np.testing.assert_allclose(found.layer("distance_to_rim").values, [1.0, -2.0], atol=0.25)


def test_every_quantity_has_a_layer(mapped):
    assert [layer.quantity for layer in mapped.layers] == list(QUANTITIES)
    with pytest.raises(KeyError):
        mapped.layer("colour")
