"""The way to the tricuspid valve, and leads through it, against the phantom's closed forms and published views."""

import tomllib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import septal_phantoms
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree
from septal_phantoms.assembly import build_heart
from septal_phantoms.catalogue import shape_of
from septal_phantoms.implants import IMPLANTS, lead_path
from skimage.measure import marching_cubes

from septal_planner.anatomy.annulus import measure_annulus
from septal_planner.anatomy.pools import signed_distance
from septal_planner.errors import AnatomyNotFound
from septal_planner.geometry.shapes import DistanceField
from septal_planner.puncture import catheters
from septal_planner.puncture.catheter import angle_deg
from septal_planner.puncture.leads import lead_crossings, lead_sentences
from septal_planner.puncture.reach_solver import ReachLimits
from septal_planner.puncture.tricuspid import DEFAULT_CATHETER, tricuspid_reach

FOSSA = np.array([-12.3, -152.7, 641.9])
REFERENCE = Path(__file__).parents[1] / "reference" / "published_views" / "views.toml"
VIEWS = tomllib.loads(REFERENCE.read_text("utf-8"))["right_heart"]


@dataclass
class Right:
    heart: object
    truth: object
    annulus: object


@pytest.fixture(scope="module")
def right():
    heart = build_heart(shape_of("normal", None)[0], FOSSA)
    truth = septal_phantoms.Truth(heart)
    annulus = measure_annulus(
        truth.tricuspid.points(16), atrium_point_lps=heart.ra_body.center, septum_point_lps=heart.septum.center
    )
    return Right(heart, truth, annulus)


def _voxels(solids, about, step=0.8):
    """Voxel centres in the metal within 30 mm, as a CT's metal mask would have them."""
    found = []
    for solid in solids:
        axes = [np.arange(a, b, step) for a, b in zip(np.maximum(solid.low_lps, about - 30),
                                                          np.minimum(solid.high_lps, about + 30), strict=True)]
        grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
        found.append(grid[solid.distance(*grid.T) < 0.4])
    return np.concatenate(found)


def test_a_pacing_lead_is_found_where_it_crosses(right):
    found = lead_crossings(_voxels(IMPLANTS["pacing-lead"](right.heart), right.annulus.center_lps), right.annulus)
    assert len(found) == 1
    # its axis in closed form, cut by the phantom's own best-fit tricuspid plane
    axis = lead_path(right.heart)
    height = (axis - right.truth.tricuspid.center) @ right.truth.tricuspid.normal
    i = int(np.flatnonzero((height[:-1] > 0) & (height[1:] <= 0))[-1])
    share = height[i] / (height[i] - height[i + 1])
    truth = axis[i] + share * (axis[i + 1] - axis[i])
    assert np.linalg.norm(found[0].place_lps - truth) < 1.0
    hinge = right.truth.tricuspid.curve(720)
    flat = hinge - ((hinge - right.truth.tricuspid.center) @ right.truth.tricuspid.normal)[:, None] * (
        right.truth.tricuspid.normal
    )
    assert found[0].to_hinge_mm == pytest.approx(np.linalg.norm(flat - truth, axis=1).min(), abs=1.0)
    said = lead_sentences(found)
    assert len(said) == 1
    assert "crosses the tricuspid annulus" in said[0]
    assert said[0].endswith(".")


@pytest.mark.parametrize("implant", ["tricuspid-ring", "tricuspid-band", "mitral-ring", "occluder"])
def test_what_is_no_lead_is_not_called_one(right, implant):
    assert lead_crossings(_voxels(IMPLANTS[implant](right.heart), right.annulus.center_lps), right.annulus) == ()
    assert lead_crossings(np.empty((0, 3)), right.annulus) == ()


def test_a_lead_through_a_ring_is_found_all_the_same(right):
    both = [*IMPLANTS["tricuspid-ring"](right.heart), *IMPLANTS["pacing-lead"](right.heart)]
    alone = lead_crossings(_voxels(IMPLANTS["pacing-lead"](right.heart), right.annulus.center_lps), right.annulus)
    found = lead_crossings(_voxels(both, right.annulus.center_lps), right.annulus)
    assert len(found) == 1
    assert np.linalg.norm(found[0].place_lps - alone[0].place_lps) < 0.5


def _wire(right, u, v, length=30.0, radius=1.0):
    """A straight wire through the annulus, u toward the septum, v toward the patient's front (mm)."""
    a = right.annulus
    septal = a.septal_lateral_axis_lps
    front = np.cross(a.normal_lps, septal)
    front = front if front[1] < 0 else -front
    at = a.center_lps + u * septal + v * front
    along = np.arange(-length / 2, length / 2, 0.7)
    ring = np.array([[0, 0], [radius, 0], [-radius, 0], [0, radius], [0, -radius]])
    return np.concatenate([at + along[:, None] * a.normal_lps + x * septal + y * front for x, y in ring])


@pytest.mark.parametrize(
    ("u", "v", "side"), [(10, 0, "septal"), (-10, 0, "lateral"), (0, 11, "anterior"), (0, -11, "posterior"),
                         (1, 1, "central")]
)
def test_sides_are_the_patients(right, u, v, side):
    found = lead_crossings(_wire(right, u, v), right.annulus)
    assert [c.side for c in found] == [side]


def test_two_leads_are_two_and_one_that_ends_above_is_none(right):
    two = np.concatenate([_wire(right, 8, 0), _wire(right, -7, 4)])
    found = lead_crossings(two, right.annulus)
    assert [c.side for c in found] == ["septal", "lateral"]  # nearest to the septum first
    above = _wire(right, 0, 0, length=20) + 14 * right.annulus.normal_lps
    assert lead_crossings(above, right.annulus) == ()


def test_the_turn_is_that_of_the_published_views(right):
    # mean inferior caval axis LAO 27 / CRA 59 and tricuspid en face LAO 54 / CAU 15 (Xiong et al., doi
    # 10.4244/EIJ-D-19-00618): by the spherical law of cosines 77.2 degrees apart
    def beam(a_deg, b_deg):
        a, b = np.deg2rad([a_deg, b_deg])
        return np.array([np.sin(a) * np.cos(b), -np.cos(a) * np.cos(b), np.sin(b)])

    a1, b1, a2, b2 = np.deg2rad([*VIEWS["inferior_cava_en_face"], *VIEWS["tricuspid_en_face"]])
    law = np.degrees(np.arccos(np.sin(b1) * np.sin(b2) + np.cos(b1) * np.cos(b2) * np.cos(a1 - a2)))
    up, into = beam(*VIEWS["inferior_cava_en_face"]), beam(*VIEWS["tricuspid_en_face"])
    assert angle_deg(up, into) == pytest.approx(law)
    assert law == pytest.approx(77.2, abs=0.05)
    # the phantom's heart, built otherwise, turns by about as much: between 60 and 110 degrees
    cava = right.heart.cavae["inferior_vena_cava"]
    own = catheters.steerable_catheter("valve-delivery-one-plane")
    found = tricuspid_reach([cava.mouth, cava.mouth + 20 * cava.out], right.annulus, own)
    assert found.turn_deg == pytest.approx(angle_deg(-cava.out, -right.truth.tricuspid.normal), abs=0.5)
    assert 60 < found.turn_deg < 110
    assert found.reach.clearance_mm is None
    assert any("right atrium is not assessed" in s for s in found.not_assessed)
    assert any("Leads" in s for s in found.not_assessed)


H = 1.0  # mm


@pytest.fixture(scope="module")
def closed_form(right):
    """The right atrium's closed form [k, j, i], and where its first voxel lies."""
    axis = np.arange(-56, 56, H)
    x, y = np.meshgrid(axis, axis)
    low = right.heart.ra_body.center - 56
    flat = np.stack([x.ravel(), y.ravel(), 0 * x.ravel()], axis=-1) + low + 56
    layers = [right.truth.fields_at(flat + [0, 0, z])["right_atrium"].reshape(x.shape) for z in axis]
    return np.stack(layers).astype(np.float32), low


@pytest.fixture(scope="module")
def right_atrium(closed_form):
    """The phantom's right atrium as a field that knows no more than which voxels are blood."""
    field, low = closed_form
    place = np.diag([H, H, H, 1.0])
    place[:3, 3] = low
    return DistanceField(gaussian_filter(signed_distance(field < 0, H), 0.6), place)


def test_reach_through_the_phantoms_right_atrium(right, right_atrium):
    cava = right.heart.cavae["inferior_vena_cava"]
    marks = [cava.mouth + 2 * cava.out, cava.mouth + 22 * cava.out]
    lead = _voxels(IMPLANTS["pacing-lead"](right.heart), right.annulus.center_lps)
    found = tricuspid_reach(
        marks, right.annulus, catheters.steerable_catheter("steerable-sheath-small-curve"), right_atrium=right_atrium,
        metal_lps=lead, limits=ReachLimits(tilt_deg=30, offset_mm=5),
    )
    # the axis enters the atrium at its mouth, which is known
    assert np.linalg.norm(found.entry_lps - cava.mouth) < 1.5
    np.testing.assert_allclose(found.direction, -cava.out, atol=1e-9)
    assert found.reach.clearance_mm is not None
    # the way it takes lies in the closed form's blood, away from the mouth and above the valve
    path = found.reach.path_lps
    above = (path - right.truth.tricuspid.center) @ right.truth.tricuspid.normal > 1
    away = np.linalg.norm(path - path[0], axis=1) > 10
    if found.reach.clearance_mm > 0:
        assert (right.truth.fields_at(path[above & away])["right_atrium"] < 0).all()
    assert found.reach.smallest_radius_mm >= 8.5 - 1e-9
    assert len(found.cautions) == 1
    assert found.not_assessed == ()


def test_where_the_ct_ends_before_the_wall_the_clearance_is_not_assessed(right, right_atrium):
    cava = right.heart.cavae["inferior_vena_cava"]
    marks = [cava.mouth + 2 * cava.out, cava.mouth + 22 * cava.out]
    own = catheters.steerable_catheter(DEFAULT_CATHETER)
    whole = tricuspid_reach(
        marks, right.annulus, own, right_atrium=right_atrium, beyond_ct=lambda p, _: np.zeros(len(p), dtype=bool)
    )
    assert whole.reach.clearance_mm is not None
    # a CT that ends 3 mm beside the line, on whichever side: the outline there is where it was cut
    path = whole.reach.path_lps
    for axis, sign in ((1, 1.0), (1, -1.0), (2, 1.0)):
        ends = sign * ((sign * path[:, axis]).max() + 3.0)
        at = right_atrium.lps_from_index[axis, 3] + H * np.arange(right_atrium.values_mm.shape[2 - axis])
        shape = [-1 if a == 2 - axis else 1 for a in range(3)]
        values = np.maximum(right_atrium.values_mm, (sign * (at - ends)).reshape(shape)).astype(np.float32)
        found = tricuspid_reach(
            marks, right.annulus, own, right_atrium=DistanceField(values, right_atrium.lps_from_index),
            beyond_ct=lambda p, margin, a=axis, s=sign, e=ends: s * (p[:, a] - e) > -margin,
        )
        assert found.reach.clearance_mm is None
        assert found.reach.nearest is None
        assert any("the CT ends nearer than its wall" in said for said in found.not_assessed)


def test_a_cava_of_one_point_is_refused(right):
    with pytest.raises(AnatomyNotFound, match="inferior_vena_cava needs two points"):
        tricuspid_reach([[0, 0, 0]], right.annulus, catheters.steerable_catheter("valve-delivery-one-plane"))


def test_clearance_is_that_of_the_phantoms_closed_form(right, closed_form, right_atrium):
    # the wall as a dense cloud of the closed form (marching cubes of scikit-image), without the valve's opening and the
    # mouths of vessels
    field, low = closed_form
    p = low + H * marching_cubes(field, 0.0)[0][:, ::-1]
    height, outside = right.heart.tricuspid.local(*p.T)
    valve = (np.abs(height) < 0.4) & (outside < 0.3)
    cava = right.heart.cavae["inferior_vena_cava"]
    mouth = right.truth.fields_at(p)["right_vessels"] < H
    hinge = right.heart.tricuspid.curve_lps(np.linspace(0, 2 * np.pi, 2000))
    wall = cKDTree(np.concatenate([p[~valve & ~mouth], hinge]))
    marks = [cava.mouth + 2 * cava.out, cava.mouth + 22 * cava.out]
    normal, found = right.truth.tricuspid.normal, []
    for name in (DEFAULT_CATHETER, "steerable-sheath-medium-curve"):
        own = catheters.steerable_catheter(name)
        reach = tricuspid_reach(marks, right.annulus, own, right_atrium=right_atrium).reach
        share = np.linspace(0, len(reach.path_lps) - 1, 4000)
        path = np.stack([np.interp(share, np.arange(len(reach.path_lps)), c) for c in reach.path_lps.T], axis=-1)
        counted = (np.linalg.norm(path - path[0], axis=1) >= 10) & ((path - right.truth.tricuspid.center) @ normal > 0)
        truth = wall.query(path[counted])[0].min() - own.outer_diameter_mm.value / 2
        assert reach.clearance_mm == pytest.approx(truth, abs=0.3), name
        found.append(reach)
    # two planes reach this valve within the usual limits, one does not, and says by how much
    assert found[0].reachable
    assert not found[1].reachable
    assert "off the axis" in found[1].why_not[0]
