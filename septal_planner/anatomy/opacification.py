"""How well a CT shows the blood beside the septum, read at the landmarks alone: nothing is segmented.

Brightness, its spread and the noise at each point marked in blood, the step of brightness across the septum at the
fossa point, and in plain words what can and what cannot be trusted in this scan.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from septal_planner.geometry.frames import apply_affine, spacing_mm, unit_vector
from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.resample import sample_lps
from septal_planner.inputs.volume import Volume

Array = NDArray[np.float64]

BLOOD = (
    "left_atrium", "right_atrium", "left_ventricle", "right_ventricle", "aorta", "superior_vena_cava",
    "inferior_vena_cava", "left_atrial_appendage",
)  # fmt: skip
VESSELS = ("superior_vena_cava", "inferior_vena_cava", "left_atrial_appendage")  # too narrow for the wide ball
BALL_MM, NARROW_BALL_MM = 8.0, 5.0
LEAST_VOXELS = 30

# Contrast-enhanced myocardium: 79 to 104 HU (21 normal hearts, 320-row CT); plain blood is darker, 35 to 50 HU (from
# memory).
MUSCLE_HU = 100.0
NO_CONTRAST_HU = 60.0  # above muscle: less, and blood cannot be told from it at usual noise (practice value, no source)
DARK_BESIDE_FOSSA_HU = 40.0  # above muscle: less, and no edge of blood is seen (practice value, no source)
WEAK_HU = 250.0  # of the left atrium; 300 to 500 HU is usual in the arterial phase, from memory
# Spread within the right atrium under a protocol made to fill it evenly: Hinzpeter et al. 2017
EVEN_SPREAD_HU = 63.0
OUTSHINES_HU = 150.0  # above the 95th percentile of the chamber's blood (practice value, no source)
NOISY_HU = 35.0  # practice value, no source
# Rose, J Opt Soc Am 1948, doi 10.1364/JOSA.38.000196: a thing is seen for certain where its contrast is five times the
# noise averaged over its area; here of a spot of the wall of this radius
SEEN_FOR_CERTAIN = 5.0
SPOT_MM = 2.5
COARSE_MM = 1.0  # slices of a planning CT: 0.75 mm, at most 1.0 (from memory, common practice)
EARLY_SHARE = 0.9  # of the left atrium's brightness (practice value, no source)

Bearing = Literal["trust", "doubt", "table"]


@dataclass(frozen=True)
class BloodReading:
    """Blood in a ball around a landmark: mean, spread (SD), 5th and 95th percentile, noise (SD), HU. Where contrast is
    unmixed its streaks count as noise too; None where the ball holds too few voxels to tell."""

    mean_hu: float
    spread_hu: float
    low_hu: float
    high_hu: float
    noise_hu: float | None


@dataclass(frozen=True)
class SeptumReading:
    """Along the line through the fossa point from the right toward the left atrium's point: blood on either side, its
    spread there (SD), the lowest brightness between, and the noise, HU."""

    left_hu: float
    right_hu: float
    left_spread_hu: float
    right_spread_hu: float
    right_range_hu: tuple[float, float]
    wall_hu: float
    noise_hu: float
    averaging: float  # by how much a spot of the wall 5 mm across stands out more than one voxel

    @property
    def contrast_left_hu(self) -> float:
        return self.left_hu - self.wall_hu

    @property
    def contrast_right_hu(self) -> float:
        return self.right_hu - self.wall_hu

    @property
    def contrast_to_noise(self) -> float:
        """Of the weaker side."""
        return min(self.contrast_left_hu, self.contrast_right_hu) / self.noise_hu


@dataclass(frozen=True)
class Statement:
    """One sentence; `kind` names it, `bears` whether it is a reason to trust, to doubt, or to know at the table."""

    kind: str
    text: str
    bears: Bearing


@dataclass(frozen=True)
class Opacification:
    """What a scan shows of the blood, by landmark, and across the septum (None where the line leaves the CT)."""

    blood: Mapping[str, BloodReading]
    septum: SeptumReading | None
    statements: tuple[Statement, ...]

    @property
    def sentences(self) -> tuple[str, ...]:
        return tuple(s.text for s in self.statements)

    def doubts(self) -> tuple[str, ...]:
        """The sentences that are reasons to doubt, those for the table first."""
        return tuple(s.text for b in ("table", "doubt") for s in self.statements if s.bears == b)

    def for_the_table(self) -> tuple[str, ...]:
        return tuple(s.text for s in self.statements if s.bears == "table")


def read_opacification(volume: Volume, landmarks: Landmarks) -> Opacification:
    """Read the CT (HU) at the landmarks (LPS mm) and across the septum. Needs `left_atrium`, `right_atrium` and
    `fossa`; raises KeyError without them. Points whose ball lies outside the CT are left out."""
    points = landmarks.points_lps
    blood = {}
    for name in BLOOD:
        if name in points:
            found = read_blood(volume, points[name][0], NARROW_BALL_MM if name in VESSELS else BALL_MM)
            if found is not None:
                blood[name] = found
    septum = read_septum(volume, points["fossa"][0], points["left_atrium"][0], points["right_atrium"][0])
    core = read_blood(volume, points["right_atrium"][0], NARROW_BALL_MM)
    return Opacification(blood, septum, tuple(_statements(blood, septum, core, spacing_mm(volume.lps_from_index))))


def read_blood(volume: Volume, center_lps: Array, radius_mm: float) -> BloodReading | None:
    """Brightness of the voxels within a ball, or None where fewer than a few lie in the CT."""
    offsets_mm, hu = _ball(volume, np.asarray(center_lps, dtype=np.float64), radius_mm)
    if hu.size < 8:
        return None
    low, high = np.percentile(hu, (5, 95))
    return BloodReading(float(hu.mean()), float(hu.std()), float(low), float(high), noise_hu(offsets_mm, hu))


def noise_hu(offsets_mm: Array, hu: Array) -> float | None:
    """Noise (one SD, HU) of voxels `hu` (n,) at `offsets_mm` (n, 3): what is left when a polynomial of second order is
    taken away, so that slow streaks do not count, its SD from the median absolute deviation, so that a bit of wall
    does not either; None below 30 voxels.

    Detrending by a second-order polynomial as in AAPM Task Group 233 (doi 10.37206/186), from memory; the factor
    1.4826 makes the median deviation of a Gaussian its SD.
    """
    if hu.size < LEAST_VOXELS:
        return None
    x, y, z = offsets_mm.T / 8.0
    terms = np.stack([np.ones_like(x), x, y, z, x * x, y * y, z * z, x * y, y * z, z * x], axis=1)
    keep = np.ones(hu.size, dtype=np.bool_)
    for _ in range(3):  # a bit of wall in the ball must not bend the trend
        weights, *_ = np.linalg.lstsq(terms[keep], hu[keep], rcond=None)
        rest = hu - terms @ weights
        sd = 1.4826 * float(np.median(np.abs(rest[keep] - np.median(rest[keep]))))
        keep = np.abs(rest) <= max(3.0 * sd, 1.0)
        if keep.sum() < LEAST_VOXELS:
            break
    return sd * float(np.sqrt(hu.size / (hu.size - terms.shape[1])))


def read_septum(volume: Volume, fossa_lps: Array, left_lps: Array, right_lps: Array) -> SeptumReading | None:
    """Brightness along the line through `fossa_lps` (3,) in the direction from `right_lps` to `left_lps`, averaged over
    discs square to it: blood 4 to 10 mm to either side of the darkest place within 5 mm of the point, and that place.
    None where the line leaves the CT."""
    along = unit_vector(np.asarray(left_lps, dtype=np.float64) - right_lps)
    at = np.arange(-15.0, 15.01, 0.25)
    wide = _profile(volume, fossa_lps, along, at, SPOT_MM)
    if wide is None:
        return None
    mean = wide.mean(axis=1)
    near = np.abs(at) <= 5.0
    darkest = float(at[near][int(np.argmin(mean[near]))])
    narrow = _profile(volume, fossa_lps, along, at, 1.0)
    assert narrow is not None
    left, right = (wide[(side * (at - darkest) >= 4.0) & (side * (at - darkest) <= 10.0)] for side in (1, -1))
    low, high = np.percentile(right, (5, 95))
    noises = []
    for point in (left_lps, right_lps):
        found = read_blood(volume, point, BALL_MM)
        if found is not None and found.noise_hu is not None:
            noises.append(found.noise_hu)
    if not noises:
        return None
    return SeptumReading(
        left_hu=float(np.median(left)), right_hu=float(np.median(right)),
        left_spread_hu=float(left.std()), right_spread_hu=float(right.std()), right_range_hu=(float(low), float(high)),
        wall_hu=float(narrow.mean(axis=1)[np.abs(at - darkest) <= 1.0].min()),
        # streaks are coarser in the one chamber than in the other: the smaller reading is nearer the noise
        noise_hu=max(min(noises), 1.0),
        averaging=max(1.0, float(np.sqrt(np.pi * SPOT_MM**2 / np.prod(spacing_mm(volume.lps_from_index)) ** (2 / 3)))),
    )  # fmt: skip


def _ball(volume: Volume, center_lps: Array, radius_mm: float) -> tuple[Array, Array]:
    """Offsets (n, 3) mm and brightness (n,) of the voxels whose centres lie within a ball."""
    center_index = apply_affine(np.linalg.inv(volume.lps_from_index), center_lps)
    # an index box that holds the ball, whatever the shear: rows of the inverse bound how far an index moves per mm
    reach = radius_mm * np.linalg.norm(np.linalg.inv(volume.lps_from_index[:3, :3]), axis=1)
    lo = np.maximum(np.ceil(center_index - reach), 0).astype(int)
    hi = np.minimum(np.floor(center_index + reach), np.array(volume.size_ijk) - 1).astype(int)
    if np.any(hi < lo):
        return np.empty((0, 3)), np.empty(0)
    i, j, k = np.meshgrid(*(np.arange(a, b + 1) for a, b in zip(lo, hi, strict=True)), indexing="ij")
    offsets = apply_affine(volume.lps_from_index, np.stack([i, j, k], axis=-1)) - center_lps
    inside = np.linalg.norm(offsets, axis=-1) <= radius_mm
    return offsets[inside], np.asarray(volume.hu[k[inside], j[inside], i[inside]], dtype=np.float64)


def _profile(volume: Volume, point_lps: Array, along_lps: Array, at_mm: Array, radius_mm: float) -> Array | None:
    """Brightness (len(at_mm), m) on m points of a disc square to the line, or None where they leave the CT."""
    aside = unit_vector(np.cross(along_lps, np.eye(3)[int(np.argmin(np.abs(along_lps)))]))
    other = np.cross(along_lps, aside)
    turn = np.deg2rad(np.arange(0, 360, 45))
    ring = np.cos(turn)[:, None] * aside + np.sin(turn)[:, None] * other
    disc = np.concatenate([np.zeros((1, 3)), 0.5 * radius_mm * ring, radius_mm * ring])
    points = np.asarray(point_lps, dtype=np.float64) + at_mm[:, None, None] * along_lps + disc
    hu = sample_lps(volume, points, fill_hu=np.nan)
    return None if np.isnan(hu).any() else hu


# --------------------------------------------------------------------------------------------------------- in words


def _statements(
    blood: Mapping[str, BloodReading], septum: SeptumReading | None, core: BloodReading | None, step_mm: Array
) -> list[Statement]:
    left, right = blood.get("left_atrium"), blood.get("right_atrium")
    if left is None or septum is None:
        return [Statement("out of the CT", "The CT ends beside the fossa point or within the left atrium, so that how "
                          "bright the blood is there was not assessed.", "table")]  # fmt: skip
    if left.mean_hu < MUSCLE_HU + NO_CONTRAST_HU:
        return [_no_contrast(left, right)]
    said = [_brighter_than_blood(septum, left, right) or _septum_words(septum)]
    if right is not None and _is_streaked(right, core, septum):
        said.append(_streaks(right, septum, float(step_mm.max())))
    said += [*_weak(left), *_early(blood, left), *_plain_cava(blood)]
    if septum.noise_hu > NOISY_HU:
        said.append(Statement(
            "noise",
            f"The image noise is {septum.noise_hu:.0f} HU (SD), which is high: edges, and with them thickness and the "
            "membrane's outline, are less certain.", "doubt",
        ))  # fmt: skip
    if float(step_mm.max()) > COARSE_MM + 0.01:
        said.append(Statement(
            "coarse voxels",
            f"The voxels measure up to {step_mm.max():.2g} mm, coarser than the 1 mm common for planning and than the "
            "membrane itself: its thickness is fitted, not seen, and small features may be missed.", "doubt",
        ))  # fmt: skip
    return said


def _no_contrast(left: BloodReading, right: BloodReading | None) -> Statement:
    if right is not None and right.mean_hu >= MUSCLE_HU + NO_CONTRAST_HU:
        return Statement(
            "no contrast",
            f"The contrast has not reached the left atrium ({left.mean_hu:.0f} HU, the right atrium "
            f"{right.mean_hu:.0f} HU): nothing can be planned on this series, take a later phase.", "table",
        )  # fmt: skip
    return Statement(
        "no contrast",
        f"No contrast: the left atrium measures {left.mean_hu:.0f} HU, no brighter than muscle. Nothing can be planned "
        "on this series.", "table",
    )  # fmt: skip


def _brighter_than_blood(septum: SeptumReading, left: BloodReading, right: BloodReading | None) -> Statement | None:
    """Metal and calcium beside the fossa, which outshine the blood of their chamber."""
    for side, beside_hu, chamber in (("left", septum.left_hu, left), ("right", septum.right_hu, right)):
        if chamber is not None and beside_hu > chamber.high_hu + OUTSHINES_HU:
            return Statement(
                "brighter than blood",
                f"Beside the fossa point something outshines the blood ({beside_hu:.0f} HU against "
                f"{chamber.mean_hu:.0f} in the {side} atrium): metal, an occluder or calcium, beside which neither the "
                "septum's place nor its thickness can be trusted.", "table",
            )  # fmt: skip
    return None


def _septum_words(septum: SeptumReading) -> Statement:
    beside = f"{septum.right_hu:.0f} HU"
    if septum.right_hu < MUSCLE_HU + DARK_BESIDE_FOSSA_HU:
        return Statement(
            "right side dark",
            f"Beside the fossa the right atrium is as dark as muscle ({beside}): the membrane's right side cannot be "
            "seen there, its place rests on the left side alone, and no thickness of it can be trusted.", "table",
        )  # fmt: skip
    if septum.left_hu < MUSCLE_HU + DARK_BESIDE_FOSSA_HU:
        return Statement(
            "left side dark",
            f"Beside the fossa the left atrium is as dark as muscle ({septum.left_hu:.0f} HU): the membrane's left "
            "side cannot be seen there, its place rests on the right side alone, and no thickness of it can be "
            "trusted.", "table",
        )  # fmt: skip
    numbers = (
        f"blood {septum.left_hu:.0f} HU on the left and {septum.right_hu:.0f} on the right, {septum.wall_hu:.0f} "
        f"between them at the darkest, noise {septum.noise_hu:.0f}"
    )
    times = max(septum.contrast_to_noise, 0.0)
    if times * septum.averaging < SEEN_FOR_CERTAIN:
        return Statement(
            "septum hidden",
            f"At the fossa point the septum does not stand out from the blood ({numbers}): its place and thickness are "
            "uncertain there.", "table",
        )  # fmt: skip
    if times < SEEN_FOR_CERTAIN:
        return Statement(
            "septum faint",
            f"At the fossa point the septum is faint ({numbers}): it stands out by {times:.1f} times the noise of a "
            "voxel, and its thickness is uncertain.", "doubt",
        )  # fmt: skip
    return Statement(
        "septum seen",
        f"The septum can be seen from both sides at the fossa point ({numbers}).", "trust",
    )  # fmt: skip


def _is_streaked(right: BloodReading, core: BloodReading | None, septum: SeptumReading) -> bool:
    """Uneven well inside too, lest a ball that touches a wall be taken for streaks; or uneven beside the fossa."""
    def even(spread_hu: float) -> bool:
        return spread_hu**2 - septum.noise_hu**2 <= EVEN_SPREAD_HU**2

    inside = not even(right.spread_hu) and (core is None or not even(core.spread_hu))
    return inside or not even(septum.right_spread_hu)


def _streaks(right: BloodReading, septum: SeptumReading, coarsest_mm: float) -> Statement:
    low, high = min(right.low_hu, septum.right_range_hu[0]), max(right.high_hu, septum.right_range_hu[1])
    said = f"The right atrium is streaked by unmixed contrast ({low:.0f} to {high:.0f} HU): its volume is an estimate"
    if septum.right_hu >= MUSCLE_HU + DARK_BESIDE_FOSSA_HU:
        # An edge of height c blurred by s mm, cut at a level wrong by half the blood's own spread d, moves by d / 2
        # over its slope c / (s sqrt(2 pi)); the blur is taken as 0.6 voxel (practice value, no source).
        wrong_hu = max(septum.right_spread_hu, right.spread_hu) / 2
        moved_mm = float(np.sqrt(2 * np.pi)) * 0.6 * coarsest_mm * wrong_hu / (septum.right_hu - MUSCLE_HU)
        about = f"about {max(0.5, round(2 * moved_mm) / 2):g} mm" if moved_mm <= 3.0 else "several millimetres"
        said += f", and its side of the septum may be misread by {about}"
    return Statement("right atrium streaked", said + ".", "doubt")


def _weak(left: BloodReading) -> list[Statement]:
    if left.mean_hu >= WEAK_HU:
        return []
    return [Statement(
        "left atrium weak",
        f"The left atrium is opacified to {left.mean_hu:.0f} HU only ({WEAK_HU:.0f} or more is wanted): every edge of "
        "blood is less certain.", "doubt",
    )]  # fmt: skip


def _early(blood: Mapping[str, BloodReading], left: BloodReading) -> list[Statement]:
    aorta = blood.get("aorta")
    if aorta is None or aorta.mean_hu >= EARLY_SHARE * left.mean_hu:
        return []
    return [Statement(
        "early phase",
        f"The aorta ({aorta.mean_hu:.0f} HU) is darker than the left atrium ({left.mean_hu:.0f} HU): the contrast was "
        "still arriving, an early phase. The distance to the aorta is less certain.", "doubt",
    )]  # fmt: skip


def _plain_cava(blood: Mapping[str, BloodReading]) -> list[Statement]:
    cava = blood.get("inferior_vena_cava")
    if cava is None or cava.mean_hu >= MUSCLE_HU + NO_CONTRAST_HU:
        return []
    return [Statement(
        "cava plain",
        f"The inferior cava carries blood without contrast ({cava.mean_hu:.0f} HU): where bright and plain blood meet "
        "in the right atrium is no wall, and its lower end and volume are estimates.", "doubt",
    )]  # fmt: skip
