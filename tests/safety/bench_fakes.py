"""What stands beside one part of the guarded bench in tests of that part alone: each writes down what it was asked, in
one list, so that orders can be read off it."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime, timedelta
from types import SimpleNamespace
from typing import Any

from harness.block import Block
from harness.clock import VirtualClock
from harness.findings import Finding
from harness.off_report import OffReport
from harness.safeoff import Before
from harness.sample import Sample
from harness.signals import StopFlag
from harness.stops import RunStopped, StoppedByPerson, Tripped
from harness.tape import Tape, Told
from harness.turning import Turns
from harness.witness import Witness

NAN = math.nan
BEGAN_S = 100.0
"""Bench time at the beginning of a run that is not 0, so that elapsed time and bench time differ, s."""

AGAIN = Finding("low volts", "once", again=True)
BAD = Finding("high volts", "too high")

Did = list[Any]


def report(word: str = "confirmed", **more: Any) -> OffReport:
    told = {"witness": "same instrument", "lines": ("load says off",), "took_s": 0.4, "tries": 1}
    return OffReport(word=word, last_amps=0.0, last_volts=12.0, **{**told, **more})


def sample(elapsed_s: float = 0.0, *, volts: float = 12.0, **more: Any) -> Sample:
    numbers = {"pack_amps": 0.0, "charge_ah": 0.0, "energy_wh": 0.0, "pack_temp_c": 20.0}
    return Sample(elapsed_s=elapsed_s, utc="", state="resting", pack_volts=volts, **{**numbers, **more})


class Machine(VirtualClock):
    """A virtual clock on a machine that sleeps and whose calendar is set, by hand. ``told``: what is on its tape."""

    def __init__(self) -> None:
        super().__init__()
        self.asleep_s, self.set_s = 0.0, 0.0
        self.stops: list[Callable[[], bool]] = []
        self.in_wait: Callable[[], None] = lambda: None
        self.told: list[Told] = []
        self.tape = Tape(hear=self.told.append)
        super().sleep_until(BEGAN_S)

    def slept_s(self) -> float:
        return self.asleep_s

    def utc(self) -> datetime:
        return super().utc() + timedelta(seconds=self.asleep_s + self.set_s)

    def sleep_until(self, t_s: float, *, stop: Callable[[], bool] = lambda: False) -> None:
        self.stops.append(stop)
        self.in_wait()
        super().sleep_until(t_s, stop=stop)


class Played(Tape):
    """A tape on which one thing is told, once; whatever is asked for live is not heard."""

    replaying = True

    def __init__(self, name: str, what: str, value: Any) -> None:
        super().__init__()
        self._key, self._values = (name, what), [value]

    def came(self, name: str, what: str, look: Callable[[], Any], *, nothing: Any) -> Any:
        return self._values.pop() if self.soon(name, what, lambda: False) else nothing

    def soon(self, name: str, what: str, look: Callable[[], bool]) -> bool:
        return (name, what) == self._key and bool(self._values)


class Stopping:
    """Ends the run as the real one does, without anything to switch off."""

    def __init__(self, did: Did, flag: StopFlag) -> None:
        self._did, self._flag = did, flag
        self.stopped: RunStopped | None = None
        self.record_failed = False

    def again(self) -> None:
        if self.stopped is not None:
            raise self.stopped

    def need_idle(self, why: str) -> None:
        self._did.append("idle?")

    def if_asked(self) -> None:
        self._did.append("asked?")
        if self._flag.asked():
            raise StoppedByPerson("asked")

    def if_record_failed(self) -> None:
        self._did.append("record?")
        if self.record_failed:
            raise Tripped("record failed", exit_code=25)

    def note_errors(self) -> None:
        self._did.append("errors")

    def trip(self, finding: Finding, seen: Sample | None = None) -> None:
        self._did.append(("trip", finding, seen))
        raise Tripped(finding.text, exit_code=finding.exit_code)


class Loop:
    """A loop that sees what it is given, one after the other, the last for ever: samples, or samples with findings."""

    def __init__(self, did: Did, clock: VirtualClock) -> None:
        self._did, self._clock = did, clock
        self.start_s = clock.now()
        self.given: list[tuple[dict[str, Any], Finding | None]] = [({}, None)]
        self.looked_at_s: list[float] = []
        self.in_look: Callable[[], None] = lambda: None
        self.interlocks = "interlocks"

    def elapsed(self) -> float:
        return self._clock.now() - self.start_s

    def watch(self, block: Block) -> str:
        return f"watch of {block.phase}"

    def look(self, block: Block) -> tuple[Sample, Finding | None]:
        assert len(self.looked_at_s) < 100, "it looks for ever"
        self._did.append("look")
        self.in_look()
        self.looked_at_s.append(round(self.elapsed(), 6))
        more, finding = self.given.pop(0) if len(self.given) > 1 else self.given[0]
        return sample(self.elapsed(), **more), finding


class Log:
    """Takes rows and marks, and has marks that came from elsewhere: ``given``, one tuple for each look."""

    def __init__(self, did: Did) -> None:
        self._did = did
        self.rows: list[float] = []
        self.given: list[tuple[str, ...]] = []
        self.taken: list[str] = []

    def row(self, seen: Sample) -> None:
        self._did.append("row")
        self.rows.append(round(seen.elapsed_s, 6))

    def marks(self) -> tuple[str, ...]:
        return self.given.pop(0) if self.given else ()

    def take_marks(self, marks: tuple[str, ...]) -> tuple[str, ...]:
        self._did.append("marks")
        self.taken.extend(marks)
        return marks


class Presence:
    def __init__(self, did: Did) -> None:
        self.look = lambda: did.append("there?")
        self.write = lambda: did.append("there!")


def beside_turns(did: Did, *, period_s: float = 1.0) -> SimpleNamespace:
    """All that turns ask of a bench, at rest, with a pack of 7 Ah on it."""
    clock, flag = Machine(), StopFlag()
    loop = Loop(did, clock)
    return SimpleNamespace(
        clock=clock,
        flag=flag,
        loop=loop,
        elapsed=loop.elapsed,
        period_s=period_s,
        stopping=Stopping(did, flag),
        log=Log(did),
        beats=SimpleNamespace(samples=0, loop_goes_on=lambda: did.append("beat")),
        block=Block(),
        presence=None,
        person=None,
        site=SimpleNamespace(subject="pack", pack=SimpleNamespace(rated_ah=7.0)),
        note=lambda kind, **fields: did.append((kind, fields)),
    )


def tape_lines(clock: Machine) -> list[tuple[str, str, dict[str, object]]]:
    """What is on the tape of this clock."""
    return [(line.name, line.what, dict(line.told)) for line in clock.told]


def made_turns(*, show: Any = None, period_s: float = 1.0) -> tuple[Turns, SimpleNamespace, Did]:
    did: Did = []
    bench = beside_turns(did, period_s=period_s)
    return Turns(bench, flag=bench.flag, show=show), bench, did  # type: ignore[arg-type]


class Node:
    """Reads these volts one after the other, the last for ever. ``highest``: what the other voltmeters read most, the
    same way; ``elsewhere``: each of them."""

    load_name, supply_name = "load", "supply"
    drivers: dict[str, Any] = {}  # noqa: RUF012
    bench_file = SimpleNamespace(sensing=lambda what: None)

    def __init__(self, *volts: float, subject: str = "ups", place: str = "meter", mains: Any = "a switch") -> None:
        self.volts, self.subject = list(volts), subject
        self.place = SimpleNamespace(name=place) if place else None
        self.highest: list[tuple[str, float]] = [("", NAN)]
        self.elsewhere: dict[str, float] = {}
        self.switched: dict[str, bool | None] = {"mains": False}
        self._mains = mains
        self.waited: list[float] = []
        self.asked = 0

    def switch(self, what: str) -> Any:
        assert what == "mains"
        return self._mains

    def pack_volts(self) -> float:
        self.asked += 1
        return self.volts.pop(0) if len(self.volts) > 1 else self.volts[0]

    def highest_elsewhere(self) -> tuple[str, float]:
        return self.highest.pop(0) if len(self.highest) > 1 else self.highest[0]

    def volts_elsewhere(self) -> dict[str, float]:
        return self.elsewhere

    def witness(self, before: Before) -> Witness:
        return Witness(self, before, wait=self.waited.append)  # type: ignore[arg-type]
