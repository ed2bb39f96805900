"""What a person asks for, what is made of it before anything is talked to, and what comes of it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.barriers import Tried
from harness.clock import Clock
from harness.config import BenchFile, PackFile, UpsFile, load_bench, load_pack, load_ups
from harness.errors import PreflightRefused, Usage
from harness.folder import RunFolder
from harness.limits import Envelope, envelope
from harness.limits_ups import ups_envelope
from harness.planning import read_plan
from harness.preflight_check import Check
from harness.procedure import Forecast, Procedure
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
    pack: Path | None
    sets: tuple[str, ...] = ()
    out: Path = Path("runs")
    unattended: bool = False
    home: Home | None = None
    ups: Path | None = None
    continued_from: str = ""
    """Folder name of the run that this one takes up again; "" for one that begins anew."""


@dataclass(frozen=True, slots=True)
class Ready:
    """A job whose files, plan and limits hold together; nothing has been talked to yet."""

    job: Job
    site: Site
    plan: Any

    @property
    def charging(self) -> bool:
        """Whether the plan puts charge into the pack."""
        return self.site.subject == "pack" and "supply" in self.job.procedure.needs(self.plan)

    @property
    def forecast(self) -> Forecast:
        """What the run is expected to do."""
        return self.job.procedure.forecast(self.plan, self.site)

    @property
    def takes_it_full(self) -> bool:
        """Whether the plan takes the pack as full without having charged it."""
        return getattr(self.plan, "charge_first", None) is False


@dataclass(frozen=True, slots=True)
class Done:
    """How a run went. ``exit_code`` by the table in DEVELOPERS.md. ``stop_asked``: the signal that asked for the end,
    "" for none; one that came too late to stop this run still means that no other begins."""

    folder: RunFolder
    result: Result
    exit_code: int
    stop_asked: str = ""


class Watcher:
    """What a front end may hang on a run; every method may be left as it is. None may raise, save ``acknowledge``."""

    def checked(self, ready: Ready, checks: tuple[Check, ...]) -> None: ...

    def started(self, ready: Ready, folder: RunFolder) -> None: ...

    def show(self, sample: Any, watch: Any, interlocks: Any) -> None: ...

    def acknowledge(self, ready: Ready) -> None: ...

    def rehearse(self, ready: Ready) -> None: ...

    def wired(self, ready: Ready) -> None:
        """A UPS is to be on the bench instead of a pack; may raise ``UserError`` when nobody says that it is."""

    def ordered(self, order: str) -> None:
        """A person at the bench is to do ``order`` (a key of ``harness.person.ORDERS``)."""

    def has_done(self) -> bool:
        """Whether that person has said that it is done."""
        return False

    def typed(self, question: str, prompt: str) -> str | None:
        """What a person types in answer to ``prompt``; None when nobody is there."""
        return None

    def warned(self) -> tuple[str, ...]:
        """Marks typed at this terminal since the last look."""
        return ()

    def can_hear(self) -> bool:
        """Whether somebody sits there who can press a key."""
        return False

    def heard(self) -> bool:
        """Whether they have pressed Enter, typed a line or answered a question since the last look."""
        return False

    def wanted(self, words: str) -> None:
        """They are to press Enter now, to show that they are there."""

    def warn(self, text: str) -> None:
        """An interlock has something to say that ends nothing."""

    def before_energising(self, ready: Ready, tried: Tried) -> None:
        """All is known that is to be known; what is left is to begin."""

    def say(self, text: str) -> None: ...

    def acknowledged_unsafe(self, serial: str) -> bool:
        return False

    def signalled(self, name: str) -> None: ...

    def ended(self, done: Done) -> None: ...


def prepare(job: Job) -> Ready:
    """Read the files, settle the plan, check it against the envelope. Raises ``UserError``; talks to nothing."""
    bench_file = load_bench(job.bench)
    pack = None if job.pack is None else load_pack(job.pack)
    ups = None if job.ups is None else load_ups(job.ups)
    plan = read_plan(job.procedure, job.sets)
    for role in job.procedure.needs(plan):
        if bench_file.one(role) is None:
            raise PreflightRefused(
                f"{bench_file.path}: {job.procedure.name} needs a {role}; "
                f'add an [[instrument]] with role = "{role}"{_other_way(role, plan)}'
            )
    site = Site(bench_file, pack, _envelope(job, bench_file, pack, ups), ups_file=ups)
    plan, site = job.procedure.settle(plan, site)
    ready = Ready(job, site, plan)
    if job.unattended:
        refuse_unattended(ready)
    return ready


def _envelope(job: Job, bench_file: BenchFile, pack: PackFile | None, ups: UpsFile | None) -> Envelope:
    if job.procedure.subject == "ups":
        if ups is None:
            raise Usage(f"{job.procedure.name}: --ups FILE is missing; `nightbench new ups FILE` writes one to fill in")
        return ups_envelope(ups=ups, bench=bench_file)
    if pack is None:
        raise Usage(f"{job.procedure.name}: --pack FILE is missing; `nightbench new pack FILE` writes one to fill in")
    return envelope(pack=pack, bench=bench_file)


def _other_way(role: str, plan: Any) -> str:
    only_to_charge = role in ("supply", "thermometer") and getattr(plan, "charge_first", None) is True
    return ", or --set charge_first=false for a pack charged by other means" if only_to_charge else ""
