"""A serial port is pulled out in mid-run and comes back under another name: found again by identity, or not at all.

Source: serialport/node-serialport#1476 and bigbadoooff/thz#84 (port names that change), systemd/systemd#30574 (two
adapters of one name).
"""

from __future__ import annotations

import pytest

from drivers.serial_ports import Port
from drivers.session import Session
from drivers.wire import Lost, WireError
from drivers.wire_memory import MemoryWire
from harness.ports import Newcomers

OURS, OTHER = b"OURS,LOAD,77,1", b"OURS,LOAD,78,1"


class Port77:
    """Whoever sits at a port; keeps what it was asked."""

    def __init__(self, identity: bytes) -> None:
        self.identity, self.heard, self.gone = identity, [], False

    def feed(self, data: bytes) -> bytes:
        if self.gone:
            raise OSError(5, "Input/output error")
        lines = data.decode().splitlines()
        self.heard.extend(lines)
        return b"".join((self.identity if line == "*IDN?" else b"1.5") + b"\n" for line in lines if "?" in line)

    def hang_up(self) -> None: ...


class Ports:
    """Ports by device name, and the wire of an instrument that was at the first of them."""

    def __init__(self) -> None:
        self.there: dict[str, Port77] = {"/dev/ttyUSB0": Port77(OURS), "/dev/ttyUSB7": Port77(OTHER)}
        self.newcomers = Newcomers(lambda: [Port(device) for device in self.there])
        self.wire = MemoryWire(
            self._connect, lambda seconds: None, name="load", address="ASRL/dev/ttyUSB0::INSTR", timeout_s=0.1
        )
        self.session = Session(self.wire, elsewhere=self.newcomers.addresses)
        self.session.open()
        self.newcomers.begin()

    def _connect(self) -> Port77:
        device = self.wire.address.removeprefix("ASRL").removesuffix("::INSTR")
        if device not in self.there:
            raise FileNotFoundError(2, "could not open port")
        return self.there[device]

    def pulled_out(self) -> Port77:
        self.there["/dev/ttyUSB0"].gone = True
        return self.there.pop("/dev/ttyUSB0")


@pytest.fixture
def ports() -> Ports:
    return Ports()


def test_found_again_by_identity(ports: Ports) -> None:
    assert ports.session.ask("CURR?") == b"1.5"
    ports.pulled_out()
    with pytest.raises(Lost):
        ports.session.ask("CURR?")
    ports.there["/dev/ttyUSB1"] = back = Port77(OURS)
    assert ports.session.ask("CURR?") == b"1.5"
    assert ports.wire.address == "ASRL/dev/ttyUSB1::INSTR"
    assert back.heard == ["*IDN?", "CURR?"]


def test_an_order_that_may_have_been_sent_is_not_said_at_the_new_place(ports: Ports) -> None:
    ports.pulled_out()
    with pytest.raises(Lost):
        ports.session.tell("INP ON")
    ports.there["/dev/ttyUSB1"] = back = Port77(OURS)
    ports.session.ask("INP?")
    assert back.heard == ["*IDN?", "INP?"]


def test_a_stranger_at_the_new_place_gets_nothing_but_the_question(ports: Ports) -> None:
    ports.pulled_out()
    ports.there["/dev/ttyUSB1"] = stranger = Port77(OTHER)
    for _ in range(2):
        with pytest.raises(WireError):
            ports.session.tell("CURR 1.000")
    assert stranger.heard
    assert set(stranger.heard) == {"*IDN?"}
    assert ports.wire.address == "ASRL/dev/ttyUSB0::INSTR"


def test_ports_that_were_there_are_left_alone(ports: Ports) -> None:
    ports.pulled_out()
    neighbour = ports.there["/dev/ttyUSB7"]
    with pytest.raises(WireError):
        ports.session.ask("CURR?")
    with pytest.raises(WireError):
        ports.session.ask("CURR?")
    assert neighbour.heard == []


def test_back_at_its_own_name(ports: Ports) -> None:
    port = ports.pulled_out()
    with pytest.raises(Lost):
        ports.session.ask("CURR?")
    port.gone = False
    ports.there["/dev/ttyUSB0"] = port
    assert ports.session.ask("CURR?") == b"1.5"
    assert ports.wire.address == "ASRL/dev/ttyUSB0::INSTR"


def test_not_more_than_a_few_places_are_tried(ports: Ports) -> None:
    ports.pulled_out()
    strangers = {f"/dev/ttyUSB{number}": Port77(OTHER) for number in range(10, 30)}
    ports.there |= strangers
    with pytest.raises(Lost):
        ports.session.ask("CURR?")
    with pytest.raises(Lost):
        ports.session.ask("CURR?")
    assert sum(bool(one.heard) for one in strangers.values()) <= 4
