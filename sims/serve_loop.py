"""The loop of a served bench: one thread, one ``selectors`` loop, connections and doors that never block.

What was sent to an instrument before the control connection says "to" is carried out before time passes, whichever is
looked at first: else two runs of one night would differ.

Not modelled: (no model; this moves bytes).
"""

from __future__ import annotations

import selectors
import socket
from collections.abc import Callable
from typing import Protocol

CHUNK_BYTES = 65536
UNREAD_BYTES = 1 << 20
"""A client that lets this much pile up unread is hung up on."""

ANY_PORT = 0
DRAIN_TURNS = 100

Ready = list[tuple[selectors.SelectorKey, int]]


class Watched(Protocol):
    """What stands behind a file the loop watches."""

    is_control: bool

    def ready(self, events: int) -> None: ...
    def close(self) -> None: ...


class Door(Protocol):
    """Where an instrument is reached, as far as time goes: ``due_s`` is when to ``look`` next, s on the loop's clock,
    None for not before something comes."""

    @property
    def due_s(self) -> float | None: ...
    def look(self) -> None: ...

    def drain(self) -> bool:
        """Carry out whatever was sent, ahead of its time if need be; True when there was something."""
        ...


class Loop:
    """``line_now`` is machine time, s."""

    def __init__(self, line_now: Callable[[], float]) -> None:
        self.line_now = line_now
        self._selector = selectors.DefaultSelector()
        self._doors: list[Door] = []

    def add(self, door: Door) -> None:
        """A door that has to be looked at as time goes."""
        self._doors.append(door)

    def watch(self, file: int | socket.socket, watched: Watched) -> None:
        """Have ``watched.ready`` called when there is something to read."""
        self._selector.register(file, selectors.EVENT_READ, watched)

    def want_to_write(self, file: int | socket.socket, watched: Watched, wanted: bool) -> None:
        """Have it called, or not, when there is room to write, too."""
        events = selectors.EVENT_READ | (selectors.EVENT_WRITE if wanted else 0)
        if self._selector.get_key(file).events != events:
            self._selector.modify(file, events, watched)

    def forget(self, file: int | socket.socket) -> None:
        """Watch a file no more."""
        self._selector.unregister(file)

    def turn(self, *, timeout_s: float) -> None:
        """One turn: whatever is ready now, or becomes ready within the timeout."""
        control = self._serve(self._selector.select(self._until_due(timeout_s)))
        for _ in range(DRAIN_TURNS if control else 0):
            came = [door.drain() for door in self._doors]
            ready = self._selector.select(0)
            if not any(came) and all(key.data.is_control for key, _ in ready):
                break
            self._serve(ready)
        for watched in control:
            watched.ready(selectors.EVENT_READ)
        for door in self._doors:
            door.look()

    def close(self) -> None:
        """Close everything watched. Twice is fine."""
        for key in list((self._selector.get_map() or {}).values()):
            key.data.close()
        self._doors.clear()
        self._selector.close()

    def _until_due(self, timeout_s: float) -> float:
        if not self._doors:
            return timeout_s
        now_s = self.line_now()
        dues = [door.due_s for door in self._doors]
        return min([timeout_s, *(max(0.0, due_s - now_s) for due_s in dues if due_s is not None)])

    def _serve(self, ready: Ready) -> list[Watched]:
        """Serve what is not a control session; the control sessions that have something to say."""
        control: list[Watched] = []
        for key, events in ready:
            watched: Watched = key.data
            if not watched.is_control:
                watched.ready(events)
                continue
            if events & selectors.EVENT_WRITE:
                watched.ready(selectors.EVENT_WRITE)
            if events & selectors.EVENT_READ:
                control.append(watched)
        return control


class Listener:
    """A listening socket on any free port; ``accepted`` gets each connection."""

    is_control = False

    def __init__(self, loop: Loop, host: str, accepted: Callable[[socket.socket], None]) -> None:
        self._loop, self._accepted = loop, accepted
        self._socket = socket.create_server((host, ANY_PORT))
        self._socket.setblocking(False)
        self.port = int(self._socket.getsockname()[1])
        loop.watch(self._socket, self)

    def ready(self, events: int) -> None:
        """Take a connection."""
        try:
            connection, _ = self._socket.accept()
        except OSError:
            return
        connection.setblocking(False)
        # Without this a reply waits up to 40 ms for the client's delayed acknowledgement.
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._accepted(connection)

    def close(self) -> None:
        """Listen no more."""
        self._loop.forget(self._socket)
        self._socket.close()


class Connection:
    """A connected client. ``take`` gets what it sends, ``bye`` is called once when the connection has ended."""

    def __init__(
        self,
        loop: Loop,
        connection: socket.socket,
        *,
        take: Callable[[bytes], None],
        bye: Callable[[], None],
        is_control: bool = False,
    ) -> None:
        self.is_control, self.is_open = is_control, True
        self._loop, self._connection, self._take, self._bye = loop, connection, take, bye
        self._unsent = b""
        self._ends = False
        loop.watch(connection, self)

    def send(self, data: bytes) -> None:
        """Send, now or as soon as there is room."""
        if self.is_open and data:
            self._unsent += data
            self._flush()

    def end(self) -> None:
        """Hang up once everything is sent."""
        self._ends = True
        if self.is_open and not self._unsent:
            self.close()

    def ready(self, events: int) -> None:
        """Receive and send."""
        if self.is_open and events & selectors.EVENT_READ:
            self._receive()
        if self.is_open and events & selectors.EVENT_WRITE:
            self._flush()

    def close(self) -> None:
        """Hang up now."""
        if self.is_open:
            self.is_open = False
            self._loop.forget(self._connection)
            self._connection.close()
            self._bye()

    def _receive(self) -> None:
        try:
            data = self._connection.recv(CHUNK_BYTES)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if data and not self._ends:
            self._take(data)
        elif not data:
            self.close()

    def _flush(self) -> None:
        try:
            sent = self._connection.send(self._unsent)
        except BlockingIOError:
            sent = 0
        except OSError:
            self.close()
            return
        self._unsent = self._unsent[sent:]
        if len(self._unsent) > UNREAD_BYTES or (self._ends and not self._unsent):
            self.close()
            return
        self._loop.want_to_write(self._connection, self, bool(self._unsent))
