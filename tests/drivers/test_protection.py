"""A tripped protection: it is named, nobody clears it unasked, and clearing it never leaves the output on.

Trips latch, and on some instruments clearing one puts the output back as it was (guides to such instruments).
"""

from __future__ import annotations

import msgspec
import pytest

from drivers.dialect import Protection, load
from drivers.faults import ReadBackMismatch, Unreadable, Unsupported
from drivers.load import Load
from drivers.session import Session
from drivers.supply import Supply
from drivers.wire import Lost, Timeout
from drivers.wire_memory import MemoryWire

LOW = {"supply": "VOLT", "load": "CURR"}
SWITCH = {"supply": "OUTP", "load": "INP"}


class Latched:
    """Tripped, with the output it had before in mind. While tripped "on" is taken without a word and does nothing."""

    def __init__(self, kind: str, *, restores: bool, stays: bool = False, deaf_to_off: bool = False) -> None:
        self.switch, self.low = SWITCH[kind], LOW[kind]
        self.restores, self.stays, self.deaf_to_off = restores, stays, deaf_to_off
        self.held = {"VOLT": "14.600", "CURR": "3.000", "VOLT:PROT": "14.000", "CURR:NEG": "5.000"}
        self.held |= {"CURR:PROT:STAT": "0", "SENS:REM": "0"}
        self.tripped = self.before = True
        self.on = False
        self.heard: list[str] = []
        self.was_on_at: list[float] = []

    def feed(self, data: bytes) -> bytes:
        return b"".join(self.message(line) for line in data.decode().splitlines())

    def hang_up(self) -> None: ...

    def message(self, line: str) -> bytes:
        self.heard.append(line)
        header, _, value = line.partition(" ")
        if line == "*IDN?":
            return b"OURS,LATCHED,1,0\n"
        if line == f"{self.switch}?":
            return b"1\n" if self.on else b"0\n"
        if ":TRIP" in line:
            return b"1\n" if self.tripped and line.startswith("VOLT:PROT") else b"0\n"
        if line == "STAT:QUES:COND?":
            return b"0\n"
        if "?" in line:
            return self.held[header.removesuffix("?")].encode() + b"\n"
        if header == self.switch:
            self.put(value == "ON")
        elif header.endswith(":CLE"):
            self.clear()
        else:
            self.held[header] = value
        return b""

    def put(self, on: bool) -> None:
        if on and self.tripped:
            return
        if not on and self.deaf_to_off and not self.tripped:
            return
        self.on = on
        self.note()

    def clear(self) -> None:
        if self.tripped and not self.stays:
            self.tripped = False
            self.on = self.restores and self.before
            self.note()

    def note(self) -> None:
        if self.on:
            self.was_on_at.append(float(self.held[self.low]))


@pytest.fixture
def tripped():
    """``tripped("supply", restores=True)``: the instrument and its driver."""

    def make(kind: str, *, dialect: str = "", **keys: bool):
        it = Latched(kind, **keys)
        session = Session(MemoryWire(lambda: it, lambda seconds: None, name=kind, address="memory", timeout_s=0.1))
        session.open()
        it.heard.clear()
        return it, {"supply": Supply, "load": Load}[kind](session, load(dialect or f"scpi-{kind}"))

    return make


KINDS = [("supply", "output", "over-volts protection tripped"), ("load", "input", "own low-volts stop tripped")]


@pytest.mark.parametrize(("kind", "what", "words"), KINDS)
def test_on_is_read_back_and_the_trip_is_named_and_left(kind, what, words, tripped):
    it, driver = tripped(kind, restores=True)
    with pytest.raises(ReadBackMismatch) as caught:
        driver.switch(True)
    assert f"{what} is still off: {words}" in str(caught.value)
    assert "find the cause before clearing any protection" in str(caught.value)
    assert it.tripped
    assert not any(":CLE" in line or line.startswith("VOLT:PROT ") for line in it.heard)


@pytest.mark.parametrize(("kind", "what", "words"), KINDS)
def test_clearing_goes_off_and_low_first(kind, what, words, tripped):
    it, driver = tripped(kind, restores=False)
    driver.clear_protection()
    orders = [line for line in it.heard if "?" not in line]
    assert orders[:2] == [f"{SWITCH[kind]} OFF", f"{LOW[kind]} 0.000"]
    assert all(line.endswith(":CLE") for line in orders[2:])
    assert it.heard.index(f"{SWITCH[kind]}?") < it.heard.index(orders[2]), "off is confirmed before"
    assert f"{SWITCH[kind]}?" in it.heard[it.heard.index(orders[-1]) :], "and after"
    assert not it.on
    assert it.was_on_at == []


@pytest.mark.parametrize(("kind", "what", "words"), KINDS)
def test_an_output_that_comes_back_is_switched_off_at_once_and_told(kind, what, words, tripped):
    it, driver = tripped(kind, restores=True)
    with pytest.raises(ReadBackMismatch, match=f"{what} came on as its protection was cleared, and was switched off"):
        driver.clear_protection()
    assert not it.on
    assert it.was_on_at == [0.0], "it came on turned down"


@pytest.mark.parametrize(("kind", "what", "words"), KINDS)
def test_an_output_that_stays_on_is_told(kind, what, words, tripped):
    _, driver = tripped(kind, restores=True, deaf_to_off=True)
    with pytest.raises(ReadBackMismatch, match="switched off again, but still says on"):
        driver.clear_protection()


@pytest.mark.parametrize(("kind", "what", "words"), KINDS)
def test_a_trip_that_does_not_clear_is_told(kind, what, words, tripped):
    _, driver = tripped(kind, restores=True, stays=True)
    with pytest.raises(ReadBackMismatch, match=f"protection is still tripped: {words}; remove the cause first"):
        driver.clear_protection()


def test_nothing_is_cleared_while_off_is_not_confirmed(tripped):
    it, driver = tripped("supply", restores=True)
    it.tripped, it.on, it.deaf_to_off = False, True, True
    with pytest.raises(ReadBackMismatch, match="output is still on"):
        driver.clear_protection()
    assert not any(":CLE" in line for line in it.heard)


def test_a_two_quadrant_supply_takes_nothing_back_meanwhile(tripped):
    it, driver = tripped("supply", dialect="scpi-supply-two-quadrant", restores=False)
    driver.clear_protection()
    assert (it.held["CURR:NEG"], it.held["VOLT"]) == ("0.000", "0.000")
    assert driver.arm_sink(amps=4.5) == 4.5
    assert dict(driver.state())["sink_amps"] == 4.5


@pytest.mark.parametrize("protection", [None, Protection(), Protection(latches=False)])
@pytest.mark.parametrize("kind", ["supply", "load"])
def test_without_a_text_for_it(kind, protection, tripped):
    it, driver = tripped(kind, restores=False)
    bare = type(driver)(driver.session, msgspec.structs.replace(driver.dialect, protection=protection))
    with pytest.raises(Unsupported, match=rf"dialect scpi-{kind} has no \[protection\]"):
        bare.clear_protection()
    assert it.heard == []


@pytest.mark.parametrize("reply", [b"", b"MAYBE\n", ConnectionResetError()])
@pytest.mark.parametrize(("kind", "what", "words"), KINDS)
def test_an_output_nobody_can_tell_of_is_switched_off(kind, what, words, reply, tripped):
    it, driver = tripped(kind, restores=True)
    message = it.message

    def unclear(line: str) -> bytes:
        if line == f"{SWITCH[kind]}?" and not it.tripped:
            if isinstance(reply, Exception):
                raise reply
            return reply
        return message(line)

    it.message = unclear
    with pytest.raises((Timeout, Lost, Unreadable)) as caught:
        driver.clear_protection()
    assert not it.on
    assert it.heard[-1] == f"{SWITCH[kind]} OFF"
    if not isinstance(caught.value, Unreadable):
        assert "was sent just before and is not confirmed" in str(caught.value)


def test_one_quadrant_has_no_sink_limit(tripped):
    _, driver = tripped("supply", restores=False)
    with pytest.raises(Unsupported, match=r"dialect scpi-supply has no \[sink_amps\]; use a dialect that has it"):
        driver.arm_sink(amps=1)
    declared = msgspec.structs.replace(driver.dialect, not_supported=("sink_amps",))
    with pytest.raises(Unsupported, match="the instrument cannot do it, its dialect says"):
        Supply(driver.session, declared).arm_sink(amps=1)
