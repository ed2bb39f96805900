"""Plans: what is refused before anything is talked to, what open keys become, and what a run is expected to do."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from harness.errors import PlanRefused
from harness.procedure import Forecast
from harness.site import Site
from procedures.capacity import PROCEDURE as CAPACITY
from procedures.capacity import CapacityPlan, forecast_capacity, settle_capacity
from procedures.charge import PROCEDURE as CHARGE
from procedures.charge import ChargePlan, forecast_charge, settle_charge

MakeSite = Callable[..., Site]
ALL = ("supply", "load", "meter", "thermometer")
LOCAL = {'sense = "remote"\nlead_mohm = 20\nmax_volts = 60': 'sense = "local"\nlead_mohm = 20\nmax_volts = 60'}

REFUSED_CHARGES: list[tuple[str, dict[str, Any], dict[str, str], str]] = [
    ("over the label", {"amps": 10.1}, {}, r"amps = 10.1 A: the limit is 10 A \(pack file\); use amps <= 10"),
    ("over the supply", {"amps": 9.0}, {"max_amps = 15": "max_amps = 8"}, "the limit is 8 A .max_amps of supply"),
    ("volts over the label", {"volts": 29.3}, {}, "allows charge_volts_max = 29.2 V; use at most 29.2 V"),
    ("volts over what trips", {"volts": 29.7}, {"charge_volts_max = 29.2": "charge_volts_max = 30"}, "high volts"),
    ("volts under the cut-off", {"volts": 19.0}, {}, "cut-off"),
    ("end current over the current", {"amps": 2.0, "end_amps": 2.0}, {}, "end_amps = 2 A: not below amps = 2 A"),
    ("end current over the default", {"end_amps": 6.0}, {}, "not below amps = 5 A"),
    ("end current nobody could read", {"end_amps": 0.007}, {}, "supply reads amps within 0.00751 A only"),
    ("no time at all", {"longest_s": 0.0}, {}, "longest_s = 0 s"),
    ("a supply that cannot reach it", {}, {"max_volts = 40": "max_volts = 24"}, "supply .supply. gives 24 V"),
    ("lithium without BMS", {}, {"bms = true\nbms_cell_low_volts = 2.2\nbms_cell_high_volts = 3.75": "bms = false"},
     "no charge: no BMS"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("keys", "swap", "words"), [c[1:] for c in REFUSED_CHARGES], ids=[c[0] for c in REFUSED_CHARGES]
)
def test_charges_that_are_refused(keys: dict[str, Any], swap: dict[str, str], words: str, make_site: MakeSite) -> None:
    with pytest.raises(PlanRefused, match=words) as refused:
        settle_charge(ChargePlan(**keys), make_site(*ALL, swap=swap))
    assert "\n" not in str(refused.value)


STRONGER = {"amps_range = 10\n": "amps_range = 25\n", "max_watts = 400": "max_watts = 900"}
REFUSED_CAPACITIES: list[tuple[str, dict[str, Any], dict[str, str], str]] = [
    ("rate over the load's range", {"rate_it": 1.1}, {}, "rate_it = 1.1 asks 11 A: the limit is 10 A .amps_range"),
    ("rate over the pack", {"rate_it": 2.1}, STRONGER, "the limit is 20 A .pack file"),
    ("over the load's watts", {"rate_it": 1.0}, {"max_watts = 400": "max_watts = 200"}, "max_watts of load at 28.8"),
    ("end under never-below", {"end_v": 15.9}, {}, "cut-off 15.9 V is not above low volts 19.2 V"),
    ("end at the trip level", {"end_v": 19.2}, {}, "cut-off 19.2 V is not above low volts 19.2 V"),
    ("end above full", {"end_v": 28.9}, {}, "charge target 28.8 V is not above discharge cut-off 28.9 V"),
    ("end below what nobody watches", {"end_v": 21.0}, {"bms_cell_low_volts = 2.2": "bms_cell_low_volts = 1.9"},
     "so it ends at 22 V or above"),
    ("its charge over the label", {"charge_amps": 11.0}, {}, "amps = 11 A: the limit is 10 A"),
    ("its charge's volts over the label", {"charge_volts": 29.3}, {}, "charge_volts_max = 29.2 V"),
    ("its charge's end over its current", {"charge_end_amps": 5.0}, {}, "not below amps = 5 A"),
    ("end at a load that senses at the pack", {"end_at": "load"}, {}, "senses at the pack"),
    ("no time at all", {"longest_s": 0.0}, {}, "longest_s = 0 s"),
]  # fmt: skip


@pytest.mark.parametrize(("keys", "swap", "words"), [c[1:] for c in REFUSED_CAPACITIES],
                         ids=[c[0] for c in REFUSED_CAPACITIES])  # fmt: skip
def test_capacities_that_are_refused(
    keys: dict[str, Any], swap: dict[str, str], words: str, make_site: MakeSite
) -> None:
    with pytest.raises(PlanRefused, match=words) as refused:
        settle_capacity(CapacityPlan(**keys), make_site(*ALL, swap=swap))
    assert "\n" not in str(refused.value)


def test_nan_is_refused_wherever_it_stands(make_site: MakeSite) -> None:
    site = make_site(*ALL)
    for key in ("amps", "volts", "end_amps", "longest_s"):
        with pytest.raises(PlanRefused):
            settle_charge(ChargePlan(**{key: math.nan}), site)
    for key in ("rate_it", "end_v", "longest_s", "charge_amps"):
        with pytest.raises(PlanRefused):
            settle_capacity(CapacityPlan(**{key: math.nan}), site)


@pytest.mark.parametrize("rate_it", [0.01, 0.2, 1.0])
def test_what_is_allowed_is_allowed(rate_it: float, make_site: MakeSite) -> None:
    plan, site = settle_capacity(CapacityPlan(rate_it=rate_it), make_site(*ALL))
    assert plan.end_v == site.envelope.cut_off_v == 20.0
    assert plan.longest_s == pytest.approx(3600 * 1.3 / rate_it)


def test_open_keys_come_from_pack_and_bench(make_site: MakeSite) -> None:
    plan, site = settle_charge(ChargePlan(), make_site(*ALL))
    assert (plan.amps, plan.volts, plan.end_amps) == (5.0, 28.8, 0.5)
    assert plan.longest_s == pytest.approx(1.3 * (7200 + 3600))
    assert site.envelope.target_v == 28.8
    weak, _ = settle_charge(ChargePlan(), make_site(*ALL, swap={"charge_amps_max = 10.0": "charge_amps_max = 3.0"}))
    assert weak.amps == 3.0
    full, _ = settle_capacity(CapacityPlan(), make_site(*ALL))
    assert (full.charge_amps, full.charge_volts, full.charge_end_amps) == (5.0, 28.8, 0.5)
    assert settle_capacity(full, make_site(*ALL))[0] == full


def test_a_lower_charge_and_a_higher_end_move_the_envelope(make_site: MakeSite) -> None:
    plan, site = settle_capacity(CapacityPlan(end_v=22.0, charge_volts=28.0), make_site(*ALL))
    assert (plan.end_v, plan.charge_volts) == (22.0, 28.0)
    assert (site.envelope.cut_off_v, site.envelope.target_v) == (22.0, 28.0)


def test_without_a_charge_no_supply_is_asked_for(make_site: MakeSite) -> None:
    plan, _ = settle_capacity(CapacityPlan(charge_first=False), make_site("load"))
    assert plan.charge_amps is None
    assert CAPACITY.needs(plan) == ("load",)
    assert CAPACITY.needs(CapacityPlan()) == ("load", "supply", "thermometer")
    assert CHARGE.needs(ChargePlan()) == ("supply", "thermometer")


def test_end_at_the_load_with_its_own_terminals(make_site: MakeSite) -> None:
    assert settle_capacity(CapacityPlan(end_at="load"), make_site(*ALL, swap=LOCAL))[0].end_at == "load"


# -- forecasts ---------------------------------------------------------------------------------------------------------


def forecast(make_site: MakeSite, **keys: Any) -> Forecast:
    plan, site = settle_capacity(CapacityPlan(**keys), make_site(*ALL))
    return forecast_capacity(plan, site)


def test_a_forecast_adds_up(make_site: MakeSite) -> None:
    """0.2 It of 10 Ah is 2 A for 5 h; a charge from empty at 5 A two hours and half an hour of tail; 80 mohm."""
    made = forecast(make_site)
    charging, resting, discharging, watching = made.steps
    assert (charging.seconds, charging.amps, charging.charge_ah) == (9000.0, -5.0, 10.0)
    assert charging.heat_wh == pytest.approx(25 * 0.08 * 2)
    assert (resting.seconds, resting.amps, resting.heat_wh) == (3600.0, 0.0, 0.0)
    assert (discharging.seconds, discharging.amps, discharging.charge_ah) == (18000.0, 2.0, 10.0)
    assert discharging.heat_wh == pytest.approx(4 * 0.08 * 5)
    assert watching.seconds == 600.0
    assert made.seconds == 9000 + 3600 + 18000 + 600
    assert (made.lowest_v, made.highest_v) == (20.0, 28.8)
    assert "20 V at the pack terminals" in discharging.words


@pytest.mark.parametrize("rate_it", [0.05, 0.2, 0.5, 1.0])
def test_the_longest_a_run_may_take_is_beyond_what_it_is_expected_to(rate_it: float, make_site: MakeSite) -> None:
    site = make_site(*ALL)
    plan, settled = settle_capacity(CapacityPlan(rate_it=rate_it), site)
    discharging = forecast_capacity(plan, settled).steps[-2]
    assert plan.longest_s is not None
    assert 1.2 * discharging.seconds <= plan.longest_s <= 2 * discharging.seconds
    charging, charged = settle_charge(ChargePlan(amps=10 * rate_it, end_amps=0.1), site)
    assert charging.longest_s is not None
    assert forecast_charge(charging, charged).seconds < charging.longest_s


def test_a_forecast_without_a_charge_has_none(make_site: MakeSite) -> None:
    made = forecast(make_site, charge_first=False, rest_s=0.0, rest_after_s=0.0)
    assert made.seconds == 18000
    assert [step.amps for step in made.steps if step.seconds] == [2.0]


def test_unknown_resistance_is_no_heat(make_site: MakeSite) -> None:
    site = make_site(*ALL, swap={"resistance_mohm = 80.0\n": ""})
    plan, settled = settle_charge(ChargePlan(), site)
    assert forecast_charge(plan, settled).steps[0].heat_wh is None
