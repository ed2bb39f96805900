"""A line typed by a person, read in slices so that a stop still gets through."""

from __future__ import annotations

import os
import select
import sys
from collections.abc import Callable
from contextlib import suppress
from typing import TextIO

from harness.voice import VOICE

SLICE_S = 0.1
CHUNK = 4096


def interactive() -> bool:
    """Whether somebody sits at the other end of standard input and can read standard error."""
    return sys.stdin is not None and sys.stdin.isatty() and sys.stderr.isatty()


def in_front() -> bool:
    """Whether the keys of that terminal come here, and not to a program in front of this one (POSIX.1-2017, 11.1.4)."""
    with suppress(OSError, ValueError):
        return os.tcgetpgrp(sys.stdin.fileno()) == os.getpgrp()
    return True  # no terminal that sorts programs


class _Typed:
    """What came from standard input and was not taken yet.

    Read past the stream's own buffer, whose ``readline`` waits for the end of a line that was only begun (Ctrl-D in its
    middle, a terminal that hands over each key): the loop would wait with it, and a stop too.
    """

    def __init__(self) -> None:
        self._stream: TextIO | None = None
        self._held = b""

    def line(self, wait_s: float) -> str | None:
        """The next whole line without its end, or ``None`` when there is none within ``wait_s``. Raises ``EOFError`` at
        the end of the input, also where this program is not the one in front."""
        if self._stream is not sys.stdin:
            self._stream, self._held = sys.stdin, b""
        if b"\n" not in self._held:
            self._receive(sys.stdin.fileno(), wait_s)
        line, end, rest = self._held.partition(b"\n")
        if not end:
            return None
        self._held = rest
        return line.decode(sys.stdin.encoding or "utf-8", "replace")

    def forget(self) -> None:
        """Throw away what was typed up to now, a line that was only begun too; of anything but a terminal nothing."""
        with suppress(ImportError, OSError, ValueError, AttributeError):
            import termios

            # From behind another program it would stop this one (POSIX.1-2017, 11.1.4), and nothing is read there.
            if sys.stdin.isatty() and in_front():
                termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)
                self._held = b""

    def _receive(self, where: int, wait_s: float) -> None:
        if not select.select([where], [], [], wait_s)[0]:
            return
        try:
            came = os.read(where, CHUNK)
        except OSError:
            came = b""
        if not came and not self._held:
            raise EOFError
        # A terminal without line editing sends a bare CR for Enter; what an end of input cuts short is a line too.
        self._held += came.replace(b"\r\n", b"\n").replace(b"\r", b"\n") or b"\n"


_TYPED = _Typed()


def forget_typed() -> None:
    """What was typed before a question is no answer to it. Answers prepared in a pipe or a file stay."""
    _TYPED.forget()


def typed_line(prompt: str, *, stop: Callable[[], bool]) -> str | None:
    """What was typed after the question was put, without the line end; ``None`` when ``stop()`` became true or the
    input ended."""
    VOICE.start()
    VOICE.flush()
    forget_typed()
    VOICE.say(prompt)
    VOICE.flush()
    with suppress(EOFError):
        while not stop():
            if (line := _TYPED.line(SLICE_S)) is not None:
                return line
    return None


def entered() -> str | None:
    """A line somebody has typed meanwhile, "" for Enter alone; ``None`` when there is none. Does not wait."""
    if not interactive():
        return None
    with suppress(EOFError):
        line = _TYPED.line(0.0)
        return None if line is None else line.strip()
    return None
