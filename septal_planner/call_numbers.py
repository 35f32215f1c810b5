"""The numbers that options of a call take: each finite, and between ends beyond which it cannot be meant.

A reader takes the word as it was typed and raises argparse's error, which ends the call with status 2 before anything
is read. The ends are the project's own, wide of all use; those of C-arm angles are DICOM's (PS3.3 C.8.7.5).
"""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass

MOST_DRAWS = 100_000  # some minutes of work; a share of one half is then known to 0.3 % (1.96 sqrt(0.25 / n))
MOST_RUNS = 10_000
LETTERS_SHOWN = 40


@dataclass(frozen=True)
class Between:
    """Reads a number from `low` to `high`; `what` it is, in words."""

    what: str
    low: float
    high: float

    def __call__(self, text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            raise argparse.ArgumentTypeError(f"{_shown(text)} is not a number") from None
        if not (math.isfinite(value) and self.low <= value <= self.high):
            ends = f"from {self.low:.12g} to {self.high:.12g}"
            raise argparse.ArgumentTypeError(f"{_shown(text)} is not {self.what} {ends}")
        return value


@dataclass(frozen=True)
class Whole:
    """Reads a whole number from 0 to `high`."""

    high: int

    def __call__(self, text: str) -> int:
        try:
            value = int(text)
        except ValueError:
            raise argparse.ArgumentTypeError(f"{_shown(text)} is not a whole number") from None
        if not 0 <= value <= self.high:
            raise argparse.ArgumentTypeError(f"{_shown(text)} is not a whole number from 0 to {self.high}")
        return value


def _shown(text: str) -> str:
    return text if len(text) <= LETTERS_SHOWN else text[:LETTERS_SHOWN] + "..."


POSITION_MM = Between("a position in millimetres", -1e5, 1e5)
COMPONENT = Between("part of a direction", -1000, 1000)
LENGTH_MM = Between("a length in millimetres", 0.001, 100)
SD_MM = Between("a length in millimetres", 0, 100)
SPACING_MM = Between("a voxel step in millimetres", 0.3, 20)
DISTANCE_MM = Between("a distance in millimetres", 10, 10_000)
PIXEL_MM = Between("a pixel in millimetres", 0.05, 20)
BLUR_MM = Between("a detector's blur in millimetres", 0, 10)
PHOTONS = Between("a number of photons", 1, 1e9)
SHARE = Between("a share", 0, 0.9)
PERCENT = Between("a percentage", 0, 100)
ANGLE_DEG = Between("an angle in degrees", 0, 180)
PRIMARY = Between("an angle in degrees", -180, 180)
SECONDARY = Between("an angle in degrees", -90, 90)
WHOLE = Whole(2**31 - 1)
SEED = Whole(2**32 - 1)
DRAWS = Whole(MOST_DRAWS)
RUNS = Whole(MOST_RUNS)
