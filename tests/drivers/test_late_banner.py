"""What is said at an opening may come only after the first question, ahead of its echo; seen over a socket, where the
two ends race: the session threw the line away as a wrong echo."""

from __future__ import annotations

import pytest

from drivers.session import Session
from drivers.wire import Lost
from drivers.wire_memory import MemoryWire


class Late:
    """Echoes, and says its banner behind the first message it gets."""

    def __init__(self, *, echoes: bool = True) -> None:
        self.said, self.echoes = b"READY v1\n", echoes

    def feed(self, data: bytes) -> bytes:
        said, self.said = self.said, b""
        answers = {b"*IDN?": b"OURS,MODEL,1,1\n", b"SYST:ERR?": b'0,"No error"\n'}
        return said + (data if self.echoes else b"") + answers.get(data.strip(), b"")

    def hang_up(self) -> None: ...


def test_a_banner_ahead_of_the_first_echo_is_passed_over() -> None:
    session = Session(MemoryWire(Late, lambda seconds: None, name="it", address="memory", echo=True))
    session.open()
    assert session.identity.model == "MODEL"
    assert session.errors() == ()


def test_no_echo_is_still_told_as_one() -> None:
    wire = MemoryWire(lambda: Late(echoes=False), lambda seconds: None, name="it", address="memory", echo=True)
    with pytest.raises(Lost, match="where the echo of the message was due; set echo = false"):
        Session(wire).open()
