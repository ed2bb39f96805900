"""The drivers over PyVISA's own simulated back end (pyvisa-sim), which knows nothing of this project.

Each device is written out from the texts of a shipped dialect and from nothing else; it compares whole texts, letter by
letter, and queues an error for any other. So a driver that says what its dialect does not, or says it wrong, is seen.
Answers that the dialect gives no word for (a relay answers with the last word it was told) are added to it.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest
import pyvisa
import yaml
from pyvisa.errors import VisaIOError

from drivers.contact import Contact
from drivers.dialect import Choice, Dialect, Flag, Input, Mode, Reading, Setting, Switch, kind_of, load, parts, shipped
from drivers.faults import ReadBackMismatch
from drivers.load import Load
from drivers.meter import Meter
from drivers.session import Session
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from drivers.thermometer import Thermometer
from drivers.wire import Wire

CHANNEL = 2
ADDRESS = "ASRL1::INSTR"
READ = 12.345
"""What every measurement of these devices reads."""

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


class Device:
    """The description of one device. ``form(text, question)`` is how a text of the dialect is sent."""

    def __init__(self, form: Any, answer: Any) -> None:
        self.form, self.answer = form, answer
        self.dialogues: list[dict[str, str]] = []
        self.properties: dict[str, Any] = {}
        self.bits: dict[str, int] = {}
        """Answers of registers."""

    def add(self, key: str, part: Any, *, tripped: bool) -> None:
        ask = self.form(part.ask, True)
        match part:
            case Setting():
                # Text in, text out: what it answers is what it was told.
                self.put(key, "0.000", ask, part.set.replace("{}", "{:s}"))
            case Reading():
                self.put(key, str(READ), ask)
            case Switch():
                self.switch(key, ask, [part.set_on, part.set_off], first=1, held=tripped and key in ("output", "input"))
            case Choice():
                self.switch(key, ask, list(part.set.values()), first=0, held=False)
            case Input():
                self.say(ask, part.reply_on[0])
            case Flag():
                self.bits[ask] = self.bits.get(ask, 0) | (1 << (part.bit or 0)) * tripped
            case Mode():
                self.bits[ask] = self.bits.get(ask, 0) | int(next(n for n, word in part.reply.items() if word == "cv"))

    def say(self, ask: str, answer: str) -> None:
        if all(one["q"] != ask for one in self.dialogues):
            self.dialogues.append({"q": ask, "r": self.answer(answer)})

    def hear(self, order: str) -> None:
        self.dialogues.append({"q": self.form(order, False)})

    def put(self, key: str, value: str, ask: str, order: str = "", valid: tuple[str, ...] = ()) -> None:
        one: dict[str, Any] = {
            "default": value,
            "getter": {"q": ask, "r": self.answer("{:s}")},
            "specs": {"type": "str"},
        }
        if order:
            one["setter"] = {"q": self.form(order, False)}
        if valid:
            one["specs"]["valid"] = list(valid)
        self.properties[key] = one

    def switch(self, key: str, ask: str, orders: list[str], *, first: int, held: bool) -> None:
        head, words, tail = varying(orders)
        if held:  # "on" is taken without a word and nothing happens
            for order in orders:
                self.hear(order)
            self.say(ask, words[1])
        else:
            self.put(key, words[first], ask, head + "{:s}" + tail, tuple(words))


def varying(texts: list[str]) -> tuple[str, list[str], str]:
    """What the texts have in common in front and behind, and the words that differ between: whole ones."""
    heads = [re.split(r"(?<=[ :])", text) for text in texts]
    same = list(itertools.takewhile(lambda words: len(set(words)) == 1, zip(*heads, strict=False)))
    head = "".join(words[0] for words in same)
    rests = [re.fullmatch(r"([A-Z0-9]+)(.*)", text.removeprefix(head)) for text in texts]
    assert all(rests)
    tails = {rest[2] for rest in rests if rest}
    assert len(tails) == 1
    return head, [rest[1] for rest in rests if rest], tails.pop()


def written(dialect: Dialect, path: Path, *, tripped: bool = False) -> Path:
    """The device's file."""
    channels = dialect.channels
    joined = channels.how == "select" and channels.joined
    apart = channels.how == "select" and not channels.joined
    select = channels.set.replace("{channel}", str(CHANNEL))

    def form(text: str, question: bool) -> str:
        text = text.replace("{channel}", str(CHANNEL))
        if joined:
            text = f"{channels.ask};:{select};:{text};:{channels.ask}" if question else f"{select};:{text}"
        return text

    inner = Device(form, (lambda text: f"{CHANNEL};{text};{CHANNEL}") if joined else lambda text: text)
    for key, part in parts(dialect):
        inner.add(key, part, tripped=tripped)
    for ask, bits in inner.bits.items():
        inner.say(ask, str(bits))
    for clear in getattr(getattr(dialect, "protection", None), "clears", ()):
        inner.hear(clear)
    own: dict[str, Any] = {"dialogues": inner.dialogues, "properties": inner.properties}
    if apart:
        # Everything hangs on the channel that was selected last.
        own = {"channels": {"one": {"ids": ["1", "2", "3"], "can_select": "False", **own}}, "properties": {}}
        own["properties"]["selected_channel"] = {
            "default": "1",
            "getter": {"q": channels.ask, "r": "{:s}"},
            "setter": {"q": channels.set.replace("{channel}", "{:s}")},
            "specs": {"type": "str", "valid": ["1", "2", "3"]},
        }
        own["dialogues"] = []
    if joined:
        own["dialogues"].append({"q": channels.ask, "r": str(CHANNEL)})
    own["dialogues"].append({"q": dialect.identity_ask, "r": "OURS,PYVISA-SIM,1,0"})
    words = {
        "default": '0,"No error"',
        "command_error": '-113,"Undefined header"',
        "query_error": '-222,"Out of range"',
    }
    device = {
        "eom": {"ASRL INSTR": {"q": "\n", "r": "\n"}},
        "delimiter": "" if joined else ";",
        "error": {"error_queue": [{"q": dialect.errors_ask, **words}]},
        **own,
    }
    document = {"spec": "1.1", "devices": {"it": device}, "resources": {ADDRESS: {"device": "it"}}}
    path.write_text(yaml.safe_dump(document), "utf-8")
    return path


def with_its_words(dialect: Dialect) -> Dialect:
    """A switch whose last word is none of its answers gets it as one."""
    position = getattr(dialect, "position", None)
    if position is None:
        return dialect
    _, (on, off), _ = varying([position.set_on, position.set_off])
    more = {"reply_on": (*position.reply_on, on), "reply_off": (*position.reply_off, off)}
    return msgspec.structs.replace(dialect, position=msgspec.structs.replace(position, **more))


def apart(dialect: Dialect) -> Dialect:
    return msgspec.structs.replace(dialect, channels=msgspec.structs.replace(dialect.channels, joined=False))


DIALECTS = {name: load(name) for name in shipped()}
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
