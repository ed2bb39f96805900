"""The instruments of one bench, and what one turn of reading them says about the pack.

The rig only reads, switches and remembers what it set; it decides nothing. The bench decides.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial

from drivers.contact import Contact
from drivers.faults import InstrumentFault
from drivers.load import Load
from drivers.meter import Meter
from drivers.shunt import ShuntMeter
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from drivers.thermometer import Thermometer
from drivers.wire import Exchange, WireError
from harness.config import BenchFile, InstrumentEntry
from harness.sample import OPENED_ANEW, SWITCHED

Driver = Supply | Load | Meter | ShuntMeter | Thermometer | PowerSwitch | Contact
Ask = Callable[[], float]

OUT_OF_RANGE = 1.5
"""A reading beyond this many times the full scale the bench file gives was never measured."""

TEMPERATURES = (-80.0, 200.0)
"""No pack thermometer reads beyond these, degC (judgement)."""

READ_ERRORS = (WireError, InstrumentFault)

PATIENCE_S = 1.5
"""Machine time after which, once one instrument has failed, the others are not asked any more in the same turn: with
all of them silent a turn would otherwise be over only after the last deadline of the last one."""


@dataclass(frozen=True, slots=True)
class Turn:
    """One turn of reading: ``readings`` keyed ``<instrument>_<quantity>``, ``flags`` in words, ``errors`` in full.

    ``dead`` are the instruments without an answer; ``call_s`` is the longest exchange in machine time, s (0 without a
    clock to tell it by), connections that had to be made anew left out.
    """

    readings: dict[str, float]
    flags: tuple[str, ...]
    errors: tuple[str, ...]
    pack_volts: float
    pack_amps: float
    pack_temp_c: float
    supply_amps: float
    supply_volts: float
    load_amps: float
    far_volts: float
    shunt_amps: float | None = None
    """Out of the pack (into a UPS) by a meter across a shunt; ``None`` where there is none."""
    dead: frozenset[str] = frozenset()
    call_s: float = 0.0


@dataclass(frozen=True, slots=True)
class VoltsPlace:
    """Where the pack's volts are taken: instrument, and the lead resistance to correct for (0 with sense leads).

    ``subject``: with "ups" the battery terminals of a UPS are in the pack's place.
    """

    name: str
    kind: str
    ohm: float
    sign: float
    subject: str = "pack"
    drop_known: bool = True
    """``False``: read behind leads of which the bench file says nothing."""

    @property
    def words(self) -> str:
        if not self.drop_known:
            return f"measured at the terminals of {self.name}; the drop in its leads is not known"
        if self.ohm == 0.0:
            where = "pack terminals" if self.subject == "pack" else "UPS's battery terminals"
            return f"measured at the {where} by {self.name}"
        return f"computed from {self.name} and its declared leads of {1000 * self.ohm:.1f} mohm"


def volts_place(bench_file: BenchFile, *, subject: str) -> VoltsPlace | None:
    """The best witness of the subject's terminals: a meter on them, then sense leads, then leads by arithmetic."""
    for entry in bench_file.instruments:
        if entry.role == "meter" and entry.measures == "pack":
            return VoltsPlace(entry.name, "meter", 0.0, 0.0, subject)
    for role, sign in (("load", 1.0), ("supply", -1.0)):
        side = bench_file.one(role)
        if side is not None and side.sense == "remote":
            return VoltsPlace(side.name, role, 0.0, sign, subject)
    for role, sign in (("load", 1.0), ("supply", -1.0)):
        side = bench_file.one(role)
        if side is not None:
            ohm = side.lead_ohm
            return VoltsPlace(side.name, role, ohm or 0.0, sign, subject, drop_known=ohm is not None)
    return None


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
    _addresses: dict[str, str] = field(default_factory=dict)
    _plan: list[tuple[str, str, Ask, tuple[float, float]]] = field(default_factory=list)

    def __post_init__(self) -> None:
        for driver in self.drivers.values():
            _shield(driver)
        for entry in self.bench_file.instruments:
            self._plan.extend(self._channels(entry, self.drivers[entry.name]))
        if self.subject == "ups":
            self._plan.extend(self._modes())
        self.place = volts_place(self.bench_file, subject=self.subject)
        self.shunt_name = next((e.name for e in self.bench_file.instruments if e.shunt is not None), None)
        self.supply_name = self._name("supply")
        self.load_name = self._name("load")
        self.temp_name = next(
            (e.name for e in self.bench_file.instruments if e.role == "thermometer" and e.measures == "pack"), None
        )

    @staticmethod
    def _channels(entry: InstrumentEntry, driver: Driver) -> Iterator[tuple[str, str, Ask, tuple[float, float]]]:
        """Instrument, column, how to ask, and between what a reading must lie."""
        volts, amps = _span(entry.volts_range), _span(entry.amps_range)
        if isinstance(driver, Supply | Load):
            # Volts after amps: the cut-off quantity is the last thing read of the energised instrument.
            yield entry.name, f"{entry.name}_amps", driver.measure_amps, amps
            yield entry.name, f"{entry.name}_volts", driver.measure_volts, volts
        elif isinstance(driver, Meter):
            yield entry.name, f"{entry.name}_volts", driver.measure_volts, volts
        elif isinstance(driver, ShuntMeter):
            assert entry.shunt is not None
            full_a = None if entry.volts_range is None else entry.volts_range / abs(entry.shunt.ohm)
            yield entry.name, f"{entry.name}_amps", driver.measure_amps, _span(full_a)
        elif isinstance(driver, Thermometer):
            yield entry.name, f"{entry.name}_temp_c", driver.measure_temp_c, TEMPERATURES

    def _modes(self) -> Iterator[tuple[str, str, Ask, tuple[float, float]]]:
        """What is on or off, as 1 and 0."""
        for entry in self.bench_file.instruments:
            driver = self.drivers[entry.name]
            if isinstance(driver, Contact):
                yield entry.name, SWITCHED[entry.senses], partial(_closed, driver), (0.0, 1.0)

    def _name(self, role: str) -> str | None:
        entry = self.bench_file.one(role)
        return entry.name if entry else None

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns of the record, beside those every run has."""
        found = tuple(column for _, column, _, _ in self._plan)
        if self.subject != "ups":
            return found
        mode = ("output", "cc", "driven") if self.supply is not None else ()
        return (*found, *(SWITCHED[what] for what in (*self.switched, *mode)))

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

    def read(self, *, wall: Callable[[], float] | None = None) -> Turn:
        """Ask every instrument once. An instrument that failed is not asked again in the same turn.

        ``wall`` is machine time, s: with it a turn in which something failed is cut short after ``PATIENCE_S``.
        """
        readings: dict[str, float] = {}
        flags: list[str] = []
        errors: list[str] = []
        dead: set[str] = set()
        began = wall() if wall is not None else 0.0
        longest_s = 0.0
        for name, column, ask, (least, most) in self._plan:
            value = math.nan
            before = wall() if wall is not None else 0.0
            if errors and not before - began <= PATIENCE_S and name not in dead:
                dead.add(name)
                flags.append(f"{name}: not asked, the others took too long")
            if name not in dead:
                openings = self.drivers[name].session.openings
                try:
                    value = ask()
                    if not least <= value <= most:
                        what = "not a number" if not math.isfinite(value) else f"{value:g} is out of range"
                        flags.append(f"{column}: {what}")
                        value = math.nan
                except READ_ERRORS as error:
                    dead.add(name)
                    flags.append(f"{name}: no reading")
                    errors.append(str(error))
                took_s = wall() - before if wall is not None else 0.0
                session = self.drivers[name].session
                boot_s = (session.openings - openings) * session.wire.boot_s
                if session.openings == openings:
                    longest_s = max(longest_s, took_s)
                elif boot_s:
                    # It was waited for and did not fail to answer: no reason to leave the others unasked.
                    began += min(boot_s, took_s)
                    flags.append(f"{name}: {OPENED_ANEW}, {boot_s:g} s waited until it had started")
            readings[column] = value
        flags.extend(self._moved())
        if self.subject == "ups":
            readings |= self._supply_mode(readings, dead, errors)
            readings |= {SWITCHED[what]: math.nan if on is None else float(on) for what, on in self.switched.items()}
        return self._turn(readings, flags, errors, dead=frozenset(dead), call_s=longest_s)

    def _supply_mode(self, readings: dict[str, float], dead: set[str], errors: list[str]) -> dict[str, float]:
        """What the supply holds, as 1 and 0; nan where it does not say."""
        supply, name = self.supply, self.supply_name
        if supply is None or name is None:
            return {}
        word = ""
        if name not in dead:
            try:
                on = supply.output_is_on()
                word = (supply.mode() if on else "off") or "unknown"
            except READ_ERRORS as error:
                dead.add(name)
                errors.append(str(error))
        if word == "cc" and supply.dialect.sink_amps is not None and readings[f"{name}_amps"] <= 0.0:
            # At the limit of what it takes back, which is next to nothing: the node is held up by something stronger.
            word = "driven"
        known = word in ("cv", "cc", "driven")
        return {
            SWITCHED["output"]: float(word != "off") if word else math.nan,
            SWITCHED["cc"]: float(word == "cc") if known else math.nan,
            SWITCHED["driven"]: float(word == "driven") if known else math.nan,
        }

    def _moved(self) -> Iterator[str]:
        """Words for an instrument that was found again at another address, once each."""
        for entry in self.bench_file.instruments:
            wire = self.drivers[entry.name].session.wire
            if wire.address != self._addresses.setdefault(wire.name, wire.address):
                self._addresses[wire.name] = wire.address
                yield f"{wire.name}: found again at {wire.address}"

    def pack_volts(self) -> float:
        """Volts at the pack's terminals now, V, asking no more instruments than that takes; nan when not to be had.

        Never raises: it is asked while switching off.
        """
        place = self.place
        if place is None:
            return math.nan
        driver = self.drivers[place.name]
        try:
            assert isinstance(driver, Supply | Load | Meter)
            volts = driver.measure_volts()
            if place.ohm and isinstance(driver, Supply | Load):
                volts += place.sign * driver.measure_amps() * place.ohm
        except Exception:  # whatever it is, there is no reading
            return math.nan
        return volts if math.isfinite(volts) else math.nan

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
                with suppress(Exception):  # one that does not answer says nothing
                    volts = driver.measure_volts()
                    if math.isfinite(volts):
                        found[name] = volts
        return found

    def _seen_by_load(self, readings: dict[str, float], amps: float) -> float:
        """The pack's volts by the load's own voltmeter, V; nan without sense leads or declared ones."""
        entry = self.bench_file.one("load")
        if entry is None:
            return math.nan
        ohm = 0.0 if entry.sense == "remote" else entry.lead_ohm
        return math.nan if ohm is None else readings[f"{entry.name}_volts"] + amps * ohm

    def _turn(
        self, readings: dict[str, float], flags: list[str], errors: list[str], *, dead: frozenset[str], call_s: float
    ) -> Turn:
        supply_amps = readings.get(f"{self.supply_name}_amps", 0.0)
        load_amps = readings.get(f"{self.load_name}_amps", 0.0)
        volts = math.nan
        if self.place is not None:
            volts = readings[f"{self.place.name}_volts"]
            if self.place.ohm:
                amps = load_amps if self.place.kind == "load" else supply_amps
                volts += self.place.sign * amps * self.place.ohm
        return Turn(
            readings=readings,
            flags=tuple(flags),
            errors=tuple(errors),
            pack_volts=volts,
            # Out of the pack; for a UPS into its battery terminals, whoever stands in for the battery.
            pack_amps=load_amps - supply_amps if self.subject == "pack" else supply_amps - load_amps,
            pack_temp_c=readings.get(f"{self.temp_name}_temp_c", math.nan) if self.temp_name else math.nan,
            supply_amps=supply_amps,
            supply_volts=readings.get(f"{self.supply_name}_volts", math.nan),
            load_amps=load_amps,
            shunt_amps=readings[f"{self.shunt_name}_amps"] if self.shunt_name else None,
            far_volts=self._seen_by_load(readings, load_amps),
            dead=dead,
            call_s=call_s,
        )


def _closed(contact: Contact) -> float:
    return float(contact.closed())


def _span(full_scale: float | None) -> tuple[float, float]:
    most = sys.float_info.max if full_scale is None else OUT_OF_RANGE * full_scale
    return -most, most


def _shield(driver: Driver) -> None:
    """Whoever listens in on the line must not be able to spoil an exchange, least of all one that switches off."""
    wire = driver.session.wire
    tap = wire.tap
    if tap is None:
        return

    def shielded(exchange: Exchange) -> None:
        with suppress(Exception):
            tap(exchange)

    wire.tap = shielded
