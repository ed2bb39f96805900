"""An instrument behind a pseudo-terminal, which a client opens as a serial port.

Bytes are paced to the baud rate of the instrument's manners, both ways, in machine time. The instrument's side outlives
every opening: half a message and a late reply are still there for the next client, as on a real line; what comes while
nobody has the port open is lost, and so is what a client had not read when it closed. A client that sets another rate
than the instrument's reads and sends rubbish. On Linux openings and closings are seen (``sims/openings.py``); elsewhere
the port counts as always open and the control connection must say ``reopen NAME``.

Not modelled: control lines (DTR, RTS, break), parity, data and stop bits, flow control, a limit on clients and idle
lines (a serial line has no connections). A port that is closed and opened again within the same millisecond may not
have been closed for the instrument: the next client then gets what the last one had not read.
"""

from __future__ import annotations

import os
import selectors
import termios
import tty

from sims.line_manners import SERIAL, Line, Port
from sims.openings import OPENED, Openings
from sims.serial_line import PacedLine
from sims.serve_loop import CHUNK_BYTES, UNREAD_BYTES, Loop

SPEED_AT = 5
"""Place of the output speed in what ``termios.tcgetattr`` gives."""

RATES = {int(name[1:]): getattr(termios, name) for name in dir(termios) if name[:1] == "B" and name[1:].isdecimal()}
"""Speed constants of this system, by bit/s."""
del RATES[0]  # "hang up" is no rate

WRONG_RATE_BITS = 0x5A
"""What a byte read at a wrong rate is spoiled with: any pattern will do, so long as no message survives it."""


class PtyDoor:
    """One port. ``address`` is its VISA resource name, ``sees_openings`` whether openings are noticed."""

    is_control = False

    def __init__(self, loop: Loop, port: Port) -> None:
        self._loop, self._port = loop, port
        self._baud = port.manners.baud
        self._in, self._out = PacedLine(baud=self._baud), PacedLine(baud=self._baud)
        self._unsent = b""
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self._set_rate()
        os.set_blocking(self._master, False)
        path = os.ttyname(self._slave)
        self.address = f"ASRL{path}::INSTR"
        self._session = port.connect(SERIAL)
        self._openings = Openings(path)
        self._clients = 0 if self.sees_openings else 1
        loop.watch(self._master, self)
        if self.sees_openings:
            loop.watch(self._openings.fd, _Ear(self))
        loop.add(self)

    @property
    def sees_openings(self) -> bool:
        """False where the system does not tell; then ``reopened`` must be called."""
        return self._openings.fd >= 0

    @property
    def due_s(self) -> float | None:
        """When the next bytes have come over the line, or the instrument's next reply is due."""
        late = self._late
        if late is None and not (self._in.busy or self._out.busy):
            return None
        return min(due_s for due_s in (self._in.due_s, self._out.due_s, late) if due_s is not None)

    def ready(self, events: int) -> None:
        """There is something to read, or room to write."""
        self.hear_openings()
        if events & selectors.EVENT_READ:
            self._read()
        self.look()

    def look(self) -> None:
        """Hand over what has come over the line by now, either way."""
        if self._late is None and not (self._in.busy or self._out.busy or self._unsent):
            return
        now_s = self._loop.line_now()
        self._obey(self._in.take(now_s=now_s))
        self._out_of_the_door(self._out.take(now_s=now_s))

    def drain(self) -> bool:
        """Carry out what was sent, without waiting for its last byte to come over a slow line."""
        self.hear_openings()
        self._read()
        sent = self._in.take_all()
        self._obey(sent)
        return bool(sent)

    def reopened(self) -> None:
        """Do what the instrument does at an opening of its port."""
        self._port.opened(self._session)
        self.look()

    def hear_openings(self) -> None:
        """Follow what clients did to the port."""
        closed = False
        for what in self._openings.happened():
            if what == OPENED:
                self._clients += 1
                self._port.opened(self._session)
            else:
                self._clients, closed = max(0, self._clients - 1), True
        if closed and not self._clients:
            # A port that is closed keeps nothing for the next to open it.
            self._read()
            self.look()
            self._unsent = b""
            self._loop.want_to_write(self._master, self, False)
            termios.tcflush(self._slave, termios.TCIFLUSH)

    def close(self) -> None:
        """Unplug the line. Twice is fine."""
        if self._master >= 0:
            self._loop.forget(self._master)
            for fd in (self._master, self._slave):
                os.close(fd)
            self._master = -1
            self._session.hang_up()

    def close_ear(self) -> None:
        """Listen for openings no more."""
        if self.sees_openings:
            self._loop.forget(self._openings.fd)
            self._openings.close()

    @property
    def _late(self) -> float | None:
        """When a slow instrument's next reply is due; None when it owes none."""
        return self._session.due_s if isinstance(self._session, Line) else None

    def _read(self) -> None:
        # A read, unlike a look at what is ready, also fetches what the kernel has not yet handed over.
        try:
            data = os.read(self._master, CHUNK_BYTES)
        except (BlockingIOError, OSError):
            return
        self._in.put(self._at_rate(data), now_s=self._loop.line_now())

    def _obey(self, data: bytes) -> None:
        if data or self._late is not None:
            self._out.put(self._session.feed(data), now_s=self._loop.line_now())

    def _out_of_the_door(self, data: bytes) -> None:
        if not self._clients or not (data or self._unsent):
            return
        self._unsent += self._at_rate(data)
        if self._unsent:
            try:
                self._unsent = self._unsent[os.write(self._master, self._unsent) :]
            except BlockingIOError:
                self._unsent = self._unsent[-UNREAD_BYTES:]
        self._loop.want_to_write(self._master, self, bool(self._unsent))

    def _set_rate(self) -> None:
        if self._baud in RATES:
            state = termios.tcgetattr(self._slave)
            state[SPEED_AT - 1] = state[SPEED_AT] = RATES[self._baud]
            termios.tcsetattr(self._slave, termios.TCSANOW, state)

    def _at_rate(self, data: bytes) -> bytes:
        """What arrives of bytes when both ends agree on the rate, or do not."""
        if not data or self._baud not in RATES:
            return data
        if termios.tcgetattr(self._slave)[SPEED_AT] == RATES[self._baud]:
            return data
        return bytes(byte ^ WRONG_RATE_BITS for byte in data)


class _Ear:
    """The file by which openings are told."""

    is_control = False

    def __init__(self, door: PtyDoor) -> None:
        self._door = door

    def ready(self, events: int) -> None:
        self._door.hear_openings()
        self._door.look()

    def close(self) -> None:
        self._door.close_ear()
