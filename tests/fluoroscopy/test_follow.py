"""Following a mark through a simulated run whose true path is known."""

import numpy as np
import pytest

from septal_planner.fluoroscopy.follow import follow

SIZE = 160


def path(n):
    """A heart's rounds, in pixels."""
    return np.array([80 + 14 * np.sin(0.5 * n), 70 + 9 * np.cos(0.5 * n)])


def frame(n, *, seen=True, seed=0):
    x, y = np.meshgrid(np.arange(SIZE), np.arange(SIZE))
    grey = 120 + 30 * np.sin(x / 35) + 20 * np.cos(y / 28)  # ribs and spine stand still
    if seen:
        c, r = path(n)
        grey = grey - 70 / (1 + np.exp(np.clip(2 * (np.hypot(x - c, y - r) - 4), -50, 50)))
        grey = grey - 40 * np.exp(-(((x - c - 7) / 2) ** 2 + ((y - r - 6) / 5) ** 2))
    grey = grey + np.random.default_rng(1000 * seed + n).normal(0, 4, grey.shape)
    return np.clip(grey, 0, 255).astype(np.uint8)


def run(seen=lambda n: True, marked=(8,), count=24):
    return follow(
        lambda n: frame(n, seen=seen(n)), count, {n: path(n) for n in marked}, patch_px=12, search_px=20
    )


def test_the_path_is_followed_both_ways_to_a_fraction_of_a_pixel():
    found = run()
    assert sorted(found) == list(range(1, 25))
    off = [np.linalg.norm(np.array(f.place_px) - path(n)) for n, f in found.items()]
    assert max(off) < 1.0
    assert np.sqrt(np.mean(np.square(off))) < 0.5


def test_marks_of_a_person_stand():
    found = run(marked=(3, 12))
    assert found[12].place_px == pytest.approx(tuple(path(12)))
    assert found[3].likeness == 1.0


def test_what_is_gone_is_lost_and_found_again():
    found = run(seen=lambda n: n not in (15, 16))
    assert found[15].place_px is None
    assert found[16].place_px is None
    assert found[17].place_px is not None
    assert np.linalg.norm(np.array(found[17].place_px) - path(17)) < 1.0


def test_16_bits_and_an_offset_in_brightness_change_nothing():
    found = follow(
        lambda n: (frame(n).astype(np.uint16) * 12 + 100 * (n % 3)), 12, {1: path(1)}, patch_px=12, search_px=20
    )
    assert max(np.linalg.norm(np.array(f.place_px) - path(n)) for n, f in found.items()) < 1.0


def test_blank_frames_are_lost():
    found = follow(
        lambda n: frame(n) if n == 1 else np.zeros((SIZE, SIZE), np.uint8), 3, {1: path(1)}, patch_px=12, search_px=20
    )
    assert found[2].place_px is None


def test_marks_that_are_not_there():
    with pytest.raises(ValueError, match="nothing was marked"):
        run(marked=())
    with pytest.raises(ValueError, match="outside"):
        follow(frame, 3, {1: (500.0, 20.0)}, patch_px=12, search_px=20)
