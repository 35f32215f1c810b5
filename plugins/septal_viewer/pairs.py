"""Points seen in the CT and in X-ray frames, as one value that can be taken back, without any window.

One name stands for one place of the CT and, in each frame that shows it, one pixel. The points of a run stand in one of
its frames: between two of them the heart moves.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from septal_planner.errors import InputRefused
from septal_planner.inputs.angiogram import Angiogram
from septal_planner.inputs.frame_points import FramePoints
from septal_planner.output_folder import write_whole
from septal_viewer.marks import History, Point

Pixel = tuple[float, float]
TIP = "needle tip"  # seen in frames only
TRACKED = "tracked point"  # one thing that moves with the heart, seen in the frames of a run
PIXEL_DECIMALS, PLACE_DECIMALS = 2, 3
LONGEST_NAME = 60
SAME_PLACE_MM = 1e-6


@dataclass(frozen=True)
class FrameMarks:
    """What is marked in one run: `pixels` (column, row) by name, in frame `number`, counted from 1. `kept` holds what a
    points file told besides; `tracked` is one thing that moves, by the number of the frame it was marked in."""

    number: int = 1
    pixels: Mapping[str, Pixel] = field(default_factory=dict)
    tip: Pixel | None = None
    table_moved: bool = False
    kept: FramePoints | None = None
    tracked: Mapping[int, Pixel] = field(default_factory=dict)

    @property
    def empty(self) -> bool:
        return not self.pixels and self.tip is None and not self.tracked


@dataclass(frozen=True)
class PairMarks:
    """`places` of the CT by name (LPS, mm), in the order of naming; None: named, its place not told yet."""

    places: Mapping[str, Point | None] = field(default_factory=dict)
    frames: Mapping[Path, FrameMarks] = field(default_factory=dict)


class Pairs:
    """The frames that are open and the points marked. What does not fit is refused as an InputRefused, and then nothing
    has changed."""

    def __init__(self) -> None:
        self.runs: list[Angiogram] = []
        self.current = 0
        self.chosen = ""  # name of the point that a click places
        self._looked_at: dict[Path, int] = {}  # frames that are shown beside the one the points stand in
        self._history: History[PairMarks] = History(PairMarks())
        self._saved = PairMarks()

    # ------------------------------------------------------------------------------------------------- what is there

    @property
    def marks(self) -> PairMarks:
        return self._history.now

    @property
    def names(self) -> list[str]:
        return list(self.marks.places)

    @property
    def run(self) -> Angiogram | None:
        """The run that is shown."""
        return self.runs[self.current] if self.runs else None

    @property
    def can_undo(self) -> bool:
        return self._history.can_undo

    @property
    def can_redo(self) -> bool:
        return self._history.can_redo

    @property
    def unsaved(self) -> bool:
        """Whether points were marked since they were saved or loaded."""
        now = self.marks
        return now != self._saved and (bool(now.places) or not all(f.empty for f in now.frames.values()))

    def frame(self, run: Angiogram | None = None) -> FrameMarks:
        """What is marked in a run, or in the one that is shown."""
        run = run or self.run
        return FrameMarks() if run is None else self.marks.frames.get(run.path, FrameMarks())

    @property
    def rows(self) -> list[str]:
        """The points that a click can place: those named, the needle tip, and in a run the tracked point."""
        many = self.run is not None and self.run.frame_count > 1
        return [*self.marks.places, TIP, *([TRACKED] if many else [])]

    @property
    def shown_number(self) -> int:
        """Which frame of the run is shown; its points may stand in another."""
        run = self.run
        return 1 if run is None else self._looked_at.get(run.path, self.frame(run).number)

    @property
    def elsewhere(self) -> bool:
        """Whether another frame is shown than that in which the points of the run stand."""
        return self.shown_number != self.frame().number

    def count(self, run: Angiogram) -> int:
        """Whole pairs of a run."""
        return sum(self.marks.places.get(name) is not None for name in self.frame(run).pixels)

    # ------------------------------------------------------------------------------------------------- frames

    def clear(self) -> None:
        """Another CT: nothing marked in the one before belongs to it."""
        self._history, self._saved, self.chosen = History(PairMarks()), PairMarks(), ""
        self._looked_at = {}

    def resume(self, marks: PairMarks) -> None:
        """Take up marks from an earlier session; they count as not saved. What was marked in a run is there once that
        is opened."""
        self._history.change(marks)

    def open(self, run: Angiogram) -> None:
        """One more run, shown from now on; one that is open already is shown again."""
        paths = [r.path for r in self.runs]
        if run.path in paths:
            self.current = paths.index(run.path)
            return
        self.runs.append(run)
        self.current = len(self.runs) - 1

    def close_run(self) -> None:
        """Take the run that is shown away; what was marked in it comes back with it."""
        if self.runs:
            del self.runs[self.current]
            self.current = max(0, min(self.current, len(self.runs) - 1))

    def set_number(self, number: int) -> bool:
        """Which frame of the run is meant. Raises InputRefused where points stand in another."""
        run = self.run
        if run is None or not 1 <= number <= run.frame_count:
            return False
        marked = self.frame(run)
        if number == marked.number:
            return False
        if not marked.empty:
            raise InputRefused(
                f"The points of {run.path.name} stand in frame {marked.number}, between which and frame {number} the "
                "heart moves; take them out of this run first, or stay at that frame."
            )
        return self._with_frame(run, replace(marked, number=number))

    def look_at(self, number: int) -> bool:
        """Show a frame of the run; whether it is another. Where nothing is marked yet, the points will stand in it."""
        run = self.run
        if run is None or not 1 <= number <= run.frame_count or number == self.shown_number:
            return False
        if self.frame(run).empty:
            self._looked_at.pop(run.path, None)
            return self.set_number(number)
        self._looked_at[run.path] = number
        return True

    def set_table_moved(self, on: bool) -> bool:
        """Whether table or patient was shifted since the first frame."""
        run = self.run
        return run is not None and self._with_frame(run, replace(self.frame(run), table_moved=on))

    # ------------------------------------------------------------------------------------------------- points

    def add_name(self, name: str) -> bool:
        """A new point, which is chosen. Raises InputRefused for a name that cannot be."""
        name = " ".join(name.split())
        if not name:
            raise InputRefused("The point has no name yet; type what it is, such as carina.")
        if name in (TIP, TRACKED):
            self.chosen = name
            return False
        if len(name) > LONGEST_NAME:
            raise InputRefused(f"The name of a point has at most {LONGEST_NAME} letters; shorten it.")
        self.chosen = name
        if name in self.marks.places:
            return False
        return self._history.change(replace(self.marks, places={**self.marks.places, name: None}))

    def set_place(self, name: str, at: Point) -> bool:
        """Where a point lies in the CT, LPS, mm."""
        if name == TIP:
            raise InputRefused(
                "The needle tip is seen in frames only: mark it in two of them, and registering finds its place."
            )
        if name == TRACKED:
            raise InputRefused("The tracked point moves, and has no place in the CT: click it in the frames of a run.")
        x, y, z = (round(float(v), PLACE_DECIMALS) for v in at)
        return self._history.change(replace(self.marks, places={**self.marks.places, name: (x, y, z)}))

    def set_pixel(self, name: str, at: Pixel, *, dragging: bool = False) -> bool:
        """Where the frame that is shown has a point: column, row, 0 at the middle of the first pixel. Raises
        InputRefused where that is outside the picture."""
        run = self.run
        if run is None:
            raise InputRefused("No X-ray frame is open; open one first.")
        column, row = (round(float(v), PIXEL_DECIMALS) for v in at)
        if not (-0.5 <= column <= run.size_px[0] - 0.5 and -0.5 <= row <= run.size_px[1] - 0.5):
            raise InputRefused("This place lies outside the picture; click within it.")
        f = self.frame(run)
        self._check_frame(run, name)
        if name == TRACKED and run.frame_count == 1:
            raise InputRefused(f"{run.path.name} has one frame, in which nothing can be followed; choose a run.")
        places = dict(self.marks.places)
        changed = replace(f, tip=(column, row))
        if name == TRACKED:
            changed = replace(f, tracked=dict(sorted({**f.tracked, self.shown_number: (column, row)}.items())))
        elif name != TIP:
            changed = replace(f, pixels={**f.pixels, name: (column, row)})
            places.setdefault(name, None)
        frames = {**self.marks.frames, run.path: changed}
        return self._history.change(PairMarks(places, frames), drag=(name, run.path) if dragging else None)

    def end_drag(self) -> None:
        """What is dragged next is a step of its own."""
        self._history.end_drag()

    def take_out(self, name: str) -> bool:
        """Out of the frame that is shown; where it is in none, out of the list."""
        run = self.run
        f = self.frame(run)
        if run is not None:
            self._check_frame(run, name)
        if run is not None and name == TIP:
            return self._with_frame(run, replace(f, tip=None))
        if name == TRACKED:
            left = {n: p for n, p in f.tracked.items() if n != self.shown_number}
            return run is not None and self._with_frame(run, replace(f, tracked=left))
        if run is not None and name in f.pixels:
            return self._with_frame(run, replace(f, pixels={n: p for n, p in f.pixels.items() if n != name}))
        frames = {
            path: replace(one, pixels={n: p for n, p in one.pixels.items() if n != name})
            for path, one in self.marks.frames.items()
        }
        places = {n: p for n, p in self.marks.places.items() if n != name}
        return self._history.change(PairMarks(places, frames))

    def undo(self) -> bool:
        """One step back."""
        return self._history.undo()

    def redo(self) -> bool:
        """One step forth again."""
        return self._history.redo()

    # ------------------------------------------------------------------------------------------------- files

    def document(self, run: Angiogram, frame_of_reference_uid: str | None) -> FramePoints:
        """The points file of a run, as `septal-planner register` reads it; points without a place in the CT are left
        out. Raises InputRefused where none is whole."""
        f = self.frame(run)
        points = [
            {"name": name, "ct_lps": place, "column": f.pixels[name][0], "row": f.pixels[name][1]}
            for name, place in self.marks.places.items()
            if name in f.pixels and place is not None
        ]
        if not points:
            raise InputRefused(
                f"The frame {run.path.name} has no whole pair yet; mark points both in the CT and in the frame, or "
                "take the frame away."
            )
        if not (run.frame_count >= f.number):
            raise InputRefused(f"{run.path.name} has no frame {f.number}; choose another frame.")
        kept = f.kept
        return FramePoints.model_validate(
            {
                "coordinate_system": "LPS",
                "unit": "mm",
                "points": tuple(points),
                "frame": f.number,
                "frame_of_reference_uid": frame_of_reference_uid,
                "table_moved": f.table_moved,
                "needle_tip": None if f.tip is None else {"column": f.tip[0], "row": f.tip[1]},
                "tracked": tuple({"frame": n, "column": at[0], "row": at[1]} for n, at in f.tracked.items()),
                "comment": None if kept is None else kept.comment,
            }
        )

    def load(self, points: FramePoints, file: Path, frame_of_reference_uid: str | None) -> bool:
        """The points of a file for the run that is shown, in place of what is marked in it. Raises InputRefused where
        they do not fit run, CT or the points there are."""
        run = self.run
        if run is None:
            raise InputRefused(f"The points {file} belong to an X-ray frame; open that frame first.")
        theirs = points.frame_of_reference_uid
        if theirs and frame_of_reference_uid and theirs != frame_of_reference_uid:
            raise InputRefused(
                f"The points {file} were marked in the frame of reference {theirs}, but the CT that is open is in "
                f"{frame_of_reference_uid}; open that CT, or mark the points in this one."
            )
        number = points.number(run.frame_count, file)
        if number > run.frame_count:
            raise InputRefused(
                f"The points {file} stand in frame {number}, but {run.path.name} has {run.frame_count}; choose the "
                "run they were marked in."
            )
        elsewhere = {n for p, f in self.marks.frames.items() if p != run.path for n in f.pixels}
        places = {n: p for n, p in self.marks.places.items() if n in elsewhere or n not in self.frame(run).pixels}
        for p in points.points:
            known = places.get(p.name)
            if known is not None and max(abs(a - b) for a, b in zip(known, p.ct_lps, strict=True)) > SAME_PLACE_MM:
                raise InputRefused(
                    f"The point {p.name!r} of {file} lies elsewhere in the CT than the point of that name here; "
                    "rename one of them, or take it away here first."
                )
            if not (-0.5 <= p.column <= run.size_px[0] - 0.5 and -0.5 <= p.row <= run.size_px[1] - 0.5):
                raise InputRefused(
                    f"The point {p.name!r} of {file} lies at column {p.column:g}, row {p.row:g}, outside the picture "
                    f"of {run.size_px[0]} columns and {run.size_px[1]} rows; choose the run it was marked in."
                )
            places[p.name] = p.ct_lps
        tip = None if points.needle_tip is None else (points.needle_tip.column, points.needle_tip.row)
        pixels = {p.name: (p.column, p.row) for p in points.points}
        tracked = {t.frame: (t.column, t.row) for t in points.tracked}
        marks = FrameMarks(number, pixels, tip, points.table_moved, points, tracked)
        clean = not self.unsaved
        changed = self._history.change(PairMarks(places, {**self.marks.frames, run.path: marks}))
        if clean:
            self.saved()
        return changed

    def saved(self) -> None:
        """What is marked now is on disk."""
        self._saved = self.marks

    def _check_frame(self, run: Angiogram, name: str) -> None:
        if self.elsewhere and name != TRACKED:
            raise InputRefused(
                f"The points of {run.path.name} stand in frame {self.frame(run).number} and the heart has moved in "
                "this one; go back to that frame, or mark the tracked point here."
            )

    def _with_frame(self, run: Angiogram, marks: FrameMarks) -> bool:
        return self._history.change(replace(self.marks, frames={**self.marks.frames, run.path: marks}))


def points_file(run: Path) -> Path:
    """What the points of a run are saved as unless told."""
    return run.with_name(f"{run.stem}-points.json")


def write_points(pairs: Pairs, folder: Path, frame_of_reference_uid: str | None) -> list[Path]:
    """One points file a run, all of which have whole pairs; their paths. Raises InputRefused."""
    written: dict[Path, FramePoints] = {}
    for run in pairs.runs:
        path = folder / points_file(run.path).name
        while path in written:  # runs of one name from several folders
            path = path.with_stem(path.stem + "-2")
        written[path] = pairs.document(run, frame_of_reference_uid)
    for path, document in written.items():
        text = json.dumps(document.model_dump(mode="json", exclude_defaults=True), indent=1, ensure_ascii=False)
        write_whole(path, (text + "\n").encode())
    return list(written)
