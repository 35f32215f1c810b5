"""The chest around the heart: skin and fat, muscle, ribs, sternum, spine, lungs, diaphragm, liver, table.

Coordinates here are LPS mm about the midline at the level of the fossa (`origin`); nothing in it carries a
truth."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from septal_phantoms.bodies import Array, Vector, in_box, smooth_max, tube
from septal_phantoms.scanner import paint

HU_AIR, HU_FAT, HU_MUSCLE, HU_LUNG, HU_LIVER, HU_STOMACH = -1000.0, -95.0, 55.0, -830.0, 110.0, 45.0
HU_CORTEX, HU_MARROW, HU_TABLE, HU_DISC, HU_CANAL = 700.0, 220.0, 200.0, 90.0, 30.0
SPINE_Y, VERTEBRA_MM = 82.0, 25.0


OESOPHAGUS = np.array([[6.0, 58.0, 110.0], [2.0, 56.0, 30.0], [0.0, 52.0, 0.0], [4.0, 54.0, -110.0]])
AIRWAYS = (
    (np.array([[0.0, 42.0, 130.0], [0.0, 40.0, 66.0]]), 8.5),
    (np.array([[0.0, 40.0, 66.0], [-40.0, 50.0, 38.0]]), 6.0),
    (np.array([[0.0, 40.0, 66.0], [44.0, 50.0, 40.0]]), 5.5),
)


def _lung_vessels() -> tuple[tuple[Array, float], ...]:
    """Straight branches from each hilum outward, always the same ones."""
    rng = np.random.Generator(np.random.Philox(key=[7, 7]))
    out = []
    for side in (-1.0, 1.0):
        hilum = np.array([side * 50.0, 42.0, 24.0])
        for _ in range(26):
            toward = rng.normal(size=3) * (0.7, 0.9, 1.0) + (side * 0.9, -0.15, 0.1)
            toward /= np.linalg.norm(toward)
            start = hilum + toward * rng.uniform(4.0, 14.0)
            out.append(
                (np.stack([start, start + toward * rng.uniform(25.0, 60.0)]), float(rng.uniform(0.8, 2.2)))
            )
    inside = [
        (p, r)
        for p, r in out
        if (p[1, 0] / 132) ** 2 + ((p[1, 1] - 6) / 88) ** 2 < 1 and p[1, 2] > -15 and abs(p[1, 0]) > 48
    ]
    return tuple(inside)


LUNG_VESSELS = _lung_vessels()


def _tube_of(path: Array, radius: float) -> Callable[[Array, Array, Array], Array]:
    return lambda x, y, z: tube(x, y, z, path, [radius] * len(path))


def _oval(x: Array, y: Array, cx: float, cy: float, a: float, b: float) -> Array:
    """First-order distance to an ellipse in the axial plane."""
    u, v = (x - cx) / a, (y - cy) / b
    root = np.sqrt(u * u + v * v)
    return np.asarray(root * (root - 1.0) / np.sqrt((u / a) ** 2 + (v / b) ** 2 + 1e-12))


def paint_thorax(
    x: Array,
    y: Array,
    z: Array,
    origin: Vector,
    voxel_mm: float,
    *,
    liver_hu: float = HU_LIVER,
    vessel_hu: float = 180.0,
) -> Array:
    """Background of a slab in HU, [k, j, i] float32, for coordinates shaped (1,1,ni), (1,nj,1), (nk,1,1) or
    given in full."""
    x, y, z = (np.asarray(c - float(o), np.float32) for c, o in zip((x, y, z), origin, strict=True))
    hu = np.full(np.broadcast_shapes(x.shape, y.shape, z.shape), HU_AIR, np.float32)
    paint(hu, np.abs(y - 136.0 - 0.0006 * x * x) - 2.0 + 0 * z, HU_TABLE, voxel_mm)
    skin = _oval(x, y, 0.0, 2.0, 178.0, 128.0)
    cage = _oval(x, y, 0.0, 6.0, 146.0, 101.0)
    paint(hu, skin, HU_MUSCLE, voxel_mm)
    paint(hu, skin + 2.0, HU_FAT, voxel_mm)
    paint(hu, cage - 14.0, HU_MUSCLE, voxel_mm)
    paint(hu, np.abs(cage - 7.0) - 2.0, HU_FAT - 10.0, voxel_mm)

    # Lungs: the cage without a central column; below the domes, liver and stomach.
    column = _oval(x, y, -2.0, 66.0, 33.0, 40.0)
    front = _oval(x, y, 2.0, -92.0, 26.0, 22.0)
    middle = _oval(x, y, 4.0, -10.0, 34.0, 92.0)
    lung = np.maximum(cage + 1.5, -np.minimum(np.minimum(column, front), middle))
    paint(hu, cage + 1.0, HU_FAT, voxel_mm)
    paint(hu, lung, HU_LUNG, voxel_mm)
    right_dome = -42.0 - ((x + 62.0) / 12.0) ** 2 - ((y - 4.0) / 13.0) ** 2
    left_dome = -56.0 - ((x - 70.0) / 12.0) ** 2 - ((y - 4.0) / 13.0) ** 2
    below_right, below_left = (z - right_dome) * 0.6, (z - left_dome) * 0.6
    belly = smooth_max(cage + 3.0, -column - 6.0, 8.0)
    paint(hu, np.maximum(np.minimum(below_right, below_left) - 2.5, cage + 1.0), HU_MUSCLE, voxel_mm)
    paint(hu, np.maximum(below_left, belly), HU_STOMACH, voxel_mm)
    paint(hu, np.maximum(below_right, belly), liver_hu, voxel_mm)

    # Ribs all at once: rings that fall forward, one every 25 mm.
    rib = np.mod(z + 0.45 * y + 9.0 + VERTEBRA_MM / 2, VERTEBRA_MM) - VERTEBRA_MM / 2
    ring = np.sqrt(((cage - 5.0) * 1.25) ** 2 + (rib * 0.75) ** 2) - 5.0
    ring = np.maximum(ring, np.maximum(-62.0 - y, 18.0 - np.abs(x)))
    cartilage = np.sqrt(((cage - 5.0) * 1.25) ** 2 + (rib * 0.75) ** 2) - 4.5
    paint(hu, np.maximum(cartilage, np.maximum(y + 62.0, 16.0 - np.abs(x))), 130.0, voxel_mm)
    paint(hu, ring, HU_CORTEX - 150.0, voxel_mm)
    paint(hu, ring + 1.5, HU_MARROW, voxel_mm)
    sternum = np.maximum(np.abs(x) - 17.0, np.abs(y + 101.0 + 0.02 * z) - 5.5) + 0 * z
    sternum = np.maximum(sternum, -60.0 - z)
    paint(hu, sternum, HU_CORTEX - 200.0, voxel_mm)
    paint(hu, sternum + 1.6, HU_MARROW - 60.0, voxel_mm)

    # Spine: bodies with a waist and discs, pedicles, canal, spinous processes.
    level = np.mod(z + VERTEBRA_MM / 2, VERTEBRA_MM) - VERTEBRA_MM / 2
    waist = 1.6 * np.cos(level * (2 * np.pi / VERTEBRA_MM))
    body = np.maximum(_oval(x, y, 0.0, SPINE_Y, 17.5, 15.0), 76.0 - 108.0 - y) + waist
    solid = np.maximum(body, np.abs(level) - (VERTEBRA_MM / 2 - 2.5))
    paint(hu, _oval(x, y, 0.0, SPINE_Y + 30.0, 38.0, 22.0) + 0 * z, HU_MUSCLE, voxel_mm)
    paint(hu, np.maximum(_oval(x, y, 0.0, SPINE_Y, 16.5, 14.5) + 0 * z, -1e3), HU_DISC, voxel_mm)
    arch = _oval(x, y, 0.0, SPINE_Y + 20.0, 16.0, 12.0)
    spinous = np.maximum(np.abs(x) - 3.5, np.abs(y - SPINE_Y - 36.0) - 12.0)
    wings = np.maximum(np.abs(y - SPINE_Y - 22.0 - 0.2 * np.abs(x)) - 5.0, np.abs(x) - 33.0)
    back = np.maximum(np.minimum(np.minimum(arch, spinous), wings), np.abs(level + 3.0) - 7.0)
    paint(hu, back, HU_CORTEX - 200.0, voxel_mm)
    paint(hu, back + 1.8, HU_MARROW, voxel_mm)
    paint(hu, solid, HU_CORTEX - 100.0, voxel_mm)
    paint(hu, solid + 1.4, HU_MARROW, voxel_mm)
    paint(hu, _oval(x, y, 0.0, SPINE_Y + 21.5, 9.0, 7.5) + 0 * z, HU_CANAL, voxel_mm)
    # Oesophagus, trachea and main bronchi, and the larger vessels of the lungs.
    paint(
        hu,
        in_box(_tube_of(OESOPHAGUS, 6.5), x, y, z, OESOPHAGUS.min(0) - 7, OESOPHAGUS.max(0) + 7, 9.0),
        HU_MUSCLE,
        voxel_mm,
    )
    for path, radius in AIRWAYS:
        field = in_box(_tube_of(path, radius), x, y, z, path.min(0) - radius, path.max(0) + radius, 9.0)
        paint(hu, field - 1.5, HU_MUSCLE, voxel_mm)
        paint(hu, field, HU_AIR, voxel_mm)
    for path, radius in LUNG_VESSELS:
        paint(
            hu,
            in_box(_tube_of(path, radius), x, y, z, path.min(0) - radius, path.max(0) + radius, 3.0),
            vessel_hu,
            voxel_mm,
        )
    return hu
