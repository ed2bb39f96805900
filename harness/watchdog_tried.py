"""An instrument's own watchdog of its line, let expire for real: it is told nothing for its whole time and must be off.

At the small currents of ``harness/stops_tried.py``. That a time was accepted and reads back says nothing about whether
it ever acts, whether the instrument stays off once it is spoken to again, nor about what clearing it brings back: all
that is looked at here. Whatever was changed is put back and read back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import partial

from drivers.faults import ReadBackMismatch
from drivers.load import Load
from drivers.supply import Supply
from harness.arming import arm_load
from harness.errors import SelfTestFailed
from harness.rig import READ_ERRORS
from harness.site import Site
from harness.stop_trial import Place, Seen
from harness.stops_tried import (
    HOLDS_AT_V,
    SETTLE_S,
    TRY_AMPS,
    TRY_VOLTS,
    load_off,
    load_runs,
    nothing_connected,
    off_again,
    sense_at_home,
    stays_off,
    supply_off,
    supply_runs,
)
from harness.watchdogs import OutOfRange, seconds_for
from harness.zero_amps import zero_limits

WHAT = "watchdog"
"""What stands in the note that it was seen to act."""

LATE_S = 2.0
"""So much later than its time it must have acted, s."""

SHORT_SHARE = 0.5
"""After this share of its time it must not have acted: it would end good runs."""

STEP_S = 0.5
"""No longer at a time nothing is shown to the guard, s."""

FELL_TO = 0.9
"""An output that is open runs down: to this share of its volts at least, once it was watched."""


@dataclass(frozen=True, slots=True)
class _Trial:
    """One instrument at its small current. ``runs`` raises where it does not run, ``off`` tells that it is off."""

    driver: Supply | Load
    seconds: float
    runs: Callable[[], float]
    off: Callable[[], bool]

    @property
    def name(self) -> str:
        return self.driver.name


def try_load_watchdog(place: Place, site: Site) -> Seen | None:
    """Have the load's watchdog end a small discharge of the pack. ``None`` where it has none, or none that can be used.

    Raises ``SelfTestFailed`` when it does not act, or what it had switched off comes on again; and what drivers raise.
    The input is off again whatever comes of it.
    """
    load, entry = place.rig.load, place.bench.one("load")
    if load is None or entry is None or (seconds := _seconds(place, load)) is None:
        return None
    zero = zero_limits(place.bench)[load.name]
    amps = min(max(TRY_AMPS, 3.0 * zero, load.dialect.amps.least or 0.0), site.envelope.amps_max)
    arm_load(load, site=site, note=place.note, amps=amps)
    trial = _Trial(load, seconds, partial(load_runs, load, amps=amps), partial(load_off, load, zero))
    return _told(place, _tried(place, trial, f"at {amps:g} A"))


def try_supply_watchdog(place: Place) -> Seen | None:
    """Have the supply's watchdog end an output of 5 V with nothing connected; else as for the load. Raises
    ``PreflightRefused`` where something hangs on the node."""
    supply, entry = place.rig.supply, place.bench.one("supply")
    if supply is None or entry is None or (seconds := _seconds(place, supply)) is None:
        return None
    zero = zero_limits(place.bench)[supply.name]
    with sense_at_home(supply, remote=entry.sense == "remote"):
        nothing_connected(place)
        held = supply.state()
        supply.set_amps(amps=max(TRY_AMPS, supply.dialect.amps.least or 0.0))
        if supply.dialect.over_volts is not None:
            supply.arm_over_volts(volts=HOLDS_AT_V)
        supply.set_volts(volts=TRY_VOLTS)
        trial = _Trial(supply, seconds, partial(supply_runs, supply), partial(_no_current, supply, zero))
        seen = _tried(place, trial, f"at {TRY_VOLTS:g} V")
        supply.set_volts(volts=max(0.0, supply.dialect.volts.least or 0.0))
        if supply.dialect.over_volts is not None:
            supply.arm_over_volts(volts=float(held["over_volts"]))
        supply.set_amps(amps=float(held["amps"]))
    return _told(place, seen)


def _seconds(place: Place, driver: Supply | Load) -> float | None:
    """What a run would set it to; ``None`` where no run would arm it."""
    if not driver.has_watchdog:
        return None
    try:
        return seconds_for(driver, clock=place.clock, period_s=place.bench.loop_period_s)
    except OutOfRange:
        return None


def _no_current(supply: Supply, zero: float) -> bool:
    return supply_off(supply) and abs(supply.measure_amps()) <= zero


def _tried(place: Place, trial: _Trial, at: str) -> Seen:
    driver, seconds = trial.driver, trial.seconds
    if driver.expired() is not None:  # of an earlier run that died
        driver.clear_watchdog()
    place.note("intent", sync=True, text=f"{trial.name}: told nothing {at} until its own watchdog expires")
    with _as_found(driver), off_again(driver):
        held_s = driver.arm_watchdog(seconds=seconds)
        place.switch_on(driver)
        place.pause(SETTLE_S)
        trial.runs()
        _silent(place, SHORT_SHARE * held_s)
        if trial.off():
            raise SelfTestFailed(
                f"{trial.name}: went off within {SHORT_SHARE * held_s:g} s, its own watchdog was set to {held_s:g} s: "
                "it would end good runs; take [watchdog] out of its dialect and stay with it"
            )
        volts = trial.runs()
        spoken_s = place.clock.instant()
        _silent(place, held_s + LATE_S)
        _see_expired(place, trial, held_s, spoken_s)
        stays_off(place, trial.name, "watchdog", trial.off)
        _see_open(driver, volts)
        _clear(driver)
    return Seen(trial.name, WHAT, volts, held_s, held_s + LATE_S)


def _silent(place: Place, seconds: float) -> None:
    """Let time pass and say nothing to anybody: on one line there may be several."""
    until_s = place.clock.instant() + seconds
    while (left_s := until_s - place.clock.instant()) > 0.0:
        place.pause(min(STEP_S, left_s))


def _see_expired(place: Place, trial: _Trial, held_s: float, spoken_s: float) -> None:
    after_s = place.clock.instant() - spoken_s
    if not trial.off():
        raise SelfTestFailed(
            f"{trial.name}: its own watchdog was set to {held_s:g} s, read back, and it is still on {after_s:.1f} s "
            "after it was last told anything: it does not act, or comes on again once it is spoken to; take [watchdog] "
            "out of its dialect"
        )
    dog = trial.driver.dialect.watchdog
    if dog is not None and dog.trip is not None and trial.driver.expired() is None:
        raise SelfTestFailed(
            f"{trial.name}: is off and does not say that its watchdog expired: look up [watchdog.trip] of its dialect"
        )


def _see_open(driver: Supply | Load, before: float) -> None:
    """With nothing connected no current shows that an output is open: its volts must run down."""
    if isinstance(driver, Load):
        return
    volts = driver.measure_volts()
    if not volts <= FELL_TO * before:
        raise SelfTestFailed(
            f"{driver.name}: says that its watchdog switched it off and holds {volts:.2f} V of {before:.2f} V: it does "
            "not act"
        )


def _clear(driver: Supply | Load) -> None:
    """Clear it and see that nothing comes back. What its dialect says does not come back is not told off before."""
    dog = driver.dialect.watchdog
    if dog is None or not dog.clears:
        return
    try:
        driver.clear_watchdog(off_first=dog.restores_output)
    except ReadBackMismatch as fault:
        out = "even though off was said first: take [watchdog] out of its dialect"
        remedy = out if dog.restores_output else "write restores_output = true in [watchdog] of its dialect"
        raise SelfTestFailed(f"{fault}; {remedy}") from fault


@contextmanager
def _as_found(driver: Supply | Load) -> Iterator[None]:
    """Its time as it was found, and disarmed, on every way out."""
    seconds = driver.watchdog_s()
    try:
        yield
    except BaseException:
        with suppress(*READ_ERRORS):
            driver.disarm_watchdog()
            driver.set_watchdog_s(seconds=seconds)
        raise
    driver.disarm_watchdog()
    driver.set_watchdog_s(seconds=seconds)


def _told(place: Place, seen: Seen) -> Seen:
    return place.told(
        seen,
        f"its own watchdog of {seen.level:g} s switched it off, within {seen.took_s:g} s after it was last told "
        "anything, and it stayed off",
    )
