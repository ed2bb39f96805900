"""The guard's HiSLIP byte by byte and wait by wait (IVI-6.1), on sockets and a clock by hand."""

from __future__ import annotations

from typing import Any

import pytest
from fake_lines import Machine

from harness import guard_lines
from harness.guard_lines import Line

HISLIP: dict[str, Any] = {
    **{"kind": "hislip", "host": "192.0.2.1", "port": 4880, "device": "hislip0", "shared": True},
    **{"terminator": "0a", "gap_s": None, "echo": False, "pace_s": 0.0, "boot_s": 0.0},
}


def hs(kind: int, control: int, parameter: int, payload: bytes = b"") -> bytes:
    """A message by hand: IVI-6.1, table 4."""
    head = b"HS" + bytes([kind, control]) + parameter.to_bytes(4, "big") + len(payload).to_bytes(8, "big")
    return head + payload


BEGUN = (0.1, hs(1, 0, 0x0100_0203))
"""Version 1.0, session 0x0203."""
BESIDE = ((0.2, hs(18, 0, 0)),)


def hislip(
    monkeypatch: pytest.MonkeyPatch, *comes: Any, beside: tuple[Any, ...] = BESIDE, begun: Any = BEGUN
) -> tuple[Line, Machine]:
    machine = Machine(sockets=((begun, *comes), beside))
    machine.into(guard_lines, monkeypatch)
    return Line(HISLIP), machine


def test_two_channels_and_what_is_said_on_them(monkeypatch: pytest.MonkeyPatch) -> None:
    line, machine = hislip(
        monkeypatch, (0.3, hs(6, 0, 0, b" 0.0")), (0.9, hs(7, 0, 0, b"1\n")), (1.0, hs(7, 0, 0, b"5"))
    )
    line.open()
    line.open()
    assert machine.trace[0] == ("connect", "192.0.2.1", 4880, 0.5)
    assert [one[:3] for one in machine.told("socket 0")] == [
        ("socket 0", "set", 6),
        ("socket 0", "sent", b"HS\x00\x00\x01\x00\x4e\x42\x00\x00\x00\x00\x00\x00\x00\x07hislip0"),
    ]
    assert [one[:3] for one in machine.told("socket 1")] == [
        ("socket 1", "set", 6),
        ("socket 1", "sent", b"HS\x11\x00\x00\x00\x02\x03\x00\x00\x00\x00\x00\x00\x00\x00"),
    ]
    assert machine.made[1].comes == [], "what answers there is read"
    machine.trace.clear()
    assert line.ask(b"AMPS?\n") == b"0.01"
    assert line.ask(b"ON?\n") == b"5"
    line.send(b"OFF\n")
    line.send(b"OFF\n")
    assert [one[2] for one in machine.trace] == [
        hs(7, 0, 0xFFFF_FF00, b"AMPS?\n"),
        hs(7, 1, 0xFFFF_FF02, b"ON?\n"),
        hs(7, 1, 0xFFFF_FF04, b"OFF\n"),
        hs(7, 0, 0xFFFF_FF06, b"OFF\n"),
    ]
    assert {one[3] for one in machine.trace} == {0.8}
    machine.trace.clear()
    line.close()
    line.close()
    assert machine.trace == [("socket 0", "closed"), ("socket 1", "closed")]


def test_numbers_of_messages_begin_anew_after_the_last(monkeypatch: pytest.MonkeyPatch) -> None:
    line, machine = hislip(monkeypatch)
    line.open()
    machine.trace.clear()
    for _ in range(130):
        line.send(b"")
    assert [one[2] for one in machine.trace[127:]] == [hs(7, 0, 0xFFFF_FFFE), hs(7, 0, 0), hs(7, 0, 2)]


def test_a_new_opening_is_a_new_session(monkeypatch: pytest.MonkeyPatch) -> None:
    sockets = ((BEGUN, (0.3, hs(7, 0, 0, b"0"))), BESIDE, (BEGUN,), BESIDE)
    machine = Machine(sockets=sockets)
    machine.into(guard_lines, monkeypatch)
    line = Line(HISLIP)
    line.open()
    line.ask(b"ON?")
    line.close()
    line.open()
    line.send(b"OFF")
    assert machine.trace[-1][:3] == ("socket 2", "sent", hs(7, 0, 0xFFFF_FF00, b"OFF"))


@pytest.mark.parametrize(
    ("begun", "beside", "words", "ends_s"),
    [
        ((0.1, b"XX" + hs(1, 0, 0)[2:]), BESIDE, "no HiSLIP", 0.1),
        ((0.1, hs(3, 0, 0)), BESIDE, r"HiSLIP message 3 where \(1,\) is due", 0.1),
        (BEGUN, ((0.2, hs(3, 0, 0)),), r"HiSLIP message 3 where \(18,\) is due", 0.2),
        ((0.1, b"HS\x01\x00" + b"\0" * 4 + (65_537).to_bytes(8, "big")), BESIDE, "no HiSLIP", 0.1),
        ((0.1, b""), BESIDE, "hung up", 0.1),
        ((0.6, b""), BESIDE, "timed out", 0.5),
        (BEGUN, (), "timed out", 0.6),
    ],
)
def test_whoever_speaks_no_hislip_is_left(
    begun: Any, beside: Any, words: str, ends_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    line, machine = hislip(monkeypatch, begun=begun, beside=beside)
    with pytest.raises(OSError, match=words):
        line.open()
    assert machine.now_s == ends_s
    assert not line.is_open
    closed = [one[0] for one in machine.trace if one[1:] == ("closed",)]
    assert closed == [one[0] for one in machine.trace if one[1] == "set"], "whoever was connected"


def test_the_longest_message(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard_lines, "MOST_BYTES", 8)
    line, _ = hislip(monkeypatch, (0.3, hs(7, 0, 0, b"12345678")), (0.3, hs(7, 0, 0, b"123456789")))
    line.open()
    assert line.ask(b"ON?") == b"12345678"
    with pytest.raises(ConnectionError, match="no HiSLIP"):
        line.ask(b"ON?")


@pytest.mark.parametrize(
    "comes",
    [
        [],
        [(0.3, hs(7, 0, 0, b"0")[:5])],
        [(0.3 + 0.1 * n, hs(7, 0, 0, b"0")[n : n + 1]) for n in range(17)],
        [(0.3 + 0.1 * n, hs(6, 0, 0, b"0")) for n in range(20)],
        [(1.0, hs(7, 0, 0, b"0")[:5]), (1.0, hs(7, 0, 0, b"0")[5:])],
    ],
    ids=["nothing", "half", "byte by byte", "without end", "in the last moment"],
)
def test_an_answer_that_does_not_end_in_time_is_none(comes: list[Any], monkeypatch: pytest.MonkeyPatch) -> None:
    line, machine = hislip(monkeypatch, *comes)
    line.open()
    assert line.ask(b"ON?") == b""
    assert machine.now_s == pytest.approx(1.0, abs=0.001), "0.8 s from the question on, however it trickles"
    assert not line.is_open
    assert [one for one in machine.trace if one[1:] == ("closed",)] == [("socket 0", "closed"), ("socket 1", "closed")]


def test_an_answer_in_drops_that_is_in_time(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = hs(7, 0, 0, b"0")
    line, _ = hislip(monkeypatch, *((0.3 + 0.04 * n, whole[n : n + 1]) for n in range(17)))
    line.open()
    assert line.ask(b"ON?") == b"0"


def test_what_comes_with_a_part_of_an_answer_is_left_for_the_next(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = hs(7, 0, 0, b"0")
    line, _ = hislip(monkeypatch, (0.3, whole[:5]), (0.4, whole[5:] + hs(7, 0, 0, b"1")))
    line.open()
    assert line.ask(b"ON?") == b"0"
    assert line.ask(b"ON?") == b"1"
