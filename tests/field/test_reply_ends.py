"""Where a reply ends: instruments that say no terminator, and those that say more than one.

Public sources: pyvisa/pyvisa#190, #493 (a reply without a terminator is waited for until the time-out); pyvisa/pyvisa
#120, #202, pyvisa/pyvisa-py#393, #394 (bytes of zero behind the line end, at the head of the next reply).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from scripted import BYTE_STREAMS, IDENTITY, Act, Script

from drivers.dialect import load
from drivers.meter import Meter
from drivers.scpi import number
from drivers.session import Session
from drivers.wire import Timeout

Opened = Callable[..., Session]

# -- no terminator -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("backend", BYTE_STREAMS, indirect=True)
def test_declared_silence_ends_a_reply(opened: Opened, script: Script, backend: Any) -> None:
    script.replies |= {b"*IDN?": [IDENTITY], b"MEAS:VOLT:DC?": [b"12.801"], b"MEAS:VOLT?": [b"12.801"]}
    session = opened(gap_s=0.05, timeout_s=0.8)
    meter = Meter(session, load("scpi-meter"))  # type: ignore[arg-type]
    for _ in range(2):
        with backend.timed() as elapsed:
            assert meter.measure_volts() == 12.801
        assert elapsed() < 0.2


@pytest.mark.parametrize("backend", ["tcp", "pty"], indirect=True)
@pytest.mark.parametrize("acts", [[b"1", 0.02, b"2.8", 0.02, b"01"], [b"12.801\r"], [b"\0\0", 0.01, b"12.801\0"]])
def test_pieces_closer_than_the_silence_are_one_reply(opened: Opened, script: Script, acts: list[Act]) -> None:
    script.replies |= {b"*IDN?": [IDENTITY], b"A?": acts, b"B?": [b"1.200"]}
    session = opened(gap_s=0.1, timeout_s=0.8)
    assert [session.ask(question) for question in ("A?", "B?", "A?")] == [b"12.801", b"1.200", b"12.801"]


@pytest.mark.parametrize("backend", BYTE_STREAMS, indirect=True)
@pytest.mark.parametrize("reply", [b"12.801", b"12.801\r", b"1"])
def test_undeclared_silence_is_an_error_that_shows_what_came(opened: Opened, script: Script, reply: bytes) -> None:
    session = opened()
    script.replies[b"MEAS:VOLT?"] = [reply]
    with pytest.raises(Timeout) as caught:
        number(session.ask("MEAS:VOLT?"), unit="V")
    assert repr(reply) in str(caught.value)
    assert str(caught.value).startswith("it at ")
    assert str(caught.value).count("\n") == 0


# -- more than the terminator ------------------------------------------------------------------------------------------

ENDS = [b"\n\0", b"\n\0\0\0", b"\0\n", b"\r\n\0", b"\n\r", b"\n \0", b"\0\r\0\n\0"]


@pytest.mark.parametrize("end", ENDS)
def test_padding_spoils_no_reading(opened: Opened, script: Script, end: bytes) -> None:
    script.replies |= {b"*IDN?": [IDENTITY + end], b"MEAS:CURR?": [b"1.200" + end]}
    volts = iter((b"12.801", b"12.800"))
    script.replies |= {b"MEAS:VOLT?": lambda: [next(volts) + end], b"SYST:ERR?": [b'0,"No error"' + end + b"\0\0"]}
    session = opened()
    for _ in range(2):
        session.distrust()
        assert session.ask("*IDN?") == IDENTITY
    assert number(session.ask("MEAS:VOLT?"), unit="V") == 12.801
    assert number(session.ask("MEAS:CURR?"), unit="A") == 1.200
    assert session.errors() == ()
    assert number(session.ask("MEAS:VOLT?"), unit="V") == 12.800
    assert session.openings == 1


@pytest.mark.parametrize("backend", ["tcp", "pty"], indirect=True)
def test_padding_that_comes_late_is_no_reply(opened: Opened, script: Script, backend: Any) -> None:
    script.replies |= {b"A?": [b"12.801\n", 0.02, b"\0"], b"B?": [b"1.200\n\0"]}
    session = opened()
    for _ in range(3):
        assert session.ask("A?") == b"12.801"
        backend.settle()
        assert session.ask("B?") == b"1.200"
    assert session.openings == 1


@pytest.mark.parametrize("backend", BYTE_STREAMS, indirect=True)
def test_zero_in_the_place_of_the_line_end(opened: Opened, script: Script) -> None:
    script.replies |= {b"*IDN?": [IDENTITY + b"\0"], b"A?": [b"12.801\0"], b"B?": [b"\0" + b"1.200\0"]}
    session = opened(gap_s=0.05, timeout_s=0.8)
    assert [session.ask(question) for question in ("A?", "B?", "A?")] == [b"12.801", b"1.200", b"12.801"]
