"""CT laid onto X-ray frames by points seen in both, with the error to expect, not the residual, as its measure.

The transform is rigid and has six unknowns (and three more for each frame before which the table moved); it starts from
where the headers put the patient. One wrong pair is found by leaving each out in turn: nothing is left out silently,
and two names exchanged or a mirrored picture are refused rather than repaired.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.transform import Rotation
from scipy.stats import chi2

from septal_planner.errors import InputRefused
from septal_planner.fluoroscopy.reprojection import Noise, Placement, Reprojection, Sightings

Array = NDArray[np.float64]

# Chance of residuals as large as these, or larger, below which pairs are taken not to fit together
DOUBTED = 1e-3
GROSS_SD = 4.0  # nothing is registered whose residuals are so many times what the picks' doubt explains
NEARLY_SD = 2.5  # as much is borne of the rest, its errors enlarged for it, where one pair is clearly wrong
LEFT_OUT_SD = 5.0  # a pair left out must lie so far from where the others say
IN_A_LINE = 0.05  # spread across the longest axis of the points against that along it


@dataclass(frozen=True)
class Registration:
    """Where the patient of the CT lies in the isocentre's frame, and how well that is known.

    `covariance` (P, P) is of rotation vector (radians), shift (mm) and, per frame whose table moved, its shift;
    `excess` the factor by which it was enlarged because the residuals exceed what the picks' doubt explains.
    """

    sightings: Sightings
    noise: Noise
    used: NDArray[np.bool_]  # (M,)
    placement: Placement
    covariance: Array
    chi_square: float
    degrees_of_freedom: int
    excess: float
    left_out_for_certain: bool = True

    @property
    def iso_from_ct(self) -> Array:
        """4x4, LPS of the CT to the isocentre's frame at the table position of the first frame."""
        m = np.eye(4)
        m[:3, :3] = self.placement.rotation[0]
        m[:3, 3] = self.placement.shift_mm[0] - m[:3, :3] @ self.placement.middle_lps
        return m

    @property
    def turned_deg(self) -> float:
        """How far the patient lies turned from where the headers have it."""
        return float(np.degrees(np.linalg.norm(Rotation.from_matrix(self.placement.rotation[0]).as_rotvec())))

    def iso(self, points_lps: ArrayLike, frame: int = 0) -> Array:
        """Points (..., 3) of the CT in the isocentre's frame, at a frame's table position."""
        p = np.asarray(points_lps, dtype=np.float64)
        return np.asarray(self.placement.iso(p.reshape(-1, 3), frame)[0].reshape(p.shape))

    def ct(self, points_iso: ArrayLike, frame: int = 0) -> Array:
        """The other way round."""
        p = np.asarray(points_iso, dtype=np.float64)
        at = self.placement
        return np.asarray((p - at.shift_mm[0] - at.table_mm[0, frame]) @ at.rotation[0] + at.middle_lps)

    def pixel(self, points_lps: ArrayLike, frame: int) -> Array:
        """Column and row (..., 2) at which points (..., 3) of the CT are seen in a frame."""
        return self.sightings.cameras[frame].pixel(self.iso(points_lps, frame))

    def covariance_iso(self, points_lps: ArrayLike, frame: int = 0) -> Array:
        """Covariance (..., 3, 3) of where registration puts points (..., 3) of the CT, isocentre's axes, mm2."""
        p = np.asarray(points_lps, dtype=np.float64)
        y = (p - self.placement.middle_lps) @ self.placement.rotation[0].T
        zero = np.zeros(y.shape[:-1])
        turned = np.stack(
            [
                np.stack([zero, y[..., 2], -y[..., 1]], axis=-1),
                np.stack([-y[..., 2], zero, y[..., 0]], axis=-1),
                np.stack([y[..., 1], -y[..., 0], zero], axis=-1),
            ],
            axis=-2,
        )
        parts = [turned, np.broadcast_to(np.eye(3), turned.shape)]
        for f in self.sightings.moved:
            parts.append(np.broadcast_to(np.eye(3) * (f == frame), turned.shape))
        j = np.concatenate(parts, axis=-1)
        return np.asarray(j @ self.covariance @ np.swapaxes(j, -1, -2))

    def residual_px(self) -> Array:
        """(M, 2) column and row of each sighting from where it is drawn. Says nothing of the error elsewhere."""
        s = self.sightings
        drawn = np.stack([self.pixel(s.points_lps[n], f) for n, f in zip(s.point_of, s.frame_of, strict=True)])
        return np.asarray(s.pixels - drawn)

    def residual_mm(self) -> Array:
        """(M,) their lengths, mm at the isocentre."""
        return at_isocenter_mm(self.sightings, self.residual_px())


def register(sightings: Sightings, noise: Noise | None = None) -> Registration:
    """Fit, doubt and fit again. Raises InputRefused for pairs that cannot place the patient: too few, in a line, two
    exchanged, a mirrored picture, or more than one wrong.
    """
    noise = noise or Noise()
    _refuse_too_few(sightings)
    everything = np.ones(len(sightings.frame_of), dtype=bool)
    found = _fit(sightings, noise, everything)
    if _chance(found) >= DOUBTED:
        return found
    without = _without_the_wrong_one(sightings, noise, found)
    if without is not None and _chance(without) >= DOUBTED:
        return without
    _refuse_exchanged(sightings, noise)
    _refuse_mirrored(sightings, noise)
    if without is not None and without.left_out_for_certain:
        return _enlarged(without)
    excess = found.chi_square / found.degrees_of_freedom
    if excess > GROSS_SD**2:
        worst = int(np.argmax(found.residual_mm()))
        raise InputRefused(
            f"The pairs do not fit together: at best they miss by {rms(found.residual_mm()):.1f} mm at the isocentre, "
            f"most of all {_said(sightings, worst)}, and no single one of them explains it; check each point, mark the "
            "doubtful ones again or leave them out."
        )
    return _enlarged(found)


def leave_one_out(registration: Registration) -> Array:
    """For each sighting (M, 2): column and row from where the registration without its point would have drawn it; nan
    where the rest do not suffice. This, unlike the residual, holds the error of the registration.
    """
    s = registration.sightings
    off = np.full((len(s.frame_of), 2), np.nan)
    for n in s.seen:
        kept = registration.used & (s.point_of != n)
        if not _suffices(s, kept):
            continue
        other = _fit(s, registration.noise, kept)
        for m in np.flatnonzero(s.point_of == n):
            off[m] = s.pixels[m] - other.pixel(s.points_lps[n], int(s.frame_of[m]))
    return off


def at_isocenter_mm(sightings: Sightings, off_px: Array) -> Array:
    """Lengths (M,) of differences (M, 2) of column and row, mm at the isocentre."""
    cameras = [sightings.cameras[f] for f in sightings.frame_of]
    scale = np.array([np.array(c.spacing_mm[::-1]) / c.magnification for c in cameras])
    return np.asarray(np.linalg.norm(off_px * scale, axis=1))


def by_trial(
    registration: Registration, targets_lps: ArrayLike, *, trials: int = 500, seed: int = 0, frame: int = 0
) -> Array:
    """Errors (trials, n, 3) at targets (n, 3), isocentre's axes, mm: all picks, of frames and CT, drawn anew with their
    doubt about where the registration has them, and registered again (Monte Carlo).
    """
    s = registration.sightings.only(registration.used)
    targets = np.asarray(targets_lps, dtype=np.float64).reshape(-1, 3)
    fit = Reprojection(s, registration.noise)
    at = registration.placement
    grow = np.sqrt(registration.excess)
    rng = np.random.default_rng(seed)
    sd = registration.noise.frame_mm * grow * np.array([s.cameras[f].magnification for f in s.frame_of])
    drawn = fit.picked + fit.residuals(at, s.points_lps[None], fit.picked[None])[0][0]
    picked = drawn + rng.normal(size=(trials, *drawn.shape)) * sd[:, None]
    points = s.points_lps + rng.normal(size=(trials, *s.points_lps.shape)) * registration.noise.ct_mm * grow
    again = fit.refit(at, points, picked)
    return np.asarray(again.iso(targets, frame) - at.iso(targets, frame))


def located(
    registration: Registration, seen: dict[int, ArrayLike], *, doubt_mm: float | None = None
) -> tuple[Array, Array]:
    """A point seen in two frames or more, {frame: (column, row)}: its place (3,) in LPS of the CT and the covariance
    (3, 3) there, of its picks and of the registration together. `doubt_mm` of a pick at the isocentre, one standard
    deviation. Raises ValueError for fewer than two frames or beams less than 5 degrees apart.
    """
    doubt = registration.noise.frame_mm if doubt_mm is None else doubt_mm
    cameras = {f: registration.sightings.cameras[f] for f in seen}
    beams = np.stack([c.axes[2] for c in cameras.values()])
    if len(seen) < 2 or np.linalg.matrix_rank(beams, tol=np.sin(np.deg2rad(5.0))) < 2:
        raise ValueError("a point is located by two frames or more whose beams are 5 degrees or more apart")
    table = registration.placement.table_mm[0]
    x = np.zeros(3)
    normal = np.eye(3)
    for _ in range(10):
        rows, rights = [], []
        for f, c in cameras.items():
            along = c.axes @ (x + table[f])
            depth = c.source_isocenter_mm + along[2]
            uv = c.source_detector_mm * along[:2] / depth
            by_x = (c.source_detector_mm * c.axes[:2] - uv[:, None] * c.axes[2]) / depth
            sd = doubt * c.magnification
            rows.append(by_x / sd)
            rights.append((c.detector_from_pixel(seen[f]) - uv) / sd)
        a, b = np.concatenate(rows), np.concatenate(rights)
        normal = a.T @ a
        step = np.linalg.solve(normal, a.T @ b)
        x = x + step
        if np.linalg.norm(step) < 1e-9:
            break
    place = registration.ct(x)
    covariance = np.linalg.inv(normal) + registration.covariance_iso(place)
    r = registration.placement.rotation[0]
    return place, np.asarray(r.T @ covariance @ r)


def rms(values: ArrayLike) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(np.asarray(values, dtype=np.float64)))))


def principal_spreads_mm(points_lps: ArrayLike) -> Array:
    """Standard deviations (3,) of points (n, 3) along their principal axes, longest first."""
    p = np.asarray(points_lps, dtype=np.float64)
    spread = np.linalg.svd(p - p.mean(axis=0), compute_uv=False) / np.sqrt(len(p))
    return np.asarray(np.concatenate([spread, np.zeros(3 - len(spread))]))


# ------------------------------------------------------------------------------------------------ the steps


def _fit(sightings: Sightings, noise: Noise, used: NDArray[np.bool_]) -> Registration:
    s = sightings.only(used)
    placement, covariance, chi_square = Reprojection(s, noise).fit()
    freedom = 2 * int(used.sum()) - s.unknowns
    return Registration(sightings, noise, used, placement, covariance, chi_square, freedom, 1.0)


def _chance(found: Registration) -> float:
    """Of residuals as large as these or larger, if the picks are as good as said; 1 where nothing is left to tell."""
    return float(chi2.sf(found.chi_square, found.degrees_of_freedom)) if found.degrees_of_freedom > 0 else 1.0


def _suffices(s: Sightings, kept: NDArray[np.bool_]) -> bool:
    """Whether some of the sightings place the patient."""
    frames = {int(f) for f in s.frame_of[kept]}
    points = np.unique(s.point_of[kept])
    if len(points) < (4 if len(frames) == 1 else 3) or 2 * int(kept.sum()) <= s.unknowns:
        return False
    if any(m not in frames for m in s.moved):
        return False
    spread = principal_spreads_mm(s.points_lps[points])
    return bool(spread[1] > IN_A_LINE * spread[0])


def _enlarged(found: Registration) -> Registration:
    """With errors as large as the residuals, rather than the doubt stated, would have them."""
    excess = max(1.0, found.chi_square / found.degrees_of_freedom)
    return replace(found, excess=excess, covariance=found.covariance * excess)


def _without_the_wrong_one(s: Sightings, noise: Noise, whole: Registration) -> Registration | None:
    """The fit without the one pair whose absence makes the rest agree, or nearly so."""
    candidates: list[tuple[int, Registration]] = []
    for n in s.seen:
        of_point = np.flatnonzero(s.point_of == n)
        subsets = [of_point] if len(of_point) == 1 else [*of_point[:, None], of_point]
        for left_out in subsets:
            kept = np.ones(len(s.frame_of), dtype=bool)
            kept[left_out] = False
            if not _suffices(s, kept):
                continue
            rest = _fit(s, noise, kept)
            excess = rest.chi_square / max(rest.degrees_of_freedom, 1)
            gain = (whole.chi_square - rest.chi_square) / max(excess, 1.0)
            if rest.degrees_of_freedom >= 2 and excess < NEARLY_SD**2 and gain > LEFT_OUT_SD**2:
                candidates.append((int(n), rest))
    if not candidates:
        return None
    candidates.sort(key=lambda c: c[1].chi_square / c[1].degrees_of_freedom)
    wrong, best = candidates[0]
    rivals = [rest for n, rest in candidates[1:] if n != wrong]
    return replace(best, left_out_for_certain=all(r.chi_square - best.chi_square > 9.0 for r in rivals))


def _refuse_too_few(s: Sightings) -> None:
    frames = len(np.unique(s.frame_of))
    points, least = len(s.seen), 4 if frames == 1 else 3
    if points < least:
        raise InputRefused(
            f"At least {least} different points are needed with {'one frame' if frames == 1 else 'several frames'}, "
            f"found {points}; mark more points that CT and frame both show."
        )
    if 2 * len(s.frame_of) <= s.unknowns:
        raise InputRefused(
            f"{len(s.frame_of)} sightings give {2 * len(s.frame_of)} numbers for {s.unknowns} unknowns; mark "
            "more points or tell that the table stood still."
        )
    for f in range(len(s.cameras)):
        count = int((s.frame_of == f).sum())
        if count == 0 or (f in s.moved and count < 2):
            raise InputRefused(
                f"Frame {f + 1} of those given has {count} points, expected {2 if f in s.moved else 1} or more; mark "
                "points in it or leave it out."
            )
    spread = principal_spreads_mm(s.points_lps[s.seen])
    if spread[1] <= IN_A_LINE * spread[0]:
        raise InputRefused(
            f"The {points} points of the CT lie in a line (spread {spread[0]:.1f} mm along it, {spread[1]:.1f} mm "
            "across), which leaves the "
            "turn about it open; add a point well to its side."
        )


def _refuse_exchanged(s: Sightings, noise: Noise) -> None:
    """Two names exchanged in one frame, or in the CT, explain what no single wrong pair does."""
    whole = np.ones(len(s.frame_of), dtype=bool)

    def refuse(a: int, b: int, where: str) -> None:
        raise InputRefused(
            f"The points {s.names[a]!r} and {s.names[b]!r} seem to be exchanged {where}: with the two names swapped "
            "all pairs agree; check them and swap them back if so."
        )

    for i, a in enumerate(s.seen):
        for b in s.seen[i + 1 :]:
            points = s.points_lps.copy()
            points[[a, b]] = points[[b, a]]
            if _chance(_fit(replace(s, points_lps=points), noise, whole)) > DOUBTED:
                refuse(int(a), int(b), "in the CT, or in every frame")
            for f in range(len(s.cameras)):
                at = [np.flatnonzero((s.frame_of == f) & (s.point_of == n)) for n in (a, b)]
                if len(s.cameras) < 2 or not (len(at[0]) and len(at[1])):
                    continue
                pixels = s.pixels.copy()
                pixels[[at[0][0], at[1][0]]] = pixels[[at[1][0], at[0][0]]]
                if _chance(_fit(replace(s, pixels=pixels), noise, whole)) > DOUBTED:
                    refuse(int(a), int(b), f"in frame {f + 1} of those given")


def _refuse_mirrored(s: Sightings, noise: Noise) -> None:
    whole = np.ones(len(s.frame_of), dtype=bool)
    every = tuple(range(len(s.cameras)))
    for frames in {every, *((f,) for f in every)}:
        pixels = s.pixels.copy()
        for f in frames:
            at = s.frame_of == f
            pixels[at, 0] = 2 * s.cameras[f].central_px[0] - pixels[at, 0]
        if _chance(_fit(replace(s, pixels=pixels), noise, whole)) > DOUBTED:
            which = "every frame" if len(frames) == len(every) else f"frame {frames[0] + 1} of those given"
            raise InputRefused(
                f"The pairs agree only when {which} is mirrored left to right; export it as the C-arm made it, not "
                "flipped, and mark the points there again."
            )


def _said(s: Sightings, m: int) -> str:
    return f"{s.names[s.point_of[m]]!r} in frame {s.frame_of[m] + 1} of those given"
