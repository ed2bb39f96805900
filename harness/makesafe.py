"""``nightbench safe``: everything off, in order, confirmed; it trusts no record and waits for no lock to act."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace

from harness.astray import astray, still_joined
from harness.clock import WallClock
from harness.config import BenchFile, load_bench
from harness.connect import Connection, connect
from harness.errors import Busy, Usage
from harness.lines import wrapped
from harness.locks import BenchLock
from harness.person import ORDERS
from harness.plain import safe_text
from harness.safeoff import Before, OffReport, SafeOff
from harness.show import SIMULATED
from harness.signals import StopFlag
from harness.stops import OFF_UNREADABLE, NotOff
from harness.unsafe import message
from harness.zero_amps import zero_limits

OTHER_RUN_WAIT_S = 15.0
"""Real seconds given to a run that holds this bench to notice that it was switched off, and to end."""

POLL_S = 0.5

NOTHING_DONE = "nothing was switched off: treat the bench as live, use its emergency off or pull the fuse"

HELD_BY_A_PACK = (
    "the last run here was on a UPS; a pack wired up since holds the node up as well: look at the bench, then add "
    "--seen-off and the serial number of supply or load"
)

Say = Callable[[str], None]


def make_safe(bench: str, *, out: Say, err: Say, seen_off: str = "") -> int:
    """Drive the bench off; the exit code is 0 when that is confirmed, 90 or 99 when not.

    After an off that the pack's volts contradicted, the instruments' word alone is not enough: the pack's volts must
    show it, or a person who has looked types a serial number of this bench as ``seen_off``.
    12 when it was confirmed but a run that may switch on again still holds the bench. ``out`` and ``err`` print.
    """
    try:
        bench_file = load_bench(bench)
    except Usage as error:
        raise Usage(f"{error}; {NOTHING_DONE}") from error
    # Whoever presses Ctrl-C here wants it off all the more: it is not cut short.
    with StopFlag(on_signal=lambda name: err(f"{name}: still switching off; it ends by itself")):
        lock = BenchLock(bench_file)
        connection = _reach(bench_file, subject=lock.subject())
        try:
            vouched = _vouched(connection, seen_off)
            alone = _held(lock)
            report = _seen_off(lock, connection, vouched, out, err)
            if report.confirmed and not (alone and _held_by_whatever_address(lock, connection)):
                if (busy := _take(lock, connection)) is not None:
                    err(f"nightbench: off is confirmed now, but {busy}, and may switch on again")
                    return Busy.exit_code
                # Whoever held it may have switched on since, and died of something that left it on.
                report = _seen_off(lock, connection, vouched, out, err)
            if not report.confirmed:
                return _not_confirmed(bench_file, connection, report, err)
            lock.mark_off()
            return _confirmed(connection, out)
        finally:
            lock.release()
            connection.close()


def _reach(bench_file: BenchFile, *, subject: str) -> Connection:
    try:
        return connect(bench_file, lenient=True, subject=subject)
    except Usage as error:
        raise Usage(f"{error}; {NOTHING_DONE}") from error


def _vouched(connection: Connection, seen_off: str) -> bool:
    """Whether ``seen_off`` is the serial number of one of the bench's outputs. Raises ``Usage`` when it is not."""
    if not seen_off:
        return False
    rig = connection.rig
    assert rig is not None
    serials = {}
    for name in filter(None, (rig.supply_name, rig.load_name)):
        with suppress(Exception):  # whoever does not answer has no serial number to compare
            serials[name] = rig.drivers[name].identity.serial
    if seen_off not in serials.values():
        text = f"--seen-off {seen_off}: no output of this bench has that serial; read it off the instrument"
        raise Usage(f"{text}; {NOTHING_DONE}")
    return True


def _seen_off(lock: BenchLock, connection: Connection, vouched: bool, out: Say, err: Say) -> OffReport:
    """Switch off and say how that went, where it was confirmed. ``vouched``: somebody has looked."""
    # They say more than the volts of a node: nothing is asked of it then.
    before = Before("rest" if vouched else "unknown")
    report, errors = _off(connection, err, before, None if vouched else lock.doubt())
    if report.confirmed and not vouched:
        report = _on_this_pack(connection, report, err)
    if report.confirmed:
        for text in errors:
            err(wrapped((text,)))
        out(wrapped(safe_text(line) for line in report.lines))
    return report


def _off(
    connection: Connection, err: Say, before: Before, doubt: dict[str, float | str] | None
) -> tuple[OffReport, list[str]]:
    """How it went, and what went wrong on the way, each once."""
    assert connection.rig is not None
    errors: dict[str, None] = {}

    def note(kind: str, **fields: object) -> None:
        if kind == "instrument error":
            errors[safe_text(f"{fields.get('instrument', '')}: {fields.get('text', '')}")] = None

    err("switching everything off, then confirming it; this takes up to 15 s")
    zero = zero_limits(connection.bench_file)
    off = SafeOff(
        rig=connection.rig,
        clock=connection.clock,
        note=note,
        zero_amps=zero,
        by_hand=lambda: err(f"\a>>> {ORDERS['mains off']}: no switch of this bench does it"),
    )
    if doubt is not None:
        err("an earlier off was contradicted by the pack's volts: only they, or --seen-off SERIAL, can confirm it now")
        off.doubt(Before(**doubt))  # type: ignore[arg-type]
    return off.drive(before), list(errors)


def _on_this_pack(connection: Connection, report: OffReport, err: Say) -> OffReport:
    """The same report, unless what says that it is off is not on this pack."""
    assert connection.rig is not None
    if (words := still_joined(connection.rig)) is not None:
        err(wrapped((safe_text(words),)))
    found = astray(connection.rig)
    if found is None:
        return report
    name, words = found
    return replace(report, word="not confirmed", lines=(*report.lines, words), suspects=(name,))


def _not_confirmed(bench_file: BenchFile, connection: Connection, report: OffReport, err: Say) -> int:
    assert connection.rig is not None
    text = message(connection.rig, report, fuse_amps=bench_file.fuse_amps, trying=False)
    err(wrapped(safe_text(line) for line in text.splitlines()))
    if connection.rig.subject == "ups":
        err(wrapped((HELD_BY_A_PACK,)))
    return OFF_UNREADABLE if report.word == "unreadable" else NotOff.exit_code


def _confirmed(connection: Connection, out: Say) -> int:
    assert connection.rig is not None
    mark = f"{SIMULATED}: " if connection.rig.simulated else ""
    lines = [f"{mark}off, confirmed; measure before touching, and disconnect the pack: an idle supply drains it"]
    if connection.rig.switch("mains") is None:
        lines.append(
            "no switch for a UPS's mains here: where one hangs on the leads, its charger drives them until its "
            "plug is pulled"
        )
    out(wrapped(lines))
    return 0


def _held(lock: BenchLock) -> bool:
    """Whether the bench is nobody else's while it is switched off, nor will be; not waited for, and nobody is asked."""
    with suppress(Busy, Usage):
        lock.acquire()
        return True
    return False


def _held_by_whatever_address(lock: BenchLock, connection: Connection) -> bool:
    """The same of the instruments themselves: a run may have one of them by another address."""
    with suppress(Busy, Usage):
        lock.acquire_identities(connection.identities())
        return True
    return False


def _take(lock: BenchLock, connection: Connection) -> str | None:
    """Take the locks, giving a run that holds them time to end; who holds them, when it does not."""
    clock = WallClock()
    while True:
        try:
            lock.acquire()
            lock.acquire_identities(connection.identities())
            return None
        except Busy as error:
            if clock.now() >= OTHER_RUN_WAIT_S:
                return str(error).partition(": ")[2].partition(", which")[0]
        clock.sleep(POLL_S)
