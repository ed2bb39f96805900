"""One turn of reading every instrument of a bench, and what it says about the pack. Decides nothing."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from drivers.contact import Contact
from drivers.load import Load
from drivers.meter import Meter
from drivers.shunt import ShuntMeter
from drivers.supply import Supply
from drivers.thermometer import Thermometer
from harness.config import InstrumentEntry
from harness.driver_kinds import READ_ERRORS, Driver
from harness.sample import OPENED_ANEW, SWITCHED
from harness.tape import COMPUTER, SILENT, Tape

if TYPE_CHECKING:
    from harness.rig import Rig

OUT_OF_RANGE = 1.5
"""A reading beyond this many times the full scale the bench file gives was never measured."""

TEMPERATURES = (-80.0, 200.0)
"""No pack thermometer reads beyond these, degC (judgement)."""

PATIENCE_S = 1.5
"""Machine time after which, once one instrument has failed, the others are not asked any more in the same turn: with
all of them silent a turn would otherwise be over only after the last deadline of the last one."""

Ask = Callable[[], float]
Channel = tuple[str, str, Ask, tuple[float, float]]
"""Instrument, column, how to ask, and between what a reading must lie."""


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
    lug_temp_c: float | None = None
    """The hottest lug beside a pack; nan while one is missing, ``None`` where no thermometer sits at one."""
    dead: frozenset[str] = frozenset()
    call_s: float = 0.0


class _SoFar:
    """What a turn that goes on has given. ``wall`` is machine time, s; ``None``: nobody is cut short."""

    def __init__(self, wall: Callable[[], float] | None, tape: Tape) -> None:
        self.now, self._tape = wall or (lambda: 0.0), tape
        self.readings: dict[str, float] = {}
        self.flags: list[str] = []
        self.errors: list[str] = []
        self.dead: set[str] = set()
        self.longest_s = 0.0
        self._began = self.now()

    def leaves_out(self, name: str) -> bool:
        """Whether this one is not asked any more, since another one failed and the turn has taken too long."""
        if not self.errors or not self._tape.came(COMPUTER, "cut short", self._too_long, nothing=False):
            return False
        self.dead.add(name)
        self.flags.append(f"{name}: not asked, the others took too long")
        return True

    def _too_long(self) -> bool:
        return not self.now() - self._began <= PATIENCE_S

    def lost(self, name: str, error: Exception) -> None:
        """It does not answer, and is not asked again in this turn."""
        self.dead.add(name)
        self.flags.append(f"{name}: no reading")
        self.errors.append(str(error))

    def took(self, name: str, took_s: float, *, opened: int, boot_s: float) -> None:
        """An exchange of ``took_s``, in which the line was ``opened`` so often."""
        if not opened:
            self.longest_s = max(self.longest_s, took_s)
        elif boot_s:
            # It was waited for and did not fail to answer: no reason to leave the others unasked.
            self._began += min(opened * boot_s, took_s)
            self.flags.append(f"{name}: {OPENED_ANEW}, {opened * boot_s:g} s waited until it had started")


class Reader:
    """Reads the instruments of ``rig``, each question in its place."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._addresses: dict[str, str] = {}
        self._plan: list[Channel] = []
        for entry in rig.bench_file.instruments:
            self._plan.extend(_channels(entry, rig.drivers[entry.name]))
        if rig.subject == "ups":
            self._plan.extend(_modes(rig))

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns of the record, beside those every run has."""
        rig = self._rig
        found = tuple(column for _, column, _, _ in self._plan)
        if rig.subject != "ups":
            return found
        mode = ("output", "cc", "driven") if rig.supply is not None else ()
        return (*found, *(SWITCHED[what] for what in (*rig.switched, *mode)))

    def read(self, *, wall: Callable[[], float] | None = None, tape: Tape = SILENT) -> Turn:
        """Ask every instrument once. An instrument that failed is not asked again in the same turn.

        ``wall`` is machine time, s: with it a turn in which something failed is cut short after ``PATIENCE_S``, and
        ``tape`` says where.
        """
        rig, so_far = self._rig, _SoFar(wall, tape)
        for channel in self._plan:
            so_far.readings[channel[1]] = self._value(channel, so_far)
        so_far.flags.extend(self._moved())
        if rig.subject == "ups":
            so_far.readings |= self._supply_mode(so_far)
            switched = {SWITCHED[what]: math.nan if on is None else float(on) for what, on in rig.switched.items()}
            so_far.readings |= switched
        return self._turn(so_far)

    def _value(self, channel: Channel, so_far: _SoFar) -> float:
        """One reading; nan, with a flag, where it cannot be had."""
        name, column, ask, (least, most) = channel
        if name in so_far.dead or so_far.leaves_out(name):
            return math.nan
        session, began = self._rig.drivers[name].session, so_far.now()
        openings, value = session.openings, math.nan
        try:
            value = ask()
            if not least <= value <= most:
                what = "not a number" if not math.isfinite(value) else f"{value:g} is out of range"
                so_far.flags.append(f"{column}: {what}")
                value = math.nan
        except READ_ERRORS as error:
            so_far.lost(name, error)
        so_far.took(name, so_far.now() - began, opened=session.openings - openings, boot_s=session.wire.boot_s)
        return value

    def _supply_mode(self, so_far: _SoFar) -> dict[str, float]:
        """What the supply holds, as 1 and 0; nan where it does not say."""
        supply, name = self._rig.supply, self._rig.supply_name
        if supply is None or name is None:
            return {}
        word = ""
        if name not in so_far.dead:
            try:
                on = supply.output_is_on()
                word = (supply.mode() if on else "off") or "unknown"
            except READ_ERRORS as error:
                so_far.dead.add(name)
                so_far.errors.append(str(error))
        if word == "cc" and supply.dialect.sink_amps is not None and so_far.readings[f"{name}_amps"] <= 0.0:
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
        for entry in self._rig.bench_file.instruments:
            wire = self._rig.drivers[entry.name].session.wire
            if wire.address != self._addresses.setdefault(wire.name, wire.address):
                self._addresses[wire.name] = wire.address
                yield f"{wire.name}: found again at {wire.address}"

    def _seen_by_load(self, readings: dict[str, float], amps: float) -> float:
        """The pack's volts by the load's own voltmeter, V; nan without sense leads or declared ones."""
        entry = self._rig.bench_file.one("load")
        if entry is None:
            return math.nan
        ohm = 0.0 if entry.sense == "remote" else entry.lead_ohm
        return math.nan if ohm is None else readings[f"{entry.name}_volts"] + amps * ohm

    def _hottest_lug(self, readings: dict[str, float]) -> float | None:
        if self._rig.subject != "pack":
            return None
        found = (e for e in self._rig.bench_file.instruments if e.role == "thermometer" and e.measures == "lug")
        each = [readings[f"{entry.name}_temp_c"] for entry in found]
        return None if not each else math.nan if any(map(math.isnan, each)) else max(each)

    def _turn(self, so_far: _SoFar) -> Turn:
        readings = so_far.readings
        rig = self._rig
        supply_amps = readings.get(f"{rig.supply_name}_amps", 0.0)
        load_amps = readings.get(f"{rig.load_name}_amps", 0.0)
        volts = math.nan
        if rig.place is not None:
            volts = readings[f"{rig.place.name}_volts"]
            if rig.place.ohm:
                amps = load_amps if rig.place.kind == "load" else supply_amps
                volts += rig.place.sign * amps * rig.place.ohm
        return Turn(
            readings=readings,
            flags=tuple(so_far.flags),
            errors=tuple(so_far.errors),
            pack_volts=volts,
            # Out of the pack; for a UPS into its battery terminals, whoever stands in for the battery.
            pack_amps=load_amps - supply_amps if rig.subject == "pack" else supply_amps - load_amps,
            pack_temp_c=readings.get(f"{rig.temp_name}_temp_c", math.nan) if rig.temp_name else math.nan,
            supply_amps=supply_amps,
            supply_volts=readings.get(f"{rig.supply_name}_volts", math.nan),
            load_amps=load_amps,
            shunt_amps=readings[f"{rig.shunt_name}_amps"] if rig.shunt_name else None,
            lug_temp_c=self._hottest_lug(readings),
            far_volts=self._seen_by_load(readings, load_amps),
            dead=frozenset(so_far.dead),
            call_s=so_far.longest_s,
        )


def _channels(entry: InstrumentEntry, driver: Driver) -> Iterator[Channel]:
    """Instrument, column, how to ask, and between what a reading must lie."""
    volts, amps = span(entry.volts_range), span(entry.amps_range)
    if isinstance(driver, Supply | Load):
        # Volts after amps: the cut-off quantity is the last thing read of the energised instrument.
        yield entry.name, f"{entry.name}_amps", driver.measure_amps, amps
        yield entry.name, f"{entry.name}_volts", driver.measure_volts, volts
    elif isinstance(driver, Meter):
        yield entry.name, f"{entry.name}_volts", driver.measure_volts, volts
    elif isinstance(driver, ShuntMeter):
        assert entry.shunt is not None
        full_a = None if entry.volts_range is None else entry.volts_range / abs(entry.shunt.ohm)
        yield entry.name, f"{entry.name}_amps", driver.measure_amps, span(full_a)
    elif isinstance(driver, Thermometer):
        yield entry.name, f"{entry.name}_temp_c", driver.measure_temp_c, TEMPERATURES


def _modes(rig: Rig) -> Iterator[Channel]:
    """What is on or off, as 1 and 0."""
    for entry in rig.bench_file.instruments:
        driver = rig.drivers[entry.name]
        if isinstance(driver, Contact):
            yield entry.name, SWITCHED[entry.senses], partial(_closed, driver), (0.0, 1.0)


def _closed(contact: Contact) -> float:
    return float(contact.closed())


def span(full_scale: float | None) -> tuple[float, float]:
    """Between what a reading must lie of an instrument with this full scale (None: not known)."""
    most = sys.float_info.max if full_scale is None else OUT_OF_RANGE * full_scale
    return -most, most
