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

from drivers.contact import Contact
from drivers.dialect import (
    ContactDialect,
    Dialect,
    DialectRefused,
    LoadDialect,
    MeterDialect,
    SupplyDialect,
    SwitchDialect,
    ThermometerDialect,
)
from drivers.dialect import load as load_dialect
from drivers.faults import InstrumentFault
from drivers.load import Load
from drivers.meter import Meter
from drivers.session import Session
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from drivers.thermometer import Thermometer
from drivers.wire import Exchange, Wire, WireError
from drivers.wire_memory import MemoryWire
from drivers.wire_visa import VisaWire
from harness.addresses import simulated
from harness.clock import Clock, ScaledClock, SteppedClock, VirtualClock, WallClock
from harness.config import BenchFile, InstrumentEntry
from harness.errors import PreflightRefused, Usage, UserError
from harness.keys import nearest
from harness.rig import Driver, Rig

SIMULATED_MAKER = "NIGHTBENCH"
"""First field of *IDN? of every simulated instrument, in memory or served."""

KEPT_EXCHANGES = 1000
"""Exchanges kept until there is a record: who answered, and what was read before anything was switched on."""


def open_simulated(scenario: str, *, now: Callable[[], float], seed: int | None) -> Any:
    """A simulated bench by scenario name. Raises ``Usage`` for an unknown one."""
    known: list[str] = []
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
    _listener: Callable[[Exchange], None] | None = None
    _before: deque[Exchange] = field(default_factory=lambda: deque(maxlen=KEPT_EXCHANGES))

    def tap(self, exchange: Exchange) -> None:
        """Hear one exchange."""
        if self._listener is not None:
            self._listener(exchange)
        else:
            self._before.append(exchange)

    def listen(self, listener: Callable[[Exchange], None]) -> None:
        """Hand over every exchange from now on, those before it first."""
        while self._before:
            listener(self._before.popleft())
        self._listener = listener

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
) -> Connection:
    """Open every instrument of the bench and ask who it is; nothing is set.

    ``subject`` is what hangs on the bench: "pack" or "ups". ``clock`` and ``sim`` are those several runs share.
    ``lenient`` goes on with instruments that do not answer and without the bench's own clock, for switching off
    whatever can be switched off.

    Raises ``PreflightRefused`` when one does not answer or is another than the file says, ``Usage`` for a dialect
    that cannot be used.
    """
    connection = Connection(bench_file, clock or _clock_for(bench_file, lenient), owns_clock=clock is None, sim=sim)
    try:
        drivers = {entry.name: _open(connection, entry, lenient) for entry in bench_file.instruments}
        makers = _makers(drivers)
        if not lenient:
            _one_kind(bench_file, makers)
        simulated_bench = bool(makers) and all(maker == SIMULATED_MAKER for maker in makers.values())
        connection.rig = Rig(bench_file, drivers, simulated=simulated_bench, subject=subject)
    except BaseException:
        connection.close()
        raise
    return connection


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


def _open(connection: Connection, entry: InstrumentEntry, lenient: bool) -> Driver:
    try:
        dialect = load_dialect(entry.dialect)
    except DialectRefused as error:
        raise Usage(f'{connection.bench_file.path}: instrument "{entry.name}": dialect: {error}') from error
    wire = _wire(connection, entry, dialect)
    session = Session(
        wire,
        expected_identity=entry.identity or None,
        errors_ask=dialect.errors_ask,
        remote=dialect.remote.set if dialect.remote else None,
        local=(dialect.remote.local or None) if dialect.remote else None,
        identity_ask=dialect.identity_ask,
        patterns=dialect.identity,
    )
    connection.sessions.append(session)
    try:
        session.open()
    except WireError as error:
        if not lenient:
            raise PreflightRefused(f"{error}; check power, cable and address; nothing was switched on") from error
    except InstrumentFault as error:
        if not lenient:
            raise PreflightRefused(f"{error}; nothing was switched on") from error
    return _driver(connection, entry, session, dialect)


def _wire(connection: Connection, entry: InstrumentEntry, dialect: Dialect) -> Wire:
    line = dialect.line
    place = simulated(entry.address)
    if place is None:
        return VisaWire(
            name=entry.name,
            address=entry.address,
            monotonic=connection.clock.wall,
            tap=connection.tap,
            terminator=line.terminator.encode(),
            gap_s=line.gap_s,
            echo=line.echo,
            pace_s=line.pace_s,
        )
    scenario, name = place
    if connection.sim is None:
        connection.sim = open_simulated(scenario, now=connection.clock.now, seed=None)
    if name not in connection.sim.names:
        raise PreflightRefused(
            f"{entry.name}: {entry.address}: no instrument {name} on the simulated bench {scenario}; "
            f"there are: {', '.join(connection.sim.names)}"
        )
    sim = connection.sim
    return MemoryWire(
        lambda: sim.connect(name),
        connection.clock.sleep,
        name=entry.name,
        address=entry.address,
        tap=connection.tap,
        terminator=line.terminator.encode(),
        gap_s=line.gap_s,
        echo=line.echo,
        pace_s=line.pace_s,
    )


def _driver(connection: Connection, entry: InstrumentEntry, session: Session, dialect: Dialect) -> Driver:
    match entry.role, dialect:
        case "supply", SupplyDialect():
            return Supply(session, dialect)
        case "load", LoadDialect():
            return Load(session, dialect)
        case "meter", MeterDialect():
            return Meter(session, dialect)
        case "thermometer", ThermometerDialect():
            return Thermometer(session, dialect)
        case "switch", SwitchDialect():
            return PowerSwitch(session, dialect)
        case "contact", ContactDialect():
            return Contact(session, dialect)
    kind = type(dialect).__name__.removesuffix("Dialect").lower()
    raise Usage(
        f'{connection.bench_file.path}: instrument "{entry.name}": dialect = {entry.dialect}: it is for a {kind}, '
        f"the role is {entry.role}; choose a dialect for a {entry.role}"
    )
