"""Instruments that lose, cut or refuse messages: the first thing that went wrong is named, nothing is guessed.

Sources of the cases: messages that come too soon are lost (pyvisa/pyvisa#362, #483, #689); a message is obeyed in part
(j123b567/scpi-parser#111, Vrekrer/Vrekrer_scpi_parser#18) or cut after so many characters (guides to such instruments);
nothing is obeyed before a word that takes the instrument to remote (guides, common on serial lines).
"""

from __future__ import annotations

from collections.abc import Callable

import msgspec
import pytest

from drivers.dialect import Line, Remote, load
from drivers.faults import ReadBackMismatch, Unreadable, Unsendable
from drivers.session import Session
from drivers.supply import Supply
from drivers.wire import Timeout, WireError
from drivers.wire_memory import MemoryWire

TRAVEL_S = 0.001
"""How long a message and its answer are on the way together."""


class Fussy:
    """A supply with a clock: a message that begins within ``gap_s`` of the one before is lost without a word."""

    def __init__(
        self, *, gap_s: float = 0.0, answers_at_once: bool = False, most_bytes: int = 0, remote: str = ""
    ) -> None:
        self.gap_s, self.answers_at_once, self.most_bytes, self.remote = gap_s, answers_at_once, most_bytes, remote
        self.now_s, self.last_s = 0.0, -1.0
        self.is_remote = not remote
        self.held: dict[str, str] = {"OUTP": "0"}
        self.heard: list[str] = []
        self.lost: list[str] = []

    def pass_time(self, seconds: float) -> None:
        self.now_s += seconds

    def feed(self, data: bytes) -> bytes:
        return b"".join(self.message(line) for line in data.decode().splitlines())

    def hang_up(self) -> None: ...

    def message(self, line: str) -> bytes:
        early = self.now_s - self.last_s < self.gap_s and not (self.answers_at_once and "?" in line)
        self.last_s = self.now_s
        self.now_s += TRAVEL_S
        if early:
            self.lost.append(line)
            return b""
        self.heard.append(line)
        if line == self.remote:
            self.is_remote = True
            return b""
        if not self.is_remote:
            return b"NOT IN REMOTE\r\n"
        return self.obey(line[: self.most_bytes] if self.most_bytes else line)

    def obey(self, line: str) -> bytes:
        if line == "*IDN?":
            return b"OURS,FUSSY,1,0\n"
        if line == "SYST:ERR?":
            return b'0,"No error"\n'
        if line.endswith("?"):
            return self.held.get(line.removesuffix("?"), "0").encode() + b"\n"
        header, _, value = line.partition(" ")
        self.held[header] = {"ON": "1", "OFF": "0"}.get(value, value)
        return b""


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


# -- what its error queue says -----------------------------------------------------------------------------------------

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


def queue(it: Fussy, *replies: bytes) -> None:
    waiting, obey = list(replies), it.obey

    def answer(line: str) -> bytes:
        if line != "SYST:ERR?":
            return obey(line)
        return (waiting.pop(0) if len(waiting) > 1 else waiting[0]).rstrip(b"\n") + b"\n"

    it.obey = answer  # type: ignore[method-assign]


@pytest.mark.parametrize("reply", NONE)
@pytest.mark.parametrize("dialect", ["scpi-supply", "scpi-supply-select"])
def test_no_error_in_its_spellings(reply, dialect, supply):
    it = Fussy()
    driver = supply(it)
    queue(it, reply)
    channel = 2 if dialect == "scpi-supply-select" else None
    assert Supply(driver.session, load(dialect), channel=channel).errors() == ()


@pytest.mark.parametrize(("reply", "code", "text"), SOME)
def test_an_error_in_its_spellings(reply, code, text, supply):
    it = Fussy()
    driver = supply(it)
    queue(it, reply, *(one for one, _, _ in SOME[:2]), b"+0, No error")
    assert driver.errors()[0] == (code, text)
    assert driver.errors() == (), "read empty at once"


def test_an_instrument_without_a_queue_is_not_asked(supply):
    it = Fussy()
    driver = supply(it, errors_ask="")
    it.heard.clear()
    assert driver.errors() == ()
    assert it.heard == []
