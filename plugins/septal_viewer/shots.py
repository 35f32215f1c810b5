"""Simulated frames that are there, and which is to be made next: coarse at once, in full once it stands still."""

from __future__ import annotations

import time
from collections.abc import Hashable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from septal_planner.fluoroscopy.pose import CameraPose
from septal_viewer.table_jobs import PREVIEW_PX, Shot, Simulated

Array = NDArray[np.float64]
Key = tuple[Hashable, ...]

FULL_PX = 512
STILL_S = 0.25  # a view that stands so long is simulated in full
MOST_KEPT = 40


def frame_key(path: Path, number: int, registered: bool) -> Key:
    """Names the simulated frame beside a real one."""
    return ("frame", path, number, registered)


def view_key(primary_deg: float, secondary_deg: float) -> Key:
    """Names a simulated view."""
    return ("view", primary_deg, secondary_deg)


class Shots:
    """By key, a coarse one until the full one is there; the oldest go."""

    def __init__(self) -> None:
        self._made: dict[Key, Simulated] = {}
        self._failed: set[Key] = set()
        self._asked: Shot | None = None
        self._turned = 0.0

    def forget(self) -> None:
        """All of them: another plan or CT."""
        self._made, self._failed = {}, set()

    def forget_registered(self) -> None:
        """Those of a registration that no longer holds."""
        self._made = {k: s for k, s in self._made.items() if not (k[0] == "frame" and k[3])}
        self._failed = {k for k in self._failed if not (k[0] == "frame" and k[3])}

    def turned(self) -> None:
        """The view changes now."""
        self._turned = time.monotonic()

    def keep(self, made: Simulated) -> None:
        """One more."""
        self._made[made.shot.key] = made
        while len(self._made) > MOST_KEPT:
            del self._made[next(iter(self._made))]

    def give_up(self) -> None:
        """The last one asked for cannot be made."""
        if self._asked is not None:
            self._failed.add(self._asked.key[:-1])

    def best(self, key: Key) -> Simulated | None:
        """The full one, or the coarse one; of a view, until it is there, the one before."""
        made = self._made.get((*key, False)) or self._made.get((*key, True))
        if made is None and key[0] == "view":
            return next((s for k, s in reversed(self._made.items()) if k[0] == "view"), None)
        return made

    def wants(self, key: Key) -> bool:
        """Whether something is to be made now."""
        if (*key, False) in self._made or key in self._failed:
            return False
        coarse = (*key, True) not in self._made
        return coarse or key[0] != "view" or time.monotonic() - self._turned >= STILL_S

    def ask(self, key: Key, camera: CameraPose, iso_from_ct: Array) -> Shot:
        """What to make next of `key`."""
        coarse = (*key, True) not in self._made
        self._asked = Shot((*key, coarse), camera, iso_from_ct, PREVIEW_PX if coarse else FULL_PX, coarse)
        return self._asked
