"""Instruments that lose, cut or refuse messages: the first thing that went wrong is named, nothing is guessed.

Sources of the cases: messages that come too soon are lost (pyvisa/pyvisa#362, #483, #689); a message is obeyed in part
(j123b567/scpi-parser#111, Vrekrer/Vrekrer_scpi_parser#18) or cut after so many characters (guides to such instruments);
nothing is obeyed before a word that takes the instrument to remote (guides, common on serial lines).
"""

from __future__ import annotations

from collections.abc import Callable

import msgspec
import pytest
from fussy import Fussy

from drivers.dialect import Line, Remote, load
from drivers.faults import ReadBackMismatch, Unreadable, Unsendable
from drivers.session import Session
from drivers.supply import Supply
from drivers.wire import Timeout, WireError
from drivers.wire_memory import MemoryWire


@pytest.fixture
def supply():
    """``supply(instrument, line=..., remote=...)``: a driver whose dialect has these tables."""

    def make(it: Fussy, **tables: object) -> Supply:
        dialect = msgspec.structs.replace(load("scpi-supply"), **tables)
        line = dialect.line
        wire = MemoryWire(lambda: it, it.pass_time, name="supply", address="memory", pace_s=line.pace_s, timeout_s=0.5)
        remote = dialect.remote.set if dialect.remote else None
        session = Session(wire, errors_ask=dialect.errors_ask, identity_ask=dialect.identity_ask, remote=remote)
        session.open()
        return Supply(session, dialect)

    return make


# -- messages too close together ---------------------------------------------------------------------------------------


def fifty(driver: Supply) -> list[float]:
    return [driver.set_volts(volts=10 + number / 10) for number in range(50)]


def test_with_a_pause_all_of_fifty_set_points_are_confirmed(supply):
    it = Fussy(gap_s=0.020)
    assert fifty(supply(it, line=Line(pace_s=0.03))) == [10 + number / 10 for number in range(50)]
    assert it.lost == []


@pytest.mark.parametrize("gap_s", [0.0005, 0.005, 0.020, 0.2])
@pytest.mark.parametrize("pace_s", [0.0, 0.001, 0.004, 0.01, 0.03, 0.25])
def test_a_set_point_is_confirmed_or_named_whatever_the_pause(gap_s, pace_s, supply):
    it = Fussy(gap_s=gap_s)
    try:
        driver = supply(it, line=Line(pace_s=pace_s))
    except WireError:
        assert "*IDN?" in it.lost
        return
    it.lost.clear()
    confirmed = 0
    try:
        for number in range(50):
            assert driver.set_volts(volts=10 + number / 10) == 10 + number / 10
            confirmed += 1
        assert it.lost == []
    except (Timeout, ReadBackMismatch) as fault:
        first = f"VOLT {10 + confirmed / 10:.3f}"
        assert first in str(fault)  # noqa: PT017 - where nothing is lost nothing is raised
        assert set(it.lost) <= {first, "VOLT?"}


def test_without_one_the_first_that_was_lost_is_named(supply):
    """Here questions get through, so that only what sets is lost: the instrument answers with what it held before."""
    it = Fussy(gap_s=0.020, answers_at_once=True)
    driver = supply(it)
    it.pass_time(1.0)
    driver.set_volts(volts=11.4)
    with pytest.raises(ReadBackMismatch) as caught:
        driver.set_volts(volts=11.3)
    assert str(caught.value).startswith("supply: sent 'VOLT 11.300': volts: 11.300 V was sent, 11.4 V is held")
    assert it.lost == ["VOLT 11.300"]


def test_where_the_question_is_lost_the_order_before_it_is_named(supply):
    it = Fussy(gap_s=0.020)
    driver = supply(it, line=Line())
    it.pass_time(1.0)
    with pytest.raises(Timeout, match=r"'VOLT 11\.400' was sent just before and is not confirmed"):
        driver.set_volts(volts=11.4)
    it.pass_time(1.0)
    with pytest.raises(Timeout, match="'OUTP ON' was sent just before and is not confirmed"):
        driver.switch(True)


# -- messages too long -------------------------------------------------------------------------------------------------

LONG = "SOURCE:VOLTAGE:LEVEL:IMMEDIATE:AMPLITUDE"


def test_a_message_that_is_cut_is_found_by_its_read_back(supply):
    it = Fussy(most_bytes=len(f"{LONG} 1"))
    volts = msgspec.structs.replace(load("scpi-supply").volts, set=LONG + " {}", ask=LONG + "?")
    with pytest.raises(ReadBackMismatch, match=r"volts: 14\.400 V was sent, 1 V is held"):
        supply(it, volts=volts).set_volts(volts=14.4)


def test_a_message_known_to_be_too_long_is_never_sent(supply):
    it = Fussy(most_bytes=46)
    volts = msgspec.structs.replace(load("scpi-supply").volts, set=LONG + " {}", ask=LONG + "?")
    driver = supply(it, volts=volts, line=Line(message_bytes=46))
    it.heard.clear()
    with pytest.raises(
        Unsendable, match=r"has 48 bytes, \[line\] message_bytes of its dialect allows 46; nothing was sent"
    ):
        driver.set_volts(volts=14.4)
    assert it.heard == []


# -- nothing before a word ---------------------------------------------------------------------------------------------


def test_the_word_comes_first_and_after_each_opening(supply):
    it = Fussy(remote="SYST:REM")
    driver = supply(it, remote=Remote(set="SYST:REM"))
    driver.set_volts(volts=11.4)
    assert it.heard == ["SYST:REM", "*IDN?", "VOLT 11.400", "VOLT?"]
    it.heard.clear()
    it.is_remote = False
    driver.session.reopen()
    assert it.heard == ["SYST:REM", "*IDN?"]
    it.heard.clear()
    driver.session.wire.close()
    driver.off()
    assert it.heard == ["", "SYST:REM", "OUTP OFF"]


@pytest.mark.parametrize("remote", ["", "SYST:REM"])
def test_switching_off_on_a_new_line_is_not_kept_from_it_by_what_it_says(remote, supply):
    """It says a line at each opening, and a sentence to the empty message that goes ahead of the word."""
    it = Fussy(remote=remote)
    driver = supply(it, remote=Remote(set=remote) if remote else None)
    it.held["OUTP"] = "1"
    driver.session.wire.close()
    it.is_remote = not remote
    driver.session.wire._connect = lambda: Talkative(it)
    driver.off()
    assert it.held["OUTP"] == "0"
    assert driver.output_is_on() is False


class Talkative:
    """A new connection to it, with a banner."""

    def __init__(self, it: Fussy) -> None:
        self.it, self.banner = it, b"READY v1\r\n"

    def feed(self, data: bytes) -> bytes:
        banner, self.banner = self.banner, b""
        return banner + self.it.feed(data)

    def hang_up(self) -> None: ...


def test_without_the_word_it_is_told_at_the_start(supply):
    it = Fussy(remote="SYST:REM")
    with pytest.raises(Unreadable) as caught:
        supply(it)
    text = str(caught.value)
    assert "is its answer to every question" in text
    assert "NOT IN REMOTE" in text
    assert "remote" in text.rpartition(";")[2]
    assert not any("?" not in line for line in it.heard), "nothing was set"


@pytest.mark.parametrize(
    "call",
    [lambda it: it.set_volts(volts=11.4), lambda it: it.switch(True), lambda it: it.measure_volts()],
    ids=["set", "switch", "measure"],
)
def test_its_sentence_is_never_taken_for_an_answer(call: Callable[[Supply], object], supply):
    """Somebody takes it to local in mid-run: every line is answered, set commands too."""
    it = Fussy(remote="SYST:REM")
    driver = supply(it, remote=Remote(set="SYST:REM"))
    it.held |= {"VOLT": "12.0", "MEAS:VOLT": "12.0"}
    it.is_remote = False
    with pytest.raises((WireError, Unreadable, ValueError)) as caught:
        call(driver)
    assert "NOT IN REMOTE" in str(caught.value)
    it.is_remote = True
    assert driver.measure_volts() == 12.0, "and nothing of it is left over"


def test_whether_it_is_remote_is_a_part_of_the_state(supply):
    it = Fussy(remote="SYST:REM")
    driver = supply(it, remote=Remote(set="SYST:REM", ask="SYST:REM:STAT?"))
    it.held["SYST:REM:STAT"] = "REM"
    assert driver.state()["remote"] is True
    it.held["SYST:REM:STAT"] = "LOC"
    assert driver.is_remote() is False
    it.held["SYST:REM:STAT"] = "MAYBE"
    with pytest.raises(Unreadable, match="is none of 1, ON, REM, REMOTE, RWL, 0, OFF, LOC, LOCAL"):
        driver.is_remote()
