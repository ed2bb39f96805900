"""Looking at the instruments before a run: who answers, as what, off and untripped. Questions only."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import suppress
from itertools import combinations

from drivers.contact import Contact
from drivers.faults import InstrumentFault
from drivers.load import Load
from drivers.meter import Meter
from drivers.scpi import InstrumentError
from drivers.shunt import ShuntMeter
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from drivers.wire import WireError
from harness.preflight_check import Check
from harness.rig import READ_ERRORS, Driver, Rig


def look_at_instruments(rig: Rig) -> Iterator[Check]:
    """Who answers, whether as what the bench file says, whether it is off and untripped. Questions only."""
    for name, driver in rig.drivers.items():
        entry = next(e for e in rig.bench_file.instruments if e.name == name)
        where = f"{name} ({entry.address})"
        identity = driver.identity
        words = f"{identity.maker} {identity.model}, serial {identity.serial}"
        old: tuple[InstrumentError, ...] = ()
        expired: str | None = None
        try:
            old = driver.errors()
            on, trip = _ask_all(driver)
            expired = driver.expired() if isinstance(driver, Supply | Load) else None
            # Asked now, so that what these very questions caused is told apart from what lay there before.
            new = driver.errors()
        except READ_ERRORS as error:
            text = f"{words} does not answer as a {entry.role}: {_short(error)}; {_CHECK_ADDRESS}"
            yield Check(where, "refused", text)
            continue
        if new:
            text = f"{words} does not understand the questions of a {entry.role} ({new[0]}); {_CHECK_ADDRESS}"
            yield Check(where, "refused", text)
        elif on:
            yield Check(where, "refused", f"{ON_ALREADY}; {_make_safe(rig)}")
        elif trip:
            yield Check(where, "refused", f"{trip}; find out why, clear it at the instrument, then start again")
        else:
            yield Check(where, "good", words)
        if expired:
            text = f"{expired}, as after a run that died; it is cleared, with its output off, before it is used"
            yield Check(where, "note", text)
        if old:
            yield Check(where, "note", f"old entries in its error queue: {'; '.join(str(e) for e in old)}")
    yield from _twice_the_same(rig)


def on_meanwhile(rig: Rig, checks: Iterable[Check]) -> Iterator[Check]:
    """Who is on by now and was not told so by ``checks``. Who does not answer has been refused for that."""
    known = {check.what for check in checks if check.text.startswith(ON_ALREADY)}
    for name, driver in rig.drivers.items():
        entry = next(e for e in rig.bench_file.instruments if e.name == name)
        where = f"{name} ({entry.address})"
        with suppress(*READ_ERRORS):
            if where not in known and _ask_on(driver):
                yield Check(where, "refused", f"{ON_BY_NOW}; {_make_safe(rig)}")


ON_ALREADY = "is on already, not by this run"
ON_BY_NOW = "is on by now, not by this run: it came on while the bench was looked at"


def _make_safe(rig: Rig) -> str:
    return f"look at the bench, then `nightbench safe --bench {rig.bench_file.path}`"


_CHECK_ADDRESS = "check address and dialect in the bench file"


def _ask_all(driver: Driver) -> tuple[bool, str | None]:
    """Put every question of its role once: (is it on, what has tripped)."""
    if isinstance(driver, Supply | Load):
        driver.state()
        return _ask_on(driver), driver.tripped()
    if isinstance(driver, Contact):
        driver.closed()
    elif isinstance(driver, Meter):
        driver.measure_volts()
    elif isinstance(driver, ShuntMeter):
        driver.measure_amps()
    elif not isinstance(driver, PowerSwitch):
        driver.measure_temp_c()
    return _ask_on(driver), None


def _ask_on(driver: Driver) -> bool:
    """Whether it has an output, and that is on."""
    if isinstance(driver, Supply):
        return driver.output_is_on()
    if isinstance(driver, Load):
        return driver.input_is_on()
    return isinstance(driver, PowerSwitch) and driver.is_on()


def _short(error: Exception) -> str:
    """The error without the instrument's name and address, which stand before it already."""
    if isinstance(error, WireError):
        return f"{error.sent.decode('ascii', 'replace').strip()} got {error.why.partition(';')[0]}"
    if isinstance(error, InstrumentFault):
        return f"{error.sent} got {error.why if error.received is None else f'{error.received!r}, {error.why}'}"
    return str(error)


def _twice_the_same(rig: Rig) -> Iterator[Check]:
    for (one, driver), (other, again) in combinations(rig.drivers.items(), 2):
        if driver.identity == again.identity and type(driver) is not type(again):
            text = f"answers with the very identity of {other}, serial {again.identity.serial}; correct the addresses"
            yield Check(one, "refused", text)
