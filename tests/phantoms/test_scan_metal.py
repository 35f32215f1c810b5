"""Rings, bands, leads, an occluder, a patch, calcium: where they lie, how bright they are, what they do to slices."""

from dataclasses import replace

import numpy as np
import pytest
from septal_phantoms import SCANS, make, metal
from septal_phantoms.assembly import build_heart
from septal_phantoms.implants import IMPLANTS, lead_path
from septal_phantoms.metal import metal_streaks
from septal_phantoms.phantom import FOSSA_LPS
from septal_phantoms.render import render
from skimage.transform import iradon, radon


def hu_at(phantom, points):
    inverse = np.linalg.inv(phantom.lps_from_index)
    i, j, k = np.rint(points @ inverse[:3, :3].T + inverse[:3, 3]).astype(int).T
    return phantom.hu[k, j, i]


@pytest.fixture(scope="module")
def ringed():
    return make("mitral-ring", quick=True)


@pytest.mark.parametrize("name", ["mitral-ring", "tricuspid-ring"])
def test_a_ring_follows_the_hinge_on_the_atrial_side(name):
    p = make(name, quick=True)
    annulus = p.truth.mitral if name == "mitral-ring" else p.truth.tricuspid
    axis = annulus.points(60) + 2.5 * annulus.saddle.axes[2]
    assert (p.truth.label_at(axis) == 7).all()
    assert np.percentile(hu_at(p, axis), 5) >= 3000  # the nearest voxel may lie off the axis by most of a millimetre
    assert p.hu.max() == 3071  # the scanner's ceiling
    # The hinge line itself stays free, and the wire is 3 mm thick.
    assert (p.truth.label_at(annulus.points(60)) != 7).all()
    up = annulus.saddle.axes[2]
    for side in (-1, 1):
        assert (p.truth.metal_distance_mm(axis + side * 1.3 * up) < 0).all()
        assert (p.truth.metal_distance_mm(axis + side * 1.7 * up) > 0).all()


@pytest.mark.parametrize(("name", "gap"), [("mitral-band", 0.3), ("tricuspid-band", 0.5)])
def test_a_band_is_open_on_the_septal_side(name, gap):
    p = make(name, quick=True)
    annulus = p.truth.mitral if name == "mitral-band" else p.truth.tricuspid
    points = annulus.points(90)
    axis = points + 2.5 * annulus.saddle.axes[2]
    toward_septum = (points - annulus.saddle.origin) @ annulus.saddle.axes[1] / annulus.saddle.b
    labels = p.truth.label_at(axis)
    assert (labels[toward_septum < gap - 0.05] == 7).all()
    assert (labels[toward_septum > gap + 0.05] != 7).all()
    assert (labels == 7).mean() > 0.5
    assert np.median(hu_at(p, axis[toward_septum < gap - 0.2])) > 2000


def test_metal_blooms(ringed):
    annulus = ringed.truth.mitral
    outer = annulus.points(40) + (2.5 + 1.5 + 0.7) * annulus.saddle.axes[2]
    assert (ringed.truth.label_at(outer) != 7).all()
    assert np.median(hu_at(ringed, outer)) > 550  # left atrial blood is 380


def test_a_lead_runs_from_the_superior_cava_to_the_right_ventricle():
    p = make("pacing-lead", quick=True)
    path = lead_path(p.truth.heart)
    assert (p.truth.label_at(path) == 7).all()
    f = p.truth.heart.fields(*path.T)
    where = [next((n for n in ("right_atrium", "right_ventricle", "right_vessels") if f[n][i] < 0), "")
             for i in range(len(path))]  # fmt: skip
    order = [w for n, w in enumerate(where) if w and (n == 0 or w != where[n - 1])]
    assert order == ["right_vessels", "right_atrium", "right_ventricle"]
    seen = path[((path - p.lps_from_index[:3, 3]) < np.array(p.hu.shape[::-1]) - 3).all(1)]
    assert np.percentile(hu_at(p, seen), 10) > 2500
    # 1.8-2.5 mm thick
    across = np.cross(np.gradient(path, axis=0), [0.3, 0.5, 0.8])[1:-5]
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    assert (p.truth.metal_distance_mm(path[1:-5] + 0.85 * across) < 0).all()
    assert (p.truth.metal_distance_mm(path[1:-5] + 1.3 * across) > 0).all()
    for name, points in p.landmarks.items():
        assert p.truth.metal_distance_mm(points).min() > 1.5, name


def test_streaks_lie_between_and_beyond_metal_in_its_slices_only(ringed):
    scan = replace(SCANS["mitral-ring"], noise_hu=0.0)
    heart = build_heart(scan.shape, FOSSA_LPS)
    solids = IMPLANTS["mitral-ring"](heart)
    size = ringed.hu.shape[::-1]
    without = render(heart, scan, (), ringed.lps_from_index, size, 0).astype(float)
    change = render(heart, scan, solids, ringed.lps_from_index, size, 0).astype(float) - without
    z = ringed.lps_from_index[2, 3] + np.arange(size[2])
    ring = ringed.truth.mitral.points(400) + 2.5 * ringed.truth.mitral.saddle.axes[2]
    away = (z < ring[:, 2].min() - 6) | (z > ring[:, 2].max() + 6)
    assert np.abs(change[away]).max() < 1.5
    k = int(np.rint(ring[:, 2].mean() - ringed.lps_from_index[2, 3]))
    crossing = ring[np.abs(ring[:, 2] - z[k]) < 0.6]
    far = np.linalg.norm(crossing - crossing[0], axis=1) > 12
    first, second = crossing[~far].mean(0), crossing[far].mean(0)
    t = np.linspace(0.35, 0.65, 9)[:, None]
    beyond = np.array([-0.4, -0.3, 1.3, 1.4])[:, None]

    def along(share):
        index = np.rint(first + share * (second - first) - ringed.lps_from_index[:3, 3]).astype(int)
        return change[k, index[:, 1], index[:, 0]]

    assert np.mean(along(t)) < -60
    assert np.mean(along(beyond)) < -15
    outside = np.abs(change[k]) < 600
    assert change[k][outside].max() > 30  # light ones beside them


def test_streaks_are_those_of_filtered_back_projection_by_scikit_image(monkeypatch):
    monkeypatch.setattr(metal, "STARVATION", 0.0)
    n = 121
    y, x = np.mgrid[:n, :n] - n // 2
    disc = ((np.hypot(x - 18, y - 6) < 2.2) | (np.hypot(x + 15, y + 10) < 2.2)).astype(float)
    found = np.argwhere(disc > 0)
    index = np.column_stack([np.zeros(len(found), int), found])
    size = (n, n, 2)
    monkeypatch.setattr(metal, "PIXEL_MM", 1.0)
    monkeypatch.setattr(metal, "STRONGEST_HU", 1e6)
    ours = metal_streaks(index, np.full(len(found), 6000.0), np.ones(3), size, 0)[0]
    angles = (np.arange(180) + 0.5)
    path = radon(disc * 6.0 * metal.DENSER * metal.WATER_PER_MM, angles, circle=True)
    error = -metal.DEFICIT * path**2 / (1.0 + 0.3 * path)
    theirs = iradon(error, angles, filter_name="hann", circle=True) / metal.WATER_PER_MM * 1000.0
    from scipy.ndimage import gaussian_filter

    clear = (gaussian_filter(disc, 3) < 0.002) & (np.hypot(x, y) < n // 2 - 3)
    one, two = gaussian_filter(ours, 1.5)[clear], gaussian_filter(theirs, 1.5)[clear]
    assert np.corrcoef(one, two)[0, 1] > 0.95
    assert one.std() / two.std() == pytest.approx(1, abs=0.15)


def test_an_occluder_hides_the_membrane():
    p = make("occluder", quick=True)
    t, septum = p.truth, p.truth.heart.septum
    assert t.label_at(t.fossa.center) == 7
    axis = np.arange(-14, 14, 0.5)
    points = t.fossa.center + np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), -1).reshape(-1, 3)
    labels = t.label_at(points)
    assert not (labels == 6).any()
    side = septum.foot(points[labels == 7])[2]
    assert (side > 3).sum() > 200
    assert (side < -3).sum() > 200
    deep = points[t.metal_distance_mm(points) < -1.0]
    assert np.percentile(hu_at(p, deep), 5) > 500
    assert np.percentile(hu_at(p, deep), 95) < 2600
    assert set(t.impossible) == {"fossa", "thickness", "area"}


def test_a_patch_is_thick_and_brighter_than_tissue():
    p = make("septal-patch", quick=True)
    t, septum = p.truth, p.truth.heart.septum
    assert 2.5 <= t.fossa.thickness_min_mm <= 4.0
    u, v = np.meshgrid(np.arange(-4, 5, 1.0), np.arange(-5, 6, 1.0))
    middle = septum.point(u.ravel(), v.ravel())
    assert (t.label_at(middle) == 0).all()
    assert 200 < np.median(hu_at(p, middle)) < 350
    assert "thickness" in t.impossible


def test_calcium_is_dense_uneven_and_intrudes():
    p = make("calcified-annulus", quick=True)
    t = p.truth
    (calcium,) = t.solids
    axis = np.arange(-26, 27, 0.75)
    points = t.mitral.center + np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), -1).reshape(-1, 3)
    inside = calcium.distance(*points.T) < 0
    bare = t.heart.fields(*points[inside].T)
    assert (bare["left_atrium"] < 0).sum() > 50
    assert (bare["left_ventricle"] < 0).sum() > 50
    assert np.isin(t.label_at(points[inside]), (0, 6)).all()
    dense = calcium.hu(*points[inside].T)
    assert dense.min() >= 600
    assert dense.max() <= 1400
    assert dense.std() > 100
    deep = points[calcium.distance(*points.T) < -1.5]
    assert 600 < np.median(hu_at(p, deep)) < 1400
    # along the posterior hinge only
    side = (points[inside] - t.mitral.saddle.origin) @ t.mitral.saddle.axes[1]
    assert (side < 2).mean() > 0.9


def test_blood_pools_do_not_hold_metal(ringed):
    t = ringed.truth
    axis = t.mitral.points(200) + 2.5 * t.mitral.saddle.axes[2]
    assert (t.fields_at(axis)["left_atrium"] > 0).all()
    assert t.volumes_ml["left_atrium"] < replace(t, solids=()).volumes_ml["left_atrium"]
