"""Sessions that go wrong on purpose go wrong as planned, and only then."""

from __future__ import annotations

import pytest

from sims.faults import KINDS, FaultyTalker


class Echo:
    """Answers every query with its number; knows whether it was hung up."""

    def __init__(self) -> None:
        self.seen: list[bytes] = []
        self.up = True

    def feed(self, data: bytes) -> bytes:
        self.seen.append(data)
        return b"%d.50\n" % len(self.seen) if b"?" in data else b""

    def hang_up(self) -> None:
        self.up = False


def test_no_plan_no_fault() -> None:
    talker = FaultyTalker(Echo(), {})
    assert [talker.feed(b"A?\n"), talker.feed(b"B\n"), talker.feed(b"C?\nD?\n")] == [b"1.50\n", b"", b"3.50\n4.50\n"]
    assert talker.messages == 4


def test_silent_acts_but_does_not_answer() -> None:
    echo = Echo()
    talker = FaultyTalker(echo, {1: "silent"})
    assert [talker.feed(b"A?\n"), talker.feed(b"B?\n"), talker.feed(b"C?\n")] == [b"1.50\n", b"", b"3.50\n"]
    assert echo.seen == [b"A?\n", b"B?\n", b"C?\n"]


def test_late_comes_ahead_of_the_next_answer() -> None:
    talker = FaultyTalker(Echo(), {0: "late"})
    assert talker.feed(b"A?\n") == b""
    assert talker.feed(b"B?\n") == b"1.50\n2.50\n"


def test_garble_changes_one_byte_and_keeps_the_terminator() -> None:
    reply = FaultyTalker(Echo(), {0: "garble"}).feed(b"A?\n")
    assert reply.endswith(b"\n")
    assert sum(one != other for one, other in zip(reply, b"1.50\n", strict=True)) == 1


def test_drop_breaks_for_good_and_the_instrument_sees_nothing() -> None:
    echo = Echo()
    talker = FaultyTalker(echo, {1: "drop"})
    talker.feed(b"A?\n")
    for _ in range(2):
        with pytest.raises(ConnectionError):
            talker.feed(b"OUTP ON\n")
    assert echo.seen == [b"A?\n"]
    assert not echo.up


@pytest.mark.parametrize(
    ("reply", "lie"),
    [
        (b"12.0000\n", b"24.0000\n"),
        (b"1;-2.50\n", b"2;-5.00\n"),
        (b"NIGHTBENCH,SIM-METER,cabinet-3,1.0\n", b"NIGHTBENCH,SIM-METER,cabinet-3,1.0\n"),
    ],
)
def test_lies_multiply_numbers(reply: bytes, lie: bytes) -> None:
    class Fixed(Echo):
        def feed(self, data: bytes) -> bytes:
            return reply

    assert FaultyTalker(Fixed(), {0: "lie"}, lie_factor=2.0).feed(b"?\n") == lie


def test_a_plan_may_choose_by_message() -> None:
    talker = FaultyTalker(Echo(), lambda number, message: "silent" if b"VOLT" in message else None)
    assert [talker.feed(b"VOLT?\n"), talker.feed(b"CURR?\n"), talker.feed(b"VOLT?\n")] == [b"", b"2.50\n", b""]


def test_messages_in_pieces_count_once() -> None:
    talker = FaultyTalker(Echo(), {0: "silent"})
    assert [talker.feed(b"A"), talker.feed(b"?"), talker.feed(b"\nB?\n")] == [b"", b"", b"2.50\n"]


def test_unknown_kinds_are_refused() -> None:
    assert len(KINDS) == 5
    with pytest.raises(ValueError, match="there are silent, late"):
        FaultyTalker(Echo(), {0: "smoke"})
    with pytest.raises(ValueError, match="there are silent, late"):
        FaultyTalker(Echo(), lambda number, message: "smoke").feed(b"A?\n")
