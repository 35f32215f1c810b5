"""Whether marked points can be true: complete, in this CT, each ring a ring in order, left and right not
exchanged.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from septal_planner.errors import InputRefused
from septal_planner.geometry.frames import apply_affine
from septal_planner.geometry.planes import fit_plane, plane_axes, signed_distance
from septal_planner.inputs.landmarks import REQUIRED, Landmarks
from septal_planner.inputs.volume import Volume

Array = NDArray[np.float64]

REPEATED_MM = 0.1  # two marks nearer than this are one mark made twice
RING_WIDTH_MM = 2.0  # root-mean-square spread across the ring; a small mitral annulus has some 9 mm
RING_RATIO = 0.15  # of the spread across to the spread along
CAVA_DROP_MM = 5.0  # between the two points on the cava's axis
RINGS_APART_MM = 10.0  # between the centres of the two valves; common practice, no source
RINGS = ("mitral_annulus", "tricuspid_annulus", "aortic_annulus", "old_ring")
RING_GAP = 0.36  # largest part of a ring's way round that may lie between two neighbours; six even marks leave 0.17
CAVAE_APART_MM = 20.0  # between the cavae's points: the right atrium lies between them; common practice, no source
FEW_POINTS_GAP = 0.45  # the same for less than six points, where three even ones leave 0.33
COMMISSURE_OFF_MM = 10.0  # from the marked hinge line; common practice, no source
PLANE_MARGIN_MM = 3.0  # how far off its valve's plane a point must be before its side counts


def check_landmarks(landmarks: Landmarks, volume: Volume) -> Landmarks:
    """The landmarks, with ring and cava points put in order where they were not (said in `notes`).

    Raises InputRefused for a required landmark that is missing, another frame of reference than the CT's,
    points outside the CT, repeated points, a ring whose points lie on a line or a spot, a cava whose
    direction cannot be told, and chambers marked on the wrong side.
    """
    points = {name: np.array(p, dtype=np.float64) for name, p in landmarks.points_lps.items()}
    file = f"the landmarks {landmarks.source}" if landmarks.source else "the landmarks"
    missing = [name for name in REQUIRED if name not in points]
    if missing:
        raise InputRefused(
            f"In {file} {_and(missing)} {'is' if len(missing) == 1 else 'are'} missing; mark {_them(missing)}"
            " in the CT."
        )
    of_points, of_ct = landmarks.frame_of_reference_uid, volume.frame_of_reference_uid
    if of_points and of_ct and of_points != of_ct:
        raise InputRefused(
            f"In {file} the points belong to the frame of reference {of_points}, but the CT has {of_ct}; mark"
            " the points on this CT, or choose the CT they were marked on."
        )
    for name, p in points.items():
        _check_inside(name, p, volume, file)
    notes = list(landmarks.notes)
    for name in RINGS:
        if name in points:
            points[name], note = _ring(name, points[name], file)
            notes += note
    _check_rings_apart(points, file)
    points["inferior_vena_cava"], note = _cava(points["inferior_vena_cava"], file)
    notes += note
    _check_cavae_apart(points, file)
    _check_sides(points, file)
    _check_commissures(points, file)
    if len(points.get("leak", ())) == 2:
        points["leak"], note = _through(points["leak"], points)
        notes += note
    return replace(landmarks, points_lps=points, notes=tuple(notes))


def check_landmark(name: str, points_lps: NDArray[np.float64], volume: Volume) -> tuple[Array, list[str]]:
    """What can be checked of one landmark (n, 3) without the others: its points, put in order where they were not, and
    notes saying so. Raises InputRefused as `check_landmarks` does."""
    points, file = np.array(points_lps, dtype=np.float64), "the landmarks"
    _check_inside(name, points, volume, file)
    if name in RINGS:
        return _ring(name, points, file)
    return _cava(points, file) if name == "inferior_vena_cava" else (points, [])


def _check_inside(name: str, points: Array, volume: Volume, file: str) -> None:
    top = np.array(volume.size_ijk, dtype=np.float64) - 0.5
    index = apply_affine(np.linalg.inv(volume.lps_from_index), points)
    outside = np.any((index < -0.5) | (index > top), axis=1)
    if not outside.any():
        return
    ends = np.array(list(product(*[(-0.5, t) for t in top])))
    low, high = (f(apply_affine(volume.lps_from_index, ends), axis=0) for f in (np.min, np.max))
    extent = ", ".join(f"{axis} {a:.0f} to {b:.0f}" for axis, a, b in zip("xyz", low, high, strict=True))
    n = int(outside.sum())
    which = (
        f"{name} at {_at(points[outside][0])}"
        if n == 1
        else f"{n} points of {name}, the first at {_at(points[outside][0])},"
    )
    raise InputRefused(
        f"In {file} {which} lie{'s' * (n == 1)} outside the CT, which reaches over {extent} mm (LPS); mark it"
        " on this CT, and check that the points are LPS and not RAS."
    )


def _ring(name: str, points: Array, file: str) -> tuple[Array, list[str]]:
    """Ring points in order around their centroid in the best-fit plane, in the direction and from the point
    they began.
    """
    apart = np.linalg.norm(points[:, None] - points[None], axis=-1)
    i, j = np.nonzero(np.triu(apart < REPEATED_MM, k=1))
    if len(i):
        raise InputRefused(
            f"In {file} points {i[0] + 1} and {j[0] + 1} of {name} are the same, at {_at(points[i[0]])}; mark"
            " each point once, and do not repeat the first at the end."
        )
    try:
        center, normal, spread = fit_plane(points)
        flat = spread[1] < max(RING_WIDTH_MM, RING_RATIO * spread[0])
    except ValueError:
        flat = True
    if flat:
        raise InputRefused(
            f"In {file} the {len(points)} points of {name} lie on a line or on one spot, expected a ring"
            f" around the valve; mark them again all around {_line_of(name)}."
        )
    points, notes = _in_order(name, points, center, normal)
    way = np.linalg.norm(np.diff(points, axis=0, append=points[:1]), axis=1)
    if way.max() > (RING_GAP if len(points) >= 6 else FEW_POINTS_GAP) * way.sum():
        raise InputRefused(
            f"In {file} the points of {name} leave {100 * way.max() / way.sum():.0f} % of the way round unmarked,"
            f" expected points all around; mark the rest of {_line_of(name)}."
        )
    return points, notes


def _in_order(name: str, points: Array, center: Array, normal: Array) -> tuple[Array, list[str]]:
    u, v = plane_axes(normal)
    angle = np.arctan2((points - center) @ v, (points - center) @ u)
    steps = np.diff(angle, append=angle[:1])
    steps = (steps + np.pi) % (2 * np.pi) - np.pi
    # Once around with no step back: all steps of one sign, and one turn in all.
    if (np.all(steps > 0) or np.all(steps < 0)) and abs(abs(steps.sum()) - 2 * np.pi) < 1e-6:
        return points, []
    turn = 1.0 if (steps > 0).sum() * 2 >= len(steps) else -1.0
    order = np.argsort((turn * (angle - angle[0])) % (2 * np.pi), kind="stable")
    return points[order], [f"The points of {name} were not in order around the ring and have been reordered."]


def _check_rings_apart(points: dict[str, Array], file: str) -> None:
    """One valve marked twice. An old ring lies on one of them, so that it is let be."""
    valves = [name for name in ("mitral_annulus", "tricuspid_annulus", "aortic_annulus") if name in points]
    for one, other in combinations(valves, 2):
        apart = float(np.linalg.norm(points[one].mean(axis=0) - points[other].mean(axis=0)))
        if apart < RINGS_APART_MM:
            raise InputRefused(
                f"In {file} the centers of {one} and {other} are {apart:.1f} mm apart, expected"
                f" {RINGS_APART_MM:g} mm or more; mark each ring on its own valve."
            )


def _check_rings_swapped(points: dict[str, Array], file: str) -> None:
    """The two rings exchanged (the atria are known to be in their places)."""
    if "tricuspid_annulus" not in points:
        return
    mitral, tricuspid = points["mitral_annulus"].mean(axis=0), points["tricuspid_annulus"].mean(axis=0)
    la, ra = points["left_atrium"][0], points["right_atrium"][0]
    as_named = np.linalg.norm(la - mitral) + np.linalg.norm(ra - tricuspid)
    exchanged = np.linalg.norm(la - tricuspid) + np.linalg.norm(ra - mitral)
    if exchanged < as_named:
        raise InputRefused(
            f"In {file} mitral_annulus and tricuspid_annulus appear swapped: together the atria's points lie"
            f" {as_named:.0f} mm from their own rings and {exchanged:.0f} mm from each other's; exchange the rings,"
            " or mark them again."
        )


def _cava(points: Array, file: str) -> tuple[Array, list[str]]:
    drop = points[0, 2] - points[1, 2]
    if drop >= CAVA_DROP_MM:
        return points, []
    if drop <= -CAVA_DROP_MM:
        return points[::-1].copy(), [
            "The two points of inferior_vena_cava were marked from below upward and have been exchanged."
        ]
    raise InputRefused(
        f"In {file} the two points of inferior_vena_cava are {abs(drop):.1f} mm apart in height, expected"
        f" {CAVA_DROP_MM:g} mm or more; mark the first near the atrium and the second lower on the vein's"
        " axis."
    )


def _check_cavae_apart(points: dict[str, Array], file: str) -> None:
    """The right atrium lies between the cavae."""
    if "superior_vena_cava" not in points:
        return
    apart = float(np.linalg.norm(points["superior_vena_cava"][0] - points["inferior_vena_cava"][0]))
    if apart < CAVAE_APART_MM:
        raise InputRefused(
            f"In {file} superior_vena_cava lies {apart:.0f} mm from the upper point of inferior_vena_cava, expected"
            f" {CAVAE_APART_MM:g} mm or more; mark each vein in its own place, above and below the right atrium."
        )


def _check_sides(points: dict[str, Array], file: str) -> None:
    """Atria exchanged, or an atrium and its ventricle on one side of their valve.

    The left atrium ends at the mitral annulus and the inferior cava ends in the right atrium (anatomy, no
    source needed); each alone may fail on a turned heart, so both must fail.
    """
    la, ra = points["left_atrium"][0], points["right_atrium"][0]
    mitral, junction = points["mitral_annulus"].mean(axis=0), points["inferior_vena_cava"][0]
    to_mitral = [float(np.linalg.norm(p - mitral)) for p in (la, ra)]
    to_cava = [float(np.linalg.norm(p - junction)) for p in (la, ra)]
    if to_mitral[1] < to_mitral[0] and to_cava[0] < to_cava[1]:
        raise InputRefused(
            f"In {file} left_atrium and right_atrium appear swapped: the point called left_atrium lies"
            f" {to_mitral[0]:.0f} mm from the mitral annulus and {to_cava[0]:.0f} mm from the inferior vena"
            f" cava, the one called right_atrium {to_mitral[1]:.0f} and {to_cava[1]:.0f} mm; exchange them,"
            " or mark them again."
        )
    _check_rings_swapped(points, file)
    for valve, atrium, ventricle in (
        ("mitral_annulus", "left_atrium", "left_ventricle"),
        ("tricuspid_annulus", "right_atrium", "right_ventricle"),
    ):
        if valve not in points or ventricle not in points:
            continue
        center, normal, _ = fit_plane(points[valve])
        a, b = (float(signed_distance(points[name][0], center, normal)) for name in (atrium, ventricle))
        if a * b > 0 and min(abs(a), abs(b)) > PLANE_MARGIN_MM:
            raise InputRefused(
                f"In {file} {atrium} and {ventricle} lie on the same side of the {valve} plane ({abs(a):.0f}"
                f" and {abs(b):.0f} mm off it), expected one on each side; check which chamber each point"
                " is in."
            )


def _line_of(name: str) -> str:
    return "the ring" if name == "old_ring" else "the hinge line"


def _check_commissures(points: dict[str, Array], file: str) -> None:
    """Both on the mitral ring, the medial one nearer to the right heart."""
    ring = points["mitral_annulus"]
    after = np.roll(ring, -1, axis=0) - ring
    for name in ("commissure_medial", "commissure_lateral"):
        if name not in points:
            continue
        share = np.clip(((points[name] - ring) * after).sum(axis=1) / (after**2).sum(axis=1), 0.0, 1.0)
        off = float(np.linalg.norm(points[name] - ring - share[:, None] * after, axis=1).min())
        if off > COMMISSURE_OFF_MM:
            raise InputRefused(
                f"In {file} {name} lies {off:.0f} mm from the hinge line of mitral_annulus, expected"
                f" {COMMISSURE_OFF_MM:g} mm or less; mark it where the two leaflets meet at the ring."
            )
    if "commissure_medial" in points and "commissure_lateral" in points:
        to_right = [
            float(np.linalg.norm(points[name][0] - points["right_atrium"][0]))
            for name in ("commissure_medial", "commissure_lateral")
        ]
        if to_right[1] < to_right[0]:
            raise InputRefused(
                f"In {file} commissure_medial and commissure_lateral appear swapped: the one called medial lies"
                f" {to_right[0]:.0f} mm from the right atrium's point, the one called lateral {to_right[1]:.0f} mm;"
                " exchange them, or mark them again."
            )


def _through(leak: Array, points: dict[str, Array]) -> tuple[Array, list[str]]:
    """The leak's mouth in the atrium first, told by the mitral plane where the two lie clearly apart along it."""
    center, normal, _ = fit_plane(points["mitral_annulus"])
    if (points["left_atrium"][0] - center) @ normal < 0:
        normal = -normal
    if float((leak[1] - leak[0]) @ normal) <= 1.0:
        return leak, []
    return leak[::-1].copy(), [
        "The two points of leak were marked from the ventricle upward and have been exchanged."
    ]


def _at(point: Array) -> str:
    return "(" + ", ".join(f"{x:.1f}" if abs(x) < 1e6 else f"{x:.3g}" for x in point) + ")"


def _and(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _them(names: list[str]) -> str:
    return "it" if len(names) == 1 else "them"
