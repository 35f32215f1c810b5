"""The C-arm views a saved plan proposes: its planes with their doubt, the recommendation, and both on a chart."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from septal_planner.anatomy.annulus import measure_annulus, ring_covariance
from septal_planner.errors import CallIsOff, InputRefused
from septal_planner.fluoroscopy.drr import attenuation, thinned
from septal_planner.fluoroscopy.limits import Room, load_room
from septal_planner.fluoroscopy.materials import as_fluoroscopy_sees
from septal_planner.fluoroscopy.recommendation import Candidate, Plane, Recommendation, recommend
from septal_planner.fluoroscopy.views import tilt_covariance
from septal_planner.geometry.frames import spacing_mm
from septal_planner.geometry.planes import circle_through, normal_covariance
from septal_planner.inputs.volume import Volume
from septal_planner.output_folder import write_whole
from septal_planner.plan import Plan, as_saved, need_landmarks
from septal_planner.puncture.target import LANDMARK_SD_MM
from septal_planner.report.picture import Picture
from septal_planner.report.view_chart import chart_png, chart_shapes, chart_svg
from septal_planner.report.views_page import VIEW_NAMES, ViewsPage
from septal_planner.report.views_pdf import views_pdf
from septal_planner.simulated_xray import Progress, Wanted, find_ct, frame_of, has_ct_beside, printed_picture

SUFFIXES = (".svg", ".png", ".pdf")
CAUTION = "Planning aid, not a medical device: confirm at the table."
FRAME_PX = 320  # printed 58 or 74 mm wide, each pixel as four
FIELD_MM = 220.0  # width of the detector: the heart and what is drawn of it
FRAME_VOXEL_MM = 1.0
RINGS = {"mitral_annulus": "left_atrium", "tricuspid_annulus": "right_atrium"}
MITRAL = ("mitral_annulus", "left_atrium")  # its points, and what tells which way it faces
FLAT_RINGS = ("aortic_annulus", "old_ring")  # of which nothing but the plane is measured
INTO_OLD_RING = ("mitral-valve-in-valve", "mitral-valve-in-ring")


def planes_of(plan: Plan, *, landmark_sd_mm: float) -> tuple[Plane, ...]:
    """Fossa, annuli and an old ring of a plan; a ring's doubt from every marked coordinate being off by
    `landmark_sd_mm`, the fossa's as the plan has it (None: the plan was written without).
    """
    fossa = plan.anatomy.fossa
    doubt = None if fossa.normal_sd_deg is None else tilt_covariance(fossa.normal, fossa.normal_sd_deg)
    sizes = [x for x in (fossa.superior_inferior_mm, fossa.anterior_posterior_mm) if x is not None]
    out = [Plane("fossa", np.array(fossa.normal), max(sizes, default=None), doubt)]
    for role, atrium in RINGS.items():
        points = plan.landmarks.get(role)
        if points is None or atrium not in plan.landmarks:
            continue
        ring = measure_annulus(points, atrium_point_lps=plan.landmarks[atrium][0])
        covariance = ring_covariance(ring, point_sd_mm=landmark_sd_mm)[3:6, 3:6]
        out.append(Plane(role.replace("_", " "), ring.normal_lps, ring.intercommissural_mm, covariance))
    for role in FLAT_RINGS:
        if role in plan.landmarks:
            points = plan.landmarks[role]
            _, normal, radius = circle_through(points)
            covariance = normal_covariance(points, point_sd=landmark_sd_mm)
            out.append(Plane(role.replace("_", " "), normal, 2 * radius, covariance))
    return tuple(out)

def propose(plan: Plan, room: Room, *, landmark_sd_mm: float) -> tuple[tuple[Plane, ...], Recommendation]:
    """The plan's planes and what is recommended. Raises InputRefused where the patient was not supine in the CT: the
    heart lies otherwise then, and no angles are to be proposed (SCCT 2019 consensus on CT for valve planning, table 6);
    or where an early plan lacks the mitral annulus, which other views must not stand in for.
    """
    if plan.views is None:
        raise InputRefused(
            f"No C-arm views are proposed, since the patient was not supine in the CT ({plan.ct.patient_position}); "
            "plan on a CT taken supine."
        )
    need_landmarks(plan, *MITRAL, without="no C-arm views can be proposed")
    planes = planes_of(plan, landmark_sd_mm=landmark_sd_mm)
    spine = plan.landmarks.get("spine")
    found = recommend(
        planes,
        room,
        deployment=deployment_of(plan),
        path_lps=plan.way_on_mm,
        target_lps=plan.puncture.target_mm,
        spine_lps=None if spine is None else spine[0],
    )
    return planes, found

def deployment_of(plan: Plan) -> str:
    """The plane that a valve is put into: an old ring's where the procedure goes into one and it was marked, else that
    of the mitral annulus.
    """
    into = plan.puncture.procedure in INTO_OLD_RING and "old_ring" in plan.landmarks
    return "old ring" if into else "mitral annulus"

def recommended(plan: Plan) -> tuple[Recommendation, ViewsPage] | None:
    """What is recommended for a plan in the room that comes with the program, and the page that tells it; None where
    the patient was not supine, or an early version did not keep the mitral annulus.
    """
    if plan.views is None or any(name not in plan.landmarks for name in MITRAL):
        return None
    room, plan = load_room(), as_saved(plan)  # the same page now and when it is printed again
    planes, found = propose(plan, room, landmark_sd_mm=doubt_of_marks(plan))
    return found, views_page(planes, room, found)

def doubt_of_marks(plan: Plan) -> float:
    """The doubt of each landmark coordinate that a plan was made with; of one that does not say, the usual one."""
    return LANDMARK_SD_MM if plan.landmark_sd_mm is None else plan.landmark_sd_mm

def views_page(planes: Sequence[Plane], room: Room, found: Recommendation) -> ViewsPage:
    """All of a recommendation as the page of views has it."""
    rows = tuple(
        (c.view.label, _doubt(c).replace("+-", "±"), c.name, _share(c), "; ".join(c.against)) for c in found.candidates
    )
    chart = chart_svg(chart_shapes(planes, room, found, caution=CAUTION))
    return ViewsPage(chart, tuple(_choices(found)), rows, found.notes)

def write_chart(
    planes: tuple[Plane, ...],
    room: Room,
    found: Recommendation,
    out: Path,
    *,
    frames: Sequence[Picture] = (),
    paper: str = "a4",
) -> None:
    """Write the chart as .svg or .png, or as a page (.pdf) with the views told in words and `frames` of some. Raises
    CallIsOff for another ending, InputRefused where it cannot be written.
    """
    check_suffix(out)
    suffix = out.suffix.lower()
    if suffix == ".pdf":
        write_whole(out, views_pdf(views_page(planes, room, found), frames, out.parent, footer=CAUTION, paper=paper))
        return
    shapes = chart_shapes(planes, room, found, caution=CAUTION)
    write_whole(out, chart_svg(shapes) if suffix == ".svg" else chart_png(shapes))

def chosen_frames(
    plan: Plan, plan_path: Path, found: Recommendation, *, ct: Path | None, progress: Progress | None = None
) -> tuple[Picture, ...]:
    """The views of the best choice as they will look; none where no CT is given or lies beside the plan. Raises
    InputRefused for a CT that was not planned on.
    """
    if not found.choices or (ct is None and not has_ct_beside(plan_path)):
        return ()
    return frame_pictures(plan, found, find_ct(plan, plan_path, ct=ct, progress=progress))

def frame_pictures(plan: Plan, found: Recommendation, volume: Volume) -> tuple[Picture, ...]:
    """The views of the best choice as they will look, on the CT planned on, named and numbered as on the chart;
    through voxels of a millimetre or so, which is as fine as they are printed.
    """
    if not found.choices:
        return ()
    body = as_fluoroscopy_sees(attenuation(volume.hu, volume.lps_from_index))
    body = thinned(body, max(1, int(FRAME_VOXEL_MM / spacing_mm(volume.lps_from_index).min())))
    best = found.choices[0]
    pictures = []
    for n, c in enumerate(best.candidates):
        wanted = Wanted(*c.angles_deg, size_px=FRAME_PX, pixel_mm=FIELD_MM / FRAME_PX)
        png = printed_picture(plan, body, wanted, step_mm=FRAME_VOXEL_MM)
        tasks = " and ".join(task for task, name in best.task_by.items() if name == c.name)
        caption = f"{c.name[:1].upper()}{c.name[1:]}; for {tasks}" if tasks else c.name
        pictures.append(
            Picture(
                name=VIEW_NAMES[n], title=f"{n + 1}  {c.view.label}", caption=caption, png=png,
                size_px=(2 * FRAME_PX, 2 * FRAME_PX), mm_per_px=frame_of(plan, wanted).isocenter_pixel_mm[1] / 2,
                window_hu=(0, 1),
                edges=dict.fromkeys(("left", "right", "top", "bottom"), ""), marks=(),
            )
        )
    return tuple(pictures)

def check_suffix(out: Path) -> None:
    if out.suffix.lower() not in SUFFIXES:
        raise CallIsOff(f"The chart is written as .svg, .png or .pdf, but {out.name} ends otherwise; name it so.")

def views_summary(found: Recommendation) -> str:
    """All views as a table, the choice and the biplane pair in words."""
    lines = [f"{'View':20}{'doubt':>13}   {'what it shows':46}{'path':>6}   against"]
    for c in found.candidates:
        lines.append(f"{c.view.label:20}{_doubt(c):>13}   {c.name:46}{_share(c):>6}   {'; '.join(c.against)}".rstrip())
    for heading, details in _choices(found):
        lines += ["", heading, *(f"  {line}" for line in details)]
    return "\n".join([*lines, "", *found.notes] if found.notes else lines)

def _choices(found: Recommendation) -> list[tuple[str, tuple[str, ...]]]:
    """The ranked sets, the price of missing the best, and the biplane pair: each a heading and its lines."""
    said: list[tuple[str, tuple[str, ...]]] = []
    if not found.choices:
        said.append(("None of these views is within the arm's limits.", ()))
    for n, choice in enumerate(found.choices, 1):
        by_name = {c.name: c for c in choice.candidates}
        lines = []
        for task, name in choice.task_by.items():
            c = by_name[name]
            lines.append(f"{task}: {c.view.label} ({c.off_task_deg[task]:.0f} degrees off)")
        said.append((f"Choice {n}, price {choice.price_deg:.0f} degrees", tuple(lines)))
    if found.choices:
        price = "degrees off each task, more for a further view, turning, and what is in the way: the lower the better"
        said.append(("Price", (price,)))
    missed = tuple(line for c in (found.choices[0].candidates if found.choices else ()) for line in _missing(c))
    if missed:
        said.append(("Choice 1 missed by 5 or 10 degrees", missed))
    if found.biplane is not None:
        one, other, between = found.biplane
        said.append(("Biplane pair", (f"{one.view.label} and {other.view.label}, {between:.0f} degrees apart",)))
    return said

def _share(c: Candidate) -> str:
    return "-" if c.path_share is None else f"{100 * c.path_share:.0f} %"

def _doubt(c: Candidate) -> str:
    return "not assessed" if c.sd_deg is None else f"+-{2 * c.sd_deg[0]:.0f} / {2 * c.sd_deg[1]:.0f}"

def _missing(c: Candidate) -> list[str]:
    """What it costs to miss a view."""
    out = []
    for name, (one, two) in c.gape_mm.items():
        if one is not None and two is not None:
            out.append(f"{c.view.label}: the {name} gapes by up to {one:.1f} or {two:.1f} mm")
    if c.name.startswith("path") and c.path_share_off is not None:
        one, two = (100 * s for s in c.path_share_off)
        out.append(f"{c.view.label}: at least {one:.0f} or {two:.0f} % of the path's length shows")
    return out
