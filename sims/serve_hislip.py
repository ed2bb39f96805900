"""An instrument behind HiSLIP (IVI-6.1): the sockets under ``sims/hislip_server.py``.

Not modelled: discovery (mDNS, IVI-6.1 and LXI); what the server's own files name.
"""

from __future__ import annotations

import socket

from sims.hislip_server import Channel, HislipServer
from sims.line_manners import MESSAGES, Port, Session
from sims.serve_loop import Connection, Listener, Loop

SUB_ADDRESS = "hislip0"


class HislipDoor:
    """``address`` is the VISA resource name."""

    def __init__(self, loop: Loop, port: Port, *, host: str) -> None:
        self._loop = loop
        self._server = HislipServer(_Behind(port), line_now=loop.line_now)
        self._channels: dict[Channel, Connection] = {}
        listener = Listener(loop, host, self._accept)
        self.address = f"TCPIP::{host}::{SUB_ADDRESS},{listener.port}::INSTR"
        loop.add(self)

    @property
    def due_s(self) -> float | None:
        """When the next late reply is due, or a request of a lock runs out."""
        return self._server.due_s

    def look(self) -> None:
        """Late replies, locks, idle clients."""
        self._server.look()
        self._flush()

    def drain(self) -> bool:
        """Nothing is held back here: sockets that are ready are served."""
        return False

    def _accept(self, client: socket.socket) -> None:
        channel = self._server.connect()

        def take(data: bytes) -> None:
            channel.feed(data)
            self._flush()

        def bye() -> None:
            del self._channels[channel]
            channel.gone()
            self._flush()

        self._channels[channel] = Connection(self._loop, client, take=take, bye=bye)

    def _flush(self) -> None:
        """A message on one channel may have an answer on the other, and of another client."""
        for channel, connection in list(self._channels.items()):
            if channel.out:
                data = bytes(channel.out)
                channel.out.clear()
                connection.send(data)
            if channel.ends:
                connection.end()


class _Behind:
    """The instrument as a HiSLIP server wants it."""

    def __init__(self, port: Port) -> None:
        self._port = port

    def connect(self) -> Session:
        return self._port.connect(MESSAGES)

    def status_byte(self, *, message_available: bool) -> int:
        return self._port.engine.status_byte(message_available=message_available)

    def fault(self, number: int) -> None:
        self._port.engine.status.fault(number)

    def set_remote(self, remote: bool) -> None:
        self._port.key.remote = remote
