"""What tests of served benches share: clients on the bench's own thread, and a library's on another."""

from __future__ import annotations

import os
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from sims.manners import Manners
from sims.serve import ServedBench, serve

WIRES = ("tcp", "pty", "hislip")
STREAMS = ("tcp", "pty")

PATIENCE_S = 5.0
"""Longest wait for something that must come."""

TURN_S = 0.01


def path_of(address: str) -> str:
    return address.removeprefix("ASRL").removesuffix("::INSTR")


class Client:
    """A client of a byte stream, on the thread of the bench."""

    def __init__(self, bench: ServedBench, name: str) -> None:
        self._bench = bench
        self.address = bench.addresses[name]
        self._socket: socket.socket | None = None
        if self.address.startswith("ASRL"):
            self.fd = os.open(path_of(self.address), os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        else:
            _, host, port, _ = self.address.split("::")
            self._socket = socket.create_connection((host, int(port)))
            # Else what is told waits for the acknowledgement of what was told before.
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._socket.setblocking(False)
            self.fd = self._socket.fileno()

    def tell(self, data: bytes) -> None:
        os.write(self.fd, data)

    def hear(self, most_s: float = PATIENCE_S, *, until: Callable[[bytes], bool] = lambda came: b"\n" in came) -> bytes:
        """What comes until it is enough, or the time is over."""
        came, end_s = b"", time.monotonic() + most_s
        while not until(came) and time.monotonic() < end_s:
            self._bench.turn(timeout_s=TURN_S)
            try:
                more = os.read(self.fd, 4096)
            except BlockingIOError:
                continue
            if not more:
                return came + b"<hung up>"
            came += more
        return came

    def ask(self, data: bytes) -> bytes:
        self.tell(data)
        return self.hear()

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
        else:
            os.close(self.fd)


@contextmanager
def served(wire: str, *, name: str = "supply", stepped: bool = True, **habits: Any) -> Iterator[ServedBench]:
    with serve("cabinet", wire=wire, stepped=stepped, manners={name: Manners(**habits)}) as bench:
        yield bench


def control(bench: ServedBench) -> socket.socket:
    host, _, port = bench.control.rpartition(":")
    return socket.create_connection((host, int(port)), timeout=PATIENCE_S)


def order(bench: ServedBench, connection: socket.socket, line: str) -> str:
    connection.sendall(line.encode() + b"\n")
    connection.setblocking(False)
    came, end_s = b"", time.monotonic() + PATIENCE_S
    while not came.endswith(b"\n") and time.monotonic() < end_s:
        bench.turn(timeout_s=TURN_S)
        try:
            came += connection.recv(65536)
        except BlockingIOError:
            continue
    return came.decode().strip()


@contextmanager
def visa(bench: ServedBench, name: str = "supply", **options: Any) -> Iterator[Any]:
    """A library's session with an instrument while the bench runs in a thread."""
    import pyvisa

    stop = threading.Event()
    thread = threading.Thread(target=bench.run_forever, args=(stop.is_set,))
    thread.start()
    try:
        manager: Any = pyvisa.ResourceManager("@py")
        options = {"read_termination": "\n", "write_termination": "\n", "timeout": 2000} | options
        resource = manager.open_resource(bench.addresses[name], **options)
        try:
            yield resource
        finally:
            resource.close()
    finally:
        stop.set()
        thread.join(PATIENCE_S)
