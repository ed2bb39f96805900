"""Between a run and a simulated bench in memory: faults of single messages, faults that last, what the world came to.

``Wires`` is what a run takes for its bench. It numbers every message over all instruments, spoils those it is told to,
and after each looks at the world: how far cells, node, currents and the pack's temperature went is in ``extremes``.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

from harness.clock import VirtualClock
from sims.bench import SimBench
from sims.faults import FaultyTalker

FOR_EVER = ("deaf", "mute", "gone")
"""Faults that last: neither acts nor answers; acts and never answers; the line is refused."""

ONCE = ("silent", "late", "garble", "drop", "lie", "double", "half", "restart")
"""Faults of one message. ``restart``: the instrument goes to its defaults and its line breaks."""

KINDS = (*ONCE, "restart-on", *FOR_EVER, "swap")
"""``restart-on``: its limits go to their defaults, but it takes up its last set-points and switches its output on.
``swap``: the line breaks, and whoever answers from then on is another one of the same make."""

LIES = {"lie": 1.02, "double": 2.0, "half": 0.5}

WITH_OUTPUT = ("supply", "load", "mains", "acload", "contactor")
"""Instruments that can come back with something on."""

RECALL = {"supply": (b"VOLT", b"CURR"), "load": (b"FUNC", b"CURR")}
"""What a ``restart-on`` takes up again; the rest are switches."""


@dataclass(slots=True)
class Fault:
    """Spoils message number ``at`` (counted over all instruments, from 0) and, if it lasts, those after it."""

    kind: str
    at: int
    hit: str | None = None
    hit_message: bytes = b""
    hit_s: float = 0.0


@dataclass(slots=True)
class Extremes:
    """How far the world went over a night: volts of cells (V), of the node while a UPS hangs on it (V), current out of
    the pack and into the UPS (A), the pack's temperature while something was on (degC)."""

    cell_low: float = math.inf
    cell_high: float = -math.inf
    ups_node_high: float = -math.inf
    pack_amps_low: float = 0.0
    pack_amps_high: float = 0.0
    ups_amps_high: float = 0.0
    temp_high: float = -math.inf
    _seen_s: float = -1.0

    def look(self, world: Any) -> None:
        """Take in the world as it is."""
        amps = world.pack_amps
        self.pack_amps_low, self.pack_amps_high = min(self.pack_amps_low, amps), max(self.pack_amps_high, amps)
        if world.hooked in ("ups", "both"):
            self.ups_node_high = max(self.ups_node_high, world.volts_at("ups"))
            self.ups_amps_high = max(self.ups_amps_high, abs(world.ups_amps))
        if world.t == self._seen_s or world.hooked not in ("pack", "both"):
            return
        self._seen_s = world.t
        cells = world.pack.cell_volts(amps)
        self.cell_low, self.cell_high = min(self.cell_low, *cells), max(self.cell_high, *cells)
        if world.supply.output_on or world.load.input_on:
            self.temp_high = max(self.temp_high, world.temp_c("pack"))


class Wires:
    """Stands between the harness and a simulated bench; knows every message in order. ``mute``, ``deaf`` and ``gone``
    are the instruments lost for ever, ``strange`` those in whose place another answers."""

    def __init__(self, bench: SimBench, clock: VirtualClock, *faults: Fault) -> None:
        self.bench, self.clock, self.faults = bench, clock, faults
        self.names = bench.names
        self.heard: list[tuple[float, str, bytes]] = []
        self.before: Callable[[int, str, bytes], None] = lambda number, name, message: None
        """Called ahead of every message with its number; may act on the bench or raise."""
        self.mute: set[str] = set()
        self.deaf: set[str] = set()
        self.gone: set[str] = set()
        self.strange: set[str] = set()
        self.others: SimBench | None = None
        self.stuck: set[str] = set()
        """Instruments that cannot be switched off, whatever they are told."""
        self.came_on: set[str] = set()
        """Instruments that a fault has switched on."""
        self.extremes = Extremes()

    def connect(self, name: str) -> Any:
        if name in self.gone:
            raise ConnectionRefusedError(f"simulated fault: {name} is gone")
        talker: Any = self._strangers().connect(name) if name in self.strange else self.bench.connect(name)
        for fault in self.faults:
            talker = FaultyTalker(talker, partial(self._kind, fault, name), lie_factor=LIES.get(fault.kind, 1.0))
        return _Wrapped(self, name, talker)

    def _strangers(self) -> SimBench:
        """A bench of the same make beside this one, with nothing going on: what answers after a swap is on that."""
        if self.others is None:
            self.others = SimBench(self.bench.facts, now=self.clock.now, seed=self.bench.seed)
        return self.others

    def do(self, order: str) -> str:
        """A person's hands, as on the bench itself."""
        return self.bench.do(order)

    def noticed(self) -> list[tuple[float, str]]:
        """What a person has noticed, as on the bench itself."""
        return self.bench.noticed()

    def hear(self, name: str, message: bytes) -> None:
        """One message more; lasting faults begin here, before the instrument acts."""
        number = len(self.heard)
        self.heard.append((self.clock.now(), name, message))
        self.before(number, name, message)
        for fault in self.faults:
            if fault.kind in FOR_EVER and self._hits(fault, name, message):
                getattr(self, fault.kind).add(name)

    def sent(self, name: str | None = None) -> list[bytes]:
        """What was said to one instrument, or to all."""
        return [message for _, who, message in self.heard if name in (None, who)]

    def _hits(self, fault: Fault, name: str, message: bytes) -> bool:
        if fault.hit is not None or len(self.heard) <= fault.at:
            return False
        fault.hit, fault.hit_message, fault.hit_s = name, message, self.clock.now()
        return True

    def _kind(self, fault: Fault, name: str, _number: int, message: bytes) -> str | None:
        if fault.kind in FOR_EVER or not self._hits(fault, name, message):
            return None
        if fault.kind == "swap":
            self.strange.add(name)
            return "drop"
        if fault.kind in ("restart", "restart-on"):
            self._restart(name, on=fault.kind == "restart-on")
            return "drop"
        return "lie" if fault.kind in LIES else fault.kind

    def _restart(self, name: str, *, on: bool) -> None:
        panel = self.bench.connect(name)
        recalled = [(word, panel.feed(word + b"?\n").strip()) for word in RECALL.get(name, ()) if on]
        panel.feed(b"*RST\n")
        if on and name in WITH_OUTPUT:
            for word, value in recalled:
                panel.feed(word + b" " + value + b"\n")
            panel.feed(b"INP ON\n" if name == "load" else b"OUTP ON\n")
            self.came_on.add(name)


class _Wrapped:
    """One session, silent where its instrument is."""

    def __init__(self, wires: Wires, name: str, talker: Any) -> None:
        self._wires, self._name, self._talker = wires, name, talker
        self._held = b""

    def feed(self, data: bytes) -> bytes:
        wires, name, out = self._wires, self._name, b""
        *messages, self._held = (self._held + data).split(b"\n")
        for message in messages:
            wires.hear(name, message)
            if name in wires.gone:
                raise ConnectionResetError(f"simulated fault: {name} is gone")
            if name not in wires.deaf:
                try:
                    reply = self._talker.feed(message + b"\n")
                finally:
                    wires.extremes.look(wires.bench.world)
                if name in wires.strange:
                    reply = re.sub(rb"(NIGHTBENCH,SIM-\w+,)", rb"\g<1>other-", reply)
                out += b"" if name in wires.mute else reply
        return out

    def hang_up(self) -> None:
        self._talker.hang_up()


class Obstinate:
    """Stands in for an instrument that does not do what it is told: ``answer(message)`` gives a reply of its own, or
    ``None`` to let the message through."""

    def __init__(self, talker: Any, answer: Callable[[bytes], bytes | None]) -> None:
        self._talker, self._answer = talker, answer

    def feed(self, data: bytes) -> bytes:
        out = b""
        for message in data.splitlines():
            own = self._answer(message)
            out += self._talker.feed(message + b"\n") if own is None else own
        return out

    def hang_up(self) -> None:
        self._talker.hang_up()


def obstinate(wires: Wires, name: str, answer: Callable[[bytes], bytes | None]) -> None:
    """From now on every session with instrument ``name`` is with an obstinate one."""
    connect_plain = wires.connect

    def connect_to(who: str) -> Any:
        talker = connect_plain(who)
        return Obstinate(talker, answer) if who == name else talker

    wires.connect = connect_to  # type: ignore[method-assign]
