"""Points of page X-ray that were not saved, as JSON and back: the frames that are open and the marks in them."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from septal_planner.inputs.frame_points import FramePoints
from septal_viewer.marks import Point
from septal_viewer.pairs import FrameMarks, PairMarks, Pairs, Pixel


@dataclass(frozen=True)
class KeptPairs:
    """The marks, and the files of the frames that were open, in their order."""

    marks: PairMarks
    runs: tuple[Path, ...]

    @property
    def words(self) -> str:
        """What it is, for a list to choose from."""
        n = sum(len(f.pixels) + (f.tip is not None) + len(f.tracked) for f in self.marks.frames.values())
        frames = sum(not f.empty for f in self.marks.frames.values())
        return f"{n} mark{'s' * (n != 1)} in {frames} X-ray frame{'s' * (frames != 1)}"


def pairs_document(pairs: Pairs) -> dict[str, Any]:
    """What is marked, and in which files, for JSON."""
    return {
        "runs": [str(run.path.absolute()) for run in pairs.runs],
        "places": [[name, None if at is None else list(at)] for name, at in pairs.marks.places.items()],
        "frames": [
            {
                "path": str(path.absolute()),
                "number": f.number,
                "pixels": [[name, *at] for name, at in f.pixels.items()],
                "tip": None if f.tip is None else list(f.tip),
                "tracked": [[number, *at] for number, at in f.tracked.items()],
                "table_moved": f.table_moved,
                "file": None if f.kept is None else f.kept.model_dump(mode="json"),
            }
            for path, f in pairs.marks.frames.items()
        ],
    }


def pairs_from(d: dict[str, Any]) -> KeptPairs:
    """Raises ValueError, KeyError or TypeError where it is of another form."""
    places = {str(name): None if at is None else _place(at) for name, at in d["places"]}
    frames = {
        Path(one["path"]): FrameMarks(
            _number(one["number"]),
            {str(name): _pixel(at) for name, *at in one["pixels"]},
            None if one["tip"] is None else _pixel(one["tip"]),
            bool(one["table_moved"]),
            None if one["file"] is None else FramePoints.model_validate_json(json.dumps(one["file"])),
            {_number(number): _pixel(at) for number, *at in one["tracked"]},
        )
        for one in d["frames"]
    }
    return KeptPairs(PairMarks(places, frames), tuple(Path(p) for p in d["runs"]))


def _number(value: Any) -> int:
    if int(value) < 1:
        raise ValueError("frames are counted from 1")
    return int(value)


def _pixel(value: Any) -> Pixel:
    column, row = _finite(value)
    return column, row


def _place(value: Any) -> Point:
    x, y, z = _finite(value)
    return x, y, z


def _finite(value: Any) -> list[float]:
    found = [float(v) for v in value]
    if not all(map(math.isfinite, found)):
        raise ValueError("a place needs finite numbers")
    return found
