"""A recorded line plays what was recorded, says where a run leaves the record, and reads the record as it is stored."""

from __future__ import annotations

from pathlib import Path

import pytest
from lines import MemoryBackend
from scripted import HANG_UP, IDENTITY, TIMEOUT_S, Script

from drivers.session import Session
from drivers.wire import CLEARED, NOT_SENT, Exchange, Lost, Timeout, WireError
from drivers.wire_log import ReplayWire
from harness.clock import VirtualClock
from harness.folder import RunFolder
from harness.jsonlines import exchanges
from harness.recorder import Recorder

WHO = Exchange("it", b"*IDN?\n", IDENTITY, None)
VOLTS = Exchange("it", b"MEAS:VOLT?\n", b"12.801", None)
OTHER = Exchange("other", b"A?\n", b"77", None)


def session(*record: Exchange) -> tuple[Session, ReplayWire]:
    wire = ReplayWire(record, name="it", timeout_s=TIMEOUT_S)
    return Session(wire), wire


def test_another_instruments_exchanges_are_passed_over():
    one, wire = session(OTHER, WHO, OTHER, VOLTS)
    one.open()
    assert one.ask("MEAS:VOLT?") == b"12.801"
    assert wire.ended
    assert wire.played == 2


def test_another_message_than_the_recorded_one_ends_it():
    one, wire = session(WHO, VOLTS, VOLTS)
    one.open()
    with pytest.raises(Lost, match=r"sent b'MEAS:CURR\?\\n', the record has b'MEAS:VOLT\?\\n' next \(exchange 2\)"):
        one.ask("MEAS:CURR?")
    assert wire.difference is not None
    assert (wire.difference.number, wire.difference.sent, wire.difference.expected) == (
        2,
        b"MEAS:CURR?\n",
        b"MEAS:VOLT?\n",
    )
    for _ in range(2):
        with pytest.raises(Lost, match="exchange 2"):
            one.ask("MEAS:VOLT?")


def test_more_messages_than_were_recorded():
    one, wire = session(WHO)
    one.open()
    assert wire.ended
    with pytest.raises(Lost, match=r"sent b'OUTP ON\\n', the record ends before it \(exchange 2\)"):
        one.tell("OUTP ON")


def test_after_an_answer_that_took_a_clear_the_session_gets_back_in_step():
    one, wire = session(WHO, Exchange("it", b"A?\n", b"1", CLEARED), WHO, VOLTS)
    one.open()
    assert (one.ask("A?"), one.ask("MEAS:VOLT?")) == (b"1", b"12.801")
    assert (wire.clears, wire.openings, wire.ended) == (1, 1, True)


def test_what_never_left_is_said_again_as_it_was():
    never = Exchange("it", b"VOLT 2\n", None, f"{NOT_SENT}: it at TCPIP::h::1::SOCKET: sent b'VOLT 2\\n': hung up")
    one, wire = session(WHO, never, WHO, Exchange("it", b"VOLT 2\n", None, None))
    one.open()
    one.tell("VOLT 2")
    assert (wire.openings, wire.ended) == (2, True)


def test_a_line_that_did_not_open():
    shut = Exchange("it", b"", None, "Lost: it at TCPIP::h::1::SOCKET: ConnectionRefusedError: [Errno 111] refused")
    one, _ = session(shut, WHO)
    with pytest.raises(Lost, match=r"^it at record: ConnectionRefusedError: \[Errno 111\] refused$"):
        one.open()
    one.open()


FAILURES = [
    ({b"MEAS:VOLT?": []}, Timeout),
    ({b"MEAS:VOLT?": [b"12.8"]}, Timeout),
    ({b"MEAS:VOLT?": [b"12.801\n1.2\n"]}, Lost),
    ({b"MEAS:VOLT?": [HANG_UP]}, Lost),
    ({b"MEAS:VOLT?": [b"MEAS:VOLT?\n12.8\n"]}, Lost),
]


@pytest.mark.parametrize(("replies", "kind"), FAILURES)
def test_a_record_of_a_replay_is_the_record(replies, kind, tmp_path: Path):
    script = Script()
    script.replies |= replies
    first: list[Exchange] = []
    again: list[Exchange] = []

    def talk(one: Session) -> str:
        one.open()
        with pytest.raises(kind) as caught:
            one.ask("MEAS:VOLT?")
        one.ask("*IDN?")
        error: WireError = caught.value
        return f"{error.why} {error.sent!r} {error.received!r}"

    said = talk(Session(MemoryBackend(script, tmp_path).wire(timeout_s=TIMEOUT_S, tap=first.append)))
    replayed = ReplayWire(first, name="it", address="memory", timeout_s=TIMEOUT_S, tap=again.append)
    assert talk(Session(replayed)) == said
    assert again == first


# -- as it is stored -------------------------------------------------------------------------------------------------

ODD = Exchange("it", b"A?\n", bytes(range(256)), "Lost: it at x: \xb5")


def test_what_the_recorder_writes_is_read(tmp_path: Path):
    clock = VirtualClock()
    folder = RunFolder.create(tmp_path, procedure="capacity", name="pack", started=clock.utc())
    with Recorder(folder, clock=clock, columns=(), simulated=True) as recorder:
        for one in (WHO, ODD, VOLTS):
            recorder.exchange(one)
    found = [Exchange(one.name, one.sent, one.received, one.error) for one in exchanges(folder)]
    assert found == [WHO, ODD, VOLTS]
