"""Lines of the guard's own to the instruments. Standard library only; imports nothing of this project but what answers
mean: a fault in a driver must not be in both. Spoken here are TCP sockets, serial ports and HiSLIP (IVI-6.1); lines of
whole messages have a file each (``WHOLE``).
"""

from __future__ import annotations

import os
import select
import socket
import struct
import threading
import time
from contextlib import suppress
from typing import Any

from harness.guard_answers import last_line
from harness.guard_usb import UsbTmc
from harness.guard_vxi11 import Vxi11

CONNECT_S = 0.5
REPLY_S = 0.8
"""Longest wait for a whole answer, s; the drivers' own deadline."""

SILENCE_S = 0.02
"""After a whole line: nothing more within this, s, and it was the last."""

MOST_BYTES = 65_536

_HEADER = struct.Struct("!2sBBIQ")
_INITIALIZE, _INITIALIZED, _DATA, _DATA_END, _ASYNC_INITIALIZE, _ASYNC_INITIALIZED = 0, 1, 6, 7, 17, 18
_FIRST_ID = 0xFFFF_FF00

WHOLE: dict[str, Any] = {"vxi11": Vxi11, "usb": UsbTmc}
"""Kinds of line that know where a message ends: opened, sent, read (``None`` for nothing) and closed as a whole."""


class Line:
    """A line to one instrument, opened by whoever needs it; several outputs of one instrument share it, each holding
    ``lock`` while it speaks. All raise ``OSError``."""

    def __init__(self, way: dict[str, Any]) -> None:
        self.way = way
        self.lock = threading.RLock()
        self.is_open = False
        self._terminator = bytes.fromhex(way["terminator"])
        made = WHOLE.get(way["kind"])
        self._whole = made and made(way, connect_s=CONNECT_S, reply_s=REPLY_S, most_bytes=MOST_BYTES)
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
            if self._whole:
                self._whole.open()
            elif self.way["kind"] == "serial":
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
        session = self._take(self._socket, time.monotonic() + CONNECT_S, _INITIALIZED)[0] & 0xFFFF
        self._beside = self._connected()
        self._put(self._beside, _ASYNC_INITIALIZE, session, b"")
        self._take(self._beside, time.monotonic() + CONNECT_S, _ASYNC_INITIALIZED)
        self._id, self._delivered = _FIRST_ID, 0

    @staticmethod
    def _put(to: socket.socket | None, kind: int, parameter: int, payload: bytes, control: int = 0) -> None:
        assert to is not None
        to.settimeout(REPLY_S)
        to.sendall(_HEADER.pack(b"HS", kind, control, parameter, len(payload)) + payload)

    @staticmethod
    def _take(of: socket.socket | None, until: float, *kinds: int) -> tuple[int, bytes, int]:
        """Parameter, payload and kind of the next message, which must be of these kinds."""
        assert of is not None
        head = _exactly(of, _HEADER.size, until)
        prologue, kind, _, parameter, length = _HEADER.unpack(head)
        if prologue != b"HS" or length > MOST_BYTES:
            raise ConnectionError(f"no HiSLIP: {head!r}")
        payload = _exactly(of, length, until)
        if kind not in kinds:
            raise ConnectionError(f"HiSLIP message {kind} where {kinds} is due")
        return parameter, payload, kind

    def send(self, data: bytes) -> None:
        """Send it within the time of a reply."""
        if self.way["pace_s"]:
            time.sleep(self.way["pace_s"])
        if self._whole:
            self._whole.send(data)
            return
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
        if self._whole:
            self.send(data)
            if (came := self._whole.read()) is None:
                self.close()  # its answer may still come, to the next question
            return (came or b"").strip()
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
        until, held = time.monotonic() + REPLY_S, b""
        try:
            while True:
                _, payload, kind = self._take(self._socket, until, _DATA, _DATA_END)
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
        if self._whole:
            self._whole.close()
        with suppress(OSError):
            if self._socket is None and self._fd >= 0:
                os.close(self._fd)
        for one in (self._socket, self._beside):
            with suppress(OSError):
                if one is not None:
                    one.close()
        self._socket = self._beside = None
        self._fd, self.is_open = -1, False


def _exactly(of: socket.socket, size: int, until: float) -> bytes:
    """A time-out of the socket's own would start anew with each byte."""
    held = b""
    while len(held) < size:
        if not (left_s := until - time.monotonic()) > 0:
            raise TimeoutError("no answer")
        of.settimeout(left_s)
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
