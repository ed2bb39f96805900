"""A simulated bench served on this machine: an address an instrument, and one to control time.

Instruments are reached over TCP sockets, pseudo-terminals (as serial ports) or HiSLIP; the control connection is always
TCP. One thread, one ``selectors`` loop, several clients an instrument. Bench time is one of:

- stepped: it stands still until the control connection says ``to 12.500`` (answered ``at 12.500``);
- scaled: machine time since the start, multiplied by ``speed``; 1.0 is plain real time.

What the lines themselves take (gaps, delays, a baud rate) is machine time on all of them, and none without manners that
say so. What else the control port answers stands in ``sims/control.py``.

Not modelled: the time real instruments take to answer, unless manners give one.
"""

from __future__ import annotations

import socket
import time
from collections.abc import Callable, Mapping
from types import TracebackType

from sims.bench import SimBench, open_bench
from sims.control import Control
from sims.line_manners import Port
from sims.manners import Manners
from sims.serve_hislip import HislipDoor
from sims.serve_loop import Connection, Listener, Loop
from sims.serve_tcp import TcpDoor

LOOK_S = 0.1
"""Longest real time between two looks at ``stop``."""

WIRES = ("tcp", "pty", "hislip")


class ServedBench:
    """A bench behind its addresses. Listening from construction on; ``run_forever`` does the answering."""

    def __init__(
        self,
        scenario: str,
        *,
        seed: int | None,
        stepped: bool,
        speed: float,
        host: str,
        wire: str = "tcp",
        manners: Mapping[str, Manners] | None = None,
        selector_poll_s: float = LOOK_S,
    ) -> None:
        if not 0.0 < speed < float("inf"):
            raise ValueError(f"speed = {speed}: a served bench needs a speed above 0 and finite")
        self.stepped, self.speed = stepped, speed
        self._poll_s = selector_poll_s
        self._start = time.monotonic()
        self._stepped_to = 0.0
        self._loop = Loop(time.monotonic)
        self.bench: SimBench = open_bench(
            scenario, now=self.now, seed=seed, manners=manners, line_now=self._loop.line_now
        )
        self._reopeners: dict[str, Callable[[], None]] = {}
        self.addresses: dict[str, str] = {}
        """VISA resource names of the instruments, by name."""
        try:
            self._open_doors(wire, host)
            self.control = f"{host}:{Listener(self._loop, host, self._control_session).port}"
        except BaseException:
            self._loop.close()
            raise

    def clock_entry(self) -> dict[str, object]:
        """The ``[clock]`` table that belongs into a bench file for this bench."""
        if self.stepped:
            return {"kind": "stepped", "control": self.control}
        if self.speed == 1.0:
            return {"kind": "wall", "control": self.control}
        return {"kind": "scaled", "control": self.control, "speed": self.speed}

    def bench_toml(self) -> str:
        """A bench file that points at this served bench; the bench's ``dialect_files`` belong beside it."""
        return self.bench.bench_toml(self.addresses, clock=self.clock_entry(), own_dialects=True)

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

    def tell(self, question: str) -> str:
        """What a person beside the bench reads off something."""
        return self.bench.tell(question)

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

    def reopen(self, name: str) -> str:
        """Let an instrument on a pseudo-terminal do what it does when its port is opened; "" or in words why not."""
        if name not in self.addresses:
            return f"no instrument {name[:40]!r}; there are: {', '.join(self.addresses)}"
        if name not in self._reopeners:
            return f"{name}: openings are seen on this wire"
        self._reopeners[name]()
        return ""

    def run_forever(self, stop: Callable[[], bool] = lambda: False) -> None:
        """Serve until ``stop()`` is true; looked at ten times a second and after every turn."""
        while not stop():
            self.turn(timeout_s=self._poll_s)

    def turn(self, *, timeout_s: float = 0.0) -> None:
        """One turn of the loop: whatever is ready now, or becomes ready within the timeout."""
        self._loop.turn(timeout_s=timeout_s)

    def close(self) -> None:
        """Hang up on everybody and stop listening. Twice is fine."""
        self._loop.close()

    def __enter__(self) -> ServedBench:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _open_doors(self, wire: str, host: str) -> None:
        """One for each box; a name that is a channel of another's box has its address."""
        opened: dict[Port, tuple[str, Callable[[], None] | None]] = {}
        for name in self.bench.names:
            port = self.bench.port(name)
            if port not in opened:
                opened[port] = self._open_door(wire, port, host)
            self.addresses[name], reopened = opened[port]
            if reopened is not None:
                self._reopeners[name] = reopened

    def _open_door(self, wire: str, port: Port, host: str) -> tuple[str, Callable[[], None] | None]:
        if wire == "hislip":
            return HislipDoor(self._loop, port, host=host).address, None
        if wire == "tcp":
            return TcpDoor(self._loop, port, host=host).address, None
        from sims.serve_pty import PtyDoor  # here, because not every system has pseudo-terminals

        door = PtyDoor(self._loop, port)
        return door.address, None if door.sees_openings else door.reopened

    def _control_session(self, client: socket.socket) -> None:
        control = Control(self)
        connection = Connection(
            self._loop,
            client,
            take=lambda data: connection.send(control.feed(data)),
            bye=lambda: None,
            is_control=True,
        )


def serve(
    scenario: str,
    *,
    seed: int | None = None,
    wire: str = "tcp",
    stepped: bool = False,
    speed: float = 1.0,
    host: str = "127.0.0.1",
    manners: Mapping[str, Manners] | None = None,
) -> ServedBench:
    """A bench listening on the loopback; ``addresses`` names its instruments, ``control`` its control port.

    ``wire`` is "tcp", "pty" or "hislip"; ``manners`` stand in the place of the scenario's own. ``stepped`` and a
    ``speed`` other than 1 exclude each other. Raises ValueError for those, for another wire, for a wire this system has
    not and for a host off the loopback (nothing asks for a password here), and UnknownScenario.
    """
    if wire not in WIRES:
        raise ValueError(f"wire = {wire!r}: a simulated bench is served over {', '.join(WIRES)}")
    if stepped and speed != 1.0:
        raise ValueError(f"speed = {speed:g} with a stepped bench: it goes as far as it is told; leave one of them out")
    if not host.startswith("127."):
        raise ValueError(f"host = {host!r}: a simulated bench is served on the loopback (127.x.x.x) only")
    try:
        return ServedBench(scenario, seed=seed, stepped=stepped, speed=speed, host=host, wire=wire, manners=manners)
    except ImportError as error:
        raise ValueError(
            f"wire = {wire!r}: this system has no pseudo-terminals ({error}); take tcp or hislip"
        ) from None
