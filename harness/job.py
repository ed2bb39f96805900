"""What a person asks for, what is made of it before anything is talked to, and what comes of it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.clock import Clock
from harness.config import load_bench, load_pack
from harness.errors import PreflightRefused
from harness.folder import RunFolder
from harness.limits import envelope
from harness.planning import read_plan
from harness.preflight import Check
from harness.procedure import Procedure
from harness.result import Result
from harness.site import Site
from harness.unattended import refuse_unattended


@dataclass(frozen=True, slots=True)
class Home:
    """A clock, and a simulated bench in memory if there is one, that several runs share; their maker ends them."""

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

    @property
    def charging(self) -> bool:
        """Whether the plan puts charge into the pack."""
        return "supply" in self.job.procedure.needs(self.plan)

    @property
    def takes_it_full(self) -> bool:
        """Whether the plan takes the pack as full without having charged it."""
        return getattr(self.plan, "charge_first", None) is False


@dataclass(frozen=True, slots=True)
class Done:
    """How a run went. ``exit_code`` by the table in DEVELOPERS.md."""

    folder: RunFolder
    result: Result
    exit_code: int


class Watcher:
    """What a front end may hang on a run; every method may be left as it is. None may raise, save ``acknowledge``."""

    def checked(self, ready: Ready, checks: tuple[Check, ...]) -> None: ...

    def started(self, ready: Ready, folder: RunFolder) -> None: ...

    def show(self, sample: Any, watch: Any, interlocks: Any) -> None: ...

    def acknowledge(self, ready: Ready) -> None: ...

    def rehearse(self, ready: Ready) -> None: ...

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
    for role in job.procedure.needs(plan):
        if bench_file.one(role) is None:
            raise PreflightRefused(
                f"{bench_file.path}: {job.procedure.name} needs a {role}; "
                f'add an [[instrument]] with role = "{role}"{_other_way(role, plan)}'
            )
    site = Site(bench_file, pack, envelope(pack=pack, bench=bench_file))
    plan, site = job.procedure.settle(plan, site)
    ready = Ready(job, site, plan)
    if job.unattended:
        refuse_unattended(site, charging=ready.charging, plan=plan)
    return ready


def _other_way(role: str, plan: Any) -> str:
    only_to_charge = role in ("supply", "thermometer") and getattr(plan, "charge_first", None) is True
    return ", or --set charge_first=false for a pack charged by other means" if only_to_charge else ""
