"""A line typed by a person, read in slices so that a stop still gets through."""

from __future__ import annotations

import os
import select
import sys
from collections.abc import Callable
from contextlib import suppress

from harness.voice import VOICE

SLICE_S = 0.1


def interactive() -> bool:
    """Whether somebody sits at the other end of standard input and can read standard error."""
    return sys.stdin is not None and sys.stdin.isatty() and sys.stderr.isatty()


def in_front() -> bool:
    """Whether the keys of that terminal come here, and not to a program in front of this one (POSIX.1-2017, 11.1.4)."""
    with suppress(OSError, ValueError):
        return os.tcgetpgrp(sys.stdin.fileno()) == os.getpgrp()
    return True  # no terminal that sorts programs


def typed_line(prompt: str, *, stop: Callable[[], bool]) -> str | None:
    """What was typed, without the line end; ``None`` when ``stop()`` became true or the input ended."""
    VOICE.start()
    VOICE.say(prompt)
    VOICE.flush()
    while not stop():
        ready, _, _ = select.select([sys.stdin], [], [], SLICE_S)
        if ready:
            line = sys.stdin.readline()
            return line.rstrip("\n") if line else None
    return None


def line_waiting() -> str | None:
    """A line somebody has typed meanwhile; ``None`` when there is none, or an empty one. Does not wait."""
    return entered() or None


def entered() -> str | None:
    """The same, "" for an empty one: Enter alone is an answer too. ``None`` at the end of the input."""
    if not interactive() or not select.select([sys.stdin], [], [], 0)[0]:
        return None
    line = sys.stdin.readline()
    return line.strip() if line else None
