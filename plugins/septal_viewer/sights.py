"""Where views and camera look: at what is marked, at the target, as a C-arm does."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from septal_planner.inputs.resample import sample_lps
from septal_viewer.scene import Scene
from septal_viewer.session import Session
from septal_viewer.views import Views

Array = NDArray[np.float64]
SCENE_FIELD_MM = 130.0


class Sights:
    """Moves the cross-hair, the planes and the camera; changes nothing of the plan."""

    def __init__(self, session: Session, views: Views, scene: Scene) -> None:
        self.session, self.views, self.scene = session, views, scene

    def go_to_marked(self) -> None:
        """The cross-hair to what is marked of the septum, at a usual zoom."""
        points = self.session.points_lps
        for name in ("fossa", "left_atrium", "right_atrium", "mitral_annulus"):
            if len(points.get(name, ())):
                self.session.set_cursor(points[name].mean(axis=0))
                break
        self.views.see_heart()

    def jump(self, name: str, plane: str) -> None:
        """To where a landmark is, in the plane it is best seen in."""
        points = self.session.points_lps.get(name)
        if points is not None and len(points):
            at = points.mean(axis=0) if len(points) > 2 else points[0]
            self.session.set_cursor(at)
        view = self.views.show_plane(plane) or self.views.show_plane("axial")
        for each in self.views.views:
            if points is not None and len(points):
                each.keep_in_sight(np.asarray(self.session.cursor_lps))
        if view is not None:
            view.canvas.setFocus()
            view.chosen.emit()
        self.views.refresh()

    def jump_to_target(self) -> None:
        """The cross-hair to the target."""
        if self.session.site is not None:
            self.session.set_cursor(self.session.site.target_lps)
            self.views.see_heart()

    def look_from_front(self) -> None:
        """The 3-D view from the front, around the target or the cross-hair."""
        if self.session.volume is not None:
            self.scene.look_from_front(self.middle(), SCENE_FIELD_MM)

    def look_as(self, name: str) -> None:
        """The 3-D view as a C-arm sees it, the target at its isocentre."""
        case = self.session.case
        if case is not None and case.views and name in case.views:
            view = case.views[name]
            self.look_from(view.primary_deg, view.secondary_deg)

    def look_from(self, primary_deg: float, secondary_deg: float) -> None:
        """The same at any angles, degrees."""
        if self.session.volume is not None:
            self.scene.look_as_carm(primary_deg, secondary_deg, self.middle(), SCENE_FIELD_MM)

    def place_words(self) -> str:
        """The cross-hair in LPS and the CT's value there."""
        s = self.session
        if s.volume is None:
            return ""
        hu = float(sample_lps(self.views.shown_volume or s.volume, s.cursor_lps[None])[0])
        x, y, z = (f"{v:.1f}".replace("-", "\u2212") for v in s.cursor_lps)
        value = "" if np.isnan(hu) else f"   {hu:.0f} HU".replace("-", "\u2212")
        return f"Cross-hair L {x}  P {y}  S {z} mm{value}"

    def middle(self) -> Array:
        """What the 3-D view turns about."""
        s = self.session
        return np.asarray(s.site.target_lps if s.site is not None else s.cursor_lps)
