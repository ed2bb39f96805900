"""Cutting bytes into replies: however they arrive, the same replies come out, and nothing is made up."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.replies import Replies

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
