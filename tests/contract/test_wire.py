"""What every kind of wire does, the same tests over memory, socket and serial port."""

from __future__ import annotations

import threading
import time

import pytest
from scripted import BYTE_STREAMS, HANG_UP, TIMEOUT_S, Script

from drivers.wire import CLEARED, Exchange, Lost, Timeout, WireError

SLACK_S = 0.4

byte_streams = pytest.mark.parametrize("backend", BYTE_STREAMS, indirect=True)
messages = pytest.mark.parametrize("backend", ["hislip"], indirect=True)


def test_reply_comes_without_its_terminator(wire, script):
    script.replies[b"MEAS:VOLT?"] = [b"12.801\n"]
    assert wire.query("MEAS:VOLT?") == b"12.801"


def test_orders_and_questions_keep_their_order(wire, script):
    script.replies[b"VOLT?"] = [b"12.000\n"]
    wire.write("VOLT 12")
    wire.write("OUTP ON")
    assert wire.query("VOLT?") == b"12.000"
    assert script.heard == [b"VOLT 12", b"OUTP ON", b"VOLT?"]


@pytest.mark.parametrize(
    ("sent", "line"),
    [
        (b"12.8\r\n", b"12.8"),
        (b"12.8\n\0", b"12.8"),
        (b"\x00\x0012.8\n", b"12.8"),
        (b"12.8\n\r", b"12.8"),
        (b'0,"No error"\n\0\0\0', b'0,"No error"'),
        (b"\n", b""),
        (b"x" * 3000 + b"\n", b"x" * 3000),
    ],
)
def test_padding_is_no_part_of_a_reply_nor_of_the_next(wire, script, sent, line):
    script.replies |= {b"A?": [sent], b"B?": [b"2\n"]}
    assert wire.query("A?") == line
    assert wire.query("B?") == b"2"


def test_silence_is_a_timeout_at_the_deadline(wire, backend):
    with backend.timed() as elapsed, pytest.raises(Timeout) as caught:
        wire.query("MEAS:VOLT?")
    assert TIMEOUT_S * 0.95 <= elapsed() <= TIMEOUT_S + backend.extra_s + SLACK_S
    fault = caught.value
    assert isinstance(fault, TimeoutError)
    assert (fault.instrument, fault.sent, fault.received) == ("it", b"MEAS:VOLT?\n", b"")
    assert str(fault).count("\n") == 0
    assert ("no answer after clear" if backend.framed else "0.1 s") in str(fault)


@byte_streams
def test_reply_without_terminator_is_a_timeout_that_shows_what_came(wire, script):
    script.replies[b"MEAS:VOLT?"] = [b"12.801"]
    with pytest.raises(Timeout) as caught:
        wire.query("MEAS:VOLT?")
    assert caught.value.received == b"12.801"
    assert "b'12.801'" in str(caught.value)


def test_bytes_that_dribble_in_do_not_move_the_deadline(wire, script, backend):
    # One byte each 0.3 of the deadline, for twenty deadlines.
    script.replies[b"MEAS:VOLT?"] = [b"9", 0.3 * TIMEOUT_S] * 60
    with backend.timed() as elapsed, pytest.raises(Timeout) as caught:
        wire.query("MEAS:VOLT?")
    assert elapsed() <= TIMEOUT_S + backend.extra_s + SLACK_S
    if not backend.framed:  # the library does not show half a message
        assert set(caught.value.received) == set(b"9")


def test_a_failed_wire_is_closed_and_says_so(wire):
    with pytest.raises(Timeout):
        wire.query("MEAS:VOLT?")
    assert not wire.is_open
    with pytest.raises(Lost, match="closed"):
        wire.query("MEAS:CURR?")
    with pytest.raises(Lost, match="closed"):
        wire.write("OUTP OFF")


def test_it_can_be_opened_again(wire, script):
    with pytest.raises(Timeout):
        wire.query("MEAS:VOLT?")
    script.replies[b"MEAS:VOLT?"] = [b"12.801\n"]
    wire.open()
    wire.open()
    assert wire.query("MEAS:VOLT?") == b"12.801"


def test_two_replies_to_one_question_are_refused(wire, script):
    script.replies[b"MEAS:VOLT?"] = [b"12.801\n1.200\n"]
    with pytest.raises(Lost, match=r"12\.801.*more than one reply"):
        wire.query("MEAS:VOLT?")


@byte_streams
def test_what_comes_unasked_is_refused_before_the_next_message(wire, script, backend):
    script.replies |= {b"VOLT 12": [b"NOT IN REMOTE\r\n"], b"VOLT?": [b"0.000\n"]}
    wire.write("VOLT 12")
    backend.settle()
    with pytest.raises(Lost, match=r"NOT IN REMOTE.*unasked"):
        wire.query("VOLT?")
    assert script.heard == [b"VOLT 12"]


def test_hanging_up_is_lost_at_once_and_costs_nothing(backend, script):
    wire = backend.wire(timeout_s=10 * TIMEOUT_S)
    script.replies[b"MEAS:VOLT?"] = [b"12.", HANG_UP]
    wire.open()
    cpu = time.process_time()
    with backend.timed() as elapsed, pytest.raises(Lost) as caught:
        wire.query("MEAS:VOLT?")
    assert isinstance(caught.value, ConnectionError)
    assert elapsed() < 3 * TIMEOUT_S
    assert time.process_time() - cpu < TIMEOUT_S
    assert not wire.is_open


def test_line_lost_while_idle_is_lost_at_the_next_message(wire, backend):
    backend.die()
    with pytest.raises(Lost):
        wire.query("MEAS:VOLT?")


def test_nobody_there_is_lost_at_open(backend):
    wire = backend.wire(timeout_s=TIMEOUT_S)
    backend.die()
    with pytest.raises(Lost):
        wire.open()
    assert not wire.is_open


def test_close_never_raises(wire, backend):
    backend.die()
    wire.close()
    wire.close()
    assert not wire.is_open


@messages
def test_what_comes_unasked_is_dropped_by_its_number(wire, script, backend):
    script.replies |= {b"VOLT 12": [b"NOT IN REMOTE\r\n"], b"VOLT?": [b"0.000\n"]}
    wire.write("VOLT 12")
    backend.settle()
    assert wire.query("VOLT?") == b"0.000"


@byte_streams
def test_gap_ends_a_reply_where_the_instrument_sends_no_terminator(backend, script):
    wire = backend.wire(timeout_s=4 * TIMEOUT_S, gap_s=0.02)
    script.replies[b"MEAS:VOLT?"] = [b"12.801"]
    wire.open()
    with backend.timed() as elapsed:
        assert wire.query("MEAS:VOLT?") == b"12.801"
    assert elapsed() < 2 * TIMEOUT_S
    wire.close()


def test_declared_echo_is_taken_away(backend, script):
    wire = backend.wire(timeout_s=TIMEOUT_S, echo=True)
    script.replies |= {b"VOLT 12": [b"VOLT 12\n"], b"MEAS:VOLT?": [b"MEAS:VOLT?\r\n12.801\n"]}
    wire.open()
    wire.write("VOLT 12")
    assert wire.query("MEAS:VOLT?") == b"12.801"
    wire.close()


def test_undeclared_echo_is_named(wire, script):
    script.replies[b"MEAS:VOLT?"] = [b"MEAS:VOLT?\n12.801\n"]
    with pytest.raises(Lost, match="echo = true"):
        wire.query("MEAS:VOLT?")


def test_wrongly_declared_echo_is_named(backend, script):
    wire = backend.wire(timeout_s=TIMEOUT_S, echo=True)
    script.replies[b"MEAS:VOLT?"] = [b"12.801\n"]
    wire.open()
    with pytest.raises(Lost, match="echo = false"):
        wire.query("MEAS:VOLT?")


def test_pacing_pauses_before_each_message(backend, script):
    wire = backend.wire(timeout_s=TIMEOUT_S, pace_s=0.03)
    script.replies[b"A?"] = [b"1\n"]
    wire.open()
    with backend.timed() as elapsed:
        wire.write("VOLT 12")
        assert wire.query("A?") == b"1"
    assert elapsed() >= 0.059
    wire.close()


@byte_streams
def test_babble_without_an_end_is_lost(backend, script):
    wire = backend.wire(timeout_s=20 * TIMEOUT_S)
    script.replies[b"A?"] = [b"x" * 80_000]
    wire.open()
    with pytest.raises(Lost, match="65536 bytes"):
        wire.query("A?")


def test_find_drops_what_is_owed(wire, script):
    script.replies |= {b"*IDN?": [b"12.801\n1.2\nOURS,SCRIPTED,1,0\n"], b"A?": [b"1\n"]}
    wire.find("*IDN?", b"OURS,SCRIPTED,1,0".__eq__)
    assert wire.query("A?") == b"1"


def test_find_gives_up_at_the_deadline_and_shows_who_answered(wire, script, backend):
    script.replies[b"*IDN?"] = [b"12.801\n", b"OTHER,SCRIPTED,2,0\n"]
    with backend.timed() as elapsed, pytest.raises(Timeout) as caught:
        wire.find("*IDN?", b"OURS,SCRIPTED,1,0".__eq__)
    assert caught.value.received == b"OTHER,SCRIPTED,2,0"
    assert elapsed() <= TIMEOUT_S + SLACK_S


@messages
def test_silence_ends_after_one_clear_and_one_more_question(backend, script):
    seen: list[Exchange] = []
    wire = backend.wire(timeout_s=TIMEOUT_S, tap=seen.append)
    script.on_clear = lambda: script.replies.update({b"A?": [b"1\n"]})
    wire.open()
    assert wire.query("A?") == b"1"
    assert script.heard == [b"A?", Script.CLEAR, b"A?"]
    assert seen == [Exchange("it", b"A?\n", b"1", CLEARED)]
    assert wire.clears == 1
    wire.close()


@messages
def test_an_order_is_followed_by_no_clear(wire, script):
    wire.write("VOLT 12")
    assert wire.query("*IDN?")
    assert script.heard == [b"VOLT 12", b"*IDN?"]


def test_a_message_is_one_line(wire):
    with pytest.raises(ValueError, match="one line"):
        wire.write("OUTP OFF\nOUTP ON")
    assert wire.is_open


def test_tap_sees_every_exchange(backend, script):
    seen: list[Exchange] = []
    wire = backend.wire(timeout_s=TIMEOUT_S, tap=seen.append)
    script.replies[b"A?"] = [b"1\n"]
    wire.open()
    wire.write("OUTP OFF")
    wire.query("A?")
    with pytest.raises(Timeout):
        wire.query("B?")
    assert seen[:2] == [Exchange("it", b"OUTP OFF\n", None, None), Exchange("it", b"A?\n", b"1", None)]
    assert (seen[2].sent, seen[2].received) == (b"B?\n", None)
    assert seen[2].error is not None
    assert seen[2].error.startswith("Timeout: it at ")


def test_a_stop_in_the_middle_of_a_question_passes_and_closes(wire, script, monkeypatch):
    class Stop(BaseException): ...

    def stop(*_: object) -> bytes:
        raise Stop

    script.replies[b"A?"] = [b"OLD\n"]
    monkeypatch.setattr(wire, "_receive", stop)
    with pytest.raises(Stop):
        wire.query("A?")
    assert not wire.is_open


def test_two_threads_each_get_their_own_answers(backend, script):
    if backend.kind == "replay":
        pytest.skip("a record holds one order of messages, and two threads make another each time")
    wire = backend.wire(timeout_s=20 * TIMEOUT_S)
    script.replies |= {b"MEAS:VOLT?": [b"12.8\n"], b"MEAS:CURR?": [b"1.2\n"]}
    wire.open()
    wrong: list[object] = []

    def ask(message: str, answer: bytes) -> None:
        try:
            wrong.extend(reply for _ in range(300) if (reply := wire.query(message)) != answer)
        except WireError as error:
            wrong.append(error)

    threads = [threading.Thread(target=ask, args=pair) for pair in [("MEAS:VOLT?", b"12.8"), ("MEAS:CURR?", b"1.2")]]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert wrong == []
    wire.close()
