"""Registration from points against known transforms, a reference library and the error it promises."""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from septal_planner.errors import InputRefused
from septal_planner.fluoroscopy.open_doubts import cautions_about
from septal_planner.fluoroscopy.pose import CameraPose
from septal_planner.fluoroscopy.registration import (
    at_isocenter_mm,
    by_trial,
    leave_one_out,
    located,
    principal_spreads_mm,
    register,
)
from septal_planner.fluoroscopy.reprojection import sightings_of
from septal_planner.fluoroscopy.target_error import lateral_and_depth_mm, rms_mm

# carina, two vertebral corners, lead tip, calcium, coronary sinus: invented places about a heart
POINTS = np.array(
    [[40, 30, 60], [-45, 20, 40], [10, -40, 20], [-20, 60, -30], [35, 50, -40], [-30, -20, -20]], dtype=float
)
NAMES = ["carina", "calcium", "lead tip", "vertebral corner", "coronary sinus", "ring"]
TARGET = np.array([-10.0, 20.0, 5.0])
TWO, ONE = (-30.0, 30.0), (20.0,)
SEEDS = 200


def camera(primary, secondary=10.0):
    return CameraPose(primary, secondary, 1100, 760, (0.2, 0.2), (1024, 1024))


@dataclass
class Case:
    """A patient who lies some degrees and centimetres from where the headers have him."""

    pairs: list
    cameras: list
    rotation: np.ndarray
    shift: np.ndarray
    wrong: int

    def iso(self, p):
        return np.asarray(p) @ self.rotation.T + self.shift

    def sightings(self, **more):
        return sightings_of(self.cameras, self.pairs, **more)


def case(seed, angles=TWO, *, frame_mm=0.5, ct_mm=0.5, outlier=None, points=POINTS, table=None):
    """Noise in mm at the isocentre and in the CT; an outlier of 15 to 40 mm in the last frame, or 20 in the CT."""
    g = np.random.default_rng(seed)
    rotation = Rotation.from_rotvec(np.deg2rad(g.normal(0, 4, 3))).as_matrix()
    made = Case([], [camera(a) for a in angles], rotation, g.normal(0, 20, 3), int(g.integers(len(points))))
    marked = points + g.normal(0, ct_mm, points.shape) if ct_mm else points.copy()
    if outlier == "in the CT":
        d = g.normal(size=3)
        marked[made.wrong] += 20 * d / np.linalg.norm(d)
    for f, c in enumerate(made.cameras):
        at = made.iso(points) + (table if table is not None and f else 0)
        seen = c.pixel(at) + g.normal(0, 1, (len(points), 2)) * frame_mm * c.magnification / 0.2
        if outlier == "in a frame" and f == len(made.cameras) - 1:
            t = g.uniform(0, 2 * np.pi)
            seen[made.wrong] += g.uniform(15, 40) * c.magnification / 0.2 * np.array([np.cos(t), np.sin(t)])
        made.pairs += [(n, marked[i], f, seen[i]) for i, n in enumerate(NAMES[: len(points)])]
    return made


def trials(angles, outlier=None, seeds=SEEDS):
    """Over the seeds: error (n, 3) at the target, its predicted covariance, and the registrations."""
    errors, promised, found = [], [], []
    for seed in range(seeds):
        c = case(seed, angles, outlier=outlier)
        r = register(c.sightings())
        errors.append(r.iso(TARGET) - c.iso(TARGET))
        promised.append(r.covariance_iso(TARGET))
        found.append((c, r))
    return np.array(errors), np.array(promised), found


def rms(errors):
    return float(np.sqrt((errors**2).sum(axis=-1).mean()))


@pytest.fixture(scope="module")
def two_views():
    return trials(TWO)


@pytest.fixture(scope="module")
def one_view():
    return trials(ONE)


def test_two_views_sixty_degrees_apart_hold_the_target_within_a_millimetre_and_a_half(two_views):
    assert rms(two_views[0]) <= 1.5


def test_promised_error_is_the_true_one_within_15_percent(two_views):
    errors, promised, _ = two_views
    assert np.sqrt((rms_mm(promised) ** 2).mean()) == pytest.approx(rms(errors), rel=0.15)


def test_error_by_trial_is_the_true_one_within_15_percent(two_views):
    errors, _, found = two_views
    by_trials = [by_trial(r, TARGET, trials=200, seed=n)[:, 0] for n, (_, r) in enumerate(found[::10])]
    assert rms(np.concatenate(by_trials)) == pytest.approx(rms(errors), rel=0.15)


def test_nothing_is_left_out_where_nothing_is_wrong(two_views):
    assert sum(not r.used.all() for _, r in two_views[2]) <= 1
    assert sum(r.excess > 1 for _, r in two_views[2]) <= 2


@pytest.mark.parametrize("outlier", ["in a frame", "in the CT"])
def test_one_gross_outlier_of_six_is_survived(outlier):
    errors, promised, found = trials(TWO, outlier, 60)
    assert rms(errors) <= 1.5
    assert np.linalg.norm(errors, axis=1).max() <= 3.0
    assert np.sqrt((rms_mm(promised) ** 2).mean()) == pytest.approx(rms(errors), rel=0.15)
    named = [set(r.sightings.point_of[~r.used]) == {c.wrong} for c, r in found]
    assert all(named)


def test_one_view_is_good_across_and_honest_about_depth(one_view):
    errors, promised, found = one_view
    across, in_depth, covered = [], [], 0
    for e, p, (c, r) in zip(errors, promised, found, strict=True):
        at = c.iso(TARGET)
        ray = (at - c.cameras[0].source_iso) / np.linalg.norm(at - c.cameras[0].source_iso)
        across.append(e - (e @ ray) * ray)
        in_depth.append(e @ ray)
        covered += abs(e @ ray) <= 1.96 * lateral_and_depth_mm(p, r.iso(TARGET), c.cameras[0])[1]
    assert rms(np.array(across)) <= 1.5
    # 95 % promised; of 200 trials, 184 or more but for one chance in thirty
    assert covered >= 184
    assert np.std(in_depth) > 2.0  # which is why it has to be said


def test_no_noise_gives_the_transform_back():
    c = case(5, frame_mm=0.0, ct_mm=0.0)
    r = register(c.sightings())
    np.testing.assert_allclose(r.iso(TARGET), c.iso(TARGET), atol=2e-3)
    np.testing.assert_allclose(r.ct(r.iso(TARGET)), TARGET, atol=1e-9)
    np.testing.assert_allclose(r.iso_from_ct[:3, :3] @ TARGET + r.iso_from_ct[:3, 3], r.iso(TARGET), atol=1e-9)


@pytest.mark.parametrize(
    ("turn_deg", "away_mm", "chord_mm"), [(8, 20, 2.7903), (8, 30, 4.1854), (2, 60, 2.0943)]
)
def test_a_rotation_error_grows_with_the_distance(turn_deg, away_mm, chord_mm):
    # chord of a circle, 2 r sin(t / 2). Sra et al., J Atr Fibrillation 2011, measured 2.94 mm at 20 mm for 8 degrees,
    # other errors included.
    r = register(case(5, frame_mm=0.0, ct_mm=0.0).sightings())
    axis, aside = Rotation.from_euler("xyz", [20, 35, 50], degrees=True).as_matrix()[:2]
    turn = Rotation.from_rotvec(np.deg2rad(turn_deg) * axis).as_matrix()
    at = r.placement
    turned = replace(r, placement=replace(at, rotation=turn @ at.rotation))
    point = r.ct(r.iso(at.middle_lps) + away_mm * aside)
    assert np.linalg.norm(turned.iso(point) - r.iso(point)) == pytest.approx(chord_mm, abs=6e-5)
    # and the promised error of a rotation known no better than that, to first order
    doubt = np.zeros_like(r.covariance)
    doubt[:3, :3] = np.deg2rad(turn_deg) ** 2 * np.outer(axis, axis)
    promised = np.sqrt(np.trace(replace(r, covariance=doubt).covariance_iso(point)))
    assert promised == pytest.approx(chord_mm, rel=1e-3)


@pytest.mark.parametrize("seed", range(5))
def test_agrees_with_a_reference_library(seed):
    """OpenCV's solvePnP (SQPNP, refined), one view without noise, to 0.1 mm at the target."""
    cv2 = pytest.importorskip("cv2")
    c = case(seed, ONE, frame_mm=0.0, ct_mm=0.0)
    k = c.cameras[0]
    f = k.source_detector_mm / k.spacing_mm[1]
    matrix = np.array([[f, 0, k.central_px[0]], [0, f, k.central_px[1]], [0, 0, 1.0]])
    # a frame is looked at from the detector's side, a camera sees from the source: mirrored left to right
    pixels = np.array([[2 * k.central_px[0] - p[0], p[1]] for *_, p in c.pairs])
    view = np.diag([-1.0, -1.0, 1.0]) @ k.axes
    good, turned, moved = cv2.solvePnP(POINTS, pixels, matrix, None, flags=cv2.SOLVEPNP_SQPNP)
    assert good
    turned, moved = cv2.solvePnPRefineLM(POINTS, pixels, matrix, None, turned, moved)
    theirs = cv2.Rodrigues(turned)[0] @ TARGET + moved.ravel()
    ours = view @ (register(c.sightings()).iso(TARGET) - k.source_iso)
    np.testing.assert_allclose(ours, theirs, atol=0.1)


@given(
    st.tuples(*[st.floats(-12, 12)] * 3), st.tuples(*[st.floats(-60, 60)] * 3), st.floats(-90, 90), st.floats(40, 90)
)
def test_any_placement_is_found_from_the_headers(turn_deg, shift, primary, apart):
    rotation = Rotation.from_euler("xyz", turn_deg, degrees=True).as_matrix()
    cameras = [camera(primary), camera(primary + apart if primary < 0 else primary - apart, -15.0)]
    at = POINTS @ rotation.T + np.array(shift)
    pairs = [(n, POINTS[i], f, c.pixel(at[i])) for f, c in enumerate(cameras) for i, n in enumerate(NAMES)]
    r = register(sightings_of(cameras, pairs))
    np.testing.assert_allclose(r.iso(TARGET), rotation @ TARGET + shift, atol=0.02)


def test_a_table_that_moved_is_found():
    table = np.array([0.0, -15.0, 40.0])
    c = case(9, table=table, ct_mm=0.0, frame_mm=0.05)
    r = register(c.sightings(table_moved=(False, True)))
    np.testing.assert_allclose(r.placement.table_mm[0, 1], table, atol=2.0)
    assert np.linalg.norm(r.iso(TARGET) - c.iso(TARGET)) < 2.0
    # and taken for still it would not fit
    with pytest.raises(InputRefused):
        register(c.sightings())


def test_leaving_one_out_tells_more_than_its_residual():
    worse = [
        at_isocenter_mm(r.sightings, leave_one_out(r)).mean() > r.residual_mm().mean()
        for r in (register(case(n).sightings()) for n in range(20))
    ]
    assert all(worse)


def test_picks_worse_than_said_enlarge_the_error():
    worse = [register(case(n, frame_mm=1.5, ct_mm=1.5).sightings()) for n in range(8)]
    larger = [r for r in worse if r.excess > 1]
    assert len(larger) >= 6
    for r in larger:
        plain = r.covariance / r.excess
        assert np.sqrt(r.covariance[0, 0] / plain[0, 0]) == pytest.approx(np.sqrt(r.excess))
        assert any("enlarged" in s for s in cautions_about(r, TARGET))


def test_tip_seen_in_two_frames_is_located():
    errors, promised = [], []
    for n in range(60):
        c = case(n)
        r = register(c.sightings())
        tip = TARGET + [3.0, -2.0, 4.0]
        g = np.random.default_rng(1000 + n)
        seen = {
            f: k.pixel(c.iso(tip)) + g.normal(0, 0.5 * k.magnification / 0.2, 2) for f, k in enumerate(c.cameras)
        }
        place, covariance = located(r, seen)
        errors.append(place - tip)
        promised.append(np.trace(covariance))
    assert rms(np.array(errors)) <= 1.5
    assert np.sqrt(np.mean(promised)) == pytest.approx(rms(np.array(errors)), rel=0.2)


def test_one_frame_locates_nothing():
    r = register(case(1).sightings())
    with pytest.raises(ValueError, match="two frames"):
        located(r, {0: (500.0, 500.0)})


# ------------------------------------------------------------------------------------ what is refused or warned of


def refused(c, **more):
    with pytest.raises(InputRefused) as problem:
        register(c.sightings(**more))
    said = str(problem.value)
    assert said.endswith(".")
    return said


def test_points_in_a_line():
    line = np.outer(np.linspace(-50, 50, 6), [0.6, 0.0, 0.8])
    assert "in a line" in refused(case(1, points=line))


@pytest.mark.parametrize(("angles", "count", "least"), [(ONE, 3, 4), (TWO, 2, 3)])
def test_too_few(angles, count, least):
    said = refused(case(1, angles, points=POINTS[:count]))
    assert f"At least {least}" in said
    assert f"found {count}" in said


def test_exchanged_in_one_frame():
    c = case(3)
    a, b = 6 + 1, 6 + 4
    c.pairs[a], c.pairs[b] = (*c.pairs[a][:3], c.pairs[b][3]), (*c.pairs[b][:3], c.pairs[a][3])
    said = refused(c)
    assert "'calcium' and 'coronary sinus' seem to be exchanged in frame 2" in said


def test_exchanged_in_the_ct():
    c = case(4)
    named = {n: p for n, p, *_ in c.pairs}
    named["carina"], named["ring"] = named["ring"], named["carina"]
    c.pairs = [(n, named[n], f, p) for n, _, f, p in c.pairs]
    assert "'carina' and 'ring' seem to be exchanged in the CT" in refused(c)


def test_mirrored():
    c = case(6)
    c.pairs = [(n, p, f, np.array([1023 - xy[0], xy[1]])) for n, p, f, xy in c.pairs]
    assert "mirrored" in refused(c)


def test_nonsense():
    c = case(7)
    g = np.random.default_rng(0)
    c.pairs = [(n, p, f, g.uniform(100, 900, 2)) for n, p, f, _ in c.pairs]
    assert "do not fit together" in refused(c)


def test_one_name_for_two_points():
    c = case(8)
    c.pairs[1] = ("carina", *c.pairs[1][1:])
    with pytest.raises(ValueError, match="two points"):
        c.sightings()


def said_of(c):
    return " ".join(cautions_about(register(c.sightings()), TARGET))


def test_warnings():
    assert said_of(case(2)) == ""
    assert "One frame alone" in said_of(case(2, ONE))
    assert "Only 5 points" in said_of(case(2, points=POINTS[:5]))
    assert "clustered" in said_of(case(2, points=POINTS / 5))
    assert "only 10 degrees apart" in said_of(case(2, (0.0, 10.2)))
    assert "left out" in said_of(case(2, outlier="in a frame"))
    far = register(case(2, points=POINTS + [150, 0, 0]).sightings())
    assert any("from the middle of the points" in s for s in cautions_about(far, TARGET))


def test_elongated_set_is_warned_of_and_its_error_grows_to_the_side():
    """An elongated set leaves the error to its side large: d^2 / f^2 in equation 46 of doi 10.1109/42.736021."""
    turn = Rotation.from_euler("xyz", [20, 35, 50], degrees=True)
    long = turn.apply(np.array([[0, 0, 60], [0, 0, -60], [10, 0, 20], [-10, 5, -20], [0, -8, 0]], dtype=float))
    c = case(2, points=long)
    assert "elongated" in said_of(c)
    r = register(c.sightings())
    middle, side = turn.apply([[0, 0, 0], [60.0, 0, 0]])
    assert rms_mm(r.covariance_iso(side)) > 3 * rms_mm(r.covariance_iso(middle))
    assert rms(by_trial(r, side, trials=800)[:, 0]) == pytest.approx(float(rms_mm(r.covariance_iso(side))), rel=0.1)


def test_spreads_are_those_of_the_set():
    s = principal_spreads_mm([[3, 0, 0], [-3, 0, 0], [0, 1, 0], [0, -1, 0]])
    np.testing.assert_allclose(s, [np.sqrt(4.5), np.sqrt(0.5), 0], atol=1e-12)
