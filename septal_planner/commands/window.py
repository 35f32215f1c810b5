"""The viewer, which comes with an extra of its own."""

from __future__ import annotations

import argparse

from septal_planner.commands.telling import DONE
from septal_planner.errors import InputRefused

VIEWER_NEEDS = ("napari", "qtpy", "PySide6", "superqt", "vispy", "psygnal")


def view(arguments: argparse.Namespace) -> int:
    """The viewer's window, until it is closed. It comes with an extra of its own, not with the console program."""
    try:
        from septal_viewer.view import open_viewer

        open_viewer(arguments.ct, arguments.landmarks)
    except ImportError as problem:
        missing = (problem.name or "").partition(".")[0]
        if missing not in VIEWER_NEEDS and type(problem).__name__ != "QtBindingsNotFoundError":
            raise
        raise InputRefused(
            f"The viewer cannot start without napari and PySide6 ({problem}); install them with: "
            "pip install 'septal-planner[viewer]'."
        ) from problem
    return DONE
