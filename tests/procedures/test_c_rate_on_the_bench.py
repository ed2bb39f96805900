"""C-rate ladders on a simulated bench, each resistance beside that of the same pack on an ideal bench of its own."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pack_campaign as campaign
import pytest

from harness.procedure import procedures
from harness.result import Figure
from sims.assembly import build_ideal_world
from sims.bms import Bms

ALL = ("supply", "load", "meter", "thermometer")


def pack_at(share: float, *, name: str = "cabinet", **load: Any) -> Any:
    """The scenario's pack, charged to about ``share``; a supply whose idle output draws nothing."""
    facts = campaign.scenario(name, None)
    starts = tuple(share + 0.002 * (-1) ** n for n, _ in enumerate(facts.pack.start_share))
    return replace(
        facts,
        pack=replace(facts.pack, start_share=starts),
        load=replace(facts.load, **load),
        supply=replace(facts.supply, bleed_kohm=1e6),
    )


def laddered(facts: Any, out: Path, *sets: str, only: tuple[str, ...] = ALL, swap: dict[str, str] | None = None) -> Any:
    made = campaign.night(facts, out, jobs=[("c-rate", sets)], only=only, swap=swap)
    (result,) = made.results
    assert result.outcome == "finished"
    return result


def true_ohms(facts: Any, rates: list[float], *, rest_s: float = 120.0, step_s: float = 60.0) -> list[dict[str, float]]:
    """Drop over current 1 and 10 s after each step's beginning, on an ideal bench."""
    world, found = build_ideal_world(facts), []
    load = world.load
    assert load is not None
    for rate_it in rates:
        world.advance_to(world.t + rest_s)
        before_v, start_s = world.volts_at("pack"), world.t
        load.function, load.amps_set, load.input_on = "cc", rate_it * facts.pack.rated_ah, True
        world.changed()
        ohms = {}
        for after_s in (1.0, 10.0):
            world.advance_to(start_s + after_s)
            ohms[f"r_{after_s:g}s_ohm"] = (before_v - world.volts_at("pack")) / world.load_amps
        world.advance_to(start_s + step_s)
        ohms["min_v"] = world.volts_at("pack")
        load.input_on = False
        world.changed()
        found.append(ohms)
    return found


@pytest.mark.parametrize(("name", "share"), [("cabinet", 0.8), ("cabinet", 0.3), ("porch", 0.6)])
def test_resistances_of_a_ladder(name: str, share: float, tmp_path: Path) -> None:
    facts = pack_at(share, name=name)
    result = laddered(facts, tmp_path)
    entries = result.lists["steps"]
    rates = [float(word) for word in str(result.plan["rates_it"]).split()]
    assert len(entries) == len(rates) >= 3
    assert result.end_reason == "all steps held"
    for entry, truth in zip(entries, true_ohms(facts, rates), strict=True):
        for key, true in truth.items():
            figure = entry[key]
            assert isinstance(figure, Figure)
            assert figure.expanded_uncertainty is not None
            # One noisy sample beside another: at a fifth of It a draw may lie a little beyond its U.
            assert abs(float(figure.value) - true) <= 1.3 * figure.expanded_uncertainty, (entry["it"], key)
            assert figure.expanded_uncertainty <= 0.03 * true, (entry["it"], key)
    held = result.figures["held_it_max"]
    assert abs(float(held.value) - rates[-1]) <= 1.5 * (held.expanded_uncertainty or 0.0)
    assert result.figures["held_a_max"].value == pytest.approx(rates[-1] * facts.pack.rated_ah, rel=0.002)


def weaker_switch(sim: Any) -> None:
    """A BMS whose slow over-current is at 8 A, after 5 s."""
    pack = sim.world.pack
    pack.bms = Bms(replace(pack.bms.spec, amps_slow=8.0, amps_slow_delay_s=5.0))


def test_an_over_current_opens_by_its_timer_and_ends_the_ladder(tmp_path: Path) -> None:
    night = campaign.night(pack_at(0.8), tmp_path, jobs=[("c-rate", ())], meddle=weaker_switch)
    (result,) = night.results
    assert (result.outcome, result.exit_code) == ("finished", 0)
    assert result.end_reason == "pack opened at 10 A"
    held = [entry["held"] for entry in result.lists["steps"]]
    assert held == [True, True, False]
    opened = result.lists["steps"][-1]["opened_s"]
    assert isinstance(opened, Figure)
    assert abs(float(opened.value) - 5.0) <= (opened.expanded_uncertainty or 0.0)
    assert result.figures["held_it_max"].value == pytest.approx(0.5, rel=0.005)
    assert str(result.lists["steps"][-1]["r_10s_ohm"]).startswith("not measured: pack opened after 5")
    assert isinstance(result.lists["steps"][-1]["r_1s_ohm"], Figure)


def test_a_weak_cell_ends_the_ladder_by_end_voltage_or_opening(tmp_path: Path) -> None:
    result = laddered(pack_at(0.012), tmp_path, "rates_it=0.2 0.5 1")
    *before, last = result.lists["steps"]
    assert last["step_end"] in ("end voltage", "pack opened")
    assert last["held"] is False
    assert all(entry["held"] is True for entry in before)
    assert result.end_reason.startswith(str(last["step_end"]))


def test_without_a_meter_the_loads_sense_leads_tell(tmp_path: Path) -> None:
    facts = pack_at(0.8)
    result = laddered(facts, tmp_path, "rates_it=0.5 1", only=("load", "thermometer"))
    for entry, truth in zip(result.lists["steps"], true_ohms(facts, [0.5, 1.0]), strict=True):
        figure = entry["r_10s_ohm"]
        assert isinstance(figure, Figure)
        assert abs(float(figure.value) - truth["r_10s_ohm"]) <= 1.3 * (figure.expanded_uncertainty or 0.0)


def test_without_a_thermometer_no_rise(tmp_path: Path) -> None:
    result = laddered(pack_at(0.8), tmp_path, "rates_it=0.5", only=("load", "meter"))
    assert "rise_k" not in result.lists["steps"][0]


def test_the_load_is_off_between_steps(tmp_path: Path) -> None:
    made = campaign.night(pack_at(0.8), tmp_path, jobs=[("c-rate", ("rates_it=0.2 0.5",))])
    assert made.sim.world.load is not None
    assert not made.sim.world.load.input_on
    amps = 0.7 * 10.0 * 60.0 / 3600.0
    assert made.sim.world.charge_ah == pytest.approx(amps, rel=0.02)


def test_it_is_installed() -> None:
    assert procedures()["c-rate"].phases == ("rest", "sink")
