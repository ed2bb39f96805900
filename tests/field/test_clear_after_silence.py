"""One slow reading, and a message-based instrument answers nothing more until it is cleared.

Public sources: pyvisa/pyvisa-py#177, #206, #179; python-ivi/python-usbtmc#49, #50 (the host left out the clear; the
instrument stayed silent even for a program started anew). USB and GPIB by a resource of our own, LAN for real.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

import pytest
from fake_resource import ADDRESSES, FakeResource, wire_to
from hislip_line import HislipBackend
from scripted import IDENTITY, TIMEOUT_S, Script

from drivers.scpi import number
from drivers.session import Session
from drivers.wire import Timeout

ANSWERS = {b"*IDN?": IDENTITY + b"\n", b"MEAS:VOLT?": b"12.801\n", b"MEAS:CURR?": b"1.200\n"}


class Usb:
    """A resource that falls silent after ``silent_from`` questions, until it is cleared; ``mends`` off: for good."""

    def __init__(self, address: str) -> None:
        self.address, self.resource, self.mends = address, FakeResource(), True
        self.resource.replies = {message + b"\n": answer for message, answer in ANSWERS.items()}
        self.resource.faults["clear"] = self._clear

    def fall_silent(self) -> None:
        self._kept, self.resource.replies = self.resource.replies, {}

    def _clear(self) -> None:
        if self.mends:
            self.resource.replies = self._kept

    def session(self) -> Session:
        return Session(wire_to(self.resource, self.address))

    @property
    def heard(self) -> list[bytes]:
        return [message.rstrip(b"\n") for message in self.resource.heard]

    @property
    def clears(self) -> int:
        return self.resource.calls.count("clear")

    def stop(self) -> None: ...


class Lan:
    """The same over HiSLIP."""

    def __init__(self, folder: Any) -> None:
        self.script, self.mends = Script(), True
        self.script.replies = {message: [answer] for message, answer in ANSWERS.items()}
        self.script.on_clear = self._clear
        self._backend = HislipBackend(self.script, folder)

    def fall_silent(self) -> None:
        self._kept, self.script.replies = self.script.replies, {}

    def _clear(self) -> None:
        if self.mends:
            self.script.replies = self._kept

    def session(self) -> Session:
        return Session(self._backend.wire(timeout_s=TIMEOUT_S))

    @property
    def heard(self) -> list[bytes]:
        return [line for line in self.script.heard if line != Script.CLEAR]

    @property
    def clears(self) -> int:
        return self.script.heard.count(Script.CLEAR)

    def stop(self) -> None:
        self._backend.stop()


@pytest.fixture(params=[*ADDRESSES[:2], "hislip"])
def instrument(request: pytest.FixtureRequest, tmp_path: Any) -> Iterator[Usb | Lan]:
    one = Lan(tmp_path) if request.param == "hislip" else Usb(request.param)
    yield one
    one.stop()


def test_one_clear_and_one_more_question_then_right_readings(instrument: Usb | Lan) -> None:
    session = instrument.session()
    session.open()
    instrument.fall_silent()
    assert number(session.ask("MEAS:VOLT?"), unit="V") == 12.801
    assert number(session.ask("MEAS:CURR?"), unit="A") == 1.200
    assert number(session.ask("MEAS:VOLT?"), unit="V") == 12.801
    assert instrument.clears == 1
    assert instrument.heard.count(b"MEAS:VOLT?") == 3
    session.close()


def test_a_program_started_anew_gets_through_as_well(instrument: Usb | Lan) -> None:
    instrument.fall_silent()
    session = instrument.session()
    session.open()
    assert number(session.ask("MEAS:VOLT?"), unit="V") == 12.801
    assert instrument.clears == 1
    session.close()


def test_silent_for_good(instrument: Usb | Lan) -> None:
    session = instrument.session()
    session.open()
    instrument.mends = False
    instrument.fall_silent()
    start = time.monotonic()
    with pytest.raises(Timeout, match="no answer after clear") as caught:
        session.ask("MEAS:VOLT?")
    assert time.monotonic() - start < 1.0
    assert "MEAS:VOLT?" in str(caught.value)
    assert str(caught.value).count("\n") == 0
    assert not session.wire.is_open
    assert (instrument.clears, instrument.heard.count(b"MEAS:VOLT?")) == (1, 2)
    # What switches off asks for nobody's name and still goes out.
    session.tell_whoever("OUTP OFF")
    session.close()
    deadline = time.monotonic() + 1
    while b"OUTP OFF" not in instrument.heard and time.monotonic() < deadline:
        time.sleep(0.005)
    assert instrument.heard.count(b"OUTP OFF") == 1


def test_an_order_is_never_repeated_by_a_clear(instrument: Usb | Lan) -> None:
    session = instrument.session()
    session.open()
    instrument.fall_silent()
    session.tell("VOLT 12.000")
    assert session.ask("MEAS:CURR?") == b"1.200"
    assert instrument.heard.count(b"VOLT 12.000") == 1
    session.close()
