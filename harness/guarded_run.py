"""Which guard a run gets, and what is said of it in the record."""

from __future__ import annotations

import hashlib

import msgspec

from harness.bench import Bench
from harness.folder import RunFolder
from harness.guard_orders import NoGuard
from harness.guarding import GuardLink, start, why_not
from harness.job import Ready
from harness.locks import BenchLock
from harness.person import PATIENCE_S

GUARD_LOG = "guard.log"

LONGER = 3.0
SPARE_S = 7200.0
"""The guard's own end of a run: so many times what is forecast, and this on top, s (judgement). Interlocks of the run
itself end a block long before; this is for a run that goes on and on and looks well."""


def guard_for(ready: Ready, bench: Bench, folder: RunFolder, lock: BenchLock) -> GuardLink | None:
    """Arm the guard of this run; ``None`` on a bench in memory, and in an attended run on a system that has none.
    Raises ``NoGuard``."""
    if (why := why_not()) and not ready.job.unattended:
        bench.note("guard", armed=False, text=why)
        return None
    speed = machine_speed(bench)
    link = start(
        bench.rig,
        limits_hash=lambda: limits_hash(ready),
        journal=folder.path / GUARD_LOG,
        longest_s=longest_s(ready) / speed,
        period_s=bench.period_s / speed,
        live_notes=lock.live_notes(),
    )
    if link is None:
        return None
    bench.note("guard", sync=True, armed=True, pid=link.pid, unreachable=list(link.unreachable))
    if link.unreachable and ready.job.unattended:
        link.bye(off=True)
        raise NoGuard(f"guard: {'; '.join(link.unreachable)}; stay with this run (without --unattended)")
    return link


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
