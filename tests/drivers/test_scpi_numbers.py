"""Number texts. Sources beside each table; IEEE 488.2 and SCPI-1999 clauses are quoted from memory."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.faults import NotANumber
from drivers.scpi import fixed, number

# IEEE 488.2-1992 7.7.2 and 8.7.2 to 8.7.4: NR1, NR2, NR3 and the forms a tolerant listener takes.
FORMS = [
    (b"12", 12.0),
    (b"+12", 12.0),
    (b"-7", -7.0),
    (b"007", 7.0),
    (b"12.5", 12.5),
    (b"-0.30", -0.3),
    (b"+1.0", 1.0),
    (b"1.25E+01", 12.5),
    (b"-3.0E-3", -0.003),
    (b"12.5", 12.5),
    (b"1.25E1", 12.5),
    (b"1.25e+01", 12.5),
    (b".5", 0.5),
    (b"5.", 5.0),
]

# Texts seen on real lines: pyvisa/pyvisa issues 120, 528, 809 and 722 (units, stray bytes); common practice.
LINES = [
    (b"+1.234E+00", "V", 1.234),
    (b"1.234V", "V", 1.234),
    (b"+12.80 VDC", "V", 12.80),
    (b'"1.234"', "V", 1.234),
    (b"1.234\r", "V", 1.234),
    (b" 12.8 ", "V", 12.8),
    (b"1.2E-4A", "A", 0.00012),
    (b"1234mV", "V", 1.234),
    (b"23.4\xb0C", "Cel", 23.4),
    (b"23.4\xc2\xb0C", "Cel", 23.4),
    (b"23.4\xa1\xe6", "Cel", 23.4),
    (b"23.4 C", "Cel", 23.4),
    (b"-0.000", "V", 0.0),
]

# IEEE 488.2-1992 table 7-2, as restated in the source of the open scpi-parser library (units.c).
SUFFIXES = [
    (b"500 MV", "V", 0.5),
    (b"100 MA", "A", 0.1),
    (b"2 KOHM", "Ohm", 2000.0),
    (b"1 MOHM", "Ohm", 1e6),
    (b"10 UA", "A", 1e-5),
    (b"5 MS", "s", 0.005),
    (b"25 CEL", "Cel", 25.0),
    (b"0.005 OHM", "Ohm", 0.005),
    (b"12 W", "W", 12.0),
    (b"33 uV", "V", 33e-6),
    (b"0.7 KV", "V", 700.0),
    (b"0.7 MV", "V", 0.0007),
    (b"33 \xb5V", "V", 33e-6),
]


@pytest.mark.parametrize(("raw", "value"), FORMS)
def test_forms(raw, value):
    assert number(raw, unit="") == value


@pytest.mark.parametrize(("raw", "unit", "value"), LINES + SUFFIXES)
def test_lines_and_suffixes(raw, unit, value):
    got = number(raw, unit=unit)
    assert got == value
    assert math.copysign(1, got) == math.copysign(1, value)


# Refused: each is taken, or half taken, by something simpler. float() takes 1_0 and full-width digits; cutting at the
# comma makes 1,234 a 1 (CarlVerret/csFastFloat issue 96, dontsovcmc/waterius issue 313).
@pytest.mark.parametrize(
    ("raw", "unit"),
    [
        (b"1,234", "V"),
        (b"12,801,1.200", "V"),
        (b"OVLD", "V"),
        (b"----", "Cel"),
        (b"", "V"),
        (b" ", "V"),
        (b"1.2.3", "V"),
        (b"0x10", "V"),
        (b"#HFF", ""),
        (b"1_0", "V"),
        ("１２".encode(), "V"),
        (b"1 2", "V"),
        (b"12.8;1.2", "V"),
        (b"12.8 12.9", "V"),
        (b"1.2E", "V"),
        (b"E3", "V"),
        (b"+", "V"),
        (b".", "V"),
        (b"nan", "V"),
        (b"inf", "V"),
        (b"INFinity", "V"),
        (b"1E400", "V"),
        (b"1E99999999", "V"),
        (b"5E37", "V"),
        (b"1.234A", "V"),
        (b"1.234V", "A"),
        (b"12.8 VAC", "V"),
        (b"77 F", "Cel"),
        (b"296.5 K", "Cel"),
        (b"12 V", ""),
        (b'"1.234', "V"),
        (b"MEAS:VOLT?", "V"),
    ],
)
def test_refused_with_the_raw_bytes_kept(raw, unit):
    with pytest.raises(NotANumber) as caught:
        number(raw, unit=unit)
    assert caught.value.received == raw
    assert isinstance(caught.value, ValueError)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(("raw", "unit", "asked"), [(b"1.234V", "A", "A"), (b"12 V", "", "no unit")])
def test_another_unit_is_told_with_the_one_asked_for(raw, unit, asked):
    with pytest.raises(NotANumber, match=rf"'V' is not the unit asked for \({asked}\)"):
        number(raw, unit=unit)


def test_decimal_comma_only_where_declared():
    assert number(b"1,234", unit="V", decimal_comma=True) == 1.234
    assert number(b"12,801 V", unit="V", decimal_comma=True) == 12.801
    with pytest.raises(NotANumber):
        number(b"12,801,1,200", unit="V", decimal_comma=True)
    with pytest.raises(NotANumber, match="decimal_comma = true"):
        number(b"1,234", unit="V")


# SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5; the long ones are 9.9E37 and 9.91E37 through single precision (IEEE 754).
@pytest.mark.parametrize(
    ("raw", "value"),
    [
        (b"9.91E37", math.nan),
        (b"9.91E+37", math.nan),
        (b"+9.9100000E+37", math.nan),
        (b"9.91E37 V", math.nan),
        (b"9.9E37", math.inf),
        (b"+9.90000000E+37", math.inf),
        (b"-9.9E37", -math.inf),
        (f"{struct.unpack('f', struct.pack('f', 9.91e37))[0]:.8e}".encode(), math.nan),
        (f"{struct.unpack('f', struct.pack('f', 9.9e37))[0]:.8e}".encode(), math.inf),
    ],
)
def test_stand_ins(raw, value):
    got = number(raw, unit="V")
    assert math.isnan(got) if math.isnan(value) else got == value


@given(st.binary(max_size=40), st.sampled_from(["V", "A", "Ohm", "W", "Cel", "s", ""]))
def test_any_bytes_are_a_number_or_refused(raw, unit):
    fault = None
    try:
        value = number(raw, unit=unit)
    except NotANumber as caught:
        fault = caught
    if fault is None:
        assert not math.isfinite(value) or abs(value) < 9e36
    else:
        assert fault.received == raw
        assert "\n" not in str(fault)


@given(st.text("0123456789+-.eE ,VAmkuOhm\"'_x", max_size=20))
def test_what_is_taken_as_a_bare_number_is_what_python_reads(text):
    try:
        value = number(text.encode(), unit="")
    except NotANumber:
        return
    if math.isfinite(value):
        assert value == float(text.replace('"', ""))


# Fixed point for instruments that take no exponent (common practice); 0.1 V steps as floats drift off the grid.
@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (11.700000000000001, 2, "11.70"),
        (10.000000000000007, 2, "10.00"),
        (12.3456, 2, "12.35"),
        (0.00005, 5, "0.00005"),
        (1e-7, 7, "0.0000001"),
        (0.0, 3, "0.000"),
        (-0.0, 3, "0.000"),
        (-1.5, 1, "-1.5"),
        (1e6, 0, "1000000"),
        (123456789.0, 3, "123456789.000"),
    ],
)
def test_fixed(value, decimals, text):
    assert fixed(value, decimals=decimals) == text


@pytest.mark.parametrize(("value", "decimals"), [(1e-7, 3), (0.0004, 3), (-0.0004, 3), (math.nan, 3), (math.inf, 3)])
def test_fixed_refuses_what_would_be_sent_as_something_else(value, decimals):
    with pytest.raises(ValueError, match=r"would be sent as|cannot be sent"):
        fixed(value, decimals=decimals)


def test_a_sweep_in_tenths_lands_on_the_grid():
    volts, texts = 11.8, []
    for _ in range(19):
        texts.append(fixed(volts, decimals=2))
        volts -= 0.1
    assert texts == [f"{n // 10}.{n % 10}0" for n in range(118, 99, -1)]


@given(st.floats(-1e4, 1e4), st.integers(0, 6))
def test_fixed_reads_back_within_half_a_step(value, decimals):
    try:
        text = fixed(value, decimals=decimals)
    except ValueError:
        assert 0 < abs(value) <= 0.5 * 10.0**-decimals
        return
    assert "e" not in text.lower()
    assert abs(number(text.encode(), unit="") - value) <= 0.5 * 10.0**-decimals * (1 + 1e-5)


@pytest.mark.parametrize(
    ("prefix", "factor"),
    [
        ("", 1.0),
        ("m", 1e-3),
        ("u", 1e-6),
        ("\xb5", 1e-6),
        ("n", 1e-9),
        ("p", 1e-12),
        ("k", 1e3),
        ("ma", 1e6),
        ("g", 1e9),
    ],
)
@pytest.mark.parametrize(("unit", "spelling"), [("V", "V"), ("V", "VDC"), ("W", "W"), ("s", "SEC")])
def test_every_multiplier(prefix, factor, unit, spelling):
    """IEEE 488.2-1992, table 7-2: M is milli and MA is mega."""
    raw = f"3{prefix}{spelling}".encode("latin-1")
    assert number(raw, unit=unit) == pytest.approx(3.0 * factor, rel=1e-12)


def test_ohms_have_a_mega_of_their_own_and_amperes_none():
    assert [number(raw, unit="Ohm") for raw in (b"2MOHM", b"2MOHMS", b"2MAOHM", b"2KOHMS")] == [2e6, 2e6, 2e6, 2e3]
    assert number(b"2MA", unit="A") == 0.002
    assert number(b"2MAA", unit="A") == 2e6


@pytest.mark.parametrize("raw", [b"9E36", b"-9E36", b"9.90005E37", b"9.91005E37", b"1E38"])
def test_what_is_too_large_and_no_stand_in(raw):
    with pytest.raises(NotANumber, match="too large"):
        number(raw, unit="")


def test_what_is_not_too_large():
    assert number(b"8.99E36", unit="") == 8.99e36
    assert number(b"-8.99E36", unit="") == -8.99e36
    assert math.isnan(number(b"9.9100001E37", unit=""))
    assert number(b"-9.9000001E37", unit="") == -math.inf
