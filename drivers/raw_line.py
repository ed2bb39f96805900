"""A line as it is: every byte that comes back, before anybody knows how this instrument ends its lines.

For finding out about an instrument, never for running one. Only questions pass: a message each of whose parts asks
something. Nothing that is sent here can set anything on an instrument that follows IEEE 488.2.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass

from drivers.wire import LONGEST_REPLY_BYTES, Lost, Wire

SHORT_QUIET_S = 0.02
"""Silence after a line end that is known to end replies: padding comes within it, s (judgement)."""

LONG_QUIET_S = 0.25
"""Silence that ends a reply of which nothing is known, s: at 1200 bit/s a character takes 8 ms (judgement)."""


@dataclass(frozen=True, slots=True)
class Heard:
    """One message that was sent, with its end, and every byte that came back until the line was quiet."""

    sent: bytes
    received: bytes
    unasked: bytes = b""
    """What lay on the line before it was sent."""


def only_asks(message: str) -> bool:
    """True when every part of a message is a question: ``MEAS:VOLT?;:MEAS:CURR?`` is, ``INST:NSEL 2;:MEAS:VOLT?`` not.

    A header that ends in ``?`` asks (IEEE 488.2 7.3.3); a ``?`` elsewhere does not make a question.
    """
    parts = message.split(";")
    return message.isascii() and message.isprintable() and all(_header(part).endswith("?") for part in parts)


def _header(part: str) -> str:
    words = part.split()
    return words[0] if words else ""


class RawLine:
    """Questions over a wire's bare bytes. ``heard`` keeps everything that was sent and what came.

    Raises the wire's ``Lost`` and ``Timeout`` from ``open`` and ``Lost`` when the line breaks. Silence is no error.
    """

    def __init__(self, wire: Wire) -> None:
        self.wire = wire
        self.heard: list[Heard] = []

    @property
    def address(self) -> str:
        """The address as it was given."""
        return self.wire.address

    def open(self, *, listen_s: float = 0.0) -> bytes:
        """Open the line; what the instrument says by itself within ``listen_s``."""
        self.wire.open()
        return self.listen(listen_s)

    def close(self) -> None:
        """Close the line; never raises."""
        self.wire.close()

    def clear(self) -> None:
        """Have an instrument that has got stuck forget what it was asked, on lines that can: a clear touches the talk
        and no setting (IEEE 488.2 5.8, from memory). Never raises.
        """
        if self.wire.framed:
            with contextlib.suppress(Exception):
                self.wire._clear()

    def pause(self, seconds: float) -> None:
        """Let time pass and leave what comes lying on the line."""
        self.wire._pause(seconds)

    def listen(self, seconds: float) -> bytes:
        """Wait without asking; what came meanwhile."""
        try:
            if seconds:
                self.wire._pause(seconds)
            return self.wire._waiting()
        except Exception as error:
            raise self._lost(error, b"") from error

    def ask(
        self,
        *messages: str,
        end: bytes,
        patience_s: float,
        line_end: bytes = b"",
        quiet_s: float = LONG_QUIET_S,
        pause_s: float = 0.0,
        enough: Callable[[bytes], bool] = bool,
    ) -> bytes:
        """Send questions, ``pause_s`` apart, each with ``end`` behind it, and read until the line is quiet.

        ``patience_s`` bounds the wait for the first byte, and for each further one while what came is not ``enough``;
        the wire's own deadline bounds all of it. A silence of ``quiet_s`` ends a reply, a shorter one where it ends
        with ``line_end``, when that is known. Raises ``ValueError`` for anything but a question.
        """
        for message in messages:
            if not only_asks(message):
                raise ValueError(f"{message!r} sets something, or may; only questions are sent here")
        data = b"".join(message.encode() + end for message in messages)
        try:
            unasked = self.wire._waiting()
            for number, message in enumerate(messages):
                if number and pause_s:
                    self.wire._pause(pause_s)
                self.wire._send(message.encode() + end)
            received = self._read(patience_s, line_end, quiet_s, enough)
        except Exception as error:
            self.heard.append(Heard(data, b""))
            raise self._lost(error, data) from error
        self.heard.append(Heard(data, received, unasked))
        return received

    def _read(self, patience_s: float, line_end: bytes, quiet_s: float, enough: Callable[[bytes], bool]) -> bytes:
        came = b""
        try:
            while len(came) < LONGEST_REPLY_BYTES and not (self.wire.framed and enough(came)):
                wait_s = patience_s
                if enough(came):
                    wait_s = SHORT_QUIET_S if line_end and came.endswith(line_end) else quiet_s
                more = self.wire._receive(wait_s)
                if not more:
                    break
                came += more
        except Exception as error:
            if not self.wire._timed_out(error):
                raise
        return came

    def _lost(self, error: Exception, sent: bytes) -> BaseException:
        self.wire.close()
        mapped = self.wire._mapped(error, sent)
        if isinstance(mapped, Lost):
            return mapped
        return Lost(str(error) or type(error).__name__, instrument=self.wire.name, address=self.address, sent=sent)
