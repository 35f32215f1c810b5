"""Ratios of time, and peak memory, on the full phantom (512 x 512 x 300), all from one run: `python
tests/benchmark.py`.

Ratios rather than seconds, so that the machine matters little. Each bar stands beside its ratio; ends with status 1
where one is not met. Takes some minutes and about 3 GiB of disk and memory in a temporary folder.
"""

from __future__ import annotations

import contextlib
import io
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

FULL = (512, 512, 300)
SPACING = (0.4, 0.4, 0.5)

# The whole plan without the PDF, in a process of its own, whose peak memory is printed in KiB. Linux keeps it as
# VmHWM; the ru_maxrss of getrusage would still hold the peak of the parent it was forked from.
PLAN = """
import sys
from pathlib import Path
from septal_planner.inputs.landmarks import read_landmarks
from septal_planner.inputs.volume import read_volume
from septal_planner.pipeline import make_plan
make_plan(read_volume(Path(sys.argv[1])), read_landmarks(sys.argv[2]))
status = Path("/proc/self/status").read_text()
print(status.split("VmHWM:")[1].split()[0])
"""
PROGRAM = "import sys; from septal_planner.cli import main; sys.exit(main())"


def seconds(work: Callable[[], object], *, times: int = 1) -> float:
    """Least wall time of a few runs."""
    best = float("inf")
    for _ in range(times):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return best


def run_python(*arguments: str) -> str:
    done = subprocess.run([sys.executable, *arguments], check=True, capture_output=True, text=True)
    return done.stdout


def help_milliseconds() -> float:
    """What --help takes beyond starting Python."""

    def ask() -> None:
        run_python("-c", PROGRAM, "--help")

    return 1000 * (seconds(ask, times=10) - seconds(lambda: run_python("-c", "pass"), times=10))


def bare_reader(files: list[str]) -> None:
    """SimpleITK's series reader with nothing around it."""
    import SimpleITK as sitk

    reader = sitk.ImageSeriesReader()
    reader.SetFileNames(files)
    sitk.GetArrayViewFromImage(reader.Execute())


def flood_seconds(volume: object, landmarks: object) -> float:
    """Time of one marker watershed of scikit-image on the gradient of the whole volume (itself not counted), a
    marker in each chamber and one in the lowest slices."""
    import numpy as np
    from scipy.ndimage import gaussian_gradient_magnitude
    from skimage.segmentation import watershed

    from septal_planner.geometry.frames import apply_affine

    hu = np.asarray(volume.hu, dtype=np.float32)  # type: ignore[attr-defined]
    markers = np.zeros(hu.shape, dtype=np.int32)
    index_from_lps = np.linalg.inv(volume.lps_from_index)  # type: ignore[attr-defined]
    names = ("left_atrium", "right_atrium", "left_ventricle", "right_ventricle", "aorta")
    for number, name in enumerate(names, 1):
        point = landmarks.points_lps[name][0]  # type: ignore[attr-defined]
        i, j, k = np.rint(apply_affine(index_from_lps, point)).astype(int)
        markers[k - 2 : k + 3, j - 2 : j + 3, i - 2 : i + 3] = number
    markers[:2] = len(names) + 1
    gradient = gaussian_gradient_magnitude(hu, 1.0)
    return seconds(lambda: watershed(gradient, markers))


def processor_seconds(work: Callable[[], object], *, times: int = 3) -> float:
    """Least processor time of a few runs, all cores together: what else the machine does matters little."""
    best = float("inf")
    for _ in range(times):
        start = time.process_time()
        work()
        best = min(best, time.process_time() - start)
    return best


def itk_frame(volume: object, frame: object) -> tuple[Callable[[], object], Callable[[], object]]:
    """ITK's ray-casting interpolator following the rays of one frame through the same CT: what makes the picture, and
    what reads it as an array (rows, columns). Setting it up is not in it."""
    import itk
    import numpy as np

    from septal_planner.fluoroscopy.carm import image_axes
    from septal_planner.fluoroscopy.projection import Projection, detector_steps_lps

    assert isinstance(frame, Projection)
    hu = np.clip(np.asarray(volume.hu, dtype=np.float32) + 1000, 0, None)  # type: ignore[attr-defined]
    m = np.asarray(volume.lps_from_index)  # type: ignore[attr-defined]
    step = np.linalg.norm(m[:3, :3], axis=0)
    image = itk.GetImageFromArray(hu)
    image.SetSpacing([float(x) for x in step])
    # it takes the volume to lie along its axes with its middle at the origin's: frame and focal spot are moved instead
    assert np.allclose(m[:3, :3], np.diag(step)), "the full phantom lies along the patient's axes"
    image.SetOrigin([float(x) for x in m[:3, 3]])
    kind = itk.Image[itk.F, 3]
    rays = itk.RayCastInterpolateImageFunction[kind, itk.D].New()
    still = itk.IdentityTransform[itk.D, 3].New()
    rays.SetTransform(still)
    rays.SetThreshold(0.0)
    rays.SetFocalPoint([float(x) for x in frame.source_lps])
    resample = itk.ResampleImageFilter[kind, kind].New()
    resample.SetInput(image)
    resample.SetInterpolator(rays)
    resample.SetTransform(still)
    u, v = image_axes(frame.primary_deg, frame.secondary_deg)
    direction = np.stack([u, -v, np.cross(u, -v)], axis=1)
    resample.SetOutputDirection(itk.matrix_from_array(np.ascontiguousarray(direction)))
    resample.SetOutputOrigin([float(x) for x in detector_steps_lps(frame)[0]])
    resample.SetOutputSpacing([frame.pixel_mm[1], frame.pixel_mm[0], 1.0])
    resample.SetSize([*frame.size_px, 1])

    def make() -> object:
        resample.Modified()
        resample.UpdateLargestPossibleRegion()
        return resample.GetOutput()

    return make, lambda: itk.GetArrayFromImage(resample.GetOutput())[0]


def projector_rows(volume: object, target_lps: object) -> list[tuple[str, float, float, str]]:
    """Frames of simulated fluoroscopy over ITK's, which is a dependency of this file alone: `pip install itk`."""
    from importlib.util import find_spec

    import numpy as np

    from septal_planner.fluoroscopy import drr
    from septal_planner.fluoroscopy.projection import Projection

    if find_spec("itk") is None:
        print("Simulated fluoroscopy over ITK's ray casting: left out, itk is not installed.")
        return []
    center = tuple(float(x) for x in np.asarray(target_lps))

    def frame(size: int) -> Projection:
        return Projection(-33, 12, center, 1100.0, 750.0, (300 / size, 300 / size), (size, size))

    body = drr.attenuation(volume.hu, volume.lps_from_index)  # type: ignore[attr-defined]
    thin = drr.thinned(body)
    make, picture = itk_frame(volume, frame(512))
    theirs = processor_seconds(make, times=2)
    rows = []
    engine = "numba" if drr.has_numba() else "SimpleITK"
    ours = drr.line_integrals(body, frame(512))  # compiled now, if it has to be
    alike = np.corrcoef(ours.ravel(), np.asarray(picture()).ravel())[0, 1]
    for what, seen, size, bar in (
        ("a frame of 512 x 512", body, 512, 0.1),
        # where the bars were set ITK's frame took 1.6 s: 0.6 s for a large frame, eight previews a second
        ("a frame of 1024 x 1024", body, 1024, 0.6 / 1.6),
        ("a preview of 512 x 512", thin, 512, 0.125 / 1.6),
    ):
        taken = processor_seconds(lambda s=seen, n=size: drr.line_integrals(s, frame(n)))  # type: ignore[misc]
        name = f"{what} by {engine} ({taken:.2f} s of processor) over ITK's frame of 512 x 512 ({theirs:.2f} s)"
        rows.append((name, taken / theirs, bar, "x"))
    rows.append(("1 - correlation of the two 512 x 512 frames", float(1 - alike), 0.001, ""))
    sweep = processor_seconds(lambda: drr.line_integrals(body, frame(512), engine="simpleitk"), times=1)
    print(f"Without numba a frame of 512 x 512 takes {sweep / theirs:.2f} of ITK's.")
    return rows


def crossing_rows(case: object, planning: float) -> list[tuple[str, float, float, str]]:
    """Map with reach, probability map and doubt at the target, in processor seconds against their bars and over
    planning; four times the points, and twice the draws, must not cost more than that and a quarter."""
    from dataclasses import replace
    from functools import partial

    from septal_planner.puncture.catheter_way import catheter_way
    from septal_planner.puncture.membrane_map import map_membrane
    from septal_planner.puncture.passage import look_into
    from septal_planner.puncture.survey import Survey, Trial, survey_membrane

    survey, target = case.survey, case.site.target_lps  # type: ignore[attr-defined]

    def mapped(spacing_mm: float) -> int:
        fresh = replace(survey.approach)  # nothing remembered of the plan before
        way = catheter_way(fresh, survey.catheter)
        found = map_membrane(fresh, spacing_mm=spacing_mm, reach=None if way is None else way.over)
        return 0 if found is None else len(found.points_lps)

    def surveyed(draws: int) -> Survey:
        return survey_membrane(
            replace(survey.approach), catheter=survey.catheter, catheters={}, trial=Trial(draws=draws)
        )

    points, finer = mapped(0.5), mapped(0.25)
    one, four = (processor_seconds(partial(mapped, step), times=2) for step in (0.5, 0.25))
    bare = processor_seconds(lambda: surveyed(0), times=2)
    drawn, twice = (processor_seconds(partial(surveyed, draws), times=2) - bare for draws in (2000, 4000))
    with_draws = surveyed(2000)
    doubt = processor_seconds(lambda: look_into(with_draws, target), times=2)
    return [
        (f"processor seconds of the map with reach, {points} points", one, 3.0, "s"),
        (f"map with reach over planning ({planning:.1f} s)", one / planning, 0.5, "x"),
        (f"{finer / points:.1f} times the points of the map: so many times as long", four / one,
         1.25 * finer / points, "x"),
        ("processor seconds of the probability map, 2000 draws", drawn, 10.0, "s"),
        (f"probability map over planning ({planning:.1f} s)", drawn / planning, 0.5, "x"),
        ("twice the draws: so many times as long", twice / drawn, 2.5, "x"),
        ("processor seconds of the needle, the catheter and the doubt at the target", doubt, 3.0, "s"),
    ]  # fmt: skip


def main() -> int:
    import septal_phantoms

    from septal_planner.inputs.landmarks import read_landmarks
    from septal_planner.inputs.volume import read_volume
    from septal_planner.pipeline import make_plan

    rows: list[tuple[str, float, float, str]] = [("--help beyond python -c pass", help_milliseconds(), 150.0, "ms")]
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        print("Making the phantom ...", file=sys.stderr)
        phantom = septal_phantoms.make("normal", size=FULL, spacing_mm=SPACING)
        files = [str(p) for p in septal_phantoms.write_dicom(phantom, folder / "ct")]
        septal_phantoms.write_landmarks(phantom, folder / "landmarks.json")
        del phantom

        print("Reading ...", file=sys.stderr)
        bare_reader(files)  # once, so that the files are in memory for both
        bare = seconds(lambda: bare_reader(files), times=3)
        reading = seconds(lambda: read_volume(folder / "ct"), times=3)
        rows.append(
            (f"reading ({reading:.1f} s) over SimpleITK's bare series reader ({bare:.1f} s)", reading / bare, 2.0, "x")
        )

        print("Planning ...", file=sys.stderr)
        volume, landmarks = read_volume(folder / "ct"), read_landmarks(folder / "landmarks.json")
        start = time.perf_counter()
        case = make_plan(volume, landmarks)
        planning = reading + time.perf_counter() - start
        start = time.perf_counter()
        print_pdf(case, folder)
        pdf = time.perf_counter() - start
        print("Watershed ...", file=sys.stderr)
        flood = flood_seconds(volume, landmarks)
        rows += [
            (
                f"plan without PDF, reading included ({planning:.1f} s) over one marker watershed ({flood:.1f} s)",
                planning / flood,
                0.3,
                "x",
            ),
            (f"pictures and PDF ({pdf:.1f} s) over planning ({planning:.1f} s)", pdf / planning, 1.0, "x"),
        ]
        print("Crossing ...", file=sys.stderr)
        rows += crossing_rows(case, planning)
        print("Simulated fluoroscopy ...", file=sys.stderr)
        rows += projector_rows(volume, case.site.target_lps)
        del volume, case
        print("Memory ...", file=sys.stderr)
        peak = int(run_python("-c", PLAN, str(folder / "ct"), str(folder / "landmarks.json"))) / 2**20
        rows.append(("peak memory of a plan without PDF", peak, 3.0, "GiB"))
    print(f"Full phantom {' x '.join(map(str, FULL))}, {os.cpu_count()} cores, Python {sys.version.split()[0]}")
    for name, value, bar, unit in rows:
        print(f"{'met    ' if value <= bar else 'NOT MET'} {value:7.2f} {unit:3} (at most {bar:g})  {name}")
    return 0 if all(value <= bar for _, value, bar, _ in rows) else 1


def print_pdf(case: object, folder: Path) -> None:
    """Pictures and PDF as the console program writes them."""
    from septal_planner import handing_on

    with contextlib.redirect_stderr(io.StringIO()):
        handing_on.write_printout(case, folder, paper="a4", identity=False)  # type: ignore[arg-type]


if __name__ == "__main__":
    sys.exit(main())
