"""Several runs one after the other on one bench, and the verdict on them.

Which runs these are is said by a record found through the entry-point group ``nightbench.sequences``, as procedures are
found through theirs. Here is only how they are run: each as if it had been asked for alone, so that each looks at the
bench anew, asks for its wiring, has its own folder and switches everything off at its end.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import entry_points
from pathlib import Path

from harness.addresses import simulated
from harness.clock import VirtualClock
from harness.config import BenchFile, PackFile, UpsFile, load_bench, load_pack, load_ups
from harness.connect import open_simulated
from harness.digits import duration
from harness.errors import Usage
from harness.job import Done, Home, Job, Ready, Watcher, prepare
from harness.procedure import procedures
from harness.run import run
from harness.run_aside import StoppedEarly
from harness.verdict import Judgement, verdict_maker


@dataclass(frozen=True, slots=True)
class Asked:
    """One run of a sequence: the procedure, what is set for it, and why it is there."""

    procedure: str
    sets: tuple[str, ...] = ()
    why: str = ""


@dataclass(frozen=True, slots=True)
class RunSequence:
    """``steps`` says which runs, from the three files; ``verdict`` is the maker that judges them together."""

    name: str
    about: str
    steps: Callable[[PackFile, UpsFile, BenchFile], tuple[Asked, ...]]
    verdict: str


@dataclass(frozen=True, slots=True)
class Place:
    """Where a sequence is run: the files, the folder for its runs, and a clock and bench that they share, if any."""

    bench: Path
    pack: Path
    ups: Path
    out: Path
    home: Home | None = None

    def on_one_bench(self) -> Place:
        """The place for several runs: if each opened a bench in memory anew, its pack would be as it was at first."""
        places = [simulated(entry.address) for entry in load_bench(self.bench).instruments]
        scenarios = {one[0] for one in places if one is not None}
        if self.home is not None or None in places or len(scenarios) != 1:
            return self
        clock = VirtualClock()
        return replace(self, home=Home(clock, open_simulated(scenarios.pop(), now=clock.now, seed=None)))

    def ready(self, asked: Asked) -> Ready:
        """The run with its plan settled; raises ``UserError``, talks to nothing."""
        procedure = procedures()[asked.procedure]
        job = Job(procedure, self.bench, self.pack, sets=asked.sets, out=self.out, home=self.home, ups=self.ups)
        return prepare(job)

    def steps(self, sequence: RunSequence) -> tuple[Asked, ...]:
        """Its runs on this place's files."""
        return sequence.steps(load_pack(self.pack), load_ups(self.ups), load_bench(self.bench))


def run_sequence(name: str) -> RunSequence:
    """The installed sequence of that name; raises ``Usage`` when there is none."""
    for entry in entry_points(group="nightbench.sequences"):
        if entry.name == name:
            found: RunSequence = entry.load()
            return found
    raise Usage(f"{name}: no such sequence is installed; install nightbench anew with all its parts")


def in_order(place: Place, steps: Sequence[Asked], watcher: Watcher) -> Iterator[Done]:
    """Run them, handing over each; ends at the first that did not finish. Raises ``UserError``, also when a person
    asked for the end too late for the run that was on: the next one would not hear of it."""
    stop_asked = ""
    for asked in steps:
        if stop_asked:
            raise StoppedEarly(f"stopped by a person ({stop_asked}) between two runs; nothing was switched on again")
        done = run(place.ready(asked), watcher=watcher)
        yield done
        if done.exit_code != 0:
            return
        stop_asked = done.stop_asked


def outlook(place: Place, steps: Sequence[Asked]) -> list[str]:
    """What is going to be run, how long each takes by its forecast, and the whole. Raises ``UserError``."""
    lines, total = [], 0.0
    for number, asked in enumerate(steps, 1):
        ready = place.ready(asked)
        seconds = ready.job.procedure.forecast(ready.plan, ready.site).seconds
        total += seconds
        lines.append(f"{number}. {asked.procedure}, about {duration(seconds)} (h:mm:ss): {asked.why}")
    return [*lines, f"about {duration(total)} in all, and each wiring is asked for before anything is switched on"]


def judged(verdict: str, done: Sequence[Done]) -> Judgement | None:
    """The verdict on runs that all came to their end; None when one did not. Raises ``Usage``."""
    if not done or any(one.exit_code != 0 for one in done):
        return None
    return verdict_maker(verdict).judge([one.folder for one in done])
