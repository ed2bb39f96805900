"""A wire to an instrument in the same process: bytes in, bytes out, no socket."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from drivers.wire import CALL_DEADLINE_S, Exchange, Wire


class Talker(Protocol):
    """One client's session with a simulated instrument. One that answers late has ``due_s`` too: not ``None`` while it
    owes something, which ``feed(b"")`` then collects."""

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
        boot_s: float = 0.0,
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
            boot_s=boot_s,
        )
        self._connect = connect
        self._pass_time = pass_time
        self._talker: Talker | None = None
        self._came = b""
        self._left_s = timeout_s

    def _open(self) -> None:
        self._came = b""
        self._talker = self._connect()

    def _close(self) -> None:
        talker, self._talker, self._came = self._talker, None, b""
        if talker is not None:
            talker.hang_up()

    def _send(self, data: bytes) -> None:
        assert self._talker is not None
        self._left_s = self._within_s
        self._came += self._talker.feed(data)

    def _receive(self, gap_s: float | None) -> bytes:
        wait_s = self._left_s if gap_s is None else min(gap_s, self._left_s)
        if not self._came:
            due_s = self._due_in_s()
            if due_s is None or not due_s <= wait_s:
                self._let_pass(wait_s)
                if gap_s is not None and self._left_s > 0.0:
                    return b""
                raise TimeoutError
            self._let_pass(due_s)
        return self._waiting()

    def _waiting(self) -> bytes:
        if not getattr(self._talker, "is_open", True):
            raise ConnectionError("the instrument hung up")
        if self._due_in_s() is not None:
            assert self._talker is not None
            self._came += self._talker.feed(b"")
        came, self._came = self._came, b""
        return came

    def _due_in_s(self) -> float | None:
        """When the next bytes of an instrument that answers late come, s from now; None when it owes none."""
        due_s: float | None = getattr(self._talker, "due_in_s", None)
        return due_s

    def _let_pass(self, seconds: float) -> None:
        self._left_s -= seconds
        self._pass_time(seconds)

    def _pause(self, seconds: float) -> None:
        self._pass_time(seconds)
