"""From a plan to the words, numbers and lines that stand on paper. Rounding happens here and nowhere before."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from typing import Any

from septal_planner.plan import CheckMade, Plan
from septal_planner.report.picture import Pictures
from septal_planner.report.pictures import ORDER, TITLES
from septal_planner.report.quality import QUALITY_ORDER, QUALITY_TITLES

CAUTION = (
    "Planning aid, not a medical device. Confirm every number with imaging at the table; local protocol and "
    "licensed practice come first."
)
# UCUM code -> what is printed, decimals
UNITS = {"mm": ("mm", 1), "mm2": ("mm²", 0), "mL": ("mL", 0), "deg": ("°", 0), "HU": ("HU", 0), "1": ("%", 0)}
NAMES = {
    "height_above_mitral_annulus": "Height above mitral annulus",
    "superior_fraction": "Position from lowest to highest rim",
    "anterior_fraction": "Position from hindmost to foremost rim",
    "distance_to_rim": "Distance to the rim",
    "distance_to_aorta": "Distance to the aorta",
    "distance_to_posterior_wall": "Free path to the posterior wall",
    "wall_thickness": "Wall thickness at the target",
    "entry_angle": "Angle to the mean septal normal",
    "bend_radius": "Bend radius of the arc",
    "axis_tilt": "Tilt against the target's axis",
    "catheter_tilt": "Tilt of the catheter's tip",
    "catheter_offset": "Tip from the device point",
    "catheter_room": "Room of its centre line to the wall",
}
VIEWS = {
    "fossa_en_face": "Fossa en face", "fossa_profile": "Fossa in profile", "mitral_edge_on": "Mitral annulus edge-on",
    "tricuspid_edge_on": "Tricuspid annulus edge-on", "aortic_edge_on": "Aortic annulus edge-on",
    "old_ring_edge_on": "Old ring edge-on",
}
# measurement whose doubt belongs to a check or line of page one
_DOUBT = {
    "height_above_mitral_annulus": "height above mitral annulus", "distance_to_rim": "distance to rim",
    "distance_to_aorta": "distance to aorta", "distance_to_posterior_wall": "distance to posterior wall",
    "wall_thickness": "wall thickness at target", "clearance": "clearance of the arc",
    "superior_fraction": "superior fraction", "anterior_fraction": "anterior fraction", "entry_angle": "entry angle",
    "bend_radius": "bend radius", "axis_tilt": "axis tilt", "turn": "turn angle",
    "catheter_tilt": "catheter: axis_tilt", "catheter_offset": "catheter: tip_offset",
    "catheter_room": "catheter: clearance",
}
_GROUPS = (
    ("Target", ("height ", "superior fraction", "anterior fraction", "wall ", "distance ")),
    ("Fossa: the membrane", ("fossa",)),
    ("Mitral annulus", ("mitral",)), ("Tricuspid annulus", ("tricuspid",)),
    ("Chambers", ("left atrium", "right atrium", "left ventricle", "right ventricle", "aorta")),
    ("Motion to the other phase", ("motion: ",)),
    ("One sheath turn and one arc alone (the catheter's own bends: see the ways there and on)", ("",)),
)
LONGEST_REASON = 110  # letters, two lines of page one
_IN_HERO = ("height_above_mitral_annulus", "superior_fraction", "anterior_fraction")
FLAGS = {
    "seen": "read in the publication named",
    "memory": "from memory of the publication named, not checked",
    "practice value, edit locally": "no verified source",
}


def number(value: float, unit: str, *, with_unit: bool = True, sign: bool = False) -> str:
    """A value of a UCUM unit as printed, with a true minus sign and no minus zero; fractions as per cent."""
    printed, decimals = UNITS.get(unit, (unit, 2))
    rounded = round(100 * value if unit == "1" else value, decimals) + 0.0
    text = f"{rounded:+.{decimals}f}" if sign else f"{rounded:.{decimals}f}"
    text = text.replace("-", "\u2212")
    return text + _gap(unit) + printed if with_unit else text


def asked(low: float | None, high: float | None, unit: str) -> str:
    """The range asked for."""
    printed = _gap(unit) + UNITS.get(unit, (unit, 2))[0]
    if low is None and high is None:
        return "no range"
    if low is None:
        assert high is not None
        return f"at most {_plain(high, unit)}{printed}"
    if high is None:
        return f"at least {_plain(low, unit)}{printed}"
    return f"{_plain(low, unit)} to {_plain(high, unit)}{printed}"


def _gap(unit: str) -> str:
    return "" if unit == "deg" else "\u00a0"


def _plain(value: float, unit: str) -> str:
    return f"{round(100 * value if unit == '1' else value, 1):g}".replace("-", "\u2212")


def page_content(
    plan: Plan, pictures: Pictures, *, identity: Mapping[str, str] | None = None, date: datetime.date | None = None
) -> dict[str, Any]:
    """Everything the printed pages say, as plain lists and texts. No patient identity but the one given."""
    doubt = {m.name: m.sd for m in plan.measurements}
    if plan.crossing is not None and plan.crossing.doubt is not None:
        doubt |= {f"catheter: {name}": i.sd for name, i in plan.crossing.doubt.measured.items()}
    p = plan.puncture
    contrast = _contrast(plan)
    profile = plan.procedure_profile
    title = profile.title if profile else p.procedure
    return {
        "caution": CAUTION,
        "procedure": title,
        "about": _about(plan),
        "identity": [[_said(k), _name(v) if k == "name" else v] for k, v in (identity or {}).items() if v],
        "date": date.isoformat() if date else "",
        "facts": _facts(plan),
        "hero": _hero(plan, doubt),
        "read_first": _read_first(plan),
        "views": _views(plan),
        "table": [_check_line(c, doubt) | {"why": _why_here(c, plan)} for c in p.checks if c.name not in _IN_HERO]
        + _more_lines(plan, doubt),
        "pictures": [p.name for p in pictures.shown],
        "titles": TITLES | QUALITY_TITLES,
        "not_shown": {n: pictures.not_shown.get(n, "Not shown: it was not made.") for n in (*ORDER, *QUALITY_ORDER)
                      if pictures.named(n) is None},
        "labels": label_legend(plan, pictures),
        "contrast": contrast,
        "measurements": _measurements(plan),
        "catheter": _catheter(plan),
        "motion": _motion(plan),
        "checks": [_check_line(c, doubt) | {"why": c.why} for c in p.checks],
        "flags": [[k, v] for k, v in FLAGS.items() if profile and any(b.flag == k for b in profile.bands)],
        # what is said of the scan's contrast stands beside its table, not among the cautions once more
        "cautions": [c for c in plan.cautions if contrast is None or c not in contrast["sentences"]],
        "version": f"{plan.software.name} {plan.software.version}",
        "content": plan.ct.content_sha256[:12],
    }


def _said(key: str) -> str:
    return "ID" if key == "id" else key.replace("_", " ").capitalize()


def _name(written: str) -> str:
    """DICOM's family^given^middle (PS3.5 6.2) as family, given middle."""
    family, *given = (part.strip() for part in written.split("^"))
    return ", ".join(part for part in (family, " ".join(g for g in given if g)) if part)


def _about(plan: Plan) -> str:
    phase = plan.ct.phase_percent
    when = "cardiac phase not recorded" if phase is None else f"{phase:g} % of the RR interval"
    series = plan.ct.series_instance_uid
    which = f"series …{series[-10:]}" if series else "no series UID"
    return f"CT at {when}; {which}" if phase is not None else f"CT, {when}; {which}"


def _expected_height(plan: Plan) -> str:
    """The height of the puncture made at the table, all doubts together."""
    doubt = plan.crossing and plan.crossing.doubt
    found = doubt and doubt.expected.get("height_above_mitral_annulus")
    if not found:
        return ""
    return f"{number(found.low, 'mm', with_unit=False)} to {number(found.high, 'mm')}"


def _hero(plan: Plan, doubt: Mapping[str, float | None]) -> dict[str, Any]:
    p = plan.puncture
    x, y, z = (number(v, "mm", with_unit=False) for v in p.target_mm)
    low, high = (number(v, "mm", with_unit=False) for v in p.height_interval_95_mm)
    statuses = {c.name: c.status for c in p.checks}
    check = next((c for c in p.checks if c.name == "height_above_mitral_annulus"), None)
    has_norm = check is not None and (check.low, check.high) != (None, None)
    coaptation = p.height_above_coaptation_mm
    source = "computed" if p.target_source == "computed" else "given by the user"
    if p.moved_mm is not None:
        onto = "membrane" if plan.anatomy.fossa.rim_mm else "septum"
        source += f", moved {number(p.moved_mm, 'mm')} onto the {onto}"
    return {
        "height": number(p.height_above_mitral_annulus_mm, "mm", with_unit=False),
        "interval": f"{low} to {high}\u00a0mm", "expected": _expected_height(plan),
        "status": check.status if check and has_norm else "",
        "asked": asked(check.low, check.high, check.unit) if check and has_norm else "no height norm",
        "coaptation": "not assessed" if coaptation is None
        else _with_doubt(coaptation, "mm", doubt.get("height above leaflet coaptation")),
        "zone": p.zone or "place not assessed",
        "up": "" if p.superior_fraction is None
        else _with_doubt(p.superior_fraction, "1", doubt.get("superior fraction")),
        "up_status": statuses.get("superior_fraction", ""),
        "forward": "" if p.anterior_fraction is None
        else _with_doubt(p.anterior_fraction, "1", doubt.get("anterior fraction")),
        "forward_status": statuses.get("anterior_fraction", ""),
        "x": x, "y": y, "z": z, "source": source,
    }


# of plans saved before they named the cautions that bear on what is done at the table
_BEARS_ON_THE_TABLE = ("height band asked for", "C-arm angles", "rim was seen", "rim is seen")


def _read_first(plan: Plan) -> list[str]:
    """What must not be missed at the table: of the way on, what the catheter does not keep, or the one arc where none
    was tried."""
    tried = None if plan.crossing is None else plan.crossing.reach
    limits = plan.reach.limits if tried is None else tried.why_not
    if plan.read_first is not None:
        return list(dict.fromkeys([*plan.read_first, *limits]))
    said = [c for words in _BEARS_ON_THE_TABLE for c in plan.cautions if words in c]
    if plan.puncture.height_band_available is False and not any(_BEARS_ON_THE_TABLE[0] in c for c in said):
        said.insert(0, "The height band asked for is not available on this septum.")
    return list(dict.fromkeys([*said, *limits]))


LABEL_NAMES = {
    "left_atrium": "Left atrium", "right_atrium": "Right atrium", "left_ventricle": "Left ventricle",
    "right_ventricle": "Right ventricle", "aorta": "Aorta", "fossa_membrane": "Membrane of the fossa",
    "metal": "Metal",
}  # fmt: skip


def label_legend(plan: Plan, pictures: Pictures) -> list[list[str]]:
    """Role, name and what is known of each label: its volume, or that the CT's edge cuts it, or that it was not
    found."""
    volume = {m.name: m for m in plan.measurements}
    drawn = {m.role for p in pictures.shown if p.name in QUALITY_ORDER for m in p.marks}
    legend = []
    for role, name in LABEL_NAMES.items():
        found = volume.get(f"{name.lower()} volume")
        if role == "metal":
            said = "marked in these planes" if role in drawn else "none in these planes"
        elif role == "fossa_membrane":
            area = plan.anatomy.fossa.area_mm2
            sd = next((m.sd for m in plan.measurements if m.name == "fossa area"), None)
            said = "outline not assessed" if area is None else _with_doubt(area, "mm2", sd)
        elif found is not None:
            said = _with_doubt(found.value, "mL", found.sd)
        elif role in (plan.anatomy.opacification or {}):
            said = "cut by the CT's edge: volume not assessed"
        else:
            said = "not assessed"
        legend.append([role, name, said])
    return legend


def _contrast(plan: Plan) -> dict[str, Any] | None:
    """Brightness of the blood, and in words what can be trusted."""
    read = plan.anatomy.contrast
    if read is None:
        return None

    def hu(value: float) -> str:
        return number(value, "HU", with_unit=False)

    rows = [
        [_said(name), hu(b.mean_hu), hu(b.spread_hu), f"{hu(b.low_hu)} to {hu(b.high_hu)}"]
        for name, b in read.blood.items()
    ]
    s = read.septum
    septum = "not assessed" if s is None else (
        f"left {hu(s.left_hu)}, wall {hu(s.wall_hu)}, right {hu(s.right_hu)} HU; the wall is darker than the blood by "
        f"{hu(s.contrast_left_hu)} on the left and {hu(s.contrast_right_hu)} on the right; noise {hu(s.noise_hu)}"
    )
    return {"rows": rows, "septum": septum, "sentences": list(read.sentences)}


def _views(plan: Plan) -> list[list[str]] | None:
    if plan.views is None:
        return None
    known = [n for n in VIEWS if n in plan.views]
    return [
        [VIEWS.get(n, _said(n)), plan.views[n].label, "" if plan.views[n].reachable else "beyond the C-arm's limits"]
        for n in [*known, *(n for n in plan.views if n not in VIEWS)]
    ]


def _with_doubt(value: float, unit: str, sd: float | None) -> str:
    """A value and two standard uncertainties, the unit once."""
    if sd is None:
        return number(value, unit)
    printed = UNITS.get(unit, (unit, 2))[0]
    return (
        f"{number(value, unit, with_unit=False)} ±\u00a0{number(2 * sd, unit, with_unit=False)}{_gap(unit)}{printed}"
    )


def _why_here(c: CheckMade, plan: Plan) -> str:
    """Why a value of page one is not assessed, unless what must be read first says so; long reasons stand elsewhere."""
    if c.value is not None:
        return ""
    why = plan.puncture.not_assessed.get(c.name, c.why)
    if any(why in said for said in plan.read_first or ()):
        return ""
    return why if len(why) <= LONGEST_REASON else "why: see the checks"


def _check_line(c: CheckMade, doubt: Mapping[str, float | None]) -> dict[str, str]:
    sd = doubt.get(_DOUBT.get(c.name, ""))
    return {
        "name": NAMES.get(c.name, _said(c.name)),
        "value": "–" if c.value is None else number(c.value, c.unit),
        "doubt": "" if sd is None or c.value is None else f"±\u00a0{number(2 * sd, c.unit, with_unit=False)}",
        "asked": asked(c.low, c.high, c.unit),
        "status": c.status,
    }


def _more_lines(plan: Plan, doubt: Mapping[str, float | None]) -> list[dict[str, str]]:
    """Numbers of page one that nothing is asked of."""
    r = plan.reach
    lines = []
    more: list[tuple[str, float | None, str, str]] = [("Turn into the valve's axis", r.turn_angle_deg, "deg", "turn")]
    if plan.crossing is None or plan.crossing.reach is None:
        more.append(("Clearance of the arc", r.clearance_mm, "mm", "clearance"))
    for name, value, unit, key in more:
        sd = doubt.get(_DOUBT.get(key, ""))
        lines.append({
            "name": name, "value": "–" if value is None else number(value, unit),
            "doubt": "" if sd is None or value is None else f"±\u00a0{number(2 * sd, unit, with_unit=False)}",
            "asked": "", "status": "" if value is not None else "not assessed", "why": "",
        })
    return lines


def _measurements(plan: Plan) -> list[dict[str, Any]]:
    groups: dict[str, list[list[str]]] = {title: [] for title, _ in _GROUPS}
    for m in plan.measurements:
        title = next(t for t, starts in _GROUPS if m.name.startswith(starts))
        groups[title].append([
            _capital(m.name.removeprefix("motion: ")),
            number(m.value, m.unit, sign=m.name.startswith("motion: change")),
            "" if m.sd is None else f"±\u00a0{number(2 * m.sd, m.unit, with_unit=False)}", m.method,
        ])
    return [{"title": title, "rows": rows} for title, rows in groups.items() if rows]


def _catheter(plan: Plan) -> list[list[str]]:
    r = plan.reach
    x, y, z = (f"{v:.3f}".replace("-", "\u2212") for v in r.crossing_direction)
    one_arc = {True: "yes", False: "no", None: "not assessed"}[r.reachable]
    sheath = "not recorded" if r.sheath_angle_deg is None else number(r.sheath_angle_deg, "deg")
    return [
        ["Sheath turns from the caval axis by", sheath],
        ["Crossing direction x, y, z (LPS)", f"{x}, {y}, {z}"],
        ["One arc reaches its goal within the limits asked", one_arc],
        ["Turn of the arc", "not assessed" if r.arc_turn_deg is None else number(r.arc_turn_deg, "deg")],
    ]


_PHASES_DIFFER = (
    "CT series find the mitral annulus largest in diastole (doi 10.1097/RLI.0b013e3181994a73), 3-D echo finds it "
    "smallest early and large late in systole (doi 10.1155/2020/3261714): only the percentage of the RR interval says "
    "which moment is meant."
)


def _motion(plan: Plan) -> list[str]:
    """What a second phase shows, in sentences; nothing without one."""
    m = plan.motion
    if m is None:
        return []
    here, there = (
        "a phase not recorded" if p is None else f"{p:g} % of the RR interval"
        for p in (plan.ct.phase_percent, m.other_ct.phase_percent)
    )
    other = m.other_ct.series_instance_uid
    which = f" (series …{other[-10:]})" if other else ""
    lines = [f"From the CT of the plan at {here} to the other CT at {there}{which}."]
    for name, moved in (("The annulus", m.annulus), ("The fossa", m.fossa)):
        if moved is None:
            continue
        x, y, z = (number(v, "mm", with_unit=False, sign=True) for v in moved.vector_mm)
        side = "atrium" if moved.along_mm > 0 else "ventricle"
        lines.append(
            f"{name} moves {number(moved.distance_mm, 'mm')} (LPS {x}, {y}, {z}\u00a0mm): "
            f"{number(abs(moved.along_mm), 'mm')} toward the {side} along the annular normal, "
            f"{number(moved.across_mm, 'mm')} across it."
        )
    lines += [f"{_capital(what)}: not assessed. {why}" for what, why in m.not_assessed.items()]
    if m.height_range_mm is not None:
        low, high = (number(v, "mm", with_unit=False) for v in m.height_range_mm)
        lines.append(f"Height of this place over both phases: {low} to {high}\u00a0mm.")
    return [*lines, m.meaning, _PHASES_DIFFER]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _facts(plan: Plan) -> list[list[str]]:
    ct = plan.ct
    spacing = " × ".join(f"{v:.2f}" for v in ct.spacing_mm)
    return [
        ["Series instance UID", ct.series_instance_uid or "none recorded"],
        ["Frame of reference UID", ct.frame_of_reference_uid or "none recorded"],
        ["Content SHA-256", ct.content_sha256[:32] + "…"],
        ["Cardiac phase", "not recorded" if ct.phase_percent is None else f"{ct.phase_percent:g} % of the RR interval"],
        ["Patient position", ct.patient_position or "not recorded"],
        ["Voxels", f"{' × '.join(map(str, ct.size))} of {spacing} mm"],
        ["Program", f"{plan.software.name} {plan.software.version}, plan schema {plan.schema_version}"],
    ]
