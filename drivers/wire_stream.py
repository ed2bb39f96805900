"""What a wire needs of an open line: send, receive within a time, see what lies there, and clear where that exists."""

from __future__ import annotations

import select
import socket
from abc import ABC, abstractmethod
from collections.abc import Callable

CHUNK_BYTES = 4096


class Stream(ABC):
    """An open line of one kind."""

    over = False
    """Whether a line that marks the ends of messages has given the one message that was due."""

    stuck = False
    """Whether a call into the library has not come back; then there is no use in another."""

    @abstractmethod
    def send(self, data: bytes, *, within_s: float) -> None:
        """Send all of it."""

    @abstractmethod
    def receive(self, within_s: float) -> bytes:
        """What comes next; ``b""`` when nothing came in time."""

    @abstractmethod
    def waiting(self) -> bytes:
        """What lies there unread, at once; raises when the other end has hung up."""

    def clear(self) -> bool:
        """Clear the instrument at the other end; False where this kind of line cannot."""
        return False

    @abstractmethod
    def close(self) -> None:
        """Close the line."""


class SocketStream(Stream):
    """A connected TCP socket; ``close()`` closes whatever it belongs to."""

    def __init__(self, lower: socket.socket, close: Callable[[], None]) -> None:
        self._close = close
        # The back end takes a refused connection for an open one; the socket knows better.
        if code := lower.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR):
            raise OSError(code, f"connection failed (errno {code})")
        lower.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        keep_alive(lower)
        self._lower = lower
        self._within_s: float | None = None

    def send(self, data: bytes, *, within_s: float) -> None:
        if within_s != self._within_s:
            self._lower.settimeout(within_s)
            self._within_s = within_s
        self._lower.sendall(data)

    def receive(self, within_s: float) -> bytes:
        if not select.select((self._lower,), (), (), within_s)[0]:
            return b""
        return self._took()

    def waiting(self) -> bytes:
        if not select.select((self._lower,), (), (), 0)[0]:
            return b""
        return self._took()

    def close(self) -> None:
        self._close()

    def _took(self) -> bytes:
        data = self._lower.recv(CHUNK_BYTES)
        if not data:
            raise ConnectionError("the other end closed the connection")
        return data


def keep_alive(lower: socket.socket) -> None:
    """Routers forget an idle connection after some minutes; the defaults of most systems ask after two hours."""
    lower.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, value in (("TCP_KEEPIDLE", 30), ("TCP_KEEPINTVL", 10), ("TCP_KEEPCNT", 3)):
        if hasattr(socket, option):
            lower.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)
