"""A plan in a few lines for the console: what the operator asks first."""

from __future__ import annotations

import numpy as np

from septal_planner.plan import MotionFound, Plan, ShiftFound
from septal_planner.plan.crossing import CatheterFound, CrossingFound
from septal_planner.puncture.needle import PUBLISHED_CLOCK_HOURS, clock_words


def summary(plan: Plan) -> str:
    """What the operator asks first, in two dozen lines."""
    p, reach = plan.puncture, plan.reach
    low, high = p.height_interval_95_mm
    x, y, z = p.target_mm

    def mm(value: float | None) -> str:
        return "not assessed" if value is None else f"{value:.1f} mm"

    title = plan.procedure_profile.title if plan.procedure_profile else p.procedure
    lines = [
        ("Procedure", title),
        ("Cardiac phase of the CT", _phase(plan.ct.phase_percent)),
        ("Target (LPS)", f"{x:.1f} {y:.1f} {z:.1f} mm, {p.target_source}"),
        (
            "Height above mitral annulus",
            f"{p.height_above_mitral_annulus_mm:.1f} mm, 95 % interval {low:.1f} to {high:.1f}",
        ),
        ("Zone of the fossa", p.zone or "not assessed"),
        ("Wall thickness there", mm(p.wall_thickness_mm)),
        ("Distance to rim", mm(p.distance_to_rim_mm)),
        ("Distance to aorta", mm(p.distance_to_aorta_mm)),
        ("Free path to posterior wall", mm(p.distance_to_posterior_wall_mm)),
        ("Turn to the mitral axis", f"{reach.turn_angle_deg:.0f} degrees"),
        *([] if plan.crossing is None else _crossing_lines(plan.crossing)),
    ]
    for name, view in (plan.views or {}).items():
        beyond = "" if view.reachable else " (beyond the limits of a C-arm)"
        lines.append((f"View, {name.replace('_', ' ')}", view.label + beyond))
    width = max(len(name) for name, _ in lines)
    text = [f"{name:{width}}  {value}" for name, value in lines]
    marks = {"met": "+", "borderline": "~", "not met": "x", "not assessed": "?"}
    text += ["", "Checks"]
    for c in p.checks:
        value = "" if c.value is None else f"{c.value:.2f}" if c.unit == "1" else f"{c.value:.1f} {c.unit}"
        text.append(f"  {marks[c.status]} {c.status:12} {c.name.replace('_', ' '):{width}} {value}".rstrip())
    if plan.motion is not None:
        text += ["", *_motion_lines(plan, plan.motion)]
    text += ["", "Cautions", *(f"  - {caution}" for caution in plan.cautions)]
    return "\n".join(text)


def _crossing_lines(found: CrossingFound) -> list[tuple[str, str]]:
    """Of the whole membrane and the ways there and on: candidates, what binds, how likely, needle, catheter."""
    lines = []
    if found.choice is not None:
        places = [
            f"{rank}: {c.height_above_mitral_annulus_mm:.1f} mm, {c.zone or 'place not assessed'}"
            for rank, c in enumerate(found.choice.candidates, 1)
        ]
        none = "" if found.choice.meets_all else " (no place meets all limits)"
        lines.append(("Candidates", "; ".join(places) + none))
    if found.target is None:
        lines.append(("What binds", "not assessed"))
    else:
        margin, binds = found.target.worst_margin, found.target.binds.replace("_", " ")
        side = ""
        if margin is not None:
            side = f", {abs(margin):.1f} of its tolerance {'inside' if margin >= 0 else 'outside'}"
        lines.append(("What binds", f"{binds}{side or ': not assessed here'}" if binds else "nothing is asked"))
    if found.doubt is None:
        lines.append(("All limits met", "not assessed"))
    elif found.doubt.all_met is None:
        lines.append(("All limits met", "not assessed, because one of them is not assessed at the target"))
    else:
        widest = f"; largest doubt: {found.doubt.sources[0].source}" if found.doubt.sources else ""
        share = f"{100 * found.doubt.all_met:.0f} % of {found.doubt.draws} trial punctures"
        lines.append(("All limits met", share + widest))
    low, high = PUBLISHED_CLOCK_HOURS
    lines.append(("Needle, seen from the feet", "not assessed" if found.needle is None else (
        f"{clock_words(found.needle.clock_hours)}, {'within' if found.needle.clock_as_published else 'outside'} the "
        f"published {low:g} to {high:g}"
    )))
    lines.append(("Catheter", "not assessed" if found.reach is None else _reached(found.reach)))
    if found.tricuspid is not None:
        t = found.tricuspid
        leads = "; leads not looked for" if t.leads is None else "; metal across the annulus" if t.leads else ""
        lines.append(("Tricuspid valve", f"turn {t.turn_deg:.0f} degrees, {_reached(t.catheter)}{leads}"))
    return lines


def _reached(c: CatheterFound) -> str:
    """Whether a catheter reaches, and how its tip ends."""
    ends = f"tip tilted {c.tilt_deg:.0f} degrees, {c.offset_mm:.1f} mm off"
    if c.reachable and c.clearance_mm is None:
        return f"reaches; its room to the wall is not assessed; {ends}"
    return f"{'reaches' if c.reachable else 'does not reach'}, {ends}"


def _phase(percent: float | None) -> str:
    return "not recorded" if percent is None else f"{percent:g} % of the RR interval"


def _motion_lines(plan: Plan, m: MotionFound) -> list[str]:
    """How annulus and fossa move to the other phase, each with two standard uncertainties."""

    def moved(s: ShiftFound) -> str:
        side = "toward the atrium" if s.along_mm > 0 else "toward the ventricle"
        x, y, z = (f"{v:.1f}" for v in np.round(s.vector_mm, 1) + 0.0)
        return (
            f"{s.distance_mm:.1f} mm +- {2 * s.distance_sd_mm:.1f} (LPS {x} {y} {z}); along the annular normal "
            f"{abs(s.along_mm):.1f} +- {2 * s.along_sd_mm:.1f} {side}, across {s.across_mm:.1f} +- "
            f"{2 * s.across_sd_mm:.1f}"
        )

    rows = [
        ("annulus moves", moved(m.annulus)),
        ("annulus tilts", f"{m.tilt_deg:.1f} deg +- {2 * m.tilt_sd_deg:.1f}"),
        ("annular area changes", f"{m.area_change_percent:+.1f} % +- {2 * m.area_change_sd_percent:.1f}"),
        ("fossa moves", "not assessed" if m.fossa is None else moved(m.fossa)),
    ]
    if m.other_height_mm is None or m.other_height_interval_95_mm is None or m.height_range_mm is None:
        rows.append(("height there", "not assessed"))
    else:
        low, high = m.other_height_interval_95_mm
        least, most = m.height_range_mm
        rows += [
            ("height there", f"{m.other_height_mm:.1f} mm, 95 % interval {low:.1f} to {high:.1f}"),
            ("height over both", f"{least:.1f} to {most:.1f} mm"),
        ]
    title = f"Motion from {_phase(plan.ct.phase_percent)} to {_phase(m.other_ct.phase_percent)}"
    if None in (plan.ct.phase_percent, m.other_ct.phase_percent):
        title = (
            f"Motion from the plan's phase ({_phase(plan.ct.phase_percent)}) to the other "
            f"({_phase(m.other_ct.phase_percent)})"
        )
    return [
        f"{title} (+-: two standard uncertainties)",
        *(f"  {name:21} {value}" for name, value in rows),
        f"  {m.meaning}",
    ]
