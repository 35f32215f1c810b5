"""The 3-D camera set as a C-arm stands, and the C-arm angles of any camera.

Angles, picture axes and view directions are those of septal_planner.fluoroscopy.carm (DICOM PS3.3 C.8.7.5). The X-ray
source looks toward the detector, yet the picture is shown as if the reader faced the patient: seen from the source it
is mirrored. `carm_camera` therefore turns the canvas's horizontal axis about, which makes it the X-ray picture itself,
what lies near the source magnified. What lies near the source also hides what is behind it then, so draw surfaces
see-through, or take `facing_camera`: the same angles without perspective, from the detector's side.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.transform import Rotation

from septal_planner.fluoroscopy import carm
from septal_planner.geometry.frames import unit_vector

Array = NDArray[np.float64]
Three = tuple[float, float, float]

# of a usual floor-mounted C-arm, mm; common practice, no source
SOURCE_ISOCENTER_MM = 750.0
FIELD_MM = 200.0  # seen at the isocentre along the shorter side of the canvas
PLAIN = ("towards", "down", "right")
MIRRORED = ("towards", "down", "left")
_TOWARD_VIEWER = np.array([1.0, 0.0, 0.0])  # of the canvas at rest: first axis toward the viewer, second axis down
_DOWN = np.array([0.0, 1.0, 0.0])


@dataclass(frozen=True)
class CameraState:
    """What napari's camera holds: `center_lps` turns in the middle of the canvas, `zoom` canvas pixels per mm there,
    `angles_deg` as napari counts them, `perspective_deg` the vertical field of view (0: parallel), `orientation` of the
    three axes."""

    center_lps: Three
    zoom: float
    angles_deg: Three
    perspective_deg: float
    orientation: tuple[str, str, str]

    def __post_init__(self) -> None:
        if not self.zoom > 0 or not 0 <= self.perspective_deg < 180:
            raise ValueError("a camera needs a zoom above nought and a field of view of 0 to less than 180 degrees")
        if self.orientation not in (PLAIN, MIRRORED):
            raise ValueError(f"the axes of the canvas may be {PLAIN} or {MIRRORED}, found {self.orientation}")

    def settings(self) -> dict[str, object]:
        """For `napari.components.Camera`: set them in this order, the orientation first."""
        return {
            "orientation": self.orientation, "center": self.center_lps, "zoom": self.zoom, "angles": self.angles_deg,
            "perspective": self.perspective_deg,
        }


def carm_camera(
    primary_deg: float, secondary_deg: float, center_lps: ArrayLike, canvas_px: tuple[int, int], *,
    field_mm: float = FIELD_MM, source_isocenter_mm: float = SOURCE_ISOCENTER_MM,
) -> CameraState:
    """The camera that sees what a C-arm at these angles does, with `center_lps` (3,) at its isocentre.

    `canvas_px`: height and width; when the canvas changes, ask again, since napari keeps the angle of view and the
    source would move. Distances as DICOM (0018,1111).
    """
    zoom = min(canvas_px) / field_mm
    height_mm = canvas_px[0] / zoom
    fov = 2 * np.degrees(np.arctan(height_mm / (2 * source_isocenter_mm)))
    direction = carm.vectors_from_angles(primary_deg, secondary_deg)
    up = carm.image_axes(primary_deg, secondary_deg)[1]
    return CameraState(_three(center_lps), zoom, _angles(direction, up), float(fov), MIRRORED)


def facing_camera(
    primary_deg: float, secondary_deg: float, center_lps: ArrayLike, canvas_px: tuple[int, int], *,
    field_mm: float = FIELD_MM,
) -> CameraState:
    """The camera that looks at the patient from the detector's side, without perspective: at angles 0 and 0 a view from
    the front, the patient's left on the viewer's right."""
    direction = carm.vectors_from_angles(primary_deg, secondary_deg)
    up = carm.image_axes(primary_deg, secondary_deg)[1]
    return CameraState(_three(center_lps), min(canvas_px) / field_mm, _angles(-direction, up), 0.0, PLAIN)


def carm_angles(angles_deg: ArrayLike, orientation: tuple[str, str, str] = PLAIN) -> tuple[float, float]:
    """Primary and secondary angle (degrees) at which a C-arm sees what the camera does, however it is turned about its
    own line of sight."""
    view = _turned(angles_deg) @ -_TOWARD_VIEWER
    return carm.angles_from_vector(view if tuple(str(o) for o in orientation) == MIRRORED else -view)


def on_canvas(state: CameraState, canvas_px: tuple[int, int], points_lps: ArrayLike) -> Array:
    """Canvas position (row, column) (..., 2) in pixels from its upper left corner of points (..., 3).

    Raises ValueError for a point that is not in front of the camera."""
    turn = _turned(state.angles_deg)
    view, up = turn @ -_TOWARD_VIEWER, turn @ -_DOWN
    right = np.cross(view, up) * (-1.0 if state.orientation == MIRRORED else 1.0)
    x = np.asarray(points_lps, dtype=np.float64) - np.asarray(state.center_lps)
    scale = np.full(x.shape[:-1], state.zoom)
    if state.perspective_deg > 0:
        away = canvas_px[0] / state.zoom / 2 / np.tan(np.radians(state.perspective_deg) / 2)
        depth = away + x @ view
        if np.any(depth <= 0):
            raise ValueError("a point lies behind the camera")
        scale = state.zoom * away / depth
    middle = np.array(canvas_px) / 2
    return np.asarray(middle + np.stack([-(x @ up), x @ right], axis=-1) * scale[..., None])


def line_of_sight(state: CameraState, canvas_px: tuple[int, int], row_column: ArrayLike) -> tuple[Array, Array]:
    """A point (3,) and unit direction (3,), away from the viewer, of everything that is seen at one canvas position
    (2,): the inverse of `on_canvas`. With perspective the point is the camera itself."""
    turn = _turned(state.angles_deg)
    view, up = turn @ -_TOWARD_VIEWER, turn @ -_DOWN
    right = np.cross(view, up) * (-1.0 if state.orientation == MIRRORED else 1.0)
    down_px, right_px = np.asarray(row_column, dtype=np.float64) - np.array(canvas_px) / 2
    center = np.asarray(state.center_lps, dtype=np.float64)
    there = center + (right_px * right - down_px * up) / state.zoom
    if state.perspective_deg == 0:
        return there, view
    camera = center - canvas_px[0] / state.zoom / 2 / np.tan(np.radians(state.perspective_deg) / 2) * view
    return camera, unit_vector(there - camera)


def state_of(camera: Any) -> CameraState:
    """What a `napari.components.Camera` holds now."""
    axes = tuple(str(getattr(o, "value", o)) for o in camera.orientation)
    return CameraState(
        _three(camera.center), float(camera.zoom), _three(camera.angles),
        float(camera.perspective), (axes[0], axes[1], axes[2]),
    )


def _turned(angles_deg: ArrayLike) -> Array:
    """Rotation (3, 3) of napari's camera: about the three axes in order, clockwise."""
    return np.asarray(Rotation.from_euler("XYZ", -np.asarray(angles_deg, dtype=np.float64), degrees=True).as_matrix())


def _angles(view_lps: ArrayLike, up_lps: ArrayLike) -> Three:
    """napari's three angles for a line of sight (3,) and the direction that stands up (3,), square to it."""
    view, up = unit_vector(view_lps), unit_vector(up_lps)
    to = np.stack([view, up, np.cross(view, up)], axis=1)
    rest = np.stack([-_TOWARD_VIEWER, -_DOWN, np.cross(_TOWARD_VIEWER, _DOWN)], axis=1)
    # straight across the middle axis two angles do the same; which of them turns is nobody's concern
    matrix = to @ rest.T
    off = float(np.hypot(matrix[1, 2], matrix[2, 2]))
    middle = float(np.arctan2(matrix[0, 2], off))
    if off < 1e-9:
        first, last = float(np.arctan2(matrix[2, 1], matrix[1, 1])), 0.0
    else:
        first = float(np.arctan2(-matrix[1, 2], matrix[2, 2]))
        last = float(np.arctan2(-matrix[0, 1], matrix[0, 0]))
    return _three(-np.degrees([first, middle, last]))


def _three(v: ArrayLike) -> Three:
    x, y, z = (float(c) for c in np.asarray(v, dtype=np.float64))
    return x, y, z
