"""Runs on a pack for the corpus: each procedure, and the ways out of it that a short plan gives. Our own invented
story."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

import night
import pytest
from corpus_files import Case
from corpus_nights import (
    CAPACITY,
    CHARGE,
    STEPS,
    Make,
    a_night,
    clock,
    failing,
    left_by_a_kill,
    spent,
    stopped,
)
from died import ended
from night import Short, Wires, facts
from night_broken import welded_load
from night_clocks import EVENING, Calendar
from test_wear import HALF_FULL, WORN, worn

from harness.clock import VirtualClock
from harness.folder import RunFolder
from harness.job import Home
from harness.loop import Loop
from harness.marks import drop_mark
from harness.person import AtTheTerminal
from harness.procedure import procedures
from harness.run import Job, prepare, run
from sims.bms import Bms


def marked(number: int, sample: Any, folder: RunFolder) -> None:
    """Somebody sends marks from another terminal."""
    if number in (4, 9):
        drop_mark(folder, f"a remark, at sample {number}: =1+1 <b>")


def opening(**levels: float) -> Callable[[Wires], None]:
    """The pack's own switch with other levels."""

    def arrange(wires: Wires) -> None:
        pack = wires.bench.world.pack
        pack.bms = Bms(replace(pack.bms.spec, **levels))  # type: ignore[arg-type]

    return arrange


def wearing(name: str) -> Make:
    """Something that breaks in mid-run."""

    def make(place: Path) -> Iterable[RunFolder]:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("test_wear.spend", lambda out, short, **how: spent(out, short, **how))
            done = worn(place, WORN[name])
        assert done.folder is not None
        return [done.folder]

    return make


def around(name: str, says: Callable[[float], Any], short: Short = HALF_FULL) -> Make:
    """From 10 s on something beside the run says what ``says`` tells of the seconds since then."""

    def make(place: Path) -> Iterable[RunFolder]:
        plain = Loop.look

        def look(self: Loop, block: Any) -> Any:
            setattr(self, name, lambda: says(max(0.0, self.clock.now() - 10.0)))
            return plain(self, block)

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(Loop, "look", look)
            return a_night(short)(place)

    return make


class Sleeps(VirtualClock):
    """A computer that sleeps for an hour in mid-run."""

    def slept_s(self) -> float:
        return 3600.0 if self.now() >= 20.0 else 0.0


class Seated:
    """Whoever sits at the terminal: presses Enter when asked, and types a mark now and then."""

    def __init__(self) -> None:
        self.looks, self.asked = 0, False

    def warned(self) -> tuple[str, ...]:
        self.looks += 1
        return ("smells warm, looks well",) if self.looks == 20 else ()

    def heard(self) -> bool:
        asked, self.asked = self.asked, False
        return asked

    def wanted(self, words: str) -> None:
        self.asked = True


def attended(place: Path, *, seated: Any = None) -> Iterable[RunFolder]:
    """Ten minutes at rest, in which Enter is asked for."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("harness.run._person", lambda *_: AtTheTerminal(seated or Seated()))  # type: ignore[arg-type]
        patch.setattr(night._Watch, "can_hear", lambda _self: True)
        short = replace(CAPACITY, sets=("charge_first=false", "rate_it=1.5", "rest_s=610", "rest_after_s=2"))
        return a_night(short, bench_text=lambda text: text.replace("fuse_amps", "# fuse_amps"))(place)


class Away(Seated):
    """Whoever should sit there."""

    def heard(self) -> bool:
        return False


def two_in_one_home(place: Path) -> Iterable[RunFolder]:
    """Two runs one after the other on one bench and one clock, as in a qualification."""
    first = ended(place, "charge", *CHARGE.sets, scenario=facts(CHARGE), clock=clock())
    sets = ("charge_first=false", "rate_it=0.5", "rest_s=2", "rest_after_s=2", "end_v=13.25")
    job = Job(
        procedures()["capacity"],
        first.job.bench,
        first.job.pack,
        sets=sets,
        out=first.job.out,
        home=Home(first.clock, first.bench),
    )
    return [first.done.folder, run(prepare(job)).folder]


BY_PERSON = "stopped by a person (SIGINT)"
EMPTY = replace(CAPACITY, start_share=0.004)
AT_HALF = replace(CAPACITY, start_share=0.5)

PACK = (
    Case("charge-to-its-end-current", "end current reached", a_night(CHARGE)),
    Case("charge-stopped", BY_PERSON, stopped(CHARGE, 12)),
    Case("charge-killed", "interrupted", left_by_a_kill(CHARGE, 14)),
    Case("charge-meter-lost", "no valid reading", failing(CHARGE, "gone", "meter")),
    Case("charge-supply-gone", "off not confirmed", failing(CHARGE, "gone", "supply")),
    Case("charge-supply-restarted", "changed from outside", failing(CHARGE, "restart-on", "supply")),
    Case("charge-opened", "pack opened while charging", a_night(CHARGE, arrange=opening(cell_high_volts=3.4))),
    Case("charge-sense-off", "voltmeters disagree", wearing("sense leads of the supply come off")),
    Case("capacity-to-its-end-volts", "end volts reached", a_night(CAPACITY)),
    Case("capacity-empty", "switched off by itself", a_night(EMPTY)),
    Case("capacity-opened", "pack opened", a_night(AT_HALF, arrange=opening(amps_slow=3.0, amps_slow_delay_s=9.0))),
    Case("capacity-stopped", BY_PERSON, stopped(CAPACITY, 9)),
    Case("capacity-stopped-at-rest", BY_PERSON, stopped(CAPACITY, 2)),
    Case("capacity-killed", "interrupted", left_by_a_kill(CAPACITY, 10)),
    Case("capacity-killed-at-rest", "interrupted", left_by_a_kill(CAPACITY, 2)),
    Case("capacity-load-mute", "off not confirmed", failing(AT_HALF, "mute", "load")),
    Case("capacity-another-load", "off not confirmed", failing(AT_HALF, "swap", "load")),
    Case("capacity-load-restarted", "changed from outside", failing(AT_HALF, "restart", "load")),
    Case("capacity-one-late-answer", "end volts reached", failing(CAPACITY, "late", "meter", nth=3)),
    Case("capacity-meter-frozen", "frozen reading", wearing("meter stands still")),
    Case("capacity-sense-off", "voltmeters disagree", wearing("sense leads of the load come off")),
    Case("capacity-bad-joint", "lead resistance", wearing("40 mohm more in a joint, discharging")),
    Case("capacity-heating", "heating", wearing("cells that heat themselves fast")),
    Case("capacity-guard-lost", "guard lost", around("guard_silent_s", lambda s: s)),
    Case("capacity-disk-hangs", "record behind", around("record_state", lambda s: (s, math.inf))),
    Case("capacity-disk-full", "record behind", around("record_state", lambda s: (0.0, 205e6 - 1e6 * s))),
    Case("capacity-computer-slept", "nobody looked", a_night(HALF_FULL, clock=Sleeps(utc0=EVENING))),
    Case("capacity-calendar-set", "end volts reached", a_night(CAPACITY, clock=Calendar(at_s=9.0, step_s=3600.0))),
    Case("capacity-remarks", "end volts reached", a_night(CAPACITY, each=marked)),
    Case("capacity-attended", "end volts reached", attended),
    Case("capacity-nobody-there", "nobody there", lambda place: attended(place, seated=Away())),
    Case("capacity-off-not-confirmed", "off not confirmed", a_night(CAPACITY, arrange=welded_load)),
    Case("charge-then-capacity", "end volts reached", two_in_one_home),
    Case("c-rate-all-steps", "all steps held", a_night(STEPS)),
    Case("c-rate-stopped", BY_PERSON, stopped(STEPS, 40)),
    Case("c-rate-killed", "interrupted", left_by_a_kill(STEPS, 58)),
    Case("c-rate-meter-lost", "no valid reading", failing(STEPS, "gone", "meter", nth=3)),
)
