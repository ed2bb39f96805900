"""Sessions that go wrong on purpose.

``FaultyTalker`` wraps a session and spoils chosen messages; which ones is a plan, message number to kind:

- ``silent``: the instrument acts, the answer is lost
- ``late``: the answer comes with the next feed, ahead of whatever that one answers
- ``garble``: one byte of the answer is wrong
- ``drop``: the connection breaks before the instrument sees the message (ConnectionError), and stays broken
- ``lie``: an answer that is a number is multiplied by ``lie_factor``

Messages are counted from 0, one for each line feed in what is fed.

Not modelled: faults of the instrument itself (a stuck output, a frozen converter), half messages, noise on the line.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Protocol

KINDS = ("silent", "late", "garble", "drop", "lie")

_NUMERIC = re.compile(rb"[+-]?\d+(?:\.(\d*))?(?:[eE][+-]?\d+)?")


class Session(Protocol):
    """What ``SimBench.connect`` gives."""

    def feed(self, data: bytes) -> bytes: ...
    def hang_up(self) -> None: ...


Plan = Mapping[int, str] | Callable[[int, bytes], "str | None"]


class FaultyTalker:
    """A session with faults. ``plan`` maps message numbers to kinds, or is asked with number and message."""

    def __init__(self, talker: Session, plan: Plan, *, lie_factor: float = 1.02) -> None:
        if isinstance(plan, Mapping):
            for number, kind in plan.items():
                _check(kind, number)
        self._talker, self._plan, self._lie_factor = talker, plan, lie_factor
        self._held = b""
        self._late = b""
        self._broken = False
        self.messages = 0
        """How many messages have been seen."""

    def feed(self, data: bytes) -> bytes:
        """As the wrapped session's, faults applied. Raises ConnectionError after a drop."""
        if self._broken:
            raise ConnectionError("simulated fault: the connection is broken")
        out, self._late = self._late, b""
        *messages, self._held = (self._held + data).split(b"\n")
        for message in messages:
            kind = self._kind(message)
            self.messages += 1
            if kind == "drop":
                self._broken = True
                self._talker.hang_up()
                raise ConnectionError("simulated fault: the connection breaks")
            out += self._spoilt(kind, self._talker.feed(message + b"\n"))
        return out

    def hang_up(self) -> None:
        """End the session."""
        self._broken = True
        self._talker.hang_up()

    def _kind(self, message: bytes) -> str | None:
        plan = self._plan
        if isinstance(plan, Mapping):
            return plan.get(self.messages)
        kind = plan(self.messages, message)
        if kind is not None:
            _check(kind, self.messages)
        return kind

    def _spoilt(self, kind: str | None, reply: bytes) -> bytes:
        if kind == "silent":
            return b""
        if kind == "late":
            self._late += reply
            return b""
        if kind == "garble" and reply:
            middle = (len(reply) - 1) // 2
            return reply[:middle] + bytes([reply[middle] ^ 0x55]) + reply[middle + 1 :]
        if kind == "lie":
            return b";".join(map(self._lie, reply.removesuffix(b"\n").split(b";"))) + reply[-1:]
        return reply

    def _lie(self, answer: bytes) -> bytes:
        match = _NUMERIC.fullmatch(answer)
        if match is None:
            return answer
        decimals = len(match.group(1) or b"")
        return f"{float(match.group()) * self._lie_factor:.{decimals}f}".encode()


def _check(kind: str, number: int) -> None:
    if kind not in KINDS:
        raise ValueError(f"fault {kind!r} at message {number}: there are {', '.join(KINDS)}")
