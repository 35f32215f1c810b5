"""Asked before unsaved work is lost: when the window is closed, or another CT is opened over it."""

from __future__ import annotations

from collections.abc import Callable

from qtpy.QtWidgets import QMessageBox, QWidget

from septal_viewer.session import Session


class Asking:
    """`save` asks where landmarks go and calls back once they are saved; `save_points` does so for the points on X-ray
    frames, where `points_unsaved` tells that there are some."""

    def __init__(
        self,
        parent: QWidget,
        session: Session,
        save: Callable[[Callable[[], None]], None],
        points_unsaved: Callable[[], bool],
        save_points: Callable[[Callable[[], None]], None],
    ) -> None:
        self.box: QMessageBox | None = None
        self._parent, self._session, self._save = parent, session, save
        self._points_unsaved, self._save_points = points_unsaved, save_points

    def guard(self, then: Callable[[], None], title: str = "Open another CT") -> None:
        """Do it, after asking where work is not saved."""
        marks, points = self._session.unsaved, self._points_unsaved()
        if not (marks or points):
            then()
            return
        what = ["landmarks or the target"] * marks + ["points on the X-ray frames"] * points
        box = self.box = QMessageBox(self._parent.window())
        box.setWindowTitle(title)
        box.setIcon(QMessageBox.Icon.Question)
        box.setText(f"The {' and the '.join(what)} have changed since they were saved.")
        box.setInformativeText("What shall become of them?")
        said = "Save landmarks and points…" if marks and points else "Save landmarks…" if marks else "Save points…"
        save = box.addButton(said, QMessageBox.ButtonRole.AcceptRole)
        lose = box.addButton("Go on without saving", QMessageBox.ButtonRole.DestructiveRole)
        stay = box.addButton("Stay here", QMessageBox.ButtonRole.RejectRole)
        box.setDefaultButton(stay)
        box.setEscapeButton(stay)

        def answered() -> None:
            chosen, self.box = box.clickedButton(), None
            if chosen is lose:
                then()
            elif chosen is save:
                if marks and points:
                    self._save(lambda: self._save_points(then))
                elif marks:
                    self._save(then)
                else:
                    self._save_points(then)

        box.finished.connect(lambda _: answered())
        box.open()

    def may_close(self, close: Callable[[], None]) -> bool:
        """Whether the window may close now; otherwise it is asked, and closed after the answer."""
        if not (self._session.unsaved or self._points_unsaved()):
            return True
        if self.box is None:
            self.guard(close, "Close the viewer")
        return False
