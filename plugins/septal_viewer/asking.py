"""Asked before unsaved work is lost: when the window is closed, or another CT is opened over it."""

from __future__ import annotations

from collections.abc import Callable

from qtpy.QtWidgets import QMessageBox, QWidget

from septal_viewer.session import Session


class Asking:
    """`save` starts saving and calls back with whether the work is saved."""

    def __init__(self, parent: QWidget, session: Session, save: Callable[[Callable[[], None]], None]) -> None:
        self.box: QMessageBox | None = None
        self._parent, self._session, self._save = parent, session, save

    def guard(self, then: Callable[[], None], title: str = "Open another CT") -> None:
        """Do it, after asking where work is not saved."""
        if not self._session.unsaved:
            then()
            return
        box = self.box = QMessageBox(self._parent.window())
        box.setWindowTitle(title)
        box.setIcon(QMessageBox.Icon.Question)
        box.setText("The landmarks or the target have changed since they were saved.")
        box.setInformativeText("What shall become of them?")
        save = box.addButton("Save landmarks…", QMessageBox.ButtonRole.AcceptRole)
        lose = box.addButton("Go on without saving", QMessageBox.ButtonRole.DestructiveRole)
        stay = box.addButton("Stay here", QMessageBox.ButtonRole.RejectRole)
        box.setDefaultButton(stay)
        box.setEscapeButton(stay)

        def answered() -> None:
            chosen, self.box = box.clickedButton(), None
            if chosen is lose:
                then()
            elif chosen is save:
                self._save(then)

        box.finished.connect(lambda _: answered())
        box.open()

    def may_close(self, close: Callable[[], None]) -> bool:
        """Whether the window may close now; otherwise it is asked, and closed after the answer."""
        if not self._session.unsaved:
            return True
        if self.box is None:
            self.guard(close, "Close the viewer")
        return False
