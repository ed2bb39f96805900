"""USB test and measurement instruments (USBTMC 1.0) as the guard speaks them on Linux: by the calls of usbfs (the
kernel's ``usbdevice_fs.h``). Standard library only; numbers of the class from memory. Never tried on hardware.

An instrument is known by maker, model and serial number and looked for anew at each opening: one that was away has
another number. Nothing waits longer than it was given.
"""

from __future__ import annotations

import ctypes
import errno
import os
import struct
import time
from contextlib import suppress
from typing import Any

from harness.guard_usb_place import NODES, ROOT, Place, find

try:
    from fcntl import ioctl
except ImportError:  # not on this system, where no way leads here
    ioctl = None  # type: ignore[assignment]

_CONTROL, _BULK, _CLAIM = struct.Struct("@BBHHHIP"), struct.Struct("@IIIP"), struct.Struct("@II256s")
_NUMBER = struct.Struct("@I")


def _code(direction: int, number: int, size: int) -> int:
    """Of a call, as on x86, ARM and RISC-V (asm-generic/ioctl.h)."""
    return direction << 30 | size << 16 | ord("U") << 8 | number


CONTROL, BULK = _code(3, 0, _CONTROL.size), _code(3, 2, _BULK.size)
RELEASE, CLEAR_HALT = _code(2, 16, _NUMBER.size), _code(2, 21, _NUMBER.size)
DISCONNECT_CLAIM = _code(2, 27, _CLAIM.size)
EXCEPT_DRIVER = 2
"""Flag: a driver of this name keeps it."""

OF_CLASS_IN = 0xA1
"""bmRequestType: a request of the class to an interface, answered by the device."""

INITIATE_CLEAR, CHECK_CLEAR_STATUS = 5, 6
SUCCESS, PENDING = 1, 2
DEV_DEP_MSG_OUT, REQUEST_DEV_DEP_MSG_IN, DEV_DEP_MSG_IN = 1, 2, 2
END_OF_MESSAGE = 1
HEADER = struct.Struct("<BBBxIB3x")
"""MsgID, bTag, its inverse, length of what follows, attributes."""

MOST_AT_ONCE = 4080
POLL_S = 0.01


class UsbTmc:
    """One instrument. All raise ``OSError``. ``way`` tells ``maker``, ``model``, ``serial`` and ``interface``."""

    def __init__(
        self,
        way: dict[str, Any],
        *,
        connect_s: float,
        reply_s: float,
        most_bytes: int,
        root: str = ROOT,
        nodes: str = NODES,
        calls: Any = None,
    ) -> None:
        self._way, self._connect_s, self._reply_s, self._most = way, connect_s, reply_s, most_bytes
        self._root, self._nodes = root, nodes
        given: tuple[Any, Any, Any] = calls or (os.open, ioctl, os.close)
        self._open, self._ioctl, self._shut = given
        self._fd = -1
        self._place: Place | None = None
        self._tag = os.getpid() % 255
        self._clears = True

    def open(self) -> None:
        """Find it, take it from the kernel's own driver, and end whatever was left in the middle."""
        self._place = find(self._way, root=self._root, nodes=self._nodes)
        try:
            self._fd = self._open(self._place.node, os.O_RDWR | os.O_CLOEXEC)
        except PermissionError as error:
            why = f"no right to {self._place.node}: a udev rule must give it to whoever starts the run"
            raise PermissionError(error.errno, f"USB: {why}") from error
        try:
            # Another program that has it keeps it: only the dead run's claim is gone with it.
            self._do(DISCONNECT_CLAIM, _CLAIM.pack(self._place.interface, EXCEPT_DRIVER, b"usbfs"))
        except OSError as error:
            if error.errno == errno.EBUSY:
                raise OSError(errno.EBUSY, "USB: held by another program") from error
            raise
        self._begin(self._place)

    def _begin(self, place: Place) -> None:
        if self._clears:
            self._clears = False  # once it has kept off waiting, it does not again
            try:
                self._clear(place, time.monotonic() + self._connect_s)
                self._clears = True
            except OSError as error:
                if error.errno == errno.ENODEV:
                    self._clears = True
                    raise
        for endpoint in (place.out, place.into):
            with suppress(OSError):
                self._do(CLEAR_HALT, _NUMBER.pack(endpoint))

    def _clear(self, place: Place, until: float) -> None:
        """4.2.1.6 and 4.2.1.7 of USBTMC: what was asked before, by whoever it was, gets no answer any more."""
        status = self._control(INITIATE_CLEAR, 1, until)[0]
        if status != SUCCESS:
            raise ConnectionError(f"USB: not to be cleared (status {status:#04x})")
        while (told := self._control(CHECK_CLEAR_STATUS, 2, until))[0] == PENDING:
            if told[1] & 1:
                self._bulk(place.into, bytearray(place.packet), until)
            time.sleep(POLL_S)
        if told[0] != SUCCESS:
            raise ConnectionError(f"USB: not cleared (status {told[0]:#04x})")

    def send(self, data: bytes) -> None:
        """Write one message."""
        self._out(DEV_DEP_MSG_OUT, len(data), END_OF_MESSAGE, data, time.monotonic() + self._reply_s)

    def read(self) -> bytes | None:
        """One whole message; ``None`` when there is none in time."""
        until, held = time.monotonic() + self._reply_s, b""
        try:
            while len(held) < self._most:
                self._out(REQUEST_DEV_DEP_MSG_IN, MOST_AT_ONCE, 0, b"", until)
                piece, last = self._in(until)
                held += piece
                if last:
                    return held
        except TimeoutError:
            pass
        return None

    def _out(self, message: int, size: int, attributes: int, data: bytes, until: float) -> None:
        self._tag = self._tag % 255 + 1
        whole = HEADER.pack(message, self._tag, self._tag ^ 0xFF, size, attributes) + data
        whole += b"\0" * (-len(whole) % 4)
        took = self._bulk(self._used().out, bytearray(whole), until)
        if took != len(whole):
            raise ConnectionError(f"USB: {took} of {len(whole)} bytes were taken")

    def _in(self, until: float) -> tuple[bytes, bool]:
        """What was asked for, and whether it is the last of its message. What answers an earlier request is thrown
        away."""
        while True:
            packet = self._used().packet
            buffer = bytearray((MOST_AT_ONCE + HEADER.size) // packet * packet + 2 * packet)
            came = bytes(buffer[: self._bulk(self._used().into, buffer, until)])
            if len(came) < HEADER.size:
                raise ConnectionError(f"USB: too short an answer ({len(came)} bytes)")
            message, tag, inverse, size, attributes = HEADER.unpack_from(came)
            if message != DEV_DEP_MSG_IN or tag ^ inverse != 0xFF or size > len(came) - HEADER.size:
                raise ConnectionError(f"USB: no such answer: {came[: HEADER.size].hex()}")
            if tag == self._tag:
                return came[HEADER.size :][:size], bool(attributes & END_OF_MESSAGE)

    def _control(self, request: int, size: int, until: float) -> bytes:
        buffer = bytearray(size)
        place = (ctypes.c_char * size).from_buffer(buffer)
        asked = (OF_CLASS_IN, request, 0, self._used().interface, size, _ms(until), ctypes.addressof(place))
        if self._do(CONTROL, _CONTROL.pack(*asked)) != size:
            raise ConnectionError("USB: too short an answer to a control request")
        return bytes(buffer)

    def _bulk(self, endpoint: int, buffer: bytearray, until: float) -> int:
        place = (ctypes.c_char * len(buffer)).from_buffer(buffer)
        return self._do(BULK, _BULK.pack(endpoint, len(buffer), _ms(until), ctypes.addressof(place)))

    def _do(self, code: int, told: bytes) -> int:
        # Something that may be written to: only then is the answer the number that came of it.
        return int(self._ioctl(self._fd, code, bytearray(told), True))

    def _used(self) -> Place:
        if self._place is None or self._fd < 0:
            raise ConnectionError("USB: not open")
        return self._place

    def close(self) -> None:
        """Never raises."""
        if self._fd < 0:
            return
        with suppress(OSError):
            self._do(RELEASE, _NUMBER.pack(self._used().interface))
        with suppress(OSError):
            self._shut(self._fd)
        self._fd, self._place = -1, None


def _ms(until: float) -> int:
    """Left, in ms; never 0, which means without end."""
    left_s = until - time.monotonic()
    if not left_s > 0:
        raise TimeoutError("no answer")
    return max(1, round(1000 * left_s))
