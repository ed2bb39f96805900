"""How runs in memory for the corpus are made: short nights on a simulated bench, and what happens in them.

The calendar begins at one evening, so that a corpus made anew differs only where the program does.
"""

from __future__ import annotations

import shutil
import signal
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import night
import pytest
from night import SHORT, Fault, Night, Short, Wires, spend
from night_clocks import EVENING

from harness.clock import VirtualClock
from harness.folder import RunFolder

Each = Callable[[int, Any, RunFolder], None]
Make = Callable[[Path], Iterable[RunFolder]]

CHARGE, CAPACITY, STEPS = SHORT["charge"], SHORT["capacity"], SHORT["c-rate"]
FLOOR, CEILING = SHORT["voltage-floor"], replace(SHORT["charge-ceiling"], points=())


def clock() -> VirtualClock:
    """The same evening for all."""
    return VirtualClock(utc0=EVENING)


def spent(place: Path, short: Short, *, each: Each | None = None, **how: Any) -> Night:
    """One short night; ``each`` gets its folder too."""
    begun: list[RunFolder] = []
    how.setdefault("clock", clock())
    with told_its_folder(begun):
        return spend(place, short, each=each and (lambda number, sample: each(number, sample, begun[0])), **how)


@contextmanager
def told_its_folder(begun: list[RunFolder]) -> Iterator[None]:
    """The folder of a night, as soon as there is one."""
    started = night._Watch.started

    def told(self: Any, ready: Any, folder: RunFolder) -> None:
        begun.append(folder)
        started(self, ready, folder)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(night._Watch, "started", told)
        yield


def a_night(short: Short, **how: Any) -> Make:
    """One run."""

    def make(place: Path) -> Iterable[RunFolder]:
        done = spent(place, short, **how)
        assert done.folder is not None, done.refusal
        return [done.folder]

    return make


def stopped(short: Short, at: int) -> Make:
    """Somebody presses Ctrl-C at this sample."""

    def each(number: int, sample: Any, folder: RunFolder) -> None:
        if number == at:
            signal.raise_signal(signal.SIGINT)

    return a_night(short, each=each)


def left_by_a_kill(short: Short, at: int, **how: Any) -> Make:
    """What the run's folder holds when sample ``at`` was shown: that is what a process leaves that is killed then."""

    def make(place: Path) -> Iterable[RunFolder]:
        left: list[RunFolder] = []

        def each(number: int, sample: Any, folder: RunFolder) -> None:
            if number == at:
                left.append(killed(folder, place))

        spent(place, short, each=each, **how)
        return left

    return make


def killed(folder: RunFolder, place: Path) -> RunFolder:
    """A copy of the folder of a run that is on, as nobody holds it any more."""
    target = Path(tempfile.mkdtemp(dir=place)) / folder.name
    shutil.copytree(folder.path, target, ignore=shutil.ignore_patterns(".*"))
    return RunFolder.open(target)


def failing(short: Short, kind: str, name: str, *, nth: int = 12, **how: Any) -> Make:
    """A fault of the ``nth`` message to this instrument after something was switched on."""

    def make(place: Path) -> Iterable[RunFolder]:
        heard = spent(place, short, **how).wires.heard
        ons = (number for number, (_, _, message) in enumerate(heard) if message.strip() in (b"OUTP ON", b"INP ON"))
        after = next(ons)
        to_it = [number for number, (_, who, _) in enumerate(heard) if who == name and number > after]
        return a_night(short, fault=Fault(kind, to_it[nth]), **how)(place)

    return make


def happens(short: Short, when: Callable[[Any, Any], bool], act: Callable[[Any], None], **how: Any) -> Make:
    """Somebody does something to the bench, once, at the first sample at which ``when(bench, sample)``."""

    def make(place: Path) -> Iterable[RunFolder]:
        benches: list[Any] = []
        done: list[bool] = []

        def arrange(wires: Wires) -> None:
            benches.append(wires.bench)

        def each(number: int, sample: Any, folder: RunFolder) -> None:
            if not done and when(benches[0], sample):
                done.append(True)
                act(benches[0])

        return a_night(short, arrange=arrange, each=each, **how)(place)

    return make
