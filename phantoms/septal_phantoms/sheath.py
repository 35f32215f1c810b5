"""The true direction of a sheath that comes up a cava and turns toward the septum, and the hour at which it points."""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import Rotation

from septal_phantoms.bodies import Vector

HEAD = np.array([0.0, 0.0, 1.0])


def turned_toward(up: Vector, septal_normal: Vector, angle_deg: float) -> Vector:
    """Unit vector (3,) of a sheath along `up` (3,), turned by its own angle toward the septal normal (3,): a rotation
    about the axis square to both."""
    about = np.cross(up, septal_normal)
    turn = Rotation.from_rotvec(np.radians(angle_deg) * about / np.linalg.norm(about))
    return np.asarray(turn.apply(up / np.linalg.norm(up)))


def angle_between_deg(a: Vector, b: Vector) -> float:
    """Angle of two directions (3,) by their scalar product."""
    return float(np.degrees(np.arccos(np.clip(a @ b / (np.linalg.norm(a) * np.linalg.norm(b)), -1.0, 1.0))))


def hour_of(direction: Vector, shaft: Vector) -> float:
    """Hour (0 to 12) of a direction (3,) about a shaft (3,) that is carried upright by the least rotation, seen from
    the feet: 12 in front, 3 to the patient's left."""
    about = np.cross(shaft, HEAD)
    size = np.linalg.norm(about)
    upright = Rotation.identity()
    if size > 1e-12:
        upright = Rotation.from_rotvec(np.radians(angle_between_deg(shaft, HEAD)) * about / size)
    x, y, _ = upright.apply(direction)
    return float(np.degrees(np.arctan2(x, -y)) / 30.0 % 12.0)
