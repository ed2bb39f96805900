"""Volts read behind the leads: sensed at the pack, corrected for, or said to be neither; a lost sense lead is refused.

Source: guides of supplies and loads (an open sense lead puts the output 1 to 5 % high), common practice, no source, for
the check of sense leads before a capacity test.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from shaped import Ran, ran

from harness.errors import PreflightRefused
from sims.bench import SimBench
from sims.faults import FaultyTalker
from sims.scenario import Scenario, load_scenario

SETS = ("charge_first=false", "rate_it=1.5", "rest_s=2", "rest_after_s=2")
LOOP_MOHM = 60.0


def bench_with(fitted: tuple[str, ...], sense: str, *, lead_mohm: float = LOOP_MOHM) -> Scenario:
    """The porch's pack nearly empty, loop resistance of 60 mohm to the load."""
    facts = load_scenario("porch")
    return replace(
        facts,
        pack=replace(facts.pack, start_share=(0.06,) * 4),
        fitted=fitted,
        load=replace(facts.load, sense=sense),
        load_lead_mohm=lead_mohm,
    )


def run_with(place: Path, facts: Scenario, edit: Any = None) -> tuple[Ran, float]:
    """The run, and the least volts of the pack itself under load, as the world knows them."""
    seen: list[float] = []

    def each(bench: SimBench, sample: Any) -> None:
        if sample.state == "sinking":
            seen.append(bench.world.volts_at("pack"))

    one = ran(place, facts, "capacity", sets=SETS, each=each, edit=edit)
    assert one.done.exit_code == 0, one.result.end_reason
    return one, min(seen)


def undeclared(text: str) -> str:
    """The bench file without a word about the load's leads."""
    head, found, tail = text.partition('name = "load"')
    kept = [line for line in tail.splitlines() if not line.startswith("lead_mohm")]
    return head + found + "\n".join(kept) + "\n"


@pytest.mark.parametrize(
    ("fitted", "sense", "words"),
    [
        (("supply", "load", "meter", "thermometer"), "local", "measured at the pack terminals by meter"),
        (("load", "thermometer"), "remote", "measured at the pack terminals by load"),
        (("load", "thermometer"), "local", "computed from load and its declared leads of 60.0 mohm"),
    ],
)
def test_the_discharge_goes_on_to_the_packs_own_end(
    fitted: tuple[str, ...], sense: str, words: str, tmp_path: Path
) -> None:
    """10.30 V at the pack are 9.58 V at the load at 12 A: the end of 10.00 V is not reached."""
    one, least = run_with(tmp_path, bench_with(fitted, sense))
    assert one.result.conditions["volts_measured"].value == words
    assert 9.85 < least < 10.05
    assert one.result.figures["capacity_ah"].value > 0.02


def test_leads_that_nobody_declared_are_said_and_doubted(tmp_path: Path) -> None:
    one, least = run_with(tmp_path, bench_with(("load", "thermometer"), "local"), undeclared)
    words = "measured at the terminals of load; the drop in its leads is not known"
    assert one.result.conditions["volts_measured"].value == words
    # It stops where the load's own terminals reach the end: the pack stands 12 A x 60 mohm = 0.72 V higher.
    assert least > 10.4
    figure = one.result.figures["mean_v"]
    assert words in figure.basis
    assert any(line.source.endswith("leads not declared") for line in figure.budget)
    known = run_with(tmp_path, bench_with(("load", "thermometer"), "local"))[0].result.figures["mean_v"]
    assert figure.expanded_uncertainty > 3 * known.expanded_uncertainty


@pytest.mark.parametrize("factor", [1.05, 0.95])
def test_two_voltmeters_on_one_node_that_disagree_are_refused(factor: float, tmp_path: Path) -> None:
    """One says 12.8 V, the other at the terminals 13.4 V: nothing is switched on."""

    def spoil(bench: SimBench) -> None:
        connect = bench.connect

        def plan(_number: int, message: bytes) -> str | None:
            return "lie" if message.startswith(b"MEAS:VOLT:DC?") else None

        def connected(name: str) -> Any:
            talker = connect(name)
            return FaultyTalker(talker, plan, lie_factor=factor) if name == "meter" else talker

        bench.connect = connected  # type: ignore[method-assign]

    facts = bench_with(("supply", "load", "meter", "thermometer"), "local")
    with pytest.raises(PreflightRefused, match=r"on the same node with no current, limit [0-9]+ mV apart"):
        ran(tmp_path, facts, "capacity", sets=SETS, arrange=spoil)
