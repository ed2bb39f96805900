"""Somebody presses the local key of an instrument whose dialect cannot ask for it: off gets through all the same.

Source: two guides of instruments (serial: every command is refused, or answered with a sentence, until the remote
command).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from shaped import Ran, ran

from harness.jsonlines import events
from sims.bench import SimBench
from sims.manners import Manners
from sims.scenario import load_scenario

DISCHARGE = ("charge_first=false", "rate_it=1.5", "rest_s=2", "rest_after_s=2")
CASES = {
    "load": ("load", "", "capacity", 0.04, DISCHARGE, "sinking"),
    "load by MODE": ("load", "mode", "capacity", 0.04, DISCHARGE, "sinking"),
    "supply": ("supply", "", "charge", 0.97, ("amps=4", "end_amps=3"), "sourcing"),
    "supply that selects": ("supply", "select", "charge", 0.97, ("amps=4", "end_amps=3"), "sourcing"),
    "supply with suffixes": ("supply", "suffix", "charge", 0.97, ("amps=4", "end_amps=3"), "sourcing"),
    "supply with lists": ("supply", "list", "charge", 0.97, ("amps=4", "end_amps=3"), "sourcing"),
}


def run_with(place: Path, case: str, do: Callable[[SimBench, str], None]) -> Ran:
    name, shape, procedure, share, sets, state = CASES[case]
    nominal = load_scenario("porch")
    facts = replace(nominal, pack=replace(nominal.pack, start_share=(share,) * 4))
    seen = [0]

    def each(bench: SimBench, sample: Any) -> None:
        seen[0] += sample.state == state
        if seen[0] == 4 and sample.state == state:
            do(bench, name)

    one = ran(place, facts, procedure, manners={name: Manners(shape=shape)}, sets=sets, each=each)
    world = one.bench.world
    assert world.load is not None
    assert world.supply is not None
    assert not world.load.input_on
    assert not world.supply.output_on
    return one


@pytest.mark.parametrize("case", CASES)
def test_off_gets_through(case: str, tmp_path: Path) -> None:
    def press(bench: SimBench, name: str) -> None:
        assert bench.do(f"local {name}") == "done"

    one = run_with(tmp_path, case, press)
    assert one.done.exit_code == 0, one.result.end_reason
    how = " ".join(line for event in events(one.done.folder) for line in event.get("how", ()))
    name = CASES[case][0]
    assert f"{name}: control taken back from its front panel" in how
    assert f"{name} does not obey; its error queue: -201" in how


@pytest.mark.parametrize("case", CASES)
def test_a_knob_turned_after_it_ends_the_run(case: str, tmp_path: Path) -> None:
    def press_and_turn(bench: SimBench, name: str) -> None:
        assert bench.do(f"local {name}") == "done"
        assert bench.do(f"turn {name} amps 1.5") == "done"

    one = run_with(tmp_path, case, press_and_turn)
    assert one.done.exit_code == 21
    name = CASES[case][0]
    assert one.result.end_reason.startswith(f"changed from outside: {name}: amps was ")
