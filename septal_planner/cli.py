"""The console program: parse, call, say in one sentence what went wrong. What a command does is in `commands`,
imported only when one runs, so that `--help` answers at once.
"""

from __future__ import annotations

import contextlib
import io
import os
import signal
import sys
from collections.abc import Sequence
from types import FrameType

from septal_planner.calls import CALL_IS_OFF, build_parser, on_one_line
from septal_planner.errors import AnatomyNotFound, CallIsOff, InputRefused

FAILED, INPUT_REFUSED, ANATOMY_NOT_FOUND, INTERRUPTED = 1, 3, 4, 130


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; the exit status. argparse itself exits with 2 where the call cannot be parsed."""
    try:
        if isinstance(sys.stdout, io.TextIOWrapper):  # a console that lacks a letter shall not end the call
            sys.stdout.reconfigure(errors="backslashreplace")
        arguments = build_parser().parse_args(argv)
        _end_cleanly_when_terminated()
        from septal_planner import commands

        return int(getattr(commands, arguments.command)(arguments))
    except CallIsOff as problem:
        return _fail(CALL_IS_OFF, str(problem))
    except InputRefused as problem:
        return _fail(INPUT_REFUSED, str(problem))
    except AnatomyNotFound as problem:
        return _fail(ANATOMY_NOT_FOUND, str(problem))
    except KeyboardInterrupt:
        return _fail(INTERRUPTED, "Stopped before the end; nothing was left half written.")
    except BrokenPipeError:
        # the reader of our output has gone; keep Python from complaining once more at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FAILED
    except Exception as problem:
        said = " ".join(str(problem).split()) or "without a word"
        return _fail(
            FAILED,
            f"Something unforeseen went wrong ({type(problem).__name__}: {said}); run it again with "
            "SEPTAL_PLANNER_DEBUG=1 set to see where, and report that.",
        )


def _fail(status: int, sentence: str) -> int:
    """Say the sentence; to a developer who asked for it, show the whole error instead."""
    if os.environ.get("SEPTAL_PLANNER_DEBUG") == "1" and sys.exc_info()[0] is not KeyboardInterrupt:
        raise
    with contextlib.suppress(OSError):  # the terminal may be gone
        print(f"septal-planner: {on_one_line(sentence)}", file=sys.stderr, flush=True)
    return status


def _end_cleanly_when_terminated() -> None:
    """Let SIGTERM, and the SIGHUP of a closed terminal, end the program as Ctrl-C does, so that half-made folders are
    taken away. A SIGHUP that is ignored (nohup) stays so."""

    def stop(_signal: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    hung_up = getattr(signal, "SIGHUP", None)  # not on Windows
    try:
        signal.signal(signal.SIGTERM, stop)
        if hung_up is not None and signal.getsignal(hung_up) is not signal.SIG_IGN:
            signal.signal(hung_up, stop)
    except ValueError:  # not the main thread: whoever called us handles signals
        return
