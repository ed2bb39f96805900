"""Error-queue entries and identities."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.faults import InstrumentComplains, Unreadable, WrongIdentity
from drivers.scpi import Identity, identity, instrument_error
from drivers.session import QUEUE_BOUND


# Spellings of "no error": pfroud/JVisa issue 4, pyvisa/pyvisa-py issue 206; the first is SCPI-1999 volume 1, 21.8.
@pytest.mark.parametrize(
    "raw",
    [b'0,"No error"', b'+0,"No error"', b"0,No Error", b"+0, No error", b"0", b'00000,"NO ERROR"', b'0,"No error"\0\0'],
)
def test_no_error(raw):
    assert instrument_error(raw) is None


# Numbers and words of SCPI-1999 volume 1, 21.8; spellings from pyvisa/pyvisa issue 202 and j123b567/scpi-parser 94.
@pytest.mark.parametrize(
    ("raw", "code", "text"),
    [
        (b'-113,"Undefined header"', -113, "Undefined header"),
        (b'-222,"Data out of range; VOLT"', -222, "Data out of range; VOLT"),
        (b'-222,"Data out of range, VOLT"', -222, "Data out of range, VOLT"),
        (b'-410,"Query INTERRUPTED"\n\0\0\0', -410, "Query INTERRUPTED"),
        (b'**ERROR: -113,"Undefined header"', -113, "Undefined header"),
        (b'-350,"Queue overflow"', -350, "Queue overflow"),
        (b'+201,"says ""no"""', 201, 'says "no"'),
        (b"-113", -113, ""),
        # Quotes are taken off in pairs, and nothing else is.
        (b'-113,"half', -113, '"half'),
        (b'-113,half"', -113, 'half"'),
        (b"-113,'one'", -113, "one"),
        (b'-113,"', -113, '"'),
        (b"-113,xx", -113, "xx"),
        (b'5,""', 5, ""),
    ],
)
def test_an_error(raw, code, text):
    assert instrument_error(raw) == (code, text)


@pytest.mark.parametrize("raw", [b"", b"\0\0", b"12.801", b"No error", b'"0"', b"12.8,1.2", b"OURS,TABLE,1,0"])
def test_neither(raw):
    with pytest.raises(Unreadable) as caught:
        instrument_error(raw)
    assert caught.value.received == raw


@given(st.binary(max_size=40))
def test_any_bytes_are_an_entry_or_refused(raw):
    fault = None
    try:
        entry = instrument_error(raw)
    except Unreadable as caught:
        fault = caught
    if fault is None:
        assert entry is None or entry.code != 0
    else:
        assert "\n" not in str(fault)


def test_queue_is_read_empty(session, table):
    entries = iter([b'-113,"Undefined header"', b'-222,"Data out of range"', b'0,"No error"'])
    table.answer = lambda line: next(entries)
    assert [error.code for error in session.errors()] == [-113, -222]


def test_queue_that_never_empties_is_left_at_the_bound(session, table):
    table.replies["SYST:ERR?"] = b'-350,"Queue overflow"'
    with pytest.raises(InstrumentComplains, match="does not empty"):
        session.errors()
    assert len(table.heard) == QUEUE_BOUND


def test_empty_reply_is_not_no_error(session, table):
    table.replies["SYST:ERR?"] = b""
    with pytest.raises(Unreadable, match="it: sent 'SYST:ERR\\?': received b'': is empty"):
        session.errors()


# IEEE 488.2 10.14: four fields separated by commas, a field not available is 0.
@pytest.mark.parametrize(
    ("raw", "fields"),
    [
        (b"OURS,TABLE,1,0", ("OURS", "TABLE", "1", "0")),
        (b" OURS , TABLE X , 0 , 1.2-3 ", ("OURS", "TABLE X", "0", "1.2-3")),
        (b"OURS,TABLE,1,1.0,extra", ("OURS", "TABLE", "1", "1.0,extra")),
        (b"BOX V1.3", ("BOX V1.3", "", "", "")),
        (b"3BOX,TABLE,1,0", ("3BOX", "TABLE", "1", "0")),
        (b"OURS,T\xb5,1,0", ("OURS", "T\\xb5", "1", "0")),
    ],
)
def test_identity(raw, fields):
    assert identity(raw) == Identity(*fields)


@pytest.mark.parametrize("raw", [b"", b"  ", b"12.801", b"+1.2E+01 V", b"1"])
def test_what_is_no_identity(raw):
    with pytest.raises(Unreadable):
        identity(raw)


def test_wrong_identity_names_both_and_what_to_do(session):
    session.expected_identity = "SINK"
    session._who.known = None
    with pytest.raises(WrongIdentity) as caught:
        session.reopen()
    text = str(caught.value)
    assert all(part in text for part in ("it:", "'*IDN?'", "OURS,TABLE", "'SINK'", "memory", "bench file"))
