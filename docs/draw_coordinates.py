"""Draw the pictures of DEVELOPERS.md's coordinate page: `python docs/draw_coordinates.py` writes two SVG files
beside itself.

Every mark is placed by the formula that the page states, so that a wrong sign would be seen.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
INK, SOFT, RED, BLUE, GREEN = "#222", "#999", "#b33", "#26a", "#283"


def svg(width: int, height: int, parts: list[str], title: str) -> str:
    """A whole SVG file."""
    marker = (
        '<defs><marker id="tip" viewBox="0 0 8 8" refX="7" refY="4" markerWidth="7" markerHeight="7" orient="auto">'
        '<path d="M0 0 L8 4 L0 8 z"/></marker></defs>'
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
        f'font-family="sans-serif" font-size="13"><title>{title}</title>{marker}'
        f'<rect width="{width}" height="{height}" fill="white"/>{"".join(parts)}</svg>\n'
    )


def arrow(a: tuple[float, float], b: tuple[float, float], color: str, dash: str = "") -> str:
    return (
        f'<line x1="{a[0]:.1f}" y1="{a[1]:.1f}" x2="{b[0]:.1f}" y2="{b[1]:.1f}" stroke="{color}" stroke-width="2" '
        f'stroke-dasharray="{dash}" marker-end="url(#tip)"/>'
    )


def text(at: tuple[float, float], words: str, color: str = INK, anchor: str = "start") -> str:
    return f'<text x="{at[0]:.1f}" y="{at[1]:.1f}" fill="{color}" text-anchor="{anchor}">{words}</text>'


def index_picture() -> str:
    """An oblique grid in the LPS frame seen from the feet: voxel centers, index axes, and the affine's columns."""
    turn = np.radians(20.0)
    di, dj = 46 * np.array([np.cos(turn), np.sin(turn)]), 62 * np.array([-np.sin(turn), np.cos(turn)])
    start = np.array([150.0, 70.0])
    parts = [
        text((20, 24), "voxel index (i, j, k), integers at voxel centers, and LPS; an axial slice seen from the feet")
    ]
    for j in range(4):
        for i in range(5):
            x, y = start + i * di + j * dj
            corners = [(x, y) + a * di / 2 + b * dj / 2 for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
            path = " ".join(f"{p[0]:.1f},{p[1]:.1f}" for p in corners)
            parts.append(f'<polygon points="{path}" fill="none" stroke="{SOFT}"/>')
            parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="2.5" fill="{INK}"/>')
    end_i, end_j = start + 4.7 * di, start + 3.8 * dj
    parts += [
        arrow(tuple(start), tuple(end_i), BLUE),
        text((end_i[0] + 6, end_i[1]), "i (column)", BLUE),
        arrow(tuple(start), tuple(end_j), GREEN),
        text((end_j[0] - 10, end_j[1] + 16), "j (row)", GREEN, "end"),
        text((start[0] - 12, start[1] - 12), "lps_from_index[:3, 3]: center of voxel (0, 0, 0)", RED),
        f'<circle cx="{start[0]}" cy="{start[1]}" r="5" fill="none" stroke="{RED}" stroke-width="2"/>',
        arrow((470, 230), (560, 230), INK),
        text((566, 234), "x: patient's left"),
        arrow((470, 230), (470, 320), INK),
        text((478, 322), "y: posterior"),
        f'<circle cx="470" cy="230" r="7" fill="white" stroke="{INK}"/>',
        f'<path d="M465 225 L475 235 M475 225 L465 235" stroke="{INK}"/>',
        text((486, 218), "z: superior, away from you"),
        text(
            (20, 380),
            "columns of lps_from_index: step per i, per j, per k (mm). A sheared volume (gantry tilt) has a k column "
            "that is",
        ),
        text((20, 398), "not square to the others; nothing else changes. The array is indexed hu[k, j, i]."),
    ]
    return svg(760, 415, parts, "Voxel index and patient coordinates")


def angle_picture() -> str:
    """View directions d(a, b) = (sin a cos b, -cos a cos b, sin b): from the head for the primary, from the left for
    the secondary.
    """
    parts = [
        text(
            (20, 24),
            "C-arm angles: unit vector d from isocenter to detector, d = (sin a cos b, \u2212cos a cos b, sin b)",
        )
    ]
    cx, cy, r = 190, 210, 120
    parts += [
        f'<ellipse cx="{cx}" cy="{cy}" rx="70" ry="45" fill="#eee" stroke="{SOFT}"/>',
        text((cx, cy + 5), "axial, from the feet", SOFT, "middle"),
        f'<circle cx="{cx}" cy="{cy}" r="{r}" fill="none" stroke="{SOFT}" stroke-dasharray="3 4"/>',
        text((cx + 76, cy + 62), "patient's left"),
        text((cx, cy + 78), "posterior", INK, "middle"),
    ]
    for a, name in ((0.0, "AP, a = 0"), (30.0, "LAO 30, a = +30"), (-33.0, "RAO 33, a = \u221233"), (90.0, "LAO 90")):
        d = np.array([np.sin(np.radians(a)), -np.cos(np.radians(a))])
        tip = (cx + r * d[0], cy + r * d[1])
        anchor = "middle" if a == 0 else "start" if a > 0 else "end"
        parts += [arrow((cx, cy), tip, RED), text((cx + (r + 10) * d[0], cy + (r + 10) * d[1]), name, RED, anchor)]
    cx = 570
    parts += [
        f'<rect x="{cx - 40}" y="{cy - 80}" width="80" height="160" rx="30" fill="#eee" stroke="{SOFT}"/>',
        text((cx + 4, cy + 62), "sagittal", SOFT, "middle"),
        text((cx, cy - 132), "head", INK, "middle"),
        text((cx, cy + 140), "feet", INK, "middle"),
        text((cx - 132, cy + 30), "front", INK, "middle"),
        text((cx + 90, cy + 5), "back"),
    ]
    for b, name in ((0.0, "AP, b = 0"), (20.0, "CRA 20, b = +20"), (-33.0, "CAU 33, b = \u221233")):
        d = np.array([-np.cos(np.radians(b)), -np.sin(np.radians(b))])
        parts += [
            arrow((cx, cy), (cx + 110 * d[0], cy + 110 * d[1]), BLUE),
            text((cx + 116 * d[0], cy + 116 * d[1] + 4), name, BLUE, "end"),
        ]
    parts.append(
        text(
            (20, 395),
            "DICOM PS3.3 C.8.7.5: primary (0018,1510) runs as a longitude, secondary (0018,1511) as a latitude. The "
            "order matters.",
        )
    )
    return svg(760, 415, parts, "C-arm angles")


if __name__ == "__main__":
    (HERE / "index_and_lps.svg").write_text(index_picture(), "utf-8")
    (HERE / "carm_angles.svg").write_text(angle_picture(), "utf-8")
