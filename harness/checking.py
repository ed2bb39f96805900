"""``nightbench check``, and how command-line words become a job."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from harness.alarms import alarm_checks
from harness.barriers import Tried
from harness.briefing import barrier_lines
from harness.clock import WallClock
from harness.config import load_bench
from harness.connect import SIMULATED_MAKER, connect
from harness.errors import Usage
from harness.job import Job, Ready, prepare
from harness.keys import nearest
from harness.lines import wrapped
from harness.locks import BenchLock
from harness.plain import safe_text
from harness.preflight_check import Check
from harness.preflight_instruments import look_at_instruments
from harness.procedure import Procedure, procedures
from harness.rig import Rig
from harness.run import check
from harness.show import SIMULATED
from harness.unattended import by_instruments, computer_obstacles, obstacles, said_by


def job_for(
    procedure: str,
    *,
    bench: str,
    pack: str | None,
    ups: str | None = None,
    sets: tuple[str, ...],
    out: str = "runs",
    unattended: bool = False,
) -> Job:
    """A job from words. Raises ``Usage`` for an unknown procedure or for the file of what it is about missing."""
    found = _procedure(procedure)
    for subject, given in (("pack", pack), ("ups", ups)):
        if found.subject == subject and given is None:
            hint = f"`nightbench new {subject} FILE` writes one to fill in"
            raise Usage(f"{procedure}: --{subject} FILE is missing; {hint}")
    files = [None if file is None else Path(file) for file in (pack, ups)]
    return Job(found, Path(bench), files[0], sets, Path(out), unattended, ups=files[1])


def _procedure(name: str) -> Procedure:
    known = procedures()
    if name not in known:
        near = nearest(name, known)
        hint = f"did you mean {near}? " if near else ""
        raise Usage(f"{safe_text(name)}: no such procedure; {hint}there are: {', '.join(known)}")
    return known[name]


def check_bench(
    procedure: str,
    *,
    bench: str,
    pack: str | None,
    ups: str | None = None,
    sets: tuple[str, ...],
    unattended: bool,
    out: str = "runs",
) -> tuple[str, int]:
    """What to print, and the exit code: 0, or 11 when something was refused. Raises ``UserError``."""
    subject = _procedure(procedure).subject
    given = {"pack": pack, "ups": ups}[subject]
    if given is None:
        if sets or unattended:
            raise Usage(f"check: --set and --unattended are about a run; add --{subject} FILE")
        checks = _instruments_only(bench)
    else:
        ready = prepare(job_for(procedure, bench=bench, pack=pack, ups=ups, sets=sets, out=out))
        if unattended:
            found, table = _left_alone(ready)
            found = (*found, *alarm_checks(ready.site.bench.alarms, unattended=True))
            text = wrapped(("barriers", *table, *_lines(found, with_pack=True)))
            return text, 11 if _refused(found) else 0
        checks = (*check(ready), *alarm_checks(ready.site.bench.alarms, unattended=False))
    return wrapped(_lines(checks, with_pack=given is not None)), 11 if _refused(checks) else 0


def _left_alone(ready: Ready) -> tuple[tuple[Check, ...], tuple[str, ...]]:
    """What was looked at with what stands against leaving it alone, and the table of barriers."""
    known: list[tuple[Tried, dict[str, str], tuple[str, ...]]] = []

    def also(rig: Rig) -> tuple[Check, ...]:
        clock = WallClock()
        computer = () if rig.simulated else computer_obstacles(clock)
        known.append((by_instruments(ready, rig, now=clock.utc()), said_by(rig), computer))
        return ()

    checks = check(ready, also=also)
    ((tried, identities, computer),) = known
    against = (*obstacles(ready, tried, identities), *computer)
    return (*checks, *(Check("unattended", "refused", text) for text in against)), tuple(barrier_lines(ready, tried))


def _refused(checks: tuple[Check, ...]) -> int:
    return sum(item.word == "refused" for item in checks)


def _lines(checks: tuple[Check, ...], *, with_pack: bool) -> Iterator[str]:
    for item in checks:
        yield f"{item.word:<8} {safe_text(item.what)}: {safe_text(item.text)}"
    if any(item.text.startswith(f"{SIMULATED_MAKER} ") for item in checks):
        yield f"{SIMULATED}: these are simulated instruments"
    if bad := _refused(checks):
        yield f"this check switched nothing on; refused: {bad}"
    elif with_pack:
        yield "nothing was switched on; good to go"
    else:
        yield "nothing was switched on; the instruments are good, the pack was not looked at: add --pack FILE"


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
