"""Two processes that spend units, each watched from outside: one that dies or takes too long is a failure of its unit.

A worker imports the parts itself; only names go over the line. It ends when its line does, so that none outlives a
campaign that was killed.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import shutil
import tempfile
import time
import traceback
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager
from multiprocessing.connection import Connection, wait
from pathlib import Path

from campaign_record import Outcome
from campaign_units import Unit

Units = Callable[[str, int], dict[str, Unit]]
"""Part and seed -> its units by key."""

Around = Callable[[], AbstractContextManager[None]]
"""What a worker does all its work in."""

MOST_PROCESSES = 2
LONGEST_S = 120.0
"""A unit that takes longer, s of machine time, has failed (a night takes a tenth of a second)."""


def spent(part: str, unit: Unit, place: Path) -> Outcome:
    """Spend one unit in a folder of its own. An exception is a failure like any other."""
    folder = Path(tempfile.mkdtemp(dir=place))
    began, cpu = time.monotonic(), time.process_time()
    try:
        words = unit.run(folder)
    except Exception:
        words = [f"the unit itself failed: {traceback.format_exc()[-1500:]}"]
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return Outcome(part, unit.key, words, round(time.monotonic() - began, 4), round(time.process_time() - cpu, 4))


def _work(line: Connection, units: Units, around: Around, seed: int, place: str) -> None:
    os.environ["NIGHTBENCH_STATE"] = place
    known: dict[str, dict[str, Unit]] = {}
    with around(), contextlib.suppress(EOFError, BrokenPipeError, KeyboardInterrupt):
        while True:
            part, key = line.recv()
            if part not in known:
                known[part] = units(part, seed)
            line.send(spent(part, known[part][key], Path(place)))


class _Worker:
    """One process, what it is at, and since when."""

    def __init__(self, units: Units, around: Around, seed: int, scratch: Path) -> None:
        self._given, self._scratch = (units, around, seed), scratch
        self.job: tuple[str, str] | None = None
        self.since_s = 0.0
        self._start()

    def _start(self) -> None:
        self.place = tempfile.mkdtemp(dir=self._scratch)
        context = multiprocessing.get_context("spawn")
        self.line, theirs = context.Pipe()
        self._process = context.Process(target=_work, args=(theirs, *self._given, self.place), daemon=True)
        self._process.start()
        theirs.close()

    def give(self, job: tuple[str, str]) -> None:
        self.job, self.since_s = job, time.monotonic()
        self.line.send(job)

    def take(self) -> Outcome:
        """What it has sent; when it has died instead, that is its unit's failure and a new one is started."""
        assert self.job is not None
        try:
            outcome: Outcome = self.line.recv()
        except EOFError:
            return self.replace("its process died")
        self.job = None
        return outcome

    def replace(self, why: str) -> Outcome:
        """End this process, start another, and say that its unit failed."""
        assert self.job is not None
        part, key = self.job
        took_s = round(time.monotonic() - self.since_s, 3)
        self.end()
        self._start()
        self.job = None
        return Outcome(part, key, [f"{why} after {took_s:.1f} s"], took_s)

    def end(self) -> None:
        self._process.kill()
        self._process.join()
        self.line.close()
        shutil.rmtree(self.place, ignore_errors=True)


def spend_all(
    jobs: Iterable[tuple[str, str]],
    units: Units,
    *,
    around: Around,
    seed: int,
    scratch: Path,
    until_s: float,
    processes: int = MOST_PROCESSES,
    longest_s: float = LONGEST_S,
) -> Iterator[Outcome]:
    """Outcomes as they come. No unit is begun once ``time.monotonic()`` has come to ``until_s``. ``scratch`` is emptied
    before and removed afterwards."""
    coming = iter(jobs)
    shutil.rmtree(scratch, ignore_errors=True)  # what one that was killed has left there
    scratch.mkdir(parents=True)
    workers = [_Worker(units, around, seed, scratch) for _ in range(min(processes, MOST_PROCESSES))]
    try:
        while True:
            for worker in workers:
                job = next(coming, None) if worker.job is None and time.monotonic() < until_s else None
                if job is not None:
                    worker.give(job)
            busy = [worker for worker in workers if worker.job is not None]
            if not busy:
                return
            ready = set(wait([worker.line for worker in busy], timeout=1.0))
            for worker in busy:
                if worker.line in ready:
                    yield worker.take()
                elif time.monotonic() - worker.since_s > longest_s:
                    yield worker.replace("it was stopped: too long")
    finally:
        for worker in workers:
            worker.end()
        shutil.rmtree(scratch, ignore_errors=True)
