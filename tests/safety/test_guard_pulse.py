"""What the guard makes of the beats and of the answers it gets: tables, and everything else at random."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.guard_answers import amps_said, inner, is_zero, last_line, number, says_off, word
from harness.guard_outputs import turns
from harness.guard_pulse import OFF_STATE, REST, SWITCHING, Broken, Pulse, sealed

SEAL = "ab12"
STATES = frozenset({"sink", "source", REST, OFF_STATE, SWITCHING, "stand-in, mains on"})


def pulse(**more: Any) -> Pulse:
    given: dict[str, Any] = {"silence_s": 5.0, "rest_s": 60.0, "off_most_s": 20.0, "oldest_s": 3.0, "ends_s": 1000.0}
    return Pulse(**{"seal": SEAL, "states": STATES, **given, **more})


def beat(sequence: object = 1, sent_s: float = 1.0, state: str = "sink", age_ms: object = 12, seal: str = SEAL) -> str:
    return f"beat {sequence} {round(sent_s * 1e9)} {state.replace(' ', '_')} 7 {age_ms} {seal}"


def test_a_beat_is_answered_and_remembered() -> None:
    one = pulse()
    assert one.judge(beat(1, 2.0, "stand-in, mains on"), 2.1) == "seq 1 ok"
    assert (one.sequence, one.state, one.heard_s) == (1, "stand-in, mains on", 2.0)
    assert one.judge(beat(3, 2.5), 2.5) == "seq 3 ok"


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (beat(1), "does not go on"),
        (beat(0), "does not go on"),
        (beat(2, 0.5), "clock does not go on"),
        (beat(2, 2.0), "clock does not go on"),
        (beat(2, 1.5, state="dancing"), "not in the orders"),
        (beat(2, 1.5, age_ms=3001), "3.0 s old, limit 3 s"),
        (beat(2, 1.5, seal="other"), "not those that were sealed"),
        (beat(-2, 1.5), "not a whole number"),
        (beat("nan", 1.5), "not a whole number"),
        (beat(2, 1.5, age_ms="inf"), "not a whole number"),
        (beat("\u0662", 1.5), "not a whole number"),
        (beat(9**40, 1.5), "not a whole number"),
        ("", "not a beat"),
        ("beat", "not a beat"),
        (beat(2, 1.5) + " more", "not a beat"),
        ("bye", "good-bye while sink"),
    ],
)
def test_what_is_a_reason_to_act(line: str, why: str) -> None:
    one = pulse()
    one.judge(beat(1, 1.0), 1.0)
    with pytest.raises(Broken, match=why):
        one.judge(line, 1.9)
    assert not one.over


def test_the_oldest_reading_allowed() -> None:
    assert pulse().judge(beat(1, age_ms=3000), 1.0) == "seq 1 ok"


def test_the_first_beat_there_can_be() -> None:
    assert pulse().judge(beat(0, 0.5), 0.5) == "seq 0 ok"


def test_numbers_of_up_to_nineteen_digits() -> None:
    assert pulse().judge(beat(10**18), 1.0) == f"seq {10**18} ok"
    with pytest.raises(Broken, match="not a whole number"):
        pulse().judge(beat(10**19), 1.0)


@pytest.mark.parametrize(
    ("state", "within_s"), [("sink", 5.0), ("stand-in, mains on", 5.0), (REST, 60.0), (OFF_STATE, 60.0)]
)
def test_patience(state: str, within_s: float) -> None:
    one = pulse()
    one.judge(beat(1, 1.0, state), 1.0)
    assert one.wait_s(1.0) == within_s
    assert one.late(1.0 + within_s) is None
    assert "no beat" in (one.late(1.0 + within_s + 1e-3) or "")
    assert one.wait_s(1.0 + within_s + 1e-3) == 0.0


def test_nan_is_late() -> None:
    assert pulse().late(math.nan) is not None
    assert pulse(silence_s=math.nan, rest_s=math.nan).late(1.0) is not None


def test_waiting_in_the_line_is_no_sign_of_life() -> None:
    """A guard that was stopped reads later what was said long before: what counts is when it was said."""
    one = pulse()
    one.judge(beat(1, 1.0), 9.0)
    assert one.late(9.0) is not None


def test_switching_off_has_an_end() -> None:
    one = pulse()
    one.judge(beat(1, 1.0), 1.0)
    for count in range(2, 12):
        one.judge(beat(count, 2.0 * count, SWITCHING), 2.0 * count)
        assert one.doing == "sink"
    assert one.late(23.9) is None
    assert "switching off goes on" in (one.late(24.1) or "")
    one.judge(beat(12, 24.0, REST), 24.0)
    assert one.late(30.0) is None


def test_a_run_has_an_end() -> None:
    one = pulse(ends_s=3.0)
    one.judge(beat(1, 2.9), 2.9)
    assert one.wait_s(2.9) == pytest.approx(0.1)
    assert "past the latest end" in (one.late(3.01) or "")


def test_good_bye_counts_after_off_only() -> None:
    one = pulse()
    one.judge(beat(1, 1.0, SWITCHING), 1.0)
    with pytest.raises(Broken):
        one.judge("bye", 1.0)
    one.judge(beat(2, 1.0, OFF_STATE), 1.0)
    assert one.judge("bye", 1.0) == "bye"
    assert one.over


def test_unsafe_is_said_at_any_time() -> None:
    one = pulse()
    assert one.judge("unsafe", 1.0) == "unsafe"
    assert one.unsafe
    assert not one.over


@given(st.lists(st.one_of(st.text(max_size=60), st.sampled_from([beat(2, 1.5), "bye", beat(5, 1.6, OFF_STATE)]))))
def test_nothing_but_beats_keeps_it_quiet(lines: list[str]) -> None:
    """Whatever comes: it is answered, or refused; and the sequence never goes back."""
    one, before = pulse(), -1
    for line in lines:
        try:
            answer = one.judge(line, 2.0)
        except Broken:
            continue
        assert one.sequence >= before
        before = one.sequence
        assert answer in (f"seq {one.sequence} ok", "bye", "unsafe")
        assert one.over is (answer == "bye") or one.over


def test_orders_are_sealed_whole() -> None:
    orders = {"a": 1, "b": {"c": [1.5, "x"]}}
    assert sealed(orders) == sealed({"b": {"c": [1.5, "x"]}, "a": 1})
    assert sealed(orders) != sealed({"a": 1, "b": {"c": [1.5, "y"]}})


# -- the order ---------------------------------------------------------------------------------------------------------

KINDS = {"psu": "supply", "sink": "load", "k1": "contactor", "plug": "mains"}


@pytest.mark.parametrize(
    ("order", "names"),
    [
        ([("sink", 0.0), ("psu", 0.0), ("k1", 0.0)], ["sink", "psu", "plug", "k1"]),
        ([("k1", 0.0), ("psu", 0.0)], ["psu", "sink", "plug", "k1"]),
        ([("plug", 0.0), ("psu", 0.0), ("sink", 3.0)], ["plug", "psu", "sink", "k1"]),
        ([("gone", 0.0)], ["psu", "sink", "plug", "k1"]),
        ([], ["psu", "sink", "plug", "k1"]),
    ],
)
def test_everybody_is_told_and_the_contactor_comes_last(order: list[tuple[str, float]], names: list[str]) -> None:
    told = turns(order, KINDS)
    assert [name for name, _, _ in told] == names
    assert [last for _, _, last in told] == [False, False, False, True]
    assert {name: hold for name, hold, _ in told}["sink"] == dict(order).get("sink", 0.0)


# -- what answers mean -------------------------------------------------------------------------------------------------

ONE_OR_NOUGHT = {"off_replies": ["0", "OFF"], "on_replies": ["1", "ON"], "bit": None, "form": "(.+?)"}
BIT = {"off_replies": [], "on_replies": [], "bit": 3, "form": "STB (.+?)"}


@pytest.mark.parametrize(
    ("reply", "told", "off"),
    [
        ("0", ONE_OR_NOUGHT, True),
        ("+00", ONE_OR_NOUGHT, True),
        ('"OFF"', ONE_OR_NOUGHT, True),
        (" off ", ONE_OR_NOUGHT, True),
        ("1", ONE_OR_NOUGHT, False),
        ("on", ONE_OR_NOUGHT, False),
        ("", ONE_OR_NOUGHT, None),
        ("0;1", ONE_OR_NOUGHT, None),
        ("0.0", ONE_OR_NOUGHT, None),
        ("nan", ONE_OR_NOUGHT, None),
        ("STB 7", BIT, True),
        ("stb 8", BIT, False),
        ("STB 15", BIT, False),
        ("STB 0", BIT, True),
        ("STB -8", BIT, None),
        ("STB -1", BIT, None),
        # Up to 2**53 a number is told bit by bit.
        ("STB 9007199254740984", BIT, False),
        ("STB 9007199254740983", BIT, True),
        ("STB 9007199254740992", BIT, None),
        ("STB 9007199254741000", BIT, None),
        ("STB 0.5", BIT, None),
        ("STB 9.91E37", BIT, None),
        ("STB 0 A", BIT, None),
        ("0", BIT, None),
    ],
)
def test_off(reply: str, told: dict[str, Any], off: bool | None) -> None:
    assert says_off(reply, told) is off


PLAIN = {"form": "(.+?)", "comma": False, "per_unit": 1.0}


@pytest.mark.parametrize(
    ("reply", "more", "amps"),
    [
        ("0.012", {}, 0.012),
        ("-1.5E-3A", {}, -0.0015),
        ("12 mA", {}, 0.012),
        ("12 uA", {}, 0.000012),
        ("0.5 kA", {}, 500.0),
        ("1,250", {"comma": True}, 1.25),
        ("1,250", {}, math.nan),
        ("1,2,3", {"comma": True}, math.nan),
        ("250", {"per_unit": 1000.0}, 0.25),
        ("250 A", {"per_unit": 1000.0}, math.nan),
        ("I=0.5 A;", {"form": "I=(.+?);"}, 0.5),
        ("0.5", {"form": "I=(.+?);"}, math.nan),
        ("0.5 V", {}, math.nan),
        ("", {}, math.nan),
        ("inf", {}, math.nan),
        ("1E999", {}, math.nan),
        ("9.91E37", {}, 9.91e37),
    ],
)
def test_amps(reply: str, more: dict[str, Any], amps: float) -> None:
    assert amps_said(reply, {**PLAIN, **more}) == pytest.approx(amps, nan_ok=True)


@pytest.mark.parametrize(
    ("amps", "zero"),
    [([0.0, 0.02], True), ([0.0, -0.021], False), ([0.0, math.nan], False), ([math.nan, math.nan], False), ([], False)],
)
def test_zero(amps: list[float], zero: bool) -> None:
    assert is_zero(amps, 0.02) is zero


def test_words_as_they_are_compared() -> None:
    assert [word(one) for one in ("007", "+1", " 'x' ", '"on"', "+-1", "1.0")] == ["7", "1", "'X'", "ON", "+-1", "1.0"]
    assert (word("0" * 18), word("0" * 19)) == ("0", "0" * 19)


def test_a_comma_is_a_decimal_one_only_where_that_was_said() -> None:
    assert math.isnan(number("1,5"))
    assert number("1,5", comma=True) == 1.5


@given(st.text(max_size=30))
def test_a_number_is_read_or_it_is_not_one(text: str) -> None:
    value = number(text)
    assert math.isnan(value) or math.isfinite(value)
    assert word(word(text)) == word(text)
    assert inner(text, "(.+?)") in (None, text.strip())


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e30, max_value=1e30))
def test_every_number_that_is_written_is_read(value: float) -> None:
    assert number(f"{value!r} A") == value
    assert number(repr(value).replace(".", ","), comma=True) == value


@pytest.mark.parametrize(
    ("held", "ends", "echo", "line"),
    [
        (b"", b"\n", b"", None),
        (b"0", b"\n", b"", None),
        (b"0\r\n", b"\n", b"", b"0"),
        (b"HELLO\n0\n", b"\n", b"", b"0"),
        (b"OUTP?\n0\n", b"\n", b"OUTP?\n", b"0"),
        (b"OUTP?\n", b"\n", b"OUTP?\n", None),
        (b"\0\0 1 \r", b"\r", b"", b"1"),
        (b"0", b"", b"", b"0"),
    ],
)
def test_lines(held: bytes, ends: bytes, echo: bytes, line: bytes | None) -> None:
    assert last_line(held, ends, echo=echo) == line


def test_silence_ends_a_line() -> None:
    assert last_line(b"INP OFF\nINP?\n0", b"\n", echo=b"INP?\n", silent=True) == b"0"
    assert last_line(b"INP?\n", b"\n", echo=b"INP?\n", silent=True) is None


@given(st.binary(max_size=200), st.sampled_from([b"\n", b"\r\n", b"\r", b""]))
def test_a_line_never_holds_its_end(held: bytes, ends: bytes) -> None:
    line = last_line(held, ends)
    assert line is None or (line == line.strip() and (not ends or ends not in line))
