"""What happens to a long step that runs beside the window, as it is told to the window."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Progress:
    """What is being done, in words."""

    job: str
    text: str


@dataclass(frozen=True)
class Done:
    """`result` is what the job of that name gives (see `worker`)."""

    job: str
    result: Any


@dataclass(frozen=True)
class Failed:
    """`sentence` for the person, `details` for the log."""

    job: str
    sentence: str
    details: str = ""


@dataclass(frozen=True)
class Cancelled:
    """The job was given up as asked."""

    job: str


@dataclass(frozen=True)
class Refused:
    """The job was not begun, since another is running."""

    job: str
    sentence: str


Event = Progress | Done | Failed | Cancelled | Refused
