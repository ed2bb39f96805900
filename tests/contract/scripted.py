"""What the scripted instrument of the contract answers, whatever line it hangs on.

A script answers each message with a list of acts: ``bytes`` are sent, a ``float`` is a pause in s, ``HANG_UP`` closes
the line. In memory a pause means that what follows comes too late for this question, as with a real instrument whose
pause is longer than the deadline.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator

TIMEOUT_S = 0.1
HANG_UP = "hang up"
IDENTITY = b"OURS,SCRIPTED,1,0"
Act = bytes | float | str


class Script:
    """What the instrument answers; ``replies`` may be changed while it runs. A device clear is heard as ``CLEAR``.

    On a network ``banner`` is said to each new client, after ``on_open``; who is silent for ``idle_s`` is hung up on.
    """

    CLEAR = b"<clear>"

    def __init__(self) -> None:
        self.replies: dict[bytes, list[Act] | Callable[[], list[Act]]] = {b"*IDN?": [IDENTITY + b"\n"]}
        self.heard: list[bytes] = []
        self.idle_s: float | None = None
        self.banner = b""
        self.on_open: Callable[[], None] = lambda: None
        self.on_clear: Callable[[], None] = lambda: None

    def __call__(self, line: bytes) -> list[Act]:
        self.heard.append(line)
        acts = self.replies.get(line, [])
        return acts() if callable(acts) else acts

    def clear(self) -> None:
        """The line cleared the instrument."""
        self.heard.append(self.CLEAR)
        self.on_clear()


BYTE_STREAMS = ("memory", "tcp", "pty", "replay")
"""Kinds of line that know nothing of messages: where one ends is for its bytes to say."""


class RealTime:
    """A line on which time passes by itself."""

    framed = False
    extra_s = 0.0
    """What a message without an answer costs beyond its deadline."""

    def settle(self) -> None:
        """Let what the instrument still owes arrive."""
        time.sleep(1.5 * TIMEOUT_S)

    @contextlib.contextmanager
    def timed(self) -> Iterator[Callable[[], float]]:
        """Time since the block began, s."""
        start = time.monotonic()
        yield lambda: time.monotonic() - start

    def _act(self, acts: list[Act], send: Callable[[bytes], object]) -> bool:
        for act in acts:
            if act == HANG_UP:
                return False
            if isinstance(act, float):
                time.sleep(act)  # an instrument that takes its time, on a real line
            else:
                assert isinstance(act, bytes)
                send(act)
        return True
