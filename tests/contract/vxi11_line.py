"""The scripted instrument behind a VXI-11 server of a few lines (VXI-11 revision 1.0 over ONC RPC, RFC 5531; procedure
numbers from memory), without a port mapper. It is a naive one: a reply that nobody read stays where it is.
"""

from __future__ import annotations

import contextlib
import socket
import struct
import time
from pathlib import Path

from accepting import Accepting, exactly
from scripted import HANG_UP, Script

from drivers.wire import Wire
from drivers.wire_visa import VisaWire

CREATE_LINK, WRITE, READ, READ_STB, CLEAR, DESTROY_LINK = 10, 11, 12, 13, 15, 23
IO_TIMEOUT = 15
ENDS = 4
LAST_FRAGMENT = 1 << 31
MESSAGE_AVAILABLE = 16


class Vxi11Backend(Accepting):
    kind = "vxi11"
    framed = True
    extra_s = 0.3

    def __init__(self, script: Script, folder: Path) -> None:
        self.deaf = False
        """Takes calls and answers none."""
        self._owed: list[tuple[float, bytes]] = []
        super().__init__(script, folder)

    def wire(self, **keys: object) -> Wire:
        address = f"TCPIP::127.0.0.1,{self.port}::inst0::INSTR"
        return VisaWire(**({"name": "it", "address": address, "monotonic": time.monotonic} | keys))

    def _serve(self, client: socket.socket) -> None:
        with contextlib.suppress(OSError, EOFError), client:
            while True:
                (head,) = struct.unpack("!I", exactly(client, 4))
                call = exactly(client, head & ~LAST_FRAGMENT)
                number, _, _, _, _, procedure, _, size = struct.unpack("!8I", call[:32])
                result = self._do(procedure, call[32 + size + 8 :])
                if self.deaf:
                    continue
                reply = struct.pack("!6I", number, 1, 0, 0, 0, 0) + result
                client.sendall(struct.pack("!I", LAST_FRAGMENT | len(reply)) + reply)

    def _do(self, procedure: int, data: bytes) -> bytes:
        if procedure == CREATE_LINK:
            self._owed.clear()
            return struct.pack("!4I", 0, 1, 0, 1 << 16)
        if procedure == WRITE:
            (size,) = struct.unpack("!I", data[16:20])
            self._hear(data[20 : 20 + size])
            return struct.pack("!2I", 0, size)
        if procedure == READ:
            (within_ms,) = struct.unpack("!I", data[8:12])
            return self._read(within_ms / 1000)
        if procedure == READ_STB:
            there = any(due <= time.monotonic() for due, _ in self._owed)
            return struct.pack("!2I", 0, MESSAGE_AVAILABLE if there else 0)
        if procedure == CLEAR:
            self._owed.clear()
            self.script.clear()
        return struct.pack("!I", 0)

    def _hear(self, message: bytes) -> None:
        for line in message.splitlines():
            due, reply = time.monotonic(), b""
            for act in self.script(line):
                if act == HANG_UP:
                    raise EOFError
                if isinstance(act, float):
                    due += act
                else:
                    assert isinstance(act, bytes)
                    reply += act
            if reply:
                self._owed.append((due, reply))

    def _read(self, within_s: float) -> bytes:
        give_up = time.monotonic() + within_s
        while not self._owed or self._owed[0][0] > time.monotonic():
            if time.monotonic() >= give_up:
                return struct.pack("!3I", IO_TIMEOUT, 0, 0)
            time.sleep(0.002)  # a read of this protocol waits at the server
        _, reply = self._owed.pop(0)
        return struct.pack("!3I", 0, ENDS, len(reply)) + reply + b"\0" * (-len(reply) % 4)
