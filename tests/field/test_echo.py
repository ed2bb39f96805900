"""An instrument that sends back what it is sent: its first "reading" is the question.

Public source: pyserial/pyserial#452 (looked as if it hung).
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from scripted import IDENTITY, Act, Script

from drivers.scpi import number
from drivers.session import Session
from drivers.wire import Lost, WireError

Opened = Callable[..., Session]

EVERY = [b"*IDN?", b"MEAS:VOLT?", b"MEAS:CURR?", b"VOLT 11.40"]
ANSWERS = {b"*IDN?": IDENTITY + b"\n", b"MEAS:VOLT?": b"12.801\n", b"MEAS:CURR?": b"1.200\r\n", b"VOLT 11.40": b""}


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\n\0"])
def test_declared(opened: Opened, script: Script, end: bytes) -> None:
    script.replies = {message: [message + end + ANSWERS[message]] for message in EVERY}
    session = opened(echo=True)
    for _ in range(3):
        session.tell("VOLT 11.40")
        assert number(session.ask("MEAS:VOLT?"), unit="V") == 12.801
        assert number(session.ask("MEAS:CURR?"), unit="A") == 1.200
    assert session.openings == 1, "nothing was left over"


@pytest.mark.parametrize("backend", ["tcp", "pty", "hislip"], indirect=True)
def test_declared_and_in_pieces(opened: Opened, script: Script) -> None:
    script.replies = {message: [message[:3], 0.01, message[3:] + b"\n", ANSWERS[message]] for message in EVERY}
    script.replies[b"*IDN?"] = [b"*IDN?\n" + ANSWERS[b"*IDN?"]]
    script.replies[b"VOLT 11.40"] = [b"VOLT 11.40\n"]
    session = opened(echo=True)
    session.tell("VOLT 11.40")
    assert number(session.ask("MEAS:VOLT?"), unit="V") == 12.801


UNDECLARED: list[tuple[list[Act], str]] = [
    ([b"MEAS:VOLT?\n12.801\n"], "MEAS:VOLT?"),
    ([b"MEAS:VOLT?\r\n12.801\r\n"], "MEAS:VOLT?"),
    ([b"MEAS:VOLT?\n"], "MEAS:VOLT?"),
]


@pytest.mark.parametrize(("acts", "message"), UNDECLARED)
def test_undeclared_is_named(opened: Opened, script: Script, acts: list[Act], message: str) -> None:
    session = opened()
    script.replies[b"MEAS:VOLT?"] = acts
    with pytest.raises(Lost, match="the instrument echoes what it is sent; set echo = true in its dialect") as caught:
        session.ask(message)
    assert str(caught.value).count("\n") == 0
    assert not session.wire.is_open


def test_undeclared_echo_of_an_order_is_never_the_next_answer(opened: Opened, script: Script, backend: object) -> None:
    """An order has no reply, so its echo lies there when the next question is asked."""
    session = opened()
    script.replies |= {b"VOLT 11.40": [b"VOLT 11.40\n"], b"MEAS:VOLT?": [b"12.801\n"]}
    got: list[bytes] = []
    for _ in range(3):
        session.tell("VOLT 11.40")
        backend.settle()  # type: ignore[attr-defined]
        try:
            got.append(session.ask("MEAS:VOLT?"))
        except WireError as error:
            assert "VOLT 11.40" in str(error)  # noqa: PT017 (one of two right outcomes)
    assert set(got) <= {b"12.801"}
    assert script.heard.count(b"VOLT 11.40") == 3


def test_wrongly_declared_is_named(opened: Opened, script: Script) -> None:
    script.replies |= {b"*IDN?": [b"*IDN?\n" + IDENTITY + b"\n"], b"MEAS:VOLT?": [b"12.801\n"]}
    session = opened(echo=True)
    with pytest.raises(Lost, match=r"received b'12\.801' where the echo .* was due; set echo = false"):
        session.ask("MEAS:VOLT?")
