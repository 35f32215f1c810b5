"""The pictures of a plan: CT on the planes echo shows, and the fossa seen en face, with what is drawn on them.

A picture is grey values and marks apart: marks are polylines in millimetres from the picture's upper left corner, x
to the right, y down, so that whoever draws them needs the picture's own scale and nothing else. Where a picture is a
plane, its `origin_lps`, `right_lps` and `down_lps` place it in the patient.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from io import BytesIO
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image
from skimage.measure import approximate_polygon, find_contours

from septal_planner.anatomy.annulus import Annulus, height_mm
from septal_planner.anatomy.atria import WALL_HU
from septal_planner.anatomy.chambers import Chambers
from septal_planner.anatomy.fossa import Fossa
from septal_planner.geometry.curves import distance_to_closed, inside_closed
from septal_planner.geometry.frames import unit_vector
from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.resample import sample_lps
from septal_planner.inputs.volume import Volume
from septal_planner.puncture.target import PunctureSite

Array = NDArray[np.float64]
Point = tuple[float, float]
Vector = tuple[float, float, float]

FIELD_MM = 90.0
PLANE_PX_MM = 0.25
EN_FACE_PX_MM = 0.1
THICKNESS_LINES_MM = (1.0, 2.0, 3.0, 5.0)
HEIGHT_LINES_MM = 5.0
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


@dataclass(frozen=True)
class Mark:
    """One thing drawn: `role` says what it is, `points_mm` (x, y) are from the upper left corner, a text is centred on
    its one point."""

    role: str
    points_mm: tuple[Point, ...]
    text: str = ""


@dataclass(frozen=True)
class Picture:
    """Grey values as PNG, and the marks to be drawn on them. `window_hu`: black and white of the grey scale."""

    name: str
    title: str
    caption: str
    png: bytes
    size_px: tuple[int, int]                        # width, height
    mm_per_px: float
    window_hu: tuple[float, float]
    edges: Mapping[str, str]                        # DICOM orientation letters at left, right, top, bottom
    marks: tuple[Mark, ...]
    origin_lps: Vector | None = None                # upper left corner; None where the picture follows a curved surface
    right_lps: Vector | None = None
    down_lps: Vector | None = None

    @property
    def size_mm(self) -> Point:
        """Width and height."""
        return self.size_px[0] * self.mm_per_px, self.size_px[1] * self.mm_per_px


@dataclass(frozen=True)
class Pictures:
    """The pictures there are, and for those there are not, one sentence why."""

    shown: tuple[Picture, ...]
    not_shown: Mapping[str, str] = field(default_factory=dict)

    def named(self, name: str) -> Picture | None:
        return next((p for p in self.shown if p.name == name), None)


# ------------------------------------------------------------------------------------------------------------ geometry


@dataclass(frozen=True)
class PicturePlane:
    """A square plane: `origin_lps` (3,) its upper left corner, `right_lps` and `down_lps` unit vectors (3,)."""

    origin_lps: Array
    right_lps: Array
    down_lps: Array
    field_mm: float

    @classmethod
    def around(cls, center_lps: ArrayLike, right_lps: ArrayLike, up_lps: ArrayLike, field_mm: float) -> PicturePlane:
        """Square plane of side `field_mm` around a point; `up_lps` is made square to `right_lps`."""
        right = unit_vector(right_lps)
        up = np.asarray(up_lps, dtype=np.float64)
        up = unit_vector(up - (up @ right) * right)
        corner = np.asarray(center_lps, dtype=np.float64) - field_mm / 2 * right + field_mm / 2 * up
        return cls(corner, right, -up, field_mm)

    def points_lps(self, px_mm: float) -> Array:
        """Pixel centres (rows, columns, 3)."""
        at = (np.arange(round(self.field_mm / px_mm)) + 0.5) * px_mm
        return np.asarray(self.origin_lps + at[:, None, None] * self.down_lps + at[None, :, None] * self.right_lps)

    def project(self, points_lps: ArrayLike) -> Array:
        """Picture coordinates (..., 2) in mm of points (..., 3), seen square to the plane."""
        d = np.asarray(points_lps, dtype=np.float64) - self.origin_lps
        return np.stack([d @ self.right_lps, d @ self.down_lps], axis=-1)

    def depth(self, points_lps: ArrayLike) -> Array:
        """Signed distance (...) of points (..., 3) from the plane."""
        d = np.asarray(points_lps, dtype=np.float64) - self.origin_lps
        return np.asarray(d @ np.cross(self.right_lps, self.down_lps))


def orientation_letters(direction_lps: ArrayLike) -> str:
    """Patient directions of a vector (3,) in DICOM's letters (PS3.3 C.7.6.1.1.1): A, P, R, L, H, F, the strongest first,
    two at most; parts below 0.35 of the length are left out. A slash between them, since LA and RA mean the atria too."""
    d = unit_vector(direction_lps)
    letters = ["L" if d[0] > 0 else "R", "P" if d[1] > 0 else "A", "H" if d[2] > 0 else "F"]
    strongest = [i for i in np.argsort(-np.abs(d), kind="stable") if abs(d[i]) >= 0.35]
    return "/".join(letters[i] for i in strongest[:2])


def caval_plane(target_lps: Array, septal_normal_lps: Array, landmarks: Landmarks) -> PicturePlane:
    """Both cavae's axis and the septal normal: head side to the right and left atrium above, as echo shows it (common
    practice, no source)."""
    points = landmarks.points_lps
    cava = np.asarray(points["inferior_vena_cava"], dtype=np.float64)
    axis = unit_vector(cava[0] - cava[1])
    if "superior_vena_cava" in points:
        axis = unit_vector(np.asarray(points["superior_vena_cava"], dtype=np.float64)[0] - cava[0])
    return PicturePlane.around(target_lps, axis, septal_normal_lps, FIELD_MM)


def short_axis_plane(target_lps: Array, septal_normal_lps: Array, aorta_lps: Array) -> PicturePlane:
    """Through target and aorta, square to the septum: the patient's back above and left to the right, as echo from the
    gullet shows it (common practice, no source)."""
    across = unit_vector(np.cross(septal_normal_lps, aorta_lps - target_lps))
    up, right = _standing(across, septal_normal_lps)
    return PicturePlane.around((target_lps + aorta_lps) / 2, right, up, _field([target_lps, aorta_lps]))


def four_chamber_plane(target_lps: Array, septal_normal_lps: Array, annulus: Annulus) -> PicturePlane:
    """Through target and mitral centre along the annular normal, so that the height is seen in its true length: atria
    above, the patient's left to the right, as echo shows it (common practice, no source)."""
    normal = annulus.normal_lps
    across = np.cross(normal, annulus.center_lps - target_lps)
    if np.linalg.norm(across) < 5.0:  # target straight above the centre: any plane along the normal shows the height
        across = np.cross(normal, septal_normal_lps)
    right = unit_vector(np.cross(normal, unit_vector(across)))
    right = right if right[0] >= 0 else -right
    middle = (target_lps + annulus.center_lps) / 2
    return PicturePlane.around(middle, right, normal, _field([target_lps, annulus.center_lps]))


def _standing(across: Array, septal_normal_lps: Array) -> tuple[Array, Array]:
    """Up (toward the patient's back) and right (toward the patient's left) in the plane square to `across`."""
    back = np.array([0.0, 1.0, 0.0])
    up = back - (back @ across) * across
    up = unit_vector(up) if np.linalg.norm(up) > 0.1 else unit_vector(septal_normal_lps)
    right = np.cross(across, up)
    return up, right if right[0] >= 0 else -right


def _field(points: Sequence[Array]) -> float:
    span = float(np.linalg.norm(points[0] - points[1]))
    return float(max(FIELD_MM, 10 * np.ceil((span + 30) / 10)))


# ------------------------------------------------------------------------------------------------------------ rendering


def render_pictures(
    volume: Volume, landmarks: Landmarks, chambers: Chambers, fossa: Fossa, mitral: Annulus, site: PunctureSite
) -> Pictures:
    """The four pictures of the plan; one that needs a landmark which was not marked is left out with the reason."""
    window = septum_window(chambers)
    target, normal = site.target_lps, fossa.normal_lps
    shown = []
    not_shown = {}

    plane = caval_plane(target, normal, landmarks)
    way = target + np.array([-24.0, 14.0])[:, None] * site.reach.crossing_direction
    extra = [_mark("crossing", plane.project(way))]
    for name, text in (("superior_vena_cava", "SVC"), ("inferior_vena_cava", "IVC")):
        if name in landmarks.points_lps:
            at = plane.project(landmarks.points_lps[name][0])
            if np.all((at > 6) & (at < plane.field_mm - 6)):
                extra.append(_mark("text", at[None], text))
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
        "four_chamber", plane, volume, chambers, target, window, _height_marks(plane, mitral, site),
        "Height: from the target square to the annular plane (dashed); dots: hinge points cut."
        + ("" if site.reach.path_lps is None else " Curve: catheter arc, projected."),
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
    name: str, plane: PicturePlane, volume: Volume, chambers: Chambers, target: Array, window: tuple[float, float],
    extra: list[Mark], caption: str,
) -> Picture:
    grey = _grey(sample_lps(volume, plane.points_lps(PLANE_PX_MM)), window)
    marks = _outlines(plane, chambers)
    busy = np.concatenate([plane.project(target)[None], *[_dense(m.points_mm) for m in extra]])
    marks += _chamber_names(plane, chambers, busy)
    marks += [*extra, _mark("target", plane.project(target)[None])]
    return Picture(
        name=name, title=TITLES[name], caption=caption, png=_png(grey), size_px=(grey.shape[1], grey.shape[0]),
        mm_per_px=PLANE_PX_MM, window_hu=window, edges=_edges(plane.right_lps, plane.down_lps), marks=tuple(marks),
        origin_lps=_vector(plane.origin_lps), right_lps=_vector(plane.right_lps), down_lps=_vector(plane.down_lps),
    )


def _outlines(plane: PicturePlane, chambers: Chambers) -> list[Mark]:
    """Where the plane cuts the chambers' surfaces."""
    step = 0.5
    points = plane.points_lps(step)
    marks = []
    for name in CHAMBER_NAMES:
        if name not in chambers.distance:
            continue
        lines = _zero_lines(chambers.distance[name].at(points), step, step / 2, longer_than_mm=8.0)
        marks += [_mark(name, line) for line in lines]
    return marks


def _chamber_names(plane: PicturePlane, chambers: Chambers, busy: Array) -> list[Mark]:
    """A short name in each chamber cut, well inside it and away from the busy points (n, 2)."""
    step = 2.0
    points = plane.points_lps(step)
    at = plane.project(points).reshape(-1, 2)
    room = np.linalg.norm(at[:, None] - busy[None], axis=-1).min(axis=1)
    border = np.minimum(at, plane.field_mm - at).min(axis=1)
    marks = []
    for name, text in CHAMBER_NAMES.items():
        if name not in chambers.distance:
            continue
        depth = -chambers.distance[name].at(points).reshape(-1)
        worth = np.minimum.reduce([depth, room - 5.0, border - 9.0])
        best = int(np.argmax(worth))
        if worth[best] > 2.0:
            marks.append(_mark("name", at[best][None], text))
    return marks


def _height_marks(plane: PicturePlane, mitral: Annulus, site: PunctureSite) -> list[Mark]:
    foot = site.target_lps - site.height_mm * mitral.normal_lps
    side = np.array([plane.right_lps @ (p - mitral.center_lps) for p in mitral.curve_lps])
    reach = [float(plane.right_lps @ (foot - mitral.center_lps)), float(side.min()), float(side.max())]
    ends = np.array([mitral.center_lps + s * plane.right_lps for s in (min(reach) - 5, max(reach) + 5)])
    marks = []
    if site.reach.path_lps is not None:
        marks.append(_mark("path", approximate_polygon(plane.project(site.reach.path_lps), 0.1)))
    marks.append(_mark("annular_plane", plane.project(ends)))
    depth = plane.depth(mitral.curve_lps)
    for i in np.flatnonzero(np.sign(depth) != np.sign(np.roll(depth, -1))):
        marks.append(_mark("hinge", plane.project(mitral.curve_lps[i])[None]))
    line = plane.project(np.array([site.target_lps, foot]))
    marks.append(_mark("height", line))
    marks.append(_mark("height_text", line.mean(axis=0)[None], f"{site.height_mm:.1f}\u00a0mm".replace("-", "\u2212")))
    return marks


def _en_face(volume: Volume, fossa: Fossa, mitral: Annulus, target: Array, window: tuple[float, float]) -> Picture:
    """CT on the mid-surface of the septal wall, laid flat on the fossa's plane: head above, seen from the right atrium."""
    patch = fossa.patch
    # u points forward; the viewer in the right atrium, looking along the normal, has forward on this side
    flip = 1.0 if np.cross(patch.axis_w_lps, patch.axis_v_lps) @ patch.axis_u_lps > 0 else -1.0
    width = float(min(np.ptp(patch.u_mm), np.ptp(patch.v_mm)))
    middle_u, middle_v = float(patch.u_mm.mean()), float(patch.v_mm.mean())
    n = round(width / EN_FACE_PX_MM)
    at = (np.arange(n) + 0.5) * EN_FACE_PX_MM - n * EN_FACE_PX_MM / 2
    uu, vv = np.meshgrid(middle_u + flip * at, middle_v - at)
    surface = patch.points_lps(uu, vv)
    grey = _grey(sample_lps(volume, surface), window)

    def flat(points_lps: ArrayLike) -> Array:
        uvw = patch.uvw(points_lps)
        return np.stack([flip * (uvw[..., 0] - middle_u), middle_v - uvw[..., 1]], axis=-1) + n * EN_FACE_PX_MM / 2

    marks = []
    step = 5
    rim = flat(fossa.rim_lps)
    thickness = patch.sample(fossa.thickness_mm, uu[::step, ::step], vv[::step, ::step])
    grid = np.stack(np.meshgrid(at[::step], at[::step]), axis=-1) + n * EN_FACE_PX_MM / 2
    beyond = distance_to_closed(grid, rim) > 2.0
    thickness[beyond & ~inside_closed(grid, rim)] = np.nan  # lines through the limbus say nothing about the membrane
    first, spacing = EN_FACE_PX_MM / 2, step * EN_FACE_PX_MM
    for number, level in enumerate(THICKNESS_LINES_MM):
        lines = _zero_lines(thickness - level, spacing, first, longer_than_mm=4.0)
        marks += [_mark("thickness", line) for line in lines]
        if lines:  # the longest line of each thickness carries its number, each in another direction
            toward = np.deg2rad(20 + 40 * number)
            at_line = lines[-1][int(np.argmax(lines[-1] @ [np.cos(toward), np.sin(toward)]))]
            marks.append(_mark("thickness_text", at_line[None], f"{level:g}"))
    heights = height_mm(mitral, surface[::step, ::step])
    steps = np.arange(np.ceil(heights.min() / HEIGHT_LINES_MM), heights.max() / HEIGHT_LINES_MM)
    for level in steps * HEIGHT_LINES_MM:
        lines = _zero_lines(heights - level, spacing, first, longer_than_mm=8.0)
        marks += [_mark("height_line", line) for line in lines]
        if lines:
            marks.append(_mark("height_line_text", _from_top(lines[-1], 2.2)[None], f"{level:g}"))
    marks.append(_mark("rim", np.concatenate([rim, rim[:1]])))
    marks.append(_mark("target", flat(target)[None]))
    return Picture(
        name="fossa_en_face", title=TITLES["fossa_en_face"],
        caption="CT on the mid-surface of the septal wall, laid flat. Solid line: rim of the membrane. Thin lines: wall "
        "thickness, mm. Dotted lines: height above the mitral annular plane.",
        png=_png(grey), size_px=(n, n), mm_per_px=EN_FACE_PX_MM, window_hu=window,
        edges=_edges(flip * patch.axis_u_lps, -patch.axis_v_lps), marks=tuple(marks),
    )


# ------------------------------------------------------------------------------------------------------------ small parts


def _zero_lines(values: Array, step_mm: float, first_mm: float, *, longer_than_mm: float) -> list[Array]:
    """Lines (n, 2) of value nought in picture millimetres, thinned to 0.05 mm, the longest last. Samples are `step_mm`
    apart, the first one `first_mm` from the picture's edge; nan breaks a line."""
    found = find_contours(values, 0.0)
    lines = [approximate_polygon(np.asarray(c)[:, ::-1] * step_mm + first_mm, 0.05) for c in found]
    return sorted((line for line in lines if _length(line) > longer_than_mm), key=_length)


def _from_top(line: Array, along_mm: float) -> Array:
    """Point (2,) on a line (n, 2), that far along it from its upper end."""
    line = line if line[0, 1] <= line[-1, 1] else line[::-1]
    at = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    return np.array([np.interp(along_mm, at, line[:, 0]), np.interp(along_mm, at, line[:, 1])])


def _length(line: Array) -> float:
    return float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())


def _dense(points: Sequence[Point]) -> Array:
    p = np.asarray(points, dtype=np.float64)
    return p if len(p) < 2 else np.concatenate([np.linspace(a, b, 12) for a, b in pairwise(p)])


def _edges(right: Array, down: Array) -> dict[str, str]:
    return {
        "left": orientation_letters(-right), "right": orientation_letters(right),
        "top": orientation_letters(-down), "bottom": orientation_letters(down),
    }


def _mark(role: str, points: Array, text: str = "") -> Mark:
    return Mark(role, tuple((round(float(x), 3), round(float(y), 3)) for x, y in points), text)


def _vector(v: Array) -> Vector:
    x, y, z = (round(float(c), 6) for c in v)
    return x, y, z


def _grey(hu: Array, window: tuple[float, float]) -> NDArray[np.uint8]:
    scaled = 255 * (hu - window[0]) / (window[1] - window[0])
    return np.asarray(np.clip(np.rint(scaled), 0, 255), dtype=np.uint8)


def _png(grey: NDArray[np.uint8]) -> bytes:
    stream = BytesIO()
    Image.fromarray(grey).save(stream, "PNG", optimize=True)
    return stream.getvalue()
