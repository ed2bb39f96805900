"""``nightbench stops``: the supply's own over-volts stop, and its watchdog where it has one, made to act with nothing
connected, and remembered."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from drivers.supply import Supply
from harness import stops_seen
from harness.clock import WallClock
from harness.config import load_bench
from harness.connect import Connection, connect
from harness.errors import PreflightRefused, SelfTestFailed, UserError
from harness.lines import wrapped
from harness.locks import BenchLock
from harness.person import HandsRefused, Person, ServedPerson, SimulatedPerson
from harness.plain import safe_text
from harness.preflight_check import refuse_if_bad
from harness.preflight_instruments import look_at_instruments
from harness.rig import READ_ERRORS
from harness.show import SIMULATED
from harness.signals import StopFlag
from harness.stop_trial import Place, Seen
from harness.stops_tried import try_supply_stop
from harness.watchdog_tried import WHAT, try_supply_watchdog

Say = Callable[[str], None]

NAMED = Path("a trial of its stops")
"""What stands in the note that a bench may be live, in the place of a run's folder."""


class Stopped(UserError):
    """A person ended the trial; its output is off."""

    exit_code = 20


class Lost(UserError):
    """The supply did not answer in the middle of it."""

    exit_code = 23


def try_stops(bench: str, *, out: Say, err: Say) -> int:
    """Have the over-volts stop act, then the watchdog; 0 when they did. Raises ``UserError``: 11 where one cannot be
    tried, 40 where one does not act, 20 and 23 as a run does."""
    lock = BenchLock(load_bench(bench))
    lock.acquire()
    try:
        lock.check_closed()
        with StopFlag(on_signal=lambda name: err(f"{name}: the supply goes off first")) as flag:
            connection = connect(lock.bench_file)
            try:
                lock.acquire_identities(connection.identities())
                with _nothing_on_it(connection):
                    out(_told(connection, _tried(connection, lock, flag)))
            finally:
                connection.close()
    finally:
        lock.release()
    return 0


def _tried(connection: Connection, lock: BenchLock, flag: StopFlag) -> tuple[tuple[Seen, bool], ...]:
    """What acted, each with whether that is remembered."""
    rig = connection.rig
    assert rig is not None
    refuse_if_bad(tuple(look_at_instruments(rig)))
    supply, entry = rig.supply, connection.bench_file.one("supply")
    if supply is None or entry is None:
        raise PreflightRefused(f"{connection.bench_file.path}: no supply on this bench: nothing to try")

    def pause(seconds: float) -> None:
        connection.clock.sleep(seconds, stop=flag.asked)
        if flag.asked():
            raise Stopped(f"stopped by a person ({flag.name}); the supply was switched off")

    place = Place(connection.bench_file, rig, connection.clock, lambda *words, **more: None, pause)
    found: list[tuple[Seen, bool]] = []
    lock.mark_live(NAMED)
    try:
        for what, try_it in (("over-volts", try_supply_stop), (WHAT, try_supply_watchdog)):
            try:
                seen = try_it(place)
            except SelfTestFailed:
                stops_seen.forget(supply.identity, entry=entry, what=what)
                raise
            if seen is not None:
                kept = stops_seen.remember(supply.identity, entry=entry, what=what, now=WallClock().utc())
                found.append((seen, kept))
    except READ_ERRORS as error:
        raise Lost(
            f"{error}; look at the supply, then `nightbench safe --bench {connection.bench_file.path}`"
        ) from error
    finally:
        if _is_off(supply):
            lock.mark_off()
    return tuple(found)


def _is_off(supply: Supply) -> bool:
    try:
        return not supply.output_is_on()
    except READ_ERRORS:
        return False


@contextmanager
def _nothing_on_it(connection: Connection) -> Iterator[None]:
    """On a simulated bench its own hands take off what hangs on it, and put the pack back; a real one is looked at."""
    rig = connection.rig
    person: Person | None = None
    if rig is not None and rig.simulated:
        control = connection.bench_file.clock.control
        if connection.sim is not None:
            person = SimulatedPerson(connection.sim)
        elif control:
            person = ServedPerson(control)
    if person is None:
        yield
        return
    try:
        person.order("wire none")
    except HandsRefused as error:
        raise PreflightRefused(f"the simulated bench: {error}; nothing was switched on") from error
    try:
        yield
    except BaseException:
        with suppress(HandsRefused):  # a live output may be why; what went wrong says more
            person.order("wire pack")
        raise
    try:
        person.order("wire pack")
    except HandsRefused as error:
        raise Lost(f"the simulated bench: {error}") from error


def _told(connection: Connection, found: tuple[tuple[Seen, bool], ...]) -> str:
    rig = connection.rig
    assert rig is not None
    mark = f"{SIMULATED}: " if rig.simulated else ""
    days = stops_seen.VALID.days
    lines = [mark + _acted(seen) for seen, _ in found]
    kept = all(kept for _, kept in found)
    lines += [
        f"remembered for {days} days" if kept else "not remembered: it states no serial number, or is in memory only",
        "the load's own stops are made to act by each run --unattended itself, or remembered as long",
    ]
    dogs = [driver.name for driver in (rig.supply, rig.load) if driver is not None and driver.has_watchdog]
    if not dogs:
        lines.append(
            "no dialect of this bench has a [watchdog], by which an instrument switches off where the computer dies: "
            "see its manual"
        )
    return wrapped(safe_text(line) for line in lines)


def _acted(seen: Seen) -> str:
    if seen.what == WHAT:
        return (
            f"{seen.instrument}: its own watchdog of {seen.level:g} s switched it off within {seen.took_s:g} s after "
            "it was last told anything, and it stayed off, also when that was cleared; it is disarmed again"
        )
    return (
        f"{seen.instrument}: its own {seen.what} stop acted {seen.took_s:.1f} s after it was set to "
        f"{seen.level:g} V with {seen.volts:.2f} V there, and stayed off; it is set as before"
    )
