"""An instrument behind a TCP socket: bytes as they come, no messages of the link's own.

Not modelled: web pages, discovery.
"""

from __future__ import annotations

import socket

from sims.line_manners import BUSY, Busy, Line, Port
from sims.serve_loop import Connection, Listener, Loop


class TcpDoor:
    """Several clients at a time, or as many as the instrument's manners allow."""

    def __init__(self, loop: Loop, port: Port, *, host: str) -> None:
        self._loop, self._port = loop, port
        self._open: dict[Connection, Line] = {}
        listener = Listener(loop, host, self._accept)
        self.address = f"TCPIP::{host}::{listener.port}::SOCKET"
        if not port.is_plain:
            loop.add(self)

    @property
    def due_s(self) -> float | None:
        """When the next late reply is due."""
        return min((line.due_s for line in self._open.values() if line.due_s is not None), default=None)

    def look(self) -> None:
        """Send late replies; hang up on whoever has been idle too long."""
        for connection, line in list(self._open.items()):
            if not line.is_open:
                connection.end()
            elif line.due_s is not None:
                connection.send(line.feed(b""))

    def drain(self) -> bool:
        """Nothing is held back here: sockets that are ready are served."""
        return False

    def _accept(self, client: socket.socket) -> None:
        try:
            session = self._port.connect()
        except Busy:
            connection = Connection(self._loop, client, take=lambda data: None, bye=lambda: None)
            connection.send(BUSY.encode() + self._port.manners.ends.encode())
            connection.end()
            return

        def take(data: bytes) -> None:
            try:
                connection.send(session.feed(data))
            except ConnectionError:
                connection.end()

        def bye() -> None:
            self._open.pop(connection, None)
            session.hang_up()

        connection = Connection(self._loop, client, take=take, bye=bye)
        if isinstance(session, Line):
            self._open[connection] = session
