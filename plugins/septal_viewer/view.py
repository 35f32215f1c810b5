"""`septal-planner view`: the viewer's window from the console."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from septal_planner.errors import InputRefused


def open_viewer(ct: Path | None = None, landmarks: Path | None = None) -> None:
    """Open the window, with a CT and landmarks where they are given, and return when it is closed.

    Raises InputRefused where what is given does not exist or there is no screen, ImportError where napari or Qt is
    missing.
    """
    for what, path in (("CT", ct), ("landmarks", landmarks)):
        if path is not None and not path.exists():
            raise InputRefused(f"The {what} {path} does not exist; check the path.")
    if not has_screen():
        raise InputRefused(
            "No screen was found to open a window on (neither DISPLAY nor WAYLAND_DISPLAY is set); start the viewer in "
            "a desktop session, or plan without it: septal-planner plan CT LANDMARKS --out DIR."
        )
    import napari

    from septal_viewer.window import open_window

    panel = open_window(ct, landmarks)
    del panel
    napari.run()


def has_screen() -> bool:
    """Whether Qt will find a display; without one it would end the program instead of saying so."""
    if not sys.platform.startswith(("linux", "freebsd")):
        return True
    return any(os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"))
