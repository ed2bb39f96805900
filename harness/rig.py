"""The instruments of one bench. The rig only reads, switches and remembers what it set; it decides nothing. The bench
decides.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from drivers.load import Load
from drivers.meter import Meter
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from drivers.wire import Exchange
from harness.config import BenchFile
from harness.driver_kinds import READ_ERRORS, Driver
from harness.reading import Reader, Turn, span
from harness.tape import SILENT, Tape
from harness.volts_place import volts_place

__all__ = ["READ_ERRORS", "Driver", "Rig"]


@dataclass
class Rig:
    """Drivers by name beside their entries in the bench file."""

    bench_file: BenchFile
    drivers: dict[str, Driver]
    simulated: bool = False
    subject: str = "pack"
    """What hangs on the bench: "pack", or "ups" (its battery side). Contacts and the supply's mode are read for a UPS
    only: a pack run has no use for them, and every exchange takes time from the others."""
    switched: dict[str, bool | None] = field(default_factory=dict)
    """What this run knows of ``mains`` and ``ac-load`` without asking: ``None`` where only a person could tell."""

    def __post_init__(self) -> None:
        for driver in self.drivers.values():
            _shield(driver)
        self.place = volts_place(self.bench_file, subject=self.subject)
        self.shunt_name = next((e.name for e in self.bench_file.instruments if e.shunt is not None), None)
        self.supply_name = self._name("supply")
        self.load_name = self._name("load")
        self.temp_name = next(
            (e.name for e in self.bench_file.instruments if e.role == "thermometer" and e.measures == "pack"), None
        )
        self._spans = {entry.name: span(entry.volts_range) for entry in self.bench_file.instruments}
        self._reader = Reader(self)

    def _name(self, role: str) -> str | None:
        entry = self.bench_file.one(role)
        return entry.name if entry else None

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns of the record, beside those every run has."""
        return self._reader.columns

    def read(self, *, wall: Callable[[], float] | None = None, tape: Tape = SILENT) -> Turn:
        """Ask every instrument once. ``wall`` is machine time, s: with it a turn in which something failed is cut
        short, and ``tape`` says where."""
        return self._reader.read(wall=wall, tape=tape)

    def switch(self, what: str) -> PowerSwitch | None:
        """The switch of ``mains``, ``ac-load`` or ``contactor``, None where there is none."""
        entry = self.bench_file.switching(what)
        driver = self.drivers.get(entry.name) if entry is not None else None
        return driver if isinstance(driver, PowerSwitch) else None

    @property
    def supply(self) -> Supply | None:
        driver = self.drivers.get(self.supply_name or "")
        return driver if isinstance(driver, Supply) else None

    @property
    def load(self) -> Load | None:
        driver = self.drivers.get(self.load_name or "")
        return driver if isinstance(driver, Load) else None

    def pack_volts(self) -> float:
        """Volts at the pack's terminals now, V, asking no more instruments than that takes; nan when not to be had.

        Never raises: it is asked while switching off.
        """
        place = self.place
        if place is None:
            return math.nan
        volts, driver = self._volts(place.name), self.drivers[place.name]
        if not math.isnan(volts) and place.ohm and isinstance(driver, Supply | Load):
            try:
                volts += place.sign * driver.measure_amps() * place.ohm
            except Exception:  # whatever it is, there is no reading
                return math.nan
        return volts if math.isfinite(volts) else math.nan

    def _volts(self, name: str) -> float:
        """What a voltmeter reads now, V; nan when it does not answer, or what it cannot have measured. Never raises."""
        driver = self.drivers[name]
        try:
            assert isinstance(driver, Supply | Load | Meter)
            volts = driver.measure_volts()
        except Exception:  # whatever it is, there is no reading
            return math.nan
        least, most = self._spans.get(name, span(None))
        return volts if least <= volts <= most else math.nan

    def highest_elsewhere(self) -> tuple[str, float]:
        """Of the voltmeters besides the one that pack volts are taken from: who reads most now, and how much, V;
        ("", nan) when none answers. Never raises."""
        found = {name: abs(volts) for name, volts in self.volts_elsewhere().items()}
        return max(found.items(), key=lambda pair: pair[1], default=("", math.nan))

    def volts_elsewhere(self) -> dict[str, float]:
        """What each voltmeter reads now besides the one that pack volts are taken from, V, as far as they answer. Never
        raises."""
        found: dict[str, float] = {}
        for name, driver in self.drivers.items():
            if isinstance(driver, Supply | Load | Meter) and (self.place is None or name != self.place.name):
                volts = self._volts(name)
                if math.isfinite(volts):
                    found[name] = volts
        return found


def _shield(driver: Driver) -> None:
    """Whoever listens in on the line must not be able to spoil an exchange, least of all one that switches off."""
    wire = driver.session.wire
    tap = wire.tap
    if tap is None:
        return

    def shielded(exchange: Exchange) -> None:
        try:  # noqa: SIM105 - once an exchange: suppress takes longer
            tap(exchange)
        except Exception:
            pass

    wire.tap = shielded
