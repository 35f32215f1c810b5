"""Landmarks: the file format, and every way in which marked points cannot be true."""

from __future__ import annotations

import json
import os

import numpy as np
import pytest

from septal_planner.errors import InputRefused
from septal_planner.inputs.landmark_checks import check_landmarks
from septal_planner.inputs.landmarks import Landmarks, read_landmarks, write_landmarks
from septal_planner.inputs.volume import Volume

RING = [[10 + 15 * np.cos(a), 18 * np.sin(a), 640 + 3 * np.cos(2 * a)] for a in np.arange(12) * np.pi / 6]
TRICUSPID = [
    [-30.0 + 2 * np.sin(a), -20 + 18 * np.cos(a), 630 + 18 * np.sin(a)] for a in np.arange(8) * np.pi / 4
]

# An invented heart: the left atrium above its ring, the right one to the right over the inferior cava.
POINTS = {
    "left_atrium": [[10.0, 0.0, 665.0]],
    "right_atrium": [[-40.0, -10.0, 650.0]],
    "fossa": [[-15.0, 0.0, 655.0]],
    "mitral_annulus": RING,
    "inferior_vena_cava": [[-40.0, 5.0, 620.0], [-40.0, 5.0, 600.0]],
}

AFFINE = np.diag([1.0, 1.0, 1.0, 1.0])
AFFINE[:3, 3] = [-100, -100, 550]
CT = Volume(np.zeros((200, 200, 200), np.int16), AFFINE, frame_of_reference_uid="1.2.6")


def landmarks(**changed):
    points = {k: np.array(v, float) for k, v in (POINTS | changed).items() if v is not None}
    return Landmarks(points, "1.2.6", source="marks.json")


def refusal(call, *args):
    with pytest.raises(InputRefused) as caught:
        call(*args)
    sentence = str(caught.value)
    assert "\n" not in sentence
    assert sentence.endswith(".")
    return sentence


def says(sentence, *words):
    for word in words:
        assert str(word) in sentence, sentence


def written(tmp_path, **changed):
    document = {"coordinate_system": "LPS", "unit": "mm", "landmarks": POINTS} | changed
    path = tmp_path / "landmarks.json"
    path.write_text(json.dumps({k: v for k, v in document.items() if v is not None}))
    return path


def test_good_points_pass_unchanged():
    checked = check_landmarks(landmarks(tricuspid_annulus=TRICUSPID, left_ventricle=[[20, 0, 610]]), CT)
    assert checked.notes == ()
    assert np.array_equal(checked.points_lps["mitral_annulus"], RING)


def test_round_trip(tmp_path):
    write_landmarks(tmp_path / "a.json", landmarks())
    back = read_landmarks(tmp_path / "a.json")
    assert back.frame_of_reference_uid == "1.2.6"
    assert back.source == "a.json"
    assert all(np.array_equal(back.points_lps[k], np.array(v, float)) for k, v in POINTS.items())
    assert os.listdir(tmp_path) == ["a.json"]
    document = json.loads((tmp_path / "a.json").read_text())
    assert (document["coordinate_system"], document["unit"]) == ("LPS", "mm")


def test_nothing_half_written(tmp_path, monkeypatch):
    write_landmarks(tmp_path / "a.json", landmarks())
    before = (tmp_path / "a.json").read_bytes()

    def full(*_args):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(OSError, match="No space"):
        write_landmarks(tmp_path / "a.json", landmarks(fossa=[[1, 2, 3]]))
    assert (tmp_path / "a.json").read_bytes() == before
    assert os.listdir(tmp_path) == ["a.json"]


def test_a_single_point_may_stand_alone(tmp_path):
    path = written(tmp_path, landmarks=POINTS | {"fossa": [-15, 0, 655]})
    assert read_landmarks(path).points_lps["fossa"].tolist() == [[-15, 0, 655]]


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"coordinate_system": "RAS"}, ("'RAS'", "LPS", "sign of x and y")),
        ({"coordinate_system": None}, ("do not say their coordinate_system",)),
        ({"unit": "cm"}, ("'cm'", "mm")),
        ({"unit": None}, ("do not say their unit",)),
        ({"landmarks": None}, ('"landmarks"',)),
        ({"landmarks": [1]}, ('"landmarks"',)),
        ({"colour": "red"}, ("unknown key 'colour'",)),
        ({"frame_of_reference_uid": 12}, ("frame_of_reference_uid", "12")),
        (
            {"landmarks": {"left_atrum": [[1, 2, 3]]}},
            ("'left_atrum'", "did you mean 'left_atrium'", "coronary_sinus"),
        ),
        ({"landmarks": {"wing": [[1, 2, 3]]}}, ("'wing' is not a landmark", "known are left_atrium")),
        ({"landmarks": {"fossa": [[1, 2]]}}, ("fossa is not a list",)),
        ({"landmarks": {"fossa": "here"}}, ("fossa is not a list",)),
        ({"landmarks": {"fossa": [[1, 2, "3"]]}}, ("fossa is not a list",)),
        ({"landmarks": {"fossa": [[1, 2, True]]}}, ("fossa is not a list",)),
        ({"landmarks": {"fossa": []}}, ("fossa is not a list",)),
        ({"landmarks": {"fossa": [[1, 2, float("nan")]]}}, ("fossa", "not finite")),
        ({"landmarks": {"fossa": [[1, 2, 10**400]]}}, ("fossa",)),
        ({"landmarks": {"fossa": [[1, 2, 3], [4, 5, 6]]}}, ("fossa has 2 points, expected 1",)),
        ({"landmarks": {"inferior_vena_cava": [[1, 2, 3]]}}, ("inferior_vena_cava has 1 point, expected 2",)),
        ({"landmarks": {"mitral_annulus": RING[:5]}}, ("mitral_annulus has 5 points, expected 6 or more",)),
        (
            {"landmarks": {"tricuspid_annulus": RING[:3]}},
            ("tricuspid_annulus has 3 points, expected 6 or more",),
        ),
    ],
)
def test_file_refusals(tmp_path, changed, words):
    path = written(tmp_path, **changed)
    sentence = refusal(read_landmarks, path)
    says(sentence, path, *words)


def test_unreadable_files(tmp_path):
    says(refusal(read_landmarks, tmp_path / "none.json"), "none.json", "No such file")
    says(refusal(read_landmarks, tmp_path), "directory")
    (tmp_path / "bad.json").write_text('{"landmarks": ')
    says(refusal(read_landmarks, tmp_path / "bad.json"), "bad.json", "not valid JSON", "line 1")
    (tmp_path / "bad.json").write_bytes(b"\x93\xff\x00")
    says(refusal(read_landmarks, tmp_path / "bad.json"), "not valid JSON")
    (tmp_path / "bad.json").write_text("[]")
    says(refusal(read_landmarks, tmp_path / "bad.json"), '"landmarks"')


def test_landmarks_are_valid_when_built():
    for points, words in [
        ({"fossa": np.zeros((1, 2))}, "shape"),
        ({"fossa": np.full((1, 3), np.inf)}, "finite"),
        ({"mitral": np.zeros((6, 3))}, "did you mean 'mitral_annulus'"),
        ({"mitral_annulus": np.zeros((5, 3))}, "5 points"),
    ]:
        with pytest.raises(ValueError, match=words):
            Landmarks(points)


def test_all_that_is_missing_is_named_at_once():
    says(
        refusal(check_landmarks, landmarks(fossa=None, inferior_vena_cava=None), CT),
        "marks.json",
        "fossa and inferior_vena_cava are missing",
        "mark them",
    )
    says(refusal(check_landmarks, landmarks(fossa=None), CT), "fossa is missing", "mark it")


def test_another_frame_of_reference():
    other = Landmarks(landmarks().points_lps, "9.9", "marks.json")
    says(refusal(check_landmarks, other, CT), "9.9", "1.2.6", "frame of reference")
    check_landmarks(Landmarks(other.points_lps, None), CT)
    check_landmarks(other, Volume(CT.hu, CT.lps_from_index))


def test_outside_the_ct():
    says(
        refusal(check_landmarks, landmarks(fossa=[[-15, 0, 800.0]]), CT),
        "fossa at (-15.0, 0.0, 800.0)",
        "outside the CT",
        "z 550 to 750",
        "x -100 to 100",
        "RAS",
    )
    ring = np.add(RING, [95, 0, 0])
    says(
        refusal(check_landmarks, landmarks(mitral_annulus=ring), CT), "points of mitral_annulus, the first at"
    )


def test_a_tilted_volume_is_no_box():
    """Inside the bounding box of a turned volume, yet outside its voxels."""
    turned = np.eye(4)
    turned[:3, :3] = [[0.8, -0.6, 0], [0.6, 0.8, 0], [0, 0, 1]]
    turned[:3, 3] = [20, -160, 550]
    check_landmarks(landmarks(), Volume(CT.hu, turned))
    says(
        refusal(check_landmarks, landmarks(spine=[[-95, -155, 600.0]]), Volume(CT.hu, turned)),
        "spine at",
        "outside",
    )


def test_points_in_any_order_become_a_ring_and_that_is_said():
    rng = np.random.default_rng(1)
    for points, name in [(RING, "mitral_annulus"), (TRICUSPID, "tricuspid_annulus")]:
        shuffled = np.array(points)[rng.permutation(len(points))]
        checked = check_landmarks(landmarks(**{name: shuffled}), CT)
        assert any(name in note and "reordered" in note for note in checked.notes)
        ring = checked.points_lps[name]
        assert np.array_equal(ring[0], shuffled[0])
        n = len(points)
        around = [[np.allclose(p, q) for q in points].index(True) for p in ring]
        steps = set(np.diff(around, append=around[0]) % n)
        assert steps in ({1}, {n - 1})  # the same circle, one way round or the other


def test_order_is_kept_either_way_round():
    for points in (RING, RING[::-1], RING[5:] + RING[:5]):
        checked = check_landmarks(landmarks(mitral_annulus=points), CT)
        assert checked.notes == ()
        assert np.array_equal(checked.points_lps["mitral_annulus"], points)


def test_two_neighbours_exchanged_are_put_right():
    points = [*RING[:3], RING[4], RING[3], *RING[5:]]
    checked = check_landmarks(landmarks(mitral_annulus=points), CT)
    assert np.allclose(checked.points_lps["mitral_annulus"], RING)
    assert len(checked.notes) == 1


@pytest.mark.parametrize(
    "points",
    [
        [[float(x), 2.0 * x, 640.0] for x in range(8)],
        [[10.0 + 0.2 * k, 0.3 * (k % 3), 640.0 + 0.2 * (k % 2)] for k in range(8)],
        [[15.0 * np.cos(a), 0.5 * np.sin(a), 640.0] for a in np.arange(8) * np.pi / 4],
    ],
    ids=["line", "spot", "sliver"],
)
def test_no_ring_at_all(points):
    says(
        refusal(check_landmarks, landmarks(mitral_annulus=points), CT),
        "mitral_annulus",
        "line or on one spot",
        "8 points",
    )


def test_repeated_points():
    says(
        refusal(check_landmarks, landmarks(mitral_annulus=[*RING, RING[0]]), CT),
        "points 1 and 13 of mitral_annulus are the same",
        "do not repeat the first",
    )


def test_atria_exchanged():
    says(
        refusal(
            check_landmarks,
            landmarks(left_atrium=POINTS["right_atrium"], right_atrium=POINTS["left_atrium"]),
            CT,
        ),
        "left_atrium and right_atrium appear swapped",
        "mitral annulus",
        "inferior vena cava",
    )


def test_atrium_and_ventricle_on_one_side_of_the_valve():
    says(
        refusal(check_landmarks, landmarks(left_ventricle=[[10, 0, 660]]), CT),
        "left_ventricle",
        "same side",
        "mitral_annulus",
    )
    says(
        refusal(check_landmarks, landmarks(tricuspid_annulus=TRICUSPID, right_ventricle=[[-60, 0, 630]]), CT),
        "right_ventricle",
        "same side",
    )


def test_cava_from_below():
    checked = check_landmarks(landmarks(inferior_vena_cava=POINTS["inferior_vena_cava"][::-1]), CT)
    assert np.array_equal(checked.points_lps["inferior_vena_cava"], POINTS["inferior_vena_cava"])
    assert "exchanged" in checked.notes[0]


def test_cava_points_too_near():
    says(
        refusal(check_landmarks, landmarks(inferior_vena_cava=[[-40, 5, 620], [-30, 5, 617]]), CT),
        "inferior_vena_cava",
        "3.0 mm apart",
        "5 mm",
    )


def test_rings_exchanged():
    mitral = POINTS["mitral_annulus"]
    away = np.asarray(POINTS["right_atrium"][0]) - np.asarray(POINTS["left_atrium"][0])
    tricuspid = [list(np.asarray(p) + away) for p in mitral]
    says(
        refusal(check_landmarks, landmarks(mitral_annulus=tricuspid, tricuspid_annulus=mitral), CT),
        "mitral_annulus and tricuspid_annulus appear swapped",
        "exchange the rings",
    )


def test_half_a_ring():
    center = np.mean(POINTS["mitral_annulus"], axis=0)
    turn = np.linspace(0, 0.9 * np.pi, 8)
    half = [list(center + 18 * np.array([np.cos(t), np.sin(t), 0.0])) for t in turn]
    says(refusal(check_landmarks, landmarks(mitral_annulus=half), CT), "of the way round unmarked", "all around")


def test_one_cava_marked_twice():
    says(
        refusal(check_landmarks, landmarks(superior_vena_cava=POINTS["inferior_vena_cava"][:1]), CT),
        "superior_vena_cava lies 0 mm",
        "above and below the right atrium",
    )


AORTIC = [[-5.0 + 12 * np.cos(a), -35 + 12 * np.sin(a), 660.0] for a in (0.2, 2.0, 4.4)]


def test_an_aortic_annulus_and_an_old_ring_may_be_marked_by_three_points():
    given = landmarks(aortic_annulus=AORTIC, old_ring=RING[::4])
    checked = check_landmarks(given, CT)
    assert checked.notes == ()
    assert np.array_equal(checked.points_lps["aortic_annulus"], AORTIC)
    swapped = check_landmarks(landmarks(old_ring=[RING[0], RING[6], RING[3], RING[9]]), CT)
    assert np.allclose(swapped.points_lps["old_ring"], [RING[0], RING[9], RING[6], RING[3]])
    assert "old_ring were not in order" in swapped.notes[0]


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"aortic_annulus": [[0, -35, z] for z in (650.0, 655, 660)]}, ("3 points of aortic_annulus", "hinge line")),
        ({"old_ring": [[0, 5, z] for z in (630.0, 640, 650)]}, ("old_ring lie on a line", "all around the ring")),
        ({"old_ring": [RING[i] for i in (0, 1, 2, 3)]}, ("old_ring leave", "the rest of the ring")),
        ({"aortic_annulus": RING[::4]}, ("mitral_annulus and aortic_annulus", "0.0 mm apart")),
    ],
    ids=["aortic line", "ring line", "part of a ring", "mitral as aortic"],
)
def test_other_rings_that_cannot_be(changed, words):
    says(refusal(check_landmarks, landmarks(**changed), CT), *words)


def test_two_points_are_no_ring(tmp_path):
    path = written(tmp_path, landmarks={**POINTS, "old_ring": RING[:2]})
    says(refusal(read_landmarks, path), "old_ring has 2 points")


def test_a_leak_is_marked_from_the_atrium_through():
    ring = np.array(RING)
    mouth, through = ring[0] + [0, 0, 1.0], ring[0] + [2.0, 0, -9.0]  # the atrium lies above its ring
    for marked in ([mouth, through], [through, mouth]):
        checked = check_landmarks(landmarks(leak=marked), CT)
        np.testing.assert_array_equal(checked.points_lps["leak"], [mouth, through])
    says(checked.notes[0], "leak", "have been exchanged")
    three = check_landmarks(landmarks(leak=[through, mouth, through + 3]), CT)  # a slit: left as it is
    np.testing.assert_array_equal(three.points_lps["leak"][0], through)


def test_commissures_lie_on_the_ring_the_medial_one_at_the_right():
    ring, right = np.array(RING), np.array(POINTS["right_atrium"][0])
    order = np.argsort(np.linalg.norm(ring - right, axis=1))
    near, far = ring[order[0]], ring[order[-1]]
    check_landmarks(landmarks(commissure_medial=[near], commissure_lateral=[far]), CT)
    says(
        refusal(check_landmarks, landmarks(commissure_medial=[far], commissure_lateral=[near]), CT),
        "commissure_medial and commissure_lateral appear swapped",
    )
    says(refusal(check_landmarks, landmarks(commissure_lateral=[ring.mean(axis=0)]), CT), "commissure_lateral lies",
         "hinge line")
