"""Nights without a fault, over packs, UPSs, leads and instruments drawn at random, with their noise and their full
errors: nothing may speak that ends a run. Too many false stops teach people to change limits.

The ordinary suite spends ten short nights of each procedure; campaigns spend many more.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from night import SCENARIO, Night, Short, judge, quick, spend

from harness.clock import VirtualClock
from harness.procedure import procedures
from harness.run import Done, Home, Job, prepare, run
from sims.bench import SimBench
from sims.scenario import drawn, load_scenario

NIGHTS = 10

ON_A_PACK = {
    # 6 min at 1.5 It down the knee; the end of a charge; a stair of rates on a half-full pack
    "capacity": Short("capacity", 0.15, ("charge_first=false", "rate_it=1.5", "rest_s=2", "rest_after_s=2"), "load"),
    "charge": Short("charge", 0.98, ("amps=4",), "supply"),
    "c-rate": Short("c-rate", 0.60, ("step_s=30", "rest_s=5"), "load"),
}
ON_A_UPS = {"voltage-floor": ("idle_s=0", "coarse_step_v=1"), "charge-ceiling": ("step_v=1",)}


def test_there_are_nights_of_every_procedure() -> None:
    assert {*ON_A_PACK, *ON_A_UPS} == set(procedures())


def of_a_pack(out: Path, short: Short, seed: int, *, two_wire: bool) -> Night:
    facts = drawn(load_scenario(SCENARIO), seed=seed)
    facts = replace(facts, pack=replace(facts.pack, start_share=(short.start_share,) * 4))
    if two_wire:
        facts = replace(facts, load=replace(facts.load, sense="local"), supply=replace(facts.supply, sense="local"))
    with quick():
        return spend(out, short, scenario=facts, seed=seed)


@pytest.mark.parametrize("seed", range(1, NIGHTS + 1))
@pytest.mark.parametrize("procedure", ON_A_PACK)
def test_on_a_pack(procedure: str, seed: int, tmp_path: Path) -> None:
    """With and without sense leads by turns: without them the resistance of the leads is judged."""
    night = of_a_pack(tmp_path, ON_A_PACK[procedure], seed, two_wire=seed % 2 == 0)
    assert night.exit_code == 0, night.refusal or night.result.end_reason
    assert judge(night) == [] or procedure == "c-rate"
    assert night.events("warning") == []


def of_a_ups(out: Path, procedure: str, sets: tuple[str, ...], seed: int) -> Done:
    clock = VirtualClock()
    bench = SimBench(drawn(load_scenario("cabinet"), seed=seed), now=clock.now, seed=seed)
    assert bench.do("wire ups") == "done"
    addresses = {name: f"sim:{bench.scenario}/{name}" for name in bench.names}
    (out / "bench.toml").write_text(bench.bench_toml(addresses), encoding="utf-8")
    (out / "ups.toml").write_text(bench.ups_toml(), encoding="utf-8")
    job: Any = Job(procedures()[procedure], out / "bench.toml", None, sets=sets, out=out / "runs", ups=out / "ups.toml")
    with quick():
        return run(prepare(replace(job, home=Home(clock, bench))))


@pytest.mark.parametrize("seed", range(1, NIGHTS + 1))
@pytest.mark.parametrize("procedure", ON_A_UPS)
def test_on_a_ups(procedure: str, seed: int, tmp_path: Path) -> None:
    done = of_a_ups(tmp_path, procedure, ON_A_UPS[procedure], seed)
    assert done.exit_code == 0, done.result.end_reason


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_a_quiet_plateau_for_ten_hours(tmp_path: Path) -> None:
    """Voltmeters without noise, in steps of 10 mV, at 0.05 It: a reading stands still for half an hour."""
    facts = load_scenario(SCENARIO)
    short = Short("capacity", 0.55, ("charge_first=false", "rate_it=0.05", "rest_s=2", "rest_after_s=2"), "load")
    quiet = {"volts_step": 0.010, "volts_noise": 0.0, "volts_accuracy_range_pct": 0.05}
    scenario = replace(
        facts,
        pack=replace(facts.pack, start_share=(short.start_share,) * 4),
        meter=replace(facts.meter, **quiet),
        load=replace(facts.load, **quiet),
        supply=replace(facts.supply, **quiet),
    )
    longest: list[float] = []
    since = [0.0, 0.0]

    def each(_number: int, sample: Any) -> None:
        if sample.pack_volts != since[0]:
            since[:] = [sample.pack_volts, sample.elapsed_s]
        longest.append(sample.elapsed_s - since[1])

    with quick():
        night = spend(tmp_path, short, scenario=scenario, each=each)
    assert night.exit_code == 0, night.refusal or night.result.end_reason
    assert len(longest) > 36000
    assert max(longest) > 1200.0, "it did stand still"
    print(f"\n{len(longest)} samples, the same volts for {max(longest):.0f} s at most")
