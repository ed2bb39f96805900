"""The instruments' own watchdogs of their lines: armed before anything is switched on, disarmed once off was confirmed.

One that hears nothing for its time switches its output off: it acts when computer or line are dead, and never because
the program is wrong. Every message puts it off, so a turn of the loop is what keeps it quiet, at rest too: each turn
asks each supply and load. The guard says nothing while the run lives, or a dead run's watchdogs would never expire.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field

from drivers.dialect import Watchdog
from drivers.load import Load
from drivers.supply import Supply
from harness.clock import Clock
from harness.errors import PreflightRefused
from harness.guarding import SILENCE_LEAST_S, SILENCE_MOST_S
from harness.loop import GAP_S, STALL_WALL_S
from harness.rig import READ_ERRORS

GUARDS = 2.0
"""So many times the guard's silence: first the guard, which confirms and tells, then the instrument by itself."""

MOST_S = 60.0
"""Longer is no watchdog of an output that carries a pack's current (judgement)."""

SPARE_S = 1.0
"""So much longer than the longest gap the loop may leave: a loop that is late must end by its own words, s."""

Note = Callable[..., None]


class OutOfRange(ValueError):
    """Its watchdog cannot be set to a time that makes sense here; why."""


def longest_gap_s(clock: Clock, *, period_s: float) -> float:
    """How long the loop may leave the instruments alone, s of bench time, before ``loop-late`` ends the run."""
    speed = _speed(clock)
    stall_s = STALL_WALL_S * speed if speed > 1.0 else GAP_S
    return max(3.0 * period_s, stall_s, GAP_S)


def seconds_for(driver: Supply | Load, *, clock: Clock, period_s: float) -> float:
    """What its watchdog is set to, s of bench time: twice the silence after which the guard acts, or what of its range
    comes nearest, at most 60 s. Raises ``OutOfRange`` where that is no longer than what the loop may leave it alone."""
    gap_s = longest_gap_s(clock, period_s=period_s)
    return fitting_s(*driver.watchdog_span_s, gap_s=gap_s, period_s=period_s, speed=_speed(clock))


def fitting_s(least_s: float, most_s: float, *, gap_s: float, period_s: float, speed: float = 1.0) -> float:
    """The same for a watchdog that can be set from ``least_s`` to ``most_s``, s."""
    guard_s = speed * min(SILENCE_MOST_S, max(SILENCE_LEAST_S, 3.0 * period_s / speed))
    wanted_s = min(MOST_S, max(GUARDS * guard_s, GUARDS * gap_s))
    seconds = min(max(wanted_s, least_s), most_s)
    if not seconds <= MOST_S:
        raise OutOfRange(f"its shortest time is {least_s:g} s, at most {MOST_S:g} s makes sense")
    if not seconds >= gap_s + SPARE_S:
        raise OutOfRange(f"its longest time is {most_s:g} s, the loop may leave it alone for {gap_s:g} s")
    return seconds


def usable(dog: Watchdog, *, period_s: float) -> bool:
    """Whether a run on real instruments arms it."""
    most_s = math.inf if dog.seconds.most is None else dog.seconds.most
    try:
        fitting_s(dog.seconds.least or 0.0, most_s, gap_s=max(3.0 * period_s, GAP_S), period_s=period_s)
    except OutOfRange:
        return False
    return True


def _speed(clock: Clock) -> float:
    return max(1.0, float(getattr(clock, "speed", 1.0)))


@dataclass(slots=True)
class Watchdogs:
    """Those of one run. ``armed``: what each is set to, s, by name."""

    clock: Clock
    period_s: float
    note: Note
    armed: dict[str, float] = field(default_factory=dict)
    _drivers: dict[str, Supply | Load] = field(default_factory=dict)

    def arm(self, driver: Supply | Load) -> None:
        """Before it is switched on: what may be left of an earlier run is cleared, with its output off, then it is set,
        armed and read back. Nothing for an instrument without one. Raises what the driver raises, and
        ``PreflightRefused`` where it has expired and only its panel clears that.
        """
        if not driver.has_watchdog:
            return
        self._clear(driver)
        try:
            seconds = seconds_for(driver, clock=self.clock, period_s=self.period_s)
        except OutOfRange as why:
            self.note("note", text=f"{driver.name}: its own watchdog of its line is not armed: {why}")
            return
        self._drivers[driver.name] = driver
        self.armed[driver.name] = driver.arm_watchdog(seconds=seconds)
        self.note("limit change", instrument=driver.name, own_watchdog_s=self.armed[driver.name])

    def _clear(self, driver: Supply | Load) -> None:
        """A run that died is what it is for: that says nothing against pack or bench, unlike another trip."""
        if (words := driver.expired()) is None:
            return
        dog = driver.dialect.watchdog
        if dog is None or not dog.clears:
            raise PreflightRefused(
                f"{driver.name}: {words}, as after a run that died, and dialect {driver.dialect.name} has no clear in "
                "[watchdog]: clear it at its panel and start again"
            )
        driver.clear_watchdog()
        self.note("note", text=f"{driver.name}: {words}, as after a run that died; cleared, with its output off")

    def disarm(self, *, off: bool) -> str:
        """The run is over. Where ``off`` was confirmed they are switched off; else they stay, as one more that may act.
        Words for one that is on after that: it was told something after it was seen off, and may have restarted on it.
        Never raises."""
        came_on = ""
        for name, driver in self._drivers.items() if off else ():
            try:
                driver.disarm_watchdog()
            except READ_ERRORS as error:
                self.note("note", text=f"{name}: its own watchdog of its line may still be armed: {error}")
            except Exception as error:  # nothing is on: whatever it is must not take the place of how the run ended
                self.note("note", text=f"{name}: its own watchdog was not disarmed: {type(error).__name__}: {error}")
            came_on = came_on or _came_on(driver)
        if off:
            self._drivers.clear()
            self.armed.clear()
        return came_on


def _came_on(driver: Supply | Load) -> str:
    """One that does not answer was seen off, and nothing says otherwise."""
    for _ in range(2):
        with suppress(Exception):
            return f"came on again: {driver.name}, after it was seen off" if driver.is_on() else ""
    return ""
