"""What is done with a saved plan for the room: simulated frames, views, the CT laid onto X-ray frames."""

from __future__ import annotations

import argparse

from septal_planner.commands.telling import DONE, Progress, print_written
from septal_planner.errors import CallIsOff
from septal_planner.fluoroscopy.carm import label
from septal_planner.fluoroscopy.detector import Response
from septal_planner.fluoroscopy.limits import load_room
from septal_planner.output_folder import staged
from septal_planner.plan import load_plan
from septal_planner.proposed_views import (
    check_suffix,
    chosen_frames,
    doubt_of_marks,
    propose,
    views_summary,
    write_chart,
)
from septal_planner.report.picture import Picture
from septal_planner.simulated_xray import Wanted, find_ct, write_xray

MOST_PIXELS = 4096


def xray(arguments: argparse.Namespace) -> int:
    """One simulated frame of a saved plan."""
    if not 16 <= arguments.size <= MOST_PIXELS:
        raise CallIsOff(f"A frame has 16 to {MOST_PIXELS} pixels a side, found --size {arguments.size}; give another.")
    wanted = Wanted(
        arguments.primary,
        arguments.secondary,
        source_detector_mm=arguments.sid,
        source_isocenter_mm=arguments.sod,
        size_px=arguments.size,
        pixel_mm=arguments.pixel,
        isocenter_lps=None if arguments.isocenter is None else tuple(arguments.isocenter),
        drawn=not arguments.plain,
        chambers=arguments.chambers,
        response=Response(
            blur_mm=arguments.blur,
            photons=arguments.photons,
            scatter_share=arguments.scatter,
            seed=arguments.seed,
        ),
    )
    said = write_xray(
        arguments.plan,
        arguments.out,
        wanted,
        ct=arguments.ct,
        series=arguments.series,
        without_ct=arguments.without_ct,
        progress=Progress(),
    )
    for sentence in said:
        print(sentence)
    print(f"Written: {arguments.out}, the simulated view {label(arguments.primary, arguments.secondary)}")
    return DONE


def views(arguments: argparse.Namespace) -> int:
    """Which angles to look from, as a table and a chart."""
    if arguments.out is not None:
        check_suffix(arguments.out)
    room = load_room(arguments.room)
    saved = load_plan(arguments.plan)
    doubt = doubt_of_marks(saved) if arguments.landmark_sd is None else arguments.landmark_sd
    planes, found = propose(saved, room, landmark_sd_mm=doubt)
    if arguments.out is not None:
        frames: tuple[Picture, ...] = ()
        if arguments.out.suffix.lower() == ".pdf":
            frames = chosen_frames(saved, arguments.plan, found, ct=arguments.ct, progress=Progress())
        write_chart(planes, room, found, arguments.out, frames=frames, paper=arguments.paper)
    print(views_summary(found))
    if arguments.out is not None:
        print(f"Written: {arguments.out}")
    return DONE


def register(arguments: argparse.Namespace) -> int:
    """CT onto X-ray frames, with the error to expect."""
    from septal_planner import registering, registration_files
    from septal_planner.fluoroscopy.reprojection import Noise

    say = Progress()
    asked = registering.Asked(
        noise=Noise(arguments.pick_sd, arguments.ct_sd),
        breathing_mm=arguments.breathing,
        heartbeat_mm=arguments.heartbeat,
        limit_mm=arguments.limit,
        cine=arguments.cine,
    )
    with staged(arguments.out, outdated=registration_files.drawn_before(arguments.out)) as folder:
        case = registering.register_files(arguments.plan, arguments.frame, asked=asked, progress=say)
        if arguments.images is not None:
            volume = find_ct(case.plan, arguments.plan, ct=arguments.images, progress=say)
            say("Comparing simulated and real frames")
            case = registration_files.with_picture_check(case, volume.hu, volume.lps_from_index, progress=say)
        names = registration_files.write_registration(case, folder, cine=arguments.cine, progress=say)
    if arguments.json:
        print((arguments.out / "registration.json").read_text("utf-8").rstrip())
        return DONE
    print(registering.summary(case))
    print_written(arguments.out, *names)
    return DONE
