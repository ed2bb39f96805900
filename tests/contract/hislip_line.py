"""The scripted instrument behind a HiSLIP server (IVI-6.1, synchronized mode) of a few lines.

A reply that ends with a line end is one whole message; one that does not is a message that was begun and never ended.
"""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
import time
from pathlib import Path

from accepting import Accepting, exactly
from scripted import HANG_UP, Act, Script

from drivers.wire import Wire
from drivers.wire_visa import VisaWire

HEADER = struct.Struct("!2sBBIQ")
INITIALIZE, INITIALIZED, DATA, DATA_END = 0, 1, 6, 7
CLEAR_COMPLETE, CLEAR_ACKNOWLEDGE = 8, 9
SIZE, SIZE_RESPONSE, ASYNC_INITIALIZE, ASYNC_INITIALIZED, ASYNC_CLEAR, ASYNC_CLEAR_ACKNOWLEDGE = 15, 16, 17, 18, 19, 23
LARGEST = 1 << 20


class HislipBackend(Accepting):
    kind = "hislip"
    framed = True
    extra_s = 0.3

    def __init__(self, script: Script, folder: Path) -> None:
        self._cleared = threading.Event()
        super().__init__(script, folder)

    def wire(self, **keys: object) -> Wire:
        address = f"TCPIP::127.0.0.1::hislip0,{self.port}::INSTR"
        return VisaWire(**({"name": "it", "address": address, "monotonic": time.monotonic} | keys))

    def _serve(self, client: socket.socket) -> None:
        with contextlib.suppress(OSError, EOFError), client:
            self._talk(client)

    def _talk(self, client: socket.socket) -> None:
        while True:
            kind, parameter, payload = _read(client)
            if kind == INITIALIZE:
                self.script.on_open()
                _write(client, INITIALIZED, 0x0100_0001)
                client.settimeout(self.script.idle_s)
            elif kind == ASYNC_INITIALIZE:
                _write(client, ASYNC_INITIALIZED)
            elif kind == SIZE:
                _write(client, SIZE_RESPONSE, payload=struct.pack("!Q", LARGEST))
            elif kind == ASYNC_CLEAR:
                self._cleared.set()
                self.script.clear()
                _write(client, ASYNC_CLEAR_ACKNOWLEDGE)
            elif kind == CLEAR_COMPLETE:
                self._cleared.clear()
                _write(client, CLEAR_ACKNOWLEDGE)
            elif kind == DATA_END and not self._answer(client, parameter, payload):
                return

    def _answer(self, client: socket.socket, number: int, message: bytes) -> bool:
        for line in message.splitlines() or [b""]:
            acts = self.script(line)
            last = max((at for at, act in enumerate(acts) if isinstance(act, bytes)), default=-1)
            for at, act in enumerate(acts):
                if act == HANG_UP:
                    return False
                if self._cleared.is_set():
                    return True
                self._do(client, number, act, ends=at == last)
        return True

    def _do(self, client: socket.socket, number: int, act: Act, *, ends: bool) -> None:
        if isinstance(act, float):
            self._cleared.wait(act)
        else:
            assert isinstance(act, bytes)
            _write(client, DATA_END if ends and act.rstrip(b"\r\0 ").endswith(b"\n") else DATA, number, act)

    def _hang_up(self) -> None:
        self._cleared.set()  # whoever is pausing goes home
        super()._hang_up()


def _read(client: socket.socket) -> tuple[int, int, bytes]:
    prologue, kind, _, parameter, size = HEADER.unpack(exactly(client, HEADER.size))
    assert prologue == b"HS"
    return kind, parameter, exactly(client, size)


def _write(client: socket.socket, kind: int, parameter: int = 0, payload: bytes = b"") -> None:
    client.sendall(HEADER.pack(b"HS", kind, 0, parameter, len(payload)) + payload)
