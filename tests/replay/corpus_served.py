"""Runs over sockets and pseudo-terminals for the corpus: clocks that go by themselves or are stepped, a guard that is a
process, and runs that were to be left alone. Made in real time. Our own invented story."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from corpus_files import Case

import sims.bench
from harness.folder import RunFolder
from harness.job import Done, Watcher
from harness.procedure import procedures
from harness.run import Job, prepare, run
from sims.manners import Manners
from sims.scenario import Scenario, load_scenario
from sims.serve import ServedBench, serve

STEPS = ("rest_s=5", "step_s=1", "rates_it=0.5")
SHORT = ("charge_first=false", "rate_it=0.75", "rest_s=1", "rest_after_s=1", "end_v=12.8")
Make = Callable[[Path], Iterable[RunFolder]]


def two_wire(name: str) -> Scenario:
    """The load at its own terminals and the meter at the pack, so that a joint is seen."""
    facts = load_scenario(name)
    return replace(facts, load=replace(facts.load, sense="local"))


@contextmanager
def served(place: Path, **how: Any) -> Iterator[ServedBench]:
    """A bench that answers on a thread of its own."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sims.bench, "load_scenario", two_wire)
        bench = serve("porch", **how)
    ended = threading.Event()
    thread = threading.Thread(target=bench.run_forever, args=(ended.is_set,), daemon=True)
    thread.start()
    (place / "bench.toml").write_text(bench.bench_toml(), encoding="utf-8")
    (place / "pack.toml").write_text(bench.bench.pack_toml(), encoding="utf-8")
    try:
        yield bench
    finally:
        ended.set()
        thread.join()
        bench.close()


class Stops(Watcher):
    """Presses Ctrl-C at a sample."""

    def __init__(self, at: int) -> None:
        self.at, self.count = at, 0

    def show(self, sample: Any, watch: Any, interlocks: Any) -> None:
        self.count += 1
        if self.count == self.at:
            signal.raise_signal(signal.SIGINT)


def ran(place: Path, procedure: str, *sets: str, watcher: Watcher | None = None, unattended: bool = False) -> Done:
    job = Job(
        procedures()[procedure],
        place / "bench.toml",
        place / "pack.toml",
        sets=sets,
        out=place / "runs",
        unattended=unattended,
    )
    return run(prepare(job), watcher=watcher)


def over(procedure: str, *sets: str, stops_at: int = 0, **how: Any) -> Make:
    """One run on a bench that is served so."""

    def make(place: Path) -> Iterable[RunFolder]:
        with served(place, **how):
            watcher = Stops(stops_at) if stops_at else Watcher()
            return [ran(place, procedure, *sets, watcher=watcher).folder]

    return make


def left_alone(place: Path) -> Iterable[RunFolder]:
    """On a stepped bench: half an hour with somebody there, then alone, its guard and its stops tried; stopped soon."""
    night = ("charge_first=false", "rate_it=0.1", "rest_s=1")
    with served(place, stepped=True):
        ran(place, "capacity", *night, watcher=Stops(1900))
        return [ran(place, "capacity", *night, watcher=Stops(12), unattended=True).folder]


def load_that_lies(place: Path) -> Iterable[RunFolder]:
    """Its own stop reads back and does not act: the run is refused, in its folder."""
    night = ("charge_first=false", "rate_it=0.1", "rest_s=1")
    with served(place, stepped=True, manners={"load": Manners(stop="ignored")}):
        ran(place, "capacity", *night, watcher=Stops(1900))
        return [ran(place, "capacity", *night, unattended=True).folder]


def killed_over_tcp(place: Path) -> Iterable[RunFolder]:
    """A process of its own, killed; its guard switches off."""
    from corpus_nights import killed

    with served(place, speed=4.0):
        child = os.fork()
        if child == 0:
            ran(place, "capacity", *SHORT, watcher=Kills(9))
            os._exit(1)
        os.waitpid(child, 0)
        (folder,) = (place / "runs").iterdir()
        return [killed(RunFolder.open(folder), place)]


class Kills(Watcher):
    """Kills its own process at a sample."""

    def __init__(self, at: int) -> None:
        self.at, self.count = at, 0

    def show(self, sample: Any, watch: Any, interlocks: Any) -> None:
        self.count += 1
        if self.count == self.at:
            os.kill(os.getpid(), signal.SIGKILL)


SERVED = (
    Case("served-stepped", "end volts reached", over("capacity", *SHORT, stepped=True)),
    Case("served-scaled", "end volts reached", over("capacity", *SHORT, speed=8.0)),
    Case("served-wall", "all steps held", over("c-rate", *STEPS)),
    Case("served-wall-stopped", "stopped by a person (SIGINT)", over("c-rate", *STEPS, stops_at=45)),
    Case("served-hislip", "all steps held", over("c-rate", *STEPS, wire="hislip")),
    Case("served-pty", "all steps held", over("c-rate", *STEPS, wire="pty", speed=1.0)),
    Case("served-killed", "interrupted", killed_over_tcp),
    Case("left-alone", "stopped by a person (SIGINT)", left_alone),
    Case("left-alone-refused", "", load_that_lies),
)
