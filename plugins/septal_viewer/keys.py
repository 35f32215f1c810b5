"""Keys for every frequent action, in one table: the window binds them, and the keys page lists them."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Shortcut:
    """`keys` as Qt writes them, `action` the method of the desk, `says` what it does; `where` the heading it stands
    under. Without an action the key belongs to a flat view and is only listed."""

    keys: str
    where: str
    says: str
    action: str = ""


ANYWHERE, VIEWS, MARKING, CROSSING, XRAY = "Anywhere", "In a flat view", "Marking", "Crossing", "X-ray"

SHORTCUTS: tuple[Shortcut, ...] = (
    Shortcut("F1", ANYWHERE, "these keys, and back", "toggle_keys"),
    Shortcut("Alt+1", ANYWHERE, "page Opening", "page_opening"),
    Shortcut("Alt+2", ANYWHERE, "page Marking", "page_marking"),
    Shortcut("Alt+3", ANYWHERE, "page Crossing", "page_crossing"),
    Shortcut("Alt+4", ANYWHERE, "page Handing on", "page_handing_on"),
    Shortcut("Alt+5", ANYWHERE, "page X-ray", "page_table"),
    Shortcut("Alt+O", ANYWHERE, "open a folder with a CT", "ask_folder"),
    Shortcut("Ctrl+Z", ANYWHERE, "undo", "undo"),
    Shortcut("Ctrl+Shift+Z", ANYWHERE, "redo", "redo"),
    Shortcut("F", ANYWHERE, "find the anatomy, and plan", "find_anatomy"),
    Shortcut("Esc", ANYWHERE, "stop what is running; put a picked landmark down", "escape"),
    Shortcut("D", ANYWHERE, "dark or light", "toggle_theme"),
    Shortcut("S", VIEWS, "planes of the body or of the septum", "toggle_planes"),
    Shortcut("W", VIEWS, "next grey scale", "next_window"),
    Shortcut("G", VIEWS, "the chosen view large, and back", "toggle_large"),
    Shortcut("H", VIEWS, "hide or show everything drawn on the CT", "toggle_overlay"),
    Shortcut("Space", VIEWS, "run or stop the phases", "toggle_cine"),
    Shortcut(",", VIEWS, "phase before", "phase_before"),
    Shortcut(".", VIEWS, "phase after", "phase_after"),
    Shortcut("Arrows", VIEWS, "move the cross-hair 0.5 mm, with Shift 2 mm; on page Crossing the target"),
    Shortcut("Page Up/Down", VIEWS, "go through the planes by 1 mm, with Shift 4 mm; the wheel does too"),
    Shortcut("+  \u2212", VIEWS, "closer, farther; Ctrl and the wheel do too"),
    Shortcut("Middle button", VIEWS, "drag the picture"),
    Shortcut("Right button", VIEWS, "drag for contrast (sideways) and brightness (up and down)"),
    Shortcut("N", MARKING, "next landmark", "next_landmark"),
    Shortcut("B", MARKING, "landmark before", "landmark_before"),
    Shortcut("J", MARKING, "jump to where it is seen best; on page Crossing to the target", "jump"),
    Shortcut("P", MARKING, "place at the cross-hair; on page Crossing the target", "place_at_cursor"),
    Shortcut("Shift+click", MARKING, "move the cross-hair only, while a landmark is picked"),
    Shortcut("L", MARKING, "lock or unlock", "toggle_lock"),
    Shortcut("Del", MARKING, "take its last point away", "remove_point"),
    Shortcut("[", MARKING, "turn the long axis of the valve back one step", "rotate_back"),
    Shortcut("]", MARKING, "turn the long axis of the valve on one step", "rotate_on"),
    Shortcut("Drag", CROSSING, "the target over the membrane, in a flat view or in 3-D"),
    Shortcut("C", CROSSING, "the computed target", "choose_target"),
    Shortcut("K", CROSSING, "keep this target to compare", "keep_candidate"),
    Shortcut("Q", CROSSING, "colour the membrane by the next quantity", "next_quantity"),
    Shortcut("1", CROSSING, "C-arm: fossa en face", "view_1"),
    Shortcut("2", CROSSING, "C-arm: fossa in profile", "view_2"),
    Shortcut("3", CROSSING, "C-arm: mitral annulus edge-on", "view_3"),
    Shortcut("4", CROSSING, "C-arm: tricuspid annulus edge-on", "view_4"),
    Shortcut("0", CROSSING, "3-D from the front", "view_front"),
    Shortcut("Click", XRAY, "in the frame: the chosen point is seen there; drag a mark to correct it"),
    Shortcut("N  B  J  P", XRAY, "as on page Marking: next point, the one before, jump to it, place it in the CT"),
    Shortcut("R", XRAY, "register", "register"),
    Shortcut("T", XRAY, "by the headers, or as registered", "toggle_registered"),
    Shortcut("Wheel", XRAY, "in a frame: closer, farther; drag it with the middle button"),
    Shortcut("Ctrl+Return", ANYWHERE, "save the plan", "save_plan"),
)


def as_html(dark: bool) -> str:
    """The table as a page."""
    faint = "#9aa2ad" if dark else "#555b66"
    parts = []
    for where in dict.fromkeys(s.where for s in SHORTCUTS):
        rows = "".join(
            f"<tr><td width='104' style='padding:2px 6px 2px 0; white-space:nowrap'><b>{s.keys}</b></td>"
            f"<td style='padding:2px 0'>{s.says}</td></tr>"
            for s in SHORTCUTS
            if s.where == where
        )
        parts.append(f"<p style='color:{faint}; margin:10px 0 2px 0'>{where}</p><table>{rows}</table>")
    return "".join(parts)
