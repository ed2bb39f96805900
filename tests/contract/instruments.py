"""Instruments for the contract of the drivers: every shipped dialect with an instrument of its shape behind it, and two
that speak no SCPI at all.
"""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from lines import MemoryBackend, TcpBackend
from scripted import Act, Script
from terse import LOAD, SUPPLY, TerseLoad, TerseSupply

from drivers.dialect import Dialect, load, parse
from sims.bench import open_bench
from sims.manners import Manners

SECONDS_A_MESSAGE = 0.1


class Simulated(Script):
    """A simulated instrument of the bench "cabinet"; bench time passes with each message."""

    def __init__(self, name: str, shape: str = "") -> None:
        super().__init__()
        self.now_s = 0.0
        manners = {name: Manners(shape=shape)} if shape else {}
        self.bench: Any = open_bench("cabinet", now=lambda: self.now_s, manners=manners)
        self._talker = self.bench.connect(name)
        self._lock = threading.Lock()

    def __call__(self, line: bytes) -> list[Act]:
        with self._lock:
            self.heard.append(line)
            self.now_s += SECONDS_A_MESSAGE
            answer = self._talker.feed(line + b"\n")
            return [answer] if answer else []


class Terse(Script):
    """One of the terse instruments."""

    def __init__(self, made: Callable[[], Any]) -> None:
        super().__init__()
        self.instrument = made()

    def __call__(self, line: bytes) -> list[Act]:
        self.heard.append(line)
        answer = self.instrument(line)
        return [answer] if answer else []


class CrTcpBackend(TcpBackend):
    """A socket whose lines end with CR."""

    kind = "tcp, CR"

    def _serve(self, client: socket.socket) -> None:
        pending = b""
        with contextlib.suppress(OSError), client:
            while came := client.recv(4096):
                *lines, pending = (pending + came).split(b"\r")
                for line in lines:
                    self._act(self.script(line), client.sendall)


@dataclass(frozen=True)
class Place:
    """A dialect, what answers to it, and which channel of it."""

    name: str
    dialect: Callable[[], Dialect]
    script: Callable[[], Script]
    channel: int | None = None
    backends: tuple[Any, ...] = ()
    """Kinds of line instead of all."""

    def __str__(self) -> str:
        return self.name


def of(dialect: str, instrument: str, shape: str = "", channel: int | None = None) -> Place:
    """A shipped dialect with the simulated instrument of its shape."""
    return Place(dialect, lambda: load(dialect), lambda: Simulated(instrument, shape), channel)


TERSE_LINES = (MemoryBackend, CrTcpBackend)

PLACES: dict[str, list[Place]] = {
    "supply": [
        of("scpi-supply", "supply"),
        of("scpi-supply-two-quadrant", "supply", "two-quadrant"),
        of("scpi-supply-select", "supply", "select", 2),
        of("scpi-supply-suffix", "supply", "suffix", 2),
        of("scpi-supply-list", "supply", "list", 2),
        Place("terse supply", lambda: parse(SUPPLY, where="t.toml"), lambda: Terse(TerseSupply), backends=TERSE_LINES),
    ],
    "load": [
        of("scpi-load", "load"),
        of("scpi-load-mode", "load", "mode"),
        Place("terse load", lambda: parse(LOAD, where="t.toml"), lambda: Terse(TerseLoad), backends=TERSE_LINES),
    ],
    "meter": [of("scpi-meter", "meter")],
    "thermometer": [of("scpi-thermometer", "thermometer")],
    "switch": [of("scpi-switch", "mains"), of("scpi-switch-route", "mains", "route", 1)],
    "contact": [of("scpi-contact", "contact")],
}
