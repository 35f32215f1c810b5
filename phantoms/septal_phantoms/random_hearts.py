"""Hearts drawn at random from published means and standard deviations, each scanned in its own way.

A seed gives always the same heart. Draws that are no heart (a fossa that does not face blood on both sides, pools that
run into each other, points that would not lie where they should, a volume no atrium has) are drawn again. Where no
source gives a spread, the range is said to be common practice or to be read off real scans."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from septal_phantoms.annuli import Saddle
from septal_phantoms.assembly import build_heart
from septal_phantoms.bodies import Array, Vector, unit
from septal_phantoms.catalogue import NORMAL, Shape
from septal_phantoms.contrast import PlainBlood, Unmixed
from septal_phantoms.heart import Heart
from septal_phantoms.phantom import FOSSA_LPS, Phantom, landmarks_of, make_scanned
from septal_phantoms.scans import HU, Scan
from septal_phantoms.truth import LABELS, Truth

# Mean and standard deviation of each thing drawn, with its source beside it.
FOSSA_ANTERIOR_POSTERIOR_MM = (17.2, 4.1)  # Yeshwanthi et al. 2024, doi 10.1002/ccd.31304
FOSSA_SUPERIOR_INFERIOR_MM = (12.7, 3.8)  # the same
MEMBRANE_MM = (1.04, 0.44)  # CT: Egypt Heart J 2020, doi 10.1186/s43044-020-00109-6
LEAST_MEMBRANE_MM = 0.8  # what a cardiac CT still shows (point spread 0.9 mm)
LIMBUS_MM = (6.0, 2.0)  # Am Heart J 1990;119:1401-5, doi 10.1016/s0002-8703(05)80191-7
AXIAL_DEG = (60.6, 10.6)  # trace of the septum from the sagittal plane: Fender et al. 2014
CORONAL_DEG = (142.6, 9.1)  # the same
CONTROL_MM = ((36.2, 4.5), (31.6, 7.9))  # diastole: Theriault-Lauzier et al. 2016, doi 10.4244/EIJY15M11_10
REGURGITANT_MM = ((41.5, 4.4), (40.0, 4.7))  # the same, functional regurgitation
CONTROL_SADDLE_MM, REGURGITANT_SADDLE_MM = (6.25, 1.2), (5.3, 1.2)  # doi 10.1155/2020/3261714; SD from its range 3-11
TRICUSPID_MM = ((36.0, 4.0), (30.0, 4.0))  # Addetia et al., JACC CVI 2019;12:401-12
HEIGHT_MM = (15.0, 35.0)  # range on real CT (15-25 mm) up to the heights the textbooks take for granted
ATRIUM_ML = (60.0, 150.0)  # common practice, no source: from ordinary to greatly enlarged

MOST_DRAWS = 4000
QUICK_EXTENT_MM = np.array([158.0, 142.0, 132.0])  # shows the largest right atrium drawn with room to spare


@dataclass(frozen=True)
class Drawn:
    """One random heart: how it was drawn, and after how many draws it was a heart."""

    shape: Shape
    regurgitant: bool
    draws: int


def random_shape(seed: int) -> Shape:
    """The heart of this seed. Raises RuntimeError should none of very many draws be one."""
    return draw(seed).shape


def draw(seed: int) -> Drawn:
    """As `random_shape`, with how it came about."""
    rng = np.random.Generator(np.random.Philox(key=[seed & (2**64 - 1), 2**42]))
    for count in range(1, MOST_DRAWS + 1):
        regurgitant = bool(rng.random() < 0.5)
        shape = _draw_shape(rng, regurgitant)
        if shape is not None and fault_of(shape) is None:
            return Drawn(shape, regurgitant, count)
    raise RuntimeError(f"No heart came of {MOST_DRAWS} draws with seed {seed}; the ranges leave no room.")


def _normal(rng: np.random.Generator, mean_sd: tuple[float, float], low: float = 0.0) -> float:
    """Normal within two deviations of the mean and not below `low`."""
    mean, sd = mean_sd
    while True:
        value = float(rng.normal(mean, sd))
        if abs(value - mean) <= 2 * sd and value >= low:
            return value


def _pair(
    rng: np.random.Generator, one: tuple[float, float], other: tuple[float, float]
) -> tuple[float, float]:
    """Two diameters of one ring: large rings are large both ways (correlation 0.85), the second the lesser."""
    while True:
        first, second = rng.normal(size=2)
        second = 0.85 * first + np.sqrt(1 - 0.85**2) * second
        long, short = one[0] + one[1] * first, other[0] + other[1] * second
        if abs(first) <= 2 and abs(second) <= 2 and 18.0 < short < 0.99 * long:
            return float(long), float(short)


def _draw_shape(rng: np.random.Generator, regurgitant: bool) -> Shape | None:
    axial, coronal = np.radians(_normal(rng, AXIAL_DEG)), np.radians(_normal(rng, CORONAL_DEG))
    # the traces in the axial and in the coronal plane are square to the normal's parts in those planes
    normal = unit((1.0, np.tan(axial), -1.0 / np.tan(coronal)))
    ns0, nm0 = unit(NORMAL.septal_normal), unit(NORMAL.mitral_normal)
    # the mitral valve turns with the septum, and by some degrees on its own
    along_with = _turned(nm0, ns0, normal)
    mitral_normal = unit(along_with + np.tan(np.radians(6.0)) * rng.normal(size=3))
    diameters, saddle = (
        (REGURGITANT_MM, REGURGITANT_SADDLE_MM) if regurgitant else (CONTROL_MM, CONTROL_SADDLE_MM)
    )
    commissures, septal_lateral = _pair(rng, *diameters)
    long, short = _pair(rng, *TRICUSPID_MM)
    fossa = (_normal(rng, FOSSA_SUPERIOR_INFERIOR_MM), _normal(rng, FOSSA_ANTERIOR_POSTERIOR_MM))
    height = float(rng.uniform(*HEIGHT_MM))
    away = float(rng.uniform(31.0, 40.0)) + max(0.0, (septal_lateral - 28.5) / 2)  # fossa to annulus, in space
    la_semi = np.cbrt(rng.uniform(*ATRIUM_ML) / 85.0) * np.array(NORMAL.la_semi) * rng.uniform(0.93, 1.07, 3)
    reach = float(np.linalg.norm(la_semi * normal))
    center0 = np.array(NORMAL.la_center)
    aside = (center0 - (center0 @ ns0) * ns0) * float(la_semi.mean() / np.mean(NORMAL.la_semi))
    la_center = (reach - rng.uniform(7.0, 10.0)) * ns0 + aside + rng.normal(0.0, 2.0, 3)
    spread = (septal_lateral - 28.5) / 2
    aorta = np.array([1.0, -2.0, 0.5]) + rng.normal(0.0, 1.5, 3) + spread * np.array([0.1, -0.3, 0.1])
    lift = rng.normal(0.0, 3.0, 3)
    shape = Shape(
        septal_normal=_three(normal),
        mitral_normal=_three(mitral_normal),
        height=height,
        offset=float(np.sqrt(max(away**2 - height**2, 1.0))),
        septal_hinge_deg=float(rng.normal(35.0, 6.0)),
        mitral_diameters=(commissures, septal_lateral),
        mitral_saddle=_normal(rng, saddle, 3.0),
        tricuspid_diameters=(long, short),
        septum_radius=float(rng.uniform(54.0, 80.0)),
        fossa=fossa,
        membrane=_normal(rng, MEMBRANE_MM, LEAST_MEMBRANE_MM),
        limbus=_normal(rng, LIMBUS_MM, 4.0),
        limbus_swing=float(rng.uniform(0.0, 1.5)),
        bulge=float(np.clip(rng.normal(0.0, 1.5), -4.0, 4.0)),
        la_center=_three(la_center),
        la_semi=_three(la_semi),
        ra_scale=float(np.cbrt(rng.uniform(*ATRIUM_ML) / 95.0)),
        lv_wall=float(rng.uniform(8.0, 11.5)),
        mitral_tent=float(rng.uniform(5.0, 9.0) if regurgitant else rng.uniform(3.0, 6.5)),
        aorta_shift=_three(aorta),
        appendage_shift=_three(lift),
    )
    if not fossa[0] < 1.25 * fossa[1]:
        return None
    return _with_room(shape, float(rng.uniform(4.5, 9.0)))


def _with_room(shape: Shape, to_aorta: float) -> Shape | None:
    """The mitral ring moved along its plane until it clears the septum, and the outflow tract moved until it lies
    `to_aorta` mm from the fossa's rim; None where that would take it far."""
    start = shape
    for _ in range(3):
        try:
            truth = Truth(build_heart(shape, FOSSA_LPS))
        except ValueError:
            return None
        heart, rim = truth.heart, _rim(truth.heart, 30)
        short_of = 4.0 - float(truth.midsurface_distance_mm(truth.mitral.points(24)).min())
        outflow = np.minimum(truth.aorta_distance_mm(rim), truth.fields_at(rim)["left_ventricle"])
        away = unit(heart.root_base + 8.0 * heart.root_axis - heart.septum.center)
        shift = np.array(shape.aorta_shift) + (to_aorta - float(outflow.min())) * away
        shape = replace(shape, offset=shape.offset + max(0.0, short_of), aorta_shift=_three(shift))
    moved = np.linalg.norm(np.array(shape.aorta_shift) - start.aorta_shift)
    return shape if moved < 12.0 and 8.0 < shape.offset < start.offset + 8.0 else None


def _rim(heart: Heart, n: int) -> Array:
    at = np.arange(n) * 2 * np.pi / n
    return heart.septum.point(heart.septum.bu * np.cos(at), heart.septum.bv * np.sin(at))


def _three(v: Array) -> tuple[float, float, float]:
    return float(v[0]), float(v[1]), float(v[2])


def _turned(vector: Vector, start: Vector, end: Vector) -> Vector:
    """`vector` by the smallest turn that takes unit `start` to unit `end` (Rodrigues)."""
    v, c = np.cross(start, end), float(start @ end)
    across = np.cross(v, vector)
    return np.asarray(vector + across + np.cross(v, across) / (1 + c))


# --------------------------------------------------------------------------------------------- whether it is a heart


def fault_of(shape: Shape) -> str | None:
    """Why the shape is no heart, in a few words, or None where it is one. Cheap tests first."""
    try:
        heart = build_heart(shape, FOSSA_LPS)
    except ValueError as problem:  # a vessel that does not leave its chamber
        return str(problem)
    truth = Truth(heart)
    for check in (_rings_fault, _fossa_fault, _points_fault, _pools_fault):
        fault = check(heart, truth)
        if fault is not None:
            return fault
    return None


def _rings_fault(heart: Heart, truth: Truth) -> str | None:
    if not 500 <= truth.mitral.area_mm2 <= 1600:  # Abdelghani et al. 2017, doi 10.1093/ehjci/jew132
        return "mitral area"
    if not 460 <= truth.tricuspid.area_mm2 <= 1260:  # Addetia et al. 2019: two deviations
        return "tricuspid area"
    mitral, tricuspid = truth.mitral.points(48), truth.tricuspid.points(48)
    if truth.midsurface_distance_mm(mitral).min() < 3.0 or truth.midsurface_distance_mm(tricuspid).max() > -3.0:
        return "a ring in the septum"
    if truth.height_mm(_rim(heart, 36)).min() < 3.0:
        return "the fossa at the ring"
    ring_to_ring = np.linalg.norm(mitral[:, None] - tricuspid[None], axis=-1)
    if ring_to_ring.min() < 4.0:
        return "the rings too close"
    for ring, atrium in ((heart.mitral, "left_atrium"), (heart.tricuspid, "right_atrium")):
        disc, axis = _disc(ring), ring.axes[2]
        above, below = disc + 2.5 * axis, disc - 2.5 * axis
        f_above, f_below = truth.fields_at(above), truth.fields_at(below)
        ventricle = "left_ventricle" if atrium == "left_atrium" else "right_ventricle"
        if np.mean(f_above[atrium] < 0) < 0.97 or np.mean(f_below[ventricle] < 0) < 0.9:
            return "a valve not between its chambers"
    return None


def _disc(ring: Saddle) -> Array:
    """Points of the surface that spans the ring, to 0.8 of its radius."""
    t = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    edge = ring.curve_lps(t)
    return np.concatenate([ring.origin + q * (edge - ring.origin) for q in (0.2, 0.5, 0.8)])


def _fossa_fault(heart: Heart, truth: Truth) -> str | None:
    s = heart.septum
    phi = np.linspace(0, 2 * np.pi, 36, endpoint=False)
    rho = np.array([0.05, 0.4, 0.7, 0.97])[:, None]
    u, v = (s.bu * rho * np.cos(phi)).ravel(), (s.bv * rho * np.sin(phi)).ravel()
    middle, normal, half = s.point(u, v), s.surface_normal(u, v), s.thickness_uv(u, v) / 2
    for beyond in (0.3, 2.0, 5.0):
        left = truth.fields_at(middle + (half + beyond)[:, None] * normal)["left_atrium"]
        right = truth.fields_at(middle - (half + beyond)[:, None] * normal)["right_atrium"]
        if left.max() >= 0 or right.max() >= 0:
            return "the fossa does not face blood"
    center = s.point(np.zeros(1), np.zeros(1))[0]
    if truth.free_path_mm(center, s.normal, step_mm=1.0, longest_mm=60.0) < 20.0:
        return "no room beyond the fossa"
    # room for the limbus: a thick wall between two bloods all around, but where the aorta lies against it in front
    out = 3.0
    edge_u, edge_v = s.bu * np.cos(phi), s.bv * np.sin(phi)
    k = (np.hypot(edge_u, edge_v) + out) / np.hypot(edge_u, edge_v)
    u, v = k * edge_u, k * edge_v
    middle, normal, half = s.point(u, v), s.surface_normal(u, v), s.thickness_uv(u, v) / 2
    left = truth.fields_at(middle + (half + 1.0)[:, None] * normal)["left_atrium"] < 0
    right = truth.fields_at(middle - (half + 1.0)[:, None] * normal)["right_atrium"] < 0
    if np.mean(left) < 0.9 or np.mean(right) < 0.8:
        return "no room for the limbus"
    if truth.aorta_distance_mm(_rim(heart, 36)).min() < 4.0 or truth.aorta_distance_mm(center)[0] > 30.0:
        return "the aorta too close or too far"
    return None


def _points_fault(heart: Heart, truth: Truth) -> str | None:
    points = landmarks_of(heart, truth, 0, 0.0)
    for name in ("left_atrium", "right_atrium", "aorta", "left_ventricle", "right_ventricle"):
        ball = points[name] + 4.0 * np.vstack([np.zeros(3), np.eye(3), -np.eye(3)])
        if (truth.label_at(ball) != LABELS[name]).any():
            return f"the point of the {name} not well inside it"
    if truth.label_at(points["fossa"])[0] != LABELS["fossa_membrane"]:
        return "the point of the fossa not on it"
    beside = ("left_atrial_appendage", "superior_vena_cava", "coronary_sinus")
    if not all(truth.vessel_at(points[name]).all() for name in beside):
        return "the point of a vessel not in it"
    upper, lower = points["inferior_vena_cava"]
    if not truth.vessel_at(lower[None])[0] or lower[2] >= upper[2]:
        return "the lower point of the inferior cava"
    return None


PARTS = (
    "left_atrium", "right_atrium", "aorta", "left_ventricle", "right_ventricle", "left_vessels", "right_vessels",
    "pulmonary_trunk",
)  # fmt: skip


def _pools_fault(heart: Heart, truth: Truth, step: float = 2.0) -> str | None:
    """On a grid: volumes, pools in one piece, no two of them in one place."""
    low = heart.septum.center - np.array([75.0, 95.0, 65.0])
    x, y, z = (np.arange(low[n], low[n] + (190.0, 175.0, 145.0)[n], step, dtype=np.float32) for n in range(3))
    f = heart.fields(x[None, None, :], y[None, :, None], z[:, None, None])
    inside = {name: f[name] < 0 for name in PARTS}
    if np.sum([inside[name].astype(np.uint8) for name in PARTS], axis=0).max() > 1:
        return "two pools in one place"
    for name in ("left_atrium", "right_atrium"):
        volume = float(np.clip(0.5 - f[name] / step, 0, 1).sum(dtype=float)) * step**3 / 1000
        if not ATRIUM_ML[0] <= volume <= ATRIUM_ML[1]:
            return f"volume of the {name}"
    for name in PARTS[:5]:
        pieces, count = ndimage.label(inside[name])
        sizes = np.bincount(pieces.ravel())[1:]
        if count and sizes.max() < 0.999 * sizes.sum():
            return f"the {name} in pieces"
    apart = (("left_atrium", "right_atrium"), ("left_atrium", "aorta"), ("right_atrium", "aorta"))
    for one, other in (*apart, ("left_atrium", "right_ventricle"), ("right_atrium", "left_ventricle")):
        if float(np.maximum(f[one], f[other]).min()) < 0.2:
            return f"no wall between the {one} and the {other}"
    return None


# -------------------------------------------------------------------------------------------------- how it is scanned


def random_scan(seed: int) -> Scan:
    """The heart of this seed, scanned in its own way: voxels of 0.6-1.5 mm, noise of 15-45 HU, the brightness of each
    pool, and in half of them a right atrium of unmixed contrast over a plain-blood inferior cava. Ranges as real CT
    shows them (common practice, no source)."""
    rng = np.random.Generator(np.random.Philox(key=[seed & (2**64 - 1), 2**43]))
    left = float(rng.uniform(300.0, 520.0))
    right = left * float(rng.uniform(0.55, 1.05))
    cava = float(rng.uniform(90.0, 150.0))
    muscle = float(rng.uniform(85.0, 115.0))
    hu = {
        **HU,
        "left_atrium": left,
        "left_vessels": left * float(rng.uniform(1.0, 1.06)),
        "left_ventricle": left * float(rng.uniform(0.9, 1.0)),
        "aorta": left * float(rng.uniform(0.92, 1.02)),
        "right_atrium": right,
        "right_ventricle": right * float(rng.uniform(0.92, 1.08)),
        "pulmonary_trunk": right * float(rng.uniform(0.95, 1.1)),
        "coronary_sinus": float(rng.uniform(130.0, 200.0)),
        "superior_vena_cava": right * float(rng.uniform(1.1, 1.6)),
        "inferior_vena_cava": cava,
        "muscle": muscle,
        "leaflets": muscle + 7.0,
    }
    scan = Scan(
        shape=random_shape(seed),
        spacing_mm=_three(np.full(3, round(float(rng.uniform(0.6, 1.5)), 2))),
        noise_hu=float(rng.uniform(15.0, 45.0)),
        hu=hu,
    )
    if rng.random() < 0.5:
        return scan
    low, high = right * float(rng.uniform(0.6, 0.85)), right * float(rng.uniform(1.2, 1.8))
    low = max(low, 190.0)
    streaks = Unmixed(low, max(min(high, 900.0), low + 60.0), int(rng.integers(2**31)))
    reach = float(rng.uniform(2.0, 10.0))
    plain = PlainBlood(Unmixed(cava - 8.0, cava + 8.0, int(rng.integers(2**31))), reach_mm=reach)
    return replace(scan, right_atrium=streaks, plain_blood=plain)


def make_random(
    seed: int, quick: bool = True, landmark_noise_mm: float = 0.0, *, noise_seed: int | None = None
) -> Phantom:
    """The random heart of this seed in the scan of this seed, named `random-<seed>`, in mid-diastole (70 %). `quick`:
    voxels of at least 1 mm and the heart alone; `landmark_noise_mm`: standard deviation per coordinate of Gaussian
    observer noise on all points; `noise_seed` of image and observer noise, `seed` unless told."""
    scan = random_scan(seed)
    step = np.maximum(1.0, scan.spacing_mm)
    wide = tuple(int(n) for n in np.round(QUICK_EXTENT_MM / step)) if quick else None
    return make_scanned(
        f"random-{seed}",
        scan,
        70.0,
        size=wide,  # type: ignore[arg-type]
        quick=quick,
        seed=seed if noise_seed is None else noise_seed,
        landmark_noise_mm=landmark_noise_mm,
    )
