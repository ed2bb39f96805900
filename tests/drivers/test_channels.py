"""Channels of one instrument: whatever way they are named, a message reaches ours and an answer is of ours."""

from __future__ import annotations

import sys
import threading

import msgspec
import pytest
from channelled import Channelled

from drivers.channel import ChannelRefused
from drivers.dialect import Channels, SupplyDialect, load
from drivers.faults import ReadBackMismatch, Unreadable, Unsendable
from drivers.session import Session
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from drivers.wire import Lost, Timeout, WireError
from drivers.wire_memory import MemoryWire


@pytest.fixture
def box():
    return Channelled()


@pytest.fixture
def session(box):
    one = Session(MemoryWire(lambda: box, lambda seconds: None, name="box", address="memory", timeout_s=0.1))
    one.open()
    return one


@pytest.fixture
def supply(session):
    """``supply("select", 2)``; "apart" is a selection and a command in messages of their own."""

    def make(how: str, channel: int, name: str = "supply") -> Supply:
        dialect = load("scpi-supply-select" if how == "apart" else f"scpi-supply-{how}")
        assert isinstance(dialect, SupplyDialect)
        if how == "apart":
            dialect = msgspec.structs.replace(dialect, channels=msgspec.structs.replace(dialect.channels, joined=False))
        return Supply(session, dialect, channel=channel, name=name)

    return make


@pytest.fixture
def many_switches():
    """Threads that take turns as often as they can."""
    before = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    yield
    sys.setswitchinterval(before)


HOWS = ["select", "apart", "suffix", "list"]

SENT = {
    "select": ["INST:NSEL 2;:VOLT 12.500", "INST:NSEL?;:INST:NSEL 2;:VOLT?;:INST:NSEL?"],
    "apart": [
        *("INST:NSEL?", "INST:NSEL 2", "VOLT 12.500", "INST:NSEL?"),
        *("INST:NSEL?", "INST:NSEL 2", "VOLT?", "INST:NSEL?"),
    ],
    "suffix": ["SOUR2:VOLT 12.500", "SOUR2:VOLT?"],
    "list": ["VOLT 12.500,(@2)", "VOLT? (@2)"],
}
OFF = {
    "select": ("INST:NSEL 2;:OUTP OFF", "INST:NSEL 2", "OUTP OFF"),
    "apart": ("INST:NSEL 2", "OUTP OFF"),
    "suffix": ("OUTP2 OFF",),
    "list": ("OUTP OFF,(@2)",),
}


class Answering(Channelled):
    """Answers each message that asks nothing."""

    def message(self, line: str) -> bytes:
        return super().message(line) or b"OK\n"


@pytest.mark.parametrize("how", HOWS)
def test_what_is_said_to_one_that_answers_orders(how):
    """Joined there is one answer a message; apart the selection has one of its own, and the order another."""
    box = Answering()
    wire = MemoryWire(lambda: box, lambda seconds: None, name="box", address="memory", timeout_s=0.1)
    session = Session(wire, order_reply="OK")
    session.open()
    dialect = load("scpi-supply-select" if how == "apart" else f"scpi-supply-{how}")
    if how == "apart":
        dialect = msgspec.structs.replace(dialect, channels=msgspec.structs.replace(dialect.channels, joined=False))
    two = Supply(session, dialect, channel=2, name="supply")
    assert two.set_volts(volts=12.5) == 12.5
    assert box.heard == SENT[how]
    box.heard.clear()
    two.off()
    assert tuple(box.heard) == OFF[how]
    two.switch(True)
    assert two.output_is_on()
    assert session.openings == 1


@pytest.mark.parametrize("how", HOWS)
def test_what_is_said(how, supply, box):
    two = supply(how, 2)
    assert two.set_volts(volts=12.5) == 12.5
    assert box.heard == SENT[how]
    box.heard.clear()
    two.off()
    assert box.heard == list(OFF[how])
    assert two.off_texts[0] == "\n".join(OFF[how][:1] if how == "select" else OFF[how])


@pytest.mark.parametrize("how", HOWS)
def test_two_drivers_on_one_line_each_keep_to_their_channel(how, supply, box):
    one, two = supply(how, 1, "first"), supply(how, 2, "second")
    assert (one.name, one.channel, two.name, two.channel) == ("first", 1, "second", 2)
    for turn in range(5):
        one.set_volts(volts=10 + turn)
        two.set_volts(volts=20 + turn)
        two.switch(True)
        one.switch(False)
    assert {key: box.held[key] for key in ((1, "VOLT"), (2, "VOLT"), (1, "OUTP"), (2, "OUTP"))} == {
        (1, "VOLT"): "14.000",
        (2, "VOLT"): "24.000",
        (1, "OUTP"): "0",
        (2, "OUTP"): "1",
    }


@pytest.mark.parametrize("how", HOWS)
def test_threads_on_one_line_do_not_get_each_others_channel(how, supply, box, many_switches):
    """PyVISA shares one session between threads without a lock (pyvisa/pyvisa#726)."""
    box.held |= {(1, "MEAS:VOLT"): "1.5", (2, "MEAS:VOLT"): "2.5", (3, "MEAS:VOLT"): "3.5"}
    wrong: list[object] = []

    def ask(channel: int) -> None:
        driver = supply(how, channel)
        for _ in range(200):
            if (volts := driver.measure_volts()) != channel + 0.5:
                wrong.append((channel, volts))

    threads = [threading.Thread(target=ask, args=(channel,)) for channel in (1, 2, 3)]
    for one in threads:
        one.start()
    for one in threads:
        one.join(30)
    assert wrong == []
    assert not any(one.is_alive() for one in threads)


# Somebody else selects channel 1 just before each of our messages in turn.
@pytest.mark.parametrize("how", ["select", "apart"])
@pytest.mark.parametrize("number", range(1, 9))
def test_a_stolen_channel_never_gives_a_wrong_figure(how, number, supply, box):
    two = supply(how, 2)
    box.held |= {(1, "MEAS:VOLT"): "1.5", (2, "MEAS:VOLT"): "2.5"}
    box.meanwhile[number] = lambda: setattr(box, "selected", 1)
    seen = []
    for _ in range(3):
        try:
            seen.append(two.measure_volts())
        except ReadBackMismatch as fault:
            assert "channel 1 is selected, 2 was: somebody else is on this instrument" in str(fault)  # noqa: PT017
    assert set(seen) == {2.5}
    # Each reading is four messages when apart: after our selection, the second of them, a theft spoils the reading.
    assert len(seen) == (2 if how == "apart" and number % 4 in (3, 0) else 3)
    # Just before our selection it is not to be seen, and does nothing; and the very first time nothing is known yet.
    told = two.meddled_with()
    assert told == ("selected was 2, is 1" if told else None)
    assert (told is None) is (number == 1 or (how == "apart" and number % 4 == 2) or (how == "select" and number > 3))
    assert two.meddled_with() is None, "told once"


def test_an_order_that_went_to_a_stolen_channel_is_told(supply, box):
    two = supply("apart", 2)
    box.meanwhile[3] = lambda: setattr(box, "selected", 1)
    with pytest.raises(ReadBackMismatch, match="what was sent may have gone to the other channel") as caught:
        two.set_volts(volts=12.5)
    assert (caught.value.asked, caught.value.held, caught.value.sent) == (2.0, 1.0, "VOLT 12.500")


@pytest.mark.parametrize("how", ["select", "apart"])
def test_the_selection_is_a_part_of_the_state(how, supply, box):
    one, two = supply(how, 1, "first"), supply(how, 2, "second")
    ask = dict(two.state_queries())["selected"]
    box.selected = 3
    assert two.state()["selected"] == 2.0, "our own messages have selected it again"
    assert ask() == 2.0
    one.measure_volts()
    assert ask() == 2.0, "another driver of ours is not somebody else"
    box.selected = 3
    assert ask() == 3.0
    box.heard.clear()
    ask()
    assert box.heard == ["INST:NSEL?"], "looking must not select"


@pytest.mark.parametrize("how", ["select", "apart"])
def test_a_selection_that_was_reset_with_the_line_was_nobody(how, supply, box):
    """An instrument that restarts as its port is opened starts with channel 1."""
    two = supply(how, 2)
    two.measure_volts()
    box.selected = 1
    two.session.reopen()
    assert two.measure_volts() == 0.0
    assert two.meddled_with() is None
    box.selected = 1
    two.measure_volts()
    assert two.meddled_with() == "selected was 2, is 1"
    assert two.meddled_with() is None, "told once"


@pytest.mark.parametrize("how", ["suffix", "list"])
def test_without_a_selection_there_is_no_such_state(how, supply):
    assert "selected" not in dict(supply(how, 2).state_queries())


# Part two read as if it stood alone, or the last part only (j123b567/scpi-parser#111, Vrekrer/Vrekrer_scpi_parser#18).
@pytest.mark.parametrize(("obeys", "lines"), [("first", False), ("last", False), ("all", True)])
def test_a_message_obeyed_in_part_is_never_a_reading(obeys, lines, supply, box):
    two = supply("select", 2)
    box.held |= {(1, "MEAS:VOLT"): "1.5", (2, "MEAS:VOLT"): "2.5"}
    box.obeys, box.lines = obeys, lines
    for _ in range(3):
        with pytest.raises((Unreadable, Timeout, Lost)) as caught:
            two.measure_volts()
    text = str(caught.value)
    if obeys == "last":
        assert "has 1 part(s) where three were due" in text
        assert "set joined = false in [channels] of its dialect" in text


@pytest.mark.parametrize(
    ("reply", "kind"),
    [
        (b"12.801", Unreadable),
        (b"2;12.801", Unreadable),
        (b"2;12.801;2", None),
        (b"2;12.801\n2", Lost),
        (b"2;1.200;12.801;2", ValueError),
        (b"2;12.801;", ValueError),
        (b"2;;2", ValueError),
        (b"2;12.801;1", ReadBackMismatch),
        (b"2;12.801;9.91E37", ReadBackMismatch),
    ],
)
def test_the_parts_of_an_answer_are_counted(reply, kind, supply, box):
    two = supply("select", 2)
    box.message = lambda line: b"OURS,CHANNELS,1,0\n" if line == "*IDN?" else reply + b"\n"
    if kind is None:
        assert two.measure_volts() == 12.801
    else:
        with pytest.raises(kind):
            two.measure_volts()


@pytest.mark.parametrize("joined", [True, False])
def test_a_selection_that_is_told_in_words(joined, session, box):
    """Some say CH2 where others say 2."""
    dialect, command = load("scpi-supply-select"), box.command
    words = msgspec.structs.replace(
        dialect.channels, set="INST:SEL CH{channel}", ask="INST:SEL?", reply="CH{}", joined=joined
    )
    box.command = lambda text: (
        "CH" + command("INST:NSEL?") if "SEL?" in text else command(text.replace("SEL CH", "NSEL "))
    )
    two = Supply(session, msgspec.structs.replace(dialect, channels=words), channel=2)
    assert two.set_volts(volts=12.5) == 12.5
    assert box.held == {(2, "VOLT"): "12.500"}
    assert two.state()["selected"] == 2.0


def test_an_order_is_never_a_question_that_may_be_asked_again(supply, box):
    supply("select", 2).switch(True)
    assert all("?" not in line for line in box.heard if "ON" in line)


def test_switching_off_needs_neither_identity_nor_selection(supply, box):
    two = supply("apart", 2)
    box.obeys = "first"
    message, box.message = box.message, lambda line: b""
    with pytest.raises(WireError):
        two.output_is_on()
    box.message = message
    box.held[2, "OUTP"] = "1"
    two.off()
    assert box.heard[-2:] == ["INST:NSEL 2", "OUTP OFF"]
    assert box.held[2, "OUTP"] == "0"


# -- what is refused ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("dialect", "channel", "words"),
    [
        ("scpi-supply-list", 0, "it: channel = 0: dialect scpi-supply-list has channels 1 to 9"),
        ("scpi-supply-list", 10, "it: channel = 10: dialect scpi-supply-list has channels 1 to 9"),
        ("scpi-supply-list", None, "it: channel is missing: dialect scpi-supply-list has channels 1 to 9; add channel"),
        ("scpi-supply", 1, "it: channel = 1: dialect scpi-supply has no channels; take the line out"),
    ],
)
def test_a_channel_the_dialect_has_not(dialect, channel, words, session):
    with pytest.raises(ChannelRefused) as caught:
        Supply(session, load(dialect), channel=channel, name="it")
    assert words in str(caught.value)


def test_the_only_channel_need_not_be_given(session):
    dialect = load("scpi-switch-route")
    one = msgspec.structs.replace(dialect, channels=Channels(how="list", least=101, most=101))
    assert PowerSwitch(session, one).off_texts == ("ROUT:OPEN (@101)", "ROUT:CLOS? (@101)")


@pytest.mark.parametrize("name", ["", "a\nb", "a\x1b[2J", "\0"])
def test_a_name_that_would_write_over_the_screen(name, session):
    with pytest.raises(ValueError, match="an instrument's name is one line of printable text"):
        Supply(session, load("scpi-supply"), name=name)


@pytest.mark.parametrize("text", ["OUTP ON;VOLT 30", "OUTP ON\nVOLT 30", "OUTP ON\r", "OUTP\0ON", "OUTP\xa0ON"])
def test_a_dialect_made_by_hand_cannot_slip_in_a_second_command(text, session, box):
    dialect = load("scpi-supply")
    output = msgspec.structs.replace(dialect.output, set_on=text)
    with pytest.raises(Unsendable, match="is not one command of printable ASCII; nothing was sent"):
        Supply(session, msgspec.structs.replace(dialect, output=output)).switch(True)
    assert box.heard == []


def test_a_message_longer_than_the_instrument_takes_is_not_sent(session, box):
    """What is cut off after so many bytes is half obeyed; a guide tells of about 100 characters."""
    dialect = load("scpi-supply-select")
    line = msgspec.structs.replace(dialect.line, message_bytes=45)
    two = Supply(session, msgspec.structs.replace(dialect, line=line), channel=2)
    two.set_volts(volts=12.5)
    box.heard.clear()
    with pytest.raises(Unsendable, match=r"has 46 bytes, \[line\] message_bytes of its dialect allows 45; nothing"):
        two.arm_over_volts(volts=123456789012345678.5)
    assert box.heard == []
