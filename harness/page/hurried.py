"""Connections that hold a place and ask for nothing are ended: so few are served at once that a handful of silent ones
would keep everybody from the stop button."""

from __future__ import annotations

import asyncio

from uvicorn.protocols.http.h11_impl import H11Protocol, RequestResponseCycle

LOOK_EVERY_S = 10.0
"""Longest time without a whole request, s, give or take as much."""

ANSWER_LOOKS = 12
"""So many looks later a reader that has not taken its answer is too slow."""


class Hurried(H11Protocol):
    """A connection that is looked at now and then."""

    _before: RequestResponseCycle | None = None
    _looks = 0
    _timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._timer = self.loop.call_later(LOOK_EVERY_S, self.look)

    def connection_lost(self, exc: Exception | None) -> None:
        if self._timer is not None:
            self._timer.cancel()
        super().connection_lost(exc)

    def look(self) -> None:
        """End it where nothing was asked since the last look, or an answer is not taken."""
        cycle = self.cycle
        same, self._before = cycle is self._before, cycle
        self._looks = self._looks + 1 if same else 0
        answering = cycle is not None and not cycle.response_complete
        if self._looks > ANSWER_LOOKS if answering else (same or cycle is None):
            self.transport.abort()
            return
        self._timer = self.loop.call_later(LOOK_EVERY_S, self.look)
