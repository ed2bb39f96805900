"""One instrument of a bench file, opened: its dialect, its wire, its session, its driver.

Entries that share an address are channels of one instrument: they share its session too.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from drivers.channel import ChannelRefused
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
from drivers.load import Load
from drivers.meter import Meter
from drivers.session import Session
from drivers.shunt import ShuntMeter
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from drivers.thermometer import Thermometer
from drivers.wire import Exchange, Wire
from drivers.wire_memory import MemoryWire
from drivers.wire_visa import VisaWire
from harness.addresses import normal, simulated
from harness.clock import Clock
from harness.config import InstrumentEntry
from harness.errors import PreflightRefused, Usage
from harness.ports import Newcomers, port_of
from harness.rig import Driver
from harness.tape import COMPUTER

Tap = Callable[[Exchange], None]
Lines = Callable[[InstrumentEntry, Dialect, Tap], Wire]
"""Makes the wire of an entry in the place of the one that its address names."""


@dataclass(slots=True)
class Opener:
    """Makes drivers. ``bench_path`` heads refusals; ``sim`` opens the simulated bench of a scenario once."""

    bench_path: Any
    clock: Clock
    tap: Tap
    sim: Callable[[str], Any]
    lines: Lines | None = None
    newcomers: Newcomers = field(default_factory=Newcomers)
    sessions: dict[str, Session] = field(default_factory=dict)
    """By address in its one spelling."""

    def driver(self, entry: InstrumentEntry) -> Driver:
        """The driver of an entry; nothing is opened yet. Raises ``Usage`` or ``PreflightRefused``."""
        dialect = self._dialect(entry)
        key = normal(entry.address)
        if key not in self.sessions:
            self.sessions[key] = self._session(entry, dialect)
        try:
            return self._driver(entry, self.sessions[key], dialect)
        except ChannelRefused as error:
            raise Usage(f"{self.bench_path}: instrument {error}") from error

    def _dialect(self, entry: InstrumentEntry) -> Dialect:
        try:
            return load_dialect(entry.dialect)
        except DialectRefused as error:
            raise Usage(f'{self.bench_path}: instrument "{entry.name}": dialect: {error}') from error

    def _session(self, entry: InstrumentEntry, dialect: Dialect) -> Session:
        return Session(
            self._wire(entry, dialect),
            expected_identity=entry.identity or None,
            patterns=dialect.identity,
            identity_ask=dialect.identity_ask,
            errors_ask=dialect.errors_ask,
            elsewhere=None if port_of(entry.address) is None else self._newcomers,
            remote=dialect.remote.set if dialect.remote else None,
            local=(dialect.remote.local or None) if dialect.remote else None,
            order_reply=dialect.line.order_reply,
        )

    def _newcomers(self) -> list[str]:
        return self.clock.tape.came(COMPUTER, "new ports", self.newcomers.addresses, nothing=[])

    def _wire(self, entry: InstrumentEntry, dialect: Dialect) -> Wire:
        if self.lines is not None:
            return self.lines(entry, dialect, self.tap)
        line = dialect.line
        place = simulated(entry.address)
        if place is None:
            return VisaWire(
                name=entry.name,
                address=entry.address,
                monotonic=self.clock.wall,
                tap=self.tap,
                terminator=line.terminator.encode(),
                gap_s=line.gap_s,
                echo=line.echo,
                pace_s=line.pace_s,
                boot_s=line.boot_s,
                serial_line=entry.line,
            )
        scenario, name = place
        sim = self.sim(scenario)
        if name not in sim.names:
            raise PreflightRefused(
                f"{entry.name}: {entry.address}: no instrument {name} on the simulated bench {scenario}; "
                f"there are: {', '.join(sim.names)}"
            )
        return MemoryWire(
            lambda: sim.connect(name),
            self.clock.sleep,
            name=entry.name,
            address=entry.address,
            tap=self.tap,
            terminator=line.terminator.encode(),
            gap_s=line.gap_s,
            echo=line.echo,
            pace_s=line.pace_s,
            boot_s=line.boot_s,
        )

    def _driver(self, entry: InstrumentEntry, session: Session, dialect: Dialect) -> Driver:
        place: dict[str, Any] = {"channel": entry.channel, "name": entry.name}
        match entry.role, dialect:
            case "supply", SupplyDialect():
                return Supply(session, dialect, **place)
            case "load", LoadDialect():
                return Load(session, dialect, **place)
            case "meter", MeterDialect():
                if entry.shunt is not None:
                    return ShuntMeter(session, dialect, ohm=entry.shunt.ohm, **place)
                return Meter(session, dialect, **place)
            case "thermometer", ThermometerDialect():
                return Thermometer(session, dialect, **place)
            case "switch", SwitchDialect():
                return PowerSwitch(session, dialect, **place)
            case "contact", ContactDialect():
                return Contact(session, dialect, **place)
        kind = type(dialect).__name__.removesuffix("Dialect").lower()
        raise Usage(
            f'{self.bench_path}: instrument "{entry.name}": dialect = {entry.dialect}: it is for a {kind}, '
            f"the role is {entry.role}; choose a dialect for a {entry.role}"
        )
