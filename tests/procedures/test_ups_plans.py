"""Plans of voltage-floor, charge-ceiling and c-rate: what is refused, what open keys become, what is expected."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from harness.errors import PlanRefused
from harness.site import Site
from procedures.c_rate import PROCEDURE as C_RATE
from procedures.c_rate import CRatePlan, forecast_c_rate, settle_c_rate
from procedures.charge_ceiling import PROCEDURE as CEILING
from procedures.charge_ceiling import ChargeCeilingPlan, forecast_charge_ceiling, settle_charge_ceiling
from procedures.plans import settled
from procedures.voltage_floor import PROCEDURE as FLOOR
from procedures.voltage_floor import VoltageFloorPlan, forecast_voltage_floor, settle_voltage_floor

MakeSite = Callable[..., Site]
ALL = ("supply", "load", "meter", "thermometer")
NO_LABEL = {"label_floor_v = 21.0\n": "", "label_ceiling_v = 27.3\n": "", "label_charge_a = 1.0\n": ""}
NO_LEADS = {'sense = "remote"\nlead_mohm = 20\nmax_volts = 40': 'sense = "local"\nmax_volts = 40'}

REFUSED_FLOORS: list[tuple[str, dict[str, Any], dict[str, str], str]] = [
    ("start under the floor", {"start_v": 20.0}, {}, "lowest_v = 15.6 V, floor_expected_v = 21 V, start_v = 20"),
    ("lowest over the floor", {"lowest_v": 22.0}, {}, "lowest_v = 22 V, floor_expected_v = 21 V"),
    ("highest under the start", {"highest_v": 26.0}, {}, "highest_v = 26 V: under start_v = 27.3 V"),
    ("highest over what trips", {"highest_v": 30.0}, {}, "target 30 V"),
    ("dwell too short", {"dwell_s": 6.0}, {}, "dwell_s = 6 s: at least 6.5 s"),
    ("not watched for mains that came back", {"confirm_s": 0.0}, {}, "confirm_s = 0 s: at least 5 s"),
    ("dwell too short for this UPS", {"hold_s": 3.0, "dwell_s": 10.0}, {}, "at least 16.5 s"),
    ("fine over coarse", {"fine_step_v": 0.6}, {}, "fine_step_v = 0.6 V, coarse_step_v = 0.5 V: fine <= coarse"),
    ("coarse over everything", {"coarse_step_v": 20.0}, {}, "put them right"),
    ("limit the inverter reaches", {"amps_max": 10.0}, {}, r"amps_max = 10 A: 10.1 A or more is needed \(1.3 x 164 W"),
    ("supply too weak", {}, {"max_amps = 15": "max_amps = 8"}, "the limit is 8 A .max_amps of supply.; use a smaller"),
    ("over the supply's limit", {"amps_max": 16.0}, {}, "the limit is 15 A"),
    ("supply with too few watts", {}, {"max_amps = 15": "max_amps = 15\nmax_watts = 200"}, "over the 200 W of supply"),
    ("more power than is expected", {"power_expected_w": 250.0}, {}, "15.5 A or more is needed"),
    ("leads nobody declared", {}, NO_LEADS, "no sense leads and its leads are not declared"),
]  # fmt: skip


@pytest.mark.parametrize(("keys", "swap", "words"), [c[1:] for c in REFUSED_FLOORS], ids=[c[0] for c in REFUSED_FLOORS])
def test_floors_that_are_refused(
    keys: dict[str, Any], swap: dict[str, str], words: str, make_ups_site: MakeSite
) -> None:
    with pytest.raises(PlanRefused, match=words) as refused:
        settle_voltage_floor(VoltageFloorPlan(**keys), make_ups_site(*ALL, swap=swap))
    assert "\n" not in str(refused.value)


def test_a_floor_from_the_label(make_ups_site: MakeSite) -> None:
    """100 W over 0.7 and 5 % of 420 W are 163.9 W; at 21 V and 1.3 times that 10.14 A, and a quarter on top."""
    plan, site = settle_voltage_floor(VoltageFloorPlan(), make_ups_site(*ALL))
    assert (plan.start_v, plan.highest_v, plan.floor_expected_v) == (27.3, 27.3, 21.0)
    assert plan.lowest_v == pytest.approx(15.6)
    assert (plan.coarse_step_v, plan.fine_step_v) == (0.5, 0.05)
    assert plan.power_expected_w == pytest.approx(100 / 0.7 + 21)
    assert plan.amps_max == pytest.approx(1.25 * 1.3 * (100 / 0.7 + 21) / 21.0)
    assert plan.dwell_s == 6.5
    assert (site.envelope.cut_off_v, site.envelope.target_v) == (15.6, 27.3)
    assert settle_voltage_floor(plan, make_ups_site(*ALL))[0] == plan


def test_a_floor_without_a_label(make_ups_site: MakeSite) -> None:
    site = make_ups_site(*ALL, swap=NO_LABEL | {"ac_load_w = 100.0\nac_load_w_measured = true\n": ""})
    with pytest.raises(PlanRefused, match=r"1\.3 x 621 W at 21 V"):
        settle_voltage_floor(VoltageFloorPlan(), site)
    plan, _ = settle_voltage_floor(VoltageFloorPlan(power_expected_w=100.0), site)
    assert (plan.start_v, plan.floor_expected_v) == (27.0, 21.0)


def test_a_floor_as_asked(make_ups_site: MakeSite) -> None:
    keys = {
        "start_v": 27.0,
        "highest_v": 29.0,
        "lowest_v": 18.0,
        "coarse_step_v": 1.0,
        "amps_max": 12.0,
        "dwell_s": 8.0,
    }
    plan, site = settle_voltage_floor(VoltageFloorPlan(**keys), make_ups_site(*ALL))
    assert {key: getattr(plan, key) for key in keys} == keys
    assert plan.fine_step_v == pytest.approx(0.1)
    assert (site.envelope.cut_off_v, site.envelope.target_v) == (18.0, 29.0)
    steps = forecast_voltage_floor(plan, site)
    assert (steps.lowest_v, steps.highest_v) == (18.0, 29.0)
    assert "levels up to 29 V" in [step.words for step in steps.steps]
    assert steps.seconds == pytest.approx(90 + 30 + 2 * 8 + (9 * 8 + 15) + 9 * 8 + 90 + (20 * 8 + 15))
    assert steps.asks == ("mains on", "mains off", "ac load off", "ac load on")
    without = forecast_voltage_floor(settle_voltage_floor(VoltageFloorPlan(idle_s=0.0), make_ups_site(*ALL))[0], site)
    assert without.asks == ("mains on", "mains off")


REFUSED_CEILINGS: list[tuple[str, dict[str, Any], dict[str, str], tuple[str, ...], str]] = [
    ("no load", {"by": "load"}, {}, ("supply", "meter"), "by = load: the bench has no load"),
    ("nothing at all", {}, {}, ("meter",), "by = supply: the bench has no supply"),
    ("start too high", {"start_v": 29.4}, {}, ALL, r"start_v = 29.4 V: wanted 12 to 29.39 V"),
    ("help over the start", {"help_v": 25.0}, {}, ALL, "help_v = 25 V, start_v = 24 V"),
    ("dwell too short", {"dwell_s": 0.5}, {}, ALL, "dwell_s = 0.5 s: at least 1 s"),
    ("help over the supply", {"help_amps": 16.0}, {}, ALL, "help_amps = 16 A: the limit is 15 A"),
    ("more than the load bears", {"amps_max": 10.5}, {}, ALL, "load bears 10 A at 29.4 V"),
    ("label over the load", {}, {"label_charge_a = 1.0": "label_charge_a = 12.0"}, ALL, "the charger gives 12 A by"),
    ("watts", {"amps_max": 5.0}, {"max_watts = 400": "max_watts = 100"}, ALL, "load bears 3.4 A"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("keys", "swap", "names", "words"), [c[1:] for c in REFUSED_CEILINGS], ids=[c[0] for c in REFUSED_CEILINGS]
)
def test_ceilings_that_are_refused(
    keys: dict[str, Any], swap: dict[str, str], names: tuple[str, ...], words: str, make_ups_site: MakeSite
) -> None:
    with pytest.raises(PlanRefused, match=words) as refused:
        settle_charge_ceiling(ChargeCeilingPlan(**keys), make_ups_site(*names, swap=swap))
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    ("rated_w", "label_a", "most"), [(120, "1.0", 5.0), (120, "4.0", 6.0), (120, "8.0", 9.5), (420, "1.0", 9.5)]
)
def test_a_load_takes_no_more_than_a_charger_gives(
    rated_w: int, label_a: str, most: float, make_ups_site: MakeSite
) -> None:
    swap = {"rated_w = 420": f"rated_w = {rated_w}", "label_charge_a = 1.0": f"label_charge_a = {label_a}"}
    plan, _ = settle_charge_ceiling(ChargeCeilingPlan(), make_ups_site(*ALL, swap=swap))
    assert plan.amps_max == pytest.approx(most)


def test_a_ceiling_by_what_the_bench_has(make_ups_site: MakeSite) -> None:
    plan, site = settle_charge_ceiling(ChargeCeilingPlan(), make_ups_site(*ALL))
    assert (plan.by, plan.help, plan.start_v, plan.step_v, plan.help_v) == ("load", "start", 24.0, 0.5, 23.5)
    assert plan.helped
    assert plan.amps_max == pytest.approx(9.5)
    assert plan.help_amps == pytest.approx(1.3 * (100 / 0.7 + 21) / 23.5)
    assert settle_charge_ceiling(plan, make_ups_site(*ALL))[0] == plan
    made = forecast_charge_ceiling(plan, site)
    assert made.asks == ("mains on",)
    assert made.seconds == pytest.approx(90 + (11 * 4 + 20) + (18 * 4 + 60))
    alone, _ = settle_charge_ceiling(ChargeCeilingPlan(), make_ups_site("load"))
    assert (alone.by, alone.help, alone.help_amps) == ("load", "none", None)
    assert not alone.helped
    bare, site = settle_charge_ceiling(ChargeCeilingPlan(), make_ups_site("supply"))
    assert (bare.by, bare.amps_max) == ("supply", None)
    assert not bare.helped
    assert forecast_charge_ceiling(bare, site).seconds == pytest.approx(110)


REFUSED_RATES: list[tuple[str, dict[str, Any], dict[str, str], str]] = [
    ("over the load", {"rates_it": "0.2 1.5"}, {}, r"rates_it: 1.5 It asks 15 A: the limit is 10 A .* rates up to 1"),
    ("none allowed", {}, {"discharge_amps_max = 20.0": "discharge_amps_max = 1.0"}, "rates_it: 0.2 It asks 2 A"),
    ("no number", {"rates_it": "0.2 fast"}, {}, '"fast" is no number'),
    ("not a number", {"rates_it": "nan"}, {}, "nan It: rates lie between 0.01 and 10 It"),
    ("out of bounds", {"rates_it": "0.2 11"}, {}, "11 It: rates lie between"),
    ("falling", {"rates_it": "0.5 0.2"}, {}, "0.2 It after 0.5 It: steps rise"),
    ("empty", {"rates_it": " "}, {}, "rates_it is empty"),
    ("too short a step", {"step_s": 0.5}, {}, "step_s = 0.5 s: at least 1 s"),
    ("too short a rest", {"rest_s": 2.0}, {}, "rest_s = 2 s: at least 5 s"),
    ("end under never-below", {"end_v": 15.9}, {}, "cut-off 15.9 V is not above low volts"),
]  # fmt: skip


@pytest.mark.parametrize(("keys", "swap", "words"), [c[1:] for c in REFUSED_RATES], ids=[c[0] for c in REFUSED_RATES])
def test_rates_that_are_refused(keys: dict[str, Any], swap: dict[str, str], words: str, make_site: MakeSite) -> None:
    with pytest.raises(PlanRefused, match=words) as refused:
        settle_c_rate(CRatePlan(**keys), make_site(*ALL, swap=swap))
    assert "\n" not in str(refused.value)


def test_the_usual_rates_as_far_as_pack_and_bench_bear_them(make_site: MakeSite) -> None:
    stronger = {"amps_range = 10\n": "amps_range = 25\n", "max_watts = 400": "max_watts = 900"}
    for swap, words in (({}, "0.2 0.5 1"), (stronger, "0.2 0.5 1 2")):
        plan, site = settle_c_rate(CRatePlan(), make_site(*ALL, swap=swap))
        assert plan.rates_it == words
        assert plan.end_v == 20.0
        assert settle_c_rate(plan, make_site(*ALL, swap=swap))[0] == plan
        made = forecast_c_rate(plan, site)
        assert made.seconds == 180.0 * len(words.split())
    assert made.steps[-1].heat_wh == pytest.approx(400 * 0.08 / 60)
    plan, site = settle_c_rate(CRatePlan(rates_it="0.3"), make_site(*ALL, swap={"resistance_mohm = 80.0\n": ""}))
    assert forecast_c_rate(plan, site).steps[-1].heat_wh is None


def test_nan_is_refused_wherever_it_stands(make_site: MakeSite, make_ups_site: MakeSite) -> None:
    for keys, plan_type, settle, site in (
        (("start_v", "lowest_v", "coarse_step_v", "amps_max", "filter_s", "dwell_s", "confirm_s", "mains_wait_s"),
         VoltageFloorPlan, settle_voltage_floor, make_ups_site(*ALL)),
        (("start_v", "step_v", "dwell_s", "help_amps", "amps_max", "off_most_s", "taper_wait_s"),
         ChargeCeilingPlan, settle_charge_ceiling, make_ups_site(*ALL)),
        (("step_s", "rest_s", "end_v"), CRatePlan, settle_c_rate, make_site(*ALL)),
    ):  # fmt: skip
        for key in keys:
            with pytest.raises(PlanRefused):
                settle(plan_type(**{key: math.nan}), site)  # type: ignore[operator]


def test_what_each_procedure_needs() -> None:
    assert FLOOR.needs(VoltageFloorPlan()) == ("supply",)
    assert C_RATE.needs(CRatePlan()) == ("load",)
    assert CEILING.needs(ChargeCeilingPlan()) == ()
    assert CEILING.needs(ChargeCeilingPlan(by="load")) == ("load",)
    assert (FLOOR.subject, CEILING.subject, C_RATE.subject) == ("ups", "ups", "pack")


def test_an_open_key_is_no_number() -> None:
    assert settled(1.5) == 1.5
    with pytest.raises(ValueError, match="still open"):
        settled(None)
