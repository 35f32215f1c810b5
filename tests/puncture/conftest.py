"""An invented heart of spheres whose distances are known in closed form."""

from dataclasses import dataclass

import numpy as np
import pytest

from septal_planner.anatomy.annulus import Annulus, measure_annulus
from septal_planner.anatomy.chambers import Chambers
from septal_planner.anatomy.fossa import Fossa
from septal_planner.geometry.shapes import DistanceField, HeightPatch

ATRIUM_CENTER = np.array([0.0, 0.0, 22.0])
ATRIUM_RADIUS = 30.0
MEMBRANE_RADIUS = 30.75
RIM_RADIUS = 7.0
AORTA_CENTER = np.array([-18.0, 34.0, 40.0])
AORTA_RADIUS = 13.0


@dataclass(frozen=True)
class Scene:
    fossa: Fossa
    annulus: Annulus
    chambers: Chambers
    landmarks: dict[str, np.ndarray]

    def common(self):
        return self.fossa, self.annulus, self.chambers, self.landmarks


def sphere_field(center, radius, *, floor=None, step=0.8):
    lo = np.array([-48.0, -40, -6])
    shape = (96, 112, 96)  # k, j, i
    k, j, i = np.meshgrid(*[np.arange(n) for n in shape], indexing="ij")
    p = np.stack([i, j, k], axis=-1) * step + lo
    value = np.linalg.norm(p - center, axis=-1) - radius
    if floor is not None:
        value = np.maximum(value, floor - p[..., 2])
    lps_from_index = np.diag([step, step, step, 1.0])
    lps_from_index[:3, 3] = lo
    return DistanceField(value.astype(np.float32), lps_from_index)


def make_scene(elevation_deg):
    """Left atrium a sphere cut at the annular plane z = 0, septum on it so high, anterior toward +y."""
    e = np.deg2rad(elevation_deg)
    w = np.array([np.cos(e), 0, -np.sin(e)])  # right atrium toward left
    u, v = np.array([0.0, 1, 0]), np.array([np.sin(e), 0, np.cos(e)])
    origin = ATRIUM_CENTER - MEMBRANE_RADIUS * w
    g = np.arange(-10, 10.01, 0.5)
    uu, vv = np.meshgrid(g, g)
    patch = HeightPatch(origin, u, v, w, g, g, MEMBRANE_RADIUS - np.sqrt(MEMBRANE_RADIUS**2 - uu**2 - vv**2))
    t = np.arange(90) * 2 * np.pi / 90
    fossa = Fossa(
        patch=patch, thickness_mm=np.full(uu.shape, 1.5), membrane=np.hypot(uu, vv) <= RIM_RADIUS,
        rim_lps=patch.points_lps(RIM_RADIUS * np.cos(t), RIM_RADIUS * np.sin(t)), center_lps=origin,
        normal_lps=w, area_mm2=np.pi * RIM_RADIUS**2, superior_inferior_mm=14.0, anterior_posterior_mm=14.0,
        thickness_mean_mm=1.5, thickness_min_mm=1.5, thickness_sd_mm=0.3, surface_sd_mm=0.3,
    )
    ring = np.stack([16 * np.sin(t[::6]), 19 * np.cos(t[::6]), 0 * t[::6]], axis=-1)
    annulus = measure_annulus(ring, atrium_point_lps=ATRIUM_CENTER, aorta_point_lps=AORTA_CENTER)
    chambers = Chambers(
        labels=np.zeros((1, 1, 1), dtype=np.uint8), lps_from_index=np.eye(4),
        distance={"left_atrium": sphere_field(ATRIUM_CENTER, ATRIUM_RADIUS, floor=0.0),
                  "aorta": sphere_field(AORTA_CENTER, AORTA_RADIUS)},
        volume_ml={}, mean_hu={}, sd_hu={}, not_assessed={},
    )
    # the cava 15 degrees off the septal plane, as the published mean views have it
    c = np.cos(np.deg2rad(15)) * (0.98 * v - 0.2 * u) + np.sin(np.deg2rad(15)) * w
    landmarks = {"inferior_vena_cava": np.stack([origin - 25 * c, origin - 50 * c])}
    return Scene(fossa, annulus, chambers, landmarks)


@pytest.fixture(scope="session")
def high_septum():
    return make_scene(40.0)


@pytest.fixture(scope="session")
def middle_septum():
    return make_scene(10.0)


@pytest.fixture(scope="session")
def low_septum():
    return make_scene(-5.0)
