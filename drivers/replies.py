"""Bytes that come in, cut into replies."""

from __future__ import annotations

from collections.abc import Callable

LONGEST_REPLY_BYTES = 65_536
"""A reply longer than this is babble, not an answer."""

_PADDING = b"\0\r\n \t"
"""Carries nothing; some firmware pads its replies with it."""


class Replies:
    """``receive(gap_s)`` returns the next bytes, ``b""`` when a gap was given and passed without any. ``framed``: each
    ``receive`` returns one whole message. What came and was not yet taken stands in ``buffer``.
    """

    def __init__(
        self, receive: Callable[[float | None], bytes], *, terminator: bytes, gap_s: float | None, framed: bool
    ) -> None:
        self.buffer = bytearray()
        self._receive = receive
        self._terminator = terminator
        self._gap_s = gap_s
        self._framed = framed

    def clear(self) -> None:
        """Forget what came."""
        self.buffer.clear()

    def one(self, message: bytes) -> bytes:
        """The reply to ``message``, which must be all there is."""
        line = self._line()
        if line == message:
            raise ConnectionError("the instrument echoes what it is sent; set echo = true in its dialect")
        if self.buffer:
            self.refuse_rest(f"came after {line!r}: one question, more than one reply")
        return line

    def only(self) -> bytes | None:
        """The next line, whatever it says; ``None`` when more has come than that. Nothing is refused."""
        line = self._line()
        return None if self.buffer.strip(_PADDING) else line

    def until(self, wanted: Callable[[bytes], bool]) -> bytes:
        """The first reply that is ``wanted``, which must be the last; an error while waiting for it carries the last
        other one as ``partial``."""
        other = b""
        try:
            while not wanted(line := self._line()):
                other = line or other
        except Exception as error:
            error.partial = other or bytes(self.buffer) or getattr(error, "partial", b"")  # type: ignore[attr-defined]
            raise
        self.refuse_rest(f"came after {line!r}, which was the last reply due")
        return line

    def eat_echo(self, message: bytes, *, drop: bool = False) -> None:
        """Take the echo of ``message`` away; with ``drop`` lines before it too, such as what is said at an opening."""
        first = line = self._line()
        try:
            while drop and line != message:
                line = self._line()
        except TimeoutError:
            pass  # no echo among what came
        if line != message:
            raise ConnectionError(f"received {first!r} where the echo of the message was due; set echo = false?")

    def skip_to(self, line: bytes) -> None:
        """Take lines away up to ``line``, an echo that keeps nothing back when it does not come."""
        while self._line() != line:
            pass

    def refuse_rest(self, why: str) -> None:
        """Nothing but padding may be left."""
        if self.buffer.strip(_PADDING):
            raise ConnectionError(f"{bytes(self.buffer)!r} {why}")
        self.buffer.clear()

    def _line(self) -> bytes:
        buffer = self.buffer
        while (at := buffer.find(self._terminator) if self._terminator else -1) < 0:
            if len(buffer) > LONGEST_REPLY_BYTES:
                raise ConnectionError(f"more than {LONGEST_REPLY_BYTES} bytes without an end")
            if self._framed and buffer:
                return self._take(len(buffer), len(buffer))
            more = self._receive(self._gap_s if buffer else None)
            if not more:
                return self._take(len(buffer), len(buffer))
            buffer += more
        return self._take(at, at + len(self._terminator))

    def _take(self, end: int, rest: int) -> bytes:
        buffer = self.buffer
        line = bytes(buffer[:end])
        del buffer[:rest]
        return line.replace(b"\0", b"").strip(b"\r\n")
