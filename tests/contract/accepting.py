"""A server on the loopback for the scripted instrument: a thread that lets clients in, and one for each of them."""

from __future__ import annotations

import contextlib
import socket
import threading
from pathlib import Path

from scripted import RealTime, Script


class Accepting(RealTime):
    """``_serve(client)`` is all that a kind of line has to write."""

    def __init__(self, script: Script, folder: Path) -> None:
        self.script = script
        self._server = socket.create_server(("127.0.0.1", 0))
        self._clients: list[socket.socket] = []
        self._threads = [threading.Thread(target=self._accept)]
        self._threads[0].start()

    @property
    def port(self) -> int:
        return int(self._server.getsockname()[1])

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _ = self._server.accept()
                client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._clients.append(client)
                self._threads.append(threading.Thread(target=self._serve, args=(client,)))
                self._threads[-1].start()

    def _serve(self, client: socket.socket) -> None:
        raise NotImplementedError

    def _hang_up(self) -> None:
        for client in self._clients:
            _close(client)

    def die(self) -> None:
        _close(self._server)
        self._threads[0].join(5)  # a client may be half way through the door
        self._hang_up()

    def stop(self) -> None:
        self.die()
        for thread in self._threads:
            thread.join(5)


def exactly(client: socket.socket, count: int) -> bytes:
    """So many bytes. Raises ``EOFError`` when the client hangs up before."""
    data = b""
    while len(data) < count:
        more = client.recv(count - len(data))
        if not more:
            raise EOFError
        data += more
    return data


def _close(one: socket.socket) -> None:
    with contextlib.suppress(OSError):
        one.shutdown(socket.SHUT_RDWR)
    one.close()
