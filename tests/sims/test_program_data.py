"""Program data. Source of the check values: IEEE 488.2-1992 section 7 and its table of suffix multipliers."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sims.elements import element, split
from sims.headers import Refusal
from sims.program_data import Boolean, Choice, Number, number_text

WIDE = Number(-1e30, 1e30, 0.0)
VOLTS = Number(0.0, 40.0, 5.0, "V", 0.001)


def read(spec: Number, text: str) -> float:
    return spec.read(element(text))


def refusal(spec: Number | Boolean | Choice, text: str) -> int:
    with pytest.raises(Refusal) as refused:
        spec.read(element(text))
    return refused.value.number


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("12", 12),
        ("+12", 12),
        ("-7", -7),
        ("007", 7),
        ("12.5", 12.5),
        ("-0.30", -0.3),
        ("+1.0", 1),
        ("1.25E+01", 12.5),
        ("-3.0E-3", -0.003),
        ("1.25E1", 12.5),
        ("1.25e+01", 12.5),
        (".5", 0.5),
        ("5.", 5),
        ("#HFF", 255),
        ("#Q377", 255),
        ("#B11111111", 255),
        ("#hff", 255),
    ],
)
def test_number_forms(text: str, value: float) -> None:
    assert read(WIDE, text) == pytest.approx(value, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("500 mV", 0.5),
        ("500MV", 0.5),
        ("0.02 kV", 20),
        ("12 V", 12),
        ("12v", 12),
        ("1E3 MV", 1),
        ("2000000 uV", 2),
        ("0.00001 MAV", 10),
    ],
)
def test_suffix_multipliers(text: str, value: float) -> None:
    assert read(VOLTS, text) == pytest.approx(value, rel=1e-12)


def test_m_is_mega_before_ohm_only() -> None:
    assert read(Number(0, 1e9, 0, "OHM"), "2 MOHM") == 2e6
    assert read(Number(0, 1e9, 0, "OHM"), "2 KOHM") == 2e3
    assert read(Number(0, 10, 0, "A"), "20 mA") == pytest.approx(0.02)
    assert read(Number(0, 10, 0, "S"), "20 ms") == pytest.approx(0.02)


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("12 A", -131),
        ("12 XV", -131),
        ("12 V5X/", -131),
        ("12 VOLTVOLTVOLTV", -134),
        ("1.2.3", -121),
        ("--1", -121),
        (".", -121),
        ("1E99999", -123),
        ("1E32001", -123),
        ("1E32000", -222),
        ("1" * 256, -124),
        ("#HXY", -121),
        ("@", -101),
        ("", -109),
        ("'12'", -104),
        ('"12"', -104),
        ("'12", -151),
        ("\ue100HELLO", -103),
        ("\ue100" + "\ue041" * 5, -168),
        ("#15HEL", -161),
        ("(1+1)", -178),
        ("TWELVE", -141),
        ("TWELVEORTHIRTEEN", -144),
        ("MAXIMU", -141),
        ("41", -222),
        ("-0.1", -222),
    ],
)
def test_refused_numbers(text: str, number: int) -> None:
    assert refusal(VOLTS, text) == number


@pytest.mark.parametrize("digits", [255, 300])
def test_leading_zeros_do_not_count_as_digits(digits: int) -> None:
    assert read(VOLTS, "0" * digits + "12") == 12


@pytest.mark.parametrize(
    ("word", "value"), [("MIN", 0), ("minimum", 0), ("MAX", 40), ("MAXimum", 40), ("DEF", 5), ("DEFault", 5)]
)
def test_words_for_limits(word: str, value: float) -> None:
    assert read(VOLTS, word) == value


def test_a_setting_snaps_to_its_step_and_its_limits() -> None:
    assert read(VOLTS, "12.00049") == pytest.approx(12.0, abs=1e-12)
    assert read(VOLTS, "40.0004") == 40.0
    assert refusal(VOLTS, "40.0006") == -222


def test_a_suffix_where_none_belongs() -> None:
    assert refusal(Number(0, 255, 0), "12 V") == -138


@pytest.mark.parametrize(
    ("text", "on"),
    [
        ("ON", True),
        ("off", False),
        ("1", True),
        ("0", False),
        ("0.4", False),
        ("0.6", True),
        ("-3", True),
        ("1E99", True),
    ],
)
def test_booleans(text: str, on: bool) -> None:
    assert Boolean().read(element(text)) is on


@pytest.mark.parametrize(("text", "number"), [("YES", -141), ("'ON'", -104), ("1 V", -138), ("\ue100", -168)])
def test_refused_booleans(text: str, number: int) -> None:
    assert refusal(Boolean(), text) == number


def test_choices() -> None:
    spec = Choice(("CURRent", "POWer"))
    assert [spec.read(element(text)) for text in ("curr", "CURRENT", "pow")] == ["CURR", "CURR", "POW"]
    assert refusal(spec, "CURRE") == -141
    assert refusal(spec, "1") == -128
    assert refusal(spec, "'CURR'") == -158


def test_strings_double_their_delimiter() -> None:
    assert element("'it''s'").text == "it's"
    assert element('"a;b"').text == "a;b"
    with pytest.raises(Refusal):
        element("'a'b'")


@pytest.mark.parametrize(
    ("text", "parts"),
    [("a;b", ["a", "b"]), ("'a;b';c", ["'a;b'", "c"]), ('"x"";y";z', ['"x"";y"', "z"]), ("(a;b)", ["(a;b)"])],
)
def test_separators_in_strings_do_not_separate(text: str, parts: list[str]) -> None:
    assert split(text, ";") == parts


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (12.5, "12.5000"),
        (-0.00001, "0.0000"),
        (-0.3, "-0.3000"),
        (math.inf, "9.9E37"),
        (-math.inf, "-9.9E37"),
        (math.nan, "9.91E37"),
    ],
)
def test_answers(value: float, text: str) -> None:
    # Stand-ins for infinity and not-a-number: SCPI-1999 volume 1, 7.2.1 (from memory).
    assert number_text(value, decimals=4) == text


@given(st.floats(min_value=0.0, max_value=40.0))
def test_any_float_written_any_way_comes_back(value: float) -> None:
    spec = Number(0.0, 40.0, 0.0, "V")
    for text in (repr(value), f"{value:.17E}", f"{value:.20f}"):
        assert read(spec, text) == pytest.approx(value, rel=1e-12, abs=1e-19)


@given(st.text(max_size=60))
def test_any_text_is_read_or_refused_by_number(text: str) -> None:
    try:
        outcome: str | int = element(text).kind
    except Refusal as refused:
        outcome = refused.number
    assert outcome in ("number", "word", "string", "block", "expression", *range(-199, -99))
