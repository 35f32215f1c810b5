"""Every phantom against its truth: the error of each measurement beside the most it may be."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import septal_phantoms
from numpy.typing import NDArray
from scipy.ndimage import binary_erosion, gaussian_filter
from scipy.spatial import cKDTree
from septal_phantoms.phantom import landmarks_of
from septal_phantoms.truth import beam
from skimage.measure import marching_cubes

from septal_planner import __version__
from septal_planner.anatomy.chambers import LABELS, Chambers
from septal_planner.errors import AnatomyNotFound, InputRefused
from septal_planner.geometry.frames import apply_affine, spacing_mm
from septal_planner.inputs.landmarks import Landmarks
from septal_planner.inputs.volume import Volume
from septal_planner.pipeline import PlannedCase, make_plan

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Progress = Callable[[str], None]

CASES: tuple[tuple[str, float | None], ...] = (*((name, None) for name in septal_phantoms.NAMES), ("normal", 35.0))
NEAR_FOSSA_MM = 45.0
COVERAGE_AT_LEAST = 0.9


@dataclass(frozen=True)
class Row:
    """One measurement of one phantom: `error` in `unit`, held against `bar`; `at_least` where more is better."""

    name: str
    value: float | None
    truth: float | None
    error: float
    bar: float
    unit: str
    at_least: bool = False

    @property
    def passed(self) -> bool:
        return self.error >= self.bar if self.at_least else self.error <= self.bar


@dataclass(frozen=True)
class PhantomResult:
    """All rows of one phantom, or the sentence with which planning it ended."""

    phantom: str
    seconds: float
    rows: tuple[Row, ...]
    refused: str | None = None

    @property
    def passed(self) -> bool:
        return self.refused is None and all(row.passed for row in self.rows)


@dataclass(frozen=True)
class Coverage:
    """How often the truth lay in the 95 % height interval when every landmark coordinate was off by `noise_mm`."""

    noise_mm: float
    plans: int
    held: int
    refused: tuple[str, ...]

    @property
    def passed(self) -> bool:
        return self.plans > 0 and self.held >= COVERAGE_AT_LEAST * self.plans


def volume_of(phantom: septal_phantoms.Phantom) -> Volume:
    """The phantom's CT as the planner takes it, without the way over files."""
    return Volume(
        phantom.hu,
        phantom.lps_from_index,
        source=f"phantom {phantom.name}",
        phase_percent=phantom.phase_percent,
        patient_position="HFS",
    )


def validate(
    *,
    quick: bool = False,
    seeds: int = 0,
    cases: Iterable[tuple[str, float | None]] = CASES,
    progress: Progress | None = None,
) -> tuple[list[PhantomResult], Coverage | None]:
    """Plan each phantom, and `seeds` times more with 1 mm observer noise, in turn over the phantoms."""
    say = progress or (lambda _text: None)
    results: list[PhantomResult] = []
    held: list[bool] = []
    refused: list[str] = []
    cases = list(cases)
    for number, (name, phase) in enumerate(cases):
        title = name if phase is None else f"{name} at {phase:g} %"
        say(f"Phantom {title}: making it")
        phantom = septal_phantoms.make(name, quick=quick, phase_percent=phase)
        volume = volume_of(phantom)
        say(f"Phantom {title}: planning it")
        start = time.monotonic()
        try:
            case = make_plan(volume, Landmarks(phantom.landmarks))
        except (AnatomyNotFound, InputRefused) as problem:
            results.append(PhantomResult(title, time.monotonic() - start, (), str(problem)))
            continue
        seconds = time.monotonic() - start
        results.append(PhantomResult(title, seconds, tuple(compare(case, phantom.truth))))
        for seed in range(1 + number, 1 + seeds, len(cases)):
            say(f"Phantom {title}: planning it with observer noise, seed {seed}")
            try:
                held.append(_height_held(volume, phantom.truth, seed))
            except (AnatomyNotFound, InputRefused) as problem:
                held.append(False)
                refused.append(f"{title}, seed {seed}: {problem}")
    coverage = Coverage(1.0, len(held), sum(held), tuple(refused)) if seeds else None
    return results, coverage


def _height_held(volume: Volume, truth: septal_phantoms.Truth, seed: int, noise_mm: float = 1.0) -> bool:
    marked = landmarks_of(truth.heart, truth, seed, noise_mm)
    seen = {name: points for name, points in marked.items() if name != "spine"}  # the one that small CTs do not show
    case = make_plan(volume, Landmarks(seen), landmark_sd_mm=noise_mm)
    low, high = case.site.height_interval_95_mm
    return bool(low <= float(truth.height_mm(case.site.target_lps)[0]) <= high)


def compare(case: PlannedCase, truth: septal_phantoms.Truth) -> list[Row]:
    """Every measurement with a bar, against the phantom's closed forms."""
    rows = [
        Row("annulus center", None, None, _distance(case.mitral.center_lps, truth.mitral.center), 0.5, "mm"),
        Row("annulus normal", None, None, _angle_deg(case.mitral.normal_lps, truth.mitral.normal), 0.5, "deg"),
        _share("annulus projected area", case.mitral.area_mm2, truth.mitral.area_mm2, 2.0),
        _share("annulus perimeter", case.mitral.perimeter_mm, truth.mitral.perimeter_mm, 2.0),
    ]
    rows += compare_chambers(case.chambers, truth)
    fossa, true = case.fossa, truth.fossa
    rows += [
        Row("fossa center", None, None, _distance(fossa.center_lps, true.center), 2.0, "mm"),
        Row("fossa normal", None, None, _angle_deg(fossa.normal_lps, true.normal), 3.0, "deg"),
        _share("fossa area", fossa.area_mm2, true.area_mm2, 15.0),
        _difference("fossa mean thickness", fossa.thickness_mean_mm, true.thickness_mean_mm, 0.4),
    ]
    rows += compare_site(case, truth)
    rows += compare_views(case, truth)
    return rows


def compare_site(case: PlannedCase, truth: septal_phantoms.Truth) -> list[Row]:
    """The target and what is measured at it; a value the plan did not assess counts as failed."""
    site = case.site
    target = site.target_lps
    rows = [
        Row("target off the mid-surface", None, None, abs(float(truth.midsurface_distance_mm(target)[0])), 0.5, "mm"),
        Row(
            "target outside the membrane", None, None, 0.0 if bool(truth.on_membrane(target)[0]) else 1.0, 0.0, "times"
        ),
        _difference("height above the annulus", site.height_mm, float(truth.height_mm(target)[0]), 0.5),
        _difference("distance to the aorta", site.distance_to_aorta_mm, float(truth.aorta_distance_mm(target)[0]), 1.0),
        _difference(
            "free path to the posterior wall",
            site.distance_to_posterior_wall_mm,
            truth.free_path_mm(target, site.reach.crossing_direction),
            1.5,
        ),
    ]
    return rows


def compare_views(case: PlannedCase, truth: septal_phantoms.Truth) -> list[Row]:
    """C-arm angles, as angles between beams."""
    views = case.views or {}
    rows = []
    if "fossa_en_face" in views:
        v = views["fossa_en_face"]
        off = _angle_deg(beam(v.primary_deg, v.secondary_deg), beam(*truth.views["fossa_en_face"]))
        rows.append(Row("fossa en-face view", None, None, off, 3.0, "deg"))
    if "mitral_edge_on" in views:
        v = views["mitral_edge_on"]
        off = abs(90.0 - _angle_deg(beam(v.primary_deg, v.secondary_deg), truth.mitral.normal))
        rows.append(Row("mitral edge-on view", None, None, off, 0.5, "deg"))
    return rows


def compare_chambers(chambers: Chambers, truth: septal_phantoms.Truth) -> list[Row]:
    """Dice and mean surface distance of both atria within 45 mm of the fossa, all vessels taken out of both sides."""
    crop, lps_from_index = _near(chambers, truth.fossa.center)
    k, j, i = np.indices(crop.shape, dtype=np.float64)
    points = apply_affine(lps_from_index, np.stack([i, j, k], axis=-1).reshape(-1, 3))
    near = np.linalg.norm(points - truth.fossa.center, axis=1) <= NEAR_FOSSA_MM
    fields = {n: np.full(crop.size, 99.0) for n in ("left_atrium", "right_atrium", "vessels")}
    where = np.flatnonzero(near)
    for part in np.array_split(where, max(1, len(where) // 200_000)):
        f = truth.fields_at(points[part])
        for name in ("left_atrium", "right_atrium"):
            fields[name][part] = f[name]
        vessels = [f[n] for n in ("left_vessels", "right_vessels", "coronary_sinus", "pulmonary_trunk")]
        fields["vessels"][part] = np.min(vessels, axis=0)
    use = (near & (fields["vessels"] >= 0)).reshape(crop.shape)
    rows = []
    for name, bar in (("left_atrium", 0.95), ("right_atrium", 0.93)):
        found = (crop == LABELS[name]) & use
        true = (fields[name] < 0).reshape(crop.shape) & use
        total = int(found.sum() + true.sum())
        dice = 2.0 * int((found & true).sum()) / total if total else 0.0
        spoken = name.replace("_", " ")
        rows.append(Row(f"{spoken} Dice", None, None, dice, bar, "1", at_least=True))
        distance = mean_surface_distance_mm(found, true, spacing_mm(lps_from_index), keep=use) if found.any() else 99.0
        rows.append(Row(f"{spoken} mean surface distance", None, None, distance, 0.5, "mm"))
    return rows


def _near(chambers: Chambers, center_lps: Array) -> tuple[NDArray[np.uint8], Array]:
    """The labels' box within 45 mm of a point, with its own affine."""
    index = apply_affine(np.linalg.inv(chambers.lps_from_index), center_lps)
    reach = np.ceil(NEAR_FOSSA_MM / spacing_mm(chambers.lps_from_index)).astype(int) + 1
    lo = np.maximum(np.floor(index).astype(int) - reach, 0)
    hi = np.minimum(np.ceil(index).astype(int) + reach + 1, np.array(chambers.labels.shape[::-1]))
    affine = chambers.lps_from_index.copy()
    affine[:3, 3] = apply_affine(chambers.lps_from_index, lo)
    return chambers.labels[lo[2] : hi[2], lo[1] : hi[1], lo[0] : hi[0]], affine


def mean_surface_distance_mm(found: Mask, true: Mask, spacing: Array, *, keep: Mask) -> float:
    """Mean over both surfaces of the distance to the other one, mm. What lies at the edge of `keep` is left out:
    there both are cut by the same surface.

    Surfaces by marching cubes over masks smoothed by 0.7 voxels: between layers of voxels the distance would come
    out too small, since the nearest step of a staircase is nearer than its middle.
    """
    inner = _eroded(_eroded(keep))
    one, other = _surface(found, spacing), _surface(true, spacing)
    if one is None or other is None:
        return 99.0
    distances = []
    for vertices, to in ((one, other), (other, one)):
        i, j, k = np.rint(vertices / spacing).astype(int).T
        distances.append(cKDTree(to).query(vertices[inner[k, j, i]])[0])
    return float(np.concatenate(distances).mean())


def _surface(mask: Mask, spacing: Array) -> Array | None:
    """Vertices (n, 3) in mm along i, j, k."""
    soft = gaussian_filter(mask.astype(np.float32), 0.7)
    if not soft.min() < 0.5 < soft.max():
        return None
    vertices = marching_cubes(soft, 0.5)[0]
    return np.asarray(vertices[:, ::-1] * spacing, dtype=np.float64)


def _eroded(mask: Mask) -> Mask:
    return np.asarray(binary_erosion(mask))


# -------------------------------------------------------------------------------------------------------------- on
# paper


def as_document(results: list[PhantomResult], coverage: Coverage | None, *, quick: bool) -> dict[str, Any]:
    """What is written to validation.json."""
    return {
        "schema_version": 1,
        "software": {"name": "septal-planner", "version": __version__},
        "size": "quick, 1 mm voxels" if quick else "standard, 0.6 mm voxels",
        "passed": all(r.passed for r in results) and (coverage is None or coverage.passed),
        "phantoms": [
            {
                "phantom": r.phantom,
                "passed": r.passed,
                "planning_seconds": round(r.seconds, 2),
                "refused": r.refused,
                "rows": [{**asdict(row), "passed": row.passed} for row in r.rows],
            }
            for r in results
        ],
        "height_interval_coverage": (
            None
            if coverage is None
            else {**asdict(coverage), "refused": list(coverage.refused), "passed": coverage.passed}
        ),
    }


def as_markdown(document: Mapping[str, Any]) -> str:
    """The same as tables."""
    lines = [
        "# Validation against phantoms",
        "",
        f"{document['software']['name']} {document['software']['version']}, {document['size']}, points exact. "
        f"All bars met: {'yes' if document['passed'] else 'NO'}.",
        "",
        "Errors are absolute. The truth comes from the phantoms' closed forms, not from the planner.",
        "",
    ]
    for phantom in document["phantoms"]:
        lines += [f"## {phantom['phantom']}: {_word(phantom['passed'])} ({phantom['planning_seconds']:.1f} s)", ""]
        if phantom["refused"]:
            lines += [phantom["refused"], ""]
            continue
        lines += ["| measurement | found | truth | error | bar | |", "| --- | --- | --- | --- | --- | --- |"]
        for row in phantom["rows"]:
            bar = f"{'at least' if row['at_least'] else 'at most'} {row['bar']:g} {_unit(row['unit'])}"
            lines.append(
                f"| {row['name']} | {_number(row['value'])} | {_number(row['truth'])} | {row['error']:.3g} "
                f"{_unit(row['unit'])} | {bar} | {_word(row['passed'])} |"
            )
        lines.append("")
    coverage = document["height_interval_coverage"]
    if coverage is not None:
        lines += [
            "## Height interval with observer noise",
            "",
            f"With {coverage['noise_mm']:g} mm noise on every landmark coordinate the true height of the target lay "
            f"in the 95 % interval in {coverage['held']} of {coverage['plans']} plans (bar: at least "
            f"{100 * COVERAGE_AT_LEAST:.0f} %): {_word(coverage['passed'])}.",
            "",
            *(f"- {text}" for text in coverage["refused"]),
        ]
    return "\n".join(lines).rstrip() + "\n"


def write(document: Mapping[str, Any], folder: Path) -> None:
    """validation.json and validation.md in a folder that is there."""
    (folder / "validation.json").write_text(json.dumps(document, indent=1) + "\n", "utf-8")
    (folder / "validation.md").write_text(as_markdown(document), "utf-8")


def _word(passed: bool) -> str:
    return "met" if passed else "NOT MET"


def _unit(unit: str) -> str:
    return "" if unit == "1" else unit


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.4g}"


def _distance(a: Array, b: Array) -> float:
    return float(np.linalg.norm(np.asarray(a) - np.asarray(b)))


def _angle_deg(a: Array, b: Array) -> float:
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), np.dot(a, b))))


def _share(name: str, value: float | None, truth: float, bar: float) -> Row:
    return Row(name, value, truth, 100.0 if value is None else 100 * abs(value / truth - 1), bar, "%")


def _difference(name: str, value: float | None, truth: float, bar: float) -> Row:
    error = 99.0 if value is None or not np.isfinite(truth) else abs(value - truth)
    return Row(name, value, truth if np.isfinite(truth) else None, error, bar, "mm")
