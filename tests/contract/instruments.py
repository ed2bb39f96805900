"""Instruments for the contract of the drivers: every shipped dialect with an instrument of its shape behind it, and two
that speak no SCPI at all.
"""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from hislip_line import HislipBackend
from lines import MemoryBackend, PtyBackend, TcpBackend
from replay_line import ReplayBackend
from scripted import Act, Script
from terse import LOAD, SUPPLY, TerseLoad, TerseSupply, talkative

from drivers.contact import Contact
from drivers.dialect import Dialect, kind_of, load, parse
from drivers.load import Load
from drivers.meter import Meter
from drivers.session import Session
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from drivers.thermometer import Thermometer
from sims.bench import open_bench
from sims.manners import Manners

SECONDS_A_MESSAGE = 0.1


class Simulated(Script):
    """An instrument of a simulated bench; bench time passes with each message."""

    def __init__(self, name: str, shape: str = "", scenario: str = "cabinet") -> None:
        super().__init__()
        self.now_s = 0.0
        manners = {name: Manners(shape=shape)} if shape else {}
        self.bench: Any = open_bench(scenario, now=lambda: self.now_s, manners=manners)
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
    lines: tuple[Any, ...] = (MemoryBackend, TcpBackend, PtyBackend, HislipBackend, ReplayBackend)

    def __str__(self) -> str:
        return self.name


EVERY_LINE = (MemoryBackend, TcpBackend, PtyBackend, HislipBackend, ReplayBackend)


def of(
    dialect: str, instrument: str, shape: str = "", channel: int | None = None, lines: tuple[Any, ...] = EVERY_LINE
) -> Place:
    """A shipped dialect with the simulated instrument of its shape."""
    return Place(dialect, lambda: load(dialect), lambda: Simulated(instrument, shape), channel, lines)


TERSE_LINES = (MemoryBackend, CrTcpBackend)

PLACES: dict[str, list[Place]] = {
    "supply": [
        of("scpi-supply", "supply"),
        of("scpi-supply-two-quadrant", "supply", "two-quadrant"),
        of("scpi-supply-select", "supply", "select", 2),
        of("scpi-supply-suffix", "supply", "suffix", 2),
        of("scpi-supply-list", "supply", "list", 2),
        of("scpi-supply-watchdog", "supply", "watchdog", lines=(MemoryBackend,)),
        Place("terse supply", lambda: parse(SUPPLY, where="t.toml"), lambda: Terse(TerseSupply), lines=TERSE_LINES),
        Place(
            "talkative supply",
            lambda: parse(talkative(SUPPLY), where="t.toml"),
            lambda: Terse(lambda: TerseSupply("=>")),
            lines=TERSE_LINES,
        ),
    ],
    "load": [
        of("scpi-load", "load"),
        of("scpi-load-mode", "load", "mode"),
        of("scpi-load-watchdog", "load", "watchdog", lines=(MemoryBackend,)),
        Place("terse load", lambda: parse(LOAD, where="t.toml"), lambda: Terse(TerseLoad), lines=TERSE_LINES),
        Place(
            "talkative load",
            lambda: parse(talkative(LOAD), where="t.toml"),
            lambda: Terse(lambda: TerseLoad("=>")),
            lines=TERSE_LINES,
        ),
    ],
    "meter": [
        of("scpi-meter", "meter"),
        Place("scpi-shunt-meter", lambda: load("scpi-shunt-meter"), lambda: Simulated("shunt", scenario="sink")),
    ],
    "thermometer": [of("scpi-thermometer", "thermometer")],
    "switch": [of("scpi-switch", "mains"), of("scpi-switch-route", "mains", "route", 1)],
    "contact": [of("scpi-contact", "contact")],
}

DRIVERS = {
    "supply": Supply,
    "load": Load,
    "meter": Meter,
    "thermometer": Thermometer,
    "switch": PowerSwitch,
    "contact": Contact,
}

TIMEOUT_S = 2.0
"""Nothing here is about deadlines; a busy machine may take its time."""


def rows(kind: str) -> list[Any]:
    """Every dialect of a kind on every kind of line, as parameters."""
    return [
        pytest.param((place, line), id=f"{place.name}-{line.kind}") for place in PLACES[kind] for line in place.lines
    ]


@contextlib.contextmanager
def driver_on(row: tuple[Place, Any], folder: Path) -> Iterator[Any]:
    """The driver of a row, with its instrument behind it as ``driver.script``."""
    place, line = row
    dialect, script = place.dialect(), place.script()
    backend = line(script, folder)
    wire = backend.wire(timeout_s=TIMEOUT_S, terminator=dialect.line.terminator.encode())
    session = Session(
        wire,
        errors_ask=dialect.errors_ask,
        identity_ask=dialect.identity_ask,
        patterns=dialect.identity,
        order_reply=dialect.line.order_reply,
    )
    try:
        session.open()
        driver = DRIVERS[kind_of(dialect)](session, dialect, channel=place.channel, name=kind_of(dialect))
        driver.script = script
        yield driver
    finally:
        session.close()
        backend.stop()
