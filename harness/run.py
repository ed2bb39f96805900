"""One run from files to result: check, connect, look, energise through the procedure, prove off, write down."""

from __future__ import annotations

import importlib.metadata
import platform
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec

from harness.bench import Bench
from harness.cautions import CAUTIONS
from harness.clock import Clock
from harness.config import load_bench, load_pack
from harness.connect import Connection, connect
from harness.errors import PlanRefused, PreflightRefused, UserError
from harness.findings import Facts
from harness.folder import RunFolder, prepare_runs_dir
from harness.interlocks import WHERE, Interlocks
from harness.limits import envelope
from harness.locks import BenchLock
from harness.marks import MarkInbox
from harness.planning import read_plan
from harness.preflight import Check, look, refuse_if_bad, zero_limits
from harness.procedure import Found, Procedure
from harness.recorder import Recorder, RecordFailed
from harness.result import Result, write_result
from harness.signals import StopFlag
from harness.site import Site
from harness.stops import NotOff, RunStopped
from harness.unattended import refuse_unattended
from harness.unsafe import keep_trying
from harness.writeup import bench_used, limits_in_force, off_confirmation


@dataclass(frozen=True, slots=True)
class Home:
    """A simulated bench in memory that several runs share, with the clock it lives by."""

    clock: Clock
    sim: Any


@dataclass(frozen=True, slots=True)
class Job:
    """What a person asked for."""

    procedure: Procedure
    bench: Path
    pack: Path
    sets: tuple[str, ...] = ()
    out: Path = Path("runs")
    unattended: bool = False
    home: Home | None = None


@dataclass(frozen=True, slots=True)
class Ready:
    """A job whose files, plan and limits hold together; nothing has been talked to yet."""

    job: Job
    site: Site
    plan: Any


@dataclass(frozen=True, slots=True)
class Done:
    """How a run went. ``exit_code`` by the table in DEVELOPERS.md."""

    folder: RunFolder
    result: Result
    exit_code: int


class Watcher:
    """What a front end may hang on a run; every method may be left as it is."""

    def checked(self, ready: Ready, checks: tuple[Check, ...]) -> None: ...

    def started(self, ready: Ready, folder: RunFolder) -> None: ...

    def show(self, sample: Any, watch: Any, interlocks: Any) -> None: ...

    def acknowledge(self, ready: Ready) -> None: ...

    def say(self, text: str) -> None: ...

    def acknowledged_unsafe(self, serial: str) -> bool:
        return False

    def signalled(self, name: str) -> None: ...

    def ended(self, done: Done) -> None: ...


def prepare(job: Job) -> Ready:
    """Read the files, settle the plan, check it against the envelope. Raises ``UserError``; talks to nothing."""
    bench_file = load_bench(job.bench)
    pack = load_pack(job.pack)
    plan = read_plan(job.procedure, job.sets)
    site = Site(bench_file, pack, envelope(pack=pack, bench=bench_file))
    plan, site = job.procedure.settle(plan, site)
    for role in job.procedure.needs(plan):
        if bench_file.one(role) is None:
            raise PreflightRefused(
                f"{bench_file.path}: {job.procedure.name} needs a {role}; add an [[instrument]] with role = \"{role}\""
            )
    if job.unattended:
        refuse_unattended(site, charging="supply" in job.procedure.needs(plan), plan=plan)
    return Ready(job, site, plan)


def check(ready: Ready, *, watcher: Watcher | None = None) -> tuple[Check, ...]:
    """Connect and look; nothing is set, nothing energised. Raises ``UserError`` for what cannot even be asked."""
    lock = BenchLock(ready.site.bench)
    lock.acquire()
    try:
        connection = _connect(ready)
        try:
            return _look(ready, connection, out=None)
        finally:
            connection.close()
    finally:
        lock.release()


def _connect(ready: Ready) -> Connection:
    home = ready.job.home
    return connect(ready.site.bench) if home is None else connect(ready.site.bench, clock=home.clock, sim=home.sim)


def _charging(ready: Ready) -> bool:
    return "supply" in ready.job.procedure.needs(ready.plan)


def _look(ready: Ready, connection: Connection, out: Path | None) -> tuple[Check, ...]:
    assert connection.rig is not None
    return look(
        site=ready.site, rig=connection.rig, clock=connection.clock, charging=_charging(ready), out=out
    )


def run(ready: Ready, *, watcher: Watcher | None = None) -> Done:
    """Do it. Raises ``UserError`` when refused (nothing energised, no folder left); else returns how it went."""
    watcher = watcher or Watcher()
    out = prepare_runs_dir(ready.job.out)
    lock = BenchLock(ready.site.bench)
    lock.acquire()
    try:
        lock.check_closed()
        with StopFlag(on_signal=watcher.signalled) as flag:
            connection = _connect(ready)
            try:
                checks = _look(ready, connection, out)
                watcher.checked(ready, checks)
                refuse_if_bad(checks)
                if connection.rig is not None and not connection.rig.simulated:
                    watcher.acknowledge(ready)
                return _recorded(ready, connection, out, lock, flag, checks, watcher)
            finally:
                connection.close()
    finally:
        lock.release()


def _recorded(
    ready: Ready,
    connection: Connection,
    out: Path,
    lock: BenchLock,
    flag: StopFlag,
    checks: tuple[Check, ...],
    watcher: Watcher,
) -> Done:
    rig, clock = connection.rig, connection.clock
    assert rig is not None
    site = _told_simulated(ready.site, rig.simulated)
    started = clock.utc()
    folder = RunFolder.create(out, procedure=ready.job.procedure.name, name=site.pack.name, started=started)
    folder.add_input("bench.toml", site.bench.text)
    folder.add_input("pack.toml", site.pack.text)
    recorder = Recorder(
        folder, clock=clock, columns=rig.columns, simulated=rig.simulated, zero_s=clock.now()
    )
    connection.listener = recorder.exchange
    watcher.started(ready, folder)
    bench = Bench(
        site=site,
        rig=rig,
        clock=clock,
        recorder=recorder,
        interlocks=Interlocks(_facts(site), ready.job.procedure.name),
        flag=flag,
        marks=MarkInbox(folder),
        show=watcher.show,
        zero_amps=zero_limits(site),
    )
    for item in checks:
        bench.note("preflight", what=item.what, word=item.word, text=item.text)
    # A run that is cut off must still tell what it was asked and on which bench.
    write_result(folder, _result(ready, site, bench, folder, started))
    lock.mark_live(folder.path)
    ending = _attempt(ready, bench)
    off = ending.outcome != "unsafe" or keep_trying(
        bench, say=watcher.say, acknowledged=lambda: watcher.acknowledged_unsafe(_serial(bench))
    )
    if off:
        lock.mark_off()
    done = _write_up(ready, site, bench, folder, recorder, ending, started)
    watcher.ended(done)
    return done


def _serial(bench: Bench) -> str:
    name = bench.rig.load_name or bench.rig.supply_name
    with suppress(Exception):
        return bench.rig.drivers[name or ""].identity.serial
    return ""


def _told_simulated(site: Site, simulated: bool) -> Site:
    """The same site, told whether the bench answered as a simulated one."""
    return Site(site.bench, site.pack, site.envelope, simulated)


def _facts(site: Site) -> Facts:
    entry = site.bench.one("load") or site.bench.one("supply")
    ranges = [e.amps_range or e.max_amps or 50.0 for e in (entry,) if e is not None]
    return Facts(
        envelope=site.envelope,
        rated_ah=site.pack.rated_ah,
        nominal_volts=site.pack.nominal_volts,
        lithium=site.lithium,
        has_thermometer=any(e.role == "thermometer" and e.measures == "pack" for e in site.bench.instruments),
        amps_range=max(ranges, default=50.0),
    )


@dataclass(frozen=True, slots=True)
class Ending:
    """How the procedure came out."""

    outcome: str
    exit_code: int
    end_reason: str
    found: Found | None = None
    error: Exception | None = None


def _attempt(ready: Ready, bench: Bench) -> Ending:
    """Run the procedure inside the bench; every way out of it has switched everything off."""
    found: Found | None = None
    try:
        with bench:
            found = ready.job.procedure.run(bench, plan=ready.plan)
    except NotOff as stop:
        return Ending("unsafe", stop.exit_code, stop.end_reason, found)
    except RunStopped as stop:
        return Ending(stop.outcome, stop.exit_code, stop.end_reason, found)
    except (PlanRefused, PreflightRefused) as error:
        return Ending("refused", error.exit_code, str(error), found)
    except Exception as error:
        bench.note("program error", sync=True, text=f"{type(error).__name__}: {error}")
        return Ending("tripped", 1, f"program error: {type(error).__name__}: {error}", found, error)
    return Ending("finished", 0, found.end_reason, found)


def _write_up(
    ready: Ready,
    site: Site,
    bench: Bench,
    folder: RunFolder,
    recorder: Recorder,
    ending: Ending,
    started: datetime,
) -> Done:
    bench.note("ended", outcome=ending.outcome, exit_code=ending.exit_code, reason=ending.end_reason)
    failed = recorder.close()
    found = ending.found or Found({}, ending.end_reason)
    lost = failed is not None and ending.exit_code == 0
    result = msgspec.structs.replace(
        _result(ready, site, bench, folder, started),
        ended=_stamp(bench.clock.utc()),
        duration_s=bench.elapsed(),
        outcome="tripped" if lost else ending.outcome,
        exit_code=25 if lost else ending.exit_code,
        end_reason=f"record failed: {failed}" if lost else ending.end_reason,
        figures=dict(found.figures),
        not_measured=dict(found.not_measured),
        conditions=dict(found.conditions),
        off_confirmation=off_confirmation(bench.off_reports),
        rows=recorder.rows,
    )
    exit_code = result.exit_code or 0
    with suppress(RecordFailed):
        write_result(folder, result)
    folder.release()
    if ending.error is not None:
        raise ProgramError(folder, ending.error) from ending.error
    return Done(folder, result, exit_code)


def _result(ready: Ready, site: Site, bench: Bench, folder: RunFolder, started: datetime) -> Result:
    """What is known before anything was measured."""
    return Result(
        procedure=ready.job.procedure.name,
        name=site.pack.name,
        simulated=site.simulated,
        started=_stamp(started),
        plan=msgspec.to_builtins(ready.plan),
        bench=bench_used(site, bench.rig, limits_in_force(site)),
        cautions=CAUTIONS,
        software=_software(),
        hashes=folder.input_hashes(),
    )


class ProgramError(Exception):
    """A fault of this program; the bench was switched off and off confirmed before it was raised."""

    def __init__(self, folder: RunFolder, error: Exception) -> None:
        what = f"{type(error).__name__}: {error}"
        super().__init__(f"program error, bench off and confirmed: {what}; record in {folder.path}")
        self.folder = folder


def _stamp(when: datetime) -> str:
    return when.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _software() -> Any:
    from harness.result import Software

    names = ("pyvisa", "pyvisa-py", "pyserial", "numpy", "msgspec")
    packages = {}
    for name in names:
        with suppress(importlib.metadata.PackageNotFoundError):
            packages[name] = importlib.metadata.version(name)
    return Software(
        nightbench=importlib.metadata.version("nightbench"),
        python=platform.python_version(),
        platform=platform.platform(terse=True),
        packages=packages,
    )


def armed_lines(procedure: str) -> Iterable[str]:
    """The interlocks of a procedure and where each stands, in words."""
    for key, by_procedure in WHERE.items():
        row = by_procedure[procedure]
        yield f"{key.replace('-', ' ')}: " + ", ".join(f"{phase} {s.word}" for phase, s in row.items())


__all__ = ["Done", "Job", "ProgramError", "Ready", "UserError", "Watcher", "check", "prepare", "run"]
