"""Opening the port restarts the instrument: at the start its greeting is passed over; in mid-run the run ends.

Source: pyserial/pyserial#124, #418, #729 (DTR and RTS move when a port is opened, and some devices restart by that).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from shaped import Ran, ran

from sims.bench import SimBench
from sims.faults import FaultyTalker
from sims.manners import Manners
from sims.scenario import Scenario, load_scenario

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
