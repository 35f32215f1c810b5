"""How each thing is drawn: a colour told apart by colour-blind eyes, and a mark, line or word besides.

Colours from Okabe & Ito, "Color universal design" (2008), https://jfly.uni-koeln.de/color/ (values from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

ORANGE, SKY, GREEN, YELLOW = "#E69F00", "#56B4E9", "#009E73", "#F0E442"
BLUE, VERMILION, PURPLE, WHITE = "#0072B2", "#D55E00", "#CC79A7", "#FFFFFF"
GREY = "#9A9A9A"


@dataclass(frozen=True)
class Look:
    """`title` in full words, `color` "#RRGGBB", `symbol` of its points."""

    title: str
    color: str
    symbol: str


# No two landmarks share both colour and symbol; no symbol stands for two things that lie side by side.
LANDMARKS: dict[str, Look] = {
    "left_atrium": Look("left atrium", ORANGE, "disc"),
    "right_atrium": Look("right atrium", SKY, "square"),
    "fossa": Look("fossa", GREEN, "cross"),
    "mitral_annulus": Look("mitral annulus", BLUE, "diamond"),
    "inferior_vena_cava": Look("inferior vena cava", SKY, "triangle_up"),
    "left_ventricle": Look("left ventricle", YELLOW, "disc"),
    "right_ventricle": Look("right ventricle", GREEN, "square"),
    "aorta": Look("aorta", VERMILION, "ring"),
    "superior_vena_cava": Look("superior vena cava", SKY, "triangle_down"),
    "tricuspid_annulus": Look("tricuspid annulus", PURPLE, "diamond"),
    "left_atrial_appendage": Look("left atrial appendage", ORANGE, "clobber"),
    "coronary_sinus": Look("coronary sinus", BLUE, "hbar"),
    "leaflet_coaptation": Look("leaflet coaptation", PURPLE, "x"),
    "commissure_medial": Look("medial commissure", PURPLE, "triangle_up"),
    "commissure_lateral": Look("lateral commissure", PURPLE, "triangle_down"),
    "leak": Look("leak", VERMILION, "x"),
    "spine": Look("spine", GREY, "vbar"),
    "aortic_annulus": Look("aortic annulus", VERMILION, "diamond"),
    "old_ring": Look("old ring", WHITE, "ring"),
}
CHAMBERS: dict[str, Look] = {
    "left_atrium": LANDMARKS["left_atrium"],
    "right_atrium": LANDMARKS["right_atrium"],
    "aorta": LANDMARKS["aorta"],
    "left_ventricle": LANDMARKS["left_ventricle"],
    "right_ventricle": LANDMARKS["right_ventricle"],
}
THINGS: dict[str, Look] = {
    "target": Look("target", YELLOW, "star"),
    "candidate": Look("site kept to compare", WHITE, "star"),
    "choice": Look("place ranked by the program", WHITE, "diamond"),
    "membrane": Look("fossa membrane", GREEN, "cross"),
    "rim": Look("rim of the membrane", GREEN, "cross"),
    "mitral_annulus": Look("mitral annulus", BLUE, "diamond"),
    "tricuspid_annulus": Look("tricuspid annulus", PURPLE, "diamond"),
    "annular_plane": Look("mitral annular plane", BLUE, "diamond"),
    "path": Look("catheter path", WHITE, "tailed_arrow"),
    "sheath": Look("sheath path", "#AEB8C6", "tailed_arrow"),
    "contours": Look("lines of one value", "#000000", "hbar"),
    "zero_line": Look("limit line", WHITE, "hbar"),
    "height": Look("height", YELLOW, "hbar"),
}
# of kinds on the membrane, which are named beside it; no two that lie side by side are alike in lightness
CLASSES = (SKY, VERMILION, YELLOW, BLUE, PURPLE, GREEN, WHITE, ORANGE)
QUANTITY_COLORMAP = "cividis"  # even in lightness for colour-blind eyes, doi 10.1371/journal.pone.0199239
