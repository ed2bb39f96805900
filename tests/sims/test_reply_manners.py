"""The look of replies; and that whoever knows the manners of an instrument reads a number whatever they are."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sims.bench import open_bench
from sims.line_manners import Line, Port, Session
from sims.local_key import LocalKey
from sims.manners import COMPOUNDS, ERROR_WORDS, GRIDS, Manners
from sims.reply_manners import apply, error_text, quantity_text, scientific
from sims.talk import Engine, Number, setting

QUANTITIES: list[tuple[dict[str, Any], str, str]] = [
    ({}, "12.801", "12.801"),
    ({"unit_suffix": True}, "12.801", "12.801V"),
    ({"plus_sign": True}, "12.801", "+12.801"),
    ({"plus_sign": True}, "-0.5", "-0.5"),
    ({"comma": True}, "12.801", "12,801"),
    ({"quoted": True}, "12.801", '"12.801"'),
    ({"nr3": True}, "12.801", "1.2801E+01"),
    ({"nr3": True}, "-0.00120", "-1.20E-03"),
    ({"nr3": True}, "0.000", "0.000E+00"),
    ({"nr3": True}, "5", "5.0E+00"),
    ({"nr3": True}, "9.91E37", "9.91E37"),
    (
        {"nr3": True, "plus_sign": True, "unit_suffix": True, "quoted": True, "comma": True},
        "12.801",
        '"+1,2801E+01V"',
    ),
    ({"unit_suffix": True}, "1.5,2.5", "1.5V,2.5V"),
    ({"comma": True}, "1.5,2.5", "1,5;2,5"),
    ({"unit_suffix": True, "quoted": True}, "MAX", "MAX"),
]


@pytest.mark.parametrize(("habits", "answer", "dressed"), QUANTITIES)
def test_quantities(habits: dict[str, Any], answer: str, dressed: str) -> None:
    assert quantity_text(answer, unit="V", manners=Manners(**habits)) == dressed


ERRORS = [
    ("standard", '0,"No error"', '0,"No error"'),
    ("plus", '0,"No error"', '+0,"No error"'),
    ("plus", '-113,"Undefined header"', '-113,"Undefined header"'),
    ("bare", '0,"No error"', "0"),
    ("bare", '-222,"Data out of range;VOLT 99"', "-222"),
    ("unquoted", '0,"No error"', "0,No error"),
    ("prefixed", '0,"No error"', '0,"No error"'),
    ("prefixed", '-113,"Undefined header"', '**ERROR: -113,"Undefined header"'),
    ("unquoted", '-113,"Undefined header",-222,"Data out of range"', "-113,Undefined header,-222,Data out of range"),
]


@pytest.mark.parametrize(("words", "answer", "dressed"), ERRORS)
def test_words_of_the_error_queue(words: str, answer: str, dressed: str) -> None:
    assert error_text(answer, words=words) == dressed


@given(st.decimals(allow_nan=False, allow_infinity=False, min_value=-(10**9), max_value=10**9, places=5))
def test_scientific_notation_keeps_value_and_digits(value: Any) -> None:
    text = f"{value:f}"
    assert float(scientific(text)) == float(text)


def ask(message: bytes, **habits: Any) -> bytes:
    sim = open_bench("cabinet", now=lambda: 0.0, manners={"supply": Manners(**habits)})
    return sim.connect("supply").feed(message + b"\n")


WIRED: list[tuple[dict[str, Any], bytes, bytes]] = [
    ({"unit_suffix": True}, b"VOLT 12;:VOLT?;CURR?", b"12.0000V;0.0000A\n"),
    ({"unit_suffix": True, "quoted": True, "plus_sign": True}, b"OUTP?;*ESE?;:SYST:ERR:COUN?", b"0;0;0\n"),
    ({"nr3": True}, b"VOLT 12;:VOLT?", b"1.20000E+01\n"),
    ({"error_words": "plus"}, b"SYST:ERR?", b'+0,"No error"\n'),
    ({"error_words": "prefixed"}, b"VOLT 999;:SYST:ERR?", b'**ERROR: -222,"Data out of range;'),
    ({"no_exponent": True}, b"VOLT 1.2E1;:VOLT?", b""),
    ({"no_exponent": True}, b"VOLT 12;:VOLT?", b"12.0000\n"),
    ({"no_exponent": True}, b"*SRE #H0E;*SRE?", b"14\n"),
]


@pytest.mark.parametrize(("habits", "sent", "received"), WIRED)
def test_on_the_wire(habits: dict[str, Any], sent: bytes, received: bytes) -> None:
    reply = ask(sent, **habits)
    assert reply.startswith(received) if received and not received.endswith(b"\n") else reply == received


def test_an_exponent_that_is_not_understood_is_the_standards_error_and_changes_nothing() -> None:
    sim = open_bench("cabinet", now=lambda: 0.0, manners={"supply": Manners(no_exponent=True)})
    session = sim.connect("supply")
    session.feed(b"VOLT 5\nVOLT 1.2E1\n")
    assert session.feed(b"VOLT?\n") == b"5.0000\n"
    assert session.feed(b"SYST:ERR?\n").startswith(b"-121,")


# -- any manners -------------------------------------------------------------------------------------------------------


class Reader:
    """A client that knows the manners of the instrument it talks to."""

    def __init__(self, manners: Manners) -> None:
        self.t = 0.0
        self._manners = manners
        self._ends, self._hears = manners.ends.encode(), manners.hears.encode()
        held = {"volts": 0.0}
        volts = setting(
            "VOLTage",
            Number(0.0, 30.0, 0.0, unit="V", decimals=3),
            get=lambda: held["volts"],
            put=lambda value: held.update(volts=value),
        )
        engine = Engine(identity="A,B,C,D", commands=(volts,))
        key = LocalKey(engine, remote_needed=manners.remote_needed)
        apply(engine, manners)
        port = Port(engine, manners, key=key, restart=key.restart, now=lambda: self.t)
        self._session: Session = port.connect()
        self.t += manners.deaf_s
        greeting = manners.banner.encode() + self._ends if manners.banner else b""
        assert self._session.feed(b"") == greeting
        if manners.remote_needed:
            self.say("SYST:REM")

    def say(self, message: str) -> bytes:
        """Send a message in good time; its reply without the echo."""
        self.t += self._manners.gap_s
        sent = message.encode() + self._hears
        came = self._session.feed(sent)
        while isinstance(self._session, Line) and (due_s := self._session.due_in_s) is not None:
            self.t += due_s
            came += self._session.feed(b"")
        return came.removeprefix(sent) if self._manners.echo else came

    def number(self, message: str) -> float:
        """The reply as a number."""
        manners = self._manners
        reply = self.say(message)
        if manners.second_line:
            reply = reply.removesuffix(manners.second_line.encode() + self._ends)
        text = reply.removesuffix(self._ends).decode()
        text = text.strip('"') if manners.quoted else text
        text = text.removesuffix("V") if manners.unit_suffix else text
        return float(text.replace(",", ".") if manners.comma else text)


TERMINATORS = ("\n", "\r\n", "\r", "\n\0", "\n\0\0\0", "")

DRAWN: dict[str, st.SearchStrategy[Any]] = {
    "grid": st.sampled_from(GRIDS),
    "ends": st.sampled_from(TERMINATORS),
    "hears": st.sampled_from(("\n", "\r\n", "\r")),
    "gap_s": st.sampled_from((0.0, 0.02, 0.3)),
    "compound": st.sampled_from(COMPOUNDS),
    "buffer_bytes": st.sampled_from((0, 20, 100)),
    "banner": st.sampled_from(("", "READY v1")),
    "idle_drop_s": st.sampled_from((0.0, 30.0)),
    "clients_max": st.sampled_from((0, 1)),
    "second_line": st.sampled_from(("", "OK")),
    "answers_orders": st.sampled_from(("", "OK")),
    "deaf_s": st.sampled_from((0.0, 1.5)),
    "remote_words": st.sampled_from(("NOT IN REMOTE", "?")),
    "reply_delay_s": st.sampled_from((0.0, 0.1, 2.0)),
    "error_words": st.sampled_from(ERROR_WORDS),
    "baud": st.sampled_from((0, 9600)),
}
OF_PANELS = ("shape", "wired_channel", "channels", "settle_s", "restores_output", "stop", "watchdog")
"""Habits of the panels, which have tests of their own."""

ANY_MANNERS = st.builds(
    Manners,
    **DRAWN,
    **{field.name: st.booleans() for field in fields(Manners) if isinstance(field.default, bool)},
)


def test_every_habit_is_drawn() -> None:
    drawn = {*DRAWN, *(field.name for field in fields(Manners) if isinstance(field.default, bool))}
    assert drawn | {*OF_PANELS} == {field.name for field in fields(Manners)}


@given(manners=ANY_MANNERS, millivolts=st.integers(0, 30_000))
def test_whoever_knows_the_manners_reads_the_number_that_was_set(manners: Manners, millivolts: int) -> None:
    reader = Reader(manners)
    volts = millivolts / 1000.0
    due = manners.answers_orders + manners.ends if manners.answers_orders else ""
    for _ in range(2):
        assert reader.say(f"VOLT {volts:.3f}").decode() == due
        assert reader.number("VOLT?") == pytest.approx(volts, abs=1e-9)
