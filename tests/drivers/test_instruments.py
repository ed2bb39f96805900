"""What the drivers send, read back and refuse, over the shipped dialects and an instrument that is a table."""

from __future__ import annotations

import math

import pytest

from drivers.dialect import Line
from drivers.faults import InstrumentFault, NotANumber, ReadBackMismatch, Unreadable, Unsupported
from drivers.wire import Timeout

SETTERS = [
    ("supply", lambda it: it.set_volts(volts=14.4), ["VOLT 14.400", "VOLT?"]),
    ("supply", lambda it: it.set_amps(amps=2.0), ["CURR 2.000", "CURR?"]),
    ("supply", lambda it: it.arm_over_volts(volts=15), ["VOLT:PROT 15.000", "VOLT:PROT?"]),
    ("supply", lambda it: it.arm_over_amps(), ["CURR:PROT:STAT ON", "CURR:PROT:STAT?"]),
    ("supply", lambda it: it.arm_over_amps(on=False), ["CURR:PROT:STAT OFF", "CURR:PROT:STAT?"]),
    ("supply", lambda it: it.set_sense(remote=True), ["SENS:REM ON", "SENS:REM?"]),
    ("supply", lambda it: it.switch(True), ["OUTP ON", "OUTP?"]),
    ("supply", lambda it: it.switch(False), ["OUTP OFF", "OUTP?"]),
    ("load", lambda it: it.set_amps(amps=1.2), ["CURR 1.200", "CURR?"]),
    ("load", lambda it: it.set_function("cc"), ["FUNC CURR", "FUNC?"]),
    ("load", lambda it: it.arm_low_volts(volts=9.2), ["VOLT:PROT:LOW 9.200", "VOLT:PROT:LOW?"]),
    ("load", lambda it: it.arm_over_amps(amps=7.5), ["CURR:PROT 7.500", "CURR:PROT?"]),
    ("load", lambda it: it.set_sense(remote=False), ["SENS:REM OFF", "SENS:REM?"]),
    ("load", lambda it: it.switch(True), ["INP ON", "INP?"]),
    ("switch", lambda it: it.switch(True), ["OUTP ON", "OUTP?"]),
    ("switch", lambda it: it.switch(False), ["OUTP OFF", "OUTP?"]),
]


@pytest.mark.parametrize(("kind", "call", "sent"), SETTERS)
def test_each_setter_writes_and_reads_back(instrument, table, kind, call, sent):
    call(instrument(kind))
    assert table.heard == sent


@pytest.mark.parametrize(("kind", "call", "sent"), SETTERS)
def test_each_setter_notices_that_nothing_was_set(instrument, table, kind, call, sent):
    header, _, value = sent[0].rpartition(" ")
    table.deaf.add(header)
    table.replies[sent[1]] = {"ON": b"0", "OFF": b"1", "CURR": b"RES"}.get(value, b"0.5")
    with pytest.raises(ReadBackMismatch) as caught:
        call(instrument(kind))
    assert caught.value.sent == sent[0]
    assert caught.value.asked != caught.value.held
    assert str(caught.value).startswith("it: sent ")


def test_low_volts_stop_with_a_delay(instrument, table):
    assert instrument("load").arm_low_volts(volts=9.2, delay_s=0.5) == 9.2
    assert table.heard == ["VOLT:PROT:LOW 9.200", "VOLT:PROT:LOW?", "VOLT:PROT:LOW:DEL 0.500", "VOLT:PROT:LOW:DEL?"]


# Read-back within half a resolution step, which the set text's decimals give.
@pytest.mark.parametrize(
    ("held", "passes"),
    [
        (b"14.4", True),
        (b"14.4005", True),
        (b"14.3995", True),
        (b"14.4006", False),
        (b"14.3994", False),
        (b"9.91E37", False),
    ],
)
def test_read_back_within_half_a_step(instrument, table, held, passes):
    table.deaf.add("VOLT")
    table.replies["VOLT?"] = held
    supply = instrument("supply")
    if passes:
        assert supply.set_volts(volts=14.4) == float(held)
    else:
        with pytest.raises(ReadBackMismatch, match=r"volts: 14\.400 V was sent"):
            supply.set_volts(volts=14.4)


def test_a_truncating_grid_is_met_exactly_by_a_sweep_in_tenths(instrument, table):
    table.grid = 0.01
    supply, volts, held = instrument("supply"), 11.8, []
    for _ in range(19):
        held.append(supply.set_volts(volts=volts))
        volts -= 0.1
    assert [round(value * 100) for value in held] == list(range(1180, 999, -10))
    with pytest.raises(ReadBackMismatch, match=r"12\.346 V was sent, 12\.34 V is held"):
        supply.set_volts(volts=12.3456)


@pytest.mark.parametrize("volts", [math.nan, math.inf, 1e-5])
def test_what_cannot_be_sent_is_not_sent(instrument, table, volts):
    with pytest.raises(ValueError, match="it: volts: "):
        instrument("supply").set_volts(volts=volts)
    assert table.heard == []


def test_a_trip_is_named_when_the_output_does_not_come_on(instrument, table):
    table.deaf.add("OUTP")
    table.replies |= {"OUTP?": b"0", "VOLT:PROT:TRIP?": b"1", "CURR:PROT:TRIP?": b"0"}
    with pytest.raises(ReadBackMismatch, match="output is still off: over-volts protection tripped"):
        instrument("supply").switch(True)
    assert not any("CLE" in line for line in table.heard)


@pytest.mark.parametrize(
    ("kind", "measure", "ask", "raw", "value"),
    [
        ("supply", "measure_volts", "MEAS:VOLT?", b"12.801", 12.801),
        ("supply", "measure_amps", "MEAS:CURR?", b"1.2E+00", 1.2),
        ("load", "measure_volts", "MEAS:VOLT?", b"12.801 V", 12.801),
        ("load", "measure_amps", "MEAS:CURR?", b"1200 mA", 1.2),
        ("meter", "measure_volts", "MEAS:VOLT:DC?", b"+1.28010000E+01", 12.801),
        ("thermometer", "measure_temp_c", "MEAS:TEMP?", b"23.4\xb0C", 23.4),
    ],
)
def test_measuring(instrument, table, kind, measure, ask, raw, value):
    it = instrument(kind)
    table.replies[ask] = raw
    assert getattr(it, measure)() == value
    table.replies[ask] = b"9.91E37"
    assert math.isnan(getattr(it, measure)())
    table.replies[ask] = b"9.9E37"
    assert getattr(it, measure)() == math.inf
    assert table.heard == [ask] * 3


def test_a_garbled_reading_keeps_the_bytes_and_brings_the_line_back_in_step(instrument, table):
    meter = instrument("meter")
    table.replies["MEAS:VOLT:DC?"] = b"12.8\xff1"
    with pytest.raises(NotANumber) as caught:
        meter.measure_volts()
    assert (caught.value.received, caught.value.instrument, caught.value.sent) == (b"12.8\xff1", "it", "MEAS:VOLT:DC?")
    table.replies["MEAS:VOLT:DC?"] = b"12.801"
    table.heard.clear()
    assert meter.measure_volts() == 12.801
    assert table.heard == ["*IDN?", "MEAS:VOLT:DC?"]


@pytest.mark.parametrize(("raw", "on"), [(b"1", True), (b"0", False), (b"ON", True), (b"off", False), (b"+1", True)])
def test_a_flag(instrument, table, raw, on):
    table.replies["OUTP?"] = raw
    assert instrument("supply").output_is_on() is on


@pytest.mark.parametrize("raw", [b"", b"2", b"YES", b"12.801", b"\xff"])
def test_what_is_no_flag(instrument, table, raw):
    table.replies["INP?"] = raw
    with pytest.raises(Unreadable, match="is none of 1, ON, 0, OFF"):
        instrument("load").input_is_on()


# Bits 0 and 1 of the questionable register: volts, amps not regulated (SCPI-1999 volume 1, 9; common map of supplies).
@pytest.mark.parametrize(
    ("register", "output", "mode"),
    [
        (b"2", b"1", "cv"),
        (b"1", b"1", "cc"),
        (b"0", b"0", "off"),
        (b"0", b"1", "driven"),
        (b"3", b"1", "unknown"),
        (b"514", b"1", "cv"),
    ],
)
def test_mode(instrument, table, register, output, mode):
    table.replies |= {"STAT:QUES:COND?": register, "OUTP?": output}
    assert instrument("supply").mode() == mode


def test_mode_without_a_message_for_it(instrument, table):
    assert instrument("supply", mode=None).mode() == "unknown"
    assert table.heard == []


@pytest.mark.parametrize("raw", [b"-1", b"1.5", b"9.91E37", b"ON", b""])
def test_what_is_no_register(instrument, table, raw):
    table.replies["STAT:QUES:COND?"] = raw
    with pytest.raises(InstrumentFault, match="it: sent 'STAT:QUES:COND\\?'"):
        instrument("supply").mode()


@pytest.mark.parametrize(
    ("low", "register", "words"),
    [
        (b"0", b"0", None),
        (b"1", b"1", "own low-volts stop tripped"),
        (b"0", b"2", "over-current stop tripped"),
        (b"0", b"16", "over-temperature stop tripped"),
        (b"1", b"18", "own low-volts stop tripped, over-current stop tripped, over-temperature stop tripped"),
    ],
)
def test_trips_of_a_load(instrument, table, low, register, words):
    table.replies |= {"VOLT:PROT:LOW:TRIP?": low, "STAT:QUES:COND?": register}
    assert instrument("load").tripped() == words
    assert table.heard == ["VOLT:PROT:LOW:TRIP?", "STAT:QUES:COND?"]


def test_state_in_rotation_is_one_question_a_call(instrument, table):
    supply = instrument("supply")
    table.replies |= {
        "VOLT?": b"14.400",
        "CURR?": b"2.000",
        "OUTP?": b"1",
        "VOLT:PROT?": b"15.000",
        "CURR:PROT:STAT?": b"1",
        "SENS:REM?": b"0",
    }
    held = {}
    for key, read in supply.state_queries():
        table.heard.clear()
        held[key] = read()
        assert len(table.heard) == 1
    assert held == supply.state()
    assert held == {
        "volts": 14.4,
        "amps": 2.0,
        "output": True,
        "over_volts": 15.0,
        "over_amps": True,
        "remote_sense": False,
    }


def test_state_of_a_load(instrument, table):
    table.replies |= {
        "FUNC?": b"CURRENT",
        "CURR?": b"1.200",
        "VOLT?": b"26.000",
        "INP?": b"0",
        "VOLT:PROT:LOW?": b"9.200",
        "VOLT:PROT:LOW:DEL?": b"0.500",
        "CURR:PROT?": b"7.500",
        "SENS:REM?": b"1",
    }
    assert instrument("load").state() == {
        "function": "cc",
        "amps": 1.2,
        "volts": 26.0,
        "input": False,
        "low_volts": 9.2,
        "low_volts_delay_s": 0.5,
        "over_amps": 7.5,
        "remote_sense": True,
    }


@pytest.mark.parametrize(("kind", "sent"), [("supply", ["CURR 0.000"]), ("load", ["FUNC CURR", "CURR 0.000"])])
def test_soften_is_lowest_current_and_never_zero_volts(instrument, table, kind, sent):
    instrument(kind).soften()
    assert table.heard == sent


@pytest.mark.parametrize(
    ("kind", "texts"),
    [("supply", ("OUTP OFF", "OUTP?")), ("load", ("INP OFF", "INP?")), ("switch", ("OUTP OFF", "OUTP?"))],
)
def test_off_sends_the_text_it_announces(instrument, table, kind, texts):
    it = instrument(kind)
    it.off()
    assert table.heard == [texts[0]]
    assert it.off_texts == texts


def test_off_after_a_failure_does_not_wait_for_an_identity(instrument, table):
    load = instrument("load")
    with pytest.raises(Timeout):
        load.input_is_on()
    table.replies.clear()
    table.heard.clear()
    load.off()
    assert table.heard == ["", "INP OFF"]


@pytest.mark.parametrize(
    ("kind", "missing", "call"),
    [
        ("supply", "over_volts", lambda it: it.arm_over_volts(volts=15)),
        ("supply", "over_amps", lambda it: it.arm_over_amps()),
        ("supply", "sense", lambda it: it.set_sense(remote=True)),
        ("load", "low_volts", lambda it: it.arm_low_volts(volts=9)),
        ("load", "low_volts_delay", lambda it: it.arm_low_volts(volts=9, delay_s=1)),
        ("load", "over_amps", lambda it: it.arm_over_amps(amps=9)),
        ("load", "sense", lambda it: it.set_sense(remote=True)),
    ],
)
def test_what_a_dialect_lacks_is_said(instrument, kind, missing, call):
    it = instrument(kind, **{missing: None})
    with pytest.raises(Unsupported, match=rf"it: dialect scpi-{kind} has no \[{missing}\]"):
        call(it)
    assert missing not in [key.removesuffix("_s") for key, _ in it.state_queries()]


def test_an_unknown_function_is_said(instrument):
    with pytest.raises(Unsupported, match=r"'short'.*cc, cv, cr, cp"):
        instrument("load").set_function("short")


def test_decimal_comma_of_a_dialect(instrument, table):
    table.replies["MEAS:VOLT:DC?"] = b"12,801"
    assert instrument("meter", decimal_comma=True).measure_volts() == 12.801


@pytest.mark.parametrize(("raw", "on"), [(b"1", True), (b"0", False), (b"OFF", False), (b"+1", True)])
def test_where_a_switch_and_a_contact_are(instrument, table, raw, on):
    table.replies |= {"OUTP?": raw, "SENS:CONT:CLOS?": raw}
    switch, contact = instrument("switch"), instrument("contact")
    assert switch.is_on() is contact.closed() is on
    assert switch.state() == {"position": on}
    assert table.heard == ["OUTP?", "SENS:CONT:CLOS?", "OUTP?"]


@pytest.mark.parametrize("raw", [b"", b"2", b"CLOSED", b"0.5", b"\xff"])
def test_a_contact_that_answers_neither_is_not_open(instrument, table, raw):
    table.replies["SENS:CONT:CLOS?"] = raw
    with pytest.raises(Unreadable, match="is none of 1, ON, 0, OFF"):
        instrument("contact").closed()


def test_a_switch_that_stays_says_so(instrument, table):
    table.deaf.add("OUTP")
    table.replies["OUTP?"] = b"1"
    with pytest.raises(ReadBackMismatch, match="switch is still on"):
        instrument("switch").switch(False)


def test_a_switch_goes_off_whoever_is_there(instrument, table):
    switch = instrument("switch")
    with pytest.raises(Timeout):
        switch.is_on()
    table.replies.clear()
    table.heard.clear()
    switch.off()
    assert table.heard == ["", "OUTP OFF"]


def test_errors_and_identity_are_the_sessions(instrument, table):
    table.replies["SYST:ERR?"] = b'0,"No error"'
    supply = instrument("supply", line=Line())
    assert supply.errors() == ()
    assert (supply.name, supply.identity.maker) == ("it", "OURS")
