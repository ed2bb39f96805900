"""What one query costs in memory, without physics, as a ratio to a plain piece of Python measured in the same run."""

from __future__ import annotations

import json
from collections.abc import Callable
from timeit import repeat

import pytest

from sims.talk import Command, Engine

pytestmark = pytest.mark.benchmark

DOCUMENT = {"volts": [25.6 + 0.01 * i for i in range(12)], "words": "a yardstick of about ten microseconds"}

MOST = 2.5
"""Yardsticks a query may cost; 25 us on a machine where the yardstick takes ten."""


def cheapest_us(work: Callable[[], object], *, times: int = 2000) -> float:
    return min(repeat(work, number=times, repeat=7)) / times * 1e6


def test_a_query_in_memory_is_cheap() -> None:
    engine = Engine(identity="A,B,C,1", commands=(Command("MEASure[:SCALar]:VOLTage[:DC]", ask=lambda: f"{25.6:.4f}"),))
    talker = engine.connect()
    assert talker.feed(b"MEAS:VOLT?\n") == b"25.6000\n"
    yardstick = cheapest_us(lambda: json.loads(json.dumps(DOCUMENT)))
    query = cheapest_us(lambda: talker.feed(b"MEAS:VOLT?\n"))
    assert query / yardstick < MOST, f"{query:.1f} us a query against a yardstick of {yardstick:.1f} us"
