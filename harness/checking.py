"""``nightbench check``, and how command-line words become a job."""

from __future__ import annotations

from pathlib import Path

import click

from harness.config import load_bench
from harness.connect import connect
from harness.errors import Usage
from harness.keys import nearest
from harness.locks import BenchLock
from harness.plain import safe_text
from harness.preflight import Check, look_at_instruments
from harness.procedure import procedures
from harness.run import Job, check, prepare
from harness.screen import wrapped
from harness.unattended import obstacles


def job_for(
    procedure: str,
    *,
    bench: str,
    pack: str | None,
    sets: tuple[str, ...],
    out: str = "runs",
    unattended: bool = False,
) -> Job:
    """A job from words. Raises ``Usage`` for an unknown procedure or a missing pack file."""
    known = procedures()
    if procedure not in known:
        near = nearest(procedure, tuple(known))
        hint = f"did you mean {near}? " if near else ""
        raise Usage(f"{procedure}: no such procedure; {hint}there are: {', '.join(known)}")
    if pack is None:
        raise Usage(f"{procedure}: --pack FILE is missing; `nightbench new pack FILE` writes one to fill in")
    return Job(known[procedure], Path(bench), Path(pack), sets, Path(out), unattended)


def check_bench(procedure: str, *, bench: str, pack: str | None, sets: tuple[str, ...], unattended: bool) -> int:
    """Print every check; the exit code is 0, or 11 when something was refused."""
    if pack is None:
        checks = _instruments_only(bench)
    else:
        ready = prepare(job_for(procedure, bench=bench, pack=pack, sets=sets))
        checks = check(ready)
        if unattended:
            charging = "supply" in ready.job.procedure.needs(ready.plan)
            found = obstacles(ready.site, charging=charging, plan=ready.plan)
            checks = (*checks, *(Check("unattended", "refused", text) for text in found))
    for item in checks:
        click.echo(wrapped((f"{item.word:<8} {safe_text(item.what)}: {safe_text(item.text)}",)))
    bad = sum(item.word == "refused" for item in checks)
    click.echo("nothing was switched on; " + (f"{bad} refused" if bad else "good to go"))
    return 11 if bad else 0


def _instruments_only(bench: str) -> tuple[Check, ...]:
    bench_file = load_bench(bench)
    lock = BenchLock(bench_file)
    lock.acquire()
    try:
        connection = connect(bench_file)
        try:
            assert connection.rig is not None
            return tuple(look_at_instruments(connection.rig))
        finally:
            connection.close()
    finally:
        lock.release()
