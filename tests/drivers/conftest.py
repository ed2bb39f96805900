"""Instruments that answer from a table, spoken to in memory."""

from __future__ import annotations

import msgspec
import pytest

from drivers import dialect
from drivers.contact import Contact
from drivers.load import Load
from drivers.meter import Meter
from drivers.session import Session
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from drivers.thermometer import Thermometer
from drivers.wire_memory import MemoryWire

KINDS = {
    "supply": Supply,
    "load": Load,
    "meter": Meter,
    "thermometer": Thermometer,
    "switch": PowerSwitch,
    "contact": Contact,
}


class Table:
    """Answers a question from ``replies``; an order ``X VALUE`` becomes the answer to ``X?``, as the grid allows."""

    def __init__(self) -> None:
        self.replies: dict[str, bytes] = {"*IDN?": b"OURS,TABLE,1,0"}
        self.heard: list[str] = []
        self.deaf: set[str] = set()
        self.grid: float | None = None

    def feed(self, data: bytes) -> bytes:
        out = b""
        for line in data.decode("ascii").splitlines():
            self.heard.append(line)
            if line.endswith("?"):
                reply = self.answer(line)
                out += b"" if reply is None else reply + b"\n"
            elif " " in line:
                header, _, value = line.rpartition(" ")
                if header not in self.deaf:
                    self.replies[header + "?"] = self.held(value)
        return out

    def answer(self, line: str) -> bytes | None:
        return self.replies.get(line)

    def held(self, value: str) -> bytes:
        if value in ("ON", "OFF"):
            return b"1" if value == "ON" else b"0"
        if self.grid is None or not value[-1].isdigit():
            return value.encode()
        steps = int(float(value) / self.grid + 1e-9)  # it cuts off what lies between two steps
        return f"{steps * self.grid:.6f}".encode()

    def hang_up(self) -> None: ...


@pytest.fixture
def table():
    return Table()


@pytest.fixture
def session(table):
    one = Session(MemoryWire(lambda: table, lambda seconds: None, name="it", address="memory", timeout_s=0.1))
    one.open()
    table.heard.clear()
    return one


@pytest.fixture
def instrument(session):
    """``instrument("supply")`` makes that driver over the shipped dialect of its kind."""

    def make(kind: str, **changes: object):
        return KINDS[kind](session, msgspec.structs.replace(dialect.load(f"scpi-{kind}"), **changes))

    return make
