"""A wire to an instrument in the same process: bytes in, bytes out, no socket."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from drivers.wire import CALL_DEADLINE_S, Exchange, Wire


class Talker(Protocol):
    """One client's session with a simulated instrument."""

    def feed(self, data: bytes, /) -> bytes:
        """Take bytes, return what comes back now; ``ConnectionError`` when the instrument hangs up."""
        ...

    def hang_up(self) -> None:
        """End the session."""
        ...


class MemoryWire(Wire):
    """``connect()`` opens a session; ``pass_time(seconds)`` lets bench time pass while nobody answers."""

    def __init__(
        self,
        connect: Callable[[], Talker],
        pass_time: Callable[[float], None],
        *,
        name: str,
        address: str,
        tap: Callable[[Exchange], None] | None = None,
        timeout_s: float = CALL_DEADLINE_S,
        terminator: bytes = b"\n",
        gap_s: float | None = None,
        echo: bool = False,
        pace_s: float = 0.0,
    ) -> None:
        super().__init__(
            name=name,
            address=address,
            tap=tap,
            timeout_s=timeout_s,
            terminator=terminator,
            gap_s=gap_s,
            echo=echo,
            pace_s=pace_s,
        )
        self._connect = connect
        self._pass_time = pass_time
        self._talker: Talker | None = None
        self._came = b""

    def _open(self) -> None:
        self._came = b""
        self._talker = self._connect()

    def _close(self) -> None:
        talker, self._talker, self._came = self._talker, None, b""
        if talker is not None:
            talker.hang_up()

    def _send(self, data: bytes) -> None:
        assert self._talker is not None
        self._came += self._talker.feed(data)

    def _receive(self, gap_s: float | None) -> bytes:
        came, self._came = self._came, b""
        if came:
            return came
        if gap_s is not None:
            self._pass_time(gap_s)
            return b""
        self._pass_time(self.timeout_s)
        raise TimeoutError

    def _waiting(self) -> bytes:
        came, self._came = self._came, b""
        return came

    def _pause(self, seconds: float) -> None:
        self._pass_time(seconds)
