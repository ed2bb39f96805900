"""A protocol without a word of SCPI: what is said in it, digit by digit; the contract of the drivers has it too."""

from __future__ import annotations

import pytest
from terse import LOAD, SUPPLY, TerseLoad, TerseSupply, talkative

from drivers.dialect import parse
from drivers.faults import InstrumentComplains, NotANumber, ReadBackMismatch, Unreadable, Unsendable, WrongIdentity
from drivers.load import Load
from drivers.session import Session
from drivers.supply import Supply
from drivers.wire_memory import MemoryWire


class Talker:
    def __init__(self, instrument) -> None:
        self.instrument = instrument

    def feed(self, data: bytes) -> bytes:
        return b"".join(self.instrument(line) for line in data.split(b"\r")[:-1])

    def hang_up(self) -> None: ...


def driver(kind, text, instrument):
    dialect = parse(text, where="mine.toml")
    wire = MemoryWire(
        lambda: Talker(instrument), lambda seconds: None, name="it", address="memory", terminator=b"\r", timeout_s=0.1
    )
    session = Session(
        wire,
        errors_ask="",
        identity_ask=dialect.identity_ask,
        patterns=dialect.identity,
        order_reply=dialect.line.order_reply,
    )
    session.open()
    instrument.heard.clear()
    return kind(session, dialect)


@pytest.fixture
def source():
    return TerseSupply()


@pytest.fixture
def supply(source):
    return driver(Supply, SUPPLY, source)


@pytest.fixture
def sink():
    return TerseLoad()


@pytest.fixture
def load(sink):
    return driver(Load, LOAD, sink)


def test_who_is_there(supply, source):
    assert supply.identity.maker == "TERSE SOURCE 7"
    with pytest.raises(WrongIdentity, match=r"its dialect is for 'TERSE SINK\*'"):
        driver(Load, LOAD, source)


def test_what_is_said_to_the_supply(supply, source):
    supply.set_volts(volts=12.8)
    supply.set_amps(amps=2.5)
    supply.arm_over_volts(volts=15)
    supply.arm_over_amps()
    supply.switch(True)
    assert (supply.measure_volts(), supply.measure_amps(), supply.mode()) == (12.8, 0.0, "cv")
    supply.off()
    supply.soften()
    assert source.heard == "V12800 v A2500 a P15000 p R1 r S1 s u j m S0 A0".split()  # noqa: SIM905 - one line, as sent
    assert supply.errors() == ()
    assert source.heard[-1] == "A0", "there is no error queue to be asked"


def test_what_is_said_to_the_load(load, sink):
    load.set_function("cc")
    load.set_amps(amps=1.2)
    load.arm_low_volts(volts=9.2, delay_s=0.25)
    load.switch(True)
    assert (load.measure_volts(), load.measure_amps()) == (12.74, 1.2)
    load.switch(False)
    assert sink.heard == "G1 g A1200 a L9200 l D250 d S1 s u j S0 s".split()  # noqa: SIM905 - one line, as sent


def test_a_value_between_two_steps_goes_to_the_nearer_one(supply, source):
    """It counts in steps of 5 mA and cuts off what lies between; 2.5049 A would else be held as 2.500 A unseen."""
    assert supply.set_amps(amps=2.5049) == 2.505
    assert source.heard == ["A2505", "a"]


@pytest.mark.parametrize(("volts", "words"), [(41.0, "above the most it takes, 40 V"), (-1.0, "below the least")])
def test_beyond_its_range_nothing_is_said(supply, source, volts, words):
    with pytest.raises(Unsendable, match=words):
        supply.set_volts(volts=volts)
    assert source.heard == []


def test_a_number_too_long_for_it_is_not_said(load, sink):
    with pytest.raises(Unsendable, match=r"'A12345678' has 10 bytes, \[line\] message_bytes of its dialect allows 8"):
        load.set_amps(amps=12345.678)
    assert sink.heard == []


@pytest.mark.parametrize("reply", [b"J00000", b"U12.8V", b"U", b"12800", b"U012800mV", b"U012800;J00000"])
def test_an_answer_of_another_form_is_no_reading(supply, source, reply):
    answer = source.answer
    source.answer = lambda letter, digits: reply.decode() if letter == "u" else answer(letter, digits)
    with pytest.raises(NotANumber):
        supply.measure_volts()


def test_a_word_of_another_form_is_no_flag(supply, source):
    source.answer = lambda letter, digits: "1" if letter == "s" else None
    with pytest.raises(Unreadable, match="is none of S1, S0"):
        supply.output_is_on()


def test_a_trip_and_an_output_that_comes_back(supply, source):
    supply.set_volts(volts=14.6)
    supply.switch(True)
    source.held["P"] = 14_000
    assert supply.tripped() == "over-volts protection tripped"
    with pytest.raises(ReadBackMismatch, match="output is still off: over-volts protection tripped"):
        supply.switch(True)
    source.heard.clear()
    with pytest.raises(ReadBackMismatch, match="came on as its protection was cleared, and was switched off again"):
        supply.clear_protection()
    assert source.heard == "S0 s V0 v C s S0 s".split()  # noqa: SIM905 - one line, as sent
    assert (source.on, source.trips) == (False, 0)


def test_what_is_said_to_the_talkative_ones():
    """Each order is answered and each answer taken: the next is never owed one."""
    source, sink = TerseSupply("=>"), TerseLoad("=>")
    supply, load = driver(Supply, talkative(SUPPLY), source), driver(Load, talkative(LOAD), sink)
    supply.set_volts(volts=12.8)
    supply.arm_over_amps()
    supply.switch(True)
    assert (supply.output_is_on(), supply.measure_volts(), supply.tripped()) == (True, 12.8, None)
    assert (supply.state()["output"], supply.state()["over_amps"]) == (True, True)
    supply.arm_over_amps(on=False)
    assert (supply.state()["output"], supply.state()["over_amps"]) == (True, False)
    supply.off()
    supply.soften()
    assert not supply.output_is_on()
    assert source.heard[:6] == "V12800 v R1 q S1 q".split()  # noqa: SIM905 - one line, as sent
    load.set_function("cc")
    load.set_amps(amps=1.2)
    load.switch(True)
    assert (load.input_is_on(), load.measure_amps()) == (True, 1.2)
    load.switch(False)
    assert not load.input_is_on()
    assert supply.session.openings == load.session.openings == 1


def test_an_order_that_is_refused_in_words():
    source = TerseSupply("=>")
    supply = driver(Supply, talkative(SUPPLY), source)
    source.order_reply = "ERR 5"
    with pytest.raises(InstrumentComplains, match="answered 'ERR 5' to an order, '=>' is due") as caught:
        supply.set_volts(volts=12.8)
    assert str(caught.value).startswith("it: sent 'V12800': received b'ERR 5': ")
    source.heard.clear()
    supply.off()
    assert source.heard == ["S0"], "off is said whatever it answers, and once"
    assert supply.measure_volts() == 0.0
    assert supply.session.openings == 1


def test_a_trip_is_a_bit_of_the_same_register():
    source = TerseSupply("=>")
    supply = driver(Supply, talkative(SUPPLY), source)
    supply.set_volts(volts=14.6)
    supply.switch(True)
    source.held["P"] = 14_000
    assert supply.tripped() == "over-volts protection tripped"
    assert not supply.output_is_on()
    with pytest.raises(ReadBackMismatch, match="output is still off: over-volts protection tripped"):
        supply.switch(True)


@pytest.mark.parametrize("reply", ["", "S1", "Q", "Q-8", "Q8.5", "q8;q8", "8"])
def test_an_answer_that_is_no_register(reply):
    source = TerseSupply("=>")
    supply = driver(Supply, talkative(SUPPLY), source)
    answer = source.answer
    source.answer = lambda letter, digits: reply if letter == "q" else answer(letter, digits)
    with pytest.raises(NotANumber):
        supply.output_is_on()
