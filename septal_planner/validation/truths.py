"""The truth of every number that a plan lists, from the phantom's closed forms.

What hangs on a choice of the plan (its target, the direction in which it crosses where that is said) is judged at that
choice. What is computed from several true things (angles and radius of the arc) is computed from the true ones by the
same formula: here the formula is no question, only how far the doubt of its inputs carries."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import septal_phantoms
from numpy.typing import NDArray
from septal_phantoms.annuli import AnnulusTruth
from septal_phantoms.phantom import landmarks_of

from septal_planner.anatomy.annulus import measure_annulus
from septal_planner.errors import AnatomyNotFound
from septal_planner.geometry.shapes import DistanceField
from septal_planner.pipeline import PlannedCase
from septal_planner.puncture import catheter
from septal_planner.puncture.device_point import valve_middle
from septal_planner.validation.results import Told

Array = NDArray[np.float64]

VOLUME_STEP_MM = 1.5
ROOM_STEP_MM = 1.25
COMMISSURAL_PER_TRIGONAL = 1.44  # Noack et al. 2019, doi 10.1093/ejcts/ezz096
WITHOUT_TRUTH = ("brightness",)  # of blood that flows and streaks: painted, not a number of the heart's


def told_with_interval(case: PlannedCase, truth: septal_phantoms.Truth) -> list[Told]:
    """Every listed measurement that has a doubt and a truth; what no program could measure in this scan counts too,
    since its interval then has to be wide enough."""
    true = true_values(case, truth)
    return [
        Told(m.name, m.unit, m.value, m.sd, true[m.name])
        for m in case.measurements
        if m.sd is not None and np.isfinite(true.get(m.name, np.nan))
    ]


def true_values(case: PlannedCase, truth: septal_phantoms.Truth) -> dict[str, float]:
    """Truth by the name of the measurement; nan where the phantom has none."""
    p, fossa = case.site.target_lps, truth.fossa
    exact = landmarks_of(truth.heart, truth, 0, 0.0)
    coaptation = exact["leaflet_coaptation"][0]
    superior, anterior = fractions(p, truth)
    out = {
        "height above mitral annulus": float(truth.height_mm(p)[0]),
        "height above leaflet coaptation": float((p - coaptation) @ truth.mitral.normal),
        "superior fraction": superior,
        "anterior fraction": anterior,
        "wall thickness at target": float(truth.thickness_mm(p)[0]),
        "distance to aorta": float(truth.aorta_distance_mm(p)[0]),
        "distance to posterior wall": truth.free_path_mm(p, case.site.reach.crossing_direction),
        "distance to rim": float(np.linalg.norm(fossa.rim - p, axis=1).min()),
        "fossa area": fossa.area_mm2,
        "fossa superior-inferior": fossa.superior_inferior_mm,
        "fossa anterior-posterior": fossa.anterior_posterior_mm,
        "fossa mean thickness": fossa.thickness_mean_mm,
        "fossa least thickness": fossa.thickness_min_mm,
    }
    for name, ring in (("mitral", truth.mitral), ("tricuspid", truth.tricuspid)):
        out |= {f"{name} {what}": value for what, value in ring_values(ring).items()}
    # the plan tells the volume within the labelled box
    box = volumes_within_ml(truth, case.chambers.lps_from_index, case.chambers.labels.shape[::-1])
    out |= {f"{name.replace('_', ' ')} volume": ml for name, ml in box.items()}
    return out | _arc(case, truth, exact)


def fractions(p: Array, truth: septal_phantoms.Truth) -> tuple[float, float]:
    """Position within the true rim, toward the head and toward the front, in the plane of the true mean normal."""
    n = truth.fossa.normal
    superior = np.array([0.0, 0.0, 1.0]) - n[2] * n
    superior /= np.linalg.norm(superior)
    anterior = np.cross(n, superior)
    anterior = anterior if anterior[1] < 0 else -anterior
    at = []
    for axis in (superior, anterior):
        rim = truth.fossa.rim @ axis
        at.append(float((p @ axis - rim.min()) / np.ptp(rim)))
    return at[0], at[1]


def ring_values(ring: AnnulusTruth, n: int = 720) -> dict[str, float]:
    """Measures of one annulus: caliper widths of the projected closed form, and its D."""
    curve = ring.curve(n) - ring.center
    u = ring.saddle.axes[0] - (ring.saddle.axes[0] @ ring.normal) * ring.normal
    u /= np.linalg.norm(u)
    v = np.cross(ring.normal, u)
    v = v if v @ ring.saddle.axes[1] > 0 else -v  # toward the septum
    flat = np.stack([curve @ u, curve @ v], axis=-1)
    turn = np.radians(90.0 + np.arange(-60.0, 60.25, 0.25))  # about the septal-lateral axis
    widths = np.ptp(flat @ np.stack([np.cos(turn), np.sin(turn)]), axis=0)
    least = float(turn[int(np.argmin(widths))])
    along = np.array([np.cos(least), np.sin(least)])
    across = np.array([-along[1], along[0]])
    wide = float(np.ptp(flat @ across))
    area, perimeter = _d_shape(np.stack([flat @ across, flat @ along], axis=-1), wide / COMMISSURAL_PER_TRIGONAL)
    return {
        "annulus area": ring.area_mm2,
        "annulus perimeter": ring.perimeter_mm,
        "septal-lateral diameter": float(widths.min()),
        "intercommissural diameter": wide,
        "saddle height": ring.saddle_height_mm,
        "D-shape area": area,
        "D-shape perimeter": perimeter,
    }


def _d_shape(curve: Array, chord_mm: float) -> tuple[float, float]:
    """Area and perimeter of a closed curve (n, 2) without what lies beyond the outermost chord of that length square to
    the second axis, on its positive side."""
    low, high = 0.0, float(curve[:, 1].max())
    for _ in range(60):  # the chord shrinks outward
        level = (low + high) / 2
        x = _crossings(curve, level)
        low, high = (level, high) if np.ptp(x) > chord_mm else (low, level)
    level = (low + high) / 2
    x = _crossings(curve, level)
    kept = curve[curve[:, 1] <= level]
    # the part kept begins after the cut
    start = int(np.argmax(np.linalg.norm(np.diff(kept, axis=0, append=kept[:1]), axis=1))) + 1
    kept = np.roll(kept, -start, axis=0)
    ends = np.array([[x.min(), level], [x.max(), level]])
    if np.linalg.norm(kept[-1] - ends[0]) > np.linalg.norm(kept[-1] - ends[1]):
        ends = ends[::-1]
    closed = np.concatenate([kept, ends])
    ahead = np.roll(closed, -1, axis=0)
    area = 0.5 * abs(float(np.sum(closed[:, 0] * ahead[:, 1] - closed[:, 1] * ahead[:, 0])))
    return area, float(np.linalg.norm(ahead - closed, axis=1).sum())


def _crossings(curve: Array, level: float) -> Array:
    """Where a closed curve (n, 2) crosses a level of its second coordinate: its first coordinates."""
    ahead = np.roll(curve, -1, axis=0)
    over = (curve[:, 1] <= level) != (ahead[:, 1] <= level)
    a, b = curve[over], ahead[over]
    return np.asarray(a[:, 0] + (level - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0]))


def volumes_within_ml(
    truth: septal_phantoms.Truth, lps_from_index: Array, size_ijk: tuple[int, ...]
) -> dict[str, float]:
    """Volume of each blood pool within a box of voxels: midpoint quadrature of occupancy every 1.5 mm."""
    affine, size = lps_from_index, np.array(size_ijk)
    corners = np.array(np.meshgrid(*((-0.5, s - 0.5) for s in size), indexing="ij")).reshape(3, -1).T
    box = corners @ affine[:3, :3].T + affine[:3, 3]
    h = VOLUME_STEP_MM
    x, y, z = (np.arange(box[:, n].min() + h / 2, box[:, n].max(), h) for n in range(3))
    total = dict.fromkeys(("left_atrium", "right_atrium", "aorta", "left_ventricle", "right_ventricle"), 0.0)
    from_lps = np.linalg.inv(affine)
    for z0 in range(0, len(z), 16):
        at = (x[None, None, :], y[None, :, None], z[z0 : z0 + 16, None, None])
        f = truth.heart.fields(*at)
        solid = np.min([body.distance(*at) for body in truth.solids], axis=0) if truth.solids else None
        index = [sum(from_lps[n, m] * at[m] for m in range(3)) + from_lps[n, 3] for n in range(3)]
        within = np.all([(c >= -0.5) & (c <= s - 0.5) for c, s in zip(index, size, strict=True)], axis=0)
        for name in total:
            field = f[name] if solid is None else np.maximum(f[name], -solid)
            total[name] += float((np.clip(0.5 - field / h, 0, 1) * within).sum()) * h**3 / 1000
    return total


def _arc(case: PlannedCase, truth: septal_phantoms.Truth, exact: dict[str, Array]) -> dict[str, float]:
    """Angles, radius and clearance of the arc from the plan's target, all else true."""
    ring = measure_annulus(
        truth.mitral.points(64), atrium_point_lps=exact["left_atrium"][0], aorta_point_lps=exact["aorta"][0]
    )
    cava = exact["inferior_vena_cava"]
    found, p = case.site.reach, case.site.target_lps
    if case.procedure.target_structure != "mitral_annulus":
        return {}
    try:
        crossing = catheter.crossing_direction(
            cava[0] - cava[1], truth.fossa.normal, sheath_angle_deg=found.sheath_angle_deg
        )
    except AnatomyNotFound:
        return {}
    center = p - 10.0 * truth.mitral.normal
    x, y, z = (np.arange(c - 65.0, c + 65.0, ROOM_STEP_MM) for c in center)
    values = truth.heart.fields(x[None, None, :], y[None, :, None], z[:, None, None])["left_atrium"]
    affine = np.diag([ROOM_STEP_MM, ROOM_STEP_MM, ROOM_STEP_MM, 1.0])
    affine[:3, 3] = x[0], y[0], z[0]
    left = DistanceField(values.astype(np.float32), affine)
    true = catheter.reach(
        p, crossing, truth.fossa.normal, ring, case.procedure, left_atrium=left,
        goal=replace(valve_middle(ring), point_lps=truth.mitral.center), sheath_angle_deg=found.sheath_angle_deg,
    )
    values_of = {
        "entry angle": true.entry_angle_deg,
        "turn angle": true.turn_angle_deg,
        "bend radius": true.bend_radius_mm,
        "axis tilt": true.axis_tilt_deg,
        "clearance of the arc": true.clearance_mm,
    }
    return {name: float(value) for name, value in values_of.items() if value is not None}
