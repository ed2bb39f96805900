"""Lines of the guard's own to the instruments, and what their answers mean. Standard library only; nothing of this
project but the guard imports it, and it imports nothing of this project: a fault in a driver must not be in both.

Reached are TCP sockets, serial ports and HiSLIP (IVI-6.1). An answer that is not understood is never taken for "off".
"""

from __future__ import annotations

import math
import os
import re
import select
import socket
import struct
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

CONNECT_S = 0.5
REPLY_S = 0.8
"""Longest wait for a whole answer, s; the drivers' own deadline."""

FRESH_APART_S = 0.2
"""Two readings of a current this far apart are two readings, s."""

SILENCE_S = 0.02
"""After a whole line: nothing more within this, s, and it was the last."""

MOST_BYTES = 65_536

_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:E[+-]?\d+)?)\s*([A-Z]*)", re.ASCII)
_AMPS = {"": 1.0, "A": 1.0, "MA": 1e-3, "UA": 1e-6, "KA": 1e3}
_HEADER = struct.Struct("!2sBBIQ")
_INITIALIZE, _INITIALIZED, _DATA, _DATA_END, _ASYNC_INITIALIZE, _ASYNC_INITIALIZED = 0, 1, 6, 7, 17, 18
_FIRST_ID = 0xFFFF_FF00


# -- what an answer means --------------------------------------------------------------------------------------------


def last_line(held: bytes, terminator: bytes, *, echo: bytes = b"", silent: bool = False) -> bytes | None:
    """The last whole line that says something and is not the echo of what was sent; ``None`` when there is none yet.
    Without a terminator all that came is one line. ``silent``: what came last is whole, since no more came."""
    lines = held.split(terminator)[: None if silent else -1] if terminator else [held]
    said = [line.replace(b"\0", b"").strip() for line in lines]
    return next((line for line in reversed(said) if line and line != echo.strip()), None)


def inner(reply: str, form: str) -> str | None:
    """What stands at the one group of ``form``, a pattern of the whole answer; ``None`` when the answer is another."""
    found = re.fullmatch(form, reply.strip(), re.DOTALL | re.IGNORECASE)
    return None if found is None else found[1]


def word(text: str) -> str:
    """A word as answers are compared: capitals, no quotes around it, whole numbers in their shortest form."""
    plain = text.strip().strip('"').strip().upper()
    digits = plain.lstrip("+-")
    if digits.isascii() and digits.isdecimal() and len(plain) - len(digits) <= 1 and len(digits) <= 18:
        return str(int(plain))
    return plain


def number(text: str, *, comma: bool = False, units: dict[str, float] = _AMPS) -> float:
    """A number with or without its unit; nan for everything else."""
    plain = text.strip().upper()
    found = _NUMBER.fullmatch(plain.replace(",", ".", 1) if comma else plain)
    if found is None or found[2] not in units:
        return math.nan
    value = float(found[1]) * units[found[2]]
    return value if math.isfinite(value) else math.nan


def says_off(reply: str, told: dict[str, Any]) -> bool | None:
    """Whether the answer means off: one of its words, or a bit that is 0; ``None`` when it means nothing."""
    if told.get("bit") is None:
        said = word(reply)
        return True if said in told["off_replies"] else False if said in told["on_replies"] else None
    found = inner(reply, told["form"])
    value = math.nan if found is None else number(found, units={"": 1.0})
    if not (0 <= value < 2.0**53 and value.is_integer()):
        return None
    return not int(value) >> told["bit"] & 1


def amps_said(reply: str, told: dict[str, Any]) -> float:
    """The current an answer tells, A; nan when it tells none."""
    found = inner(reply, told["form"])
    per_unit = told["per_unit"]
    units = _AMPS if per_unit == 1.0 else {"": 1.0}
    return math.nan if found is None else number(found, comma=told["comma"], units=units) / per_unit


def is_zero(amps: list[float], limit: float) -> bool:
    """Written so that a current that cannot be read is not zero; none at all is not either."""
    return bool(amps) and all(abs(one) <= limit for one in amps)


# -- lines -----------------------------------------------------------------------------------------------------------


class Line:
    """A line to one instrument, opened by whoever needs it; several outputs of one instrument share it, each holding
    ``lock`` while it speaks. All raise ``OSError``."""

    def __init__(self, way: dict[str, Any]) -> None:
        self.way = way
        self.lock = threading.RLock()
        self.is_open = False
        self._terminator = bytes.fromhex(way["terminator"])
        self._socket: socket.socket | None = None
        self._beside: socket.socket | None = None
        self._fd = -1
        self._id = _FIRST_ID
        self._delivered = 0

    def open(self) -> None:
        """Open it, and wait for as long as the instrument is deaf after that."""
        if self.is_open:
            return
        try:
            if self.way["kind"] == "serial":
                self._fd = os.open(self.way["device"], os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
                set_up(self._fd, self.way)
            else:
                self._socket = self._connected()
                self._fd = self._socket.fileno()
                if self.way["kind"] == "hislip":
                    self._introduce()
        except BaseException:
            self.close()
            raise
        self.is_open = True
        if self.way["boot_s"]:
            time.sleep(self.way["boot_s"])

    def _connected(self) -> socket.socket:
        one = socket.create_connection((self.way["host"], self.way["port"]), timeout=CONNECT_S)
        one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return one

    def _introduce(self) -> None:
        """The two channels of HiSLIP (IVI-6.1, 6.1): the second names the session of the first."""
        self._put(self._socket, _INITIALIZE, 0x0100 << 16 | 0x4E42, self.way["device"].encode())
        session = self._take(self._socket, _INITIALIZED)[0] & 0xFFFF
        self._beside = self._connected()
        self._put(self._beside, _ASYNC_INITIALIZE, session, b"")
        self._take(self._beside, _ASYNC_INITIALIZED)
        self._id, self._delivered = _FIRST_ID, 0

    @staticmethod
    def _put(to: socket.socket | None, kind: int, parameter: int, payload: bytes, control: int = 0) -> None:
        assert to is not None
        to.sendall(_HEADER.pack(b"HS", kind, control, parameter, len(payload)) + payload)

    @staticmethod
    def _take(of: socket.socket | None, *kinds: int) -> tuple[int, bytes, int]:
        """Parameter, payload and kind of the next message, which must be of these kinds."""
        assert of is not None
        head = _exactly(of, _HEADER.size)
        prologue, kind, _, parameter, length = _HEADER.unpack(head)
        if prologue != b"HS" or length > MOST_BYTES:
            raise ConnectionError(f"no HiSLIP: {head!r}")
        payload = _exactly(of, length)
        if kind not in kinds:
            raise ConnectionError(f"HiSLIP message {kind} where {kinds} is due")
        return parameter, payload, kind

    def send(self, data: bytes) -> None:
        """Send it within the time of a reply."""
        if self.way["pace_s"]:
            time.sleep(self.way["pace_s"])
        if self.way["kind"] == "hislip":
            # The control bit says that the last answer was read (IVI-6.1, RMT-delivered).
            self._put(self._socket, _DATA_END, self._id, data, self._delivered)
            self._delivered, self._id = 0, (self._id + 2) & 0xFFFF_FFFF
            return
        until = time.monotonic() + REPLY_S
        while data:
            if not select.select((), (self._fd,), (), max(0.0, until - time.monotonic()))[1]:
                raise TimeoutError("cannot be written to")
            data = data[os.write(self._fd, data) :]

    def ask(self, data: bytes) -> bytes:
        """Send it and return the answer, b"" for none. What stood on the line before is thrown away."""
        if self.way["kind"] == "hislip":
            self.send(data)
            return self._message()
        self._drain()
        self.send(data)
        until, held, wait_s = time.monotonic() + REPLY_S, b"", REPLY_S
        echo = data if self.way["echo"] else b""
        while (left := until - time.monotonic()) > 0 and len(held) < MOST_BYTES:
            if not select.select((self._fd,), (), (), min(left, wait_s))[0]:
                break
            came = os.read(self._fd, 4096)
            if not came:
                raise ConnectionError("hung up")
            held += came
            wait_s = self._after(held, echo)
        return last_line(held, self._terminator, echo=echo, silent=self.way["gap_s"] is not None) or b""

    def _after(self, held: bytes, echo: bytes) -> float:
        """How long to go on listening, s."""
        if self.way["gap_s"] is not None:
            return float(self.way["gap_s"])
        return REPLY_S if last_line(held, self._terminator, echo=echo) is None else SILENCE_S

    def _message(self) -> bytes:
        assert self._socket is not None
        self._socket.settimeout(REPLY_S)
        held = b""
        try:
            while True:
                _, payload, kind = self._take(self._socket, _DATA, _DATA_END)
                held += payload
                if kind == _DATA_END:
                    self._delivered = 1
                    return held.strip()
        except TimeoutError:
            self.close()  # its answer may still come, to the next question
            return b""

    def _drain(self) -> None:
        while select.select((self._fd,), (), (), 0)[0]:
            if not os.read(self._fd, 4096):
                raise ConnectionError("hung up")

    def close(self) -> None:
        """Never raises."""
        with suppress(OSError):
            if self._socket is None and self._fd >= 0:
                os.close(self._fd)
        for one in (self._socket, self._beside):
            with suppress(OSError):
                if one is not None:
                    one.close()
        self._socket = self._beside = None
        self._fd, self.is_open = -1, False


def _exactly(of: socket.socket, size: int) -> bytes:
    held = b""
    while len(held) < size:
        came = of.recv(size - len(held))
        if not came:
            raise ConnectionError("hung up")
        held += came
    return held


def set_up(fd: int, way: dict[str, Any]) -> None:
    """Settings of a serial port, all at once (POSIX termios). A pseudo-terminal takes not all of them."""
    import termios
    import tty

    with suppress(termios.error):
        tty.setraw(fd)
        found = termios.tcgetattr(fd)
        found[4] = found[5] = getattr(termios, f"B{way['baud']}")
        found[0] &= ~(termios.IXON | termios.IXOFF)
        found[0] |= termios.IXON | termios.IXOFF if way["flow"] == "xon_xoff" else 0
        handshake = getattr(termios, "CRTSCTS", 0)
        # Without HUPCL the modem lines stay up when it is closed: their rise restarts many an instrument.
        found[2] &= ~(termios.CSIZE | termios.PARENB | termios.PARODD | termios.CSTOPB | termios.HUPCL | handshake)
        found[2] |= {5: termios.CS5, 6: termios.CS6, 7: termios.CS7}.get(way["data_bits"], termios.CS8)
        found[2] |= {"even": termios.PARENB, "odd": termios.PARENB | termios.PARODD}.get(way["parity"], 0)
        found[2] |= termios.CSTOPB if way["stop_bits"] == 2 else 0
        found[2] |= handshake if way["flow"] == "rts_cts" else 0
        found[2] |= termios.CLOCAL | termios.CREAD
        termios.tcsetattr(fd, termios.TCSANOW, found)
        termios.tcflush(fd, termios.TCIFLUSH)


# -- outputs ---------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Output:
    """One instrument to be switched off: how it is reached, what is sent, what is asked and what means off."""

    name: str
    line: Line
    told: dict[str, Any]
    sent: threading.Event = field(default_factory=threading.Event)
    off: threading.Event = field(default_factory=threading.Event)
    tries: int = 0
    sent_s: float = math.nan
    amps: float = math.nan
    amps_utc: str = "never"
    last: str = "no answer"
    nobody_there: bool = False

    def switch_off(self) -> bool:
        """Send it; a line that fails is opened anew once. True when it went out. Never raises."""
        self.tries += 1
        return self._within(self.told["off"]) or self._within(self.told["off"])

    def soften(self) -> None:
        """Tell it its lowest current: second best when it does not go off. Never raises."""
        self._within(self.told["soften"])

    def _within(self, messages: list[list[Any]]) -> bool:
        try:
            with self.line.lock:
                self._say(messages)
                self.nobody_there = False
                return True
        except Exception as error:  # whatever one line does, the others are still told
            self._lost(error)
            return False

    def look(self) -> None:
        """Ask whether it is off, and for its current twice. Never raises."""
        try:
            reply = self._ask("ask")
            said = says_off(reply, self.told["ask"])
            amps = [] if self.told["amps"] is None else [self._amps(), self._amps()]
            quiet = self.told["amps"] is None or is_zero(amps, self.told["zero_amps"])
            said_words = {True: "says off", False: "says ON", None: f"answers {reply[:40]!r}"}[said]
            self.last = ", ".join([said_words, *(f"{one:.3f} A" if one == one else "no current" for one in amps)])
            if said is True and quiet:
                self.off.set()
        except Exception as error:
            self._lost(error)

    def _amps(self) -> float:
        time.sleep(FRESH_APART_S)
        amps = amps_said(self._ask("amps"), self.told["amps"])
        if amps == amps:
            self.amps, self.amps_utc = amps, clock()
        return amps

    def _ask(self, what: str) -> str:
        *before, (question, _) = self.told[what]["messages"]
        with self.line.lock:
            self._say(before)
            self.line.open()
            return self.line.ask(bytes.fromhex(question)).decode("ascii", "replace")

    def _say(self, messages: list[list[Any]]) -> None:
        if not self.line.is_open:
            self.line.open()
            self.each(self.told["begin"])
        self.each(messages)

    def each(self, messages: list[list[Any]]) -> None:
        for message, answered in messages:
            # An answer to an order is taken off the line; whatever it says, "off" goes on.
            (self.line.ask if answered else self.line.send)(bytes.fromhex(message))

    def _lost(self, error: Exception) -> None:
        self.last = f"{type(error).__name__}: {error}"
        self.nobody_there = isinstance(error, ConnectionRefusedError | FileNotFoundError)
        self.line.close()


def turns(order: list[tuple[str, float]], kinds: dict[str, str]) -> list[tuple[str, float, bool]]:
    """Name, how long after the one before (s), whether it waits until no current flows: of each in the order, then of
    whoever is not in it."""
    named = [(name, hold_s) for name, hold_s in order if name in kinds]
    rest = [(name, 0.0) for name in kinds if name not in {one for one, _ in named}]
    told = [(name, hold_s, kinds[name] == "contactor") for name, hold_s in [*named, *rest]]
    return sorted(told, key=lambda one: one[2])


def clock() -> str:
    """The calendar time, UTC."""
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
