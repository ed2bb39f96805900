"""The drivers over PyVISA's own simulated back end (pyvisa-sim), which knows nothing of this project.

Each device is written out from the texts of a shipped dialect and from nothing else; it compares whole texts, letter by
letter, and queues an error for any other. So a driver that says what its dialect does not, or says it wrong, is seen.
Answers that the dialect gives no word for (a relay answers with the last word it was told) are added to it.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest
import pyvisa
from pyvisa.errors import VisaIOError
from sim_devices import ADDRESS, CHANNEL, READ, varying, written

from drivers.contact import Contact
from drivers.dialect import Dialect, Input, Switch, kind_of, load, parts, shipped
from drivers.faults import ReadBackMismatch
from drivers.load import Load
from drivers.meter import Meter
from drivers.session import Session
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from drivers.thermometer import Thermometer
from drivers.wire import Wire

DRIVERS: dict[str, Any] = {
    "supply": Supply,
    "load": Load,
    "meter": Meter,
    "thermometer": Thermometer,
    "switch": PowerSwitch,
    "contact": Contact,
}


class SimWire(Wire):
    """A line to a device of pyvisa-sim."""

    def __init__(self, path: Path) -> None:
        super().__init__(name="it", address=ADDRESS)
        self._path = path
        self._resource: Any = None

    def _open(self) -> None:
        manager: Any = pyvisa.ResourceManager(f"{self._path}@sim")
        self._resource = manager.open_resource(self.address, read_termination="\n", write_termination="\n", timeout=50)

    def _close(self) -> None:
        self._resource.close()

    def _send(self, data: bytes) -> None:
        self._resource.write_raw(data)

    def _receive(self, gap_s: float | None) -> bytes:
        raw: bytes = self._resource.read_raw()
        return raw

    def _waiting(self) -> bytes:
        return b""

    def _pause(self, seconds: float) -> None: ...

    def _timed_out(self, error: BaseException) -> bool:
        return isinstance(error, VisaIOError)


def with_its_words(dialect: Dialect) -> Dialect:
    """A switch whose last word is none of its answers gets it as one."""
    position = getattr(dialect, "position", None)
    if position is None or position.bit is not None:
        return dialect
    _, (on, off), _ = varying([position.set_on, position.set_off])
    more = {"reply_on": (*position.reply_on, on), "reply_off": (*position.reply_off, off)}
    return msgspec.structs.replace(dialect, position=msgspec.structs.replace(position, **more))


def apart(dialect: Dialect) -> Dialect:
    return msgspec.structs.replace(dialect, channels=msgspec.structs.replace(dialect.channels, joined=False))


def by_bits(dialect: Dialect) -> Dialect:
    """The same instrument telling what is on or off as a bit of a register, a register each."""
    changed = {}
    for number, (key, part) in enumerate(parts(dialect)):
        if isinstance(part, Switch):
            set_on, set_off = part.set_on.replace("ON", "1"), part.set_off.replace("OFF", "0")
            register = {"ask": part.ask, "set_on": set_on, "set_off": set_off, "form": "REG {}"}
            changed[key] = Switch(**register, bit=(5 * number) % 16)
        elif isinstance(part, Input):
            changed[key] = Input(ask=part.ask, bit=4)
    return msgspec.structs.replace(dialect, **changed)


DIALECTS = {name: load(name) for name in shipped()}
DIALECTS |= {
    f"{name}, bits": by_bits(DIALECTS[name]) for name in ("scpi-supply", "scpi-load", "scpi-switch", "scpi-contact")
}
DIALECTS |= {f"{name}, apart": apart(one) for name, one in DIALECTS.items() if one.channels.joined}


@pytest.fixture
def on_sim(tmp_path: Path) -> Iterator[Any]:
    sessions = []

    def make(name: str, **keys: bool) -> Any:
        dialect = with_its_words(DIALECTS[name])
        path = written(dialect, tmp_path / f"{len(sessions)}.yaml", **keys)
        session = Session(SimWire(path), errors_ask=dialect.errors_ask, identity_ask=dialect.identity_ask)
        sessions.append(session)
        session.open()
        channel = None if dialect.channels.how == "none" else CHANNEL
        return DRIVERS[kind_of(dialect)](session, dialect, channel=channel)

    yield make
    for session in sessions:
        session.close()


def of(*kinds: str) -> list[str]:
    return [name for name, one in DIALECTS.items() if kind_of(one) in kinds]


@pytest.mark.parametrize("name", of("supply"))
def test_supply(name, on_sim):
    supply = on_sim(name)
    assert supply.identity.model == "PYVISA-SIM"
    for volts in (14.4, 10.0, 0.05):
        assert supply.set_volts(volts=volts) == volts
    assert supply.set_amps(amps=2.5) == 2.5
    assert supply.arm_over_volts(volts=15) == 15
    for on in (True, False, True):
        supply.arm_over_amps(on=on)
        supply.set_sense(remote=on)
        supply.switch(on)
        assert supply.output_is_on() is on
    assert (supply.measure_volts(), supply.measure_amps()) == (READ, READ)
    assert supply.mode() == "cv"
    assert supply.tripped() is None
    if supply.dialect.sink_amps is not None:
        assert supply.arm_sink(amps=3) == 3
    state = supply.state()
    assert (state["volts"], state["amps"], state["over_volts"]) == (0.05, 2.5, 15)
    assert state["output"] is state["over_amps"] is state["remote_sense"] is True
    supply.clear_protection()
    assert (supply.state()["output"], supply.state()["volts"]) == (False, 0.0)
    supply.switch(True)
    supply.off()
    supply.soften()
    assert (supply.state()["output"], supply.state()["amps"]) == (False, 0.0)
    assert supply.errors() == ()


@pytest.mark.parametrize("name", of("load"))
def test_load(name, on_sim):
    sink = on_sim(name)
    for amps in (1.2, 30.0, 0.001):
        assert sink.set_amps(amps=amps) == amps
    assert sink.set_volts(volts=26) == 26
    assert sink.arm_low_volts(volts=9.2, delay_s=0.5) == 9.2
    assert sink.arm_over_amps(amps=7.5) == 7.5
    for function in ("cv", "cr", "cp", "cc"):
        sink.set_function(function)
        assert sink.state()["function"] == function
    for on in (True, False, True):
        sink.set_sense(remote=on)
        sink.switch(on)
        assert sink.input_is_on() is on
    assert (sink.measure_volts(), sink.measure_amps()) == (READ, READ)
    assert sink.tripped() is None
    state = sink.state()
    assert (state["low_volts"], state["low_volts_delay_s"], state["over_amps"]) == (9.2, 0.5, 7.5)
    sink.clear_protection()
    assert (sink.state()["input"], sink.state()["amps"]) == (False, 0.0)
    sink.switch(True)
    sink.off()
    sink.soften()
    assert (sink.state()["input"], sink.state()["amps"]) == (False, 0.0)
    assert sink.errors() == ()


@pytest.mark.parametrize("name", of("meter", "thermometer"))
def test_readers(name, on_sim):
    reader = on_sim(name)
    assert (reader.measure_volts() if isinstance(reader, Meter) else reader.measure_temp_c()) == READ
    assert reader.errors() == ()


@pytest.mark.parametrize("name", of("switch"))
def test_switch(name, on_sim):
    switch = on_sim(name)
    for on in (True, False, True):
        switch.switch(on)
        assert switch.is_on() is on
    switch.off()
    assert switch.state() == {"position": False}
    assert switch.errors() == ()


@pytest.mark.parametrize("name", of("contact"))
def test_contact(name, on_sim):
    contact = on_sim(name)
    assert contact.closed()
    assert contact.errors() == ()


@pytest.mark.parametrize("name", of("supply", "load"))
def test_trips(name, on_sim):
    it = on_sim(name, tripped=True)
    words = ", ".join(flag.words for flag in it.dialect.trips)
    assert it.tripped() == words
    with pytest.raises(ReadBackMismatch, match=f"still off: {words}"):
        it.switch(True)
    with pytest.raises(ReadBackMismatch, match=f"protection is still tripped: {words}"):
        it.clear_protection()
    assert it.errors() == ()


@pytest.mark.parametrize("name", DIALECTS)
def test_a_text_the_device_has_not_is_seen(name, on_sim):
    it = on_sim(name)
    it.session.tell("VOLTS 12")
    assert [error.code for error in it.errors()] == [-113]


def test_every_shipped_dialect_is_here():
    assert set(of("supply", "load", "meter", "thermometer", "switch", "contact")) >= set(shipped())
