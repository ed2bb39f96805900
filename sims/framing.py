"""Bytes as they arrive to whole program messages.

A message ends at a line feed (IEEE 488.2-1992; on a stream there is no END line). A carriage return before it is
white space. A definite-length block may hold line feeds and separators; no simulated instrument takes one, so its
contents are dropped here and an empty block is left in its place for the parser to refuse.

Not modelled: END as a signal of its own, and the indefinite block's rule that only END may close it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

BUFFER_BYTES = 16384
"""Longest program message; a longer one is error -363."""

EMPTY_BLOCK = b"#10"

_POINT = re.compile(rb"\n|'[^'\n]*'?|\"[^\"\n]*\"?|(?<=[ ,\t])#([0-9])")


class Overrun(Exception):
    """A message did not fit into the input buffer and is thrown away up to its end."""


class Framer:
    """Collects bytes of one session. Never blocks, never holds more than ``BUFFER_BYTES``."""

    def __init__(self) -> None:
        self._held = b""
        self._skipping = False

    def feed(self, data: bytes) -> Iterator[bytes | Overrun]:
        """The messages completed by these bytes, without terminators, in order; Overrun in the place of one lost."""
        held = self._held + data
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
        self._held = held

    @property
    def empty(self) -> bool:
        """True when no part of a message is waiting for its end."""
        return not self._held and not self._skipping


def _line(held: bytes) -> tuple[bytes | None, bytes]:
    message, found, rest = held.partition(b"\n")
    return (message, rest) if found else (None, held)


def _take(held: bytes) -> tuple[bytes | None, bytes]:
    """One message off the front, blocks emptied; None when its end is not there yet."""
    parts: list[bytes] = []
    at = 0
    while True:
        match = _POINT.search(held, at)
        if match is None:
            return None, held
        if match.group() == b"\n":
            parts.append(held[at : match.start()])
            return b"".join(parts), held[match.end() :]
        parts.append(held[at : match.start()])
        if match.group(1) is None:
            parts.append(match.group())
            at = match.end()
            continue
        at, text = _block(held, match)
        if at < 0:
            return None, held
        parts.append(text)


def _block(held: bytes, match: re.Match[bytes]) -> tuple[int, bytes]:
    """Where the block at a ``#`` ends and what to leave in its place; -1 when more bytes are needed."""
    width = int(match.group(1))
    if width == 0:
        end = held.find(b"\n", match.end())
        return end, EMPTY_BLOCK
    digits = held[match.end() : match.end() + width]
    if b"\n" in digits or (digits and not digits.isdigit()):
        return match.end(), match.group()
    if len(digits) < width:
        return -1, b""
    end = match.end() + width + int(digits)
    if int(digits) > BUFFER_BYTES:
        # It can never fit: read it as text, so that the session goes on with the next line.
        return match.end(), match.group()
    return (end, EMPTY_BLOCK) if end < len(held) else (-1, b"")
