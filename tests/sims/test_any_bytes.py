"""Whatever comes, the instrument goes on: bytes of any kind in any pieces, and messages made by rule with one defect.

What a made message must do is in ``tests/reference/scpi_messages.py``; the campaign of a million has a command of its
own: ``pytest -m slow -s tests/sims/test_any_bytes.py``.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scpi_campaign import PIECES, Counts, recover, run
from scpi_instrument import Instrument
from scpi_messages import DEFECTS

from sims.error_texts import ERROR_TEXTS
from sims.framing import BUFFER_BYTES, Framer
from sims.talk import Exchange

MILLION = 1_000_000

MANY = settings().max_examples
"""Examples of a property; more under the profile that explores."""

ANY_BYTES = st.lists(st.one_of(st.binary(max_size=20), st.sampled_from(PIECES)), max_size=30)


@settings(max_examples=2 * MANY)
@given(ANY_BYTES)
def test_any_bytes_leave_the_instrument_answering(pieces: list[bytes]) -> None:
    made = Instrument()
    for piece in pieces:
        made.talker.feed(piece)
    assert recover(made.talker) == ""


@settings(max_examples=MANY)
@given(st.one_of(st.binary(max_size=200), ANY_BYTES.map(b"".join)), st.integers(min_value=1, max_value=7))
def test_pieces_make_no_difference(data: bytes, size: int) -> None:
    whole, cut = Instrument(), Instrument()
    answered = b"".join(cut.talker.feed(data[at : at + size]) for at in range(0, len(data), size))
    assert whole.talker.feed(data) == answered
    assert whole.done == cut.done
    assert whole.talker.due_bytes == cut.talker.due_bytes
    assert whole.engine.status.errors == cut.engine.status.errors


@settings(max_examples=MANY)
@given(st.lists(st.tuples(st.one_of(st.binary(max_size=20), st.sampled_from(PIECES)), st.sampled_from("wWrpc"))))
def test_any_order_of_writes_reads_and_clears(steps: list[tuple[bytes, str]]) -> None:
    """On a link with END: whatever is done, a device clear makes the next question be answered."""
    made = Instrument()
    link = Exchange(made.engine)
    acts: dict[str, Callable[[bytes], object]] = {
        "w": link.write,
        "W": lambda data: link.write(data, end=True),
        "r": lambda _: link.read(),
        "p": lambda _: link.poll(),
        "c": lambda _: link.clear(),
    }
    for data, act in steps:
        acts[act](data)
    assert all(int(entry.partition(",")[0]) in ERROR_TEXTS for entry in made.engine.status.errors)
    link.clear()
    link.write(b"*CLS;*TST?", end=True)
    assert (link.read(), link.poll()) == (b"0\n", 0)


@settings(max_examples=MANY)
@given(st.binary(max_size=300), st.lists(st.booleans()))
def test_the_framer_loses_nothing_but_terminators(data: bytes, cuts: list[bool]) -> None:
    """What goes in comes out: messages, line feeds between them, and what still waits."""
    framer, out, begin = Framer(), [], 0
    for at, cut in enumerate([*cuts, True][: len(data)]):
        if cut:
            out += list(framer.feed(data[begin : at + 1]))
            begin = at + 1
    out += list(framer.feed(data[begin:], end=True))
    assert all(isinstance(message, bytes) for message in out)
    joined = b"\n".join(message for message in out if isinstance(message, bytes))
    # At END nothing tells whether a last line feed was there.
    assert joined == data.removesuffix(b"\n") or joined == data
    assert framer.empty


@pytest.mark.parametrize("size", [1, 1000, BUFFER_BYTES * 3])
def test_too_much_is_lost_up_to_its_end(size: int) -> None:
    made = Instrument()
    data = b"COUN " + b"1" * (2 * BUFFER_BYTES) + b"\nCOUN 4;COUN?\n"
    replies = b"".join(made.talker.feed(data[at : at + size]) for at in range(0, len(data), size))
    assert (replies, made.errors()) == (b"4\n", [-363])


def report(counts: Counts) -> None:
    print(f"\n{counts.table()}")
    assert not counts.wrong, "\n".join(counts.wrong[:20])


def test_some_thousands_of_made_messages() -> None:
    counts = run(8000, 2)
    assert {*DEFECTS, "right"} <= set(counts.outcomes)
    report(counts)


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_a_million_messages() -> None:
    report(run(MILLION, 1))
