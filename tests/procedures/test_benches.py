"""Capacity on benches that lack something, against the world's own running integrals; short runs of a low pack."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pack_campaign as campaign
import pytest

from harness.errors import PreflightRefused

QUICK = ("charge_first=false", "rest_s=120", "rest_after_s=120", "rate_it=0.5")
NO_DRAIN_KOHM = 1e6


def low_pack(*, share: float = 0.1, load_sense: str = "remote", bleed_kohm: float = 4.7, **load: Any) -> Any:
    """The porch's pack, nearly empty; some minutes of discharge at 0.5 It."""
    facts = campaign.scenario("porch", None)
    return replace(
        facts,
        pack=replace(facts.pack, start_share=(share, share + 0.001, share - 0.001, share)),
        load=replace(facts.load, sense=load_sense, **load),
        supply=replace(facts.supply, bleed_kohm=bleed_kohm),
    )


def ran(facts: Any, out: Path, *sets: str, only: tuple[str, ...] = ("supply", "load", "meter", "thermometer"),
        swap: dict[str, str] | None = None) -> tuple[Any, Any]:  # fmt: skip
    made = campaign.night(facts, out, jobs=[("capacity", (*QUICK, *sets))], only=only, swap=swap)
    (result,) = made.results
    assert (result.outcome, result.end_reason) == ("finished", "end volts reached")
    return result, made.sim.world


def assert_counted(result: Any, world: Any) -> None:
    """Charge and energy as the world counted them at the pack's terminals, from the rest on; the seconds between the
    crossing and off, and the drain in the rest after, belong to the world's count only."""
    figures, after_ah = result.figures, 4.0 * 4.0 / 3600 + 0.003 * 150 / 3600
    for name, truth, after in (
        ("capacity_ah", world.charge_ah, after_ah),
        ("capacity_wh", world.energy_wh, 10 * after_ah),
    ):
        assert -after <= figures[name].value - truth + figures[name].expanded_uncertainty
        assert figures[name].value - truth <= figures[name].expanded_uncertainty


def test_the_whole_bench(tmp_path: Path) -> None:
    result, world = ran(low_pack(), tmp_path)
    assert_counted(result, world)
    assert result.conditions["volts_measured"].value == "measured at the pack terminals by meter"


def test_the_idle_supplys_drain_is_in_the_charge(tmp_path: Path) -> None:
    """A bleeder of 100 ohm takes a tenth of an ampere and more: without it the figure would be off by many U."""
    facts = low_pack(bleed_kohm=0.1)
    result, world = ran(facts, tmp_path)
    without, _ = ran(facts, tmp_path, swap={"off_bleed_ohm = 100.0\n": "off_bleed_ohm = 1000000.0\n"})
    assert_counted(result, world)
    drained_ah = result.figures["capacity_ah"].value - without.figures["capacity_ah"].value
    assert drained_ah == pytest.approx(world.charge_ah * 0.125 / 4.0, rel=0.3)
    assert drained_ah > 0.02


def test_without_meter_volts_come_from_the_loads_sense_leads(tmp_path: Path) -> None:
    result, world = ran(low_pack(), tmp_path, only=("supply", "load", "thermometer"))
    assert_counted(result, world)
    assert result.conditions["volts_measured"].value == "measured at the pack terminals by load"


def test_without_meter_and_sense_leads_volts_are_computed_and_say_so(tmp_path: Path) -> None:
    facts = low_pack(load_sense="local")
    facts = replace(facts, load_lead_mohm=60.0)
    swap = {'role = "supply"': 'role = "supply"\n# without its sense leads', 'sense = "remote"': 'sense = "local"'}
    result, world = ran(facts, tmp_path, only=("supply", "load", "thermometer"), swap=swap)
    assert_counted(result, world)
    assert "computed from load and its declared leads of 60.0 mohm" in result.conditions["volts_measured"].value
    for name in ("mean_v", "capacity_wh", "end_v", "recovery_v"):
        assert "computed from load" in result.figures[name].basis, name
        assert any(line.source == "declared leads" for line in result.figures[name].budget), name
    # 4 A over 60 mohm: a quarter of a volt that is not lost.
    mean_v = world.energy_wh / world.charge_ah
    assert result.figures["mean_v"].value == pytest.approx(mean_v, abs=result.figures["mean_v"].expanded_uncertainty)


def test_end_at_the_loads_terminals(tmp_path: Path) -> None:
    """4 A over 60 mohm: ending at 10.24 V at the load is ending at 10.48 V at the pack."""
    facts = replace(low_pack(load_sense="local"), load_lead_mohm=60.0)
    at_load, world = ran(facts, tmp_path, "end_at=load", "end_v=10.24", swap={'sense = "remote"': 'sense = "local"'})
    at_pack, _ = ran(facts, tmp_path, "end_v=10.48", swap={'sense = "remote"': 'sense = "local"'})
    assert_counted(at_load, world)
    one, other = at_load.figures["capacity_ah"], at_pack.figures["capacity_ah"]
    # Two voltmeters find the same end, each within what it knows.
    known = [2 * line.standard_uncertainty for f in (one, other) for line in f.budget if "end voltage" in line.source]
    assert one.value == pytest.approx(other.value, abs=sum(known))
    assert sum(known) < 0.01 * one.value
    assert at_load.figures["end_v"].basis == "end voltage at the load terminals, as planned"
    assert at_load.conditions["end_at"].value == "load terminals"
    assert {line.source for line in at_load.figures["end_v"].budget} == {"load volts"}


def test_without_supply(tmp_path: Path) -> None:
    facts = low_pack(bleed_kohm=NO_DRAIN_KOHM)
    result, world = ran(facts, tmp_path, only=("load", "meter", "thermometer"))
    assert_counted(result, world)
    assert not [line for line in result.figures["capacity_ah"].budget if "supply" in line.source]
    assert result.conditions["charged"].value == "before this run, not seen by it"


def test_a_charge_first_without_supply_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PreflightRefused, match="capacity needs a supply"):
        campaign.night(low_pack(), tmp_path, jobs=campaign.CAPACITY, only=("load", "meter", "thermometer"))


def test_without_thermometer(tmp_path: Path) -> None:
    result, world = ran(low_pack(), tmp_path, only=("supply", "load", "meter"))
    assert_counted(result, world)
    assert {"temp_start_c", "temp_end_c", "rise_k"} <= set(result.not_measured)


def test_with_accuracy_nobody_gave(tmp_path: Path) -> None:
    keys = ("amps_accuracy_reading_pct = 0.05\n", "amps_accuracy_range_pct = 0.05\n")
    result, world = ran(low_pack(), tmp_path, swap=dict.fromkeys(keys, ""))
    assert_counted(result, world)
    figure = result.figures["capacity_ah"]
    assert "accuracy ASSUMED, not given: load amps" in figure.basis
    (line,) = [line for line in figure.budget if line.source == "load amps"]
    assert line.basis.startswith("assumed, not given: 0.5 % of reading + 0.1 % of range 40 A")


def test_no_rests_at_all(tmp_path: Path) -> None:
    sets = ("charge_first=false", "rest_s=0", "rest_after_s=0", "rate_it=0.5")
    made = campaign.night(low_pack(), tmp_path, jobs=[("capacity", sets)])
    (result,) = made.results
    assert_counted(result, made.sim.world)
    assert "recovery_v" in result.not_measured
    assert result.conditions["settled"].value == "rest too short to tell"


def test_a_full_pack_put_on_charge_again_is_full_at_once(tmp_path: Path) -> None:
    facts = low_pack(share=0.985)
    made = campaign.night(facts, tmp_path, jobs=[("charge", ()), ("charge", ())])
    assert [result.end_reason for result in made.results] == ["end current reached"] * 2
    assert made.results[1].figures["charge_in_ah"].value < 0.1 * made.results[0].figures["charge_in_ah"].value + 0.05
