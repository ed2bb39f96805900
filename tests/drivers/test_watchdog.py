"""An instrument's own watchdog through its driver, the table it stands in, and a mode told in words."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import msgspec
import pytest
from test_dialect import SUPPLY

from drivers.dialect import DialectRefused, Mode, SupplyDialect, load, parse
from drivers.faults import ReadBackMismatch, Unreadable, Unsendable, Unsupported
from drivers.load import Load
from drivers.session import Session
from drivers.supply import Supply
from drivers.wire_memory import MemoryWire
from sims.bench import open_bench
from sims.manners import Manners

TABLE = """
[watchdog]
clear = "W3"
[watchdog.seconds]
set = "W {}"
ask = "W?"
unit = "s"
decimals = 1
least = 0.5
most = 30
[watchdog.armed]
set_on = "W1"
set_off = "W0"
ask = "WA?"
[watchdog.trip]
ask = "WT?"
words = "watchdog expired"
"""


class Told:
    """An instrument that answers from a table, and obeys what it is told to."""

    def __init__(self, **answers: str) -> None:
        self.answers = {"*IDN?": "OURS,W,1,0", "SYST:ERR?": '0,"No error"', "W?": "60.0", **answers}
        self.heard: list[str] = []
        self.obeys: dict[str, tuple[str, str]] = {}

    def feed(self, data: bytes) -> bytes:
        out = ""
        for line in data.decode("ascii").splitlines():
            self.heard.append(line)
            if line in self.obeys:
                ask, answer = self.obeys[line]
                self.answers[ask] = answer
            elif line.startswith("W "):
                self.answers["W?"] = line[2:]
            elif line.endswith("?"):
                out += self.answers[line] + "\n"
        return out.encode()

    def hang_up(self) -> None: ...


def supply(told: Told, text: str) -> Supply:
    dialect = parse(SUPPLY + text, where="mine.toml")
    assert isinstance(dialect, SupplyDialect)
    return Supply(Session(MemoryWire(lambda: told, lambda seconds: None, name="it", address="memory")), dialect)


def test_the_time_goes_first_and_both_are_read_back() -> None:
    """Armed with the time that was left there it might expire at once."""
    told = Told(**{"WA?": "0", "WT?": "0"})
    told.obeys = {"W1": ("WA?", "1"), "W0": ("WA?", "0")}
    it = supply(told, TABLE)
    assert it.arm_watchdog(seconds=10.0) == 10.0
    assert told.heard[1:] == ["W 10.0", "W?", "W1", "WA?"]
    assert it.watchdog_is_armed()
    it.disarm_watchdog()
    assert not it.watchdog_is_armed()
    it.set_watchdog_s(seconds=30.0)
    assert it.watchdog_s() == 30.0
    assert it.watchdog_span_s == (0.5, 30.0)
    with pytest.raises(Unsendable, match="above the most it takes"):
        it.arm_watchdog(seconds=31.0)
    told.obeys = {}
    with pytest.raises(ReadBackMismatch, match="watchdog of its line is still off"):
        it.arm_watchdog(seconds=10.0)


def test_without_a_switch_of_its_own_no_time_is_off() -> None:
    told = Told()
    it = supply(told, TABLE.partition("[watchdog.armed]")[0].replace('clear = "W3"\n', ""))
    it.arm_watchdog(seconds=5.0)
    assert it.watchdog_is_armed()
    it.disarm_watchdog()
    assert (told.answers["W?"], it.watchdog_is_armed(), it.expired()) == ("0.0", False, None)
    assert [key for key, _ in it.state_queries()][-1] == "watchdog_s"
    with pytest.raises(Unsupported, match=r"has no \[watchdog\] with clear"):
        it.clear_watchdog()


def test_one_without_the_table_has_none() -> None:
    it = supply(Told(), "")
    assert (it.has_watchdog, it.expired()) == (False, None)
    for act in (lambda: it.arm_watchdog(seconds=5.0), it.disarm_watchdog, it.clear_watchdog):
        with pytest.raises(Unsupported, match=r"has no \[watchdog\]"):
            act()


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ('unit = "s"', 'unit = "A"', "watchdog.seconds.unit = 'A': accepted: s, or an empty text"),
        ("decimals = 1", "decimal = 1", "watchdog.seconds.decimal: unknown key; did you mean decimals? accepted: ask"),
        ("most = 30", "most = 0.1", "watchdog.seconds.most = 0.1: more than least = 0.5 is due"),
        ("least = 0.5", "least = -1", "watchdog.seconds.least = -1.0: 0 s or more is due"),
        ('ask = "W?"', "", "watchdog.seconds.ask: missing; every dialect of this kind needs it"),
        (
            'clear = "W3"',
            'clear = "W3"\nlatches = true',
            "watchdog.latches: unknown key; accepted: seconds, armed, trip",
        ),
        ('clear = "W3"', "restores_output = true", "watchdog.restores_output = True: without clear nothing brings it"),
        ('clear = "W3"', 'clear = "W1"', "watchdog.clear = 'W1': the same text stands in watchdog.armed.set_on"),
        ('clear = "W3"', 'clear = "W3;O1"', "watchdog.clear = 'W3;O1': ';' begins a second command"),
        ('set = "W {}"', 'set = "W"', "watchdog.seconds.set = 'W': exactly one {} is due"),
        ('ask = "WA?"', 'ask = "WA?"\nbit = 3\nreply_on = ["1"]', "watchdog.armed.reply_on: bit is also given"),
        ('words = "watchdog expired"', "", "watchdog.trip.words: missing"),
        ('[watchdog.trip]\nask = "WT?"\nwords = "watchdog expired"\n', "", "watchdog.clear: without [watchdog.trip]"),
    ],
)
def test_refused_with_key_and_reason(old: str, new: str, line: str) -> None:
    assert old in TABLE
    with pytest.raises(DialectRefused) as caught:
        parse(SUPPLY + TABLE.replace(old, new, 1), where="mine.toml")
    assert f"mine.toml: {line}" in str(caught.value)


def test_a_whole_instrument_s_watchdog_needs_no_channel() -> None:
    channels = '[channels]\nhow = "select"\nset = "C {channel}"\nask = "C?"\nmost = 3\n'
    text = SUPPLY.replace("[volts]", f"{channels}[volts]") + TABLE
    assert parse(text, where="mine.toml")
    shipped = msgspec.structs.replace(load("scpi-supply-list"), watchdog=load("scpi-supply-watchdog").watchdog)  # type: ignore[union-attr]
    from drivers.dialect_checks import problems

    assert list(problems(shipped)) == []


# -- on the simulated instruments --------------------------------------------------------------------------------------


def made(name: str, habit: str) -> tuple[Any, Any, Callable[[float], None]]:
    now = [0.0]
    bench = open_bench("porch", now=lambda: now[0], manners={name: Manners(shape="watchdog", watchdog=habit)})
    wire = MemoryWire(lambda: bench.connect(name), lambda seconds: None, name=name, address="memory")
    session = Session(wire)
    session.open()

    def wait(seconds: float) -> None:
        now[0] += seconds
        bench.advance()

    return {"supply": Supply, "load": Load}[name](session, load(f"scpi-{name}-watchdog")), bench.world, wait  # type: ignore[operator]


@pytest.mark.parametrize("name", ["supply", "load"])
@pytest.mark.parametrize(("habit", "comes_back"), [("acts", False), ("restores", False), ("insists", True)])
def test_cleared_with_off_said_first(name: str, habit: str, comes_back: bool) -> None:
    """One insists: its old output comes back although off was said meanwhile; it is switched off again and told."""
    it, world, wait = made(name, habit)
    it.set_amps(amps=1.0)
    if name == "supply":
        it.set_volts(volts=14.0)
    assert it.arm_watchdog(seconds=10.0) == 10.0
    it.switch(True)
    wait(10.1)
    port = world.supply if name == "supply" else world.load
    switch = "output_on" if name == "supply" else "input_on"
    assert not getattr(port, switch)
    assert it.expired() == "own watchdog of its line expired"
    assert it.state()["watchdog_expired"] is True
    if comes_back:
        with pytest.raises(ReadBackMismatch, match="came on as its protection was cleared, and was switched off again"):
            it.clear_watchdog()
    else:
        it.clear_watchdog()
    assert not getattr(port, switch)
    assert it.expired() is None
    assert it.tripped() is None


def test_cleared_without_off_a_restoring_one_is_caught() -> None:
    it, world, wait = made("load", "restores")
    it.set_amps(amps=0.1)
    it.arm_watchdog(seconds=10.0)
    it.switch(True)
    wait(10.1)
    with pytest.raises(ReadBackMismatch, match="input came on as its protection was cleared, and was switched off"):
        it.clear_watchdog(off_first=False)
    assert not world.load.input_on


# -- a mode in words ---------------------------------------------------------------------------------------------------

WORDS = '[mode]\nask = "M?"\n[mode.reply]\nCV = "cv"\n"CONST CURR" = "cc"\nOFF = "off"\n'


@pytest.mark.parametrize(("said", "mode"), [("CV", "cv"), ('"const curr"', "cc"), (" off ", "off")])
def test_what_regulates_may_be_told_in_words(said: str, mode: str) -> None:
    assert supply(Told(**{"M?": said, "O?": "0"}), WORDS).mode() == mode


def test_a_word_that_is_none_of_them_is_not_understood() -> None:
    """A late answer to another question must not pass for a mode."""
    with pytest.raises(Unreadable, match="is none of CV, CONST CURR, OFF"):
        supply(Told(**{"M?": "12.8"}), WORDS).mode()


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (WORDS.replace("[mode.reply]", 'form = "M{}"\n[mode.reply]'), "mode.form = 'M{}': only with mask"),
        (WORDS.replace("CV", "cv"), "mode.reply.cv = 'cv': 'CV' is due: answers are compared in capitals"),
        (WORDS.replace("[mode.reply]", "mask = 3\n[mode.reply]"), "mode.reply = 'CV': a whole number within mask = 3"),
    ],
)
def test_a_mode_is_a_register_or_words(text: str, line: str) -> None:
    with pytest.raises(DialectRefused) as caught:
        parse(SUPPLY + text, where="mine.toml")
    assert line in str(caught.value)


def test_the_mask_may_be_left_out() -> None:
    dialect = parse(SUPPLY + WORDS, where="mine.toml")
    assert isinstance(dialect, SupplyDialect)
    assert dialect.mode == Mode(ask="M?", reply={"CV": "cv", "CONST CURR": "cc", "OFF": "off"})
    assert math.isfinite(dialect.volts.finest)
