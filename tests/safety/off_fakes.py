"""Instruments, a bench and its clocks by hand, for the parts of switching off one by one."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

from drivers.load import Load
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from harness.off_time import OffTime
from harness.tape import Tape, Told


@dataclass
class Clocks:
    """Bench and machine time, s; each exchange takes ``exchange_s`` of both. ``lost``: it cannot be slept on.
    ``told``: what is on the tape."""

    now_s: float = 100.0
    wall_s: float = 5000.0
    exchange_s: float = 0.0
    lost: bool = False
    told: list[Told] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.tape = Tape(hear=self.told.append)

    def now(self) -> float:
        return self.now_s

    def wall(self) -> float:
        return self.wall_s

    def sleep(self, seconds: float) -> None:
        if self.lost:
            raise OSError("lost")
        if seconds < 0:
            seconds = 1e6  # no clock goes back; whoever asks for that is seen by how long it took
        self.pass_time(seconds)

    def pass_time(self, seconds: float) -> None:
        self.now_s += seconds
        self.wall_s += seconds


@dataclass
class Line:
    """Wire and session in one."""

    boot_s: float = 0.0
    is_open: bool = True

    @property
    def wire(self) -> Line:
        return self

    def close(self) -> None:
        self.is_open = False


class Instrument:
    """What all have: told is written into ``bench.said``. ``amps`` are read one after the other, the last for ever;
    ``obeys``: at which "off" it goes off, 0 for never; an exception in the place of an answer is raised."""

    def __init__(self, bench: FakeBench, name: str, *amps: float | Exception, obeys: int = 1, on: bool = True) -> None:
        self.bench, self.name, self.amps, self.obeys, self.is_on_now = bench, name, list(amps or (0.0,)), obeys, on
        self.session = Line()
        self.offs = 0
        self.fails: dict[str, Exception] = {}
        self.regains = False

    def _said(self, what: str) -> None:
        self.bench.clock.pass_time(self.bench.clock.exchange_s)
        self.bench.said.append((round(self.bench.clock.now_s - 100.0, 3), self.name, what))
        if what in self.fails:
            raise self.fails[what]

    def off(self) -> None:
        self.offs += 1
        self.session.is_open = True
        self._said("off")
        if self.offs == self.obeys:
            self.is_on_now = False

    def soften(self) -> None:
        self._said("soften")

    def measure_amps(self) -> float:
        self._said("amps")
        one = self.amps.pop(0) if len(self.amps) > 1 else self.amps[0]
        if isinstance(one, Exception):
            raise one
        return one

    def output_is_on(self) -> bool:
        self._said("ask")
        return self.is_on_now

    input_is_on = output_is_on

    def is_on(self) -> bool:
        return self.output_is_on()

    def errors(self) -> tuple[str, ...]:
        self._said("errors")
        return ("one", "two", "three", "four")

    @property
    def can_regain(self) -> bool:
        return self.regains

    def regain(self) -> None:
        self._said("regain")


class FakeSupply(Instrument, Supply):  # type: ignore[misc]
    pass


class FakeLoad(Instrument, Load):  # type: ignore[misc]
    pass


class FakeSwitch(Instrument, PowerSwitch):  # type: ignore[misc]
    pass


@dataclass
class Place:
    name: str = "meter"


class NothingSensed:
    """A bench file without contacts."""

    def sensing(self, what: str) -> None:
        return None


@dataclass
class FakeBench:
    """A rig: what switches what, and the volts of the node, one after the other, the last for ever."""

    clock: Clocks = field(default_factory=Clocks)
    said: list[tuple[float, str, str]] = field(default_factory=list)
    drivers: dict[str, Any] = field(default_factory=dict)
    switches: dict[str, str] = field(default_factory=dict)
    switched: dict[str, bool | None] = field(default_factory=dict)
    subject: str = "pack"
    volts: list[float] = field(default_factory=lambda: [math.nan])
    place: Place = field(default_factory=Place)
    bench_file: NothingSensed = field(default_factory=lambda: NothingSensed())

    def __post_init__(self) -> None:
        self.drivers = {"psu": FakeSupply(self, "psu"), "eload": FakeLoad(self, "eload")}

    def with_switch(self, what: str, **how: Any) -> FakeSwitch:
        one = FakeSwitch(self, what, **how)
        self.drivers[what], self.switches[what] = one, what
        return one

    def _first(self, kind: type) -> tuple[str | None, Any]:
        return next(((name, one) for name, one in self.drivers.items() if isinstance(one, kind)), (None, None))

    @property
    def supply_name(self) -> str | None:
        return self._first(Supply)[0]

    @property
    def supply(self) -> Any:
        return self._first(Supply)[1]

    @property
    def load_name(self) -> str | None:
        return self._first(Load)[0]

    @property
    def load(self) -> Any:
        return self._first(Load)[1]

    def switch(self, what: str) -> Any:
        return self.drivers.get(self.switches.get(what, ""))

    def pack_volts(self) -> float:
        return self.volts.pop(0) if len(self.volts) > 1 else self.volts[0]

    def highest_elsewhere(self) -> tuple[str, float]:
        return "", math.nan

    def volts_elsewhere(self) -> dict[str, float]:
        return {}

    def told(self, what: str = "off") -> list[str]:
        """Who was told so, in order."""
        return [name for _, name, said in self.said if said == what]


class Signs:
    """What whoever watches has heard."""

    def __init__(self) -> None:
        self.heard: list[str] = []

    def switching_off(self) -> None:
        self.heard.append("switching off")

    def proving_off(self) -> None:
        self.heard.append("proving off")

    def still_on(self, state: str) -> None:
        self.heard.append(state)

    def was_off(self) -> None:
        self.heard.append("was off")


def timed(bench: FakeBench) -> tuple[OffTime, Signs, list[float]]:
    signs, loud = Signs(), []
    time = OffTime(bench, bench.clock, signs=signs, loud=lambda: loud.append(bench.clock.wall_s - 5000.0))  # type: ignore[arg-type]
    return time, signs, loud
