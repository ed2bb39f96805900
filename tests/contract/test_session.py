"""A session never takes a late reply for the next answer and never talks to a stranger; over every kind of wire."""

from __future__ import annotations

import contextlib
import threading

import pytest
from scripted import HANG_UP, IDENTITY, TIMEOUT_S, Script

from drivers.faults import Unreadable, WrongIdentity
from drivers.session import Session
from drivers.wire import Lost, Timeout

LATE_S = 1.5 * TIMEOUT_S


@pytest.fixture
def session(wire):
    one = Session(wire)
    one.open()
    return one


def ask_until_answered(session: Session, message: str, *, tries: int = 4) -> tuple[bytes, int]:
    """What the caller of a session does: ask again, a bounded number of times."""
    for failures in range(tries):
        try:
            return session.ask(message), failures
        except (Timeout, Lost):
            continue
    raise AssertionError(f"{message} was never answered")


def test_open_asks_who_is_there(session, script):
    assert script.heard == [b"*IDN?"]
    assert session.identity.model == "SCRIPTED"
    assert session.openings == 1


@pytest.mark.parametrize("settle", [True, False], ids=["asked after it came", "asked while it is due"])
@pytest.mark.parametrize(
    "acts",
    [
        [LATE_S, b"12.801\n"],
        [b"12.8", LATE_S, b"01\r\n"],
        [b"12.8", LATE_S, b"01\r\n77.7\n"],
        [0.8 * TIMEOUT_S, b"1", LATE_S, b"2.801"],
    ],
    ids=["late", "tail late", "two late", "never ended"],
)
def test_late_reply_never_becomes_the_next_answer(session, script, backend, acts, settle):
    script.replies |= {b"MEAS:VOLT?": acts, b"MEAS:CURR?": [b"1.200\n"]}
    with pytest.raises(Timeout):
        session.ask("MEAS:VOLT?")
    if settle:
        backend.settle()
    # A busy machine may let an honest answer miss its deadline as well: then it is asked again. It is never another.
    answers = [ask_until_answered(session, "MEAS:CURR?", tries=8)[0] for _ in range(4)]
    assert answers == [b"1.200"] * 4
    assert session.openings >= 2


def test_one_failure_costs_one_deadline(session, backend):
    with backend.timed() as elapsed, pytest.raises(Timeout):
        session.ask("MEAS:VOLT?")
    assert elapsed() <= TIMEOUT_S + backend.extra_s + 0.4


def test_nothing_is_said_before_identity_was_asked_again(session, script):
    with pytest.raises(Timeout):
        session.ask("MEAS:VOLT?")
    script.heard.clear()
    session.tell("VOLT 12")
    session.ask("*IDN?")
    assert script.heard == [b"*IDN?", b"VOLT 12", b"*IDN?"]


def test_an_order_is_never_repeated(session, script, backend):
    script.replies[b"VOLT 12"] = [HANG_UP]
    with contextlib.suppress(Lost):  # in memory the far end is seen to hang up at once, on a line a little later
        session.tell("VOLT 12")
    backend.settle()
    answer, _ = ask_until_answered(session, "*IDN?")
    assert answer == IDENTITY
    assert script.heard.count(b"VOLT 12") == 1


def test_link_dropped_while_idle_costs_one_failure(session, script, backend):
    script.replies |= {b"VOLT 1": [HANG_UP], b"MEAS:VOLT?": [b"12.8\n"]}
    with contextlib.suppress(Lost):
        session.tell("VOLT 1")
        backend.settle()
        session.ask("MEAS:VOLT?")
    assert ask_until_answered(session, "MEAS:VOLT?") == (b"12.8", 0)


def test_another_instrument_after_reopening_is_lost_and_gets_no_order(session, script):
    with pytest.raises(Timeout):
        session.ask("MEAS:VOLT?")
    script.replies[b"*IDN?"] = [b"OTHER,SCRIPTED,2,0\n"]
    script.heard.clear()
    for _ in range(2):
        with pytest.raises(Lost, match="another instrument") as caught:
            session.tell("OUTP ON")
        assert caught.value.received == b"OTHER,SCRIPTED,2,0"
    assert set(script.heard) == {b"*IDN?"}


def test_off_is_said_to_whoever_is_there(session, script):
    with pytest.raises(Timeout):
        session.ask("MEAS:VOLT?")
    script.replies[b"*IDN?"] = []
    script.heard.clear()
    session.tell_whoever("OUTP OFF")
    script.replies[b"*IDN?"] = [IDENTITY + b"\n"]
    session.ask("*IDN?")
    assert script.heard == [b"", b"OUTP OFF", b"*IDN?", b"*IDN?"]


def test_off_is_said_although_something_stands_on_the_line(session, script, backend):
    script.replies[b"VOLT 12"] = [b"NOT IN REMOTE\r\n"]
    session.tell("VOLT 12")
    backend.settle()
    session.tell_whoever("OUTP OFF")
    session.ask("*IDN?")
    assert b"OUTP OFF" in script.heard


def test_a_distrusted_line_is_brought_back_in_step_without_reopening(session, script):
    script.replies |= {b"A?": [b"----\n"], b"B?": [b"2\n"]}
    session.ask("A?")
    session.distrust()
    script.heard.clear()
    assert session.ask("B?") == b"2"
    assert script.heard == [b"*IDN?", b"B?"]
    assert session.openings == 1


def test_reopen(session, script):
    session.reopen()
    assert script.heard == [b"*IDN?", b"*IDN?"]
    assert session.openings == 2


def test_identity_that_was_expected(wire):
    Session(wire, "SCRIPTED,1").open()


def test_wrong_identity_is_refused_and_the_line_closed(wire):
    with pytest.raises(WrongIdentity, match="expects 'METER'") as caught:
        Session(wire, "METER").open()
    assert caught.value.received == IDENTITY
    assert not wire.is_open


def test_remote_is_said_first_after_each_opening(wire, script):
    session = Session(wire, remote="SYST:REM")
    session.open()
    session.reopen()
    assert script.heard == [b"SYST:REM", b"*IDN?"] * 2


def test_a_line_said_at_opening_is_no_identity(wire, script):
    script.replies[b"*IDN?"] = [b"READY v1\r\n", IDENTITY + b"\n"]
    session = Session(wire)
    session.open()
    assert session.identity.model == "SCRIPTED"


def test_an_identity_without_commas_is_one_when_nothing_better_comes(wire, script):
    script.replies |= {b"*IDN?": [b"BOX V1.3\n"], b"A?": [b"1\n"]}
    session = Session(wire, "BOX")
    session.open()
    assert (session.identity.maker, session.ask("A?")) == ("BOX V1.3", b"1")
    session.reopen()
    assert session.ask("A?") == b"1"


def test_a_number_is_no_identity(wire, script):
    script.replies[b"*IDN?"] = [b"12.801\n"]
    with pytest.raises(Unreadable, match="is not an identity"):
        Session(wire).open()


def test_identity_before_opening_is_lost(backend):
    with pytest.raises(Lost, match="open the session first"):
        _ = Session(backend.wire()).identity


def test_another_identity_question(wire, script):
    script.replies |= {b"ID?": [b"TERSE 4 V2\n"], b"A?": [b"1\n"]}
    session = Session(wire, identity_ask="ID?", patterns=("terse *",))
    session.open()
    session.reopen()
    assert session.ask("A?") == b"1"
    assert (session.identity.maker, script.heard) == ("TERSE 4 V2", [b"ID?", b"ID?", b"A?"])


def test_there_must_be_an_identity_question(wire):
    with pytest.raises(ValueError, match="identity_ask is empty"):
        Session(wire, identity_ask="")


@pytest.mark.parametrize("patterns", [(), ("*",), ("OURS,*",), ("ours,script??,*",), ("OTHER,*", "*,SCRIPTED,*")])
def test_identity_that_fits_its_dialect(wire, patterns):
    session = Session(wire, patterns=patterns)
    session.open()
    assert session.identity.model == "SCRIPTED"


def test_identity_of_another_kind_than_the_dialect_is_for(wire):
    with pytest.raises(WrongIdentity, match=r"dialect is for '\*,SIM-LOAD,\*'.*choose the dialect") as caught:
        Session(wire, patterns=("*,SIM-LOAD,*",)).open()
    assert caught.value.received == IDENTITY
    assert not wire.is_open


def test_a_banner_is_no_identity_whatever_the_pattern(wire, script):
    script.replies[b"*IDN?"] = [b"READY v1\r\n", IDENTITY + b"\n"]
    session = Session(wire, patterns=("*",))
    session.open()
    assert session.identity.model == "SCRIPTED"


@pytest.mark.parametrize("backend", ["memory", "tcp", "pty"], indirect=True)
@pytest.mark.parametrize("how", [{"patterns": ("ours,*",)}, {"expected_identity": "SCRIPTED"}])
def test_a_banner_with_commas_is_no_identity_where_one_is_known(wire, script, how):
    script.replies[b"*IDN?"] = [b"OUR INSTRUMENTS, BOOT, V1, READY\r\n", IDENTITY + b"\n"]
    session = Session(wire, **how)
    session.open()
    assert session.identity.model == "SCRIPTED"


def test_one_sentence_for_every_question_is_named(wire, script):
    script.replies |= {b"*IDN?": [b"NOT IN REMOTE\r\n"], b"SYST:ERR?": [b"NOT IN REMOTE\r\n"]}
    with pytest.raises(Unreadable, match=r"NOT IN REMOTE.*every question; it may want to be told to go remote"):
        Session(wire).open()
    assert not wire.is_open


def test_local_is_said_at_the_end_of_a_session_in_good_order(wire, script):
    session = Session(wire, remote="SYST:REM", local="SYST:LOC")
    session.open()
    session.ask("*IDN?")
    session.close()
    session.open()
    assert script.heard == [b"SYST:REM", b"*IDN?", b"*IDN?", b"SYST:LOC", b"SYST:REM", b"*IDN?"]


def test_local_is_not_said_on_a_line_nobody_trusts(wire, script):
    session = Session(wire, local="SYST:LOC")
    session.open()
    session.distrust()
    session.close()
    with contextlib.suppress(Timeout):
        session.ask("A?")
    session.close()
    session.open()
    assert b"SYST:LOC" not in script.heard


def test_an_instrument_without_an_error_queue_is_not_asked_for_it(wire, script):
    session = Session(wire, errors_ask="")
    session.open()
    assert session.errors() == ()
    assert script.heard == [b"*IDN?"]


def test_held_keeps_other_threads_out(session, script):
    script.replies[b"A?"] = [b"1\n"]
    script.heard.clear()
    other = threading.Thread(target=session.ask, args=("A?",))
    with session.held(), session.held():
        session.tell("INST:NSEL 2")
        other.start()
        other.join(0.05)
        session.tell("VOLT 12")
    other.join(5)
    assert script.heard == [b"INST:NSEL 2", b"VOLT 12", b"A?"]


def test_messages_held_together_do_not_go_on_on_a_new_line(session, script, wire):
    script.heard.clear()
    with session.held():
        session.tell("INST:NSEL 2")
        wire.close()  # the line fails, and with it goes what was selected
        with pytest.raises(Lost, match="belong together"):
            session.tell("VOLT 12")
        with pytest.raises(Lost, match="belong together"):
            session.ask("VOLT?")
    with session.held():
        session.tell("INST:NSEL 2")
    session.ask("*IDN?")
    assert script.heard == [b"INST:NSEL 2", b"*IDN?", b"INST:NSEL 2", b"*IDN?"]


def test_off_in_two_messages_is_repeated_as_a_whole(session, script, wire, backend, monkeypatch):
    write, failed = wire.write, []

    def once(message: str, **how: bool) -> None:
        if message == "OUTP OFF" and not failed:
            failed.append(message)
            backend.settle()  # the old line's thread may be slower than the new one's
            wire.close()
        write(message, **how)

    monkeypatch.setattr(wire, "write", once)
    script.heard.clear()
    session.tell_whoever("INST:NSEL 2", "OUTP OFF")
    session.ask("*IDN?")
    assert script.heard == [b"INST:NSEL 2", b"", b"INST:NSEL 2", b"OUTP OFF", b"*IDN?", b"*IDN?"]


@pytest.mark.parametrize("backend", ["hislip"], indirect=True)
def test_after_a_clear_the_line_is_brought_back_in_step(session, script):
    """Who was cleared in the middle of an answer may give it all the same, behind that to the repeated question."""
    script.replies[b"B?"] = [b"2\n"]
    script.on_clear = lambda: script.replies.update({b"A?": [b"1\n"]})
    script.heard.clear()
    assert (session.ask("A?"), session.ask("B?")) == (b"1", b"2")
    assert script.heard == [b"A?", Script.CLEAR, b"A?", b"*IDN?", b"B?"]
    assert session.openings == 1


@pytest.mark.parametrize("backend", ["tcp", "hislip"], indirect=True)
@pytest.mark.parametrize(("how", "message"), [(Session.ask, "A?"), (Session.tell, "VOLT 2")])
def test_a_message_that_never_left_is_said_on_a_new_line_once(session, script, backend, how, message):
    """The instrument hung up while nobody said anything: that is seen before the message is sent."""
    script.replies |= {b"A?": [b"1\n"], b"VOLT 1": [HANG_UP]}
    with contextlib.suppress(Lost):
        session.tell("VOLT 1")
    backend.settle()
    script.heard.clear()
    how(session, message)
    session.ask("*IDN?")
    assert script.heard == [b"*IDN?", message.encode(), b"*IDN?"]
    assert session.openings == 2


@pytest.mark.parametrize("backend", ["tcp", "pty", "hislip"], indirect=True)
def test_a_message_that_may_have_been_heard_is_never_said_again(session, script, backend):
    script.replies[b"VOLT?"] = [HANG_UP]
    script.heard.clear()
    with pytest.raises(Lost):
        session.ask("VOLT?")
    backend.settle()  # a port that went away is not back at once
    session.ask("*IDN?")
    assert script.heard == [b"VOLT?", b"*IDN?", b"*IDN?"]


def test_a_line_gone_for_good_is_tried_once_a_message(session, backend, wire):
    backend.die()
    for _ in range(3):
        with backend.timed() as elapsed, pytest.raises((Timeout, Lost)):
            session.ask("A?")
        assert elapsed() < 1.5
        assert not wire.is_open
