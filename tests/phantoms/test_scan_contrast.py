"""Contrast, noise and voxels of the hard scans, against what was read off real contrast CT."""

from dataclasses import replace

import numpy as np
import pytest
from septal_phantoms import SCANS, make
from septal_phantoms.assembly import build_heart
from septal_phantoms.contrast import waves
from septal_phantoms.phantom import FOSSA_LPS
from septal_phantoms.render import render


def sampled(phantom, every=2):
    """(points, HU, closed-form fields) at every few voxels."""
    k, j, i = np.indices(phantom.hu.shape)[:, ::1, ::every, ::every].reshape(3, -1)
    points = np.stack([i, j, k], -1) @ phantom.lps_from_index[:3, :3].T + phantom.lps_from_index[:3, 3]
    return points, phantom.hu[k, j, i].astype(float), phantom.truth.fields_at(points)


def test_a_field_of_waves_is_band_limited():
    rng = np.random.default_rng(1)
    start = rng.uniform(-4000, 4000, (20000, 3))
    toward = rng.normal(size=(20000, 3))
    toward /= np.linalg.norm(toward, axis=1, keepdims=True)

    def value(at):
        return waves(*at.T, np.zeros(3), 5, 24.0, 56.0)

    first = value(start)
    assert first.mean() == pytest.approx(0, abs=0.05)
    assert first.std() == pytest.approx(1, abs=0.05)
    # Isotropic waves of length L correlate as sin(q)/q at the distance q L / 2 pi: 1/e at 0.35 L, which lies
    # between 8 and 20 mm for lengths of 24 to 56 mm.
    q = 2.2
    assert np.sin(q) / q == pytest.approx(np.exp(-1), abs=1e-3)
    assert q * 24 / (2 * np.pi) > 8
    assert q * 56 / (2 * np.pi) < 20
    distance = np.arange(2.0, 30.0, 1.0)
    correlation = np.array([np.mean(first * value(start + d * toward)) for d in distance])
    assert 8 <= distance[np.argmax(correlation < np.exp(-1))] <= 20


def test_streaked_right_atrium():
    p = make("streaked-right-atrium", quick=True)
    points, hu, f = sampled(p)
    cava = p.truth.heart.cavae["inferior_vena_cava"]
    plain = SCANS["streaked-right-atrium"].plain_blood.share(*points.T, p.truth.heart)
    atrium = f["right_atrium"] < -2
    streaked = hu[atrium & (plain == 0) & ((points - p.truth.heart.cavae["superior_vena_cava"].mouth)[:, 2] < -12)]
    # Read off a real cardiac CT: right atrium 191 to 899 HU, left atrium 496, inferior cava about 100.
    low, high = np.percentile(streaked, [1, 99])
    assert 160 < low < 280
    assert 800 < high < 950
    assert streaked.std() > 150
    assert np.mean(hu[f["left_atrium"] < -4]) == pytest.approx(496, abs=10)
    below = (points - cava.mouth) @ cava.out
    in_cava = (f["inferior_vena_cava"] < -3) & (below > 5)
    assert np.mean(hu[in_cava]) == pytest.approx(100, abs=10)
    # The boundary lies inside the atrium: plain blood on the atrial side of the cava's mouth, but not all the way.
    dark = atrium & (hu < 150)
    assert 0.8 < dark.sum() * np.prod(np.diag(p.lps_from_index)[:3]) * 4 / 1000 < 12  # ml; every 2nd voxel twice
    assert np.linalg.norm(points[dark] - p.truth.fossa.center, axis=1).min() > 12


def test_unmixed_beside_the_fossa():
    p = make("unmixed-beside-fossa", quick=True)
    points, hu, f = sampled(p)
    assert p.lps_from_index[2, 2] == 2.5
    beside = (f["right_atrium"] < -2) & (np.linalg.norm(points - p.truth.fossa.center, axis=1) < 9)
    # Real scans: 53-98 HU of unmixed blood beside the fossa while the rest of the atrium is 300-900.
    assert 50 < np.mean(hu[beside]) < 100
    rest = hu[(f["right_atrium"] < -3) & (np.linalg.norm(points - p.truth.fossa.center, axis=1) > 45)]
    assert np.percentile(rest, 5) > 250
    assert np.percentile(rest, 99) > 750
    assert set(p.truth.impossible) >= {"fossa", "thickness", "area"}
    membrane = p.truth.inside_membrane(points)
    assert abs(np.mean(hu[membrane]) - np.mean(hu[beside])) < 90  # and brighter only by the blur of the left side


def test_pale_right_atrium():
    p = make("pale-right-atrium", quick=True)
    _, hu, f = sampled(p)
    right = hu[f["right_atrium"] < -3]
    assert 110 < right.mean() < 130
    assert right.std() < 25
    assert "thickness" in p.truth.impossible


def test_noise_and_voxels():
    noisy = make("noisy", quick=True)
    _, hu, f = sampled(noisy)
    assert hu[f["left_atrium"] < -5].std() == pytest.approx(45, abs=4)
    assert not noisy.truth.impossible
    assert np.diag(make("coarse-voxels", quick=True).lps_from_index)[:3] == pytest.approx([1.5] * 3)


def test_early_phase():
    p = make("early-phase", quick=True)
    _, hu, f = sampled(p)
    mean = {
        name: hu[f[name] < -4].mean()
        for name in ("left_atrium", "left_ventricle", "aorta", "right_atrium", "right_ventricle")
    }
    # Real early phases: the right heart brighter than the left, and the aorta darker than either.
    assert min(mean["right_atrium"], mean["right_ventricle"]) > mean["left_atrium"] + 100
    assert mean["aorta"] < min(mean["left_atrium"], mean["left_ventricle"])
    assert mean["left_atrium"] == pytest.approx(230, abs=12)
    assert hu[f["aorta"] < -5].std() == pytest.approx(50, abs=5)


def test_no_contrast():
    p = make("no-contrast", quick=True)
    _, hu, f = sampled(p)
    # Unenhanced blood 35-50 HU, muscle 40-60: common practice, no source.
    for name in ("left_atrium", "left_ventricle", "aorta", "right_atrium", "right_ventricle"):
        assert 35 < hu[f[name] < -4].mean() < 50, name
    assert "fossa" in p.truth.impossible


def test_a_thick_slice_is_the_mean_of_the_tissue_it_spans():
    scan = replace(SCANS["noisy"], noise_hu=0.0)
    heart = build_heart(scan.shape, FOSSA_LPS)
    thin, thick = np.diag([1.0, 1.0, 0.5, 1.0]), np.diag([1.0, 1.0, 2.5, 1.0])
    thin[:3, 3] = FOSSA_LPS + [-20.0, -30.0, -10.0]
    thick[:3, 3] = thin[:3, 3] + [0.0, 0.0, 1.0]  # the middle of five thin slices
    one = render(heart, scan, (), thin, (40, 40, 40), 0).astype(float)
    two = render(heart, scan, (), thick, (40, 40, 8), 0).astype(float)
    difference = two - one.reshape(8, 5, 40, 40).mean(1)
    assert np.sqrt(np.mean(difference**2)) < 12
    assert abs(difference.mean()) < 1
