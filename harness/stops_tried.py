"""The instruments' own stops, made to act for real: the limit is moved past the live value, never the other way round.

A load's low-volts stop at 0.1 A from the pack; a supply's over-volts stop at 5 V with nothing connected. That a limit
was accepted and reads back says nothing about whether it acts, nor about whether the instrument stays off afterwards:
both are looked at here. Whatever was changed is put back and read back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial

from drivers.faults import InstrumentFault
from drivers.load import Load
from drivers.meter import Meter
from drivers.supply import Supply
from harness.arming import LOW_STOP_DELAY_S, arm_load
from harness.errors import PreflightRefused, SelfTestFailed
from harness.limits import own_low_stop_volts
from harness.preflight_node import FAR_SIDE_V
from harness.rig import READ_ERRORS
from harness.site import Site
from harness.stop_trial import Place, Seen
from harness.zero_amps import zero_limits

TRY_AMPS = 0.1
"""Current at which a load's stop is tried, A; more where its ammeter could not tell that from none."""

TRY_VOLTS = 5.0
TRIPS_AT_V = 4.0
HOLDS_AT_V = 6.0
"""A supply's output while its stop is tried, and the levels of the stop under and over it, V."""

SETTLE_S = 1.0
ACTS_WITHIN_S = 3.0
"""So long after its own delay a stop must have acted, s (judgement)."""

STAYS_OFF_S = 4.0
"""So long it is watched with its level put back: one that resumes does so at once or within a second or two."""

LOOK_EVERY_S = 0.25


# -- the load ----------------------------------------------------------------------------------------------------------


def try_load_stop(place: Place, site: Site) -> Seen:
    """Have the load's own low-volts stop end a small discharge of the pack, and see that it stays ended.

    Its trip is still there afterwards (``clear_trip``). Raises ``SelfTestFailed`` when it does not act or resumes, and
    what drivers raise. The input is off again whatever comes of it.
    """
    load, entry = place.rig.load, place.bench.one("load")
    if load is None or entry is None:
        raise PreflightRefused("bench: no load whose stop could be tried")
    zero = zero_limits(place.bench)[load.name]
    amps = min(max(TRY_AMPS, 3.0 * zero, load.dialect.amps.least or 0.0), site.envelope.amps_max)
    arm_load(load, site=site, note=place.note, amps=amps)
    level_before = own_low_stop_volts(site.envelope, lead_ohm=entry.lead_ohm, amps=amps, sense=entry.sense)
    place.note("intent", sync=True, text=f"{load.name}: its own low-volts stop is tripped at {amps:g} A")
    with off_again(load):
        place.switch_on(load)
        place.pause(SETTLE_S)
        volts = load_runs(load, amps=amps)
        level = load.arm_low_volts(volts=_above(volts))
        took_s = _acts(place, load.name, partial(load_off, load, zero), _ignored(load.name, "low-volts", level, volts))
        load.arm_low_volts(volts=level_before)
        stays_off(place, load.name, "low-volts stop", partial(load_off, load, zero))
    seen = Seen(load.name, "low-volts", volts, level, took_s)
    _told(place, seen)
    return seen


def _above(volts: float) -> float:
    """A level that volts at no load do not reach either: the leads and the pack give back their drop."""
    return round(volts + max(0.3, 0.03 * volts), 2)


def load_runs(load: Load, *, amps: float) -> float:
    """Volts it sees while it takes the small current. Raises ``SelfTestFailed`` when it takes none."""
    seen, volts = load.measure_amps(), load.measure_volts()
    if not (0.5 * amps <= seen and load.input_is_on()):
        raise SelfTestFailed(
            f"{load.name}: {seen:.3f} A with its input on at {amps:g} A: its own stop cannot be tried; look at its "
            "panel, its leads and the fuse"
        )
    return volts


def load_off(load: Load, zero: float) -> bool:
    """It says off and takes no current."""
    return not load.input_is_on() and abs(load.measure_amps()) <= zero


def clear_trip(driver: Load | Supply) -> None:
    """Clear our own doing, output off and turned down. Raises ``PreflightRefused`` where the dialect cannot."""
    if driver.tripped() is None:
        return
    protection = driver.dialect.protection
    if protection is None or not protection.clears:
        raise PreflightRefused(
            f"{driver.name}: its own stop acted and stays latched, as it should, and dialect {driver.dialect.name} has "
            "no clear in [protection]: clear it at its panel and start again; that it acts is remembered"
        )
    driver.clear_protection()


# -- the supply --------------------------------------------------------------------------------------------------------


def try_supply_stop(place: Place) -> Seen:
    """Have the supply's own over-volts stop end an output of 5 V with nothing connected, and see that it stays ended.

    Raises ``PreflightRefused`` where something hangs on the node, or where it cannot be tried; else as for the load.
    """
    supply, entry = place.rig.supply, place.bench.one("supply")
    if supply is None or entry is None:
        raise PreflightRefused("bench: no supply whose stop could be tried")
    if supply.dialect.over_volts is None:
        raise PreflightRefused(f"{supply.name}: dialect {supply.dialect.name} has no [over_volts]: nothing to try")
    with sense_at_home(supply, remote=entry.sense == "remote"):
        nothing_connected(place)
        held = supply.state()
        place.note("intent", sync=True, text=f"{supply.name}: its own over-volts stop is tripped at {TRY_VOLTS:g} V")
        with off_again(supply):
            supply.set_amps(amps=max(TRY_AMPS, supply.dialect.amps.least or 0.0))
            supply.arm_over_volts(volts=HOLDS_AT_V)
            supply.set_volts(volts=TRY_VOLTS)
            place.switch_on(supply)
            place.pause(SETTLE_S)
            volts = supply_runs(supply)
            level = _moved_under(supply)
            off = partial(supply_off, supply)
            took_s = _acts(place, supply.name, off, _ignored(supply.name, "over-volts", level, volts))
            supply.arm_over_volts(volts=HOLDS_AT_V)
            stays_off(place, supply.name, "over-volts stop", off)
        clear_trip(supply)
        supply.set_volts(volts=max(0.0, supply.dialect.volts.least or 0.0))
        supply.arm_over_volts(volts=float(held["over_volts"]))
        supply.set_amps(amps=float(held["amps"]))
    seen = Seen(supply.name, "over-volts", volts, level, took_s)
    _told(place, seen)
    return seen


@contextmanager
def sense_at_home(supply: Supply, *, remote: bool) -> Iterator[None]:
    """Sense leads may go to a pack's terminals behind an open contactor: volts are then regulated at the output."""
    if not remote:
        yield
        return
    if supply.dialect.sense is None:
        raise PreflightRefused(
            f"{supply.name}: its sense leads are used and dialect {supply.dialect.name} has no [sense]: its stop "
            "cannot be tried with them on; it counts as declared only"
        )
    supply.set_sense(remote=False)
    try:
        yield
    finally:
        with suppress(*READ_ERRORS):  # every run sets it anew and reads it back
            supply.set_sense(remote=True)


def nothing_connected(place: Place) -> None:
    """Raise ``PreflightRefused`` when volts stand on the node: a pack there would be pushed, or push."""
    contactor = place.rig.switch("contactor")
    behind = contactor is not None
    if contactor is not None and contactor.is_on():
        raise PreflightRefused(
            f"{contactor.name}: the contactor is closed: open it; until then the supply's over-volts "
            "stop counts as declared only"
        )
    for entry in place.bench.instruments:
        driver = place.rig.drivers[entry.name]
        # Wired to the pack's own side of an open contactor; the supply's sense was just brought home.
        at_pack = behind and entry.role != "supply" and (entry.role == "meter" or entry.sense == "remote")
        if at_pack or not isinstance(driver, Supply | Load | Meter):
            continue
        volts = driver.measure_volts()
        if not abs(volts) <= FAR_SIDE_V:
            raise PreflightRefused(
                f"{entry.name} reads {volts:.2f} V, limit {FAR_SIDE_V:g} V: something hangs on the node, and the "
                "supply's over-volts stop is tried with nothing connected only: take the fuse out, or open the "
                "contactor; until then it counts as declared only"
            )


def supply_runs(supply: Supply) -> float:
    """Volts it holds with nothing connected. Raises ``PreflightRefused`` where it is not so."""
    volts = supply.measure_volts()
    if not abs(volts - TRY_VOLTS) <= 0.1 * TRY_VOLTS or not supply.output_is_on():
        raise PreflightRefused(
            f"{supply.name}: {volts:.2f} V at a set {TRY_VOLTS:g} V and {TRY_AMPS:g} A: something hangs on the node, "
            "or it went off; take everything off its terminals and start again"
        )
    return volts


def _moved_under(supply: Supply) -> float:
    """The stop moved under the volts that are there."""
    try:
        return supply.arm_over_volts(volts=TRIPS_AT_V)
    except InstrumentFault as fault:
        raise PreflightRefused(
            f"{supply.name}: takes no over-volts level under its volts ({fault}): it cannot be tried this way; "
            "it counts as declared only"
        ) from fault


def supply_off(supply: Supply) -> bool:
    """Whether it says off."""
    return not supply.output_is_on()


# -- both --------------------------------------------------------------------------------------------------------------


@contextmanager
def off_again(driver: Load | Supply) -> Iterator[None]:
    """Off on every way out; the bench's own nets stand behind this one."""
    try:
        yield
    except BaseException:
        with suppress(*READ_ERRORS):
            driver.off()
            driver.switch(False)
        raise
    driver.switch(False)


def _acts(place: Place, name: str, off: Callable[[], bool], failed: str) -> float:
    """Seconds until it was off by itself. Raises ``SelfTestFailed``."""
    began = place.clock.instant()
    longest_s = LOW_STOP_DELAY_S + ACTS_WITHIN_S
    while place.clock.instant() - began <= longest_s:
        place.pause(LOOK_EVERY_S)
        if off():
            return place.clock.instant() - began
    raise SelfTestFailed(f"{failed} after {longest_s:g} s: it does not act, and must never be left alone")


def _ignored(name: str, what: str, level: float, volts: float) -> str:
    return f"{name}: its own {what} stop was set to {level:g} V with {volts:.2f} V there, read back, and it is still on"


def stays_off(place: Place, name: str, what: str, off: Callable[[], bool]) -> None:
    """Watch that it stays so. Raises ``SelfTestFailed``."""
    began = place.clock.instant()
    while place.clock.instant() - began <= STAYS_OFF_S:
        place.pause(LOOK_EVERY_S)
        if not off():
            after = place.clock.instant() - began
            raise SelfTestFailed(
                f"{name}: came on again by itself {after:.1f} s after its own {what} had switched it off: it "
                "resumes and must never be left alone; use one that latches, or stay with it"
            )


def _told(place: Place, seen: Seen) -> None:
    place.told(
        seen,
        f"its own {seen.what} stop acted {seen.took_s:.1f} s after it was moved past the live value, and stayed off",
    )
