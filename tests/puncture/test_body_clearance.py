"""Room for a catheter's body against closed forms: a sphere cut by a plane, and the phantom's heart."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree
from skimage.measure import marching_cubes

from septal_planner.anatomy.annulus import measure_annulus
from septal_planner.anatomy.chambers import segment_chambers
from septal_planner.anatomy.pools import signed_distance
from septal_planner.geometry.shapes import DistanceField
from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.volume import Volume
from septal_planner.puncture.body_clearance import NEAR_ENTRY_MM, body_room

ATRIUM, RADIUS = np.array([0.0, 0, 22]), 30.0  # the invented scene's, cut at z = 0
AORTA, AORTA_RADIUS = np.array([-18.0, 34, 40]), 13.0


@pytest.fixture(scope="module")
def room(high_septum):
    d = high_septum.chambers.distance
    return body_room(d["left_atrium"], high_septum.annulus, aorta=d["aorta"], appendage_lps=[[21.0, -19, 34]])


def _to_wall(points, annulus):
    """Closed form: the sphere above the floor, the floor around the opening, the hinge line."""
    from_center = np.linalg.norm(points - ATRIUM, axis=1)
    foot = ATRIUM[2] + RADIUS * (points[:, 2] - ATRIUM[2]) / from_center
    edge = np.hypot(np.hypot(*points[:, :2].T) - np.sqrt(RADIUS**2 - ATRIUM[2] ** 2), points[:, 2])
    sphere = np.where(foot >= 0, RADIUS - from_center, edge)
    hinge = cKDTree(annulus.curve_lps).query(points)[0]
    uv = points[:, :2] / [16, 19]
    over = np.hypot(*uv.T) < 1
    return np.minimum(sphere, np.where(over, hinge, np.minimum(points[:, 2], hinge)))


def test_distance_to_the_wall_around_the_opening(room, high_septum):
    rng = np.random.default_rng(0)
    p = rng.uniform([-22, -22, 1.0], [22, 22, 48], (4000, 3))
    truth = _to_wall(p, high_septum.annulus)
    near = (truth > 0.5) & (truth < 9) & (p[:, 0] < 15)  # the field of the scene ends at x = 28
    assert near.sum() > 500
    error = -room.wall.at(p[near]) - truth[near]
    assert np.abs(error).max() < 0.3
    # the chamber's own field ends at the opening as at a wall
    middle = np.array([[0.0, 0, 3]])
    assert -high_septum.chambers.distance["left_atrium"].at(middle)[0] == pytest.approx(3, abs=0.1)
    assert -room.wall.at(middle)[0] > 9


def test_clearance_of_a_straight_body(room):
    # a straight rod of 6 mm along x at height 30: the sphere's wall and the aorta's ball in closed form
    entry = np.array([-28.0, 0, 30])
    x = np.linspace(-28, 20, 60)
    line = np.stack([x, 0 * x, 30 + 0 * x], axis=1)
    counted = line[np.linalg.norm(line - entry, axis=1) >= NEAR_ENTRY_MM]
    wall = (RADIUS - np.linalg.norm(counted - ATRIUM, axis=1)).min()
    aorta = (np.linalg.norm(line - AORTA, axis=1) - AORTA_RADIUS).min()
    assert room.clearance_mm(line[None], entry[None], 6.0)[0] == pytest.approx(min(wall, aorta) - 3, abs=0.15)
    distance, nearest, place = room.nearest(line, entry, 6.0)
    assert distance == pytest.approx(min(wall, aorta) - 3, abs=0.15)
    assert nearest == "left side of the left atrium"
    assert place[0] == pytest.approx(20, abs=0.5)


def test_the_spacing_of_the_points_hardly_matters(room):
    entry = np.array([-26.0, 4, 26])
    out = []
    for n in (12, 40, 1000):
        t = np.linspace(0, 1, n)[:, None]
        out.append(room.clearance_mm((entry + t * np.array([26.0, -18, -24]))[None], entry[None], 4.0)[0])
    assert np.ptp(out) < 0.1


def test_names_of_what_is_near(room):
    def name(*points):
        return room.nearest(np.array(points, dtype=float), np.array([0.0, 0, 100]), 2.0)[1]

    assert name((0, 0, 40), (0, 0, 48)) == "roof of the left atrium"
    assert name((0, 20, 22), (0, 27, 22)) == "posterior wall of the left atrium"
    assert name((0, -20, 22), (0, -27, 22)) == "anterior wall of the left atrium"
    assert name((-20, 0, 22), (-27, 0, 22)) == "right side of the left atrium"
    assert name((14, -12, 27), (17, -14, 30)) == "ridge of the left atrial appendage"
    assert name((-5, 10, 27), (-11.0, 20.8, 33.0)) == "aorta"


def test_outside_is_negative_by_how_far(room):
    line = np.array([[0.0, 0, 30], [0, 0, 56]])
    assert room.clearance_mm(line[None], np.array([[0.0, 0, 0]]), 5.0)[0] == pytest.approx(-4 - 2.5, abs=0.2)


def test_below_the_valve_and_near_the_entry_nothing_counts(room):
    line = np.array([[0.0, 0, -1], [0, 0, -20]])
    assert room.nearest(line, np.array([0.0, 0, 0]), 5.0) == (None, None, None)
    assert room.clearance_mm(line[None], np.zeros((1, 3)), 5.0)[0] == np.inf


def _mitral(phantom):
    marks = phantom.landmarks
    return measure_annulus(
        marks["mitral_annulus"], atrium_point_lps=marks["left_atrium"][0], aorta_point_lps=marks["aorta"][0]
    )


H = 0.7  # mm, the grid of the planner's own distance fields


@pytest.fixture(scope="module")
def true_atrium(quick_phantom):
    """The left atrium's closed form on a grid [k, j, i], and where its first voxel lies."""
    truth = quick_phantom.truth
    axis = np.arange(-56, 56, H)
    x, y = np.meshgrid(axis, axis)
    low = truth.heart.la_body.center - 56
    flat = np.stack([x.ravel(), y.ravel(), 0 * x.ravel()], axis=-1) + low + 56
    layers = [truth.fields_at(flat + [0, 0, z])["left_atrium"].reshape(x.shape) for z in axis]
    return np.stack(layers).astype(np.float32), low


def _errors(room, truth, field, low, least_mm):
    """Clearance of ways from septum to valve, as a catheter may go, against the closed form: the wall as a dense cloud
    (marching cubes of scikit-image), the aorta exact. Veins' mouths are no wall: ways that come near them are left out.
    """
    p = low + H * marching_cubes(field, 0.0)[0][:, ::-1]
    height, outside = truth.heart.mitral.local(*p.T)
    valve = (np.abs(height) < 0.3) & (outside < 0.3)
    is_mouth = (truth.fields_at(p)["left_vessels"] < H) & ~valve
    hinge = truth.heart.mitral.curve_lps(np.linspace(0, 2 * np.pi, 2000))
    wall, mouth = cKDTree(np.concatenate([p[~valve & ~is_mouth], hinge])), cKDTree(p[is_mouth])
    rng = np.random.default_rng(1)
    start, goal, normal = truth.fossa.center, truth.mitral.center, truth.mitral.normal
    errors = []
    for _ in range(150):
        bow = rng.normal(size=3) * 8 + 14 * normal
        t = np.linspace(0, 1, 800)[:, None]
        path = (1 - t) * start + t * goal + 4 * t * (1 - t) * bow
        counted = path[(np.linalg.norm(path - start, axis=1) >= NEAR_ENTRY_MM) & ((path - goal) @ normal > 0)]
        to_wall = wall.query(counted)[0].min()
        inside = (truth.fields_at(counted)["left_atrium"] < 0).all()
        if inside and to_wall >= least_mm and mouth.query(counted)[0].min() > to_wall + 3:
            clear = room.clearance_mm(path[None], start[None], 0.0)[0]
            errors.append(clear - min(to_wall, truth.aorta_distance_mm(path).min()))
    assert len(errors) > 60
    return np.array(errors)


def test_clearance_is_that_of_the_phantoms_closed_form(quick_phantom, true_atrium):
    field, low = true_atrium
    place = np.diag([H, H, H, 1.0])
    place[:3, 3] = low
    atrium = DistanceField(gaussian_filter(signed_distance(field < 0, H), 0.6), place)
    errors = _errors(body_room(atrium, _mitral(quick_phantom)), quick_phantom.truth, field, low, 0.3)
    assert np.abs(errors).max() < 0.3
    assert abs(errors.mean()) < 0.1


@pytest.mark.slow
def test_clearance_from_a_ct_is_that_of_the_closed_form(true_atrium):
    import septal_phantoms

    phantom = septal_phantoms.make("normal")
    mitral, marks = _mitral(phantom), phantom.landmarks
    tricuspid = measure_annulus(marks["tricuspid_annulus"], atrium_point_lps=marks["right_atrium"][0])
    chambers = segment_chambers(Volume(phantom.hu, phantom.lps_from_index), Landmarks(marks), mitral, tricuspid)
    room = body_room(chambers.distance["left_atrium"], mitral, aorta=chambers.distance["aorta"])
    errors = _errors(room, phantom.truth, *true_atrium, 1.0)
    assert np.abs(errors).max() < 0.3
    assert abs(errors.mean()) < 0.1
