"""Charge-ceiling probes on a simulated bench: chargers of several kinds, benches that lack something, self-tests in
between; each figure beside the truth the simulator knows."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from harness.clock import VirtualClock
from harness.procedure import procedures
from harness.result import Result
from harness.run import Home, Job, prepare, run
from sims.bench import SimBench
from sims.scenario import Scenario, load_scenario
from sims.ups_truth import true_ups_figures

CABINET = load_scenario("cabinet")
WITHOUT_LOAD = ("supply", "meter", "thermometer", "mains")


def with_charger(facts: Scenario = CABINET, *, ups: dict[str, Any] | None = None, **changes: Any) -> Scenario:
    """The bench with some of the charger's figures changed, and of the UPS's."""
    spec = facts.ups.spec
    spec = replace(spec, charger=replace(spec.charger, **changes), **(ups or {}))
    return replace(facts, ups=replace(facts.ups, spec=spec))


@dataclass(slots=True)
class Probed:
    """A probe that is over."""

    result: Result
    bench: SimBench

    @property
    def end(self) -> str:
        return self.result.end_reason

    def off_by(self, name: str, *, truth: float | None = None) -> float:
        """How far a figure is from the truth, in expanded uncertainties."""
        figure = self.result.figures[name]
        assert figure.expanded_uncertainty is not None
        true = truth if truth is not None else true_ups_figures(self.bench.facts)[name].value
        return abs(float(figure.value) - float(true)) / figure.expanded_uncertainty


def probe(place: Path, facts: Scenario = CABINET, *sets: str) -> Probed:
    """One probe in memory."""
    clock = VirtualClock()
    bench = SimBench(facts, now=clock.now, seed=None)
    assert bench.do("wire ups") == "done"
    addresses = {name: f"sim:{bench.scenario}/{name}" for name in bench.names}
    (place / "bench.toml").write_text(bench.bench_toml(addresses), encoding="utf-8")
    (place / "ups.toml").write_text(bench.ups_toml(), encoding="utf-8")
    job = Job(procedures()["charge-ceiling"], place / "bench.toml", None, sets=sets, out=place / "runs")
    done = run(prepare(replace(job, ups=place / "ups.toml", home=Home(clock, bench))))
    assert done.result.outcome == "finished", done.result.end_reason
    world = bench.world
    assert not bench.ups.mains_on
    assert world.supply is None or not world.supply.output_on
    assert world.load is None or not world.load.input_on
    return Probed(done.result, bench)


NUMBERS = ("ceiling_v", "charger_r_ohm", "charge_a", "knee_v")

TRACED: dict[str, tuple[Scenario, tuple[str, ...]]] = {
    "as it is": (CABINET, ()),
    "a person at the mains": (replace(CABINET, fitted=("supply", "load", "meter", "thermometer")), ()),
    "12 V, compensated, cool room": (load_scenario("porch"), ()),
    "pre-charge": (with_charger(pre_v=23.2), ("start_v=21", "help_v=20.5")),
    "soft": (with_charger(ohms=0.5), ()),
    "strong": (with_charger(amps=9.0), ()),
    "looks for its battery": (with_charger(look_every_s=20.0), ("help=trace",)),
    "self-test on the way, supply left on": (
        with_charger(ups={"selftest_after_s": 150.0}), ("mains_wait_s=60", "help=trace")
    ),
    "volts by the load, behind its leads": (
        replace(CABINET, load=replace(CABINET.load, sense="local"), fitted=("supply", "load", "mains")), ()
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", TRACED)
def test_traced(name: str, tmp_path: Path) -> None:
    facts, sets = TRACED[name]
    probed = probe(tmp_path, facts, *sets)
    assert probed.end == "traced"
    for key in NUMBERS:
        # A slope has the scatter of nine points in it, so one draw in twenty lies a little beyond its U.
        assert probed.off_by(key) <= (1.5 if key == "charger_r_ohm" else 1.0), key
    assert "open_v" in probed.result.not_measured


def test_boost_then_float(tmp_path: Path) -> None:
    probed = probe(tmp_path, with_charger(boost_v=28.8, taper_amps=0.15, taper_s=10.0))
    assert probed.end == "traced"
    for key in (*NUMBERS, "boost_v", "float_v"):
        assert probed.off_by(key) <= 1.0, key
    assert probed.result.figures["ceiling_v"].value == probed.result.figures["boost_v"].value


def test_boost_that_ends_within_its_branch(tmp_path: Path) -> None:
    """A taper at 0.5 A of 0.9: half of the branch is boost's, the rest is taken anew as float's."""
    probed = probe(tmp_path, with_charger(boost_v=28.8, taper_amps=0.5, taper_s=10.0))
    assert probed.end == "traced"
    for key in ("ceiling_v", "charge_a", "knee_v", "boost_v", "float_v"):
        assert probed.off_by(key) <= 1.0, key


def test_boost_that_does_not_end_is_the_one_stage_seen(tmp_path: Path) -> None:
    probed = probe(tmp_path, with_charger(boost_v=28.8, taper_amps=0.15, taper_s=600.0))
    assert probed.off_by("ceiling_v") <= 1.0
    assert {"boost_v", "float_v"} <= set(probed.result.not_measured)


def test_boost_over_before_its_branch_is_no_ceiling(tmp_path: Path) -> None:
    probed = probe(tmp_path, with_charger(boost_v=28.8, taper_amps=0.02, boost_most_s=130.0))
    assert probed.off_by("float_v") <= 1.0
    assert "ceiling_v" in probed.result.not_measured
    assert "boost ended before" in probed.result.not_measured["ceiling_v"]


@pytest.mark.parametrize("sets", [("by=supply",), ()])
def test_without_a_load_the_driven_supply_tells_the_open_volts(sets: tuple[str, ...], tmp_path: Path) -> None:
    facts = CABINET if sets else replace(CABINET, fitted=WITHOUT_LOAD)
    probed = probe(tmp_path, facts, *sets)
    assert probed.end == "driven by charger, as looked for"
    assert set(probed.result.figures) == {"open_v", "ceiling_v"}
    assert probed.off_by("ceiling_v") <= 1.0
    # The supply's bleed of 20 mA over the charger's 60 mohm.
    assert probed.off_by("open_v", truth=27.3 - 0.02 * 0.06) <= 1.0


def test_a_supply_alone_that_is_not_driven(tmp_path: Path) -> None:
    probed = probe(tmp_path, with_charger(amps=0.0), "by=supply")
    assert probed.end == "the charger did not drive the supply's node"
    assert not probed.result.figures


@pytest.mark.parametrize("changes", [{"amps": 0.0}, {"present_v": 25.0}], ids=["dead", "sees no battery"])
def test_a_charger_that_does_not_start(changes: dict[str, float], tmp_path: Path) -> None:
    probed = probe(tmp_path, with_charger(**changes))
    assert probed.end == "charger did not start"
    assert not probed.result.figures


def test_a_self_test_collapses_a_node_that_only_a_load_holds(tmp_path: Path) -> None:
    """Then the charger sees no battery any more; what was read before still counts, and how to do better is known."""
    facts = with_charger(ups={"selftest_after_s": 150.0})
    probed = probe(tmp_path, facts, "mains_wait_s=60")
    assert probed.end == "charger stopped"
    for key in probed.result.figures:
        assert probed.off_by(key) <= 1.0, key


def test_self_tests_in_the_wait_are_counted(tmp_path: Path) -> None:
    assert probe(tmp_path).result.conditions["self_tests_seen"].value == 1


def test_the_loads_own_limit_is_not_the_chargers(tmp_path: Path) -> None:
    """A charger of 9 A into a load that takes 5 A: the node rises above what the load was set to."""
    facts = with_charger(amps=9.0)
    facts = replace(facts, load=replace(facts.load, amps_max=5.0, amps_accuracy_range_pct=0.1))
    probed = probe(tmp_path, facts)
    assert probed.end == "the load's own limit"
    assert not {"ceiling_v", "knee_v"} & set(probed.result.figures)


def test_the_room_stands_beside_a_compensated_ceiling(tmp_path: Path) -> None:
    probed = probe(tmp_path, load_scenario("porch"))
    assert float(probed.result.conditions["temp_c"].value or math.nan) == pytest.approx(17.0, abs=1.0)
