"""A paced line on a clock that stands where it is put."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sims.serial_line import BITS_A_BYTE, CHUNK_S, PacedLine


@pytest.mark.parametrize(("baud", "count", "seconds"), [(9600, 960, 1.0), (115200, 11520, 1.0), (300, 6, 0.2)])
def test_bytes_take_the_time_their_rate_says(baud: int, count: int, seconds: float) -> None:
    line = PacedLine(baud=baud)
    line.put(bytes(count), now_s=5.0)
    assert len(line.take(now_s=5.0 + 0.5 * seconds)) == count // 2
    assert line.due_s is not None
    rest = line.take(now_s=5.0 + (count - 1.5) / count * seconds)
    assert len(rest) == count - count // 2 - 2
    assert len(line.take(now_s=5.0 + seconds)) == 2
    assert line.due_s is None


def test_an_unpaced_line_is_there_at_once() -> None:
    line = PacedLine(baud=0)
    line.put(b"abc", now_s=1.0)
    assert line.due_s == 1.0
    assert line.take(now_s=1.0) == b"abc"
    assert line.due_s is None


def test_what_is_sent_later_follows_what_is_under_way() -> None:
    line = PacedLine(baud=1000)
    line.put(b"ab", now_s=0.0)
    line.put(b"cd", now_s=0.005)
    assert line.take(now_s=0.02) == b"ab"
    assert line.take(now_s=0.029) == b""
    assert line.take(now_s=0.04) == b"cd"
    line.put(b"e", now_s=1.0)
    assert line.due_s == pytest.approx(1.01)


@given(
    baud=st.sampled_from((300, 1200, 9600, 115200, 921600)),
    lots=st.lists(st.tuples(st.floats(0.0, 0.05), st.binary(min_size=1, max_size=30)), min_size=1, max_size=8),
)
def test_whoever_wakes_up_when_told_gets_all_bytes_in_order_and_no_sooner(
    baud: int, lots: list[tuple[float, bytes]]
) -> None:
    line, now_s, came = PacedLine(baud=baud), 0.0, b""
    for wait_s, lot in lots:
        now_s += wait_s
        came += line.take(now_s=now_s)
        line.put(lot, now_s=now_s)
    turns = 0
    while (due_s := line.due_s) is not None:
        assert due_s - now_s <= max(CHUNK_S, BITS_A_BYTE / baud) + 1e-9
        now_s = max(now_s, due_s)
        got = line.take(now_s=now_s)
        assert got, "woken up for nothing"
        came += got
        turns += 1
    sent = b"".join(lot for _, lot in lots)
    assert came == sent
    assert now_s >= len(sent) * BITS_A_BYTE / baud * 0.999
    assert turns <= len(sent)
