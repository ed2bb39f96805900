"""VXI-11 (revision 1.0, VXIbus Consortium 1995) as the guard speaks it: a link over ONC RPC on TCP (RFC 5531, XDR by
RFC 4506), its port from the port mapper (RFC 1833) or the address. Standard library only; numbers from memory.

Two rules: no call waits longer than it was given, and a call that got no answer ends the connection, so that no answer
is taken for another's.
"""

from __future__ import annotations

import os
import socket
import struct
import time
from contextlib import suppress
from typing import Any

PORT_MAPPER, PORT_MAPPER_PORT, GETPORT = (100_000, 2), 111, 3
TCP = 6
CORE = (0x0607AF, 1)
"""Program and version of the core channel."""

CREATE_LINK, DEVICE_WRITE, DEVICE_READ, DEVICE_READSTB, DEVICE_CLEAR, DESTROY_LINK = 10, 11, 12, 13, 15, 23
END = 8
"""Flag: these are the last bytes of a message."""

READ_TO_END = 4
IO_TIMEOUT = 15
MESSAGE_AVAILABLE = 16
"""IEEE 488.2, 11.2.1."""

LAST_FRAGMENT = 1 << 31
CLOSE_S = 0.1

_ERRORS = {
    1: "syntax error",
    3: "no such device behind this host",
    4: "link not known",
    5: "parameter error",
    8: "not supported",
    9: "no more links: somebody else holds them",
    11: "locked by somebody else",
    IO_TIMEOUT: "did not take it in time",
    17: "i/o error",
    23: "aborted",
}
_REFUSED = {
    1: "no such program",
    2: "another version",
    3: "no such procedure",
    4: "arguments not understood",
    5: "fault",
}


class Refused(ConnectionError):
    """The instrument answered, by a number that is no success."""


class Vxi11:
    """One link. All raise ``OSError``. ``way`` tells ``host``, ``device`` and ``port``, 0 to ask the port mapper."""

    def __init__(self, way: dict[str, Any], *, connect_s: float, reply_s: float, most_bytes: int) -> None:
        self._way, self._connect_s, self._reply_s, self._most = way, connect_s, reply_s, most_bytes
        self._rpc: Rpc | None = None
        self._link = self._chunk = 0
        self._clears = True

    def open(self) -> None:
        """Connect and create a link. What the one before has left to be read is thrown away."""
        port = self._way["port"] or self._mapped()
        self._rpc = Rpc(self._way["host"], port, CORE, connect_s=self._connect_s, most_bytes=self._most)
        device = self._way["device"].encode("ascii")
        asked = struct.pack("!iIII", os.getpid() & 0x7FFF_FFFF, 0, 0, len(device)) + _padded(device)
        self._link, _, self._chunk = _unpacked("!iII", self._call(CREATE_LINK, asked))
        if self._clears:
            self._clears = False  # once it has kept off waiting, it does not again
            self._forget()
            self._clears = True

    def send(self, data: bytes) -> None:
        """Write one message."""
        size = min(self._chunk or 1024, self._most)
        until = time.monotonic() + self._reply_s
        while data:
            left_s = until - time.monotonic()
            piece, rest = data[:size], data[size:]
            head = struct.pack("!iIIiI", self._link, _ms(left_s), 0, 0 if rest else END, len(piece))
            (took,) = _unpacked("!I", self._call(DEVICE_WRITE, head + _padded(piece), within_s=left_s))
            if not 0 < took <= len(piece):
                raise Refused(f"{took} of {len(piece)} bytes were taken")
            data = data[took:]

    def read(self) -> bytes | None:
        """One whole message; ``None`` when there is none in time."""
        until, held = time.monotonic() + self._reply_s, b""
        while (left_s := until - time.monotonic()) > 0 and len(held) < self._most:
            try:
                reason, piece = self._piece(left_s)
            except Refused as refused:
                if refused.errno == IO_TIMEOUT:
                    return None
                raise
            held += piece
            if reason & READ_TO_END:
                return held
        return None

    def _piece(self, within_s: float) -> tuple[int, bytes]:
        # A little less for the instrument: its own word that there is none keeps the connection.
        asked = struct.pack("!iIIIii", self._link, self._most, _ms(0.9 * within_s), 0, 0, 0)
        came = self._call(DEVICE_READ, asked, within_s=within_s)
        reason, size = _unpacked("!iI", came)
        if size > len(came) - 8:
            raise ConnectionError(f"VXI-11: {size} bytes told, {len(came) - 8} came")
        return reason, came[8 : 8 + size]

    def _forget(self) -> None:
        """Nothing that was asked before must be taken for an answer: the instrument is cleared, or what lies there is
        read where it cannot be."""
        generic = struct.pack("!iiII", self._link, 0, 0, _ms(self._reply_s))
        try:
            self._call(DEVICE_CLEAR, generic)
        except Refused:
            with suppress(Refused):
                if _unpacked("!I", self._call(DEVICE_READSTB, generic))[0] & MESSAGE_AVAILABLE:
                    self._piece(self._reply_s)

    def _call(self, procedure: int, asked: bytes, *, within_s: float | None = None) -> bytes:
        """What comes after the error of the answer, which is 0."""
        if self._rpc is None:
            raise ConnectionError("VXI-11: not connected")
        try:
            came = self._rpc.call(procedure, asked, within_s=self._reply_s if within_s is None else within_s)
            (error,) = _unpacked("!i", came)
        except OSError:
            self._hang_up()
            raise
        if error:
            raise Refused(error, f"VXI-11: {_ERRORS.get(error, f'error {error}')}")
        return came[4:]

    def _mapped(self) -> int:
        mapper = Rpc(self._way["host"], PORT_MAPPER_PORT, PORT_MAPPER, connect_s=self._connect_s, most_bytes=self._most)
        try:
            (port,) = _unpacked("!I", mapper.call(GETPORT, struct.pack("!4I", *CORE, TCP, 0), within_s=self._reply_s))
        finally:
            mapper.close()
        if not 0 < port <= 65_535:
            raise ConnectionError("VXI-11: its port mapper knows no instrument there")
        return int(port)

    def _hang_up(self) -> None:
        if self._rpc is not None:
            self._rpc.close()
            self._rpc = None

    def close(self) -> None:
        """Never raises."""
        if self._rpc is not None:
            with suppress(OSError):
                self._rpc.call(DESTROY_LINK, struct.pack("!i", self._link), within_s=CLOSE_S)
        self._hang_up()


class Rpc:
    """A connection to one program of a server. All raise ``OSError``."""

    def __init__(self, host: str, port: int, program: tuple[int, int], *, connect_s: float, most_bytes: int) -> None:
        self._program, self._most = program, most_bytes + 1024
        self._number = os.getpid() & 0xFFFF
        self._socket = socket.create_connection((host, port), timeout=connect_s)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def call(self, procedure: int, asked: bytes, *, within_s: float) -> bytes:
        """The results of one call; whatever is wrong, the connection is of no more use."""
        until = time.monotonic() + within_s
        self._number += 1
        # Call, RPC version 2, and neither credentials nor verifier.
        call = struct.pack("!10I", self._number, 0, 2, *self._program, procedure, 0, 0, 0, 0) + asked
        self._socket.settimeout(max(0.001, within_s))
        self._socket.sendall(struct.pack("!I", LAST_FRAGMENT | len(call)) + call)
        came = self._record(until)
        number, is_reply, denied, _, size = _unpacked("!5I", came)
        if (number, is_reply) != (self._number, 1):
            raise ConnectionError("RPC: the answer to another call")
        if denied:
            raise ConnectionError("RPC: denied")
        came = came[20 + size + -size % 4 :]
        (refused,) = _unpacked("!I", came)
        if refused:
            raise ConnectionError(f"RPC: {_REFUSED.get(refused, refused)} (program {self._program[0]:#x})")
        return came[4:]

    def _record(self, until: float) -> bytes:
        """One record, of one fragment or many (RFC 5531, 11)."""
        record, last = b"", 0
        while not last:
            (head,) = struct.unpack("!I", self._exactly(4, until))
            last, size = head & LAST_FRAGMENT, head & ~LAST_FRAGMENT
            if len(record) + size > self._most:
                raise ConnectionError(f"RPC: a record of more than {self._most} bytes")
            record += self._exactly(size, until)
        return record

    def _exactly(self, size: int, until: float) -> bytes:
        held = b""
        while len(held) < size:
            if not (left_s := until - time.monotonic()) > 0:
                raise TimeoutError("no answer")
            self._socket.settimeout(left_s)
            came = self._socket.recv(size - len(held))
            if not came:
                raise ConnectionError("hung up")
            held += came
        return held

    def close(self) -> None:
        """Never raises."""
        with suppress(OSError):
            self._socket.close()


def _padded(data: bytes) -> bytes:
    return data + b"\0" * (-len(data) % 4)


def _unpacked(form: str, data: bytes) -> tuple[int, ...]:
    """From the beginning of what came. Raises ``ConnectionError`` where that is too short."""
    try:
        return struct.unpack_from(form, data)
    except struct.error as error:
        raise ConnectionError(f"RPC: too short an answer ({len(data)} bytes)") from error


def _ms(seconds: float) -> int:
    return max(1, round(1000 * seconds))
