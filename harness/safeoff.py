"""Driving the bench off, and proving it.

Off is: the instrument's state query says off, *and* two fresh current readings at least 0.2 s apart are zero within
its offset, *and* nothing else that can be seen contradicts it. A witness is a different quantity than the one
commanded, or another instrument: after the load's input opens the pack rebounds; after the supply's output opens the
pack does not rise. A witness that contradicts means not off, whatever the instrument says.

The order is data. Principle: stop what pushes; a sink goes last, except where the remaining source is the pack,
whose only switch is the sink. Common practice of the trade, no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from drivers.load import Load
from drivers.supply import Supply
from harness.clock import Clock
from harness.rig import Rig

ORDER: dict[str, tuple[str, ...]] = {
    "sink": ("load", "supply"),
    "source": ("supply", "load"),
    "rest": ("supply", "load"),
    "unknown": ("supply", "load"),
}
"""What was going on -> roles in the order in which they are switched off."""

ZERO_AMPS = 0.020
FRESH_APART_S = 0.2
LADDER_REPEAT_S = 0.5
LADDER_SOFTEN_S = 1.5
LADDER_UNSAFE_S = 10.0
REBOUND_WAIT_S = 2.0
RISE_LIMIT_V = 0.020


@dataclass(frozen=True, slots=True)
class Before:
    """What was known just before off: phase, current of the energised instrument (A), pack volts, and the step
    resistance seen when it was switched on (ohm, nan when unknown)."""

    phase: str = "unknown"
    amps: float = math.nan
    pack_volts: float = math.nan
    step_ohm: float = math.nan


@dataclass(frozen=True, slots=True)
class OffReport:
    """How off went. ``word`` is ``confirmed``, ``not confirmed`` or ``unreadable``."""

    word: str
    witness: str
    lines: tuple[str, ...]
    took_s: float
    tries: int
    last_amps: float
    last_volts: float

    @property
    def confirmed(self) -> bool:
        return self.word == "confirmed"


@dataclass(frozen=True, slots=True)
class _Look:
    """One look at one instrument after off: ``off`` is None when it could not be asked."""

    off: bool | None
    amps: float


def _attempt(act: Callable[[], object]) -> str | None:
    """Do one thing of the off path; whatever it raises must not delay the next."""
    try:
        act()
    except Exception as error:  # nothing an instrument or a driver does may stop the others being switched off
        return str(error)
    return None


class SafeOff:
    """Drives everything off in order and confirms; one object a run."""

    def __init__(
        self,
        *,
        rig: Rig,
        clock: Clock,
        note: Callable[..., None],
        zero_amps: dict[str, float] | None = None,
    ) -> None:
        self._rig = rig
        self._clock = clock
        self._note = note
        self._zero = zero_amps or {}
        self._tries = 0

    def drive(self, before: Before) -> OffReport:
        """Off now, whatever state the bench is in; returns within about 13 s of bench time."""
        start = self._clock.now()
        self._tries = 0
        lines: list[str] = []
        self._send_off(before.phase, lines)
        softened = False
        while True:
            word, witness, seen = self._confirm(before)
            took = self._clock.now() - start
            if word == "confirmed" or took >= LADDER_UNSAFE_S:
                return self._report(word, witness, [*lines, *seen], took)
            if took >= LADDER_SOFTEN_S and not softened:
                softened = True
                self._soften(lines)
            self._clock.sleep(LADDER_REPEAT_S)
            self._reopen(lines)
            self._send_off(before.phase, lines)

    def _outputs(self, phase: str) -> list[tuple[str, Supply | Load]]:
        by_role = {"supply": (self._rig.supply_name, self._rig.supply), "load": (self._rig.load_name, self._rig.load)}
        return [(name, driver) for role in ORDER[phase] for name, driver in [by_role[role]] if name and driver]

    def _send_off(self, phase: str, lines: list[str]) -> None:
        self._tries += 1
        for name, driver in self._outputs(phase):
            error = _attempt(driver.off)
            if error:
                lines.append(f"{name}: off sent, {error}")
                self._note("instrument error", instrument=name, text=error)

    def _reopen(self, lines: list[str]) -> None:
        for name, driver in self._outputs("unknown"):
            look = self._look(name, driver)
            if look.off is not True:
                error = _attempt(driver.session.reopen)
                if error:
                    lines.append(f"{name}: reopened, {error}")

    def _soften(self, lines: list[str]) -> None:
        """Lowest current: what is left when an output will not open. Never 0 V: with a pack on the node a supply
        told 0 V may sink from it."""
        for name, driver in self._outputs("unknown"):
            if self._look(name, driver).off is not True:
                error = _attempt(driver.soften)
                lines.append(f"{name}: lowest current set" + (f", {error}" if error else ""))

    def _look(self, name: str, driver: Supply | Load) -> _Look:
        off: bool | None = None
        amps = math.nan
        try:
            is_on = driver.output_is_on() if isinstance(driver, Supply) else driver.input_is_on()
            off = not is_on
            amps = driver.measure_amps()
        except Exception as error:  # whatever one instrument does, the others must still be looked at
            self._note("instrument error", instrument=name, text=str(error))
        return _Look(off, amps)

    def _confirm(self, before: Before) -> tuple[str, str, list[str]]:
        first = {name: self._look(name, d) for name, d in self._outputs("unknown")}
        self._clock.sleep(FRESH_APART_S)
        second = {name: self._look(name, d) for name, d in self._outputs("unknown")}
        lines, good = [], True
        readable = False
        for name, look in second.items():
            limit = self._zero.get(name, ZERO_AMPS)
            both = (first[name].amps, look.amps)
            quiet = all(abs(amps) <= limit for amps in both)
            readable = readable or look.off is not None or not math.isnan(look.amps)
            good = good and quiet and look.off is True and first[name].off is True
            lines.append(self._say(name, look, both, limit))
        witness, verdict, line = self._witness(before)
        if line:
            lines.append(line)
        readable = readable or witness != "none"
        if good and verdict is not False:
            return "confirmed", witness, lines
        return ("not confirmed" if readable else "unreadable"), witness, lines

    @staticmethod
    def _say(name: str, look: _Look, both: tuple[float, float], limit: float) -> str:
        state = {True: "says off", False: "says ON", None: "does not say whether it is off"}[look.off]
        amps = ", ".join("no reading" if math.isnan(a) else f"{a:.4f} A" for a in both)
        return f"{name} {state}; current {amps} (limit {limit:.3f} A)"

    def _pack_volts(self) -> float:
        if self._rig.place is None:
            return math.nan
        turn = self._rig.read()
        return turn.pack_volts

    def _witness(self, before: Before) -> tuple[str, bool | None, str]:
        """(who, True seen / False contradicts / None says nothing, words)."""
        place = self._rig.place
        if place is None or math.isnan(before.pack_volts) or before.phase not in ("sink", "source"):
            return "none", None, ""
        active = self._rig.load_name if before.phase == "sink" else self._rig.supply_name
        who = "same instrument" if place.name == active else f"other instrument ({place.name})"
        if before.phase == "source":
            volts = self._pack_volts()
            if math.isnan(volts):
                return "none", None, ""
            fell = volts <= before.pack_volts + RISE_LIMIT_V
            words = f"pack {before.pack_volts:.3f} V before, {volts:.3f} V after: {'not rising' if fell else 'RISING'}"
            return who, fell, f"{words} ({who})"
        return self._rebound(before, who)

    def _rebound(self, before: Before, who: str) -> tuple[str, bool | None, str]:
        if not before.amps > 0.05 or before.pack_volts < 2.0 or math.isnan(before.step_ohm):
            return "none", None, ""
        # Half the step seen when this current was switched on: R0 alone, without what builds up in minutes.
        needed = 0.5 * before.amps * before.step_ohm
        deadline = self._clock.now() + REBOUND_WAIT_S
        while True:
            volts = self._pack_volts()
            rose = volts - before.pack_volts
            if rose >= needed or self._clock.now() >= deadline:
                break
            self._clock.sleep(FRESH_APART_S)
        if math.isnan(volts):
            return "none", None, ""
        seen = rose >= needed
        word = "rebounded" if seen else "did NOT rebound"
        text = f"pack {word}: {before.pack_volts:.3f} V to {volts:.3f} V, at least {1000 * needed:.0f} mV expected"
        return who, seen, f"{text} ({who})"

    def _report(self, word: str, witness: str, lines: list[str], took: float) -> OffReport:
        if word == "confirmed" and witness == "none":
            lines.append("off, by the instrument's own word only")
        turn = self._rig.read()
        amps = max((abs(a) for a in (turn.supply_amps, turn.load_amps) if not math.isnan(a)), default=math.nan)
        return OffReport(word, witness, tuple(lines), took, self._tries, amps, turn.pack_volts)
