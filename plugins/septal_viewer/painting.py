"""Painting a widget so that it is over when the call is, whatever still holds the painter."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from qtpy.QtGui import QPainter
from qtpy.QtWidgets import QWidget


@contextmanager
def painting(widget: QWidget) -> Iterator[QPainter]:
    """A painter on `widget`, ended on leaving. One left to Python to end outlives its paintEvent where a debugger, a
    profiler or a fault keeps the frame, and Qt then paints on what is gone."""
    painter = QPainter(widget)
    try:
        yield painter
    finally:
        painter.end()
