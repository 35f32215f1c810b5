"""What page X-ray says: the next step, the error and its parts, the needle tip, a view."""

from __future__ import annotations

import html

from septal_planner.fluoroscopy.recommendation import Candidate
from septal_planner.registered import RegistrationFile
from septal_planner.registering import FOLLOWED_MM, followed_rms_mm
from septal_planner.tip_check import tip_lines
from septal_viewer.pairs import TIP, TRACKED
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
    if name == TRACKED:
        if t.pairs.frame().number not in t.pairs.frame().tracked:
            return (
                f"<b>Tracked point</b>: click a thing that moves with the heart (lead tip, catheter, ring marker) in "
                f"frame {t.pairs.frame().number}; it is followed through the run."
            )
        home = f"The points stand in frame {t.pairs.frame().number}. " if t.pairs.elsewhere else ""
        return f"{home}Go through the frames of the run; where the tracked point is lost or wrong, click it there too."
    if t.pairs.elsewhere:
        return f"The points of this run stand in frame {t.pairs.frame().number}; go back to it to change them."
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


def followed_words(t: XrayTable) -> str:
    """In how many frames the tracked point was found."""
    run, found = t.pairs.run, t.followed
    return "" if run is None or found is None else f"{len(found.moved_mm)} of {run.frame_count}"


def tracked_html(t: XrayTable) -> str:
    """How far the tracked point moves, where it was lost, and what following it does to the error."""
    found, run = t.followed, t.pairs.run
    if found is None or run is None or len(found.places) < 2:
        return ""
    far = max(found.moved_mm, key=lambda n: found.moved_mm[n])
    here = found.moved_mm.get(t.pairs.shown_number)
    lines = [
        f"<b>Tracked point</b>: moves by up to {found.moved_mm[far]:.1f} mm at the isocentre (frame {far}, against "
        f"frame {found.number})"
    ]
    if t.pairs.elsewhere:
        lines.append("lost in this frame: nothing is drawn" if here is None else f"in this frame {here:.1f} mm")
    lost = [n for n, place in found.places.items() if place is None]
    if lost:
        some = ", ".join(map(str, lost[:8])) + (" …" if len(lost) > 8 else "")
        lines.append(f"{STATUS['borderline'].sign} lost in {len(lost)} of {run.frame_count} frames: {some}")
    if t.laid is not None:
        d = t.laid.document
        lines.append(
            f"where the drawing follows it, the error to expect is {followed_rms_mm(d):.1f} mm RMS instead of "
            f"{d.total_rms_mm:.1f} (registration {d.target.rms_mm:.1f}, following {FOLLOWED_MM:.1f}): only while fossa "
            "and tracked point move alike, which an atrial lead tip does not"
        )
    return "<br>".join(lines)


def pictures_html(t: XrayTable, dark: bool) -> str:
    """What the pictures alone make of the registration, and from how far off they lead back."""
    if t.laid is None or not t.images:
        return ""
    c = t.laid.document.picture_check
    if c is None:
        if t.table_moved:
            return "<b>Pictures</b>: not compared, since the table moved between the frames"
        doing = t.work.job == "compare"
        return f"<b>Pictures</b>: {'being compared; <i>Stop</i> ends it' if doing else 'not compared yet'}"
    unlike = any("hardly look alike" in said or "pictures alone" in said for said in t.laid.document.cautions)
    sign = signed(STATUS["borderline" if unlike else "met"], dark, word=False)
    return (
        f"{sign} <b>Pictures alone</b> would move the target by {c.moved_mm:.1f} mm and turn the patient by "
        f"{c.turned_deg:.1f}° (likeness {c.likeness_before:.2f} before, {c.likeness_after:.2f} after); "
        f"{html.escape(c.capture_range)}. The registration stays that of the points"
    )


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
