"""The limits of a room, and views chosen within them."""

import tomllib
from pathlib import Path

import numpy as np
import pytest

from septal_planner.errors import InputRefused
from septal_planner.fluoroscopy import carm, limits, views
from septal_planner.fluoroscopy.recommendation import CROSSING, DEPLOYMENT, STEERING, TASKS, Plane, recommend

VIEWS = tomllib.loads(
    (Path(__file__).parents[1] / "reference" / "published_views" / "views.toml").read_text("utf-8")
)
ROOM = limits.load_room()
# normals of published mean views (see views.toml)
MITRAL = np.cross(
    carm.vectors_from_angles(*VIEWS["mitral_edge_on"]["septal_lateral"]),
    carm.vectors_from_angles(*VIEWS["mitral_edge_on"]["trigone_to_trigone"]),
)
SEPTUM = carm.vectors_from_angles(*VIEWS["right_heart"]["septum_en_face"])
TRICUSPID = carm.vectors_from_angles(*VIEWS["right_heart"]["tricuspid_en_face"])
PATH = np.array([[0, 0, 0], [8, -6, 12], [20, -20, 15], [30, -35, 5], [33, -42, -10.0]])


def published(*, sd=True):
    def plane(name, n, width):
        return Plane(name, n, width, views.tilt_covariance(n, 2.0) if sd else None)

    return [
        plane("fossa", SEPTUM, 15.0),
        plane("mitral annulus", MITRAL, 36.0),
        plane("tricuspid annulus", TRICUSPID, 40.0),
    ]


def test_reach_of_the_mean_annuli_within_the_usual_limits():
    # with |CRA/CAU| <= 40: the mean mitral curve between RAO 61 and 17, the tricuspid one between RAO 49 and 23
    # (derived from the published views by arithmetic)
    for n, low, high in ((MITRAL, -61, -17), (TRICUSPID, -49, -23)):
        curve = views.edge_on_curve(n, samples=4001)
        inside = curve[np.abs(curve[:, 1]) <= 40]
        assert inside[:, 0].min() == pytest.approx(low, abs=0.6)
        assert inside[:, 0].max() == pytest.approx(high, abs=0.6)


def test_every_candidate_keeps_what_its_name_says():
    found = recommend(published(), ROOM, path_lps=PATH)
    assert len(found.candidates) >= 7
    for c in found.candidates:
        d = carm.vectors_from_angles(*c.angles_deg)
        for name, n in (("fossa", SEPTUM), ("mitral annulus", MITRAL), ("tricuspid annulus", TRICUSPID)):
            off = abs(90 - np.degrees(np.arccos(np.clip(abs(d @ n) / np.linalg.norm(n), 0, 1))))
            assert c.off_plane_deg[name] == pytest.approx(off, abs=1e-6)
            if name in c.name and c.name.endswith("edge-on"):
                assert off < 1e-6
            if c.name == f"{name} en face":
                assert off == pytest.approx(90, abs=1e-5)
        assert c.view.reachable == (limits.why_not(ROOM, *c.angles_deg) is None)
        if not c.name.startswith("path"):
            assert c.sd_deg is not None
    reach = [c.view.reachable for c in found.candidates]
    assert reach == sorted(reach, reverse=True)


def test_gape_and_foreshortening_are_told_with_every_view():
    found = recommend(published(), ROOM, path_lps=PATH)
    edge = next(c for c in found.candidates if c.name == "mitral annulus edge-on")
    assert edge.gape_mm["mitral annulus"] == pytest.approx((3.138, 6.251), abs=5e-4)  # 36 sin 5, 36 sin 10
    assert edge.path_share_off[1] <= edge.path_share_off[0] <= edge.path_share


def test_the_choice_serves_every_task_at_the_least_price():
    found = recommend(published(), ROOM, path_lps=PATH)
    best = found.choices[0]
    assert set(best.task_by) == set(TASKS)
    assert [c.price_deg for c in found.choices] == sorted(c.price_deg for c in found.choices)
    names = {c.name: c for c in best.candidates}
    # the price written out once more
    price = ROOM.another_view_deg * (len(names) - 1) + sum(names[n].off_task_deg[t] for t, n in best.task_by.items())
    price += ROOM.in_the_way_deg * sum(bool(c.against) for c in best.candidates)
    beams = [carm.vectors_from_angles(*c.angles_deg) for c in best.candidates]
    price += ROOM.turning_per_deg * sum(
        np.degrees(np.arccos(abs(a @ b))) for a, b in zip(beams, beams[1:], strict=False)  # noqa: RUF007
    )
    assert best.price_deg == pytest.approx(price, abs=1e-9)
    assert all(c.view.reachable for c in best.candidates)


def test_one_view_is_chosen_where_one_serves_all():
    # septum and annulus edge-on at once, straight ahead, and a path across the beam
    planes = [Plane("fossa", np.array([1.0, 0, 0])), Plane("mitral annulus", np.array([0, 0, 1.0]))]
    path = np.array([[0, 0, 0], [20, 0, 10], [40, 0, -5.0]])
    best = recommend(planes, ROOM, path_lps=path).choices[0]
    assert [c.view.label for c in best.candidates] == ["AP"]
    assert set(best.candidates[0].serves) == {CROSSING, STEERING, DEPLOYMENT}


def test_a_spine_behind_the_target_speaks_against_a_view():
    planes = [Plane("fossa", np.array([1.0, 0, 0])), Plane("mitral annulus", np.array([0, 0, 1.0]))]
    target = np.array([0.0, 0, 0])

    def straight(spine):
        found = recommend(planes, ROOM, target_lps=target, spine_lps=spine)
        return next(c for c in found.candidates if c.view.label == "AP").against

    # the same vertebra 80 mm behind the heart, and 40 mm above: the spine goes on along the body
    assert "the spine lies over the target" in straight([0, 80, 0])
    assert "the spine lies over the target" in straight([5, 80, 40])
    assert straight([60, 80, 0]) == ()
    assert any("spine" in n for n in recommend(planes, ROOM).notes)


def test_biplane_pair_stands_nearly_at_right_angles():
    one, other, between = recommend(published(), ROOM, path_lps=PATH).biplane
    d, e = (carm.vectors_from_angles(*c.angles_deg) for c in (one, other))
    assert between == pytest.approx(np.degrees(np.arccos(abs(d @ e))), abs=1e-6)
    assert between > 75
    assert ROOM.arm.holds(*one.angles_deg)
    assert ROOM.lateral_arm.holds(*other.angles_deg)


def test_nothing_reachable_gives_no_choice_and_missing_doubt_is_not_made_up():
    narrow = limits.Room(
        limits.Zone((80, 81), (0, 1)), ROOM.lateral_arm, (), (), 20.0, ROOM.another_view_deg, 10.0, 0.05
    )
    found = recommend(published(sd=False), narrow, path_lps=PATH)
    assert all(c.sd_deg is None for c in found.candidates)
    reached = [c for c in found.candidates if c.view.reachable]
    assert all(abs(c.view.primary_deg - 80.5) < 0.5 + 1e-6 for c in reached)


def test_limits_come_from_a_file_that_can_be_edited(tmp_path):
    own = Path(limits.__file__).with_name("carm_limits.toml").read_text("utf-8")
    edited = tmp_path / "room.toml"
    edited.write_text(own.replace("primary_deg = [-60, 60]", "primary_deg = [-45, 50]", 1), "utf-8")
    room = limits.load_room(edited)
    assert limits.why_not(room, -50, 0) == "beyond the C-arm's limits"
    assert limits.why_not(room, 50, 0) is None
    assert "shoulder" in limits.why_not(ROOM, 55, 35)
    assert limits.why_not(ROOM, 90, 0, lateral=True) is None
    assert limits.why_not(ROOM, 0, 0, lateral=True) is not None
    for wrong, said in (
        (own.replace("[-60, 60]", "[60, -60]", 1), "low to high"),
        (own.replace("[-60, 60]", "60", 1), r"\[low, high\]"),
        (own.replace("half_width_mm", "width"), "half_width_mm"),
        (own.replace("half_width_mm = 22", "half_width_mm = -1"), "not below"),
        ("nonsense", "not valid"),
    ):
        edited.write_text(wrong, "utf-8")
        with pytest.raises(InputRefused, match=said):
            limits.load_room(edited)
    with pytest.raises(InputRefused, match="cannot be read"):
        limits.load_room(tmp_path / "none.toml")
