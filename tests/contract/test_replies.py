"""Cutting bytes into replies: however they arrive, the same replies come out, and nothing is made up."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.replies import LONGEST_REPLY_BYTES, Replies

LINES = st.lists(st.binary(min_size=0, max_size=12).filter(lambda line: b"\n" not in line), min_size=1, max_size=5)
CUTS = st.lists(st.integers(1, 7), min_size=1, max_size=60)


def arriving(data: bytes, cuts: list[int]) -> Iterator[bytes]:
    while data:
        for size in cuts:
            if data:
                yield data[:size]
                data = data[size:]


def replies(pieces: Iterator[bytes], *, terminator: bytes = b"\n", gap_s: float | None = None, framed: bool = False):
    def receive(gap: float | None) -> bytes:
        piece = next(pieces, None)
        if piece is None:
            if gap is not None:
                return b""
            raise TimeoutError
        return piece

    return Replies(receive, terminator=terminator, gap_s=gap_s, framed=framed)


def bare(line: bytes) -> bytes:
    """What is left of a line: bytes of zero and line ends around it carry nothing."""
    return line.replace(b"\0", b"").strip(b"\r\n")


@given(LINES, CUTS)
def test_pieces_make_no_difference(lines: list[bytes], cuts: list[int]) -> None:
    found = replies(arriving(b"".join(line + b"\n" for line in lines), cuts))
    seen: list[bytes] = []
    with pytest.raises(TimeoutError):
        found.until(lambda line: bool(seen.append(line)))
    assert seen == [bare(line) for line in lines]


@given(st.binary(max_size=40), CUTS)
def test_one_reply_or_an_error_and_never_half_a_line(data: bytes, cuts: list[int]) -> None:
    try:
        line = replies(arriving(data, cuts)).one(b"?")
    except TimeoutError:
        assert b"\n" not in data
    except ConnectionError:
        assert data.strip(b"\0\r\n \t").count(b"\n") or bare(data.partition(b"\n")[0]) == b"?"
    else:
        assert line == bare(data.partition(b"\n")[0])


@given(LINES, CUTS)
def test_a_wanted_reply_is_found_only_at_the_end(lines: list[bytes], cuts: list[int]) -> None:
    wanted = b"WANTED,1"
    found = replies(arriving(b"".join(line + b"\n" for line in (*lines, wanted)), cuts))
    if wanted in map(bare, lines):
        return
    assert found.until(wanted.__eq__) == wanted


@given(st.binary(min_size=1, max_size=40).filter(lambda data: b"\n" not in data))
def test_the_end_of_a_message_is_one_too(data: bytes) -> None:
    assert replies(iter([data]), framed=True).one(b"?" * 50) == bare(data)


@given(st.binary(min_size=1, max_size=40), CUTS)
def test_silence_is_one_where_it_was_declared(data: bytes, cuts: list[int]) -> None:
    found = replies(arriving(data, cuts), terminator=b"", gap_s=0.05)
    assert found.one(b"?" * 50) == bare(data)


def test_what_is_longer_than_any_reply_is_babble() -> None:
    assert LONGEST_REPLY_BYTES == 65_536
    assert replies(iter([b"x" * 65_536, b"\n"])).one(b"?") == b"x" * 65_536
    with pytest.raises(ConnectionError, match="more than 65536 bytes without an end"):
        replies(iter([b"x" * 65_537, b"\n"])).one(b"?")


@pytest.mark.parametrize(
    ("data", "words"),
    [(b"MEAS?\n", "set echo = true"), (b"12.8\n1.2\n", "came after b'12.8': one question, more than one reply")],
)
def test_what_is_not_the_one_reply(data: bytes, words: str) -> None:
    with pytest.raises(ConnectionError, match=words):
        replies(iter([data])).one(b"MEAS?")


def test_padding_behind_a_reply_is_taken_away() -> None:
    found = replies(iter([b"12.8\n\0\r\n"]))
    assert found.one(b"MEAS?") == b"12.8"
    assert found.buffer == b""


def test_a_wanted_reply_with_another_behind_it_is_refused() -> None:
    with pytest.raises(ConnectionError, match="which was the last reply due"):
        replies(iter([b"a\nWANTED\nb\n"])).until(b"WANTED".__eq__)


def test_lines_before_an_echo_are_dropped_only_where_that_was_asked_for() -> None:
    with pytest.raises(ConnectionError, match="where the echo of the message was due"):
        replies(iter([b"hello\nMEAS?\n"])).eat_echo(b"MEAS?")
    found = replies(iter([b"hello\nMEAS?\n12.8\n"]))
    found.eat_echo(b"MEAS?", drop=True)
    assert found.one(b"MEAS?") == b"12.8"


def test_what_stands_before_an_echo_is_skipped() -> None:
    found = replies(iter([b"old\nolder\nMEAS?\n12.8\n"]))
    found.skip_to(b"MEAS?")
    assert found.one(b"?") == b"12.8"


def test_a_line_with_more_behind_it_is_not_the_only_one() -> None:
    assert replies(iter([b"12.8\n1.2\n"])).only() is None
    assert replies(iter([b"12.8\n\r\n"])).only() == b"12.8"


def test_silence_before_anything_came_is_no_reply_though_it_ends_one() -> None:
    with pytest.raises(TimeoutError):
        replies(iter([]), terminator=b"", gap_s=0.05).one(b"?")
