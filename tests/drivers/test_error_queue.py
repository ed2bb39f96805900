"""What an error queue says, in its spellings, as a driver understands it."""

from __future__ import annotations

import msgspec
import pytest
from fussy import Fussy

from drivers.dialect import load
from drivers.session import Session
from drivers.supply import Supply
from drivers.wire_memory import MemoryWire

# Spellings: pfroud/JVisa#4, pyvisa/pyvisa-py#206, pyvisa/pyvisa#202, j123b567/scpi-parser#94.
NONE = [
    b'0,"No error"',
    b'+0,"No error"',
    b"0,No Error",
    b"+0, No error",
    b"0",
    b'00000,"NO ERROR"',
    b'0,"No error"\0\0',
]
SOME = [
    (b'-113,"Undefined header"', -113, "Undefined header"),
    (b'-222,"Data out of range; VOLT"', -222, "Data out of range; VOLT"),
    (b'-222,"a, b; c"', -222, "a, b; c"),
    (b'-410,"Query INTERRUPTED"\n\0\0\0', -410, "Query INTERRUPTED"),
    (b'**ERROR: -113,"Undefined header"', -113, "Undefined header"),
]


@pytest.fixture
def it():
    return Fussy()


@pytest.fixture
def driver(it):
    session = Session(MemoryWire(lambda: it, it.pass_time, name="supply", address="memory", timeout_s=0.5))
    session.open()
    return Supply(session, load("scpi-supply"))


def queue(it: Fussy, *replies: bytes) -> None:
    waiting, obey = list(replies), it.obey

    def answer(line: str) -> bytes:
        if line != "SYST:ERR?":
            return obey(line)
        return (waiting.pop(0) if len(waiting) > 1 else waiting[0]).rstrip(b"\n") + b"\n"

    it.obey = answer  # type: ignore[method-assign]


@pytest.mark.parametrize("reply", NONE)
@pytest.mark.parametrize("dialect", ["scpi-supply", "scpi-supply-select"])
def test_no_error_in_its_spellings(reply, dialect, it, driver):
    queue(it, reply)
    channel = 2 if dialect == "scpi-supply-select" else None
    assert Supply(driver.session, load(dialect), channel=channel).errors() == ()


@pytest.mark.parametrize(("reply", "code", "text"), SOME)
def test_an_error_in_its_spellings(reply, code, text, it, driver):
    queue(it, reply, *(one for one, _, _ in SOME[:2]), b"+0, No error")
    assert driver.errors()[0] == (code, text)
    assert driver.errors() == (), "read empty at once"


def test_an_instrument_without_a_queue_is_not_asked(it, driver):
    it.heard.clear()
    mute = msgspec.structs.replace(load("scpi-supply"), errors_ask="")
    assert Supply(driver.session, mute).errors() == ()
    assert it.heard == []
