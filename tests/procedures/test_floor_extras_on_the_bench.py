"""Voltage-floor sweeps beside the floor: levels above the start, the draw without a load, what stays unmeasured."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import sweeps as bench

from sims.scenario import load_scenario


def swept(place: Path, *sets: str, **changes: Any) -> Any:
    """The cabinet's bench, its UPS with ``changes``."""
    found = bench.sweep(place, facts=bench.electric(**changes), sets=sets, expect_acted=False)
    assert found.exit_code == 0
    return found


def off_by(found: Any, name: str, truth: float) -> float:
    figure = found.result.figures[name]
    return abs(float(figure.value) - truth) / float(figure.expanded_uncertainty)


@pytest.mark.parametrize(
    ("above", "words"),
    [
        ("abnormal", "abnormal, by a mark"),
        ("fault", "it went off"),
        ("nothing", "nothing abnormal"),
    ],
)
def test_levels_above_the_start(above: str, words: str, tmp_path: Path) -> None:
    """Good up to 28.2 V: the level at 27.8 V is the last good one, and 28.3 V is where something shows."""
    found = swept(tmp_path, "highest_v=29", high_v=28.2, above_high=above)
    assert found.end == "cut-off"
    assert off_by(found, "floor_v", 21.0) <= 1.0
    good_v = 29.0 if above == "nothing" else 27.8
    assert off_by(found, "highest_good_v", good_v) <= 1.5
    assert found.result.conditions["above_start"].value == words


def test_never_above_the_start_unasked(tmp_path: Path) -> None:
    found = swept(tmp_path, high_v=27.5, above_high="abnormal")
    assert off_by(found, "highest_good_v", 27.3) <= 1.5
    assert "above_start" not in found.result.conditions


def test_a_ups_that_goes_off_without_a_load_has_no_idle_draw(tmp_path: Path) -> None:
    found = swept(tmp_path, light_load_w=10.0, light_load_s=5.0)
    assert found.end == "cut-off"
    assert off_by(found, "floor_v", 21.0) <= 1.0
    assert found.result.not_measured["idle_a"] == "without an AC load it switched itself off"


def test_idle_left_out_by_the_plan(tmp_path: Path) -> None:
    found = swept(tmp_path, "idle_s=0")
    assert found.result.not_measured["idle_w"] == "left out by the plan (idle_s = 0)"


def test_idle_with_a_load_switched_by_hand(tmp_path: Path) -> None:
    facts = replace(load_scenario("cabinet"), fitted=("supply", "load", "meter", "thermometer"))
    found = bench.sweep(tmp_path, facts=facts, expect_acted=False)
    assert off_by(found, "idle_w", 7.0) <= 1.0
    assert found.result.conditions["mains_switched_by"].value == "person"


def test_a_sweep_that_may_not_go_far_enough(tmp_path: Path) -> None:
    found = swept(tmp_path, "lowest_v=22", "floor_expected_v=23")
    assert found.end == "not reached"
    assert "floor_v" in found.result.not_measured
    assert off_by(found, "last_good_v", 22.3) <= 1.5


def test_slow_to_go_off_still_in_its_dwell(tmp_path: Path) -> None:
    """1.6 s of hold behind a filter of 0.3 s, as slow as the plan's keys allow for."""
    found = swept(tmp_path, cutoff_hold_s=1.6, filter_tau_s=0.3)
    assert found.end == "cut-off"
    assert off_by(found, "floor_v", 21.0) <= 1.0


def test_twelve_volts_no_switch_no_contact(tmp_path: Path) -> None:
    facts = load_scenario("porch")
    found = bench.sweep(tmp_path, facts=facts, expect_acted=False)
    spec = facts.ups.spec
    assert off_by(found, "floor_v", spec.cutoff_at(20.0)) <= 1.0
    assert off_by(found, "warn_v", spec.warn_v) <= 1.0
    assert off_by(found, "restart_v", spec.restart_v) <= 1.0
    assert off_by(found, "dc_w", spec.dc_w(20.0)) <= 1.0
    assert found.value("latched") is False
