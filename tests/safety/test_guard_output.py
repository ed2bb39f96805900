"""One output as the guard sees it: what it is told, what it is asked and what means off; each value by hand."""

from __future__ import annotations

import math

import pytest
from guard_fakes import Line, output


def test_off_over_a_line_that_has_to_be_opened() -> None:
    line = Line(b"")
    one = output(line)
    assert one.switch_off() is True
    assert one.switch_off() is True
    assert line.said == ["open", "REM", "OFF", "OFF"]
    assert one.tries == 2


def test_a_line_that_fails_is_opened_anew_once() -> None:
    line = Line(b"", fails=1)
    one = output(line)
    assert one.switch_off() is True
    assert line.said == ["open", "REM", "close", "open", "REM", "OFF"]
    assert one.tries == 1
    lost = Line(b"", fails=9)
    one = output(lost)
    assert one.switch_off() is False
    assert lost.said == ["open", "REM", "close", "open", "REM", "close"]
    assert one.last == "OSError: gone"


@pytest.mark.parametrize(
    ("error", "nobody"),
    [(ConnectionRefusedError(), True), (FileNotFoundError(), True), (TimeoutError(), False), (OSError(), False)],
)
def test_whether_anybody_is_there(error: Exception, nobody: bool) -> None:
    line = Line(b"", fails=2, error=error)
    one = output(line)
    one.switch_off()
    assert one.nobody_there is nobody
    one.switch_off()
    assert one.nobody_there is False


@pytest.mark.parametrize(
    ("replies", "off", "last", "amps"),
    [
        ((b"0", b"0.01", b"-0.02"), True, "says off, 0.010 A, -0.020 A", -0.02),
        ((b"1", b"0.0"), False, "says ON, 0.000 A, 0.000 A", 0.0),
        ((b"x", b"0.0"), False, "answers 'x', 0.000 A, 0.000 A", 0.0),
        ((b"0", b"0.0", b"0.021"), False, "says off, 0.000 A, 0.021 A", 0.021),
        ((b"0", b"6.0", b"?"), False, "says off, 6.000 A, no current", 6.0),
        ((b"0", b"?"), False, "says off, no current, no current", math.nan),
        ((TimeoutError("silent"),), False, "TimeoutError: silent", math.nan),
    ],
)
def test_looking(replies: tuple[bytes | Exception, ...], off: bool, last: str, amps: float, slept: list[float]) -> None:
    line = Line(*replies)
    one = output(line)
    one.look()
    assert one.off.is_set() is off
    assert one.last == last
    assert one.amps == pytest.approx(amps, nan_ok=True)
    assert (one.amps_utc == "never") is math.isnan(amps)
    if len(replies) > 1:
        assert slept == [0.2, 0.2]
        assert line.said == ["open", "REM", "SEL 1", "ON?", "AMPS?", "AMPS?"]
    else:
        assert line.said[-1] == "close"


def test_a_switch_has_no_current(slept: list[float]) -> None:
    one = output(Line(b"0"), amps=None)
    one.look()
    assert one.off.is_set()
    assert one.last == "says off"
    assert slept == []


def test_the_lowest_current_and_its_answer() -> None:
    line = Line(b"OK")
    output(line).soften()
    assert line.said == ["open", "REM", "CURR 0"]
    silent = Line(TimeoutError())
    output(silent).soften()
    assert silent.said[-1] == "close"


def test_anew_nothing_is_known() -> None:
    one = output(Line(b"0"))
    one.off.set()
    one.tries, one.last = 3, "says off"
    again = one.anew()
    assert (again.off.is_set(), again.tries, again.last) == (False, 0, "no answer")
    assert (again.name, again.line, again.told) == (one.name, one.line, one.told)
