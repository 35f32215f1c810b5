"""Validation as a document for machines and as tables."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from septal_planner import __version__
from septal_planner.validation.results import COVERAGE_AT_LEAST, COVERAGE_AT_MOST, PhantomResult, TrialCoverage
from septal_planner.validation.runs import Validation


def as_document(found: Validation) -> dict[str, Any]:
    """What is written to validation.json."""
    return {
        "schema_version": 1,
        "software": {"name": "septal-planner", "version": __version__},
        "size": "quick, 1 mm voxels or the scan's own coarser ones" if found.quick
        else "standard, 0.6 mm voxels or the scan's own",
        "passed": found.passed,
        "phantoms": [_phantom(r) for r in found.results],
        "height_interval_coverage": (
            None
            if found.coverage is None
            else {
                **asdict(found.coverage),
                "refused": list(found.coverage.refused),
                "passed": found.coverage.passed,
            }
        ),
        "random_hearts": (
            None
            if not found.random
            else {
                "hearts": len(found.random),
                "refused": [f"{r.phantom}: {r.refused}" for r in found.random if r.refused is not None],
                "beyond_a_bar": [r.phantom for r in found.random if not r.passed],
                "spreads": [asdict(s) for s in found.spreads],
            }
        ),
        "interval_coverage": (
            None
            if found.trials is None
            else {
                "trials": found.trials.trials,
                "noise_mm": found.trials.noise_mm,
                "refused": list(found.trials.refused),
                "pooled": _coverage(found.trials.pooled),
                "by_kind": [_coverage(c) for c in found.trials.by_kind],
                "by_measurement": [_coverage(c) for c in found.trials.by_name],
            }
        ),
    }  # fmt: skip


def _phantom(r: PhantomResult) -> dict[str, Any]:
    return {
        "phantom": r.phantom,
        "passed": r.passed,
        "planning_seconds": round(r.seconds, 2),
        "refused": r.refused,
        "may_refuse": r.may_refuse,
        "rows": [{**asdict(row), "status": row.status, "passed": row.passed} for row in r.rows],
    }


def _coverage(c: TrialCoverage) -> dict[str, Any]:
    return {**asdict(c), "share": round(c.share, 4), "passed": c.passed}


def as_markdown(document: Mapping[str, Any]) -> str:
    """The same as tables."""
    lines = [
        "# Validation against phantoms",
        "",
        f"{document['software']['name']} {document['software']['version']}, {document['size']}, points exact. "
        f"All bars met: {'yes' if document['passed'] else 'NO'}.",
        "",
        "Errors are absolute. The truth comes from the phantoms' closed forms, not from the planner; but in the trials "
        "of the intervals the shape of an arc or a catheter among true things is worked out by the planner's formulas, "
        "so that there the doubt is tested, not the formula. A value that no "
        "program could measure in a scan may be left out, or be right within the plan's own 95 % interval.",
        "",
    ]
    for phantom in document["phantoms"]:
        lines += _phantom_lines(phantom)
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
            "",
        ]
    if document["random_hearts"] is not None:
        lines += _random_lines(document["random_hearts"])
    if document["interval_coverage"] is not None:
        lines += _trial_lines(document["interval_coverage"])
    return "\n".join(lines).rstrip() + "\n"


def _phantom_lines(phantom: Mapping[str, Any]) -> list[str]:
    lines = [f"## {phantom['phantom']}: {_word(phantom['passed'])} ({phantom['planning_seconds']:.1f} s)", ""]
    if phantom["refused"]:
        because = f" Right so: {phantom['may_refuse']}" if phantom["may_refuse"] else ""
        return [*lines, f"{phantom['refused']}{because}", ""]
    lines += ["| measurement | found | truth | error | bar | |", "| --- | --- | --- | --- | --- | --- |"]
    for row in phantom["rows"]:
        bar = "" if row["bar"] is None else (
            f"{'at least' if row['at_least'] else 'at most'} {row['bar']:g} {_unit(row['unit'])}".rstrip()
        )  # fmt: skip
        error = "" if row["error"] is None else f"{row['error']:.3g} {_unit(row['unit'])}".rstrip()
        said = row["status"] if row["passed"] else f"NOT MET ({row['status']})"
        lines.append(
            f"| {row['name']} | {_number(row['value'])} | {_number(row['truth'])} | {error} | {bar} | {said} |"
        )
    return [*lines, ""]


def _random_lines(hearts: Mapping[str, Any]) -> list[str]:
    lines = [
        f"## {hearts['hearts']} random hearts",
        "",
        "Drawn from published means and deviations, voxels of 1.0-1.5 mm, noise of 15-45 HU, half of them with a "
        "streaked right atrium; points exact. High: 95th percentile (where more is better, the 5th).",
        "",
        "| measurement | median | high | worst | on | not assessed | bar | beyond it |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for s in hearts["spreads"]:
        unit = _unit(s["unit"])
        values = " | ".join(f"{s[k]:.3g} {unit}".rstrip() for k in ("median", "high", "worst"))
        bar = "" if s["bar"] is None else f"{s['bar']:g}"
        lines.append(
            f"| {s['name']} | {values} | {s['worst_at']} | {s['not_assessed']} of {s['hearts']} | {bar} | "
            f"{s['beyond_bar']} |"
        )
    return [
        *lines,
        "",
        f"Refused: {len(hearts['refused'])}.",
        "",
        *(f"- {text}" for text in hearts["refused"]),
        "",
    ]


def _trial_lines(trials: Mapping[str, Any]) -> list[str]:
    low, high = 100 * COVERAGE_AT_LEAST, 100 * COVERAGE_AT_MOST
    lines = [
        f"## How often a 95 % interval holds the truth, in {trials['trials']} trials",
        "",
        f"Hearts, image noise and {trials['noise_mm']:g} mm noise on every landmark coordinate vary. Interval: value "
        f"and two standard uncertainties to either side. Bar: {low:.0f}-{high:.0f} %. Deviations: root mean square of "
        "error over stated standard uncertainty.",
        "",
        "| measurement | held | share | deviations | worst | |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for c in (trials["pooled"], *trials["by_kind"], *trials["by_measurement"]):
        lines.append(
            f"| {c['name']} | {c['held']} of {c['told']} | {100 * c['share']:.1f} % | {c['deviations']:.2f} | "
            f"{c['worst_deviations']:.1f}, {c['worst_at']} | {_word(c['passed'])} |"
        )
    return [
        *lines,
        "",
        f"Refused: {len(trials['refused'])}.",
        "",
        *(f"- {text}" for text in trials["refused"]),
        "",
    ]


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
