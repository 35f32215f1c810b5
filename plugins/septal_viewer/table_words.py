"""What page X-ray says: the next step, the error and its parts, the needle tip, a view."""

from __future__ import annotations

import html

from septal_planner.fluoroscopy.recommendation import Candidate
from septal_planner.registered import RegistrationFile
from septal_planner.tip_check import tip_lines
from septal_viewer.pairs import TIP
from septal_viewer.parts import signed
from septal_viewer.signs import STATUS
from septal_viewer.xray_table import XrayTable


def next_step(t: XrayTable) -> str:
    """What is to be done with the chosen point."""
    name = t.pairs.chosen
    if t.pairs.run is None:
        return "Open the frames first; then mark what CT and frames both show, six points or more, well spread."
    if not name:
        return "Name a point, or choose one of the list; then say where it is in the CT and click it in the frame."
    said = html.escape(name)
    if name == TIP:
        seen = sum(f.tip is not None for f in t.pairs.marks.frames.values())
        if seen < 2:
            return f"Click the needle tip in two frames or more (now {seen}): registering tells where it lies."
        return f"The needle tip is marked in {seen} frames."
    todo = []
    if t.pairs.marks.places.get(name) is None:
        todo.append("put the cross-hair on it in the CT and press P")
    if name not in t.pairs.frame().pixels:
        todo.append("click it in the frame")
    if todo:
        return f"<b>{said}</b>: {', then '.join(todo)}."
    return f"<b>{said}</b> is a pair here; drag it in the frame to correct it, or go on with the next."


def verdict_html(d: RegistrationFile, dark: bool) -> str:
    """The error against its limit."""
    status = STATUS["not met" if d.exceeds_limit else "met"]
    if d.exceeds_limit:
        return f"{signed(status, dark, word=False)} <b>above limit ({d.limit_mm:g} mm): do not steer by it</b>"
    return f"{signed(status, dark, word=False)} within limit ({d.limit_mm:g} mm)"


def budget_html(d: RegistrationFile) -> str:
    """What the error is made of, and what it is elsewhere."""
    parts = ", ".join(f"{html.escape(line.name)} {line.rms_mm:.1f}" for line in d.budget)
    rim = "" if d.fossa_rim is None else f"at the rim {d.fossa_rim.rms_mm:.1f}, "
    return (
        f"of {parts} mm<br>registration alone {rim}at the annulus {d.mitral_annulus.rms_mm:.1f} mm<br>"
        f"residual {d.residual_rms_mm:.1f} mm (how well the pairs agree; not an accuracy)"
    )


def tip_html(d: RegistrationFile, dark: bool) -> str:
    """Where the needle tip lies."""
    t = d.needle_tip
    if t is None:
        return ""
    sign = "" if t.inside_rim is None else signed(STATUS["met" if t.inside_rim else "not met"], dark, word=False) + " "
    first, *others = (" ".join(line.split()).replace("+-", "±") for line in tip_lines(t))
    told = html.escape(first).replace("Needle tip", f"{sign}<b>Needle tip</b>", 1)
    return "<br>".join([told, *(html.escape(line) for line in others)])


def wrong_html(d: RegistrationFile, dark: bool) -> str:
    """Pairs that were left out, by name."""
    out = [f"{html.escape(p.name)} in frame {p.frame} (off by {p.residual_mm:.1f} mm)" for p in d.pairs if not p.used]
    if not out:
        return ""
    return f"{signed(STATUS['not met'], dark, word=False)} <b>Left out</b>, since it does not fit: {', '.join(out)}"


def cautions_html(d: RegistrationFile) -> str:
    """What must be known before the drawing is used."""
    return "<br>".join(f"▲ {html.escape(c)}" for c in d.cautions)


def candidate_words(c: Candidate) -> str:
    """One view: what it serves, its doubt, what speaks against it."""
    doubt = "not assessed" if c.sd_deg is None else f"± {2 * c.sd_deg[0]:.0f}° / {2 * c.sd_deg[1]:.0f}°"
    lines = [f"<b>{html.escape(c.view.label)}</b>: {html.escape(c.name)}", f"doubt (95 %) {doubt}"]
    if c.serves:
        lines.append(f"serves {', '.join(c.serves)}")
    if c.path_share is not None:
        lines.append(f"{100 * c.path_share:.0f} % of the catheter path's length shows")
    lines += [f"{STATUS['borderline'].sign} {html.escape(a)}" for a in c.against]
    return "<br>".join(lines)
