"""What of a plan is drawn over a fluoroscopy frame, in the frame's own pixels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from skimage.measure import approximate_polygon, find_contours

from septal_planner.fluoroscopy.drr import Attenuation, line_integrals
from septal_planner.fluoroscopy.projection import Projection, pixels_from_points
from septal_planner.geometry.curves import ring_curve
from septal_planner.plan import Plan

Array = NDArray[np.float64]

NAMES = {
    "fossa": "Fossa", "target": "Target", "mitral_annulus": "Mitral annulus", "tricuspid_annulus": "Tricuspid annulus",
    "inferior_vena_cava": "Inferior cava", "superior_vena_cava": "Superior cava", "path": "Catheter path",
    "left_atrium": "Left atrium", "right_atrium": "Right atrium", "aorta": "Aorta", "left_ventricle": "Left ventricle",
    "right_ventricle": "Right ventricle", "left_atrial_appendage": "Appendage", "coronary_sinus": "Coronary sinus",
    "leaflet_coaptation": "Coaptation", "leak": "Leak", "spine": "Spine", "aortic_annulus": "Aortic annulus",
    "old_ring": "Old ring", "commissure_medial": "Medial commissure", "commissure_lateral": "Lateral commissure",
}  # fmt: skip
RINGS = ("mitral_annulus", "tricuspid_annulus", "aortic_annulus", "old_ring")
POINTS = (
    "superior_vena_cava", "left_atrial_appendage", "coronary_sinus", "leaflet_coaptation", "commissure_medial",
    "commissure_lateral", "leak", "spine",
)  # fmt: skip
CHAMBERS = ("left_atrium", "right_atrium", "aorta", "left_ventricle", "right_ventricle")
SCALE_MM = 20.0
SILHOUETTE_MM = 3.0  # of a chamber along the ray, at its outline


@dataclass(frozen=True)
class XrayMark:
    """One thing drawn. `kind`: "closed", "line", "point" or "silhouette" (closed, faint); `points_px` (n, 2): column,
    row.
    """

    role: str
    kind: str
    points_px: Array
    name: str = ""


def plan_marks(plan: Plan, frame: Projection) -> tuple[XrayMark, ...]:
    """Rings, cavae, rim, catheter path, other marked places and the target of a plan, the last drawn uppermost. What
    the plan did not assess is left out.
    """
    marks: list[XrayMark] = []

    def add(role: str, kind: str, points_lps: ArrayLike) -> None:
        marks.append(XrayMark(role, kind, pixels_from_points(frame, points_lps), NAMES[role]))

    for role in RINGS:
        if role in plan.landmarks:
            add(role, "closed", ring_curve(plan.landmarks[role]))
    if "inferior_vena_cava" in plan.landmarks:
        add("inferior_vena_cava", "line", plan.landmarks["inferior_vena_cava"])
    for role in POINTS:
        for place in plan.landmarks.get(role, ()):
            add(role, "point", [place])
    if plan.way_on_mm:
        add("path", "line", plan.way_on_mm)
    if plan.anatomy.fossa.rim_mm:
        add("fossa", "closed", plan.anatomy.fossa.rim_mm)
    add("target", "point", [plan.puncture.target_mm])
    return tuple(marks)


def silhouettes(labels: NDArray[np.uint8], plan: Plan, frame: Projection) -> tuple[XrayMark, ...]:
    """The outline each chamber would throw, from labels [k, j, i] on the plan's own label grid. Raises ValueError
    where the plan names no labels or their size is not the plan's.
    """
    if plan.labels is None:
        raise ValueError("the plan names no label image")
    if labels.shape[::-1] != plan.labels.size:
        raise ValueError(f"the labels are of size {labels.shape[::-1]}, expected {plan.labels.size}")
    grid = np.array(plan.labels.lps_from_index, dtype=np.float64)
    thin = 4  # a quarter of the pixels is enough for an outline
    small = Projection(
        frame.primary_deg, frame.secondary_deg, frame.isocenter_lps, frame.source_detector_mm,
        frame.source_isocenter_mm, (frame.pixel_mm[0] * thin, frame.pixel_mm[1] * thin),
        (-(-frame.size_px[0] // thin), -(-frame.size_px[1] // thin)),
        ((frame.central_px[0] - (thin - 1) / 2) / thin, (frame.central_px[1] - (thin - 1) / 2) / thin),
    )  # fmt: skip
    marks = []
    for role in CHAMBERS:
        inside = labels == plan.labels.names.get(role, 255)
        if not inside.any():
            continue
        where = [slice(int(n.min()), int(n.max()) + 1) for n in np.nonzero(inside)]
        part = np.pad(inside[tuple(where)].astype(np.int16) * 1000, 1)
        placed = grid.copy()
        placed[:3, 3] += grid[:3, :3] @ np.array([w.start - 1 for w in reversed(where)], dtype=np.float64)
        depth = line_integrals(Attenuation(part, placed), small, step_mm=1.0)
        for outline in find_contours(np.pad(depth, 1), SILHOUETTE_MM):
            points = (approximate_polygon(outline, 0.2)[:, ::-1] - 1) * thin + (thin - 1) / 2
            if np.ptp(points, axis=0).max() > 10 * thin:
                marks.append(XrayMark(role, "silhouette", points, NAMES[role]))
    return tuple(marks)


def scale_bar(frame: Projection) -> XrayMark:
    """A bar as long as 20 mm at the isocentre, in the lower left corner."""
    length = SCALE_MM / frame.isocenter_pixel_mm[1]
    x, y = 0.04 * frame.size_px[0], 0.95 * frame.size_px[1]
    return XrayMark("scale", "line", np.array([[x, y], [x + length, y]]), f"{SCALE_MM:g} mm at the isocentre")
