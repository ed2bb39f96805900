"""Which guard a run gets, and what is said of it in the record."""

from __future__ import annotations

import hashlib
from collections.abc import Callable

import msgspec

from harness.bench import Bench
from harness.connect import Connection
from harness.errors import SelfTestFailed, UserError
from harness.folder import RunFolder
from harness.guard_orders import NoGuard
from harness.guarding import Arm, GuardLink, armed, start, why_not
from harness.job import Ready
from harness.locks import BenchLock
from harness.person import PATIENCE_S
from harness.rehearsal import GUARD_LOG, NotInMemory, in_memory, rehearse
from harness.result import Guarded, Rehearsed
from harness.tape import COMPUTER

REHEARSING = "the guard is made to act for real, three times over, at 80 mA: this takes some 15 s"

LONGER = 3.0
SPARE_S = 7200.0
"""The guard's own end of a run: so many times what is forecast, and this on top, s (judgement). Interlocks of the run
itself end a block long before; this is for a run that goes on and on and looks well."""


def guard_for(ready: Ready, bench: Bench, folder: RunFolder, lock: BenchLock, arm: Arm = armed) -> GuardLink | None:
    """Arm the guard of this run; ``None`` on a bench in memory, and in an attended run on a system that has none.
    Raises ``NoGuard``."""
    tape = bench.clock.tape
    if (why := tape.came(COMPUTER, "no guards here", why_not, nothing="")) and not ready.job.unattended:
        _tell(bench, Guarded(armed=False, note=why))
        return None
    speed = machine_speed(bench)
    link = start(
        bench.rig,
        limits_hash=lambda: limits_hash(ready),
        journal=folder.path / GUARD_LOG,
        longest_s=longest_s(ready) / speed,
        period_s=bench.period_s / speed,
        live_notes=lock.live_notes(),
        arm=arm,
        tape=tape,
    )
    if link is None:
        return None
    if link.unreachable and ready.job.unattended:
        link.bye(off=True)
        raise NoGuard(f"guard: {'; '.join(link.unreachable)}; stay with this run (without --unattended)")
    pid = tape.answer(COMPUTER, "pid of the guard", lambda: link.pid, absent=lambda: 0)
    _tell(bench, Guarded(armed=True, unreachable=link.unreachable), pid=pid)
    return link


def _tell(bench: Bench, guarded: Guarded, **more: object) -> None:
    """Into the record, and kept for the result."""
    bench.guarded_by = guarded
    told = {"armed": guarded.armed, "unreachable": list(guarded.unreachable), "text": guarded.note, **more}
    bench.note("guard", sync=True, **told)


def guarded(
    ready: Ready,
    connection: Connection,
    bench: Bench,
    folder: RunFolder,
    lock: BenchLock,
    *,
    say: Callable[[str], None],
    stopped: Callable[[], bool],
    arm: Arm = armed,
) -> UserError | None:
    """Give the run its guard; before one that is left alone it is seen to act. Whatever goes wrong with that is handed
    back, and nothing of the run itself has been energised."""
    rehearsed: tuple[Rehearsed, ...] = ()
    words = ""
    try:
        if ready.job.unattended:
            try:
                if not in_memory(ready):
                    say(REHEARSING)
                rehearsed = rehearse(ready, connection, folder, note=bench.note, stopped=stopped)
            except NotInMemory as why:
                words = str(why)
                bench.note("rehearsed", text=words)
        bench.guard_with(guard_for(ready, bench, folder, lock, arm))
        if bench.guarded_by is not None and bench.guarded_by.unreachable:
            say(f"note: guard: {'; '.join(bench.guarded_by.unreachable)}")
    except (NoGuard, SelfTestFailed) as error:
        return error
    if bench.guarded_by is not None or words:
        bench.guarded_by = msgspec.structs.replace(
            bench.guarded_by or Guarded(armed=False), rehearsed=rehearsed, note=words
        )
    return None


def machine_speed(bench: Bench) -> float:
    """Bench seconds a second of the machine."""
    return float(getattr(bench.clock, "speed", 1.0))


def longest_s(ready: Ready) -> float:
    """Bench time after which a run has gone on for too long, s."""
    forecast = ready.forecast
    return LONGER * forecast.seconds + SPARE_S + PATIENCE_S * len(forecast.asks)


def limits_hash(ready: Ready) -> str:
    """Of the limits in force now."""
    return hashlib.sha256(msgspec.json.encode(ready.site.envelope)).hexdigest()
