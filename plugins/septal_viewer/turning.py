"""Marking an annulus in turned long-axis planes: which step is shown, and what a click adds."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from septal_viewer.rotation import (
    STEPS,
    VALVES,
    ValveAxis,
    annulus_plane,
    live_annulus,
    next_step,
    on_plane,
    ordered,
    starting_axis,
    turn_deg,
)
from septal_viewer.session import Session
from septal_viewer.views import Views

Array = NDArray[np.float64]


class Turning:
    """`begin` and `end` as an annulus is chosen and left; the axis stays while it is marked, so that planes stay even.
    """

    def __init__(self, session: Session, views: Views) -> None:
        self.session, self.views = session, views
        self.name: str | None = None
        self.at = 0
        self.axis: ValveAxis | None = None

    def begin(self, name: str) -> None:
        """Turn about the axis of a valve, at the first step that lacks points."""
        if name == self.name:
            return
        self.name = name
        self.axis = starting_axis(name, self.session.points_lps)
        points = self.session.points_lps.get(name, np.empty((0, 3)))
        self.at = 0
        if self.axis is not None:
            self.at = next_step(points, self.axis.center_lps, self.axis.axis_lps) or 0
        self.show()

    def end(self) -> None:
        """Another landmark, or another page."""
        if self.name is not None:
            self.name = self.axis = None
            self.views.show_turned(None)

    def centre_here(self) -> None:
        """Turn about the cross-hair from now on."""
        if self.axis is not None:
            self.axis = ValveAxis(np.array(self.session.cursor_lps), self.axis.axis_lps)
            self.show()

    def step(self, by: int) -> None:
        """The next plane."""
        self.at = (self.at + by) % STEPS
        self.show()

    def show(self) -> None:
        """Bring the plane into the first view, the cross-hair to the middle of the valve."""
        if self.axis is None:
            self.views.show_turned(None)
            return
        self.views.show_turned(annulus_plane(self.axis.center_lps, self.axis.axis_lps, self.at))
        self.session.set_cursor(self.axis.center_lps)

    def add(self, at_lps: Array) -> bool:
        """A point of the annulus, put in its place around the ring; after the second of a plane on to the next."""
        assert self.name is not None
        points = self.session.points_lps.get(self.name, np.empty((0, 3)))
        joined = np.concatenate([points, np.asarray(at_lps)[None]])
        if self.axis is None:
            return self.session.place(self.name, at_lps)
        if not self.session.set_points(self.name, ordered(joined, self.axis.center_lps, self.axis.axis_lps)):
            return False
        plane = annulus_plane(self.axis.center_lps, self.axis.axis_lps, self.at)
        if len(on_plane(joined, plane)) >= 2:
            following = next_step(joined, self.axis.center_lps, self.axis.axis_lps)
            if following is not None:
                self.at = following
                self.show()
        return True

    def words(self) -> str:
        """Where it stands, and the ring as it is so far."""
        if self.name is None:
            return ""
        if self.axis is None:
            atrium, ventricle = (n.replace("_", " ") for n in VALVES[self.name])
            return f"To turn about the axis of the valve, mark {atrium} and {ventricle} first."
        said = f"Plane {self.at + 1} of {STEPS}, turned by {turn_deg(self.at):.0f}°: click both hinge points."
        ring, why = live_annulus(self.name, self.session.points_lps)
        if ring is None:
            return f"{said} {why}"
        return (
            f"{said} So far: area {ring.area_mm2:.0f} mm², {ring.septal_lateral_mm:.1f} × "
            f"{ring.intercommissural_mm:.1f} mm."
        )
