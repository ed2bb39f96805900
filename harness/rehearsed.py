"""The process that a guard is tried on: a run like any other, at a harmless current, that meets with an accident."""

from __future__ import annotations

import json
import os
import signal
import sys
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

from harness.bench import Bench
from harness.block import Output
from harness.clock import WallClock
from harness.connect import connect
from harness.errors import UserError
from harness.guarded_run import guard_for
from harness.job import Job, Ready, Watcher, prepare
from harness.locks import BenchLock
from harness.person import AtTheTerminal
from harness.procedure import procedures
from harness.rehearsal import AMPS, GUARD_DIES, RUN_DIES
from harness.sample import Sample
from harness.signals import StopFlag
from harness.stops import RunStopped

SAMPLES = 3
"""So many samples with current come before the accident."""

LONGEST_S = 600.0


class NotTried(Exception):
    """It did not come to the accident, and why."""


class Orphaned(StopFlag):
    """Asks for the end once ``parent`` is gone too: it holds the locks of this bench, and whoever made the bench safe
    after its death must not see anything come on again."""

    def __init__(self, parent: int) -> None:
        super().__init__()
        self._parent = parent

    def asked(self) -> bool:
        if os.getppid() != self._parent:
            self.ask("whoever rehearsed is gone")
        return super().asked()


def say(**told: Any) -> None:
    """One line for whoever started this."""
    sys.stdout.write(json.dumps(told) + "\n")
    sys.stdout.flush()


def main(given: dict[str, Any]) -> int:
    """Take the bench and have the accident ``given["what"]``. Ends by itself only when the guard dies."""
    try:
        ready = prepare(_job(given))
        with Orphaned(given["parent"]) as flag:
            _on_the_bench(ready, given["what"], Path(given["out"]), flag)
    except (UserError, NotTried) as error:
        say(why=str(error))
        return 1
    return 0


def _job(given: dict[str, Any]) -> Job:
    return Job(
        procedures()[given["procedure"]],
        Path(given["bench"]),
        None if given["pack"] is None else Path(given["pack"]),
        sets=tuple(given["sets"]),
        out=Path(given["out"]),
        ups=None if given["ups"] is None else Path(given["ups"]),
    )


def _on_the_bench(ready: Ready, what: str, out: Path, flag: StopFlag) -> None:
    from harness.run import _begin  # here: a run has its guard tried, and is one itself

    connection = connect(ready.site.bench, subject=ready.site.subject)
    begun = None
    try:
        watcher = Watcher()
        begun = _begin(ready, connection, out, flag, (), watcher, AtTheTerminal(watcher))
        bench = begun.bench
        bench.guard_with(guard_for(ready, bench, begun.folder, BenchLock(ready.site.bench)))
        try:
            with bench:
                _until_the_accident(bench, what)
        except RunStopped as stop:
            # Off came before this was raised.
            say(off_s=WallClock().wall(), why="" if stop.exit_code == 21 and what == GUARD_DIES else stop.end_reason)
        finally:
            if bench.guard is not None:
                bench.guard.bye(off=bool(bench.off_reports) and bench.off_reports[-1].confirmed)
    finally:
        if begun is not None:
            begun.recorder.close()
            begun.folder.release()
        connection.close()


def _until_the_accident(bench: Bench, what: str) -> None:
    with _a_little(bench):
        seen = 0
        for sample in bench.samples(for_s=LONGEST_S):
            seen += _flows(sample)
            if seen == SAMPLES:
                _accident(bench, what)
                seen += 1
    raise NotTried(f"no current of {AMPS:g} A came to flow" if seen < SAMPLES else "nothing came of it")


def _a_little(bench: Bench) -> AbstractContextManager[Output]:
    """A current of ``AMPS`` by the load, or by the supply where there is no load. A run on a UPS is not left alone."""
    if bench.site.subject == "ups":
        raise NotTried("nothing is tried with a UPS on the bench")
    if bench.rig.load is not None:
        return bench.sinking(amps=AMPS)
    return bench.sourcing(volts=bench.site.envelope.target_v, amps_max=AMPS)


def _flows(sample: Sample) -> bool:
    return abs(sample.pack_amps) > 0.5 * AMPS


def _accident(bench: Bench, what: str) -> None:
    assert bench.guard is not None
    say(at_s=WallClock().wall())
    if what == GUARD_DIES:
        os.kill(bench.guard.pid, signal.SIGKILL)
    else:
        os.kill(os.getpid(), signal.SIGKILL if what == RUN_DIES else signal.SIGSTOP)


if __name__ == "__main__":
    sys.exit(main(json.loads(sys.argv[1])))
