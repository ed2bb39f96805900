"""A simulated bench served over TCP on the loopback: one port an instrument, and one to control time.

One thread, one ``selectors`` loop, several clients an instrument. Bench time is one of:

- stepped: it stands still until the control connection says ``to 12.500`` (answered ``at 12.500``);
- scaled: machine time since the start, multiplied by ``speed``; 1.0 is plain real time.

What else the control port answers stands in ``sims/control.py``.

Not modelled: the response time of real instruments, a limit on their number of clients, web pages, discovery.
"""

from __future__ import annotations

import selectors
import socket
import time
from collections.abc import Callable
from types import TracebackType

from sims.bench import SimBench, open_bench
from sims.control import Control

CHUNK_BYTES = 65536
UNREAD_BYTES = 1 << 20
"""A client that lets this much pile up unread is hung up on."""

LOOK_S = 0.1
"""Longest real time between two looks at ``stop``."""

ANY_PORT = 0
DRAIN_TURNS = 100

_Ready = list[tuple[selectors.SelectorKey, int]]


class _Client:
    """A connected client: what answers it, and what it has not read yet."""

    def __init__(
        self,
        connection: socket.socket,
        answer: Callable[[bytes], bytes],
        bye: Callable[[], None] = lambda: None,
        *,
        is_control: bool = False,
    ) -> None:
        self.connection, self.answer, self.bye, self.is_control = connection, answer, bye, is_control
        self.unsent = b""


class ServedBench:
    """A bench behind sockets. Listening from construction on; ``run_forever`` does the answering."""

    def __init__(
        self,
        scenario: str,
        *,
        seed: int | None,
        stepped: bool,
        speed: float,
        host: str,
        selector_poll_s: float = LOOK_S,
    ) -> None:
        if not 0.0 < speed < float("inf"):
            raise ValueError(f"speed = {speed}: a served bench needs a speed above 0 and finite")
        self.stepped, self.speed = stepped, speed
        self._poll_s = selector_poll_s
        self._start = time.monotonic()
        self._stepped_to = 0.0
        self.bench: SimBench = open_bench(scenario, now=self.now, seed=seed)
        self._selector = selectors.DefaultSelector()
        self._clients: dict[socket.socket, _Client] = {}
        self.addresses: dict[str, str] = {}
        for name in self.bench.names:
            port = self._listen(host, self._instrument(name))
            self.addresses[name] = f"TCPIP::{host}::{port}::SOCKET"
        self.control = f"{host}:{self._listen(host, self._control_session)}"

    def clock_entry(self) -> dict[str, object]:
        """The ``[clock]`` table that belongs into a bench file for this bench."""
        if self.stepped:
            return {"kind": "stepped", "control": self.control}
        if self.speed == 1.0:
            return {"kind": "wall", "control": self.control}
        return {"kind": "scaled", "control": self.control, "speed": self.speed}

    def bench_toml(self) -> str:
        """A bench file that points at this served bench."""
        return self.bench.bench_toml(self.addresses, clock=self.clock_entry())

    def now(self) -> float:
        """Bench time, s since the start."""
        return self._stepped_to if self.stepped else (time.monotonic() - self._start) * self.speed

    def step_to(self, argument: str) -> bytes:
        """Carry out ``to``: advance the stepped bench; the reply line."""
        if not self.stepped:
            return b"err this bench runs by itself; serve it stepped to say how far it goes\n"
        try:
            t_s = float(argument)
        except ValueError:
            return f"err to {argument[:40]!r}: not a number of seconds\n".encode()
        if not self._stepped_to <= t_s < float("inf"):
            return f"err to {argument[:40]}: bench time is {self._stepped_to:.6f} s and never goes back\n".encode()
        self._stepped_to = t_s
        self.bench.advance()
        return b"at %.6f\n" % t_s

    def do(self, order: str) -> str:
        """Have a person do something; "done", or in words why not."""
        return self.bench.do(order)

    def noticed(self) -> list[tuple[float, str]]:
        """What a person beside the bench noticed since the last call: bench time s, word."""
        return self.bench.noticed()

    def state(self) -> dict[str, float | bool | str | None]:
        """The world's own state now; pack amps > 0 leave the pack, ups amps > 0 enter the UPS."""
        self.bench.advance()
        world, ups = self.bench.world, self.bench.ups
        cells = world.pack.cell_volts(world.pack_amps)
        return {
            "t": world.t,
            "pack_amps": world.pack_amps,
            "pack_volts": world.volts_at("pack"),
            "supply_amps": world.supply_amps,
            "load_amps": world.load_amps,
            "supply_on": world.supply is not None and world.supply.output_on,
            "load_on": world.load is not None and world.load.input_on,
            "min_cell_volts": min(cells),
            "max_cell_volts": max(cells),
            "max_temp_c": max(world.pack.temp_c_each),
            "hooked": world.hooked,
            "node_volts": world.volts_at("node"),
            "ups_amps": world.ups_amps,
            "ups_state": ups.state,
            "mains_on": ups.mains_on,
            "ac_load_on": ups.ac_load_on,
            "ac_out": ups.ac_out,
        }

    def run_forever(self, stop: Callable[[], bool] = lambda: False) -> None:
        """Serve until ``stop()`` is true; looked at ten times a second and after every turn."""
        while not stop():
            self.turn(timeout_s=self._poll_s)

    def turn(self, *, timeout_s: float = 0.0) -> None:
        """One turn of the loop: whatever is ready now, or becomes ready within the timeout."""
        control = self._serve_instruments(self._selector.select(timeout_s))
        # What a client sent to an instrument before it said "to" must be carried out before time passes, whichever
        # socket is looked at first: else two runs of one night would differ.
        for _ in range(DRAIN_TURNS if control else 0):
            ready = self._selector.select(0)
            if all(_is_control(key) for key, _ in ready):
                break
            self._serve_instruments(ready)
        for client in control:
            if client.connection in self._clients:
                self._receive(client)

    def _serve_instruments(self, ready: _Ready) -> list[_Client]:
        """Serve what is not a control session; the control sessions that have something to say."""
        control: list[_Client] = []
        for key, events in ready:
            if callable(key.data):
                self._accept(key.fileobj, key.data)  # type: ignore[arg-type]
                continue
            client: _Client = key.data
            if events & selectors.EVENT_READ:
                if client.is_control:
                    control.append(client)
                else:
                    self._receive(client)
            if events & selectors.EVENT_WRITE and client.connection in self._clients:
                self._send(client)
        return control

    def close(self) -> None:
        """Hang up on everybody and stop listening. Twice is fine."""
        for key in list(self._selector.get_map().values()) if self._selector.get_map() else []:
            self._selector.unregister(key.fileobj)
            key.fileobj.close()  # type: ignore[union-attr]
        self._clients.clear()
        self._selector.close()

    def __enter__(self) -> ServedBench:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _listen(self, host: str, session: Callable[[socket.socket], _Client]) -> int:
        listener = socket.create_server((host, ANY_PORT))
        listener.setblocking(False)
        self._selector.register(listener, selectors.EVENT_READ, session)
        return int(listener.getsockname()[1])

    def _instrument(self, name: str) -> Callable[[socket.socket], _Client]:
        def session(connection: socket.socket) -> _Client:
            talker = self.bench.connect(name)
            return _Client(connection, talker.feed, talker.hang_up)

        return session

    def _control_session(self, connection: socket.socket) -> _Client:
        return _Client(connection, Control(self).feed, is_control=True)

    def _accept(self, listener: socket.socket, session: Callable[[socket.socket], _Client]) -> None:
        try:
            connection, _ = listener.accept()
        except OSError:
            return
        connection.setblocking(False)
        # Without this a reply waits up to 40 ms for the client's delayed acknowledgement.
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        client = session(connection)
        self._clients[connection] = client
        self._selector.register(connection, selectors.EVENT_READ, client)

    def _receive(self, client: _Client) -> None:
        try:
            data = client.connection.recv(CHUNK_BYTES)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._drop(client)
            return
        client.unsent += client.answer(data)
        if client.unsent:
            self._send(client)

    def _send(self, client: _Client) -> None:
        try:
            sent = client.connection.send(client.unsent)
        except BlockingIOError:
            sent = 0
        except OSError:
            self._drop(client)
            return
        client.unsent = client.unsent[sent:]
        if len(client.unsent) > UNREAD_BYTES:
            self._drop(client)
            return
        wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if client.unsent else 0)
        if self._selector.get_key(client.connection).events != wanted:
            self._selector.modify(client.connection, wanted, client)

    def _drop(self, client: _Client) -> None:
        if self._clients.pop(client.connection, None) is not None:
            self._selector.unregister(client.connection)
            client.connection.close()
            client.bye()


def _is_control(key: selectors.SelectorKey) -> bool:
    return isinstance(key.data, _Client) and key.data.is_control


def serve(
    scenario: str,
    *,
    seed: int | None = None,
    wire: str = "tcp",
    stepped: bool = False,
    speed: float = 1.0,
    host: str = "127.0.0.1",
) -> ServedBench:
    """A bench listening on the loopback; ``addresses`` names its instruments, ``control`` its control port.

    ``stepped`` and a ``speed`` other than 1 exclude each other. Raises ValueError for those, for a wire that is not
    "tcp" and for a host off the loopback (nothing asks for a password here), and UnknownScenario.
    """
    if wire != "tcp":
        raise ValueError(f"wire = {wire!r}: a simulated bench is served over 'tcp' only")
    if stepped and speed != 1.0:
        raise ValueError(f"speed = {speed:g} with a stepped bench: it goes as far as it is told; leave one of them out")
    if not host.startswith("127."):
        raise ValueError(f"host = {host!r}: a simulated bench is served on the loopback (127.x.x.x) only")
    return ServedBench(scenario, seed=seed, stepped=stepped, speed=speed, host=host)
