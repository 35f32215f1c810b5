"""The points file of one X-ray frame: which points of the CT are seen where in it."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from septal_planner.errors import InputRefused

Position = Annotated[float, Field(ge=-5000, le=5000)]  # mm; farther from the origin no CT reaches
Pixel = Annotated[float, Field(ge=-100_000, le=100_000)]  # whether it is in the picture is asked with the picture
Name = Annotated[str, Field(min_length=1, max_length=60)]

FORM = (
    '{"coordinate_system": "LPS", "unit": "mm", "frame": 1, "points": '
    '[{"name": "carina", "ct_lps": [x, y, z], "column": c, "row": r}, ...]}'
)


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, strict=True)


class SeenPoint(_Part):
    """One point of the CT (LPS, mm), and where the frame shows it: pixels from 0 at the middle of the first, columns to
    the right, rows down.
    """

    name: Name
    ct_lps: tuple[Position, Position, Position]
    column: Pixel
    row: Pixel
    frame: Annotated[int, Field(ge=1)] | None = None  # the same for all; counted from 1


class SeenPixel(_Part):
    """Where the frame shows something the CT does not have."""

    column: Pixel
    row: Pixel


class TrackedPixel(_Part):
    """Where one moving thing is in a frame of the run."""

    frame: Annotated[int, Field(ge=1)]
    column: Pixel
    row: Pixel


class FramePoints(_Part):
    """The whole file. `table_moved`: the table or the patient was shifted since the first frame given. `needle_tip`:
    seen in two frames or more, it is located. `tracked`: one lead tip, catheter or ring marker in several frames of the
    run, which the drawing follows.
    """

    coordinate_system: Literal["LPS"]
    unit: Literal["mm"]
    points: Annotated[tuple[SeenPoint, ...], Field(min_length=1, max_length=200)]
    frame: Annotated[int, Field(ge=1)] | None = None
    frame_of_reference_uid: str | None = None
    table_moved: bool = False
    needle_tip: SeenPixel | None = None
    tracked: tuple[TrackedPixel, ...] = ()
    comment: str | None = None

    @model_validator(mode="after")
    def _each_point_once(self) -> FramePoints:
        names = [p.name for p in self.points]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"the point {name!r} stands there twice")
        return self

    def number(self, frame_count: int, file: Path) -> int:
        """Of the frame the points stand in, counted from 1. Raises InputRefused where they name several, or none of a
        run of many.
        """
        told = {p.frame for p in self.points if p.frame is not None} | ({self.frame} if self.frame else set())
        if len(told) > 1:
            raise InputRefused(
                f"The points of {file} stand in the frames {', '.join(map(str, sorted(told)))}, between which the "
                "heart "
                "moves; give one points file per frame."
            )
        if not told and frame_count > 1:
            raise InputRefused(
                f"The points of {file} do not say in which of the {frame_count} frames of the run they stand; add "
                '"frame", counted from 1.'
            )
        return told.pop() if told else 1


def read_frame_points(path: str | os.PathLike[str]) -> FramePoints:
    """Read a points file. Raises InputRefused where it is missing, not JSON or not of the form."""
    file = Path(path)
    try:
        document: Any = json.loads(file.read_text("utf-8-sig"))
    except OSError as error:
        raise InputRefused(f"The points {file} cannot be read ({error.strerror}); check the path.") from error
    except (ValueError, RecursionError) as error:
        said = " ".join(str(error).split())
        raise InputRefused(f"The points {file} are not valid JSON ({said}); correct the file.") from error
    try:
        return FramePoints.model_validate_json(json.dumps(document))
    except ValidationError as error:
        fault = error.errors(include_url=False, include_context=False)[0]
        where = ".".join(str(p) for p in fault["loc"]) or "the whole"
        said = fault["msg"].removeprefix("Value error, ").rstrip(".")
        if fault["type"] == "too_short":
            said = "no point is given"
        raise InputRefused(
            f"The points {file} are not of the form expected, at {where}: {said[:1].lower() + said[1:]}; give {FORM}."
        ) from error
