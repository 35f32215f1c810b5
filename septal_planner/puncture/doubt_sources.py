"""What is not known of a puncture before it is made, by source, and seeded draws of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.anatomy.membrane import BRIDGED_RIM_SD_MM
from septal_planner.geometry.frames import unit_vector
from septal_planner.geometry.planes import plane_axes
from septal_planner.geometry.propagation import lower_root
from septal_planner.puncture.approach import END_SHARE, OUTLINE_SHARE, Approach, outline_sd_mm

Array = NDArray[np.float64]

SOURCES = ("landmarks", "image", "needle", "tenting", "phase", "respiration")
MEASURED = ("landmarks", "image")  # the doubt of what the CT shows, whatever happens at the table
DRAWS = 2000
# What the limits leave open of a shape, and the steps of its search: of all bends together (deg), the radius (mm), the
# tilt (deg) and where the tip ends (mm). Set on seeded phantoms and checked on others (DEVELOPERS, "doubt by trial").
SHAPE_SD = (4.0, 0.7, 1.5, 0.3)
# Of the membrane's normal at one spot beside that of the whole, about each axis (deg); set and checked as the former.
SPOT_NORMAL_SD_DEG = 1.5


@dataclass(frozen=True)
class Doubts:
    """How large each doubt is. Landmarks and image bring their own (`Approach.landmark_sd_mm`, the chambers' and the
    fossa's standard uncertainties); these are the others, all to be edited locally.

    `needle_sd_mm`: where the needle lands against where it was aimed, on the septum along each axis; common practice,
    no source. `tenting_mm`, its SD and direction (toward anterior, superior, left atrium): how far the hole comes to
    lie from where the tip was set; common practice has it up to some 5 mm down and back, no source. `phase_along_mm`:
    of the annulus against the septum along the annular normal over the heartbeat; mean apico-basal motion
    3.6 mm/m2 (Alkadhi et al., Invest Radiol 2009;44:218-25, doi 10.1097/RLI.0b013e3181994a73) in 1.8 m2 is 6.5 mm from
    end to end, and a sine of that height has an SD of 6.5 / (2 sqrt 2). `phase_across_mm`, `respiration_sd_mm` (along
    each axis; heart and septum move together but not quite): common practice, no source.
    """

    needle_sd_mm: float = 3.0
    tenting_mm: float = 2.5
    tenting_sd_mm: float = 1.25
    tenting_direction: tuple[float, float, float] = (-0.6, -0.8, 0.0)
    phase_along_mm: float = 2.3
    phase_across_mm: float = 1.0
    respiration_sd_mm: float = 1.0

    def __post_init__(self) -> None:
        sds = (self.needle_sd_mm, self.tenting_sd_mm, self.phase_along_mm, self.phase_across_mm, self.respiration_sd_mm)
        if not all(np.isfinite(s) and s >= 0 for s in sds) or not np.isfinite(self.tenting_mm):
            raise ValueError("the standard deviations must be finite and not negative, the tenting finite")
        length = np.linalg.norm(self.tenting_direction)
        if not (np.isfinite(length) and length > 1e-9):
            raise ValueError("the direction of the tenting has no length, or one that is not finite")


@dataclass(frozen=True, eq=False)
class Draws:
    """n draws of all that is not known, as differences from what was measured. LPS, mm, unless named otherwise."""

    on_septum_mm: NDArray[np.float64]     # (n, 3) along the fossa's anterior, superior and left axes
    shift_lps: NDArray[np.float64]        # (n, 3) of the membrane against all else
    surface_mm: NDArray[np.float64]       # (n,) of the mid-surface along the fossa's normal
    center_lps: NDArray[np.float64]       # (n, 3) of the annulus
    valve_normal: NDArray[np.float64]     # (n, 3)
    cava_axis_lps: NDArray[np.float64]    # (n, 3) of lower to nearer point
    fossa_normal: NDArray[np.float64]     # (n, 3)
    structure_lps: NDArray[np.float64]    # (n, 3) of the device point
    axis: NDArray[np.float64]             # (n, 3) of the direction its axis has
    coaptation_lps: NDArray[np.float64]   # (n, 3)
    sinus_lps: NDArray[np.float64]        # (n, 3)
    rim_mm: NDArray[np.float64]           # (n,) of the nearest place of the rim
    bridge_mm: NDArray[np.float64]        # (n,) of it where it was bridged
    ends_mm: NDArray[np.float64]          # (n, 4) of the rim's hindmost, foremost, lowest and highest place
    thickness_mm: NDArray[np.float64]     # (n,)
    aorta_mm: NDArray[np.float64]         # (n,) of its outline
    left_mm: NDArray[np.float64]          # (n,) of the left atrium's outline
    spot_normal: NDArray[np.float64]      # (n, 3) of the membrane's normal where it is crossed, beside the fossa's
    shape: NDArray[np.float64]            # (n, 4) of bends together (deg), radius (mm), tilt (deg) and tip (mm)

    def __len__(self) -> int:
        return len(self.surface_mm)

    def some(self, part: slice) -> Draws:
        return Draws(*(getattr(self, f.name)[part] for f in fields(self)))


def draw(
    approach: Approach, doubts: Doubts | None = None, *, draws: int = DRAWS, seed: int = 0,
    sources: Sequence[str] = SOURCES,
) -> Draws:
    """Seeded draws; a source that is left out is nought, and the others are the same as with it. Raises ValueError for
    a source that is not one of SOURCES."""
    unknown = sorted(set(sources) - set(SOURCES))
    if unknown:
        raise ValueError(f"the source {unknown[0]!r} is not one of {', '.join(SOURCES)}")
    given = doubts or Doubts()
    of = {name: np.random.default_rng([seed, k]) for k, name in enumerate(SOURCES)}
    on = {name: float(name in sources) for name in SOURCES}
    n, fossa, mm = draws, approach.fossa, approach.landmark_sd_mm

    marks = on["landmarks"] * of["landmarks"].normal(size=(n, 18))
    spread, axes = np.linalg.eigh(approach.plane_covariance)
    plane = marks[:, :6] * np.sqrt(np.maximum(spread, 0.0)) @ axes.T
    device = np.zeros((n, 6))
    if approach.goal is not None:
        own = np.concatenate([marks[:, 9:12], on["landmarks"] * of["landmarks"].normal(size=(n, 3))], axis=1)
        device = plane @ approach.goal.by_plane.T + own @ lower_root(approach.goal.own_covariance).T

    image = on["image"] * of["image"].normal(size=(n, 11))
    tip = np.radians(fossa.normal_sd_deg or 0.0) * image[:, 1:3]
    septal_axes = np.stack(plane_axes(fossa.normal_lps))
    rim_sd = fossa.rim_sd_mm if fossa.rim_sd_mm is not None else fossa.surface_sd_mm
    thickness_sd = fossa.thickness_at_sd_mm if fossa.thickness_at_sd_mm is not None else fossa.thickness_sd_mm
    outline = {name: outline_sd_mm(approach.chambers, name) if name in approach.chambers.distance else 0.0
               for name in ("aorta", "left_atrium")}

    more = on["image"] * np.random.default_rng([seed, len(SOURCES)]).normal(size=(n, 7))

    on_septum = np.zeros((n, 3))
    on_septum[:, :2] = on["needle"] * given.needle_sd_mm * of["needle"].normal(size=(n, 2))
    depth = given.tenting_mm + given.tenting_sd_mm * of["tenting"].normal(size=n)
    on_septum += on["tenting"] * depth[:, None] * unit_vector(given.tenting_direction)

    normal = approach.annulus.normal_lps
    frame = np.stack([*plane_axes(normal), normal])
    beat = of["phase"].normal(size=(n, 3)) * [given.phase_across_mm, given.phase_across_mm, given.phase_along_mm]
    breath = given.respiration_sd_mm * of["respiration"].normal(size=(n, 3))
    return Draws(
        on_septum_mm=on_septum, shift_lps=on["phase"] * beat @ frame + on["respiration"] * breath,
        surface_mm=fossa.surface_sd_mm * image[:, 0], center_lps=plane[:, :3], valve_normal=plane[:, 3:],
        cava_axis_lps=np.sqrt(2.0) * mm * marks[:, 6:9],
        fossa_normal=tip @ septal_axes, spot_normal=np.radians(SPOT_NORMAL_SD_DEG) * more[:, 5:] @ septal_axes,
        structure_lps=device[:, :3], axis=device[:, 3:],
        coaptation_lps=mm / np.sqrt(_count(approach, "leaflet_coaptation")) * marks[:, 12:15],
        sinus_lps=mm * marks[:, 15:18], rim_mm=rim_sd * OUTLINE_SHARE * image[:, 3],
        ends_mm=rim_sd * END_SHARE * image[:, 4:8],
        thickness_mm=(thickness_sd or 0.0) * image[:, 8], aorta_mm=outline["aorta"] * image[:, 9],
        left_mm=outline["left_atrium"] * image[:, 10], shape=more[:, :4] * SHAPE_SD,
        bridge_mm=BRIDGED_RIM_SD_MM * more[:, 4],
    )


def moved_directions(approach: Approach, draws: Draws) -> tuple[Array, Array, Array]:
    """Crossing, annular normal and fossa normal (n, 3), unit, of each draw; the crossing nan where the cava would run
    straight at the septum."""
    septum = unit_vector(approach.fossa.normal_lps + draws.fossa_normal)
    valve = unit_vector(approach.annulus.normal_lps + draws.valve_normal)
    up = unit_vector(approach.cava_axis_lps + draws.cava_axis_lps)
    toward = septum - np.sum(septum * up, axis=1, keepdims=True) * up
    length = np.linalg.norm(toward, axis=1, keepdims=True)
    a = np.deg2rad(approach.sheath_angle_deg)
    toward = np.where(length > 1e-6, toward / np.maximum(length, 1e-6), np.nan)
    return np.cos(a) * up + np.sin(a) * toward, valve, septum


def _count(approach: Approach, name: str) -> float:
    """How many points were marked of a landmark; one where none was."""
    marked: ArrayLike = approach.landmarks_lps.get(name, np.zeros((1, 3)))
    return max(1.0, np.asarray(marked).size / 3)
