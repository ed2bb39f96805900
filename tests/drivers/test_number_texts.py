"""Numbers as a dialect has them: what is sent for a value, what a reply is worth."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.dialect import Flag, Mode, Reading, Setting, Switch
from drivers.faults import NotANumber
from drivers.number_texts import in_form, sendable, value_of, whole_of

PLAIN = Setting(ask="V?", set="V {}", unit="V", decimals=3)


def setting(**changes: object) -> Setting:
    return Setting(**({"ask": "V?", "set": "V {}", "unit": "V", "decimals": 3} | changes))


@pytest.mark.parametrize(
    ("keys", "value", "text", "meant"),
    [
        ({}, 14.4, "14.400", 14.4),
        ({}, 0.0, "0.000", 0.0),
        ({}, -0.0, "0.000", 0.0),
        ({}, 1e-3, "0.001", 0.001),
        ({}, 12345.678, "12345.678", 12345.678),
        ({"decimals": 2}, 11.700000000000001, "11.70", 11.7),
        ({"decimals": 2}, 12.3456, "12.35", 12.35),
        ({"decimals": 0}, 12.4, "12", 12.0),
        # To the nearer step of the instrument, which one that cuts off then holds as it is.
        ({"step": 0.01}, 12.3456, "12.350", 12.35),
        ({"step": 0.25}, 14.4, "14.500", 14.5),
        ({"step": 0.25}, 14.3, "14.250", 14.25),
        # Counts: whole millivolts.
        ({"decimals": 0, "per_unit": 1000}, 12.8, "12800", 12.8),
        ({"decimals": 0, "per_unit": 1000}, 12.8004, "12800", 12.8),
        ({"decimals": 0, "per_unit": 1000}, 0.001, "1", 0.001),
        ({"decimals": 0, "per_unit": 100, "step": 0.05}, 12.83, "1285", 12.85),
        # An exponent where the dialect allows one, and only there.
        ({"exponent": True}, 14.4, "1.4400E+1", 14.4),
        ({"exponent": True}, 0.05, "5.0E-2", 0.05),
        ({"exponent": True}, 0.0, "0.0E+0", 0.0),
        ({"exponent": True, "decimals": 6}, 0.00005, "5.0E-5", 0.00005),
        ({"decimals": 6}, 0.00005, "0.000050", 0.00005),
        ({"exponent": False, "decimals": 9}, 1e-7, "0.000000100", 1e-7),
        ({"least": 0.5, "most": 30.0}, 0.5, "0.500", 0.5),
        ({"least": 0.5, "most": 30.0}, 30.0, "30.000", 30.0),
        ({"most": 0.3}, 0.1 + 0.2, "0.300", 0.3),
        # A hair of slack: 1e-9, or that share of a large one.
        ({"most": 0.001 - 5e-10}, 0.001, "0.001", 0.001),
        ({"least": 0.001 + 5e-10}, 0.001, "0.001", 0.001),
        ({"least": -500.0 + 1e-7}, -500.0, "-500.000", -500.0),
        ({"most": 500.0 - 1e-7}, 500.0, "500.000", 500.0),
    ],
)
def test_what_is_sent(keys, value, text, meant):
    assert sendable(setting(**keys), value) == (text, meant)


def test_the_whole_dialect_may_allow_an_exponent_and_a_setting_forbid_it():
    assert sendable(PLAIN, 14.4, exponent=True)[0] == "1.4400E+1"
    assert sendable(setting(exponent=False), 14.4, exponent=True)[0] == "14.400"


@pytest.mark.parametrize(
    ("keys", "value", "words"),
    [
        ({}, math.nan, "nan cannot be sent to an instrument"),
        ({}, math.inf, "inf cannot be sent"),
        ({"least": 0, "most": 1}, math.nan, "nan cannot be sent"),
        ({}, 1e-7, "1e-07 V would be sent as 0; the finest step is 0.001 V"),
        ({}, 0.00005, "5e-05 V would be sent as 0"),
        ({}, -0.0004, "-0.0004 V would be sent as 0"),
        ({"step": 0.25}, 0.1, "0.1 V would be sent as 0; the finest step is 0.25 V"),
        ({"decimals": 0, "per_unit": 1000}, 0.0004, "0.0004 V would be sent as 0; the finest step is 0.001 V"),
        ({"least": 0.5}, 0.4, "0.4 V is below the least it takes, 0.5 V"),
        ({"least": 0.5}, 0.0, "0 V is below the least it takes, 0.5 V"),
        ({"most": 30}, 30.001, "30.001 V is above the most it takes, 30 V"),
        # More than a hair.
        ({"least": 0.001 + 1.5e-9}, 0.001, "0.001 V is below the least it takes, 0.001 V"),
        ({"most": 0.001 - 1.5e-9}, 0.001, "0.001 V is above the most it takes, 0.000999998 V"),
    ],
)
def test_what_is_not_sent(keys, value, words):
    with pytest.raises(ValueError, match=words.replace(".", r"\.")):
        sendable(setting(**keys), value)


STEPS = st.sampled_from([None, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.25, 0.5])
COUNTS = st.sampled_from([1.0, 10.0, 100.0, 1000.0])


@given(value=st.floats(-500, 500), decimals=st.integers(3, 6), step=STEPS, per_unit=COUNTS, exponent=st.booleans())
def test_what_is_sent_means_the_value_within_half_a_step(value, decimals, step, per_unit, exponent):
    one = setting(decimals=decimals, step=step, per_unit=per_unit, exponent=exponent)
    try:
        text, meant = sendable(one, value)
    except ValueError:
        assert abs(value) <= one.half_step * (1 + 1e-9)
        return
    assert ("E" in text) is exponent
    assert meant == pytest.approx(float(Fraction(text)) / per_unit, rel=1e-15)
    assert abs(meant - value) <= one.half_step * (1 + 1e-9)
    assert value_of(text.encode(), one) == meant, "the instrument's own echo of it is the same value"


def test_a_sweep_in_tenths_never_lands_a_step_low():
    """96 of 100 values of a grid of tenths fail a plain comparison (KartoffelToby/better_thermostat#2114)."""
    grid, volts, texts = setting(decimals=2), 11.8, []
    for _ in range(19):
        texts.append(sendable(grid, volts)[0])
        volts -= 0.1
    assert texts == [f"{tenths / 10:.2f}" for tenths in range(118, 99, -1)]


@pytest.mark.parametrize(
    ("form", "raw", "found"),
    [
        ("{}", b"12.8", b"12.8"),
        ("U{}", b"U012800", b"012800"),
        ("u{}", b"U012800", b"012800"),
        ("U{}", b" U12.8\r", b"12.8"),
        ("V={} V", b"V=12.80 V", b"12.80"),
        ("{},*", b"12.8,1.2", b"12.8"),
        ("*,{},*", b"12.8,1.2,0", b"1.2"),
        ("*,*,{}", b"12.8,1.2,0", b"0"),
        ("CH1 (a.b)[{}]", b"CH1 (a.b)[7]", b"7"),
    ],
)
def test_where_the_number_stands_in_a_reply(form, raw, found):
    assert in_form(raw, form) == found


def test_an_empty_reply_is_called_empty():
    with pytest.raises(NotANumber, match="the reply is empty"):
        value_of(b"", Reading(ask="?", unit="V"))


@pytest.mark.parametrize(
    ("form", "raw"),
    [("U{}", b"I012800"), ("U{}", b"U"), ("U{}", b""), ("U{}", b"12.8"), ("{},*", b"12.8"), ("U{}V", b"U12.8A")],
)
def test_a_reply_of_another_form_is_no_number(form, raw):
    with pytest.raises(NotANumber, match="has not the form") as caught:
        value_of(raw, Reading(ask="?", unit="V", reply=form))
    assert caught.value.received == raw


@pytest.mark.parametrize(
    ("keys", "raw", "value"),
    [
        ({"reply": "U{}", "per_unit": 1000}, b"U012800", 12.8),
        ({"reply": "U{}", "per_unit": 1000}, b"U-00050", -0.05),
        ({"per_unit": 1000}, b"1", 0.001),
        ({"reply": "U{}"}, b"U12.8V", 12.8),
        ({"reply": '"{}"'}, b'"1.234"', 1.234),
        ({"reply": "{} VOLTS"}, b"12.8 volts", 12.8),
        ({}, b"1234mV", 1.234),
        ({}, b"+12.80 VDC", 12.8),
    ],
)
def test_what_a_reply_is_worth(keys, raw, value):
    assert value_of(raw, Reading(ask="?", unit="V", **keys)) == value


@pytest.mark.parametrize("raw", [b"12800 mV", b"12.8V", b"12800V"])
def test_counts_with_a_unit_are_refused(raw):
    with pytest.raises(NotANumber):
        value_of(raw, Reading(ask="?", unit="V", per_unit=1000))


@pytest.mark.parametrize("raw", [b"9.91E+37", b"U9.91E37"])
def test_not_a_number_stays_one_in_counts(raw):
    assert math.isnan(
        value_of(raw, Reading(ask="?", unit="V", per_unit=1000, reply="{}" if raw[:1] == b"9" else "U{}"))
    )


def test_decimal_comma_within_a_form():
    assert value_of(b"U=12,80 V", Reading(ask="?", unit="V", reply="U={}"), decimal_comma=True) == 12.8
    with pytest.raises(NotANumber, match="decimal_comma = true"):
        value_of(b"U=12,80 V", Reading(ask="?", unit="V", reply="U={}"))


# A comma decimal silently cut to the integer, other digits and letters that Python's float() takes
# (CarlVerret/csFastFloat#96, dontsovcmc/waterius#313; pyvisa/pyvisa#120, #528).
@pytest.mark.parametrize(
    "raw",
    [b"", b"1.2.3", b"0x10", b"1_0", b"\xef\xbc\x91\xef\xbc\x92", b"OVLD", b"----", b"12,801,1.200", b"12.8;1.2",
     b"nan", b"inf", b"1e", b"--1", b"1 2", b"U"],
)  # fmt: skip
@pytest.mark.parametrize("form", ["{}", "U{}"])
@pytest.mark.parametrize("comma", [False, True])
def test_what_is_no_number_in_any_form(raw, form, comma):
    whole = form.encode().replace(b"{}", raw)
    with pytest.raises(NotANumber):
        value_of(whole, Reading(ask="?", unit="V", reply=form), decimal_comma=comma)


@given(raw=st.binary(max_size=24), form=st.sampled_from(["{}", "U{}", "*,{}", "{},*", "<{}>"]), comma=st.booleans())
def test_any_bytes_are_a_number_or_refused(raw, form, comma):
    part = Reading(ask="?", unit="V", reply=form.replace("*,{}", "*,={}"))
    try:
        assert isinstance(value_of(raw, part, decimal_comma=comma), float)
    except NotANumber as fault:
        assert fault.received is not None  # noqa: PT017 - most are refused


@pytest.mark.parametrize(("raw", "value"), [(b"0", 0), (b"+18", 18), (b"2.0E0", 2), (b"1.8E+01", 18)])
def test_registers(raw, value):
    assert whole_of(raw, Flag(ask="?", words="w")) == value
    assert whole_of(b"S" + raw, Flag(ask="?", words="w", reply="S{}")) == value
    assert whole_of(b"S" + raw, Mode(ask="?", mask=3, reply={}, form="S{}")) == value


@pytest.mark.parametrize("raw", [b"-1", b"1.5", b"9.91E37", b"9.9E37", b"1E30", b"ON", b""])
def test_what_is_no_register(raw):
    with pytest.raises(NotANumber):
        whole_of(raw, Flag(ask="?", words="w"))


@pytest.mark.parametrize(
    ("keys", "raw", "hinted"),
    [
        ({"per_unit": 1000}, b"12800mV", True),
        ({"per_unit": 1000, "reply": "U={}"}, b"U=12800 mV", True),
        ({"per_unit": 1000}, b"OVLD", False),
        ({}, b"12.8A", False),
    ],
)
def test_counts_with_a_unit_behind_them_are_refused_with_what_to_write(keys, raw, hinted):
    with pytest.raises(NotANumber) as caught:
        value_of(raw, setting(**keys))
    assert ('such as reply = "{}mV"' in str(caught.value)) is hinted
    assert value_of(b"12800mV", setting(per_unit=1000, reply="{}mV")) == 12.8


@pytest.mark.parametrize(("most", "keys"), [(2**53, True), (2**63, False)])
def test_a_register_has_only_as_many_bits_as_a_number_tells(most, keys):
    """2**53 for what says on or off; a flag's low bits are not looked at beyond that."""
    part = Switch(ask="?", set_on="A", set_off="B", bit=0) if keys else Flag(ask="?", words="w")
    assert whole_of(str(most // 2).encode(), part) == most // 2
    with pytest.raises(NotANumber):
        whole_of(str(most).encode(), part)
