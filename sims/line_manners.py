"""The line of an instrument with habits: what is lost, echoed, said unasked, late, cut off or refused.

A ``Port`` is the connector of one instrument, an open ``Line`` one client's session at it. An instrument whose line has
no habits gets the bare session of the message engine, so good manners cost nothing.

Times: a gap between messages, deafness after an opening and the delay of a reply are the line's own and are counted on
``line_now``; how long a line is idle is counted on ``now``, bench time. On a bench in memory the two are the same; a
served bench may stand still while its lines go on.

Not modelled: an answer to an order that tells whether it was obeyed, a delay that depends on the message, several
answers whose texts hold line feeds, blocks (IEEE 488.2 8.7.9) in messages whose terminator is not a line feed, echo of
the single byte at the time it comes.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import fields
from typing import Protocol

from sims.framing import BUFFER_BYTES, Framer, Overrun
from sims.manners import TERMINATOR_CHARACTERS, Manners
from sims.talk import Engine

OF_THE_LINE = (
    "echo",
    "ends",
    "hears",
    "gap_s",
    "banner",
    "defaults_at_open",
    "idle_drop_s",
    "clients_max",
    "second_line",
    "remote_needed",
    "answers_orders",
    "deaf_s",
    "reply_delay_s",
)
"""The habits this file is about."""

INPUT_BUFFER_OVERRUN = -363

BUSY = "BUSY"

ROUNDING_S = 1e-9
"""Who waits just long enough is not punished for binary fractions."""

_PLAIN = {field.name: field.default for field in fields(Manners)}

_GO_REMOTE = re.compile(rb"\s*:?SYST(EM)?:REM(OTE)?\s*(;.*)?", re.IGNORECASE | re.DOTALL)


STREAM, SERIAL, MESSAGES = "stream", "serial", "messages"
"""Kinds of links: a connection that carries bytes; a line that carries bytes and outlives its clients, so that nobody
is turned away or hung up on; one with messages and an END signal of its own, where nothing is echoed or said unasked.
"""


class Session(Protocol):
    """One client's session, with habits or without."""

    def feed(self, data: bytes, *, end: bool = False) -> bytes: ...
    def clear(self) -> None: ...
    def hang_up(self) -> None: ...


class Key(Protocol):
    """Who may set the instrument; ``remote`` is True while the wire may."""

    remote: bool


class Busy(ConnectionRefusedError):
    """There are as many clients as the instrument takes."""


class Port:
    """``key`` tells whether the instrument obeys the wire, ``restart`` gives it its defaults as power-on does."""

    def __init__(
        self,
        engine: Engine,
        manners: Manners,
        *,
        key: Key,
        restart: Callable[[], None],
        now: Callable[[], float],
        line_now: Callable[[], float] | None = None,
    ) -> None:
        self.engine, self.manners, self.key = engine, manners, key
        self.now, self.line_now = now, line_now or now
        self._restart = restart
        self.is_plain = all(getattr(manners, name) == _PLAIN[name] for name in OF_THE_LINE)
        self._open: list[Line] = []

    def connect(self, link: str = STREAM) -> Session:
        """A new client's session. Raises Busy (a ConnectionRefusedError) when there are too many.

        A serial line has one session for good; its openings are told by ``opened``.
        """
        if self.is_plain:
            return self.engine.connect()
        self._open = [line for line in self._open if line.is_open]
        most = self.manners.clients_max
        if most and len(self._open) >= most and link != SERIAL:
            raise Busy(f"{BUSY}: it takes {most} client(s) at a time")
        line = Line(self, link)
        self._open.append(line)
        if link != SERIAL:
            self.opened(line)
        return line

    def opened(self, session: Session) -> None:
        """What an opening of the port does."""
        if isinstance(session, Line):
            if self.manners.defaults_at_open:
                self._restart()
            session.greet()


class Line:
    """A session with habits. ``feed(b"")`` collects what has come due; ``due_s`` tells when, on the line's clock."""

    def __init__(self, port: Port, link: str) -> None:
        self._port, self._link = port, link
        manners = port.manners
        self._ends, self._hears = manners.ends.encode(), manners.hears.encode()
        self._cut = Cutter(self._hears)
        self._coming: deque[tuple[float, bytes]] = deque()
        self._last_s = self._deaf_until_s = -float("inf")
        self._active_s = port.now()
        self._hung_up = False

    @property
    def due_s(self) -> float | None:
        """When the next bytes come, s on the line's clock; None when none are owed."""
        return self._coming[0][0] if self._coming else None

    @property
    def due_in_s(self) -> float | None:
        """The same from now on, never below 0."""
        return max(0.0, self._coming[0][0] - self._port.line_now()) if self._coming else None

    @property
    def is_open(self) -> bool:
        """False once either side has hung up; a line idle too long hangs up here."""
        idle_s = self._port.manners.idle_drop_s
        if idle_s and self._link != SERIAL and self._port.now() - self._active_s >= idle_s:
            self._hung_up = True
        return not self._hung_up

    def greet(self) -> None:
        """Restart, where it does that, and say what is said at an opening."""
        manners = self._port.manners
        if manners.deaf_s:
            self.clear()
        self._deaf_until_s = self._port.line_now() + manners.deaf_s
        if manners.banner and self._link != MESSAGES:
            self._coming.append((self._deaf_until_s, manners.banner.encode() + self._ends))

    def feed(self, data: bytes, *, end: bool = False) -> bytes:
        """Take bytes from the client; what comes back now, b"" if nothing.

        ``end``: the link has an END signal and it came with the last byte. Raises ConnectionError once hung up.
        """
        if not self.is_open:
            raise ConnectionError("the instrument hung up")
        if data:
            self._active_s = self._port.now()
        if not self._port.line_now() < self._deaf_until_s - ROUNDING_S:
            for message in self._cut.feed(data, end=end):
                self._hear(message)
        return self._due()

    def clear(self) -> None:
        """Forget half a message and every reply still owed (device clear)."""
        self._cut = Cutter(self._hears)
        self._coming.clear()

    def hang_up(self) -> None:
        """End the session; unfinished input is forgotten, the instrument's settings stay."""
        self._hung_up = True
        self.clear()

    def _hear(self, message: bytes | Overrun) -> None:
        port, manners = self._port, self._port.manners
        at_s, last_s = port.line_now(), self._last_s
        self._last_s = at_s
        if at_s - last_s < manners.gap_s - ROUNDING_S:
            return
        if isinstance(message, Overrun):
            port.engine.status.fault(INPUT_BUFFER_OVERRUN)
            return
        if manners.echo and self._link != MESSAGES:
            self._coming.append((at_s, message + self._hears))
        reply = self._answer(message)
        if reply:
            self._coming.append((at_s + manners.reply_delay_s, reply))

    def _answer(self, message: bytes) -> bytes:
        port, manners = self._port, self._port.manners
        if manners.remote_needed and not port.key.remote and not _GO_REMOTE.fullmatch(message):
            return manners.remote_words.encode() + self._ends
        reply = port.engine.handle(message)
        if not reply:
            is_order = message.strip() and b"?" not in message
            return manners.answers_orders.encode() + self._ends if manners.answers_orders and is_order else b""
        text = reply.removesuffix(b"\n")
        lines = text.split(b"\n") if port.engine.join == "lines" else [text]
        if manners.second_line:
            lines.append(manners.second_line.encode())
        return b"".join(line + self._ends for line in lines)

    def _due(self) -> bytes:
        coming, now_s = self._coming, self._port.line_now() + ROUNDING_S
        out = b""
        # In order: a reply that is due waits behind one that is not, as bytes on a line do.
        while coming and coming[0][0] <= now_s:
            out += coming.popleft()[1]
        return out


class Cutter:
    """Bytes to messages for a terminator of any kind."""

    def __init__(self, terminator: bytes) -> None:
        self._framer = Framer() if terminator == b"\n" else None
        self._terminator = terminator
        self._held = b""

    def feed(self, data: bytes, *, end: bool = False) -> Iterator[bytes | Overrun]:
        """The messages completed by these bytes, in order; Overrun in the place of one that was too long."""
        if self._framer is not None:
            yield from self._framer.feed(data, end=end)
            return
        *messages, held = (self._held + data).split(self._terminator)
        if end and held.strip(TERMINATOR_CHARACTERS.encode()):
            messages, held = [*messages, held], b""
        self._held = held
        for message in messages:
            yield message if len(message) <= BUFFER_BYTES else Overrun()
        if len(held) > BUFFER_BYTES:
            self._held = b""
            yield Overrun()
