"""A probe as the command runs it: the address, the lock, the wire, the time it may take, the file it writes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from drivers.dialect import Dialect, DialectRefused, load
from drivers.wire import CALL_DEADLINE_S, Wire, WireError
from drivers.wire_memory import MemoryWire
from drivers.wire_visa import SerialLine, VisaWire
from harness.addresses import NotAnAddress, normal, simulated
from harness.clock import Clock, VirtualClock, WallClock
from harness.connect import open_simulated
from harness.errors import PreflightRefused, Usage
from harness.instrument_lock import holding, refuse_held
from harness.probing import probe
from harness.probing_file import dialect_text, refusal
from harness.probing_found import Probe
from harness.starters import write_new

PROBE_S = 180.0
"""Longest that a probe may take, s of machine time; one that needs 0.5 s between messages takes some two minutes."""


def probe_address(
    address: str,
    *,
    own: Sequence[str] = (),
    baud: int | None = None,
    timeout_s: float = CALL_DEADLINE_S,
    say: Callable[[str], None] = lambda words: None,
) -> Probe:
    """Find out what speaks at ``address``. ``own``: dialect files to try beside the shipped ones. ``say`` hears, once
    something answered, that it will take a while.

    Raises ``Usage``, ``Busy``, and ``PreflightRefused`` when the line cannot be opened.
    """
    try:
        one = normal(address)
    except NotAnAddress as error:
        raise Usage(f"--probe {address}: {error.why}; {error.accepted}") from error
    if baud is not None and not one.startswith("ASRL"):
        raise Usage(f"--baud {baud}: {address} is no serial port; leave it out")
    dialects = _own(own)
    clock: Clock = VirtualClock() if simulated(address) else WallClock()
    wire = _wire(address, clock, baud=baud, timeout_s=timeout_s)
    begun_s = clock.wall()

    def met(said: bytes) -> None:
        refuse_held(said, address=address)
        if not simulated(address):
            say(f"{address} answers; its questions take some 20 s, on a slow line some minutes. Ctrl-C ends it")

    with holding(address):
        try:
            return probe(wire, own=dialects, stop=lambda: clock.wall() - begun_s > PROBE_S, met=met)
        except WireError as error:
            raise PreflightRefused(f"{address}: {error.why}; check power and cable; nothing was set") from error


def _own(names: Sequence[str]) -> list[Dialect]:
    try:
        return [load(name) for name in names]
    except DialectRefused as error:
        raise Usage(f"--dialect {error}") from error


def _wire(address: str, clock: Clock, *, baud: int | None, timeout_s: float) -> Wire:
    place = simulated(address)
    if place is None:
        line = None if baud is None else SerialLine(baud=baud)
        return VisaWire(name="it", address=address, monotonic=clock.wall, timeout_s=timeout_s, serial_line=line)
    scenario, name = place
    sim = open_simulated(scenario, now=clock.now, seed=None)
    if name not in sim.names:
        raise Usage(
            f"--probe {address}: no instrument {name} on the simulated bench {scenario}; there are: "
            f"{', '.join(sim.names)}"
        )
    return MemoryWire(lambda: sim.connect(name), clock.sleep, name="it", address=address)


def write_dialect(found: Probe, file: str) -> Path:
    """Write a dialect file to start from, never over another one. Raises ``Usage``."""
    best = found.best
    if best is None:
        raise Usage(
            f"--write {file}: not written, as nothing is known of its texts; `nightbench new dialect {file}` writes "
            "one to fill in"
        )
    text = dialect_text(found, best)
    if why := refusal(text):
        raise Usage(f"--write {file}: not written: it would not load: {why}")
    return write_new(file, text, example="my-supply.toml")
