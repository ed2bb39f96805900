"""Silent connections and readers that never take their answer do not keep others from the page."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any
from unittest.mock import MagicMock

import pytest

uvicorn = pytest.importorskip("uvicorn")

from uvicorn.server import ServerState  # noqa: E402

from harness.page.hurried import ANSWER_LOOKS, Hurried  # noqa: E402


class Cycle:
    response_complete = True

    def __init__(self) -> None:
        self.message_event = MagicMock()


async def _app(_scope: Any, _receive: Any, _send: Any) -> None: ...


def _looked(each: Callable[[int, Any], None], most: int = 40) -> int:
    """Looks until it is ended; ``most``: not ended."""

    async def look() -> int:
        config = uvicorn.Config(_app, lifespan="off", log_config=None)
        one = Hurried(config, ServerState(), {}, asyncio.get_running_loop())
        transport = MagicMock()
        one.connection_made(transport)
        for count in range(most):
            each(count, one)
            one.look()
            if transport.abort.called:
                return count
        one.connection_lost(None)
        return most

    return asyncio.run(look())


def test_one_that_asks_for_nothing() -> None:
    assert _looked(lambda _count, _one: None) == 0


def test_one_that_asks_again_and_again_stays() -> None:
    def each(_count: int, one: Any) -> None:
        one.cycle = Cycle()

    assert _looked(each) == 40


def test_one_that_asked_once_and_is_silent() -> None:
    def each(_count: int, one: Any) -> None:
        one.cycle = one.cycle or Cycle()

    assert _looked(each) == 1


def test_a_slow_reader_gets_its_time_and_no_more() -> None:
    def each(_count: int, one: Any) -> None:
        one.cycle = one.cycle or Cycle()
        one.cycle.response_complete = False

    assert _looked(each) == ANSWER_LOOKS + 1
