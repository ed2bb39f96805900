"""VXI-11 through the library, over the loopback: what HiSLIP sees by numbered replies must be asked for here."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from scripted import HANG_UP, IDENTITY, TIMEOUT_S, Script
from vxi11_line import Vxi11Backend

from drivers.session import Session
from drivers.wire import Lost, Timeout


@pytest.fixture
def script() -> Script:
    one = Script()
    one.replies |= {b"MEAS:VOLT?": [b"12.801\n"], b"MEAS:CURR?": [b"1.200\n"]}
    return one


@pytest.fixture
def backend(script: Script, tmp_path: Path) -> Iterator[Vxi11Backend]:
    one = Vxi11Backend(script, tmp_path)
    yield one
    one.stop()


@pytest.fixture
def session(backend: Vxi11Backend) -> Iterator[Session]:
    one = Session(backend.wire(timeout_s=TIMEOUT_S))
    one.open()
    yield one
    one.close()


def test_questions_and_orders(session: Session, script: Script) -> None:
    session.tell("VOLT 12")
    assert (session.ask("MEAS:VOLT?"), session.ask("MEAS:CURR?")) == (b"12.801", b"1.200")
    assert script.heard == [b"*IDN?", b"VOLT 12", b"MEAS:VOLT?", b"MEAS:CURR?"]


@pytest.mark.parametrize("reply", [b"12.801", b"12.801\n\0", b"12.801\r\n", b"x" * 5000 + b"\n"])
def test_the_end_of_the_message_is_the_end_of_the_reply(session: Session, script: Script, reply: bytes) -> None:
    script.replies[b"A?"] = [reply]
    assert session.ask("A?") == reply.strip(b"\r\n\0")


def test_silence_ends_after_one_clear_and_one_more_question(session: Session, script: Script) -> None:
    script.on_clear = lambda: script.replies.update({b"A?": [b"1\n"]})
    assert (session.ask("A?"), session.ask("MEAS:VOLT?")) == (b"1", b"12.801")
    assert script.heard == [b"*IDN?", b"A?", Script.CLEAR, b"A?", b"*IDN?", b"MEAS:VOLT?"]


def test_a_late_reply_is_nobodys(session: Session, script: Script) -> None:
    script.replies[b"A?"] = [2.5 * TIMEOUT_S, b"77\n"]
    with pytest.raises(Timeout, match="no answer after clear"):
        session.ask("A?")
    for wait_s in (0.0, 3 * TIMEOUT_S):
        time.sleep(wait_s)
        assert session.ask("MEAS:CURR?") == b"1.200"


def test_a_reply_nobody_asked_for_is_seen_in_the_status_byte(session: Session, script: Script) -> None:
    script.replies[b"VOLT 12"] = [b"11.000\n"]
    session.tell("VOLT 12")
    with pytest.raises(Lost, match=r"11\.000.*unasked"):
        session.ask("MEAS:VOLT?")
    assert session.ask("MEAS:VOLT?") == b"12.801"


def test_an_instrument_that_hangs_costs_one_deadline(session: Session, backend: Vxi11Backend) -> None:
    """The library itself waits a second longer than it was told."""
    backend.deaf = True
    start = time.monotonic()
    with pytest.raises(Timeout):
        session.ask("MEAS:VOLT?")
    assert time.monotonic() - start < TIMEOUT_S + 0.4
    backend.deaf = False
    assert session.ask("MEAS:VOLT?") == b"12.801"


def test_hanging_up(session: Session, script: Script) -> None:
    script.replies[b"A?"] = [HANG_UP]
    with pytest.raises((Timeout, Lost)):
        session.ask("A?")
    assert session.ask("MEAS:VOLT?") == b"12.801"
    assert script.heard.count(b"A?") == 1


def test_two_threads(session: Session) -> None:
    wrong: list[bytes] = []

    def ask(message: str, answer: bytes) -> None:
        wrong.extend(x for _ in range(200) if (x := session.ask(message)) != answer)

    threads = [
        threading.Thread(target=ask, args=pair) for pair in [("MEAS:VOLT?", b"12.801"), ("MEAS:CURR?", b"1.200")]
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert wrong == []


def test_nobody_there(backend: Vxi11Backend) -> None:
    wire = backend.wire(timeout_s=TIMEOUT_S)
    backend.stop()
    with pytest.raises(Lost):
        Session(wire).open()
    assert IDENTITY not in backend.script.heard
