"""Opening the port restarts the instrument: at the start its greeting is passed over; in mid-run the run ends.

Source: pyserial/pyserial#124, #418, #729 (DTR and RTS move when a port is opened, and some devices restart by that).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from shaped import Ran, ran, write_files

from harness.clock import VirtualClock
from harness.config_bench import load_bench
from harness.connect import connect
from harness.rig import Rig
from sims.bench import SimBench
from sims.faults import FaultyTalker
from sims.manners import Manners
from sims.scenario import Scenario, load_scenario

SLOWLY = Manners(banner="READY v1", deaf_s=2.0)
"""It restarts as others do, and hears nothing meanwhile."""

RESTARTS = Manners(banner="READY v1", defaults_at_open=True)
DISCHARGE = ("charge_first=false", "rate_it=1.5", "rest_s=2", "rest_after_s=2")


def facts(share: float) -> Scenario:
    nominal = load_scenario("porch")
    return replace(nominal, pack=replace(nominal.pack, start_share=(share,) * 4))


CASES = {
    "load": (facts(0.05), "capacity", DISCHARGE, "sinking", b"INP ON"),
    "supply": (facts(0.9), "charge", ("amps=4",), "sourcing", b"OUTP ON"),
}


class Breaking:
    """Breaks the line of one instrument once, when told to; keeps what it was sent."""

    def __init__(self, name: str) -> None:
        self.name, self.armed, self.sent, self.openings = name, False, [], 0

    def arrange(self, bench: SimBench) -> None:
        connect = bench.connect

        def connected(name: str) -> Any:
            talker = connect(name)
            if name != self.name:
                return talker
            self.openings += 1
            return FaultyTalker(talker, self._plan)

        bench.connect = connected  # type: ignore[method-assign]

    def _plan(self, _number: int, message: bytes) -> str | None:
        self.sent.append(message)
        drop, self.armed = self.armed, False
        return "drop" if drop else None


@pytest.mark.parametrize("name", CASES)
def test_a_greeting_at_the_start_is_passed_over(name: str, tmp_path: Path) -> None:
    scenario, procedure, sets, _, on = CASES[name]
    breaking = Breaking(name)
    one = ran(tmp_path, scenario, procedure, manners={name: RESTARTS}, sets=sets, arrange=breaking.arrange)
    assert one.done.exit_code == 0, one.result.end_reason
    assert breaking.openings == 1
    assert breaking.sent.count(on) == 1


@pytest.mark.parametrize("name", CASES)
def test_a_restart_in_mid_run_ends_it(name: str, tmp_path: Path) -> None:
    scenario, procedure, sets, state, on = CASES[name]
    breaking = Breaking(name)
    seen = [0]

    def each(bench: SimBench, sample: Any) -> None:
        seen[0] += sample.state == state
        breaking.armed = breaking.armed or seen[0] == 4

    one: Ran = ran(
        tmp_path, scenario, procedure, manners={name: RESTARTS}, sets=sets, each=each, arrange=breaking.arrange
    )
    assert breaking.openings >= 2, "it was never opened again"
    assert one.done.exit_code == 21, one.result.end_reason
    assert one.result.end_reason.startswith("changed from outside: ")
    assert "its line was lost before: it may have restarted" in one.result.end_reason
    assert breaking.sent.count(on) == 1, "never switched on again"
    world = one.bench.world
    assert world.load is not None
    assert world.supply is not None
    assert not world.load.input_on
    assert not world.supply.output_on
    assert "capacity_ah" not in one.result.figures


class Deaf:
    """The thermometer falls silent when it is told to."""

    def __init__(self, name: str) -> None:
        self.name, self.silent = name, False

    def arrange(self, bench: SimBench) -> None:
        connect_to = bench.connect

        def connected(name: str) -> Any:
            talker = connect_to(name)
            plan = lambda number, message: "silent" if self.silent else None  # noqa: E731
            return FaultyTalker(talker, plan) if name == self.name else talker

        bench.connect = connected  # type: ignore[method-assign]


@pytest.fixture
def slow_meter(tmp_path: Path) -> tuple[Rig, VirtualClock, Deaf]:
    """A bench whose meter is deaf for 2 s after each opening, and whose supply may fall silent."""
    clock = VirtualClock()
    bench = SimBench(load_scenario("cabinet"), now=clock.now, seed=None, manners={"meter": SLOWLY})
    deaf = Deaf("supply")
    deaf.arrange(bench)
    write_files(tmp_path, bench)
    connection = connect(load_bench(tmp_path / "bench.toml"), clock=clock, sim=bench)
    assert connection.rig is not None
    return connection.rig, clock, deaf


def test_one_that_is_slow_to_start_is_waited_for_and_said_so(slow_meter: tuple[Rig, VirtualClock, Deaf]) -> None:
    rig, clock, _ = slow_meter
    assert rig.drivers["meter"].session.openings == 1
    assert rig.read(wall=clock.now).flags == ()
    rig.drivers["meter"].session.wire.close()
    before = clock.now()
    turn = rig.read(wall=clock.now)
    assert clock.now() - before >= 2.4
    assert turn.flags == ("meter: opened anew, 2.4 s waited until it had started",)
    assert turn.errors == ()
    assert turn.dead == frozenset()
    assert turn.readings["meter_volts"] == turn.readings["meter_volts"]
    assert turn.call_s < 0.1, "an opening is no exchange that took too long"
    assert rig.read(wall=clock.now).flags == ()


def test_the_others_are_asked_although_it_was_waited_for(slow_meter: tuple[Rig, VirtualClock, Deaf]) -> None:
    """With one silent and one waited for the turn is long; the rest did nothing wrong and is read."""
    rig, clock, deaf = slow_meter
    rig.drivers["meter"].session.wire.close()
    deaf.silent = True
    turn = rig.read(wall=clock.now)
    assert turn.dead == {"supply"}
    assert turn.flags == ("supply: no reading", "meter: opened anew, 2.4 s waited until it had started")
    assert turn.readings["thermometer_temp_c"] == turn.readings["thermometer_temp_c"]


@pytest.mark.parametrize("name", CASES)
def test_slow_to_start_at_the_start_and_in_mid_run(name: str, tmp_path: Path) -> None:
    """Waited for before the run; a restart in mid-run ends it as a quick one does, and off is said after the wait."""
    scenario, procedure, sets, state, on = CASES[name]
    breaking = Breaking(name)
    seen = [0]

    def each(bench: SimBench, sample: Any) -> None:
        seen[0] += sample.state == state
        breaking.armed = breaking.armed or seen[0] == 4

    slowly = replace(SLOWLY, defaults_at_open=True)
    one = ran(tmp_path, scenario, procedure, manners={name: slowly}, sets=sets, each=each, arrange=breaking.arrange)
    assert breaking.openings >= 2, "it was never opened again"
    assert one.done.exit_code == 21, one.result.end_reason
    assert "its line was lost before: it may have restarted" in one.result.end_reason
    assert breaking.sent.count(on) == 1, "never switched on again"
    assert one.bench.world.load is not None
    assert one.bench.world.supply is not None
    assert not one.bench.world.load.input_on
    assert not one.bench.world.supply.output_on
