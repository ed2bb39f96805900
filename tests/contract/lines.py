"""The scripted instrument on the lines there are: in memory, over a loopback socket, over a pseudo-terminal."""

from __future__ import annotations

import contextlib
import os
import pty
import select
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

from accepting import Accepting
from scripted import HANG_UP, RealTime, Script

from drivers.wire import Wire
from drivers.wire_memory import MemoryWire
from drivers.wire_visa import VisaWire


class MemoryBackend:
    kind = "memory"
    framed = False
    extra_s = 0.0

    def __init__(self, script: Script, folder: Path) -> None:
        self.script = script
        self.now_s = 0.0
        self.gone = False
        self.owed = b""

    def wire(self, **keys: object) -> Wire:
        return MemoryWire(self._connect, self._pass_time, **({"name": "it", "address": "memory"} | keys))

    def _connect(self) -> MemoryBackend:
        if self.gone:
            raise ConnectionRefusedError("nobody there")
        self.owed = b""  # a new session owes nothing, as with a new connection
        return self

    def _pass_time(self, seconds: float) -> None:
        self.now_s += seconds

    def feed(self, data: bytes) -> bytes:
        if self.gone:
            raise ConnectionError("hung up")
        out, self.owed = self.owed, b""
        for line in data.splitlines():
            late = False
            for act in self.script(line):
                if act == HANG_UP:
                    raise ConnectionError("hung up")
                if isinstance(act, float):
                    late = True
                elif late:
                    self.owed += act
                else:
                    out += act
        return out

    def hang_up(self) -> None: ...

    def die(self) -> None:
        self.gone = True

    def settle(self) -> None: ...

    @contextlib.contextmanager
    def timed(self) -> Iterator[Callable[[], float]]:
        start = self.now_s
        yield lambda: self.now_s - start

    def stop(self) -> None: ...


class TcpBackend(Accepting):
    kind = "tcp"
    swallow = False
    """What comes is lost on the way, and nobody is told."""

    @property
    def address(self) -> str:
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    def wire(self, **keys: object) -> Wire:
        return VisaWire(**({"name": "it", "address": self.address, "monotonic": time.monotonic} | keys))

    def _serve(self, client: socket.socket) -> None:
        with contextlib.suppress(OSError), client, client.makefile("rb") as lines:
            client.settimeout(self.script.idle_s)
            self.script.on_open()
            client.sendall(self.script.banner)
            for line in lines:
                if self.swallow:
                    continue
                if not self._act(self.script(line.rstrip(b"\n")), client.sendall):
                    client.shutdown(socket.SHUT_RDWR)
                    return


class PtyBackend(RealTime):
    """The port's name is a link, so that a port that went away can come back under the same name."""

    kind = "pty"

    def __init__(self, script: Script, folder: Path) -> None:
        self.script = script
        self._link = folder / "port"
        self._stopping = False
        self._plug()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def wire(self, **keys: object) -> Wire:
        address = f"ASRL{self._link}::INSTR"
        return VisaWire(**({"name": "it", "address": address, "monotonic": time.monotonic} | keys))

    def _plug(self) -> None:
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(self._master, False)
        self._slave = slave
        self._link.unlink(missing_ok=True)
        self._link.symlink_to(os.ttyname(slave))

    def _unplug(self) -> None:
        os.close(self._slave)
        os.close(self._master)

    def _serve(self) -> None:
        pending = b""
        while not self._stopping:
            if not select.select([self._master], [], [], 0.02)[0]:
                continue
            pending += os.read(self._master, 4096)
            while b"\n" in pending and not self._stopping:
                line, _, pending = pending.partition(b"\n")
                if not self._act(self.script(line), self._send):
                    self._unplug()
                    self._plug()
                    pending = b""

    def _send(self, data: bytes) -> None:
        while data and not self._stopping:
            with contextlib.suppress(OSError):  # full, or closed by the end of the test
                select.select([], [self._master], [], 1)
                data = data[os.write(self._master, data) :]

    def die(self) -> None:
        if not self._stopping:
            self._stopping = True
            self._thread.join(5)
            self._unplug()
            self._link.unlink()

    def stop(self) -> None:
        self.die()
