"""Whole nights on simulated benches: every figure that has a truth lies within its expanded uncertainty of it.

Ordinary: one drawn bench, its pack begun two thirds full and discharged in an hour. The campaign, whole nights of
thirty drawn benches of each story, with a table of how far each figure was off:
``pytest -q -m slow tests/procedures/test_truth.py -s``.
"""

from __future__ import annotations

import statistics
from dataclasses import replace
from pathlib import Path
from typing import Any

import pack_campaign as campaign
import pytest

CHARGED = {"charge_in_ah", "charge_in_wh", "cv_s", "end_a"}
DISCHARGED = {"capacity_ah", "capacity_wh", "mean_v", "end_v", "recovery_v", "temp_start_c", "temp_end_c",
              "rise_k"}  # fmt: skip
SEEDS = range(1, 31)


def held(made: Any) -> dict[str, Any]:
    """The night's rows by figure; fails with the whole table when one is outside."""
    outside = [row.name for row in made.rows if not row.ratio <= 1.0]
    assert not outside, f"{outside}\n{campaign.table(made.rows)}"
    assert all(result.outcome == "finished" for result in made.results)
    return {row.name: row for row in made.rows}


SOONER = ("charge_first=false", "rate_it=1.0", "rest_s=600", "rest_after_s=120")


def test_charge_then_capacity(tmp_path: Path) -> None:
    drawn = campaign.scenario("cabinet", 1)
    share = tuple(one + 0.67 - drawn.pack.start_share[0] for one in drawn.pack.start_share)
    plan = replace(drawn.plan, rate_it=1.0, rest_s=600.0, rest_after_s=120.0)
    facts = replace(drawn, pack=replace(drawn.pack, start_share=share), plan=plan)
    made = campaign.night(facts, tmp_path, seed=1, jobs=(("charge", ()), ("capacity", SOONER)))
    assert set(held(made)) == CHARGED | DISCHARGED
    assert [result.end_reason for result in made.results] == ["end current reached", "end volts reached"]
    assert set(made.results[1].not_measured) == {"last_v"}


@pytest.mark.slow
def test_a_capacity_that_charges_first(tmp_path: Path) -> None:
    made = campaign.night(campaign.scenario("porch", None), tmp_path, jobs=campaign.CAPACITY)
    assert set(held(made)) == DISCHARGED
    (result,) = made.results
    truth = made.sim.truth()
    assert result.conditions["charge_in_ah"].value == pytest.approx(truth["charge_in_ah"]["value"], rel=0.005)
    sources = {line.source for line in result.figures["capacity_ah"].budget}
    assert {"volts held, supply volts", "end current, supply amps"} <= sources


@pytest.mark.slow
def test_a_pack_that_opens_before_its_end_voltage(tmp_path: Path) -> None:
    made = campaign.night(campaign.scenario("weak", None), tmp_path)
    assert set(held(made)) == CHARGED | DISCHARGED - {"end_v", "recovery_v"} | {"last_v"}
    result = made.results[1]
    assert result.end_reason == "pack opened"
    assert set(result.not_measured) == {"end_v", "recovery_v"}
    assert result.figures["retained_share"].value < 0.8
    # Nothing came back on: the world's own current is what the idle supply drains.
    assert made.sim.world.load_amps == 0.0


FOUND: dict[tuple[str, str], list[float]] = {}


@pytest.mark.slow
@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("story", ["cabinet", "porch"])
def test_campaign(story: str, seed: int, tmp_path: Path) -> None:
    made = campaign.night(campaign.scenario(story, seed), tmp_path, seed=seed)
    for row in made.rows:
        FOUND.setdefault((story, row.name), []).append(row.ratio)
    assert set(held(made)) == CHARGED | DISCHARGED


ALWAYS_NEAR = {"end_v", "rise_k"}
"""An end voltage is the plan's own; one probe's errors at both ends of a rise cancel, though nobody may count on it."""


@pytest.mark.slow
def test_campaign_found_no_padding() -> None:
    """Over many benches a budget that is much too wide shows as a largest deviation that is much too small."""
    assert FOUND, "run together with the campaign"
    print(f"\n{'story':<8} {'figure':<14} {'nights':>6} {'median':>7} {'largest':>8}   |found - truth| / U")
    for (story, name), ratios in sorted(FOUND.items()):
        print(f"{story:<8} {name:<14} {len(ratios):6d} {statistics.median(ratios):7.3f} {max(ratios):8.3f}")
        if len(ratios) >= 20 and name not in ALWAYS_NEAR:
            assert max(ratios) > 0.15, (story, name)
