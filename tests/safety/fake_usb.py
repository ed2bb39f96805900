"""The few calls of the kernel with which a USB instrument is spoken to, and an instrument behind them (USBTMC 1.0; the
calls by the kernel's ``usbdevice_fs.h``, typed here from it once more). Memory at an address is real memory.
"""

from __future__ import annotations

import ctypes
import errno
import os
import struct
from pathlib import Path
from typing import Any

CONTROL, BULK, RELEASE, CLEAR_HALT, CLAIM = 0xC018_5500, 0xC018_5502, 0x8004_5510, 0x8004_5515, 0x8108_551B
"""On a machine of 64 bits: direction, size of the argument, the letter U, the number."""

OUT, INTO = 0x02, 0x81


class Device:
    """``replies`` by message. ``owed``: what is ready to be read; ``asked``: the tag of a read in the middle of which
    the one before was killed; ``halted`` endpoints stall until they are cleared."""

    def __init__(self, replies: dict[bytes, bytes]) -> None:
        self.replies, self.heard, self.trace = replies, [b""][:0], [""][:0]
        self.owed, self.tag, self.asked = b"", 0, 0
        self.halted: set[int] = set()
        self.away = self.deaf = self.refuses_clear = False
        self.pending = 0
        self.right, self.holder, self.claimed, self.fd = True, "", False, 0
        self.piece = 4000

    # -- the calls -----------------------------------------------------------------------------------------------------

    @property
    def calls(self) -> Any:
        return self.open, self.ioctl, self.shut

    def open(self, node: str, flags: int) -> int:
        assert flags & os.O_RDWR
        if not self.right:
            raise PermissionError(errno.EACCES, "Permission denied")
        if self.away:
            raise FileNotFoundError(errno.ENOENT, "No such file", node)
        self.fd += 1
        self.trace.append(f"open {node[-7:]}")
        return self.fd

    def shut(self, fd: int) -> None:
        self.trace.append("shut")

    def ioctl(self, fd: int, code: int, told: bytearray, mutate: bool) -> int:
        assert mutate
        assert fd == self.fd
        assert len(told) == code >> 16 & 0x3FFF, "the size stands in the number of the call"
        if self.away:
            raise OSError(errno.ENODEV, "No such device")
        if code == CLAIM:
            _, flags, name = struct.unpack("@II256s", told)
            assert (flags, name.rstrip(b"\0")) == (2, b"usbfs")
            if self.holder == "usbfs":
                raise OSError(errno.EBUSY, "busy")
            self.holder, self.claimed = "", True
            return 0
        if code == RELEASE and not self.claimed:
            raise OSError(errno.EINVAL, "Invalid argument")
        assert self.claimed, "nothing may be said before the interface is claimed"
        return {CONTROL: self._control, BULK: self._bulk, CLEAR_HALT: self._unhalt, RELEASE: self._release}[code](told)

    def _release(self, told: bytearray) -> int:
        self.claimed = False
        self.trace.append("release")
        return 0

    def _unhalt(self, told: bytearray) -> int:
        self.halted.discard(struct.unpack("@I", told)[0])
        return 0

    def _control(self, told: bytearray) -> int:
        kind, request, value, interface, size, within_ms, at = struct.unpack("@BBHHHIP", told)
        assert (kind, value, interface) == (0xA1, 0, 0)
        assert within_ms > 0
        if self.refuses_clear:
            raise BrokenPipeError(errno.EPIPE, "stalled")
        if request == 5:
            self.trace.append("clear")
            self.owed, self.asked = b"", 0
            self.halted.add(OUT)  # until it is told that the clear was heard of
            answer = bytes([1])
        else:
            assert request == 6
            answer = bytes([2, 1]) if self.pending else bytes([1, 0])
        assert size == len(answer)
        ctypes.memmove(at, answer, size)
        return int(size)

    def _bulk(self, told: bytearray) -> int:
        endpoint, size, within_ms, at = struct.unpack("@IIIP", told)
        assert within_ms > 0
        if endpoint == INTO and self.pending:
            self.pending -= 1
            return 0
        if endpoint in self.halted:
            raise BrokenPipeError(errno.EPIPE, "stalled")
        if self.deaf:
            raise TimeoutError(errno.ETIMEDOUT, "timed out")
        if endpoint == OUT:
            self._hear(ctypes.string_at(at, size))
            return int(size)
        assert endpoint == INTO
        assert size % 64 == 0, "whole packets only: what is more than fits is lost"
        answer = self._answer()
        ctypes.memmove(at, answer, len(answer))
        return len(answer)

    # -- the instrument ------------------------------------------------------------------------------------------------

    def _hear(self, sent: bytes) -> None:
        assert len(sent) % 4 == 0
        kind, tag, inverse, zero, size, attributes = struct.unpack_from("<BBBBIB", sent)
        assert (tag ^ inverse, zero) == (0xFF, 0)
        assert tag not in (0, self.tag)
        self.tag = tag
        if kind == 2:
            assert len(sent) == 12
            self.asked = self.asked or tag
            return
        assert (kind, attributes, len(sent)) == (1, 1, 12 + size + -size % 4)
        line = sent[12 : 12 + size].strip()
        self.heard.append(line)
        self.owed = self.replies.get(line, b"") or self.owed

    def _answer(self) -> bytes:
        if not self.asked or not self.owed:
            raise TimeoutError(errno.ETIMEDOUT, "timed out")
        tag, self.asked = self.asked, 0
        piece, self.owed = self.owed[: self.piece], self.owed[self.piece :]
        if tag != self.tag:
            self.asked = self.tag  # the read of one that is dead is answered first
        head = struct.pack("<BBBBIB3x", 2, tag, tag ^ 0xFF, 0, len(piece), 0 if self.owed else 1)
        return head + piece + b"\0" * (-len(piece) % 4)


def plug(root: Path, name: str, *, number: int, serial: str = "A1", subclass: str = "03") -> Path:
    """The kernel's own files of one device."""
    place = root / name
    interface = place / f"{name}:1.0"
    files = {
        place: {"idVendor": "1234", "idProduct": "5678", "serial": serial, "busnum": "1", "devnum": str(number)},
        interface: {"bInterfaceClass": "fe", "bInterfaceSubClass": subclass, "bInterfaceNumber": "00"},
        interface / "ep_02": {"type": "Bulk", "bEndpointAddress": "02", "wMaxPacketSize": "0040"},
        interface / "ep_81": {"type": "Bulk", "bEndpointAddress": "81", "wMaxPacketSize": "0040"},
        interface / "ep_83": {"type": "Interrupt", "bEndpointAddress": "83", "wMaxPacketSize": "0002"},
    }
    for folder, told in files.items():
        folder.mkdir(parents=True, exist_ok=True)
        for key, text in told.items():
            (folder / key).write_text(f"{text}\n")
    return place
