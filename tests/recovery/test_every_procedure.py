"""Every procedure says what follows when it dies, and can be read back as it was asked; who adds one adds a row."""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path

import pytest
from died import Ended, died, ended, nearly_empty
from night import truly_off

from harness.clock import VirtualClock
from harness.derived import as_it_was
from harness.errors import PreflightRefused
from harness.job import Home
from harness.procedure import Procedure, procedures
from harness.result import load_result
from harness.resume import look_back, ready_again
from sims.bench import SimBench
from sims.scenario import Scenario, load_scenario

ASKED: dict[str, tuple[Scenario | str, tuple[str, ...]]] = {
    "capacity": (nearly_empty(0.02), ("charge_first=false", "rate_it=1", "rest_s=2", "rest_after_s=2")),
    "charge": (nearly_empty(0.995), ("amps=4", "end_amps=3")),
    "c-rate": ("porch", ("rates_it=0.2", "step_s=2", "rest_s=6")),
    "voltage-floor": ("cabinet", ("start_v=24", "lowest_v=18", "idle_s=0", "mains_wait_s=45")),
    "charge-ceiling": ("cabinet", ()),
}
"""A procedure -> a bench on which it is short, and keys of its plan."""

NOTHING_LEFT = {"charge-ceiling": "a line through points that were not all taken says nothing about where it ends"}
"""Procedures of whose record nothing is made, and why."""

GOES_ON = ("voltage-floor",)


def test_the_tables_name_them_all() -> None:
    assert set(ASKED) == set(procedures())
    assert set(NOTHING_LEFT) == {name for name, one in procedures().items() if one.left is None}
    assert set(GOES_ON) == {name for name, one in procedures().items() if one.go_on is not None}


@pytest.mark.parametrize("name", ASKED)
def test_it_says_what_follows(name: str) -> None:
    assert procedures()[name].after_stop != Procedure.__dataclass_fields__["after_stop"].default


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Ended]:
    place = tmp_path_factory.mktemp("runs")
    return {name: ended(place, name, *sets, scenario=bench) for name, (bench, sets) in ASKED.items()}


@pytest.mark.parametrize("name", [name for name in ASKED if name not in GOES_ON])
def test_resume_says_that_it_begins_anew_and_with_which_command(
    name: str, runs: dict[str, Ended], tmp_path: Path
) -> None:
    folder, (scenario, _) = died(runs[name], tmp_path, rows=5), ASKED[name]
    clock = VirtualClock()
    bench = SimBench(load_scenario(scenario) if isinstance(scenario, str) else scenario, now=clock.now, seed=None)
    past = look_back(folder.path)
    assert past.result.bench is not None
    serials = [one.serial for one in past.result.bench.instruments if one.role in ("supply", "load")]
    home, said = Home(clock, bench), []
    for serial in serials:  # whichever was on
        with suppress(PreflightRefused):
            following = ready_again(
                past, bench=None, out=None, seen_off=serial, say=said.append, ask=lambda _: None, home=home
            )
    assert following.goes_on is None
    assert following.words.startswith(procedures()[name].after_stop)
    kind = "ups" if procedures()[name].subject == "ups" else "pack"
    assert f"nightbench run {name} --bench {folder.path}/inputs/bench.toml --{kind} " in following.words
    assert said[0].endswith("nothing was switched on")
    assert truly_off(bench.world)


@pytest.mark.parametrize("name", ASKED)
def test_a_plan_is_read_back_as_it_was_settled(name: str, runs: dict[str, Ended], tmp_path: Path) -> None:
    """A settled plan settles to itself, on the files kept with the run, within the same limits."""
    folder = died(runs[name], tmp_path, rows=5)
    result = load_result(folder)
    ready = as_it_was(folder, result)
    again = json.loads(json.dumps({key: getattr(ready.plan, key) for key in result.plan}))
    assert again == result.plan
    assert ready.job.procedure.name == name
