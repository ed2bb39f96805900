"""An instrument of a few words on the loopback: what it answers stands in a table, what it was sent is kept."""

from __future__ import annotations

import socket
import threading


class Line:
    """A server of one client at a time on the loopback that answers each line from a table, and what it was sent."""

    def __init__(self, answers: dict[bytes, bytes], *, greeting: bytes = b"") -> None:
        self.answers, self.greeting = answers, greeting
        self.said: list[bytes] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.address = f"TCPIP::127.0.0.1::{self._listener.getsockname()[1]}::SOCKET"
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            with client, client.makefile("rb") as lines:
                client.sendall(self.greeting)
                for line in lines:
                    self.said.append(line)
                    client.sendall(self.answers.get(line.strip(), b""))

    def close(self) -> None:
        self._listener.close()


def refused_port() -> str:
    with socket.create_server(("127.0.0.1", 0)) as free:
        return f"TCPIP::127.0.0.1::{free.getsockname()[1]}::SOCKET"
