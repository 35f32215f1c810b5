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
