"""The guard's VXI-11 byte by byte and wait by wait, on sockets and a clock by hand. Words of 32 bits are typed from
RFC 5531 (calls and replies), RFC 1833 (port mapper) and VXI-11 revision 1.0 (the core channel), the last from memory.
"""

from __future__ import annotations

import re
from typing import Any

import pytest
from fake_lines import Machine

from harness import guard_vxi11
from harness.guard_vxi11 import Refused, Vxi11

FIRST = 0x2346
"""The number of the first call of a process 0x12345."""


def words(*values: int) -> bytes:
    return b"".join(value.to_bytes(4, "big") for value in values)


def call(number: int, procedure: int, asked: bytes, program: int = 395_183, version: int = 1) -> bytes:
    body = words(number, 0, 2, program, version, procedure, 0, 0, 0, 0) + asked
    return words(0x8000_0000 + len(body)) + body


def whole(body: bytes) -> bytes:
    return words(0x8000_0000 + len(body)) + body


def reply(number: int, came: bytes, *, head: tuple[int, int] = (1, 0), status: int = 0, verifier: bytes = b"") -> bytes:
    body = words(number, *head, 0, len(verifier)) + verifier + b"\0" * (-len(verifier) % 4)
    return whole(body + words(status) + came)


CREATED = words(0, 5, 999, 6)
"""No error, link 5, a port for aborts, and 6 bytes at once at most."""
BEGUN = ((0.1, reply(FIRST, CREATED)), (0.2, reply(FIRST + 1, words(0))))
CREATE = call(FIRST, 10, words(0x12345, 0, 0, 5) + b"inst0\0\0\0")
CLEAR = call(FIRST + 1, 15, words(5, 0, 0, 800))


def in_the_last_moment(came: bytes) -> list[Any]:
    """Of the 0.8 s after 0.2 s."""
    return [(0.3, came[:4]), (1.0, came[4:])]


def sent(machine: Machine) -> list[Any]:
    return [one for one in machine.trace if one[1] == "sent"]


def made(
    patch: pytest.MonkeyPatch, *sockets: tuple[Any, ...], most: int = 65_536, port: int = 700
) -> tuple[Vxi11, Machine]:
    machine = Machine(sockets=sockets)
    machine.into(guard_vxi11, patch)
    way = {"host": "192.0.2.9", "device": "inst0", "port": port}
    return Vxi11(way, connect_s=0.5, reply_s=0.8, most_bytes=most), machine


def opened(patch: pytest.MonkeyPatch, *comes: Any, begun: tuple[Any, ...] = BEGUN, **how: Any) -> tuple[Vxi11, Machine]:
    """At 0.2 s. The number of the next call is ``FIRST + 2``."""
    one, machine = made(patch, (*begun, *comes), **how)
    one.open()
    machine.trace.clear()
    return one, machine


def test_a_link_is_created_cleared_used_and_destroyed(monkeypatch: pytest.MonkeyPatch) -> None:
    answers = (
        (0.3, reply(FIRST + 2, words(0, 4))),
        (0.5, reply(FIRST + 3, words(0, 4, 3) + b"1.5\0")),
        (0.6, reply(FIRST + 4, words(0))),
    )
    one, machine = made(monkeypatch, (*BEGUN, *answers))
    one.open()
    assert machine.trace == [
        ("connect", "192.0.2.9", 700, 0.5),
        ("socket 0", "set", 6, 1, 1),
        ("socket 0", "sent", CREATE, 0.8),
        ("socket 0", "sent", CLEAR, 0.8),
    ]
    machine.trace.clear()
    one.send(b"OFF\n")
    assert one.read() == b"1.5"
    one.close()
    one.close()
    assert machine.trace == [
        ("socket 0", "sent", call(FIRST + 2, 11, words(5, 800, 0, 8, 4) + b"OFF\n"), 0.8),
        ("socket 0", "sent", call(FIRST + 3, 12, words(5, 65_536, 720, 0, 0, 0)), 0.8),
        ("socket 0", "sent", call(FIRST + 4, 23, words(5)), 0.1),
        ("socket 0", "closed"),
    ]
    with pytest.raises(ConnectionError, match="not connected"):
        one.send(b"OFF\n")


# -- the port ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("port", [1, 65_535])
def test_the_port_mapper_is_asked(port: int, monkeypatch: pytest.MonkeyPatch) -> None:
    one, machine = made(monkeypatch, ((0.1, reply(FIRST, words(port))),), BEGUN, port=0)
    one.open()
    assert machine.trace[:5] == [
        ("connect", "192.0.2.9", 111, 0.5),
        ("socket 0", "set", 6, 1, 1),
        ("socket 0", "sent", call(FIRST, 3, words(395_183, 1, 6, 0), 100_000, 2), 0.8),
        ("socket 0", "closed"),
        ("connect", "192.0.2.9", port, 0.5),
    ]


@pytest.mark.parametrize("port", [0, 65_536])
def test_a_port_that_is_none(port: int, monkeypatch: pytest.MonkeyPatch) -> None:
    one, machine = made(monkeypatch, ((0.1, reply(FIRST, words(port))),), port=0)
    with pytest.raises(ConnectionError, match="its port mapper knows no instrument there"):
        one.open()
    assert machine.trace[-1] == ("socket 0", "closed")


def test_a_port_mapper_that_does_not_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    one, machine = made(monkeypatch, (), port=0)
    with pytest.raises(TimeoutError):
        one.open()
    assert machine.now_s == 0.8
    assert machine.trace[-1] == ("socket 0", "closed")


# -- clearing ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("status", "reads"), [(words(0, 0x10), True), (words(0, 0xFF), True), (words(0, 0xEF), False), (words(8), False)]
)
def test_where_there_is_no_clear_what_lies_there_is_read(
    status: bytes, reads: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    comes = (
        (0.1, reply(FIRST, CREATED)),
        (0.2, reply(FIRST + 1, words(8))),
        (0.3, reply(FIRST + 2, status)),
        (0.4, reply(FIRST + 3, words(15, 0, 0))),
    )
    one, machine = made(monkeypatch, comes)
    one.open()
    asked = [one[2] for one in sent(machine)]
    assert asked[:3] == [CREATE, CLEAR, call(FIRST + 2, 13, words(5, 0, 0, 800))]
    assert asked[3:] == ([call(FIRST + 3, 12, words(5, 65_536, 720, 0, 0, 0))] if reads else [])
    assert one._clears, "at the next opening as well"


def test_whoever_has_not_answered_a_clear_is_not_cleared_again(monkeypatch: pytest.MonkeyPatch) -> None:
    late = tuple((2.0, came) for _, came in BEGUN)
    one, machine = made(monkeypatch, BEGUN[:1], late[:1], late)
    with pytest.raises(TimeoutError):
        one.open()
    assert machine.now_s == pytest.approx(0.9)
    assert machine.trace[-1] == ("socket 0", "closed"), "no answer is taken for another's"
    machine.now_s = 2.0
    one.open()
    assert [one[2] for one in sent(machine)] == [CREATE, CLEAR, CREATE]


def test_whoever_was_cleared_is_cleared_at_each_opening(monkeypatch: pytest.MonkeyPatch) -> None:
    one, machine = made(monkeypatch, BEGUN, tuple((0.4, came) for _, came in BEGUN))
    one.open()
    one.close()
    one.open()
    assert [one[2] for one in sent(machine)] == [CREATE, CLEAR, call(FIRST + 2, 23, words(5)), CREATE, CLEAR]


# -- writing -----------------------------------------------------------------------------------------------------------


def write(number: int, within_ms: int, flags: int, data: bytes) -> bytes:
    return call(number, 11, words(5, within_ms, 0, flags, len(data)) + data + b"\0" * (-len(data) % 4))


def test_a_long_message_goes_in_pieces_and_what_was_not_taken_again(monkeypatch: pytest.MonkeyPatch) -> None:
    took = [(0.5, 6), (0.6, 1), (0.7, 5)]
    one, machine = opened(monkeypatch, *((at, reply(FIRST + 2 + n, words(0, k))) for n, (at, k) in enumerate(took)))
    one.send(b"0123456789ab")
    assert [one[2:] for one in sent(machine)] == [
        (write(FIRST + 2, 800, 0, b"012345"), 0.8),
        (write(FIRST + 3, 500, 8, b"6789ab"), 0.5),
        (write(FIRST + 4, 400, 8, b"789ab"), 0.4),
    ]


@pytest.mark.parametrize(("chunk", "most", "piece"), [(0, 65_536, 1024), (2000, 65_536, 2000), (2000, 100, 100)])
def test_how_much_is_written_at_once(chunk: int, most: int, piece: int, monkeypatch: pytest.MonkeyPatch) -> None:
    begun = ((0.1, reply(FIRST, words(0, 5, 0, chunk))), (0.2, reply(FIRST + 1, words(0))))
    answers = ((0.3, reply(FIRST + 2, words(0, piece))), (0.4, reply(FIRST + 3, words(0, 1))))
    one, machine = opened(monkeypatch, *answers, begun=begun, most=most)
    one.send(b"x" * (piece + 1))
    assert [one[2] for one in sent(machine)] == [
        write(FIRST + 2, 800, 0, b"x" * piece),
        write(FIRST + 3, 700, 8, b"x"),
    ]


@pytest.mark.parametrize("took", [0, 7])
def test_a_count_that_cannot_be(took: int, monkeypatch: pytest.MonkeyPatch) -> None:
    one, _ = opened(monkeypatch, (0.3, reply(FIRST + 2, words(0, took))))
    with pytest.raises(Refused, match=f"{took} of 6 bytes were taken"):
        one.send(b"012345")


def test_all_of_a_message_within_one_deadline(monkeypatch: pytest.MonkeyPatch) -> None:
    one, machine = opened(monkeypatch, *in_the_last_moment(reply(FIRST + 2, words(0, 6))))
    with pytest.raises(TimeoutError, match="no answer"):
        one.send(b"0123456789ab")
    assert sent(machine)[1][2:] == (write(FIRST + 3, 1, 8, b"6789ab"), 0.001), "at least 1 ms: 0 would be without end"
    assert machine.trace[-1] == ("socket 0", "closed")


# -- reading -----------------------------------------------------------------------------------------------------------


def piece(n: int, reason: int, data: bytes) -> bytes:
    return reply(FIRST + 2 + n, words(0, reason, len(data)) + data + b"\0" * (-len(data) % 4))


@pytest.mark.parametrize(
    ("comes", "answer", "asked_ms"),
    [
        ([(0.3, piece(0, 4, b"0\n"))], b"0\n", [720]),
        ([(0.3, piece(0, 7, b"0\n"))], b"0\n", [720]),
        ([(0.3, piece(0, 1, b"01")), (0.4, piece(1, 2, b"2")), (0.5, piece(2, 4, b"3"))], b"0123", [720, 630, 540]),
        ([(0.3, reply(FIRST + 2, words(15, 0, 0)))], None, [720]),
        ([(0.3, piece(0, 0, b"01")), (0.9, reply(FIRST + 3, words(15, 0, 0)))], None, [720, 630]),
        (in_the_last_moment(piece(0, 0, b"01")), None, [720]),
        ([(0.3, piece(0, 0, b"01234567")), (0.3, piece(1, 4, b"8"))], None, [720]),
        ([(0.3, piece(0, 0, b"0123456")), (0.3, piece(1, 4, b"7"))], b"01234567", [720, 630]),
    ],
)  # fmt: skip
def test_a_message_is_whole_at_its_end(
    comes: list[Any], answer: bytes | None, asked_ms: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    one, machine = opened(monkeypatch, *comes, most=8)
    assert one.read() == answer
    asked = [call(FIRST + 2 + n, 12, words(5, 8, within_ms, 0, 0, 0)) for n, within_ms in enumerate(asked_ms)]
    assert [one[2] for one in sent(machine)] == asked
    assert machine.told("socket 0") == sent(machine), "and the connection is kept"


def test_more_told_than_came(monkeypatch: pytest.MonkeyPatch) -> None:
    one, _ = opened(monkeypatch, (0.3, reply(FIRST + 2, words(0, 4, 5) + b"0123")))
    with pytest.raises(ConnectionError, match="VXI-11: 5 bytes told, 4 came"):
        one.read()


def test_what_is_wrong_with_the_instrument_is_said_and_the_connection_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    one, machine = opened(monkeypatch, (0.3, reply(FIRST + 2, words(4, 0, 0))), (0.4, piece(1, 4, b"0")))
    with pytest.raises(Refused, match="VXI-11: link not known") as error:
        one.read()
    assert error.value.errno == 4
    assert one.read() == b"0"
    assert machine.told("socket 0") == sent(machine)


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (1, "syntax error"),
        (3, "no such device behind this host"),
        (4, "link not known"),
        (5, "parameter error"),
        (8, "not supported"),
        (9, "no more links: somebody else holds them"),
        (11, "locked by somebody else"),
        (15, "did not take it in time"),
        (17, "i/o error"),
        (23, "aborted"),
        (2, "error 2"),
    ],
)
def test_errors_in_words(number: int, said: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """VXI-11, table B.2, from memory."""
    one, _ = opened(monkeypatch, (0.3, reply(FIRST + 2, words(number, 0))))
    with pytest.raises(Refused, match=f"VXI-11: {said}$"):
        one.send(b"OFF")


# -- calls -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("came", "said"),
    [
        (reply(FIRST + 3, words(0)), "RPC: the answer to another call"),
        (reply(FIRST + 2, words(0), head=(0, 0)), "RPC: the answer to another call"),
        (reply(FIRST + 2, words(0), head=(1, 1)), "RPC: denied"),
        (reply(FIRST + 2, words(0), status=1), "RPC: no such program (program 0x607af)"),
        (reply(FIRST + 2, words(0), status=2), "RPC: another version (program 0x607af)"),
        (reply(FIRST + 2, words(0), status=3), "RPC: no such procedure (program 0x607af)"),
        (reply(FIRST + 2, words(0), status=4), "RPC: arguments not understood (program 0x607af)"),
        (reply(FIRST + 2, words(0), status=5), "RPC: fault (program 0x607af)"),
        (reply(FIRST + 2, words(0), status=6), "RPC: 6 (program 0x607af)"),
        (whole(words(FIRST + 2, 1, 0, 0)), "RPC: too short an answer (16 bytes)"),
        (whole(words(FIRST + 2, 1, 0, 0, 0)), "RPC: too short an answer (0 bytes)"),
        (reply(FIRST + 2, b""), "RPC: too short an answer (0 bytes)"),
        (reply(FIRST + 2, words(0)), "RPC: too short an answer (0 bytes)"),
        (b"", "hung up"),
        (words(0x8000_0000 + 20) + b"x", "no answer"),
    ],
)
def test_a_reply_that_is_none(came: bytes, said: str, monkeypatch: pytest.MonkeyPatch) -> None:
    one, machine = opened(monkeypatch, (0.3, came), (1.0, b"y"))
    with pytest.raises(OSError, match=re.escape(said)):
        one.send(b"OFF")
    # Where the call was answered as it should be, and only what it says is short, nothing can be mistaken later.
    assert (machine.trace[-1] == ("socket 0", "closed")) == (came != reply(FIRST + 2, words(0)))


@pytest.mark.parametrize("verifier", [b"", b"01234", b"01234567"])
def test_who_vouches_for_a_reply_is_passed_over(verifier: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    came = reply(FIRST + 2, words(0, 4, 2) + b"7\n\0\0", verifier=verifier)
    one, _ = opened(monkeypatch, (0.3, came))
    assert one.read() == b"7\n"


@pytest.mark.parametrize(("more", "said"), [(0, ""), (1, "a record of more than 1032 bytes")])
@pytest.mark.parametrize("parts", [1, 2])
def test_the_longest_record(parts: int, more: int, said: str, monkeypatch: pytest.MonkeyPatch) -> None:
    body = reply(FIRST + 2, words(0, 4, 2) + b"7\n\0\0")[4:]
    body += b"x" * (8 + 1024 + more - len(body))
    came = whole(body) if parts == 1 else words(500) + body[:500] + whole(body[500:])
    one, _ = opened(monkeypatch, (0.3, came), most=8)
    if said:
        with pytest.raises(ConnectionError, match=said):
            one.read()
    else:
        assert one.read() == b"7\n"


def test_a_reply_in_drops_is_waited_for_no_longer_than_one_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    came = piece(0, 4, b"0")
    one, machine = opened(monkeypatch, *((0.3 + 0.1 * n, came[n : n + 1]) for n in range(len(came))))
    with pytest.raises(TimeoutError):
        one.read()
    assert machine.now_s == pytest.approx(1.0)


def test_a_reply_of_which_the_rest_does_not_come_is_given_up_in_time(monkeypatch: pytest.MonkeyPatch) -> None:
    came = piece(0, 4, b"0")
    one, machine = opened(monkeypatch, (0.9, came[:4]), (1.5, came[4:]))
    with pytest.raises(TimeoutError):
        one.read()
    assert machine.now_s == pytest.approx(1.0)


def test_what_comes_with_a_part_of_a_reply_is_left_for_the_next(monkeypatch: pytest.MonkeyPatch) -> None:
    came = piece(0, 4, b"0")
    one, _ = opened(monkeypatch, (0.3, came[:2]), (0.4, came[2:9]), (0.5, came[9:] + piece(1, 4, b"1")))
    assert one.read() == b"0"
    assert one.read() == b"1"


def test_a_reply_whose_last_byte_is_in_time(monkeypatch: pytest.MonkeyPatch) -> None:
    came = piece(0, 4, b"0")
    one, _ = opened(monkeypatch, *((0.3 + 0.01 * n, came[n : n + 1]) for n in range(len(came))))
    assert one.read() == b"0"


def test_a_reply_that_comes_at_the_very_end_is_too_late(monkeypatch: pytest.MonkeyPatch) -> None:
    came = piece(0, 4, b"0")
    one, machine = opened(monkeypatch, (1.0, came[:4]), (1.0, came[4:]))
    with pytest.raises(TimeoutError, match="no answer"):
        one.read()
    assert machine.now_s == 1.0


def test_whatever_goes_wrong_at_closing_is_not_told(monkeypatch: pytest.MonkeyPatch) -> None:
    one, machine = opened(monkeypatch)
    machine.close_fails = True
    one.close()
    assert machine.now_s == pytest.approx(0.3), "a tenth of a second for whoever is silent"
    assert machine.trace[1:] == [("socket 0", "closed")]
    one.close()
    assert len(machine.trace) == 2
