"""How much a run will write, and how much room its disk must have: at its start and while it goes on."""

from __future__ import annotations

from harness.digits import duration

ROW_BYTES = 200
"""Of one row of samples; measured 135 to 160 with four instruments."""

EXCHANGES = 3.5
"""Messages a turn to each instrument, with what is read back of its settings; measured 1.7 to 2.5 over 12 h."""

EXCHANGE_BYTES = 100
"""Of one exchange as it is written; measured 74 to 86, and instruments with long words write more."""

TIMES = 10.0
LEAST_BYTES = 200e6
"""Room that is left alone while a run goes on: so many times its own record, and never less than this (common practice,
no source): others write to that disk too, and a night is long."""


def record_bytes(seconds: float, *, period_s: float, instruments: int) -> float:
    """What a run of so many s of bench time writes, bytes: a turn each period, whether its row is kept or thinned."""
    return seconds / period_s * (ROW_BYTES + EXCHANGES * EXCHANGE_BYTES * instruments)


def least_bytes(of_record: float) -> float:
    """What must be left while the run goes on, bytes; ``of_record`` is its own."""
    return max(LEAST_BYTES, TIMES * of_record)


def to_begin_bytes(of_record: float) -> float:
    """What must be there before it: that, and what it writes; its exchanges stand there twice while they are packed."""
    return least_bytes(of_record) + 2.0 * of_record


def words(of_record: float, seconds: float) -> str:
    """How the need comes about."""
    if TIMES * of_record <= LEAST_BYTES:
        return f"its record of {duration(seconds)} (h:mm:ss) is about {of_record / 1e6:.0f} MB"
    return f"{TIMES:g} times its record of {duration(seconds)} (h:mm:ss), about {of_record / 1e6:.0f} MB, stays free"
