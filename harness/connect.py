"""From a bench file to live drivers: the clock, the wires, the sessions.

Simulated benches are found through the entry-point group ``nightbench.benches`` and met as bytes only.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from importlib.metadata import entry_points
from typing import Any

from drivers.faults import InstrumentFault, WrongIdentity
from drivers.scpi import Identity
from drivers.session import Session
from drivers.wire import Exchange, WireError
from harness.addresses import simulated
from harness.clock import Clock, ScaledClock, SteppedClock, VirtualClock, WallClock
from harness.config import BenchFile
from harness.errors import PreflightRefused, Usage, UserError
from harness.keys import nearest
from harness.opening import Lines, Opener
from harness.ports import port_of, uncertain
from harness.rig import Driver, Rig
from harness.tape import Tape, Told

SIMULATED_MAKER = "NIGHTBENCH"
"""First field of *IDN? of every simulated instrument, in memory or served."""

NO_SERIAL = ("", "0")
"""What stands for a serial number that is not told (IEEE 488.2 10.14)."""

KEPT_EXCHANGES = 5000
"""Exchanges kept until there is a record: who answered, and what was read before anything was switched on."""


def known_as(one: Identity) -> str:
    """By what an instrument is locked, whatever its address; "" for one that is simulated or tells no serial number."""
    if one.maker == SIMULATED_MAKER or one.serial in NO_SERIAL:
        return ""
    return f"{one.maker} {one.model} {one.serial}"


def open_simulated(scenario: str, *, now: Callable[[], float], seed: int | None) -> Any:
    """A simulated bench by scenario name, or of a scenario file that ends in .toml. Raises ``Usage`` for an unknown one
    and for a file that cannot be used."""
    known: list[str] = []
    if scenario.endswith(".toml"):
        (entry, *_) = entry_points(group="nightbench.benches")
        try:
            return entry.load()(scenario, now=now, seed=seed)
        except OSError as error:
            raise Usage(f"scenario = {scenario}: {error.strerror or error}; name a scenario file") from error
        except ValueError as error:
            raise Usage(f"scenario = {error}") from error
    for entry in entry_points(group="nightbench.benches"):
        module = __import__(entry.module, fromlist=["scenarios"])
        known.extend(module.scenarios())
        if scenario in module.scenarios():
            return entry.load()(scenario, now=now, seed=seed)
    near = nearest(scenario, known)
    hint = f"did you mean {near}? " if near else ""
    raise Usage(f"scenario = {scenario}: no such simulated bench; {hint}there are: {', '.join(sorted(known))}")


def simulated_scenarios() -> dict[str, str]:
    """Name -> one line, of every simulated bench installed."""
    found: dict[str, str] = {}
    for entry in entry_points(group="nightbench.benches"):
        found |= __import__(entry.module, fromlist=["scenarios"]).scenarios()
    return found


@dataclass(slots=True)
class Connection:
    """The clock and the drivers of one bench. What is said before somebody listens is kept for them."""

    bench_file: BenchFile
    clock: Clock
    owns_clock: bool = True
    sim: Any = None
    sessions: list[Session] = field(default_factory=list)
    rig: Rig | None = None
    _listener: Callable[[Exchange | Told], None] | None = None
    _before: deque[Exchange | Told] = field(default_factory=lambda: deque(maxlen=KEPT_EXCHANGES))

    def tap(self, exchange: Exchange) -> None:
        """Hear one exchange."""
        self.clock.tape.exchanged()
        if self._listener is not None:
            self._listener(exchange)
        else:
            self._before.append(exchange)

    def hear(self, one: Exchange | Told) -> None:
        """Keep one exchange or line of the tape, or hand it over."""
        if self._listener is not None:
            self._listener(one)
        else:
            self._before.append(one)

    def simulated(self, scenario: str) -> Any:
        """The simulated bench in memory; opened when it is first asked for."""
        if self.sim is None:
            self.sim = open_simulated(scenario, now=self.clock.now, seed=None)
        return self.sim

    def listen(self, listener: Callable[[Exchange | Told], None]) -> None:
        """Hand over every exchange and line of the tape from now on, those before it first."""
        while self._before:
            listener(self._before.popleft())
        self._listener = listener

    def identities(self) -> dict[str, str]:
        """Answer to the identity question of every real instrument that states a serial number, by its name. A
        simulated one is known by its address alone: several of one scenario may be served at once."""
        found = {}
        for session in self.sessions:
            with suppress(WireError, InstrumentFault):
                if said := known_as(session.identity):
                    found[session.name] = said
        return found

    def close(self) -> None:
        """Close every session, and the clock unless it belongs to whoever gave it; never raises."""
        for session in self.sessions:
            session.close()
        if self.owns_clock:
            with suppress(Exception):
                self.clock.close()


def make_clock(bench_file: BenchFile) -> Clock:
    """The clock that goes with the bench: virtual for one in memory, else what ``[clock]`` says."""
    in_memory = [simulated(entry.address) is not None for entry in bench_file.instruments]
    if all(in_memory) and in_memory:
        return VirtualClock()
    kind = bench_file.clock.kind
    if kind == "stepped":
        return SteppedClock(control=bench_file.clock.control)
    if kind == "scaled":
        return ScaledClock(speed=bench_file.clock.speed, period_s=bench_file.loop_period_s)
    return WallClock()


def connect(
    bench_file: BenchFile,
    *,
    clock: Clock | None = None,
    sim: Any = None,
    lenient: bool = False,
    subject: str = "pack",
    lines: Lines | None = None,
) -> Connection:
    """Open every instrument of the bench and ask who it is; nothing is set.

    ``subject`` is what hangs on the bench: "pack" or "ups". ``clock`` and ``sim`` are those several runs share.
    ``lines`` makes the wires of a record that is played; then nothing of this machine is looked at. ``lenient`` goes on
    with instruments that do not answer and without the bench's own clock, for switching off
    whatever can be switched off.

    Raises ``PreflightRefused`` when one does not answer or is another than the file says, ``Usage`` for a dialect
    that cannot be used.
    """
    connection = Connection(bench_file, clock or _clock_for(bench_file, lenient), owns_clock=clock is None, sim=sim)
    if lines is None:
        connection.clock.tape = Tape(hear=connection.hear, exact=connection.clock.exact)
    try:
        if lines is None and not lenient and (why := uncertain(bench_file.instruments)) is not None:
            raise PreflightRefused(f"{bench_file.path}: {why}; nothing was asked, nothing switched on")
        drivers = _made(connection, lines)
        _open_all(connection, lenient)
        makers = _makers(drivers)
        if not lenient:
            _one_kind(bench_file, makers)
        simulated_bench = bool(makers) and all(maker == SIMULATED_MAKER for maker in makers.values())
        connection.rig = Rig(bench_file, drivers, simulated=simulated_bench, subject=subject)
    except BaseException:
        connection.close()
        raise
    return connection


def _made(connection: Connection, lines: Lines | None) -> dict[str, Driver]:
    """The drivers; nobody has been spoken to yet."""
    opener = Opener(connection.bench_file.path, connection.clock, connection.tap, connection.simulated, lines)
    drivers = {entry.name: opener.driver(entry) for entry in connection.bench_file.instruments}
    connection.sessions.extend(opener.sessions.values())
    if lines is None and any(port_of(entry.address) for entry in connection.bench_file.instruments):
        opener.newcomers.begin()
    return drivers


def _open_all(connection: Connection, lenient: bool) -> None:
    """Open every line and ask who is there. Where somebody else is, the others are asked too, so that it can be said
    who is where; orders go to nobody."""
    wrong: list[WrongIdentity] = []
    for session in connection.sessions:
        try:
            session.open()
        except WrongIdentity as fault:
            wrong.append(fault)
        except WireError as error:
            if not (lenient or wrong):
                raise PreflightRefused(f"{_with_advice(error)}; nothing was switched on") from error
        except InstrumentFault as fault:
            if not (lenient or wrong):
                raise PreflightRefused(f"{fault}; nothing was switched on") from fault
    if wrong and not lenient:
        raise PreflightRefused(f"{wrong[0]}{_who_is_where(connection, wrong)}; nothing was switched on")


ADVICE = "check power, cable and address"


def _with_advice(error: WireError) -> str:
    """One that came too late says so already."""
    return str(error) if ADVICE in str(error) else f"{error}; {ADVICE}"


def _who_is_where(connection: Connection, wrong: list[WrongIdentity]) -> str:
    """Who answered where another was expected, and whose place that is."""
    found = []
    for fault in wrong:
        said = (fault.received or b"").decode("ascii", "backslashreplace")
        for entry in connection.bench_file.instruments:
            if entry.identity and entry.identity in said and entry.name != fault.instrument:
                at = next(e.address for e in connection.bench_file.instruments if e.name == fault.instrument)
                found.append(f"{entry.name} answers at {at}")
    return f": {', '.join(found)}: correct the addresses" if found else ""


def _clock_for(bench_file: BenchFile, lenient: bool) -> Clock:
    try:
        return make_clock(bench_file)
    except UserError:
        if not lenient:
            raise
        # Switching off needs some time to wait by, and must not wait for a simulated bench's own to come back.
        return WallClock()


def _makers(drivers: dict[str, Driver]) -> dict[str, str]:
    """Who answered, by instrument; whoever did not is left out."""
    makers = {}
    for name, driver in drivers.items():
        with suppress(WireError, InstrumentFault):
            makers[name] = driver.identity.maker
    return makers


def _one_kind(bench_file: BenchFile, makers: dict[str, str]) -> None:
    sims = {name for name, maker in makers.items() if maker == SIMULATED_MAKER}
    real = sorted(set(makers) - sims)
    if sims and real:
        raise PreflightRefused(
            f"{bench_file.path}: {', '.join(sorted(sims))} answer as simulated, {', '.join(real)} as real instruments; "
            "a run is on one or the other: correct the addresses"
        )
    if real and bench_file.clock.kind != "wall":
        raise PreflightRefused(
            f'{bench_file.path}: [clock] kind = "{bench_file.clock.kind}" is for a simulated bench, {real[0]} answers '
            "as a real instrument; take the table [clock] out"
        )
