"""Where the slices of one series lie, and whether they make one even volume.

The affine comes from Image Orientation (Patient) and Image Position (Patient) alone (DICOM PS3.3
C.7.6.2.1.1): never from the gantry tilt, whose sign differs between makers, nor from Slice Thickness, which
is not the step.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from septal_planner.geometry.frames import unit_vector
from septal_planner.inputs.dicom_headers import SliceHeader, fragments_end
from septal_planner.inputs.stored_pixels import pixels_beyond_frames, stored_bytes

Array = NDArray[np.float64]

PLACE_MM = 0.01  # how far a voxel may lie from where its slice says
ROUNDING_MM = 0.06  # positions written with one decimal are off by up to 0.05
SAME_MM = 1e-3  # two slices at one place


@dataclass(frozen=True)
class SeriesGeometry:
    """One even series: its slices in order along the normal, and the affine they share."""

    slices: tuple[SliceHeader, ...]
    lps_from_index: Array
    tilt_deg: float  # between the step from slice to slice and the slices' normal
    notes: tuple[str, ...] = ()


def place_series(slices: Sequence[SliceHeader], where: str) -> tuple[SeriesGeometry | None, list[str]]:
    """Put the slices of one series in order and find their affine, or say in full sentences why that cannot
    be done.

    `where` opens each sentence ("The CT series 1.2.3 in FOLDER"). Either the geometry is None or there are no
    faults.
    """
    faults = _file_faults(slices, where)
    if faults:
        return None, faults
    faults = _mixed_faults(slices, where)
    if faults:
        return None, faults
    iop = np.array(slices[0].orientation, dtype=np.float64).reshape(2, 3)
    if np.abs(iop @ iop.T - np.eye(2)).max() > 1e-3:
        return None, [
            f"{where} has direction cosines that are not two perpendicular unit vectors"
            f" ({_list(iop.ravel(), 4)}); export it again."
        ]
    normal = unit_vector(np.cross(iop[0], iop[1]))
    ordered = sorted(slices, key=lambda s: float(normal @ _position(s)))
    kept, notes, fault = _without_copies(ordered, where)
    if fault:
        return None, [fault]
    if len(kept) < 2:
        return None, [
            f"{where} is a single slice, expected a volume; choose the folder that holds the whole series."
        ]
    positions = np.array([_position(s) for s in kept])
    step, first, off = _line(positions)
    if off > ROUNDING_MM or off > 0.1 * float(np.linalg.norm(step)):
        return None, [_step_fault(positions, normal, where)]
    if off > PLACE_MM:
        notes.append(
            f"Slice positions depart from even steps by up to {off:.3f} mm (rounded in the files); the even"
            " steps were used."
        )
    between_rows, between_columns = slices[0].spacing_mm or (0.0, 0.0)
    affine = np.eye(4)
    affine[:3, 0] = iop[0] * between_columns
    affine[:3, 1] = iop[1] * between_rows
    affine[:3, 2] = step
    affine[:3, 3] = first
    tilt = float(np.degrees(np.arccos(np.clip(unit_vector(step) @ normal, -1, 1))))
    return SeriesGeometry(tuple(kept), affine, tilt, tuple(notes)), []


def _position(s: SliceHeader) -> Array:
    return np.array(s.position_lps, dtype=np.float64)


def _line(positions: Array) -> tuple[Array, Array, float]:
    """Even steps nearest to positions (n, 3) in least squares: step (3,), first position (3,), largest
    distance off.
    """
    k = np.arange(len(positions)) - (len(positions) - 1) / 2
    middle = positions.mean(axis=0)
    step = k @ (positions - middle) / (k @ k)
    off = np.linalg.norm(positions - middle - k[:, None] * step, axis=1).max()
    return np.asarray(step), np.asarray(middle + k[0] * step), float(off)


def _file_faults(slices: Sequence[SliceHeader], where: str) -> list[str]:
    """What single files lack: type 1 attributes of the CT Image IOD (PS3.3 A.3, C.7.6.2, C.8.2.1), or their
    end.
    """
    n = len(slices)
    broken = next((s for s in slices if s.fault), None)
    if broken:
        return [f"The file {broken.path} {broken.fault}; export the whole image again, or as single-frame CT."]
    unit = "frames" if slices[0].frame is not None else "files"
    asked = (
        ("image position (0020,0032)", [s for s in slices if s.position_lps is None]),
        ("image orientation (0020,0037)", [s for s in slices if s.orientation is None]),
        ("pixel spacing (0028,0030)", [s for s in slices if s.spacing_mm is None or min(s.spacing_mm) <= 0]),
        (
            "image size in rows, columns and bits (0028,0010)",
            [s for s in slices if not (s.rows and s.columns and s.bits)],
        ),
        (
            (
                "rescale slope and intercept (0028,1053 and 1052), so its values are not known to be"
                " Hounsfield units"
            ),
            [s for s in slices if not s.slope or s.intercept is None],
        ),
    )
    faults = [
        f"{where} lacks the {what}: {len(bad)} of {n} {unit} do not say, first {bad[0].name}; export the"
        " original series."
        for what, bad in asked
        if bad
    ]
    kinds = {s.rescale_type or "HU" for s in slices} - {"HU", "HU_MOD", "US"}
    if kinds:
        faults.append(
            f"{where} holds values in {'/'.join(sorted(kinds))}, not Hounsfield units (Rescale Type"
            " 0028,1054); choose the series in HU."
        )
    if any(s.bits == 8 for s in slices):
        faults.append(
            f"{where} holds 8-bit pictures, not Hounsfield units; export the CT with its original values."
        )
    frames = [s for s in slices if s.frames > 1 and s.frame is None]
    if frames:
        faults.append(
            f"{where} has {frames[0].frames} frames in one file ({frames[0].path.name}), expected one slice a"
            " file; export it as single-frame CT."
        )
    files = list({s.path: s for s in slices}.values())
    short = [s for s in files if s.pixels_short_by]
    if short:
        faults.append(
            f"The file {short[0].path} is cut short: {short[0].pixels_short_by} bytes of its voxels are"
            f" missing{_and_more(len(short))}; copy the series again."
        )
    cut = [s for s in files if not fragments_end(s)]
    if cut:
        faults.append(
            f"The file {cut[0].path} is cut short: its compressed voxels have no end{_and_more(len(cut))};"
            " copy the series again."
        )
    beyond = [s for s in files if s.frame is not None and not s.pixels_short_by and pixels_beyond_frames(s)]
    if beyond:
        faults.append(
            f"The file {beyond[0].path} holds {pixels_beyond_frames(beyond[0])} bytes of voxels more than the"
            f" {beyond[0].frames} frames it says it has; export it again."
        )
    return faults


def _mixed_faults(slices: Sequence[SliceHeader], where: str) -> list[str]:
    faults = []
    sizes = Counter(f"{s.columns}×{s.rows}" for s in slices)
    if len(sizes) > 1:
        faults.append(
            f"{where} mixes slices of different sizes ({_counts(sizes)}), expected one; choose or export one"
            " of them."
        )
    reach = max(max(s.rows or 0, s.columns or 0) for s in slices)
    first = slices[0]
    spacings = np.array([s.spacing_mm for s in slices])
    if np.abs(spacings - spacings[0]).max() * reach > PLACE_MM:
        shown = Counter("×".join(f"{x:.4g}" for x in s.spacing_mm or ()) + " mm" for s in slices)
        faults.append(
            f"{where} mixes pixel spacings ({_counts(shown)}), expected one; choose or export one of them."
        )
    turned = np.abs(np.array([s.orientation for s in slices]) - np.array(first.orientation)).max()
    if turned * reach * spacings.max() > PLACE_MM:
        shown = Counter(f"({_list(s.orientation or (), 3)})" for s in slices)
        faults.append(
            f"{where} mixes slices of different orientations ({_counts(shown)}), expected one; choose or"
            " export one of them."
        )
    frames = Counter(s.frame_of_reference_uid or "none" for s in slices)
    if len(frames) > 1:
        faults.append(
            f"{where} mixes frames of reference ({_counts(frames)}), so its slices have no common place;"
            " export one."
        )
    return faults


def _without_copies(ordered: list[SliceHeader], where: str) -> tuple[list[SliceHeader], list[str], str]:
    """Slices with those left out that stand at the place of another and show the very same picture."""
    kept: list[SliceHeader] = []
    copies, clashes = 0, []
    for s in ordered:
        if kept and np.linalg.norm(_position(s) - _position(kept[-1])) < SAME_MM:
            same = s.transfer_syntax == kept[-1].transfer_syntax and stored_bytes(s) == stored_bytes(kept[-1])
            if same and (s.slope, s.intercept) == (kept[-1].slope, kept[-1].intercept):
                copies += 1
            else:
                clashes.append((kept[-1], s))
        else:
            kept.append(s)
    if clashes:
        a, b = clashes[0]
        return (
            kept,
            [],
            (
                f"{where} holds {len(clashes)} duplicate slice{'s' * (len(clashes) != 1)} at places already"
                f" taken by another picture (first {a.name} and {b.name}, at"
                f" {_list(a.position_lps or (), 2)} mm); export one phase or reconstruction alone."
            ),
        )
    notes = (
        [
            f"{copies} slice{'s were' if copies > 1 else ' was'} in the folder twice with the very same"
            " picture; one of each was used."
        ]
        if copies
        else []
    )
    return kept, notes, ""


def _step_fault(positions: Array, normal: Array, where: str) -> str:
    """The sentence for slices that do not follow each other evenly: one missing, steps uneven, or sideways
    jumps.
    """
    steps = np.diff(positions @ normal)
    usual = float(np.median(steps))
    ratio = steps / usual
    whole = np.rint(ratio)
    if whole.max() >= 2 and whole.min() >= 1 and np.all(np.abs(ratio - whole) < 0.05 * np.sqrt(whole)):
        missing = int((whole - 1).sum())
        at = int(np.argmax(whole >= 2))
        low, high = positions[at], positions[at + 1]
        return (
            f"{where} lacks {missing} slice{'s' * (missing != 1)}: between ({_list(low, 2)}) and"
            f" ({_list(high, 2)}) mm the gap is {steps[at]:.2f} mm where the step is {usual:.2f}"
            f" mm{_gaps(int((whole >= 2).sum()))}; copy the missing files or export the series again."
        )
    if steps.max() - steps.min() > ROUNDING_MM:
        shown = Counter(f"{s:.2f} mm" for s in steps)
        return (
            f"{where} has uneven steps from slice to slice ({_counts(shown)}), expected one; choose a series "
            "reconstructed with even steps."
        )
    _, _, off = _line(positions)
    return (
        f"{where} has slices that jump sideways by up to {off:.2f} mm instead of following one line; choose a"
        " series without a table shift."
    )


def _gaps(count: int) -> str:
    return f", and {count - 1} more such gap{'s' * (count > 2)}" if count > 1 else ""


def _and_more(count: int) -> str:
    return f", and so are {count - 1} more" if count > 1 else ""


def _counts(shown: Counter[str]) -> str:
    """ "1.08 mm ×3, 4.00 mm ×12": the commonest six."""
    words = [f"{what} ×{n}" for what, n in sorted(shown.most_common(6))]
    return ", ".join(words) + (f" and {len(shown) - 6} more" if len(shown) > 6 else "")


def _list(values: Sequence[float] | Array, decimals: int) -> str:
    return ", ".join(f"{v:.{decimals}f}" for v in values)
