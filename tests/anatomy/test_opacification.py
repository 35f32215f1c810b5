"""A scan's contrast, against numbers put into synthetic scans, the phantoms' closed-form brightness, and NumPy."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.special import erf

from septal_planner.anatomy import opacification
from septal_planner.anatomy.opacification import Opacification, noise_hu, read_blood, read_opacification, read_septum
from septal_planner.inputs.landmarks import Landmarks, read_landmarks
from septal_planner.inputs.volume import Volume, read_volume

REAL = Path(__file__).parents[3] / "shared" / "data"
Array = NDArray[np.float64]
SIZE = 96
LEFT, FOSSA, RIGHT = np.array([24.0, 0, 0]), np.zeros(3), np.array([-24.0, 0, 0])


def slab(
    left: float, right: float, *, wall: float = 100.0, thick_mm: float = 2.0, blur_mm: float = 0.6, noise: float = 10.0,
    step_mm: float = 1.0, seed: int = 0, streaks: float = 0.0,
) -> Volume:
    """Two half-spaces of blood parted at x = 0 by a wall, blurred: a closed form; x rises to the patient's left."""
    affine = np.diag([step_mm, step_mm, step_mm, 1.0])
    affine[:3, 3] = -SIZE / 2 + 0.37
    n = round(SIZE / step_mm)
    x = affine[0, 3] + step_mm * np.arange(n)
    share = 0.5 * (1 + erf((x[:, None] - np.array([-thick_mm / 2, thick_mm / 2])) / (np.sqrt(2) * blur_mm)))
    profile = right + (wall - right) * share[:, 0] + (left - wall) * share[:, 1]
    rng = np.random.default_rng(seed)
    hu = np.broadcast_to(profile, (n, n, n)) + rng.normal(0, noise, (n, n, n))
    if streaks:
        z = affine[2, 3] + step_mm * np.arange(n)
        hu = hu + np.where(x < -thick_mm, streaks * np.sign(np.sin(2 * np.pi * z / 9.0))[:, None, None], 0.0)
    return Volume(hu.astype(np.float32), affine)


def marked(**more: Array) -> Landmarks:
    points = {"left_atrium": LEFT, "right_atrium": RIGHT, "fossa": FOSSA} | more
    below = np.array([0, 0, -8.0])
    return Landmarks({
        name: np.array([p, p + below] if name == "inferior_vena_cava" else [p]) for name, p in points.items()
    })


def kinds(found: Opacification) -> dict[str, str]:
    return {s.kind: s.bears for s in found.statements}


def test_a_ball_is_what_numpy_finds_in_a_sheared_and_mirrored_volume() -> None:
    rng = np.random.default_rng(3)
    hu = rng.normal(300, 40, (20, 40, 40)).astype(np.float32)
    affine = np.array([[-0.7, 0.05, 0.3, 10], [0.1, 0.8, 0.2, -5], [0.02, -0.1, 2.0, 7], [0, 0, 0, 1.0]])
    volume = Volume(hu, affine)
    center = affine[:3, :3] @ [19, 22, 9] + affine[:3, 3] + [0.3, -0.2, 0.5]
    k, j, i = np.indices(hu.shape)
    away = np.stack([i, j, k], axis=-1) @ affine[:3, :3].T + affine[:3, 3] - center
    inside = hu[np.linalg.norm(away, axis=-1) <= 8.0].astype(np.float64)
    found = read_blood(volume, center, 8.0)
    assert found is not None
    assert found.mean_hu == pytest.approx(inside.mean())
    assert found.spread_hu == pytest.approx(inside.std())
    assert (found.low_hu, found.high_hu) == pytest.approx(tuple(np.percentile(inside, (5, 95))))
    # white noise: its SD is known to 1 / sqrt(2 n), and the median deviation is 0.37 as efficient (Rousseeuw and Croux
    # 1993, doi 10.1080/01621459.1993.10476408, table 1, from memory); four of those
    assert found.noise_hu == pytest.approx(40, rel=4 / np.sqrt(2 * 0.37 * inside.size))


def test_a_ball_off_the_ct_is_not_read() -> None:
    assert read_blood(slab(300, 300), np.array([500.0, 0, 0]), 8.0) is None


@given(
    sd=st.floats(5.0, 60.0), slope=st.floats(-8.0, 8.0), bend=st.floats(-0.5, 0.5), wall=st.booleans(),
    seed=st.integers(0, 2**32 - 1),
)
def test_noise_is_told_from_slow_streaks_and_from_a_bit_of_wall(
    sd: float, slope: float, bend: float, wall: bool, seed: int
) -> None:
    at = np.stack(np.meshgrid(*(np.arange(-8.0, 8.1),) * 3), axis=-1).reshape(-1, 3)
    at = at[np.linalg.norm(at, axis=1) <= 8.0]
    hu = 400 + at @ [slope, -slope, slope / 2] + bend * at[:, 0] * at[:, 1] + bend * at[:, 2] ** 2
    hu = hu + np.random.default_rng(seed).normal(0, sd, len(at))
    if wall:
        hu[at[:, 0] > 6.0] = 90.0
    found = noise_hu(at, hu)
    assert found is not None
    # without a wall to sampling error; a wall of 6 per cent of the ball may add to it, never a quarter
    assert found == pytest.approx(sd, rel=0.25 if wall else 0.12)


def test_too_few_voxels_tell_no_noise() -> None:
    assert noise_hu(np.zeros((20, 3)), np.zeros(20)) is None


@pytest.mark.parametrize("turned", [False, True])
def test_the_septum_against_the_closed_form(turned: bool) -> None:
    volume = slab(400, 250, noise=0.0, step_mm=0.5, thick_mm=2.0, blur_mm=0.6)
    left, right = (LEFT, RIGHT) if not turned else (LEFT + [0, 9, 0], RIGHT - [0, 9, 0])
    volume = replace(volume, hu=volume.hu + np.random.default_rng(1).normal(0, 2, volume.hu.shape).astype(np.float32))
    found = read_septum(volume, FOSSA, left, right)
    assert found is not None
    assert found.left_hu == pytest.approx(400, abs=2)
    assert found.right_hu == pytest.approx(250, abs=2)
    # the blurred wall's darkest place, from the formula on a fine grid; trilinear sampling at 0.5 mm, and a disc of
    # 1 mm tilted by 21 degrees, lift it by some HU
    x = np.arange(-2, 2, 0.01)
    a, b = (0.5 * (1 + erf((x - e) / (np.sqrt(2) * 0.6))) for e in (-1.0, 1.0))
    darkest = float((250 + (100 - 250) * a + (400 - 100) * b).min())
    assert found.wall_hu == pytest.approx(darkest, abs=22 if turned else 5)
    assert found.contrast_left_hu == pytest.approx(found.left_hu - found.wall_hu)
    assert found.contrast_right_hu < found.contrast_left_hu
    assert found.contrast_to_noise == pytest.approx(found.contrast_right_hu / found.noise_hu)


def test_the_septum_at_the_edge_of_the_ct_is_not_read() -> None:
    volume = slab(400, 250)
    low = volume.hu[:, :, : SIZE // 2 + 5]
    assert read_septum(replace(volume, hu=low), FOSSA, LEFT, RIGHT) is None
    found = read_opacification(replace(volume, hu=low), marked())
    assert found.septum is None
    assert kinds(found) == {"out of the CT": "table"}


def test_a_good_scan_is_said_to_be_one() -> None:
    found = read_opacification(slab(400, 300), marked())
    assert kinds(found) == {"septum seen": "trust"}
    assert found.doubts() == ()
    left, right = (int(w) for w in re.findall(r"(\d+)(?: HU on the left| on the right)", found.sentences[0]))
    assert (left, right) == pytest.approx((400, 300), abs=2)


@pytest.mark.parametrize(
    ("scan", "kind", "bears", "words"),
    [
        # unmixed blood of 53 to 98 HU was seen beside a fossa; enhanced myocardium measures 79 to 104 HU (21 normal
        # hearts, 320-row CT)
        (dict(left=400, right=62), "right side dark", "table", "as dark as muscle (62 HU)"),
        (dict(left=170, right=400, wall=100, noise=5), "left atrium weak", "doubt", "170 HU only"),
        (dict(left=400, right=300, noise=45), "noise", "doubt", "45 HU (SD)"),
        (dict(left=400, right=300, step_mm=1.5), "coarse voxels", "doubt", "1.5 mm"),
        # plain blood: 35 to 50 HU, from memory
        (dict(left=45, right=45, wall=50), "no contrast", "table", "No contrast"),
        (dict(left=110, right=500), "no contrast", "table", "not reached the left atrium"),
        (dict(left=400, right=300, wall=280, noise=40), "septum hidden", "table", "does not stand out"),
        (dict(left=400, right=300, wall=220, noise=34), "septum faint", "doubt", "times the noise"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_scan_is_said(scan: dict[str, Any], kind: str, bears: str, words: str) -> None:
    found = read_opacification(slab(**scan), marked())
    assert kinds(found)[kind] == bears
    assert words in next(s.text for s in found.statements if s.kind == kind)
    assert "septum seen" not in kinds(found) or kind in ("left atrium weak", "noise", "coarse voxels")


def test_nothing_else_is_said_without_contrast() -> None:
    assert len(read_opacification(slab(45, 45, wall=50), marked(inferior_vena_cava=RIGHT)).statements) == 1


def test_a_streaked_right_atrium_is_said_with_its_range() -> None:
    # within the right atrium 63 HU is the spread under a protocol made to fill it evenly (Hinzpeter et al. 2017)
    assert opacification.EVEN_SPREAD_HU == 63
    even = read_opacification(slab(400, 400, streaks=50.0), marked())
    assert "right atrium streaked" not in kinds(even)
    found = read_opacification(slab(400, 400, streaks=150.0), marked())
    said = next(s.text for s in found.statements if s.kind == "right atrium streaked")
    low, high = (int(w) for w in said.split("(")[1].split(" HU")[0].split(" to "))
    assert low == pytest.approx(250, abs=25)
    assert high == pytest.approx(550, abs=25)
    assert "volume is an estimate" in said
    assert "misread" in said


def test_a_ball_that_touches_a_wall_is_no_streak() -> None:
    volume = slab(400, 400)
    near = marked(right_atrium=np.array([-7.0, 20, 0]))  # its ball of 8 mm takes in the wall, that of 5 mm does not
    assert "right atrium streaked" not in kinds(read_opacification(volume, near))


def test_the_aorta_and_the_cava_tell_the_phase() -> None:
    volume = slab(300, 400)
    hu = volume.hu.copy()
    k, j, i = np.indices(hu.shape)
    at = np.stack([i, j, k], axis=-1) + volume.lps_from_index[:3, 3]
    aorta, cava = np.array([24.0, -30, 0]), np.array([-24.0, 0, -30])
    hu[np.linalg.norm(at - aorta, axis=-1) < 11] -= 100
    hu[np.linalg.norm(at - cava, axis=-1) < 9] -= 330
    found = read_opacification(replace(volume, hu=hu), marked(aorta=aorta, inferior_vena_cava=cava))
    said = {s.kind: s.text for s in found.statements}
    assert [float(w) for w in re.findall(r"(\d+) HU", said["early phase"])] == pytest.approx([200, 300], abs=2)
    assert float(re.findall(r"contrast \((\d+) HU\)", said["cava plain"])[0]) == pytest.approx(70, abs=2)


def test_metal_beside_the_fossa_is_said() -> None:
    volume = slab(400, 300)
    hu = volume.hu.copy()
    hu[:, :, SIZE // 2 + 3 : SIZE // 2 + 12] = 1500
    found = read_opacification(replace(volume, hu=hu), marked(left_atrium=LEFT + [4, 0, 0]))
    assert kinds(found)["brighter than blood"] == "table"
    assert "septum seen" not in kinds(found)


def test_the_normal_phantom_reads_as_it_was_painted(quick_phantom: Any) -> None:
    from septal_phantoms.scans import HU, Scan

    volume = Volume(quick_phantom.hu, quick_phantom.lps_from_index)
    found = read_opacification(volume, Landmarks(quick_phantom.landmarks))
    for name in ("left_atrium", "right_atrium", "left_ventricle", "right_ventricle", "aorta"):
        # noise of 18 HU over some 2000 voxels, correlated over about 2 mm: a standard error near 1 HU; blood varies by
        # a few HU more
        assert found.blood[name].mean_hu == pytest.approx(HU[name], abs=5)
        assert found.blood[name].spread_hu == pytest.approx(Scan.noise_hu, rel=0.15)
        assert found.blood[name].noise_hu == pytest.approx(Scan.noise_hu, rel=0.1)
    assert found.septum is not None
    assert found.septum.left_hu == pytest.approx(HU["left_atrium"], abs=8)
    assert 100 < found.septum.wall_hu < 160  # muscle of 105 HU, thinner than two voxels, blurred
    assert kinds(found) == {"septum seen": "trust"}


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("streaked-right-atrium", {"septum seen", "right atrium streaked", "cava plain"}),
        ("unmixed-beside-fossa", {"right side dark", "right atrium streaked", "cava plain", "coarse voxels"}),
        ("no-contrast", {"no contrast"}),
        ("occluder", {"brighter than blood"}),
    ],
)
def test_hard_phantoms_are_told_apart(name: str, expected: set[str]) -> None:
    import septal_phantoms

    made = septal_phantoms.make(name, quick=True)
    found = read_opacification(Volume(made.hu, made.lps_from_index), Landmarks(made.landmarks))
    assert set(kinds(found)) == expected


@pytest.mark.skipif(not (REAL / "cardiac_cta_1p5mm.nii.gz").exists(), reason="the real CT is not here")
def test_a_real_scan_against_its_voxels_read_by_nibabel() -> None:
    import nibabel

    path = REAL / "cardiac_cta_1p5mm.nii.gz"
    marks = read_landmarks(REAL / "cardiac_cta_landmarks.json")
    found = read_opacification(read_volume(path), marks)
    image: Any = nibabel.load(path)  # type: ignore[attr-defined]
    hu = np.asarray(image.dataobj, dtype=np.float64)
    ras = np.stack(np.indices(hu.shape), axis=-1) @ image.affine[:3, :3].T + image.affine[:3, 3]
    lps = ras * [-1, -1, 1]
    for name in ("left_atrium", "right_atrium", "aorta"):
        inside = hu[np.linalg.norm(lps - marks.points_lps[name][0], axis=-1) <= 8.0]
        assert found.blood[name].mean_hu == pytest.approx(inside.mean(), abs=0.5)
        assert found.blood[name].spread_hu == pytest.approx(inside.std(), abs=0.5)
    # arterial phase: 300 to 500 HU in the left atrium, from memory; plain blood in the inferior cava, no contrast: 35
    # to 50 HU, from memory, some mixing
    assert 300 < found.blood["left_atrium"].mean_hu < 550
    assert found.blood["inferior_vena_cava"].mean_hu < 100
    assert {"right atrium streaked", "cava plain", "coarse voxels"} <= set(kinds(found))
