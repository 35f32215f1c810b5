"""The pictures of a plan: CT on the planes echo shows, and the fossa seen en face, with what is drawn on them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import gaussian_filter
from skimage.measure import approximate_polygon

from septal_planner.anatomy.annulus import Annulus, height_mm
from septal_planner.anatomy.atria import WALL_HU
from septal_planner.anatomy.chambers import LABELS, Chambers
from septal_planner.anatomy.fossa import Fossa
from septal_planner.geometry.curves import distance_to_closed, inside_closed
from septal_planner.geometry.frames import spacing_mm
from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.resample import sample_lps
from septal_planner.inputs.volume import Volume
from septal_planner.puncture.site import PunctureSite
from septal_planner.report.picture import Mark as Mark
from septal_planner.report.picture import (
    Picture,
    Pictures,
    Point,
    edge_letters,
    grey_values,
    mark,
    png_of,
    vector,
    zero_lines,
)
from septal_planner.report.picture_planes import PicturePlane, caval_plane, four_chamber_plane, short_axis_plane

Array = NDArray[np.float64]

PLANE_PX_MM = 0.25
EN_FACE_PX_MM = 0.1
THICKNESS_LINES_MM = (1.0, 2.0, 3.0, 5.0)
HEIGHT_LINES_MM = 5.0
NAME_HALF_MM = (12.5, 3.0)  # half the room a name of twelve letters takes in a picture of 90 mm as printed
SHORTEST_OUTLINE_MM = 3.0
FAT_HU = -150.0  # just below fat (about -100 HU, common practice, no source), which fills the limbus
# in full: LA and RA would read as the orientation letters left-anterior and right-anterior
CHAMBER_NAMES = {
    "left_atrium": "left atrium", "right_atrium": "right atrium", "aorta": "aorta",
    "left_ventricle": "left ventricle", "right_ventricle": "right ventricle",
}
ORDER = ("caval_long_axis", "short_axis", "four_chamber", "fossa_en_face")
TITLES = {
    "caval_long_axis": "Caval long axis",
    "short_axis": "Short axis at the aortic valve",
    "four_chamber": "Four-chamber, with the height",
    "fossa_en_face": "Fossa en face, from the right atrium",
}


# ------------------------------------------------------------------------------------------------------- rendering


def render_pictures(
    volume: Volume, landmarks: Landmarks, chambers: Chambers, fossa: Fossa, mitral: Annulus, site: PunctureSite,
    path_lps: Array | None = None,
) -> Pictures:
    """The four pictures of the plan; one that needs a landmark which was not marked is left out with the reason.
    `path_lps` (n, 3): the way on from the target, the site's one arc where none is given."""
    way_on = site.reach.path_lps if path_lps is None else path_lps
    window = septum_window(chambers)
    target, normal = site.target_lps, fossa.normal_lps
    shown = []
    not_shown = {}

    plane = caval_plane(target, normal, landmarks)
    way = target + np.array([-24.0, 14.0])[:, None] * site.reach.crossing_direction
    extra = [mark("crossing", plane.project(way))]
    for name, text in (("superior_vena_cava", "SVC"), ("inferior_vena_cava", "IVC")):
        if name in landmarks.points_lps:
            at = plane.project(landmarks.points_lps[name][0])
            if np.all((at > 6) & (at < plane.field_mm - 6)):
                extra.append(mark("text", at[None], text))
    shown.append(_plane_picture(
        "caval_long_axis", plane, volume, chambers, target, window, extra,
        "Head end of the caval axis to the right, left atrium above. Arrow: crossing direction, projected.",
    ))

    if "aorta" in landmarks.points_lps:
        plane = short_axis_plane(target, normal, np.asarray(landmarks.points_lps["aorta"][0], dtype=np.float64))
        shown.append(_plane_picture(
            "short_axis", plane, volume, chambers, target, window, [],
            "Through the target and the marked aorta, square to the septum.",
        ))
    else:
        not_shown["short_axis"] = "Not shown: no aorta point was marked."

    plane = four_chamber_plane(target, normal, mitral)
    shown.append(_plane_picture(
        "four_chamber", plane, volume, chambers, target, window, _height_marks(plane, mitral, site, way_on),
        "Height: from the target square to the annular plane (dashed); dots: hinge points cut."
        + ("" if way_on is None else " Curve: way of the catheter, projected."),
    ))
    shown.append(_en_face(volume, fossa, mitral, target, (FAT_HU, window[1])))
    return Pictures(tuple(shown), not_shown)


def septum_window(chambers: Chambers) -> tuple[float, float]:
    """Black and white of the grey scale (HU): the septal wall at a quarter, the left atrium's blood at three quarters,
    so that both sides of the thin membrane stay apart and neither is clipped."""
    blood = chambers.mean_hu["left_atrium"]
    half = max(blood - WALL_HU, 50.0) / 2
    return WALL_HU - half, max(blood, WALL_HU + 50.0) + half


def _plane_picture(
    name: str, plane: PicturePlane, volume: Volume, chambers: Chambers, target: Array, window: Point, extra: list[Mark],
    caption: str,
) -> Picture:
    grey = grey_values(sample_lps(volume, plane.points_lps(PLANE_PX_MM)), window)
    marks = _outlines(plane, chambers)
    marks += label_outlines(plane, Volume(chambers.labels, chambers.lps_from_index), ("metal",))
    busy = np.concatenate([plane.project(target)[None], *[_dense(m.points_mm) for m in extra]])
    marks += _chamber_names(plane, chambers, busy)
    marks += [*extra, mark("target", plane.project(target)[None])]
    return Picture(
        name=name, title=TITLES[name], caption=caption, png=png_of(grey), size_px=(grey.shape[1], grey.shape[0]),
        mm_per_px=PLANE_PX_MM, window_hu=window, edges=edge_letters(plane.right_lps, plane.down_lps),
        marks=tuple(marks), origin_lps=vector(plane.origin_lps), right_lps=vector(plane.right_lps),
        down_lps=vector(plane.down_lps),
    )


def _outlines(plane: PicturePlane, chambers: Chambers) -> list[Mark]:
    """Where the plane cuts the chambers' surfaces."""
    step = 0.5
    points = plane.points_lps(step)
    marks = []
    for name in CHAMBER_NAMES:
        if name not in chambers.distance:
            continue
        lines = zero_lines(chambers.distance[name].at(points), step, step / 2, longer_than_mm=8.0)
        marks += [mark(name, line) for line in lines]
    return marks


def label_outlines(plane: PicturePlane, label_volume: Volume, names: Iterable[str] = LABELS) -> list[Mark]:
    """Outline of each label where a plane cuts it: the nearest voxel's label on a fine grid of the plane, smoothed by
    half a voxel (thin things by a third of one), cut half-way; each role is the label's name."""
    voxel = float(spacing_mm(label_volume.lps_from_index).min())
    step = min(0.4, voxel / 2)
    found = sample_lps(label_volume, plane.points_lps(step), order=0, fill_hu=0.0)
    marks = []
    for name in names:
        here = found == LABELS[name]
        if here.any():
            thin = name in ("fossa_membrane", "metal")
            share = gaussian_filter(here.astype(np.float64), (0.3 if thin else 0.6) * voxel / step)
            share[[0, -1]] = share[:, [0, -1]] = 0.0  # a label that runs out of the picture is closed at its edge
            for line in zero_lines(share - 0.5, step, step / 2, longer_than_mm=SHORTEST_OUTLINE_MM):
                marks.append(mark(name, line))
    return marks


def _chamber_names(plane: PicturePlane, chambers: Chambers, busy: Array) -> list[Mark]:
    """A name in each chamber cut, well inside it, clear of the busy points (n, 2), of the letters at the edges, of the
    scale and of each other."""
    points = plane.points_lps(2.0)
    at = plane.project(points).reshape(-1, 2)
    side = plane.field_mm
    taken = [((0.0, side / 2), (10.0, 3.0)), ((side, side / 2), (10.0, 3.0)), ((8.0, side - 8.0), (8.0, 7.0))]
    taken += [((side / 2, 0.0), (5.0, 7.0)), ((side / 2, side), (5.0, 7.0)), *((tuple(b), (1.5, 1.5)) for b in busy)]
    marks = []
    for name, text in CHAMBER_NAMES.items():
        if name not in chambers.distance:
            continue
        half = (NAME_HALF_MM[0] * len(text) / 12, NAME_HALF_MM[1])
        depth = -chambers.distance[name].at(points).reshape(-1)
        free = np.all((at > half) & (at < side - np.array(half)), axis=1)
        for center, size in taken:
            free &= np.any(np.abs(at - center) > np.add(half, size), axis=1)
        best = int(np.argmax(np.where(free, depth, -1.0)))
        if free[best] and depth[best] > 2.0:
            marks.append(mark("name", at[best][None], text))
            taken.append((tuple(at[best]), half))
    return marks


def _height_marks(plane: PicturePlane, mitral: Annulus, site: PunctureSite, way_on: Array | None) -> list[Mark]:
    foot = site.target_lps - site.height_mm * mitral.normal_lps
    side = np.array([plane.right_lps @ (p - mitral.center_lps) for p in mitral.curve_lps])
    reach = [float(plane.right_lps @ (foot - mitral.center_lps)), float(side.min()), float(side.max())]
    ends = np.array([mitral.center_lps + s * plane.right_lps for s in (min(reach) - 5, max(reach) + 5)])
    marks = []
    if way_on is not None:
        marks.append(mark("path", approximate_polygon(plane.project(way_on), 0.1)))
    marks.append(mark("annular_plane", plane.project(ends)))
    depth = plane.depth(mitral.curve_lps)
    for i in np.flatnonzero(np.sign(depth) != np.sign(np.roll(depth, -1))):
        marks.append(mark("hinge", plane.project(mitral.curve_lps[i])[None]))
    line = plane.project(np.array([site.target_lps, foot]))
    marks.append(mark("height", line))
    marks.append(mark("height_text", line.mean(axis=0)[None], f"{site.height_mm:.1f}\u00a0mm".replace("-", "\u2212")))
    return marks


def _en_face(volume: Volume, fossa: Fossa, mitral: Annulus, target: Array, window: Point) -> Picture:
    """CT on the mid-surface of the septal wall, laid flat on the fossa's plane: head above, from the right atrium."""
    patch = fossa.patch
    # u points forward; the viewer in the right atrium, looking along the normal, has forward on this side
    flip = 1.0 if np.cross(patch.axis_w_lps, patch.axis_v_lps) @ patch.axis_u_lps > 0 else -1.0
    width = float(min(np.ptp(patch.u_mm), np.ptp(patch.v_mm)))
    middle_u, middle_v = float(patch.u_mm.mean()), float(patch.v_mm.mean())
    n = round(width / EN_FACE_PX_MM)
    at = (np.arange(n) + 0.5) * EN_FACE_PX_MM - n * EN_FACE_PX_MM / 2
    uu, vv = np.meshgrid(middle_u + flip * at, middle_v - at)
    surface = patch.points_lps(uu, vv)
    grey = grey_values(sample_lps(volume, surface), window)

    def flat(points_lps: ArrayLike) -> Array:
        uvw = patch.uvw(points_lps)
        return np.stack([flip * (uvw[..., 0] - middle_u), middle_v - uvw[..., 1]], axis=-1) + n * EN_FACE_PX_MM / 2

    step = 5
    first, spacing = EN_FACE_PX_MM / 2, step * EN_FACE_PX_MM
    rim = flat(fossa.rim_lps) if len(fossa.rim_lps) else None
    marks: list[Mark] = []
    numbers: list[Mark] = []
    if rim is not None and fossa.thickness_mean_mm is not None:
        grid = np.stack(np.meshgrid(at[::step], at[::step]), axis=-1) + n * EN_FACE_PX_MM / 2
        thickness = patch.sample(fossa.thickness_mm, uu[::step, ::step], vv[::step, ::step])
        marks, numbers = _thickness_marks(thickness, grid, rim, spacing, first)
    heights = height_mm(mitral, surface[::step, ::step])
    steps = np.arange(np.ceil(heights.min() / HEIGHT_LINES_MM), heights.max() / HEIGHT_LINES_MM)
    for level in steps * HEIGHT_LINES_MM:
        lines = zero_lines(heights - level, spacing, first, longer_than_mm=8.0)
        marks += [mark("height_line", line) for line in lines]
        if lines:
            near_top = _from_top(lines[-1], 2.0)
            if abs(near_top[0] - width / 2) < 3.0:  # room for the letters at the edge
                near_top = _from_top(lines[-1], 4.2)
            near_top = np.clip(near_top, 1.2, width - 1.2)
            numbers.append(mark("height_line_text", near_top[None], f"{level:g}"))
    if rim is not None:
        marks.append(mark("rim", np.concatenate([rim, rim[:1]])))
    marks += [*numbers, mark("target", flat(target)[None])]
    return Picture(
        name="fossa_en_face", title=TITLES["fossa_en_face"], caption=_en_face_caption(fossa),
        png=png_of(grey), size_px=(n, n), mm_per_px=EN_FACE_PX_MM, window_hu=window,
        edges=edge_letters(flip * patch.axis_u_lps, -patch.axis_v_lps), marks=tuple(marks),
    )


def _en_face_caption(fossa: Fossa) -> str:
    surface = {"both": "mid-surface of the septal wall", "left": "septal surface, found from its left side only",
               "right": "septal surface, found from its right side only"}[fossa.seen_from]
    rim = "Solid line: rim of the membrane." if len(fossa.rim_lps) else "Rim of the membrane: not assessed, not drawn."
    thickness = "Thin lines: wall thickness, mm." if fossa.thickness_mean_mm is not None else "Thickness: not assessed."
    return f"CT on the {surface}, laid flat. {rim} {thickness} Dotted lines: height above the mitral annular plane, mm."


def _thickness_marks(
    thickness: Array, grid: Array, rim: Array, spacing: float, first: float
) -> tuple[list[Mark], list[Mark]]:
    """Lines of equal thickness within the rim, and their numbers."""
    beyond = distance_to_closed(grid, rim) > 0.5
    thickness[beyond & ~inside_closed(grid, rim)] = np.nan  # lines through the limbus say nothing about the membrane
    marks: list[Mark] = []
    numbers = []
    for number, level in enumerate(THICKNESS_LINES_MM):
        lines = zero_lines(thickness - level, spacing, first, longer_than_mm=4.0)
        marks += [mark("thickness", line) for line in lines]
        if lines:  # the longest line of each thickness carries its number, each in another direction
            toward = np.deg2rad(20 + 40 * number)
            at_line = lines[-1][int(np.argmax(lines[-1] @ [np.cos(toward), np.sin(toward)]))]
            if distance_to_closed(at_line, rim) > 0.6:
                numbers.append(mark("thickness_text", at_line[None], f"{level:g}"))
    return marks, numbers


# ----------------------------------------------------------------------------------------------------- small parts


def _from_top(line: Array, along_mm: float) -> Array:
    """Point (2,) on a line (n, 2), that far along it from its upper end."""
    line = line if line[0, 1] <= line[-1, 1] else line[::-1]
    at = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    return np.array([np.interp(along_mm, at, line[:, 0]), np.interp(along_mm, at, line[:, 1])])


def _dense(points: Sequence[Point]) -> Array:
    p = np.asarray(points, dtype=np.float64)
    return p if len(p) < 2 else np.concatenate([np.linspace(a, b, 12) for a, b in pairwise(p)])
