"""What every command says while it works and when it is done."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

DONE, FAILED = 0, 1


class Progress:
    """One plain line on stderr as each step begins, with the seconds since the start; no terminal codes. Of lines that
    differ only after a colon ("slice 17 of 300") one a second is enough."""

    def __init__(self) -> None:
        self._start = time.monotonic()
        self._last = ("", 0.0)

    def __call__(self, text: str) -> None:
        now = time.monotonic()
        step = text.partition(":")[0]
        if ":" in text and step == self._last[0] and now - self._last[1] < 1.0:
            return
        self._last = (step, now)
        print(f"[{now - self._start:5.1f} s] {text}", file=sys.stderr, flush=True)

    def share(self, text: str) -> Callable[[float], None]:
        """A listener for the share done (0 to 1) of a step, which speaks at each quarter."""
        last = [0]

        def listen(done: float) -> None:
            quarter = int(4 * done)
            if quarter > last[0]:
                last[0] = quarter
                self(f"{text}: {25 * quarter} %")

        return listen


def print_written(out: Path, *names: str) -> None:
    print(f"Written to {out}: {', '.join(names)}")
