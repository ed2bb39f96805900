"""Bytes as they arrive to whole program messages.

A message ends at a line feed (IEEE 488.2-1992), or where a link that has an END signal gives it. A carriage return
before it is white space. A definite-length block may hold line feeds and separators: it ends where its count says. A
string ends with the message at the latest, so that a quote left open costs one message.

Not modelled: line feeds inside strings; the indefinite block's rule that only END may close it (a line feed does).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from sims.blocks import POINT, block_end

BUFFER_BYTES = 16384
"""Longest program message; a longer one is error -363."""


class Overrun(Exception):
    """A message did not fit into the input buffer and is thrown away up to its end."""


class Framer:
    """Collects bytes of one session. Never blocks, never holds more than ``BUFFER_BYTES``."""

    def __init__(self) -> None:
        self._held = b""
        self._skipping = False

    def feed(self, data: bytes, *, end: bool = False) -> Iterable[bytes | Overrun]:
        """The messages completed by these bytes, without terminators, in order; Overrun in the place of one lost.

        ``end``: END came with the last byte, so that what is left is a message as it stands.
        """
        whole = data.find(b"\n") == len(data) - 1 < BUFFER_BYTES and b"#" not in data
        if whole and not self._held and not self._skipping:
            # One whole message: by far the most there is.
            return (data[:-1],) if data else ()
        return self._cut(data, end=end)

    def _cut(self, data: bytes, *, end: bool) -> Iterator[bytes | Overrun]:
        held, self._held = self._held + data, b""
        while held:
            if self._skipping:
                _, found, held = held.partition(b"\n")
                self._skipping = not found
                continue
            message, rest = _take(held) if b"#" in held else _line(held)
            if message is None:
                break
            held = rest
            yield message if len(message) <= BUFFER_BYTES else Overrun()
        if len(held) > BUFFER_BYTES:
            held, self._skipping = b"", True
            yield Overrun()
        if end:
            if held:
                yield held
            held, self._skipping = b"", False
        self._held = held

    @property
    def empty(self) -> bool:
        """True when no part of a message is waiting for its end."""
        return not self._held and not self._skipping

    @property
    def begun(self) -> bool:
        """True when more than white space of a message is there."""
        return self._skipping or bool(self._held.strip())

    @property
    def due_bytes(self) -> int:
        """How many bytes a block that has begun still waits for, during which a line feed ends nothing; 0 outside."""
        return _walk(self._held)[1] if b"#" in self._held else 0


def _line(held: bytes) -> tuple[bytes | None, bytes]:
    message, found, rest = held.partition(b"\n")
    return (message, rest) if found else (None, held)


def _take(held: bytes) -> tuple[bytes | None, bytes]:
    """One message off the front; None when its end is not there yet."""
    at, _ = _walk(held)
    return (held[:at], held[at + 1 :]) if at >= 0 else (None, held)


def _walk(held: bytes) -> tuple[int, int]:
    """Where the line feed of the first message stands, or -1; and how many bytes a block at the end still wants."""
    at = 0
    while (match := POINT.search(held, at)) is not None:
        if match.group() == b"\n":
            return match.start(), 0
        at = match.end()
        if match.group(1) is not None:
            begin, end = block_end(held, match, most=BUFFER_BYTES)
            if begin >= 0 and not begin <= end <= len(held):
                return -1, max(0, end - len(held))
            at = end if begin >= 0 else at
    return -1, 0
