"""A CT that is open and the landmarks marked in it, without any window.

Whatever is refused is said as one sentence by `said`, and then nothing has changed.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray
from psygnal import Signal

from septal_planner.errors import InputRefused
from septal_planner.geometry.frames import apply_affine
from septal_planner.inputs.landmarks import POINT_COUNTS, Landmarks, read_landmarks, write_landmarks
from septal_planner.inputs.volume import Volume
from septal_planner.pipeline import DEFAULT_PROCEDURE
from septal_viewer.guide import STEP
from septal_viewer.marks import Array, History, Marks, Point, point

NO_CT = "No CT is open; open one first."


class Opened:
    """One CT and what is marked in it by hand. Positions are LPS, mm."""

    volume_changed = Signal()
    landmarks_changed = Signal()  # points, locks, and what undo could do
    cursor_changed = Signal()
    said = Signal(str, str)  # one sentence; "error" or "note"
    changed = Signal()  # anything that is worth keeping

    def __init__(self) -> None:
        self.volume: Volume | None = None
        self.phases: tuple[Volume, ...] = ()
        self.path: Path | None = None
        self.series_uid: str | None = None
        self.phantom: str | None = None  # name of the invented heart that is open
        self.cursor_lps: NDArray[np.float64] = np.zeros(3)
        self._frame_uid: str | None = None
        self._begin(Marks(procedure=DEFAULT_PROCEDURE))

    def _begin(self, marks: Marks) -> None:
        self._history = History(marks)
        self._revision = self._marked = self._chosen = 0
        self._saved_marks = self._saved_choice = 0

    def _reset(self) -> None:
        """Another CT was opened: what rests on the one before goes."""

    def _choice_went(self) -> None:
        """Target, procedure or catheter are other ones."""

    @property
    def marks(self) -> Marks:
        """All that was set by hand."""
        return self._history.now

    @property
    def points_lps(self) -> dict[str, Array]:
        """Name -> (n, 3), fresh arrays, in the order of marking; landmarks may have too few points as yet."""
        return self.marks.arrays()

    @property
    def locked(self) -> set[str]:
        return set(self.marks.locked)

    @property
    def procedure(self) -> str:
        return self.marks.procedure

    @property
    def target_lps(self) -> Point | None:
        """The target chosen by hand; None: it is computed."""
        return self.marks.target

    @property
    def can_undo(self) -> bool:
        return self._history.can_undo

    @property
    def can_redo(self) -> bool:
        return self._history.can_redo

    @property
    def unsaved(self) -> bool:
        """Whether closing now would lose landmarks, or a choice of target or procedure."""
        return self._marked > self._saved_marks or self._chosen > self._saved_choice

    def landmarks(self) -> Landmarks:
        """The complete landmarks as the planner takes them."""
        uid = self._frame_uid
        if uid is None and self.volume is not None:
            uid = self.volume.frame_of_reference_uid
        return self.marks.landmarks(uid)

    # ----------------------------------------------------------------------------------------------------- CT

    def set_volume(
        self,
        volume: Volume,
        phases: Sequence[Volume] = (),
        *,
        path: Path | str | None = None,
        series_uid: str | None = None,
        phantom: str | None = None,
        discard: bool = False,
    ) -> bool:
        """Open another CT; what belongs to the one before goes. Refused over unsaved work unless `discard`."""
        if self.unsaved and not discard:
            return self._refuse(
                "The work on the CT that is open is not saved; save it first, or discard it and open the other CT."
            )
        self.volume, self.phases = volume, tuple(phases)
        self.path, self.series_uid = None if path is None else Path(path), series_uid
        self.phantom = phantom
        self._frame_uid = None
        self._begin(Marks(procedure=self.procedure))
        middle = (np.array(volume.size_ijk, dtype=np.float64) - 1) / 2
        self.cursor_lps = apply_affine(volume.lps_from_index, middle)
        self._reset()
        self.volume_changed.emit()
        self.cursor_changed.emit()
        self.landmarks_changed.emit()
        self.changed.emit()
        return True

    def set_phases(self, phases: Sequence[Volume]) -> None:
        """The phases that can be looked at beside the CT of the plan."""
        self.phases = tuple(phases)
        self.volume_changed.emit()

    def set_cursor(self, point_lps: ArrayLike) -> bool:
        """Put the cross-hair somewhere, at most on the CT's edge."""
        if self.volume is None:
            return False
        try:
            index = apply_affine(np.linalg.inv(self.volume.lps_from_index), np.array(point(point_lps)))
        except ValueError:
            return False
        top = np.array(self.volume.size_ijk, dtype=np.float64) - 1
        self.cursor_lps = apply_affine(self.volume.lps_from_index, np.clip(index, 0, top))
        self.cursor_changed.emit()
        return True

    # ----------------------------------------------------------------------------------------------- landmarks

    def place(self, name: str, point_lps: ArrayLike, index: int | None = None) -> bool:
        """Add a point to a landmark, or put its point `index` there. A landmark of one point just moves."""
        points = self.marks.points.get(name, ())
        if index is None and name in POINT_COUNTS:
            most = POINT_COUNTS[name][1]
            if most == 1 and points:
                index = 0
            elif most is not None and len(points) >= most:
                return self._refuse(
                    f"{STEP[name].title} has its {most} points already; move one of them, or take one away first."
                )
        p = self._fit(name, point_lps, index)
        if p is None:
            return False
        changed = (*points, p) if index is None else (*points[:index], p, *points[index + 1 :])
        return self._mark(self.marks.with_points(name, changed))

    def move(self, name: str, index: int, point_lps: ArrayLike, *, dragging: bool = False) -> bool:
        """Move one point; with `dragging`, successive moves are one step of undo until `end_drag`."""
        p = self._fit(name, point_lps, index)
        if p is None:
            return False
        points = self.marks.points[name]
        moved = self.marks.with_points(name, (*points[:index], p, *points[index + 1 :]))
        return self._mark(moved, drag=(name, index) if dragging else None)

    def end_drag(self) -> None:
        """The mouse was let go."""
        self._history.end_drag()

    def set_points(self, name: str, points_lps: ArrayLike, *, drag: Hashable = None) -> bool:
        """Exchange all points (n, 3) of a landmark in one step, e.g. as a canvas has them."""
        rows = np.asarray(points_lps, dtype=np.float64).reshape(-1, 3)
        fit = tuple(self._fit(name, row, None) for row in rows)
        if any(p is None for p in fit) or (not len(rows) and not self._free(name)):
            return False
        most = POINT_COUNTS[name][1]
        if most is not None and len(rows) > most:
            return self._refuse(f"{STEP[name].title} takes no more than {most} points, found {len(rows)}.")
        return self._mark(self.marks.with_points(name, tuple(p for p in fit if p is not None)), drag=drag)

    def remove(self, name: str, index: int | None = None) -> bool:
        """Take one point away, or all of a landmark."""
        if not self._free(name):
            return False
        points = self.marks.points.get(name, ())
        if index is not None and not -len(points) <= index < len(points):
            return self._refuse(f"{STEP[name].title} has no point {index + 1} to take away, it has {len(points)}.")
        at = None if index is None else index % len(points)
        return self._mark(self.marks.with_points(name, tuple(p for i, p in enumerate(points) if at not in (None, i))))

    def lock(self, name: str, on: bool = True) -> bool:
        """Guard a landmark against every change, or no longer."""
        if name not in POINT_COUNTS:
            return self._refuse(f"{name!r} is not a landmark.")
        locked = self.marks.locked | {name} if on else self.marks.locked - {name}
        if not self._history.change(replace(self.marks, locked=locked)):
            return False
        self.landmarks_changed.emit()
        self.changed.emit()
        return True

    def undo(self) -> bool:
        """Take the last step back: points, locks, target, procedure or catheter."""
        before = self.marks
        return self._history.undo() and self._went(before)

    def redo(self) -> bool:
        """Do again what was taken back."""
        before = self.marks
        return self._history.redo() and self._went(before)

    def _went(self, before: Marks) -> bool:
        now = self.marks
        if now.points != before.points:
            self._marked = self._next()
        self.landmarks_changed.emit()
        if now.choice != before.choice:
            self._chosen = self._next()
            self._choice_went()
        self.changed.emit()
        return True

    def open_landmarks(self, path: Path | str) -> bool:
        """Read landmarks.json in place of the points there are; locked landmarks keep theirs. One step of undo."""
        if self.volume is None:
            return self._refuse(NO_CT)
        try:
            given = read_landmarks(path)
            self._check_belongs(given.points_lps, given.frame_of_reference_uid, f"The landmarks {given.source}")
        except InputRefused as problem:
            return self._refuse(str(problem))
        self._take_points(given.points_lps, given.frame_of_reference_uid, self.marks)
        return True

    def take_landmarks(self, given: Landmarks) -> bool:
        """Landmarks that came with the CT, such as an invented one's, as if read from a file."""
        if self.volume is None:
            return self._refuse(NO_CT)
        try:
            self._check_belongs(given.points_lps, given.frame_of_reference_uid, "The landmarks")
        except InputRefused as problem:
            return self._refuse(str(problem))
        self._take_points(given.points_lps, given.frame_of_reference_uid, self.marks)
        return True

    def _take_points(self, points: Mapping[str, ArrayLike], frame_uid: str | None, others: Marks) -> None:
        """Points from a file; `others` has target and procedure that go with them."""
        fresh = {n: tuple(point(row) for row in np.asarray(p).reshape(-1, 3)) for n, p in points.items()}
        kept = {n: p for n, p in self.marks.points.items() if n in self.marks.locked and p != fresh.get(n)}
        self._frame_uid = frame_uid or self._frame_uid
        self._mark(replace(others, points={**fresh, **kept}))
        if kept:
            self._note(f"Locked and therefore left as they were: {', '.join(STEP[n].title for n in kept)}.")
        else:
            self._saved_marks = self._marked

    def save_landmarks(self, path: Path | str) -> bool:
        """Write landmarks.json, whole or not at all. What has too few points cannot be in it, and is said."""
        given = self.landmarks()
        if not given.points_lps:
            return self._refuse("There is no complete landmark to save; mark one first.")
        try:
            write_landmarks(path, given)
        except OSError as problem:
            why = problem.strerror or str(problem)
            return self._refuse(f"The landmarks {path} cannot be written ({why}); choose another folder.")
        short = self.marks.incomplete()
        if short:
            names = ", ".join(f"{STEP[n].title} ({len(self.marks.points[n])} of {STEP[n].least})" for n in short)
            self._note(f"Not in the file, since they lack points: {names}; mark the rest and save again.")
        else:
            self._saved_marks = self._marked
        self.changed.emit()
        return True

    # --------------------------------------------------------------------------------------------------- inside

    def _next(self) -> int:
        self._revision += 1
        return self._revision

    def _refuse(self, sentence: str) -> bool:
        self.said.emit(sentence, "error")
        return False

    def _note(self, sentence: str) -> None:
        self.said.emit(sentence, "note")

    def _free(self, name: str) -> bool:
        if name not in POINT_COUNTS:
            return self._refuse(f"{name!r} is not a landmark.")
        if name in self.marks.locked:
            return self._refuse(f"{STEP[name].title} is locked; unlock it to change it.")
        return True

    def _fit(self, name: str, point_lps: ArrayLike, index: int | None) -> Point | None:
        """The point, where this landmark may have it; None after saying why not."""
        if self.volume is None:
            self._refuse(NO_CT)
            return None
        if not self._free(name):
            return None
        points = self.marks.points.get(name, ())
        if index is not None and not 0 <= index < len(points):
            self._refuse(f"{STEP[name].title} has no point {index + 1} to move, it has {len(points)}.")
            return None
        try:
            p = point(point_lps)
        except ValueError:
            self._refuse(f"A point of {STEP[name].title} needs three finite numbers.")
            return None
        if not _inside(self.volume, p):
            x, y, z = (round(v, 1) for v in p)
            self._refuse(f"The point ({x}, {y}, {z}) lies outside the CT; place {STEP[name].title} inside it.")
            return None
        return p

    def _mark(self, marks: Marks, *, drag: Hashable = None) -> bool:
        before = self.marks
        if not self._history.change(marks, drag=drag):
            return False
        if marks.points != before.points:
            self._marked = self._next()
        self.landmarks_changed.emit()
        self.changed.emit()
        return True

    def _check_belongs(self, points: Mapping[str, ArrayLike], uid: str | None, what: str) -> None:
        """Raises InputRefused for points of another frame of reference, or outside this CT."""
        assert self.volume is not None
        own = self.volume.frame_of_reference_uid
        if uid and own and uid != own:
            raise InputRefused(
                f"{what} belong to the frame of reference {uid}, but the CT that is open has {own}; nothing was "
                "changed, open the CT they were marked on."
            )
        for name, p in points.items():
            rows = np.asarray(p, dtype=np.float64).reshape(-1, 3)
            if not all(_inside(self.volume, row) for row in rows):
                raise InputRefused(
                    f"{what} do not fit the CT that is open, since {name} lies outside it; nothing was changed, open "
                    "the CT they were marked on."
                )


def _inside(volume: Volume, point_lps: ArrayLike) -> bool:
    """Whether a point (3,) lies within the CT, to the outer faces of its outermost voxels."""
    index = apply_affine(np.linalg.inv(volume.lps_from_index), np.asarray(point_lps, dtype=np.float64))
    return bool(np.all(index >= -0.5) and np.all(index <= np.array(volume.size_ijk) - 0.5))
