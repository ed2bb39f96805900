"""Files, sockets and time by hand: what comes on a line, and when, on a clock that stands still between two calls. What
was done is written down in ``trace``, so that a test holds bytes and waits against what a standard says.
"""

from __future__ import annotations

import os
import socket
from types import SimpleNamespace
from typing import Any

import pytest

MOST_CALLS = 200
"""Whoever asks more often goes round in a circle."""

Came = tuple[float, bytes]
"""When, s, and what; b"" is the other end hanging up."""


class Machine:
    """``comes`` on the line that is opened as a file, ``sockets`` are handed out one after the other, ``takes`` bytes
    go into a file at once, ``ready_s`` is how long each write waits until it may; ``close_fails``: each closing raises.
    """

    def __init__(self, *comes: Came, sockets: tuple[tuple[Came, ...], ...] = (), fd: int = 7) -> None:
        self.now_s, self.trace, self.calls, self.fd = 0.0, [()][:0], 0, fd
        self.comes, self.takes, self.ready_s = list(comes), 1 << 20, [0.0][:0]
        self.close_fails = False
        self._sockets = [Socket(self, f"socket {n}", list(one)) for n, one in enumerate(sockets)]
        self.made = list(self._sockets)

    def into(self, module: Any, patch: pytest.MonkeyPatch) -> None:
        """In the place of what ``module`` imports."""
        flags = {name: getattr(os, name) for name in ("O_RDWR", "O_NOCTTY", "O_NONBLOCK")}
        calls = {"open": self.open, "read": self.read, "write": self.write, "close": self.close}
        patch.setattr(module, "os", SimpleNamespace(**calls, **flags, getpid=lambda: 0x12345), raising=False)
        patch.setattr(module, "select", SimpleNamespace(select=self.select), raising=False)
        patch.setattr(module, "time", SimpleNamespace(monotonic=self.monotonic, sleep=self.sleep))
        numbers = {name: getattr(socket, name) for name in ("IPPROTO_TCP", "TCP_NODELAY")}
        patch.setattr(module, "socket", SimpleNamespace(create_connection=self.connect, **numbers), raising=False)

    def note(self, *words: Any) -> None:
        self.calls += 1
        assert self.calls < MOST_CALLS, "in a circle"
        self.trace.append(tuple(round(one, 6) if isinstance(one, float) else one for one in words))

    def told(self, *whats: str) -> list[Any]:
        """What was done of these kinds."""
        return [one for one in self.trace if one[0] in whats]

    def monotonic(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        self.note("sleep", seconds)
        self.now_s += seconds

    def open(self, device: str, flags: int) -> int:
        self.note("open", device, flags)
        return self.fd

    def close(self, fd: int) -> None:
        self.note("close", fd)
        if self.close_fails or fd < 0:
            raise OSError("bad file")

    def select(self, r: Any, w: Any, x: Any, timeout: float) -> tuple[list[Any], list[Any], list[Any]]:
        assert timeout >= 0, "as the real one"
        assert (*r, *w, *x) == (self.fd,)
        self.note("may write" if w else "wait", float(timeout))
        due_s = self.now_s + (self.ready_s.pop(0) if self.ready_s else 0.0) if w else _due(self.comes)
        if due_s > self.now_s + timeout:
            self.now_s += timeout
            return [], [], []
        self.now_s = max(self.now_s, due_s)
        return list(r), list(w), []

    def read(self, fd: int, size: int) -> bytes:
        assert fd == self.fd
        if _due(self.comes) > self.now_s:
            raise BlockingIOError("nothing there")
        return _taken(self.comes, size)

    def write(self, fd: int, data: bytes) -> int:
        assert fd == self.fd
        self.note("write", data[: self.takes])
        return min(len(data), self.takes)

    def connect(self, place: tuple[str, int], timeout: float) -> Socket:
        self.note("connect", *place, timeout)
        if not self._sockets:
            raise ConnectionRefusedError("nobody there")
        return self._sockets.pop(0)


class Socket:
    """One connection. ``timeout_s`` is what was set last."""

    def __init__(self, machine: Machine, name: str, comes: list[Came]) -> None:
        self._machine, self._name, self.comes, self.timeout_s = machine, name, comes, -1.0

    def note(self, *words: Any) -> None:
        self._machine.note(self._name, *words)

    def fileno(self) -> int:
        return self._machine.fd

    def setsockopt(self, *words: int) -> None:
        self.note("set", *words)

    def settimeout(self, seconds: float) -> None:
        self.timeout_s = seconds

    def sendall(self, data: bytes) -> None:
        assert self.timeout_s > 0, "else it would wait for ever, or not at all"
        self.note("sent", data, self.timeout_s)

    def recv(self, size: int) -> bytes:
        assert self.timeout_s > 0
        self._machine.calls += 1
        assert self._machine.calls < MOST_CALLS, "in a circle"
        if not size:
            return b""
        machine, due_s = self._machine, _due(self.comes)
        if due_s > machine.now_s + self.timeout_s:
            machine.now_s += self.timeout_s
            raise TimeoutError("timed out")
        machine.now_s = max(machine.now_s, due_s)
        return _taken(self.comes, size)

    def close(self) -> None:
        self.note("closed")
        if self._machine.close_fails:
            raise OSError("already gone")


def _due(comes: list[Came]) -> float:
    return comes[0][0] if comes else float("inf")


def _taken(comes: list[Came], size: int) -> bytes:
    at_s, data = comes.pop(0)
    if data[size:]:
        comes.insert(0, (at_s, data[size:]))
    if not data:
        comes.insert(0, (at_s, data))  # who has hung up stays away
    return data[:size]
